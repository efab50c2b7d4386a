/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_axis.h - inside the CSV reader: the sample interval from a column of rounded times.
 */
#ifndef COLDJOINT_CAPTURE_CSV_AXIS_H
#define COLDJOINT_CAPTURE_CSV_AXIS_H

#include "capture/csv_rows.h"

/* A stretch of (rising) times that were printed to the same last digit. Begin with all zero. */
typedef struct cj__stretch {
    size_t from, to;
    double digit; /* one unit of the last digit printed, seconds */
} cj__stretch;

bool cj__next_stretch(const cj__rows *rows, cj__stretch *stretch);

/* Least squares through all times against the row number. */
typedef struct cj__line_fit {
    double start, step; /* time of row 0 on the line, seconds a row */
    double step_u;      /* standard uncertainty of step, from the residuals as white noise */
} cj__line_fit;

bool cj__fit_line(const cj__rows *rows, cj__line_fit *fit);

/* Rows printed to the same last digit, and the least and the greatest distance from the fitted line
 * in them: most blocks need not be looked at again. */
typedef struct cj__block {
    size_t from, to;
    double least, greatest;
    double digit, half; /* unit of the last digit; half of it and what doubles themselves are off */
} cj__block;

typedef struct cj__blocks {
    const cj__rows *rows;
    const cj__line_fit *fit;
    cj__block *items;
    size_t count;
} cj__blocks;

/* Borrows rows and fit. */
CJ_MUST_CHECK cj_status cj__blocks_make(const cj__rows *rows, const cj__line_fit *fit,
                                        cj__blocks *blocks, cj_error *err);
void cj__blocks_free(cj__blocks *blocks);
/* Of a row from the fitted line, seconds. */
double cj__block_distance(const cj__blocks *blocks, size_t row);

/* All intervals for which every printed time is a correctly rounded one; both 0 where there is
 * none. */
void cj__interval_range(const cj__blocks *blocks, double *low, double *high);

/* Significant digits of the shortest decimal number that is value, to 12 digits. */
int cj__count_digits(double value);

/* Rate, its uncertainty, start and a note, from the header's interval and the times. */
void cj__take_rate(const cj__layout *layout, bool unit_known, const cj__blocks *blocks,
                   cj__axis *axis);

#endif
