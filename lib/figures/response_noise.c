/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * The response from noise in both channels: Welch 1967 (averaged periodograms, Hann window, half
 * overlapping), H1 = Sxy / Sxx. Noise of the output alone does not bias it; its share shows in the
 * coherence |Sxy|^2 / (Sxx Syy).
 */
#include "figures/response.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_SAMPLES ((size_t)16384)
#define LEAST_SEGMENTS 16
#define SHORTEST ((size_t)1024)
#define LONGEST ((size_t)1 << 17)
#define MOST_SEGMENTS 400 /* of a long record, spread over it */
#define LEAST_COHERENCE 0.3

struct welch {
    cj_capture *capture;
    cj_spectra *spectra;
    size_t n, segments;
    long later;            /* samples that the output is late by */
    size_t first, samples; /* the part of the record that holds the signal */
    size_t held;           /* start of the samples in raw, SIZE_MAX for none */
    double *raw[2];        /* as read: the second half is the first of the next segment */
    double *window, *x, *y, *one, *two;
    cj_complex *x_bins, *y_bins, *cross;
};

static void welch_free(struct welch *w)
{
    double *const plain[] = {w->window, w->x, w->y, w->one, w->two, w->raw[0], w->raw[1]};
    for (size_t i = 0; i < 7; i++)
        cj_free(plain[i]);
    cj_free(w->x_bins);
    cj_free(w->y_bins);
    cj_free(w->cross);
    cj_spectra_free(w->spectra);
}

static bool welch_start(struct welch *w)
{
    size_t bins = w->n / 2 + 1;
    double **const plain[] = {&w->window, &w->x, &w->y, &w->raw[0], &w->raw[1]};
    cj_complex **const complex_ones[] = {&w->x_bins, &w->y_bins, &w->cross};
    bool fine = (w->spectra = cj_spectra_new()) != NULL;
    for (size_t i = 0; i < 5; i++)
        fine = (*plain[i] = cj_new(w->n, sizeof(double))) != NULL && fine;
    for (size_t i = 0; i < 3; i++)
        fine = (*complex_ones[i] = cj_new(bins, sizeof(cj_complex))) != NULL && fine;
    w->held = SIZE_MAX;
    w->one = cj_new(bins, sizeof(double));
    w->two = cj_new(bins, sizeof(double));
    if (!fine || !w->one || !w->two)
        return false;
    for (size_t i = 0; i < w->n; i++) {
        double s = sin(M_PI * ((double)i + 0.5) / (double)w->n);
        w->window[i] = s * s;
    }
    return true;
}

/* The window on samples less their mean; false where samples are missing. */
static bool prepare(const struct welch *w, const double *raw, double *x)
{
    double lane[4] = {0};
    for (size_t i = 0; i < w->n; i += 4) /* n is a power of two */
        for (size_t k = 0; k < 4; k++)
            lane[k] += raw[i + k];
    double mean = (lane[0] + lane[1] + lane[2] + lane[3]) / (double)w->n;
    for (size_t i = 0; i < w->n; i++)
        x[i] = w->window[i] * (raw[i] - mean);
    return isfinite(mean);
}

/* Samples from start on into raw, those of the output `later`. */
static cj_status read_segment(struct welch *w, size_t start, cj_error *err)
{
    size_t half = w->n / 2, have = w->held != SIZE_MAX && start == w->held + half ? half : 0;
    size_t x_start = start + have + (w->later < 0 ? (size_t)-w->later : 0);
    size_t y_start = start + have + (w->later > 0 ? (size_t)w->later : 0);
    for (int c = 0; c < 2 && have > 0; c++)
        memcpy(w->raw[c], w->raw[c] + half, half * sizeof(double));
    double *x_out[2] = {w->raw[0] + have, x_start == y_start ? w->raw[1] + have : NULL};
    double *y_out[2] = {NULL, w->raw[1] + have};
    cj_status status = cj_capture_read(w->capture, x_start, w->n - have, x_out, err);
    if (status == CJ_OK && x_start != y_start)
        status = cj_capture_read(w->capture, y_start, w->n - have, y_out, err);
    w->held = start;
    return status;
}

static cj_status add_segment(struct welch *w, size_t start, cj_error *err)
{
    cj_status status = read_segment(w, w->first + start, err);
    if (status != CJ_OK || !prepare(w, w->raw[0], w->x) || !prepare(w, w->raw[1], w->y))
        return status;
    status = cj_spectrum_two(w->spectra, w->x, w->y, w->n, w->x_bins, w->y_bins, err);
    for (size_t k = 0; status == CJ_OK && k <= w->n / 2; k++) {
        cj_complex a = w->x_bins[k], b = w->y_bins[k];
        w->one[k] += a.re * a.re + a.im * a.im;
        w->two[k] += b.re * b.re + b.im * b.im;
        w->cross[k].re += a.re * b.re + a.im * b.im;
        w->cross[k].im += a.re * b.im - a.im * b.re;
    }
    w->segments += status == CJ_OK;
    return status;
}

static cj_status add_all(struct welch *w, cj_error *err)
{
    size_t lost = (size_t)labs(w->later), samples = w->samples - lost;
    size_t count = (samples - w->n) / (w->n / 2) + 1;
    size_t used = count < MOST_SEGMENTS ? count : MOST_SEGMENTS;
    cj_status status = CJ_OK;
    for (size_t i = 0; i < used && status == CJ_OK; i++)
        status = add_segment(w, (i * count / used) * (w->n / 2), err);
    return status;
}

/* For the local fit: y = H x with x the root of Sxx, y = Sxy over it. */
static void as_pair(struct welch *w)
{
    for (size_t k = 0; k <= w->n / 2; k++) {
        double root = sqrt(w->one[k]);
        w->x_bins[k] = (cj_complex){root, 0};
        w->y_bins[k] = root > 0 ? (cj_complex){w->cross[k].re / root, w->cross[k].im / root}
                                : (cj_complex){0, 0};
    }
}

/* Mean of the bins' coherence about a frequency, less what chance makes of none: 1 over the
 * segments. */
static double coherence_at(const struct welch *w, double step, const cj__local *local, double hz)
{
    size_t low = (size_t)fmax(1, ceil((hz - local->reach_hz) / step));
    size_t high = (size_t)fmin((double)w->n / 2 - 1, floor((hz + local->reach_hz) / step));
    double sum = 0, count = 0, chance = 1.0 / (double)w->segments;
    for (size_t k = low; k <= high; k++) {
        double cross = w->cross[k].re * w->cross[k].re + w->cross[k].im * w->cross[k].im;
        double both = w->one[k] * w->two[k];
        sum += both > 0 ? cross / both : 0;
        count++;
    }
    return count > 0 ? fmax(0, (sum / count - chance) / (1 - chance)) : NAN;
}

static void set_point(const struct welch *w, double rate, const cj__local *local, cj__point *point)
{
    double turn = -2 * M_PI * point->hz * (double)w->later / rate, later = (double)w->later / rate;
    cj_complex t = {cos(turn), sin(turn)}, h = local->value, s = local->slope;
    s = (cj_complex){s.re + 2 * M_PI * later * h.im, s.im - 2 * M_PI * later * h.re};
    point->value = (cj_complex){h.re * t.re - h.im * t.im, h.re * t.im + h.im * t.re};
    point->slope = (cj_complex){s.re * t.re - s.im * t.im, s.re * t.im + s.im * t.re};
    point->variance = local->variance;
    point->leverage = local->leverage;
    point->freedom = local->freedom;
    point->coherence = coherence_at(w, rate / (double)w->n, local, point->hz);
    point->power = 1; /* noise has no fades */
    point->there = true;
}

static cj_status fit_points(struct welch *w, double rate, cj__point *points, size_t count,
                            cj_error *err)
{
    double step = rate / (double)w->n;
    cj__bins bins = {.count = w->n / 2 - 1,
                     .first_hz = step,
                     .step_hz = step,
                     .x = w->x_bins + 1,
                     .y = w->y_bins + 1};
    /* Noise of neighbouring bins under a Hann window correlates by -2/3 and 1/6, and so does the
     * input it is multiplied with: what is averaged correlates by their squares. */
    bins.correlated[0].re = 4.0 / 9;
    bins.correlated[1].re = 1.0 / 36;
    cj_status status = CJ_OK;
    for (size_t i = 0; i < count && status == CJ_OK; i++) {
        cj__local local;
        double reach = points[i].hz * (exp2(1.5 / CJ__PER_OCTAVE) - 1);
        status = cj__local_fit(&bins, points[i].hz, reach, 0, &local, err);
        if (status == CJ_OK && local.reach_hz < points[i].hz / 3)
            set_point(w, rate, &local, &points[i]);
        status = status == CJ_DATA ? CJ_OK : status;
    }
    return status;
}

/* Whether the channels have anything to do with each other. */
static bool coherent(const cj__point *points, size_t count)
{
    double sum = 0, there = 0;
    for (size_t i = 0; i < count; i++)
        if (points[i].there) {
            sum += points[i].coherence;
            there++;
        }
    return there > 8 && sum > LEAST_COHERENCE * there;
}

cj_status cj__response_of_noise(cj_capture *capture, const cj__analysis *all, cj_response **out,
                                cj_error *err)
{
    struct welch w = {.capture = capture,
                      .n = SHORTEST,
                      .later = lround(all->pair.lag),
                      .first = all->first,
                      .samples = all->samples};
    const cj_capture_info *about = all->about;
    double rate = about->rate_hz;
    if (w.samples < LEAST_SAMPLES + (size_t)labs(w.later) || !(rate > 0))
        return CJ_OK;
    while (2 * w.n <= LONGEST && LEAST_SEGMENTS * w.n <= w.samples)
        w.n *= 2;
    if (labs(w.later) < (long)(w.n / 2000) || 4 * (size_t)labs(w.later) > w.samples)
        w.later = 0;
    size_t count = 0;
    cj__point *points =
        cj__points_new(fmax(all->band[0], 1), fmin(all->band[1], 0.45 * rate), &count);
    cj_status status = points && welch_start(&w) ? add_all(&w, err) : cj_fail_memory(err);
    if (status == CJ_OK && w.segments >= LEAST_SEGMENTS) {
        as_pair(&w);
        status = fit_points(&w, rate, points, count, err);
        if (status == CJ_OK && coherent(points, count) &&
            (*out = cj__response_make(points, count, all)) == NULL)
            status = cj_fail_memory(err);
    }
    cj_free(points);
    welch_free(&w);
    return status;
}
