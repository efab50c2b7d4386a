/* SPDX-License-Identifier: GPL-3.0-or-later */
/* orders.c - the harmonics of a tone that glides. */
#include "signal/internal.h"
#include "signal/sweep.h"

#include <math.h>

#define HALVES (2 * CJ__ORDERS + 2) /* orders 0, 1/2, 1, ... */
#define TURNS 3

/* Four-term Blackman-Harris, 92 dB (Harris 1978, Proc. IEEE 66; coefficients from memory); at
 * -1..1. */
static double harris(double at)
{
    double p = CJ__TWO_PI / 2 * (at + 1);
    return 0.35875 - 0.48829 * cos(p) + 0.14128 * cos(2 * p) - 0.01168 * cos(3 * p);
}

struct window {
    long first, last;
    double middle, half; /* samples */
    double hz, scale_s, rate_hz;
};

static struct window window_of(size_t n, double rate_hz, const double at[4])
{
    struct window w = {.middle = at[CJ__AT_MIDDLE],
                       .half = at[CJ__AT_WIDTH] / 2,
                       .hz = at[CJ__AT_HZ],
                       .scale_s = at[CJ__AT_SCALE],
                       .rate_hz = rate_hz};
    w.first = (long)ceil(fmax(0, w.middle - w.half));
    w.last = (long)floor(fmin((double)n - 1, w.middle + w.half));
    return w;
}

static double turns_at(const struct window *w, long i)
{
    double t = ((double)i - w->middle) / w->rate_hz;
    return w->scale_s * w->hz * expm1(t / w->scale_s);
}

/* What hz is off by, from the phase of order 1 in both halves of the window. */
static double hz_error(const double *y, const struct window *w)
{
    cj_complex sum[2] = {{0, 0}, {0, 0}};
    double time[2] = {0, 0}, mass[2] = {0, 0};
    for (long i = w->first; i <= w->last; i++) {
        double at = ((double)i - w->middle) / w->half, p = -CJ__TWO_PI * turns_at(w, i);
        int side = at > 0;
        double v = harris(2 * fabs(at) - 1); /* each half under a window of its own */
        sum[side].re += v * y[i] * cos(p);
        sum[side].im += v * y[i] * sin(p);
        time[side] += v * at;
        mass[side] += v;
    }
    if (!(mass[0] > 0) || !(mass[1] > 0))
        return 0;
    double apart = (time[1] / mass[1] - time[0] / mass[0]) * w->half / w->rate_hz;
    cj_complex step = {sum[0].re * sum[1].re + sum[0].im * sum[1].im,
                       sum[0].re * sum[1].im - sum[0].im * sum[1].re};
    return atan2(step.im, step.re) / CJ__TWO_PI / apart;
}

static void add_sample(cj_complex sums[HALVES], double value, double turns, int halves)
{
    /* exp(-j pi turns), whose powers are the half orders */
    double angle = -CJ__TWO_PI / 2 * remainder(turns, 2);
    cj_complex step = {cos(angle), sin(angle)}, power = {value, 0};
    for (int m = 0; m < halves; m++) {
        sums[m].re += power.re;
        sums[m].im += power.im;
        power = cj__times(power, step);
    }
}

void cj__orders_of(const double *y, size_t n, double rate_hz, const double at[4], int count,
                   cj__orders *out)
{
    struct window w = window_of(n, rate_hz, at);
    cj_complex sums[HALVES] = {{0}};
    int halves = 2 * count + 2;
    double mass = 0;
    for (int turn = 0; turn < TURNS; turn++)
        w.hz += hz_error(y, &w);
    for (long i = w.first; i <= w.last; i++) {
        double v = harris(((double)i - w.middle) / w.half);
        mass += v;
        add_sample(sums, v * y[i], turns_at(&w, i), halves);
    }
    for (int k = 1; k <= count; k++) {
        cj_complex low = sums[2 * k - 1], high = sums[2 * k + 1];
        out->line[k - 1] = (cj_complex){2 * sums[2 * k].re / mass, 2 * sums[2 * k].im / mass};
        out->noise[k - 1] =
            2 * (low.re * low.re + low.im * low.im + high.re * high.re + high.im * high.im) / mass /
            mass;
    }
}
