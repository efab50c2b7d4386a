/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_rows.h - inside the CSV reader: the sample rows, straight from the bytes, and their time
 * axis.
 */
#ifndef COLDJOINT_CAPTURE_CSV_ROWS_H
#define COLDJOINT_CAPTURE_CSV_ROWS_H

#include "capture/csv_layout.h"

#define CJ__MAX_SLOTS 5 /* time and two channels, each with the other half of an envelope */
typedef struct cj__slot {
    int at;    /* column in the file */
    int shift; /* power of ten to the base unit */
    bool wide; /* the last number had more than eight digits */
    int to;    /* index into rows.values, -1 for the time (or index) column */
} cj__slot;

typedef struct cj__rows {
    cj__slot slots[CJ__MAX_SLOTS]; /* left to right */
    int slot_count;
    bool timed;    /* there is a time or an index column */
    double *times; /* [count] base unit, NaN for a bad row without a time; NULL where not timed */
    double *values[4];
    int value_count;
    size_t count, capacity;
    size_t expected, prepared; /* rows there will surely be; rows whose memory was asked for */
    cj__digits digits;
    bool irregular; /* some rows took the long way: only then can values be missing */
    size_t bad;     /* rows that could not be read */
    long first_bad; /* their first line */
    int first_bad_column;
    long first_line; /* of row 0 */
    bool cut;        /* the last line breaks off and was left out */
    long next_block; /* line where something else begins after the samples, 0 where nothing does */
    size_t skipped_at[16]; /* rows before which lines without samples were passed over */
    long skipped_lines[16];
    int skip_count;
} cj__rows;

/* rows->slots, slot_count, value_count and timed are set by the caller; the rest is filled. */
CJ_MUST_CHECK cj_status cj__rows_read(const char *name, const cj__format *format,
                                      const cj__table *table, const cj__layout *layout,
                                      cj__rows *rows, cj_error *err);
void cj__rows_free(cj__rows *rows);

/* The line a row stands on (exact unless lines were passed over in very many places). */
long cj__rows_line(const cj__rows *rows, size_t row);

typedef struct cj__axis {
    double rate_hz, rate_u, start_s;
    bool has_time;
    char note[200]; /* where the interval is from */
} cj__axis;

/*
 * csv_time.c: makes one uniform rising axis of the times: undoes changing prefixes, doubled and
 * falling time (reordering the values with it), finds the interval, refuses time that is not
 * uniform. layout->interval_s and start_s are used where the header gives them. *envelope is set
 * for doubled time.
 */
CJ_MUST_CHECK cj_status cj__axis_find(const char *name, const cj__layout *layout, int time_shift,
                                      cj__rows *rows, cj__axis *axis, bool *envelope,
                                      cj_lines *notes, cj_error *err);

/* csv_step.c: the quantisation step of the values, 0 where there is none to be found. */
CJ_MUST_CHECK cj_status cj__step_find(const double *values, size_t count, double *step,
                                      cj_error *err);

#endif
