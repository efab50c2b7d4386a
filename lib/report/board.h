/* SPDX-License-Identifier: GPL-3.0-or-later */
/* report/board.h - what the answers of `diagnose` and `board` share: faults in words, and a grid of
 * cells. */
#ifndef COLDJOINT_REPORT_BOARD_H
#define COLDJOINT_REPORT_BOARD_H

#include "report/internal.h"

/* ---- fault_words.c ---- */

/* "U1 pin 7 makes no contact", "R14 is 10k instead of 100k"; board may be NULL. */
void cj__write_fault(cj_text *out, const cj_board *board, const cj_fault *fault);
/* Whether both are said the same way (the two ends of a resistor). */
bool cj__same_words(const cj_board *board, const cj_fault *one, const cj_fault *other);

/* The faults of a finding from index `from` on that are said differently from all before them, at most `most`: "R2 is
 * 150k instead of 100k, or SW1 pin 3 makes no contact". */
void cj__write_alternatives(cj_text *out, const cj_board *board, const cj_finding *finding, size_t from, size_t most);

/* Why a study has no groups. */
extern const char cj__too_large[];

/* Whether a figure of a good unit is for a person (study_text.c): what is read where the generator
 * is says nothing about the unit, and the tone at the other end is its gain once more. The JSON has
 * all of it. */
bool cj__shows(const cj_board *board, const cj_step_figures *of, const cj_keyed_figure *figure);

/* ---- grid.c: cells in columns that are as wide as they have to be ---- */

enum { CJ__GRID_COLUMNS = 6, CJ__GRID_GAP = 2 };

struct cj__grid {
    cj_text *cells; /* row by row */
    size_t rows, capacity;
    int columns;
    bool right[CJ__GRID_COLUMNS]; /* column set flush right */
    bool failed;
};

/* The cells of one more row, `columns` of them, to be written to; NULL: out of memory. */
cj_text *cj__grid_row(struct cj__grid *grid);
/* Width of the whole with gaps, without indent. */
size_t cj__grid_width(const struct cj__grid *grid);
/* Writes the rows, each behind `indent` blanks; a failure of the grid becomes one of out. */
void cj__grid_write(const struct cj__grid *grid, size_t indent, cj_text *out);
void cj__grid_free(struct cj__grid *grid);

/* ---- next_text.c ---- */

/* At most `most` things to do, each with at most `expect` readings to expect. */
void cj__write_next(cj_text *out, const cj_diagnosis *diagnosis, size_t most, size_t expect);

/* ---- board_words.c ---- */

/* A figure as measured (with its u) or as predicted (without); a dash where there is none. */
void cj__write_keyed(cj_text *out, const cj_keyed_figure *figure, bool with_u);
/* A list item: "- " or another head behind `indent` blanks, then text wrapped under itself. */
void cj__write_item(cj_text *out, size_t indent, const char *head, const cj_text *text);
/* Cuts text to at most `columns` columns, the last being an ellipsis where anything was lost. */
void cj__clip(cj_text *text, size_t columns);

#endif
