/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * answer.h - from a ranking to what is said: groups, sentences, evidence, the next reading.
 */
#ifndef COLDJOINT_DIAGNOSIS_ANSWER_H
#define COLDJOINT_DIAGNOSIS_ANSWER_H

#include "diagnosis/rank.h"

/* ---- groups.c ---- */

/* Suspects that what was seen cannot tell apart. */
typedef struct cj__group_of {
    size_t *members; /* suspects, likeliest first */
    size_t count;
    double probability;
} cj__group_of;

typedef struct cj__groups {
    cj__group_of *items;
    size_t count;
    double healthy; /* nothing wrong, or nothing that shows */
} cj__groups;

CJ_MUST_CHECK cj_status cj__groups_make(cj__ranking *ranking, cj__groups *out, cj_error *err);
void cj__groups_free(cj__groups *groups);

/* The fault of a suspect as found: a wrong value with its interval and the nearest preferred value;
 * the two pins of a two-pin part where `pin` is 2. False: out of memory. */
bool cj__fault_found(const cj__ranking *ranking, size_t suspect, int pin, cj_fault *out);

/* ---- sentence.c ---- */

/* "U1 pin 7 (output of section B) makes no contact; the signal leaks through R14". NULL: out of
 * memory. */
char *cj__fault_says(const cj_board *board, const cj_fault *fault);
/* What to do next with a meter. NULL: out of memory. */
char *cj__fault_check(const cj_board *board, const cj_fault *fault);

/* ---- evidence.c ---- */

/* The readings that speak loudest for this trial against a healthy board: measured, expected,
 * healthy. */
CJ_MUST_CHECK cj_status cj__evidence(const cj__ranking *ranking, const cj__trial *trial,
                                     cj_finding *finding, cj_error *err);
/* What was measured, and what a healthy unit reads, step by step. */
CJ_MUST_CHECK cj_status cj__steps(const cj_board *board, cj_bench *bench,
                                  const cj_observed *observed, cj_diagnosis *out, cj_error *err);
/* What a healthy unit reads in out->step. */
CJ_MUST_CHECK cj_status cj__predict_step(const cj_board *board, cj_bench *bench,
                                         cj_step_figures *out, cj_error *err);
/* The figures of one look from a prediction with its spread, keyed. */
CJ_MUST_CHECK cj_status cj__predicted_figures(const cj_board *board, cj_bench *bench, size_t step,
                                              const cj_prediction *prediction,
                                              cj_keyed_figure **out, size_t *count, cj_error *err);

/* ---- next.c ---- */

CJ_MUST_CHECK cj_status cj__next(cj__ranking *ranking, const cj_observed *observed,
                                 const cj__groups *groups, cj_diagnosis *out, cj_error *err);

#endif
