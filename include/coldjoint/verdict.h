/* SPDX-License-Identifier: GPL-3.0-or-later */
/* verdict.h - figures against limits: pass, fail, undecided. */
#ifndef COLDJOINT_VERDICT_H
#define COLDJOINT_VERDICT_H

#include "coldjoint/base.h"
#include "coldjoint/board.h"
#include "coldjoint/diagnosis.h"

#ifdef __cplusplus
extern "C" {
#endif

typedef enum cj_verdict { CJ_PASS, CJ_FAIL, CJ_VERDICT_UNDECIDED } cj_verdict;

/* One limit at one reading. */
typedef struct cj_judged {
    char *step;      /* name of the step */
    char *figure;    /* key, with its net where it is of one channel: "dc_v@left_out" */
    double value, u; /* NaN where not measured */
    double min, max; /* NaN: none on this side */
    bool derived;    /* from the parts' tolerances */
    cj_verdict verdict;
    char *why;       /* undecided: the reason; else NULL */
    double margin;   /* from the value to the nearer limit, over U = 2u; negative outside; NaN: none */
} cj_judged;

typedef struct cj_judgement {
    cj_verdict verdict; /* the worst of its limits */
    cj_judged *limits;
    size_t limit_count;
} cj_judgement;

/* The limits of the board against what a diagnosis has as measured and as predicted of a good unit. */
CJ_API CJ_MUST_CHECK cj_status cj_judge(const cj_diagnosis *diagnosis, cj_judgement **out, cj_error *err);
CJ_API void cj_judgement_free(cj_judgement *judgement);

#ifdef __cplusplus
}
#endif
#endif
