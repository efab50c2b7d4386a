/* SPDX-License-Identifier: GPL-3.0-or-later */
/* marker.c - the chirps at the head of a stimulus file. */
#include "signal/internal.h"
#include "signal/stimulus.h"

#include <math.h>

/* The two chirps as analytic signals of peak 1, without level and phase. */
typedef struct shape {
    double low, high; /* hertz */
} shape;

static shape shape_at(double rate_hz)
{
    double high = fmin(5000, 0.2 * rate_hz);
    return (shape){fmin(1000, high / 5), high};
}

/* At t from the marker's centre; slope: its derivative by t. */
static cj_complex analytic(const shape *of, double t, cj_complex *slope)
{
    double half = CJ__CHIRP_S / 2, k = (of->high - of->low) / CJ__CHIRP_S;
    double middle = (of->low + of->high) / 2;
    *slope = (cj_complex){0, 0};
    if (!(fabs(t) < 2 * half))
        return (cj_complex){0, 0};
    if (t > 0) /* the second one comes down */
        k = -k;
    t -= copysign(half, t);
    double c = cos(CJ__TWO_PI / 4 * t / half), s = sin(CJ__TWO_PI / 4 * t / half);
    cj_complex turn = cj__phasor(middle + k * t / 2, t);
    double grows = -2 * c * s * CJ__TWO_PI / 4 / half, turns = CJ__TWO_PI * (middle + k * t);
    *slope = cj__times(turn, (cj_complex){grows, c * c * turns});
    return (cj_complex){c * c * turn.re, c * c * turn.im};
}

double cj_marker_value(double rate_hz, double t)
{
    cj_complex slope;
    shape of = shape_at(rate_hz);
    return analytic(&of, t, &slope).re;
}

/* ---- the search: a matched filter in blocks ---- */

/* What the search needs of the marker at one rate. */
typedef struct pattern {
    double rate_hz;
    shape shape;
    size_t half;              /* samples of half the marker, rounded up */
    size_t padded;            /* of the transforms */
    cj_complex *filter;       /* [padded] conjugate transform of the marker about sample 0 */
    double energy;            /* sum of |marker|^2 */
    cj_complex *band, *match; /* [padded] a block's part in the band, and its correlation */
} pattern;

static double square(cj_complex a)
{
    return a.re * a.re + a.im * a.im;
}

static void free_pattern(pattern *of)
{
    cj_free(of->filter);
    cj_free(of->band);
    cj_free(of->match);
}

/* The marker of a file of `rate_hz` in samples at another rate. */
static pattern pattern_at(double file_hz, double rate_hz)
{
    cj_complex slope;
    pattern of = {.rate_hz = rate_hz, .shape = shape_at(file_hz)};
    of.half = (size_t)ceil(CJ__MARKER_S / 2 * rate_hz);
    for (size_t i = 0; i <= 2 * of.half; i++)
        of.energy += square(analytic(&of.shape, ((double)i - (double)of.half) / rate_hz, &slope));
    return of;
}

/* What the search needs beside. */
static bool make_filter(pattern *of, cj_spectra *spectra, size_t n)
{
    cj_complex slope;
    for (of->padded = 256; of->padded < 16 * of->half && of->padded < n + 4 * of->half;)
        of->padded *= 2;
    of->filter = cj_new(of->padded, sizeof *of->filter);
    of->band = cj_new(of->padded, sizeof *of->band);
    of->match = cj_new(of->padded, sizeof *of->match);
    if (!of->filter || !of->band || !of->match)
        return false;
    for (size_t i = 0; i <= 2 * of->half; i++)
        of->filter[(i + of->padded - of->half) % of->padded] =
            analytic(&of->shape, ((double)i - (double)of->half) / of->rate_hz, &slope);
    if (!cj__transform(spectra, of->filter, of->padded, false))
        return false;
    for (size_t k = 0; k < of->padded; k++)
        of->filter[k].im = -of->filter[k].im;
    return true;
}

/* band: the positive frequencies of x[from..] in the marker's band; match: their correlation with
 * it. */
static bool filter_block(pattern *of, cj_spectra *spectra, const double *x, size_t count)
{
    double per_bin = of->rate_hz / (double)of->padded;
    for (size_t i = 0; i < of->padded; i++)
        of->band[i] = (cj_complex){i < count && isfinite(x[i]) ? x[i] : 0, 0};
    if (!cj__transform(spectra, of->band, of->padded, false))
        return false;
    for (size_t k = 0; k < of->padded; k++) {
        double hz = (double)k * per_bin;
        double gain =
            hz > 0.7 * of->shape.low && hz < 1.15 * of->shape.high ? 2 / (double)of->padded : 0;
        of->band[k] = (cj_complex){gain * of->band[k].re, gain * of->band[k].im};
        of->match[k] = cj__times(of->filter[k], of->band[k]);
    }
    return cj__transform(spectra, of->band, of->padded, true) &&
           cj__transform(spectra, of->match, of->padded, true);
}

typedef struct best {
    double match; /* squared */
    size_t at;
} best;

/*
 * Centres from..to of the block (its sample 0 is sample `start` of the record). Once one is found,
 * what follows within a marker's length may still be better; true: nothing later can be.
 */
static bool look(const pattern *of, size_t start, size_t from, size_t to, best *found)
{
    double energy = 0, least = 1e-24 * of->energy;
    for (size_t i = from - of->half; i < from + of->half; i++)
        energy += square(of->band[i]);
    for (size_t i = from; i < to; i++) {
        energy += square(of->band[i + of->half]);
        double match = square(of->match[i]) / (of->energy * energy);
        if (found->match >= 0.25 && start + i > found->at + 2 * of->half)
            return true;
        if (energy > least && match > found->match)
            *found = (best){match, start + i};
        energy = fmax(0, energy - square(of->band[i - of->half]));
    }
    return false;
}

/* The record is looked at with half a marker of nothing before and behind it. */
static bool search(pattern *of, cj_spectra *spectra, const double *x, size_t n, best *found)
{
    size_t guard = 2 * of->half, hop = of->padded - 2 * guard;
    double *block = cj_new(of->padded, sizeof *block);
    bool fine = block != NULL, over = false;
    for (size_t at = 0; fine && !over && at < n; at += hop) {
        /* block[i] is x[at + i - guard] */
        for (size_t i = 0; i < of->padded; i++)
            block[i] = at + i >= guard && at + i - guard < n ? x[at + i - guard] : 0;
        fine = filter_block(of, spectra, block, of->padded);
        size_t to = guard + (n - at < hop ? n - at : hop);
        if (fine)
            over =
                look(of, at - guard, guard, to, found); /* start wraps around, and back in a sum */
    }
    cj_free(block);
    return fine;
}

/*
 * For the search alone the record is thinned to means of `thin` neighbours, at 16 kHz or more: the
 * band ends at 5 kHz. Finds the centre to within one of them.
 */
static cj_status find_centre(cj_spectra *spectra, const double *x, size_t n, double rate_hz,
                             best *found, cj_error *err)
{
    size_t thin = (size_t)fmax(1, floor(rate_hz / 16000)), count = n / thin;
    double *means = cj_new(count + 1, sizeof *means);
    pattern of = pattern_at(rate_hz, rate_hz / (double)thin);
    bool fine = means != NULL && make_filter(&of, spectra, count);
    for (size_t i = 0; fine && i < count * thin; i++)
        means[i / thin] += (isfinite(x[i]) ? x[i] : 0) / (double)thin;
    fine = fine && search(&of, spectra, means, count, found);
    found->at = found->at * thin + (thin - 1) / 2;
    free_pattern(&of);
    cj_free(means);
    return fine ? CJ_OK : cj_fail_memory(err);
}

/* ---- the fit: least squares of delay, clock ratio, level, phase, and a straight line under them
 * ---- */

/* Level (its real and imaginary part), mean, slope, delay and clock ratio: the samples in units of
 * the level to start from, so that every column is of the order of 1. */
enum { RE, IM, MEAN, SLOPE, DELAY, CLOCK, UNKNOWNS };

/* Two crystals: the ratio is some hundred ppm at most. Without that bound it would take up noise,
 * and delay with it: a pattern a little stretched looks a little later. */
#define CLOCK_SPREAD 1.2e-4

typedef struct fit {
    const pattern *pattern;
    const double *x;
    size_t n, middle;
    double unit;   /* of the samples */
    double unit_s; /* of the delay: that of a radian at the middle frequency */
    double value[UNKNOWNS], u_delay, u_clock;
} fit;

/* Column values at a sample, and what the model leaves of it. */
static double row_at(const fit *of, size_t i, double row[UNKNOWNS])
{
    const double *v = of->value;
    double tau = ((double)i - (double)of->middle) / of->pattern->rate_hz;
    double stretched = 1 + v[CLOCK] * CLOCK_SPREAD;
    double t = (tau - v[DELAY] * of->unit_s) / stretched;
    cj_complex slope, h = analytic(&of->pattern->shape, t, &slope);
    double moves = (v[RE] * slope.re - v[IM] * slope.im) / stretched;
    row[RE] = h.re;
    row[IM] = -h.im;
    row[MEAN] = 1;
    row[SLOPE] = tau / CJ__MARKER_S;
    row[DELAY] = -moves * of->unit_s;
    row[CLOCK] = -moves * t * CLOCK_SPREAD;
    double x = isfinite(of->x[i]) ? of->x[i] / of->unit : 0;
    return x - v[RE] * row[RE] - v[IM] * row[IM] - v[MEAN] - v[SLOPE] * row[SLOPE];
}

/* One Gauss-Newton step; false: it cannot be taken. */
static bool step(fit *of)
{
    double a[UNKNOWNS * UNKNOWNS] = {0}, b[UNKNOWNS] = {0}, unit[UNKNOWNS] = {0};
    double other[UNKNOWNS] = {0}, sum = 0;
    size_t half = of->pattern->half, count = 0;
    for (size_t i = of->middle > half ? of->middle - half : 0; i < of->n && i <= of->middle + half;
         i++, count++) {
        double row[UNKNOWNS], rest = row_at(of, i, row);
        for (int j = 0; j < UNKNOWNS; j++) {
            b[j] += row[j] * rest;
            for (int k = j; k < UNKNOWNS; k++)
                a[j * UNKNOWNS + k] += row[j] * row[k];
        }
        sum += rest * rest;
    }
    if (count < 2 * UNKNOWNS)
        return false;
    double variance = sum / (double)(count - UNKNOWNS);
    a[CLOCK * UNKNOWNS + CLOCK] += variance; /* the bound: its spread is the unit */
    b[CLOCK] -= variance * of->value[CLOCK];
    if (!cj__cholesky(a, UNKNOWNS))
        return false;
    cj__substitute(a, UNKNOWNS, b);
    unit[DELAY] = other[CLOCK] = 1;
    cj__substitute(a, UNKNOWNS, unit);
    cj__substitute(a, UNKNOWNS, other);
    for (int j = 0; j < UNKNOWNS; j++)
        of->value[j] += b[j];
    of->u_delay = sqrt(fmax(0, unit[DELAY]) * variance) * of->unit_s;
    of->u_clock = sqrt(fmax(0, other[CLOCK]) * variance) * CLOCK_SPREAD;
    return true;
}

/* The level a marker with its centre on sample `at` would have. */
static cj_complex level_at(const pattern *of, const double *x, size_t n, size_t at)
{
    cj_complex slope, sum = {0, 0};
    for (size_t i = at > of->half ? at - of->half : 0; i < n && i <= at + of->half; i++) {
        cj_complex h = analytic(&of->shape, ((double)i - (double)at) / of->rate_hz, &slope);
        double value = isfinite(x[i]) ? x[i] : 0;
        sum = (cj_complex){sum.re + value * h.re, sum.im - value * h.im};
    }
    return (cj_complex){2 * sum.re / of->energy, 2 * sum.im / of->energy};
}

static bool settle(fit *of)
{
    cj_complex level = level_at(of->pattern, of->x, of->n, of->middle);
    of->unit = sqrt(square(level));
    of->unit_s = 2 / (CJ__TWO_PI * (of->pattern->shape.low + of->pattern->shape.high));
    if (!(of->unit > 0))
        return false;
    of->value[RE] = level.re / of->unit;
    of->value[IM] = level.im / of->unit;
    for (int i = 0; i < 8; i++)
        if (!step(of) || !(fabs(of->value[DELAY]) * of->unit_s < 3e-4))
            return false;
    return isfinite(of->u_delay);
}

static void tell(const fit *of, cj_marker *out)
{
    double rate_hz = of->pattern->rate_hz;
    double later = round((CJ__MARKER_S + CJ__GAP_S) * rate_hz) - CJ__MARKER_S / 2 * rate_hz;
    out->found = true;
    out->at = (double)of->middle + of->value[DELAY] * of->unit_s * rate_hz;
    out->at_u = of->u_delay * rate_hz;
    out->clock = 1 + of->value[CLOCK] * CLOCK_SPREAD;
    out->clock_u = of->u_clock;
    out->start = out->at + later * out->clock;
    out->start_u = hypot(out->at_u, later * out->clock_u);
    out->peak = hypot(of->value[RE], of->value[IM]) * of->unit;
    out->phase = atan2(of->value[IM], of->value[RE]);
}

cj_status cj_marker_find(cj_spectra *spectra, const double *x, size_t n, double rate_hz,
                         cj_marker *out, cj_error *err)
{
    if (!(rate_hz > 0) || !isfinite(rate_hz))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "a rate of %g Hz is not above 0", rate_hz);
    *out = (cj_marker){0};
    best found = {0};
    if ((double)n < CJ__MARKER_S * rate_hz || CJ__CHIRP_S * rate_hz < 16)
        return CJ_OK;
    cj_status status = find_centre(spectra, x, n, rate_hz, &found, err);
    if (status != CJ_OK)
        return status;
    pattern of = pattern_at(rate_hz, rate_hz);
    fit best_fit = {.pattern = &of, .x = x, .n = n, .middle = found.at};
    out->match = sqrt(found.match);
    if (out->match >= 0.5 && settle(&best_fit))
        tell(&best_fit, out);
    return CJ_OK;
}
