/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * learned.h - what the captures tell of a board's parts, should one suspect be what is wrong.
 *
 * A reading near one already taken says little new: the parts' deviations that both depend on are
 * known from the first. Deviations and readings are jointly normal, so those that are left have a
 * mean and a covariance in closed form (conditional normal; Rao, Linear Statistical Inference, 8a,
 * from memory).
 */
#ifndef CJ_DIAGNOSIS_LEARNED_H
#define CJ_DIAGNOSIS_LEARNED_H

#include "diagnosis/rank.h"

typedef struct cj__learned {
    int rows;      /* of what was captured */
    size_t count;  /* of the deviations that captures have in common */
    double *share; /* [count * rows] gradients of the captured rows, whitened */
    double *shift; /* [count] mean of each deviation, in its sigmas */
} cj__learned;

/* With every quantity of the manner fixed. The ranking's outlook and normal are scratch. */
CJ_MUST_CHECK cj_status cj__learned_make(cj__ranking *ranking, const cj__manner *manner,
                                         cj__learned **out, cj_error *err);
void cj__learned_free(cj__learned *learned);
/* A prediction for other readings of the same bench: outlook->mean and the normal become those
 * after what was captured. */
CJ_MUST_CHECK cj_status cj__learned_apply(const cj__learned *learned, const cj__scene *scene,
                                          cj__outlook *outlook, cj__normal *normal, cj_error *err);

#endif
