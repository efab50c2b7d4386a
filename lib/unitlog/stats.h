/* SPDX-License-Identifier: GPL-3.0-or-later */
/* unitlog/stats.h - the parts of cj_batch_make. */
#ifndef COLDJOINT_UNITLOG_STATS_H
#define COLDJOINT_UNITLOG_STATS_H

#include "coldjoint/unitlog.h"

/* What is the same for every figure of so many values. */
typedef struct cj__factors {
    size_t count;
    double one_sided, two_sided;
} cj__factors;

/* The values that were measured, in the runs' order; places takes their runs. Angles are unwrapped.
 * keep: NULL, or which runs count. Returns how many. */
size_t cj__measured(const cj_batch_log *log, const cj_logged_values *logged, const bool *keep,
                    double *values, size_t *places);
bool cj__is_figure(const char *key, const char *figure); /* "dc_v@out" is of dc_v */
/* Factors for 99 % of units with 95 % confidence; the last are kept. */
const cj__factors *cj__factors_of(cj__factors *last, size_t count);

/* A finding this likely makes a unit suspect: two faults at once come below one half,
 * since something that the board file does not know looks like them as often. */
#define CJ__SUSPECTED 0.3
bool cj__is_suspect(const cj_run_head *run);

CJ_MUST_CHECK cj_status cj__count_faults(cj_log *log, cj_batch *batch, cj_error *err);
CJ_MUST_CHECK cj_status cj__propose(cj_batch *batch, cj_error *err);

#endif
