/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_axis.c - the sample interval from a column of rounded times.
 *
 * Printed times are rounded, often so that neighbours are equal. Each time printed says: the true
 * one is within half a unit of the last digit. The intervals d for which some start t0 makes all of
 * these true, |t_i - t0 - i d| <= h_i, are a range; its ends are found with a cutting-plane
 * (Newton) iteration on the convex function max_i (t_i - h_i - i d) - min_j (t_j + h_j - j d),
 * which is not positive just there. The shortest decimal number in the range, as interval or as
 * rate, is what the scope was set to.
 */
#include "capture/csv_axis.h"

#include <float.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* First index from `from` on whose time is at least (or, where above, more than) limit. */
static size_t find_time(const cj__rows *rows, size_t from, double limit, bool above)
{
    size_t low = from, high = rows->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        double t = rows->times[middle];
        if (t < limit || (above && t == limit))
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

bool cj__next_stretch(const cj__rows *rows, cj__stretch *stretch)
{
    size_t from = stretch->to;
    if (from >= rows->count)
        return false;
    double t = rows->times[from];
    double lead = t == 0 ? 0 : floor(log10(fabs(t)));
    size_t to;
    if (t == 0)
        to = find_time(rows, from, 0, true);
    else if (t > 0)
        to = find_time(rows, from, pow(10, lead + 1), false);
    else
        to = find_time(rows, from, lead < -CJ__DECADES ? 0 : -pow(10, lead), lead >= -CJ__DECADES);
    *stretch = (cj__stretch){from, to > from ? to : from + 1, cj__digit_at(&rows->digits, t)};
    return true;
}

bool cj__fit_line(const cj__rows *rows, cj__line_fit *fit)
{
    const double *t = rows->times;
    size_t n = rows->count;
    double middle = 0.5 * (double)(n - 1);
    /* about the line through the ends, so that sums stay small */
    double guess = (t[n - 1] - t[0]) / (double)(n - 1), sum = 0, moment = 0, square = 0;
    for (size_t i = 0; i < n; i++) {
        double r = t[i] - (t[0] + (double)i * guess);
        sum += r;
        moment += r * ((double)i - middle);
        square += r * r;
    }
    double count = (double)n, spread = count * (count * count - 1) / 12;
    double slope = moment / spread, mean = sum / count;
    double rest = fmax(0, square - count * mean * mean - slope * moment);
    fit->step = guess + slope;
    fit->start = t[0] + mean - slope * middle;
    fit->step_u = sqrt(rest / (count - 2) / spread);
    return isfinite(fit->step) && isfinite(fit->start);
}

/* ---- the range ---- */

struct extremes {
    double low, high; /* largest t - h - i d, smallest t + h - i d */
    size_t low_at, high_at;
};

#define BLOCK_ROWS 512

/* Distance of row i from the fitted line with slope added to its step. */
static double distance(const cj__blocks *blocks, double slope, size_t i)
{
    const cj__line_fit *fit = blocks->fit;
    return blocks->rows->times[i] - (fit->start + (double)i * fit->step) - (double)i * slope;
}

cj_status cj__blocks_make(const cj__rows *rows, const cj__line_fit *fit, cj__blocks *blocks,
                          cj_error *err)
{
    *blocks = (cj__blocks){rows, fit, NULL, 0};
    cj__stretch stretch = {0};
    size_t capacity = rows->count / BLOCK_ROWS + 1;
    while (cj__next_stretch(rows, &stretch))
        capacity++;
    blocks->items = cj_new(capacity, sizeof *blocks->items);
    if (blocks->items == NULL)
        return cj_fail_memory(err);
    /* the numbers are doubles themselves, and so are the sums */
    double noise = 4 * DBL_EPSILON * fmax(fabs(rows->times[0]), fabs(rows->times[rows->count - 1]));
    stretch = (cj__stretch){0};
    while (cj__next_stretch(rows, &stretch))
        for (size_t from = stretch.from; from < stretch.to; from += BLOCK_ROWS) {
            size_t to = stretch.to - from < BLOCK_ROWS ? stretch.to : from + BLOCK_ROWS;
            cj__block block = {.from = from,
                               .to = to,
                               .least = INFINITY,
                               .greatest = -INFINITY,
                               .digit = stretch.digit,
                               .half = 0.5 * stretch.digit * (1 + 1e-9) + noise};
            for (size_t i = from; i < to; i++) {
                double r = distance(blocks, 0, i);
                block.least = r < block.least ? r : block.least;
                block.greatest = r > block.greatest ? r : block.greatest;
            }
            blocks->items[blocks->count++] = block;
        }
    return CJ_OK;
}

double cj__block_distance(const cj__blocks *blocks, size_t row)
{
    return distance(blocks, 0, row);
}

void cj__blocks_free(cj__blocks *blocks)
{
    cj_free(blocks->items);
    *blocks = (cj__blocks){0};
}

/* What t - h - i d cannot exceed (t + h - i d cannot fall below) in a block. */
static double most(const cj__block *block, double slope)
{
    double at = slope > 0 ? (double)block->from : (double)(block->to - 1);
    return block->greatest - slope * at - block->half;
}

static double least(const cj__block *block, double slope)
{
    double at = slope > 0 ? (double)(block->to - 1) : (double)block->from;
    return block->least - slope * at + block->half;
}

static void look(const cj__blocks *blocks, const cj__block *block, double slope,
                 struct extremes *found)
{
    for (size_t i = block->from; i < block->to; i++) {
        double r = distance(blocks, slope, i);
        if (r - block->half > found->low) {
            found->low = r - block->half;
            found->low_at = i;
        }
        if (r + block->half < found->high) {
            found->high = r + block->half;
            found->high_at = i;
        }
    }
}

/* About the fitted line; slope is what is added to its step. */
static struct extremes find_extremes(const cj__blocks *blocks, double slope)
{
    struct extremes found = {-INFINITY, INFINITY, 0, 0};
    const cj__block *first = blocks->items, *end = blocks->items + blocks->count;
    const cj__block *top = first, *bottom = first;
    for (const cj__block *block = first; block < end; block++) {
        if (most(block, slope) > most(top, slope))
            top = block;
        if (least(block, slope) < least(bottom, slope))
            bottom = block;
    }
    look(blocks, top, slope, &found);
    look(blocks, bottom, slope, &found);
    for (const cj__block *block = first; block < end; block++)
        if (most(block, slope) > found.low || least(block, slope) < found.high)
            look(blocks, block, slope, &found);
    return found;
}

/* One end of the range: upper says which. *slope starts beyond the end and comes down (up) to it.
 */
static bool find_end(const cj__blocks *blocks, bool upper, double *slope)
{
    for (int round = 0; round < 60; round++) {
        struct extremes found = find_extremes(blocks, *slope);
        double over = found.low - found.high;
        if (over <= 0)
            return true;
        /* only a pair in the right order says that the slope is still too large (too small) */
        if (upper ? found.high_at <= found.low_at : found.low_at <= found.high_at)
            return false;
        double rows_apart = (double)found.high_at - (double)found.low_at;
        double next = *slope - over / rows_apart;
        if (next == *slope)
            return true;
        *slope = next;
    }
    return false;
}

void cj__interval_range(const cj__blocks *blocks, double *low, double *high)
{
    const cj__rows *rows = blocks->rows;
    const cj__line_fit *fit = blocks->fit;
    size_t end = rows->count - 1;
    double first_digit = cj__digit_at(&rows->digits, rows->times[0]);
    double last_digit = cj__digit_at(&rows->digits, rows->times[end]);
    /* the ends of the record alone say so much; a little wider for rounding */
    double mean = (rows->times[end] - rows->times[0]) / (double)end - fit->step;
    double wide = 0.5 * (first_digit + last_digit) / (double)end * (1 + 1e-6) + 1e-15 * fit->step;
    double up = mean + wide, down = mean - wide;
    *low = *high = 0;
    if (find_end(blocks, true, &up) && find_end(blocks, false, &down) && up >= down &&
        fit->step + down > 0) {
        *low = fit->step + down;
        *high = fit->step + up;
    }
}

/* ---- round figures ---- */

int cj__count_digits(double value)
{
    char text[40];
    int digits = 0, zeros = 0;
    snprintf(text, sizeof text, "%.11e", fabs(value));
    for (const char *at = text; *at && *at != 'e'; at++) {
        if (*at < '0' || *at > '9')
            continue; /* the decimal mark, whatever the locale has for it */
        zeros = *at == '0' ? zeros + 1 : 0;
        digits++;
    }
    return digits > zeros ? digits - zeros : 1;
}

/* The number of fewest digits in [low, high], nearest to the middle; how many digits it has. */
static int shortest(double low, double high, double *value)
{
    low -= 1e-9 * low; /* the round figure often lies on the very end */
    high += 1e-9 * high;
    int lead = (int)floor(log10(high));
    for (int digits = 1; digits <= 15; digits++) {
        int power = digits - 1 - lead;
        double scale = pow(10, abs(power));
        double first = ceil(power < 0 ? low / scale : low * scale);
        double last = floor(power < 0 ? high / scale : high * scale);
        if (first > last)
            continue;
        double middle = 0.5 * (low + high);
        double pick = nearbyint(power < 0 ? middle / scale : middle * scale);
        pick = fmin(fmax(pick, first), last);
        *value = power < 0 ? pick * scale : pick / scale;
        return digits;
    }
    *value = 0.5 * (low + high);
    return 16;
}

/* Standard uncertainty of a round figure in a range of that relative width. Instruments are set to
 * round figures, but one in five of those met was not; then the figure is there by accident. */
static double round_u(double width, double chance)
{
    return width * sqrt(0.25 * chance / 12);
}

/* The round rate in the range of intervals; *chance that a range so wide holds one so round by
 * accident. */
static double round_rate(double low, double high, double *chance)
{
    double interval, rate;
    int interval_digits = shortest(low, high, &interval);
    int rate_digits = shortest(1 / high, 1 / low, &rate);
    int digits = interval_digits < rate_digits ? interval_digits : rate_digits;
    *chance = fmin(1, (high - low) / low * pow(10, digits));
    return interval_digits < rate_digits ? 1 / interval : rate;
}

/* ---- the rate ---- */

static void take_range(const cj__rows *rows, const cj__line_fit *fit, double low, double high,
                       cj__axis *axis)
{
    double chance, middle = 2 / (low + high), width = (high - low) / low;
    double rate = round_rate(low, high, &chance);
    if (chance < 0.5) {
        axis->rate_hz = rate;
        axis->rate_u = round_u(width, chance);
    } else {
        axis->rate_hz = middle;
        axis->rate_u = width / sqrt(12);
    }
    cj__stretch stretch = {0};
    double digit = 0;
    while (cj__next_stretch(rows, &stretch))
        digit = fmax(digit, stretch.digit);
    if (digit > 0.1 * fit->step)
        snprintf(axis->note, sizeof axis->note,
                 "The times are rounded; they allow intervals from %.9g to %.9g s, %s.", low, high,
                 chance < 0.5 ? "of which the round figure is taken"
                              : "of which the middle is taken");
    else
        snprintf(axis->note, sizeof axis->note, "The sample interval is from the time column.");
}

/* Times that wander by more than rounding (single precision, a clock of their own): the fitted
 * line. */
static void take_fit(const cj__line_fit *fit, cj__axis *axis)
{
    double chance;
    double rate = round_rate(fit->step * (1 - 1e-7), fit->step * (1 + 1e-7), &chance);
    axis->rate_hz = chance < 0.01 ? rate : 1 / fit->step;
    axis->rate_u = fit->step_u / fit->step;
    snprintf(axis->note, sizeof axis->note,
             "The sample interval is that of the straight line through the time column.");
}

/* A time column without a unit word, whose steps are the header's interval in other units. */
static double hidden_unit(const cj__layout *layout, const cj__line_fit *fit)
{
    for (int power = -12; power <= 3; power += 3) {
        double factor = pow(10, power);
        if (power != 0 && fabs(fit->step * factor / layout->interval_s - 1) < 0.01)
            return factor;
    }
    return 1;
}

void cj__take_rate(const cj__layout *layout, bool unit_known, const cj__blocks *blocks,
                   cj__axis *axis)
{
    const cj__rows *rows = blocks->rows;
    const cj__line_fit *fit = blocks->fit;
    double low, high, header = layout->interval_s;
    cj__interval_range(blocks, &low, &high);
    if (low > 0) {
        take_range(rows, fit, low, high, axis);
    } else {
        take_fit(fit, axis);
        low = fit->step - 3 * fit->step_u - 1e-7 * fit->step;
        high = fit->step + 3 * fit->step_u + 1e-7 * fit->step;
    }
    axis->start_s = rows->times[0];
    if (!(header > 0))
        return;
    double factor = unit_known ? 1 : hidden_unit(layout, fit);
    if (header >= low * factor * (1 - 1e-9) && header <= high * factor * (1 + 1e-9)) {
        int digits = cj__count_digits(header), rate_digits = cj__count_digits(1 / header);
        double width = fmin((high - low) / low, 2 * layout->interval_half / header);
        axis->rate_hz = 1 / header;
        axis->rate_u = digits > 4 && rate_digits > 4 ? width / sqrt(12) : 0;
        axis->start_s *= factor;
        snprintf(axis->note, sizeof axis->note,
                 "The sample interval is from the header; the time column agrees.");
        if (factor != 1)
            snprintf(
                axis->note, sizeof axis->note,
                "The sample interval is from the header; by it the time column, which states no "
                "unit, is in units of %g s.",
                factor);
    } else if (fabs(header - fit->step) <= layout->interval_half + (high - low)) {
        snprintf(axis->note, sizeof axis->note,
                 "The sample interval is from the time column; the header's is rounded more.");
    } else {
        snprintf(
            axis->note, sizeof axis->note,
            "The header's sample interval (%.9g s) is not that of the time column (%.9g s), which "
            "is taken.",
            header, 1 / axis->rate_hz);
    }
}
