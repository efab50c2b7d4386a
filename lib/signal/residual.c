/* SPDX-License-Identifier: GPL-3.0-or-later */
/* residual.c - what the spectrum of a residual says: power in a band, colour, stray lines. */
#include "signal/internal.h"

#include <math.h>
#include <stdlib.h>

#define NEAR_HARMONIC 1.5
#define LEAST_BINS 8
#define FLOOR_REACH 64
#define FLOOR_SKIP 3

static double power_at(const cj_complex *spectrum, size_t k)
{
    return spectrum[k].re * spectrum[k].re + spectrum[k].im * spectrum[k].im;
}

/* How often bin k stands for itself and its mirror image. */
static double count_of(size_t k, size_t n)
{
    return k == 0 || 2 * k == n ? 1.0 : 2.0;
}

/* Power of bin k that lies between from and to (in bins). DC and Nyquist have half a bin on this
 * side, which stands for all of theirs. */
static double power_inside(const cj_complex *spectrum, size_t n, size_t k, double from, double to)
{
    double left = k == 0 ? 0.0 : (double)k - 0.5;
    double right = 2 * k == n ? (double)k : (double)k + 0.5;
    double inside = (fmin(right, to) - fmax(left, from)) / (right - left);
    return inside > 0.0 ? inside * count_of(k, n) * power_at(spectrum, k) : 0.0;
}

double cj_band_power(const cj_complex *spectrum, size_t n, double low, double high)
{
    double size = (double)n, from = fmax(low, 0.0) * size, to = fmin(high, 0.5) * size, sum = 0.0;
    if (!(to > from))
        return 0.0;
    size_t first = (size_t)(from + 0.5), last = (size_t)fmin(to + 0.5, (double)(n / 2));
    sum += power_inside(spectrum, n, first, from, to);
    if (last > first)
        sum += power_inside(spectrum, n, last, from, to);
    /* the bins between lie inside whole; running sums that need not wait for each other */
    double lane[4] = {0.0, 0.0, 0.0, 0.0};
    size_t k = first + 1;
    for (; k + 4 <= last; k += 4)
        for (size_t i = 0; i < 4; i++)
            lane[i] += power_at(spectrum, k + i);
    for (; k < last; k++)
        lane[0] += power_at(spectrum, k);
    return (sum + 2.0 * (lane[0] + lane[1] + lane[2] + lane[3])) / (size * size);
}

static bool near_harmonic(double bin, double tone_bins)
{
    double nearest = tone_bins > 0.0 ? rint(bin / tone_bins) * tone_bins : 0.0;
    return fabs(bin - nearest) < NEAR_HARMONIC;
}

static double mean_between(const cj_complex *spectrum, size_t n, double from, double to,
                           double tone_bins, size_t *count)
{
    double sum = 0.0;
    *count = 0;
    size_t last = (n - 1) / 2;
    for (size_t k = (size_t)fmax(ceil(from), 1.0); k <= last && (double)k <= to; k++)
        if (!near_harmonic((double)k, tone_bins)) {
            sum += power_at(spectrum, k);
            ++*count;
        }
    return *count ? sum / (double)*count : 0.0;
}

void cj_noise_near(const cj_complex *spectrum, size_t n, double tone, int harmonics, double reach,
                   double *ratio)
{
    size_t all = 0, here = 0;
    double bins = tone * (double)n;
    double mean = mean_between(spectrum, n, 1.0, 0.5 * (double)n, bins, &all);
    for (int k = 1; k <= harmonics; k++) {
        double local = mean_between(spectrum, n, k * bins - reach, k * bins + reach, bins, &here);
        ratio[k - 1] = here >= LEAST_BINS && mean > 0.0 ? local / mean : 1.0;
    }
}

static bool is_excluded(size_t k, size_t n, const double *excluded, int count, double apart)
{
    for (int i = 0; i < count; i++)
        if (fabs((double)k - excluded[i] * (double)n) < apart)
            return true;
    return false;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Mean power of the bins about k by their median. */
static double floor_about(const cj_complex *spectrum, size_t n, size_t k)
{
    double powers[2 * FLOOR_REACH];
    size_t count = 0;
    for (long i = -FLOOR_REACH; i <= FLOOR_REACH; i++) {
        long at = (long)k + i;
        if (labs(i) <= FLOOR_SKIP || at < 1 || at > (long)((n - 1) / 2))
            continue;
        powers[count++] = power_at(spectrum, (size_t)at);
    }
    if (count == 0)
        return 0.0;
    qsort(powers, count, sizeof *powers, by_size);
    double median =
        count % 2 ? powers[count / 2] : 0.5 * (powers[count / 2 - 1] + powers[count / 2]);
    return median / log(2.0);
}

/* How far, in bins, a line lies from bin k, from the three bins about it. */
static double offset_of(const cj_complex *spectrum, size_t k)
{
    cj_complex a = spectrum[k - 1], b = spectrum[k], c = spectrum[k + 1];
    cj_complex over = {a.re - c.re, a.im - c.im};
    cj_complex under = {2 * b.re - a.re - c.re, 2 * b.im - a.im - c.im};
    double size = under.re * under.re + under.im * under.im;
    double offset = size > 0.0 ? (over.re * under.re + over.im * under.im) / size : 0.0;
    return fmax(-0.5, fmin(0.5, offset));
}

void cj_strongest_line(const cj_complex *spectrum, size_t n, double low, double high,
                       const double *excluded, int count, double apart, cj_stray *out)
{
    size_t best = 0, looked_at = 0, last = (n - 1) / 2;
    *out = (cj_stray){.false_alarm = 1.0};
    for (size_t k = (size_t)fmax(ceil(low * (double)n), 1.0);
         k < last && (double)k <= high * (double)n; k++) {
        if (is_excluded(k, n, excluded, count, apart))
            continue;
        looked_at++;
        if (best == 0 || power_at(spectrum, k) > power_at(spectrum, best))
            best = k;
    }
    if (best == 0)
        return;
    double offset = offset_of(spectrum, best), size = (double)n;
    double angle = 0.5 * CJ__TWO_PI * offset, kept = angle != 0.0 ? sin(angle) / angle : 1.0;
    double floor_power = floor_about(spectrum, n, best), power = power_at(spectrum, best);
    out->frequency = ((double)best + offset) / size;
    out->peak = sqrt(power) * 2.0 / size / kept;
    out->floor = sqrt(floor_power) * 2.0 / size;
    out->peak_u = out->floor / sqrt(2.0);
    out->false_alarm = floor_power > 0.0 ? fmin(1.0, (double)looked_at * exp(-power / floor_power))
                       : power > 0.0     ? 0.0
                                         : 1.0;
}
