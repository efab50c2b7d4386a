/* SPDX-License-Identifier: GPL-3.0-or-later */
/* page.h - what the files of the page share. */
#ifndef COLDJOINT_REPORT_PAGE_H
#define COLDJOINT_REPORT_PAGE_H

#include "report/board.h"
#include "report/html.h"
#include "report/plot.h"

/* The plots of one capture, CJ__NO_PLOT where there is none. */
typedef struct cj__page_plots {
    int trace, spectrum, response[2];
} cj__page_plots;

typedef struct cj__sheet {
    const cj_page *page;
    const cj_findings *findings;
    const cj_step_figures *steps;
    size_t step_count;
    cj__plots plots;
    cj__page_plots *of; /* [captures] */
} cj__sheet;

extern const char cj__page_style[];

/* page_words.c: the sentence at the top, then what was made of what. */
void cj__page_sentence(cj_text *out, const cj__sheet *sheet);
void cj__page_origin(cj_text *out, const cj__sheet *sheet);
/* page_findings.c: the finding, its evidence, the next check */
void cj__page_findings(cj_text *out, const cj__sheet *sheet);
/* findings_read.c: the JSON list that cj_report_findings_json wrote. CJ_DATA: it is none. */
cj_status cj__findings_read(const char *json, cj_findings **out, cj_error *err);
/* page_tables.c: limits and figures */
void cj__page_limits(cj_text *out, const cj__sheet *sheet);
void cj__page_step(cj_text *out, const cj__sheet *sheet, size_t step);
/* paired: with channel 2 against channel 1 */
void cj__page_measurement(cj_text *out, const cj_measurement *measurement, bool paired);
void cj__page_pair(cj_text *out, const cj_figure_set *pair);
/* "DC, left_out" */
void cj__page_label(cj_text *out, const char *key);
/* " at 1 kHz" for a point of a response; nothing for 0 */
void cj__page_at(cj_text *out, double hz);
/* unit of a figure's key: "dB" of "gain_db"; "" */
const char *cj__key_unit(const cj__sheet *sheet, const char *step, const char *key);
/* page_band.c: what a good unit reads over the range of a step's response; count 0 where it cannot be had. */
void cj__page_band(const cj_board *board, size_t step, bool of_stimulus, cj__healthy_band *out);

#endif
