/* SPDX-License-Identifier: GPL-3.0-or-later */
/* report/log.h - what the answers about the unit log share. */
#ifndef COLDJOINT_REPORT_LOG_H
#define COLDJOINT_REPORT_LOG_H

#include "report/json.h"
#include "report/internal.h"

/* ---- log_words.c ---- */

/* "pass" */
const char *cj__verdict_word(cj_verdict verdict);
/* "PASS", coloured */
void cj__write_verdict(cj_text *out, cj_verdict verdict, const struct cj__colours *colours);
/* "2026-11-28 12:55 UTC" */
void cj__write_time(cj_text *out, const char *at);
/* The first digits of a UUID: what a person types. */
void cj__write_number_of(cj_text *out, const char *uuid);
/* A fault in words, from how a command line has it; that itself where it is none. */
void cj__write_fault_notation(cj_text *out, const char *fault);
/* "in1-left: gain" */
void cj__write_step_figure(cj_text *out, const char *step, const char *figure);
/* The unit of a limit's figure; "" where it was not measured. */
const char *cj__limit_unit(const cj_run *run, const cj_judged *limit);

/* ---- undecidable.c ---- */

/* Whether the capture chain, not the unit, leaves a limit undecided. */
bool cj__undecidable(const cj_judged *limit);
/* A line for each kind of figure of which there are such limits: why, and what would help. */
CJ_MUST_CHECK cj_status cj__undecidable_lines(const cj_run *run, cj_lines *out, cj_error *err);

/* ---- log_json.c ---- */

json_t *cj__json_head(struct cj__json *json, const cj_run_head *head);
/* With limits, figures, findings and captures. */
json_t *cj__json_run(struct cj__json *json, const cj_run *run);
/* As they were stored. NULL: memory is out. (They are ours, packed with a checksum; jansson calls a
 * lack of memory a wrong token as well, so the two cannot be told apart.) */
json_t *cj__stored_findings(const cj_run *run);
json_t *cj__json_repair(struct cj__json *json, const cj_repair *repair);

#endif
