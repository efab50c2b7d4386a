/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_table.h - inside the CSV reader: bytes cut into lines and cells, whatever they are separated
 * by.
 *
 * Of the file only its head (some hundred lines) is ever cut into cells; the samples are read
 * straight from the bytes (csv_rows.h).
 */
#ifndef COLDJOINT_CAPTURE_CSV_TABLE_H
#define COLDJOINT_CAPTURE_CSV_TABLE_H

#include "capture/number.h"
#include "coldjoint/base.h"

#define CJ__HEAD_LINES 1000  /* a preamble may be this long, less the 8 rows that tell samples */
#define CJ__MAX_COLUMNS 1000 /* more is no capture */

typedef enum cj__cell_kind {
    CJ__CELL_EMPTY,
    CJ__CELL_NUMBER,
    CJ__CELL_MISSING, /* nan, #IND, overrange: a place for a number without one */
    CJ__CELL_TEXT
} cj__cell_kind;

typedef struct cj__span {
    const char *at;
    size_t length;
} cj__span;

typedef struct cj__cell {
    cj__span text; /* trimmed, outer quotes taken off */
    cj__cell_kind kind;
    double value; /* of a number */
} cj__cell;

typedef struct cj__line {
    const char *at, *end; /* without the line end */
    long number;          /* 1-based */
    size_t first;         /* index of the first cell */
    int count;            /* cells, empty ones behind the last one with something not counted */
} cj__line;

/* How the bytes are to be read. */
typedef struct cj__format {
    const char *bytes, *end; /* after the byte order mark */
    char line_end;           /* '\n' (carriage returns before it are dropped) or '\r' */
    char delimiter;          /* ',' ';' '\t', or ' ' for runs of blanks and tabs */
    char point;              /* '.' or ',' */
} cj__format;

typedef struct cj__table {
    cj__line *lines;
    cj__cell *cells;
    int count; /* lines */
    size_t cell_count, line_capacity, cell_capacity;
} cj__table;

/* The line at `at`: its content [at, *content_end) and the start of the next one (end where none).
 */
const char *cj__next_line(const cj__format *format, const char *at, const char **content_end);

/* Cuts the next cell off [*at, end); false at the end of the line. The last field sets *at to NULL.
 */
bool cj__next_cell(const cj__format *format, const char **at, const char *end, cj__span *cell);

/* Blanks and stray NUL bytes at both ends taken off. */
cj__span cj__trim(cj__span text);

cj__cell_kind cj__cell_read(cj__span text, char point, int shift, cj__number *number);

/* Finds line ends, delimiter and decimal mark, and cuts the head into *table (freed by the caller).
 */
CJ_MUST_CHECK cj_status cj__table_read(const char *name, const char *bytes, size_t length,
                                       cj__format *format, cj__table *table, cj_error *err);
void cj__table_free(cj__table *table);

/* The cell in a column (from 0) of a line; an empty one beyond the end. */
cj__cell cj__cell_at(const cj__table *table, int line, int column);

#endif
