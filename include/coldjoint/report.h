/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * report.h - answers as text a technician reads at arm's length, and as JSON.
 *
 * Each function appends one whole answer to `out` (text UTF-8, JSON one object and a newline), or fails
 * and leaves no partial answer in it.
 */
#ifndef COLDJOINT_REPORT_H
#define COLDJOINT_REPORT_H

#include "coldjoint/base.h"
#include "coldjoint/diagnosis.h"
#include "coldjoint/figures.h"

#ifdef __cplusplus
extern "C" {
#endif

typedef struct cj_report_style {
    bool colour;  /* terminal colours; never with NO_COLOR, decided by the caller */
    bool explain; /* append why each rule fired or stayed silent */
} cj_report_style;

CJ_API CJ_MUST_CHECK cj_status cj_report_measure_text(const cj_measurement *measurement,
                                                      const cj_report_style *style, cj_text *out,
                                                      cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_measure_json(const cj_measurement *measurement, cj_text *out,
                                                      cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_compare_text(const cj_comparison *comparison,
                                                      const cj_findings *findings,
                                                      const cj_report_style *style, cj_text *out,
                                                      cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_compare_json(const cj_comparison *comparison,
                                                      const cj_findings *findings, cj_text *out,
                                                      cj_error *err);

#ifdef __cplusplus
}
#endif
#endif
