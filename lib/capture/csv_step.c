/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_step.c - the quantisation step: the grid on which all levels lie.
 *
 * Levels that differ in the last digits of single precision are one level. The step is the greatest
 * common divisor of the distances between levels (Euclid with a tolerance), then fitted to all of
 * them.
 */
#include "capture/csv_rows.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SAMPLE 65536     /* values looked at */
#define SAME 3e-7        /* of the largest magnitude: single precision, a few roundings */
#define MOST_LEVELS 4096 /* a record with more has no step that would show */

static int compare(const void *one, const void *two)
{
    double a = *(const double *)one, b = *(const double *)two;
    return (a > b) - (a < b);
}

/* Values from all over the record, in stretches, sorted; NaN left out. */
static size_t take_sample(const double *values, size_t count, double *sample)
{
    size_t taken = 0, stretch = 256, stretches = SAMPLE / stretch;
    if (count <= SAMPLE) {
        stretch = count;
        stretches = 1;
    }
    for (size_t s = 0; s < stretches; s++) {
        size_t from =
            stretches == 1
                ? 0
                : (size_t)((double)(count - stretch) / (double)(stretches - 1) * (double)s);
        for (size_t i = 0; i < stretch; i++)
            if (isfinite(values[from + i]))
                sample[taken++] = values[from + i];
    }
    qsort(sample, taken, sizeof *sample, compare);
    return taken;
}

/* Joins equal levels in place; their number. */
static size_t join_levels(double *sorted, size_t count, double same)
{
    size_t levels = 0;
    for (size_t i = 0; i < count;) {
        size_t first = i;
        double sum = 0;
        for (; i < count && sorted[i] - sorted[first] <= same; i++)
            sum += sorted[i] - sorted[first];
        sorted[levels++] = sorted[first] + sum / (double)(i - first);
    }
    return levels;
}

static double common_step(const double *levels, size_t count, double same)
{
    double step = INFINITY;
    for (size_t i = 1; i < count; i++)
        step = fmin(step, levels[i] - levels[i - 1]);
    for (size_t i = 1; i < count; i++) {
        double rest = levels[i] - levels[i - 1];
        double limit = fmax(4 * same, 0.1 * step);
        rest = fabs(rest - nearbyint(rest / step) * step);
        if (rest <= limit)
            continue;
        double other = step; /* Euclid on the step and what is left over */
        while (rest > limit && rest > 4 * same) {
            double next = fabs(other - nearbyint(other / rest) * rest);
            other = rest;
            rest = next;
            limit = 0.1 * other;
        }
        step = other;
        i = 0; /* all distances again, with the smaller step; it at least halves each time */
        if (step < 8 * same)
            return 0;
    }
    return step;
}

/* Least squares of the level numbers; 0 where levels lie off the grid. */
static double fit_step(const double *levels, size_t count, double step)
{
    double cross = 0, square = 0, level = 0, off = 0;
    for (int round = 0; round < 2; round++) {
        cross = square = level = off = 0;
        for (size_t i = 1; i < count; i++) {
            level += nearbyint((levels[i] - levels[i - 1]) / step);
            double distance = levels[i] - levels[0];
            cross += level * distance;
            square += level * level;
            off = fmax(off, fabs(distance - level * step));
        }
        if (!(square > 0))
            return 0;
        step = cross / square;
    }
    return off <= 0.3 * step ? step : 0;
}

cj_status cj__step_find(const double *values, size_t count, double *step, cj_error *err)
{
    *step = 0;
    double *levels = cj_new(count < SAMPLE ? count : SAMPLE, sizeof *levels);
    if (levels == NULL)
        return cj_fail_memory(err);
    size_t taken = take_sample(values, count, levels);
    if (taken > 0) {
        double same = SAME * fmax(fabs(levels[0]), fabs(levels[taken - 1]));
        size_t found = join_levels(levels, taken, same);
        if (found >= 2 && found <= MOST_LEVELS) {
            double common = common_step(levels, found, same);
            double fitted = common > 0 ? fit_step(levels, found, common) : 0;
            /* a grid far finer than the levels are apart is one by accident */
            if (fitted > 0 && (levels[found - 1] - levels[0]) / fitted < 64.0 * (double)found + 64)
                *step = fitted;
        }
    }
    cj_free(levels);
    return CJ_OK;
}
