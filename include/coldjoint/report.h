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
#include "coldjoint/signal.h"
#include "coldjoint/unitlog.h"
#include "coldjoint/verdict.h"

#ifdef __cplusplus
extern "C" {
#endif

typedef struct cj_report_style {
    bool colour;  /* terminal colours; never with NO_COLOR, decided by the caller */
    bool explain; /* append how the file was read, and why each rule fired or stayed silent */
} cj_report_style;

/* SHA-256 of each file of a capture (cj_capture_digest), lower-case hex. */
typedef struct cj_digests {
    int count; /* 1, or 2 for FILE+FILE; 0: left out of the answer */
    char hex[2][65];
} cj_digests;

CJ_API CJ_MUST_CHECK cj_status cj_report_measure_text(const cj_measurement *measurement,
                                                      const cj_report_style *style, cj_text *out,
                                                      cj_error *err);
/* digests may be NULL. */
CJ_API CJ_MUST_CHECK cj_status cj_report_measure_json(const cj_measurement *measurement,
                                                      const cj_digests *digests, cj_text *out,
                                                      cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_compare_text(const cj_comparison *comparison,
                                                      const cj_findings *findings,
                                                      const cj_report_style *style, cj_text *out,
                                                      cj_error *err);
/* digests[i] belongs to comparison->captures[i]; digests may be NULL. */
CJ_API CJ_MUST_CHECK cj_status cj_report_compare_json(const cj_comparison *comparison,
                                                      const cj_findings *findings,
                                                      const cj_digests digests[2], cj_text *out,
                                                      cj_error *err);

/* ---- volts at full scale ---- */

typedef struct cj_scale {
    double full_scale_v, u; /* V peak at digital full scale (cj_full_scale) */
    double reads_v;         /* what the meter said, V RMS */
} cj_scale;

/* One line for a person. */
CJ_API CJ_MUST_CHECK cj_status cj_report_scale_text(const cj_scale *scale, cj_text *out, cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_scale_json(const cj_measurement *measurement,
                                                    const cj_digests *digests, const cj_scale *scale,
                                                    cj_text *out, cj_error *err);
/* An instruments file (YAML) that cj_instruments_read reads back; fields that are NaN are left out. */
CJ_API CJ_MUST_CHECK cj_status cj_report_instruments(const cj_instruments *instruments, cj_text *out,
                                                     cj_error *err);

/* ---- test signals ---- */

/* A stimulus as it stands in a file. */
typedef struct cj_played {
    const char *file;
    const cj_stimulus *stimulus;
    const cj_audio_format *format; /* full_scale as below */
    double full_scale_v;           /* the stimulus' levels are volts, this is full scale; 0: they are parts of full scale */
} cj_played;

CJ_API CJ_MUST_CHECK cj_status cj_report_stimulus_text(const cj_played *played, cj_text *out,
                                                       cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_stimulus_json(const cj_played *played, cj_text *out,
                                                       cj_error *err);

/* ---- with a board ---- */

/* The answer of `diagnose`. The text fits a screen of 80 x 40: verdict; the first finding with mechanism and
 * evidence (measured / with this fault / healthy); the others a line each; what to do next; cautions. */
CJ_API CJ_MUST_CHECK cj_status cj_report_diagnosis_text(const cj_diagnosis *diagnosis,
                                                        const cj_observed *observed,
                                                        const cj_report_style *style, cj_text *out,
                                                        cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_diagnosis_json(const cj_diagnosis *diagnosis,
                                                        const cj_observed *observed, cj_text *out,
                                                        cj_error *err);
/* The answer of `board`. */
CJ_API CJ_MUST_CHECK cj_status cj_report_study_text(const cj_study *study, const cj_report_style *style,
                                                    cj_text *out, cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_study_json(const cj_study *study, cj_text *out, cj_error *err);

/* ---- the bench sheet ---- */

/* The answer of `plan`: cautions, then a step after the other. The page is one HTML file that needs no other, to be
 * printed on A4 or Letter, in black and white. */
CJ_API CJ_MUST_CHECK cj_status cj_report_plan_text(const cj_plan *plan, const cj_report_style *style,
                                                   cj_text *out, cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_plan_json(const cj_plan *plan, cj_text *out, cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_plan_html(const cj_plan *plan, cj_text *out, cj_error *err);

/* ---- a page to look at ---- */

/* One capture as it stands on a page. */
typedef struct cj_page_capture {
    const char *name;                  /* as the user gave it */
    size_t step;                       /* of the board; 0 without one */
    cj_capture *capture;               /* read for the curves; NULL: not at hand, no curves */
    const cj_measurement *measurement; /* what is marked in them: tone, hum, stray line, losses; without a board its
                                          figures too. NULL with `capture` alone */
} cj_page_capture;

/* What a page shows. Whatever there is none of is NULL. Everything is borrowed. */
typedef struct cj_page {
    const char *unit, *when, *operator_name, *instruments, *run, *note; /* as the log has them */
    const cj_board *board;
    const cj_observed *observed;       /* which steps were read */
    const cj_judgement *judgement;
    const cj_diagnosis *diagnosis;
    const cj_findings *findings;       /* NULL: those of the diagnosis */
    const cj_step_figures *steps;      /* measured and predicted; NULL: those of the diagnosis */
    size_t step_count;
    const cj_comparison *comparison;   /* without a board */
    const cj_page_capture *captures;
    size_t capture_count;
    const cj_lines *history;           /* repairs, a line each */
    const cj_lines *remarks;
} cj_page;

/*
 * One HTML file that needs no other and no script: a sentence (verdict and why), the drawing of the stages with suspects
 * and measured paths, then figures, limits, the finding and curves. Curves are drawn by the program gnuplot; where it is
 * missing the page says so.
 */
CJ_API CJ_MUST_CHECK cj_status cj_report_page(const cj_page *page, cj_text *out, cj_error *err);

/* The same of a run in the log. */
typedef struct cj_run_page {
    const cj_run *run;
    const cj_repair *repairs;        /* of its unit; NULL: none */
    size_t repair_count;
    const cj_board *board;           /* read from the run's board file */
    const cj_study *healthy;         /* what a good unit reads; NULL: left out */
    const cj_page_capture *captures; /* name, step and capture alone: what is marked comes from the log */
    size_t capture_count;
    const cj_lines *remarks;         /* captures that are not at hand, and why */
} cj_run_page;

/* A unit in the index of a folder of pages. */
typedef struct cj_index_row {
    const cj_run_head *head; /* its latest run */
    const char *file;        /* its page, beside the index; NULL: none */
} cj_index_row;

/* The units of one board. */
typedef struct cj_index {
    const char *board, *title;
    const cj_index_row *rows;
    size_t row_count;
    const cj_batch_log *batch; /* for the charts; NULL: none */
} cj_index;

/* The index: each board's units with their verdicts, and charts of the figures that have the least room. */
CJ_API CJ_MUST_CHECK cj_status cj_report_index(const cj_index *boards, size_t count, cj_text *out, cj_error *err);

CJ_API CJ_MUST_CHECK cj_status cj_report_run_page(const cj_run_page *of, cj_text *out, cj_error *err);

/* ---- the unit log ---- */

/* Findings as a log keeps them: a JSON list on one line, without a newline. */
CJ_API CJ_MUST_CHECK cj_status cj_report_findings_json(const cj_findings *findings, cj_text *out,
                                                       cj_error *err);

/* All that is logged of a unit. */
typedef struct cj_unit_history {
    const char *unit, *board;
    cj_run *const *runs; /* oldest first */
    size_t run_count;
    const cj_repair *repairs; /* oldest first */
    size_t repair_count;
} cj_unit_history;

/* The answer of `log add`: the run that was recorded in the log of that name. */
CJ_API CJ_MUST_CHECK cj_status cj_report_added_text(const cj_run *run, const char *log,
                                                    const cj_report_style *style, cj_text *out,
                                                    cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_added_json(const cj_run *run, const char *log,
                                                    cj_text *out, cj_error *err);
/* One line to stick on the unit: serial, verdict, date, worst margin. */
CJ_API CJ_MUST_CHECK cj_status cj_report_label(const cj_run_head *run, cj_text *out, cj_error *err);

CJ_API CJ_MUST_CHECK cj_status cj_report_runs_text(const cj_run_head *runs, size_t count,
                                                   const cj_report_style *style, cj_text *out,
                                                   cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_runs_json(const cj_run_head *runs, size_t count,
                                                   cj_text *out, cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_unit_text(const cj_unit_history *history,
                                                   const cj_report_style *style, cj_text *out,
                                                   cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_unit_json(const cj_unit_history *history, cj_text *out,
                                                   cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_repair_text(const cj_repair *repair, cj_text *out,
                                                     cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_repair_json(const cj_repair *repair, cj_text *out,
                                                     cj_error *err);

/* The answer of `log stats`. */
CJ_API CJ_MUST_CHECK cj_status cj_report_batch_text(const cj_batch *batch, const cj_report_style *style,
                                                    cj_text *out, cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_batch_json(const cj_batch *batch, cj_text *out, cj_error *err);

/* An export in pieces: the beginning (run NULL), each run, the end (repairs). CSV is a row a figure, RFC 4180. */
CJ_API CJ_MUST_CHECK cj_status cj_report_export_csv(const cj_run *run, cj_text *out, cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_export_json(const cj_run *run, bool first, cj_text *out,
                                                     cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_report_export_json_end(const cj_repair *repairs, size_t count,
                                                         cj_text *out, cj_error *err);

#ifdef __cplusplus
}
#endif
#endif
