/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef COLDJOINT_VERDICT_H
#define COLDJOINT_VERDICT_H
#include "coldjoint/diagnosis.h"
typedef enum cj_verdict { CJ_PASS, CJ_FAIL, CJ_VERDICT_UNDECIDED } cj_verdict;
typedef struct cj_judged {
    char *step, *figure;
    double value, u, min, max;
    bool derived;
    cj_verdict verdict;
    char *why;
    double margin;
} cj_judged;
typedef struct cj_judgement {
    cj_verdict verdict;
    cj_judged *limits;
    size_t limit_count;
    size_t worst;
} cj_judgement;
#endif
