/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_layout.h - inside the CSV reader: where the samples are, which column is what, what the
 * header says.
 */
#ifndef COLDJOINT_CAPTURE_CSV_LAYOUT_H
#define COLDJOINT_CAPTURE_CSV_LAYOUT_H

#include "capture/csv_table.h"
#include "capture/csv_words.h"

typedef enum cj__role {
    CJ__ROLE_CHANNEL,
    CJ__ROLE_TIME,
    CJ__ROLE_TIME_AGAIN, /* a further time column, the same as the first */
    CJ__ROLE_INDEX,
    CJ__ROLE_PEAK, /* the other half of the envelope of the channel before it */
    CJ__ROLE_IGNORED
} cj__role;

typedef struct cj__column {
    int at; /* column in the file, from 0 */
    cj__role role;
    cj__title title;
    cj__unit unit;    /* of the numbers as written */
    bool in_unit_row; /* the unit row has a cell for it */
    int peak;         /* index of the column with the other half of the envelope, -1 where none */
    double scale;     /* volts per division, 0 where not said */
    double factor;    /* integer codes to volts, 0 where the numbers are values already */
    const char *ignored; /* why, where role is CJ__ROLE_IGNORED */
} cj__column;

typedef struct cj__key {
    cj__key_id id;
    int line, column;
    int value_count;
    struct {
        cj__span text;
        int column;
    } values[8]; /* of more channels than that no key speaks */
} cj__key;

typedef struct cj__layout {
    int first_line;            /* of the samples, index into the table */
    int last_line;             /* of the run of rows that told the columns, exclusive */
    int title_line, unit_line; /* -1 where none */
    cj__column *columns;       /* those with numbers in the sample rows, left to right */
    int count;
    int time, index; /* into columns, -1 where none */
    cj__span token;  /* a word that stands in each row (a unit), empty where none */
    cj__key *keys;
    size_t key_count, key_capacity;
    double interval_s, interval_half; /* 0: the header says none; half a unit of its last digit */
    double start_s;
    bool has_start;
    size_t length; /* samples the header says there are, 0 where it does not */
    bool segments;
} cj__layout;

/* Finds everything; notes are added to. Errors are CJ_DATA with the line. Freed by the caller,
 * always. */
CJ_MUST_CHECK cj_status cj__layout_find(const char *name, const cj__format *format,
                                        const cj__table *table, cj__layout *layout, cj_lines *notes,
                                        cj_error *err);
void cj__layout_free(cj__layout *layout);

/* csv_block.c: first_line, last_line, columns[].at, title_line, unit_line, token. */
CJ_MUST_CHECK cj_status cj__block_find(const char *name, const cj__table *table, cj__layout *layout,
                                       cj_error *err);

/* csv_keys.c: keys, interval, start, length. */
CJ_MUST_CHECK cj_status cj__keys_find(const cj__format *format, const cj__table *table,
                                      cj__layout *layout, cj_error *err);
/* The value of a key that holds for a column; empty where none. order: which channel it is, of
 * count. */
cj__span cj__key_value(const cj__layout *layout, cj__key_id id, int column, int order, int count);

#define CJ__DECADES 40
#define CJ__NO_DIGIT 9999

/* The finest last digit printed among the numbers of each decade: what tells how they were rounded.
 * Finest, because trailing zeros may have been left out. Powers of ten. */
typedef struct cj__digits {
    int last[2 * CJ__DECADES + 1]; /* by power of ten of the first digit, -40 to 40 */
} cj__digits;

/* csv_digits.c */
cj__digits cj__digits_none(void);
void cj__digits_add(cj__digits *digits, const cj__number *number);
/* The digits of numbers as written become those of the base unit. */
void cj__digits_to_base(cj__digits *digits, int shift);
/* One unit of the last digit of a number of that size; of a zero, the finest there is. */
double cj__digit_at(const cj__digits *digits, double value);

/* Whether column (index into columns) rises or falls uniformly in the head; *step its step. */
bool cj__column_uniform(const cj__format *format, const cj__table *table, const cj__layout *layout,
                        int column, double *step);

#endif
