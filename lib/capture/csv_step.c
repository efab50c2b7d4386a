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

#define SAMPLE 8192      /* values looked at */
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

/* Greatest common divisor of a step and what another distance leaves over, with a tolerance. */
static double divide(double step, double rest, double same)
{
    while (rest > fmax(4 * same, 0.1 * step)) {
        double next = fabs(step - nearbyint(step / rest) * rest);
        step = rest;
        rest = next;
    }
    return step;
}

/* The step that all distances between neighbouring levels are multiples of. The distances come
 * sorted: each sharpens the step for the next, longer one. */
static double common_step(const double *distances, size_t count, double same)
{
    double step = distances[0], total = 0, steps = 0;
    for (size_t i = 0; i < count; i++) {
        double whole = nearbyint(distances[i] / step);
        double rest = fabs(distances[i] - whole * step);
        if (rest <= fmax(4 * same, 0.1 * step)) {
            total += distances[i];
            steps += whole;
            step = total / steps;
            continue;
        }
        step = divide(step, rest, same);
        if (step < 8 * same)
            return 0;
        i = (size_t)-1; /* all distances again, with the smaller step: it at least halves each time
                         */
        total = steps = 0;
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

/* The step of sorted values, which are overwritten; 0 where there is none. */
static double step_of(double *sorted, size_t count)
{
    double distances[MOST_LEVELS];
    if (count == 0)
        return 0;
    double same = SAME * fmax(fabs(sorted[0]), fabs(sorted[count - 1]));
    size_t found = join_levels(sorted, count, same);
    if (found < 2 || found > MOST_LEVELS)
        return 0;
    for (size_t i = 1; i < found; i++)
        distances[i - 1] = sorted[i] - sorted[i - 1];
    qsort(distances, found - 1, sizeof *distances, compare);
    double common = common_step(distances, found - 1, same);
    double fitted = common > 0 ? fit_step(sorted, found, common) : 0;
    /* a grid far finer than the levels are apart is one by accident */
    bool dense = (sorted[found - 1] - sorted[0]) / fitted < 64.0 * (double)found + 64;
    return fitted > 0 && dense ? fitted : 0;
}

/* Three printed digits make a grid that is finer for smaller values: only the largest decade
 * counts. */
static size_t keep_largest_decade(double *sorted, size_t count)
{
    double largest = count ? fmax(fabs(sorted[0]), fabs(sorted[count - 1])) : 0;
    double limit = largest > 0 ? pow(10, floor(log10(largest))) : 0;
    size_t kept = 0;
    for (size_t i = 0; i < count; i++)
        if (fabs(sorted[i]) >= limit)
            sorted[kept++] = sorted[i];
    return kept;
}

cj_status cj__step_find(const double *values, size_t count, double *step, cj_error *err)
{
    *step = 0;
    double *sample = cj_new(count < SAMPLE ? count : SAMPLE, sizeof *sample);
    if (sample == NULL)
        return cj_fail_memory(err);
    *step = step_of(sample, take_sample(values, count, sample));
    if (*step == 0)
        *step = step_of(sample, keep_largest_decade(sample, take_sample(values, count, sample)));
    cj_free(sample);
    return CJ_OK;
}
