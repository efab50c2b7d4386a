/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * A sweep that was played against its recording on another clock, started by hand. Against the
 * reference the recording is late by d(f) = d0 + b ln f: d0 is the start, b = L (1/clock - 1) the
 * clocks, L the sweep's scale. What the unit itself delays alike at all frequencies, or in
 * proportion to ln f, is not told from these.
 */
#include "figures/response.h"

#include <math.h>

#define TURNS 5
#define SPARSE 4 /* every fourth point will do */
#define SETTLED_S 2e-9
#define REJECT 3.0 /* of the scatter */

struct line {
    double at_1k, slope; /* delay = at_1k + slope ln(hz / 1000) */
    double middle, middle_u,
        slope_u; /* ln(hz / 1000) of the middle, uncertainty there and of the slope */
};

static double delay_of(const cj__point *p)
{
    double square = p->value.re * p->value.re + p->value.im * p->value.im;
    return -(p->value.re * p->slope.im - p->value.im * p->slope.re) / square / (2 * M_PI);
}

/* Weight: the inverse variance of a delay, which goes as that of the phase over the square of the
 * kernel's reach. */
static double weight_of(const cj__point *p)
{
    double square = p->value.re * p->value.re + p->value.im * p->value.im;
    return square * p->hz * p->hz / fmax(p->variance * p->leverage, 1e-12 * square);
}

/* Least squares over points in the upper two thirds, those far off left out in a second turn. */
static bool fit_line(const cj__point *points, size_t count, struct line *out)
{
    double far = INFINITY;
    for (int turn = 0; turn < 4; turn++) {
        double w = 0, x = 0, y = 0, xx = 0, xy = 0, left = 0, used = 0;
        struct line before = *out;
        for (int pass = 0; pass < 3; pass++)
            for (size_t i = count / 3; i < count; i++) {
                if (!points[i].there)
                    continue;
                double at = log(points[i].hz / 1000), d = delay_of(&points[i]),
                       weight = weight_of(&points[i]);
                if (!isfinite(d) || fabs(d - before.at_1k - before.slope * at) > far)
                    continue;
                if (pass == 0) {
                    w += weight;
                    used++;
                    x += weight * at;
                    y += weight * d;
                } else if (pass == 1) {
                    xx += weight * (at - x / w) * (at - x / w);
                    xy += weight * (at - x / w) * (d - y / w);
                } else {
                    double off = d - y / w - xy / xx * (at - x / w);
                    left += weight * off * off / w;
                }
            }
        if (!(w > 0) || !(xx > 0))
            return false;
        *out = (struct line){y / w - xy / xx * x / w, xy / xx, x / w, sqrt(left / used),
                             sqrt(left * w / xx / used)};
        far = REJECT * sqrt(left) + SETTLED_S;
    }
    return isfinite(out->at_1k) && isfinite(out->slope);
}

static void take(cj__sweep *sweep, const struct line *line)
{
    double scale = sweep->reference.scale_s, from = log(sweep->reference.from_hz / 1000);
    sweep->start_s += line->at_1k + line->slope * from;
    sweep->middle = line->middle;
    sweep->middle_u = line->middle_u;
    sweep->slope_u = line->slope_u;
    sweep->clock = 1 / (1 / sweep->clock + line->slope / scale);
    /* the track of the reference itself */
    sweep->track.scale_s = scale / sweep->clock;
    sweep->track.at_1k_s =
        sweep->start_s - scale / sweep->clock * log(sweep->reference.from_hz * sweep->clock / 1000);
}

cj_status cj__sweep_align(cj__sweep_reader *reader, cj_spectra *spectra,
                          const cj_measure_options *options, cj__sweep *sweep, cj_error *err)
{
    size_t count = 0, kept = 0;
    double most = 0.45 * reader->about->rate_hz,
           reach = exp(sweep->reference.seconds / sweep->reference.scale_s);
    cj__point *points = cj__points_new(sweep->reference.from_hz,
                                       fmin(most, sweep->reference.from_hz * reach), &count);
    cj_status status = points ? CJ_OK : cj_fail_memory(err);
    for (size_t i = 0; points && i < count; i += SPARSE)
        points[kept++] = points[i];
    for (int turn = 0; turn < TURNS && status == CJ_OK; turn++) {
        struct line line = {0};
        for (size_t i = 0; i < kept; i++)
            points[i].there = false;
        status = cj__sweep_linear(reader, spectra, options, points, kept, err);
        if (status != CJ_OK || !fit_line(points, kept, &line))
            break;
        take(sweep, &line);
        if (fabs(line.at_1k) < SETTLED_S && fabs(line.slope) < SETTLED_S)
            break;
    }
    cj_free(points);
    return status;
}
