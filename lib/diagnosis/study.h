/* SPDX-License-Identifier: GPL-3.0-or-later */
/* study.h - the parts of cj_study_make. */
#ifndef COLDJOINT_DIAGNOSIS_STUDY_H
#define COLDJOINT_DIAGNOSIS_STUDY_H

#include "diagnosis/answer.h"

/* Standard uncertainties of the instruments that the steps will be read with. */
typedef struct cj__study_errors {
    double gain, match, skew_s, offset_v, thd_percent;
} cj__study_errors;

void cj__study_instruments(const cj_instruments *given, cj__study_errors *out);
/* Of a phase at that frequency, radian. */
double cj__study_phase(const cj__study_errors *errors, double hz);
/* Every step read once; the readings are those of a good unit. */
CJ_MUST_CHECK cj_status cj__study_scene(const cj_board *board, cj_bench *bench,
                                        const cj__study_errors *errors, cj__scene **out,
                                        cj_error *err);

void cj__fault_group_clear(cj_fault_group *group);
CJ_MUST_CHECK cj_status cj__fault_group_add(cj_fault_group *group, const cj__suspect *suspect,
                                            cj_error *err);

/* study_groups.c: faults that the steps cannot tell apart, and the rank of the parts' values. */
CJ_MUST_CHECK cj_status cj__study_groups(cj_study *study, const cj__scene *scene,
                                         const cj__suspects *suspects, cj_error *err);
/* study_limits.c: faults that pass every limit, limits that the instruments cannot decide. */
CJ_MUST_CHECK cj_status cj__study_limits(cj_study *study, const cj__scene *scene,
                                         const cj__suspects *suspects,
                                         const cj__study_errors *errors, cj_error *err);

/* The likeliest manner of a suspect, a searched quantity at a value that stands for it (a part's
 * value: times `factor`). */
const cj__manner *cj__study_manner(const cj__suspect *suspect, double factor, double *value);

#endif
