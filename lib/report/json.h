/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * report/json.h - the one way JSON is made here.
 *
 * jansson loses a whole object over one NaN or one byte of bad UTF-8: everything goes through
 * these. A value that could not be made (out of memory) sets `failed`; check once at the end.
 */
#ifndef COLDJOINT_REPORT_JSON_H
#define COLDJOINT_REPORT_JSON_H

#include <jansson.h>

#include "coldjoint/report.h"

struct cj__json {
    json_t *root;
    bool failed;
};

/* {"coldjoint": kind, "version": 1} */
void cj__json_start(struct cj__json *json, const char *kind);
/* Appends the object and a newline to out and frees it; CJ_NOMEM where anything failed, out
 * untouched. */
cj_status cj__json_end(struct cj__json *json, cj_text *out, cj_error *err);

/* All take over `value`; object and list are borrowed and may be NULL after a failure. */
void cj__json_set(struct cj__json *json, json_t *object, const char *key, json_t *value);
void cj__json_append(struct cj__json *json, json_t *list, json_t *value);
/* Text with bad bytes replaced; NULL gives null. */
json_t *cj__json_text(const char *text);
/* A finite number, else null. */
json_t *cj__json_number(double value);

/* {"value", "u", "unit"}, {"value": WORD} or {"value": null, "why", "below" | "above"} */
json_t *cj__json_figure(struct cj__json *json, const cj_figure *figure);
json_t *cj__json_figures(struct cj__json *json, const cj_figure_set *set);
json_t *cj__json_capture(struct cj__json *json, const cj_measurement *measurement,
                         const cj_digests *digests);
json_t *cj__json_channels(struct cj__json *json, const cj_measurement *measurement);
json_t *cj__json_findings(struct cj__json *json, const cj_findings *findings);
/* {"fault", "part", ...} or {"together": [...]} */
json_t *cj__json_fault(struct cj__json *json, const cj_fault *fault);
json_t *cj__json_faults(struct cj__json *json, const cj_fault *faults, size_t count);
/* "findings", "unexplained", "caution" and "explained" of the answer */
void cj__json_set_findings(struct cj__json *json, const cj_findings *findings);
/* {KEY: {"value", u_key, "unit"}, ...}; why: what is said of a figure without a value */
json_t *cj__json_keyed(struct cj__json *json, const cj_keyed_figure *figures, size_t count,
                       const char *u_key, const char *why);
json_t *cj__json_lines(struct cj__json *json, const cj_lines *lines);

/* response.c: the arrays of a response. */
json_t *cj__json_response(struct cj__json *json, const cj_response *response);

#endif
