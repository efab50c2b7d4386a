/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tone_model.c - what a fit says of the samples, and of one channel against another. */
#include "signal/internal.h"

#include <math.h>
#include <string.h>

/* Sample by sample: for the odd call that finds no memory for a table. */
static void subtract_slowly(const cj_tone_fit *fit, const cj_complex *lines, double dc,
                            const double *x, size_t n, double *out)
{
    for (size_t i = 0; i < n; i++) {
        double t = (double)i - 0.5 * (double)(n - 1), model = dc;
        cj_complex step = cj__phasor(fit->frequency, t), turn = step;
        for (int k = 0; k < fit->harmonics; k++, turn = cj__times(turn, step))
            model += lines[k].re * turn.re - lines[k].im * turn.im;
        out[i] = x[i] - model;
    }
}

static void clear_gaps(double *out, size_t n)
{
    for (size_t i = 0; i < n; i++)
        out[i] = isfinite(out[i]) ? out[i] : 0.0;
}

void cj_tone_subtract(const cj_tone_fit *fit, int channel, const double *x, size_t n, int first,
                      int last, double *out)
{
    const cj_tone_channel *from = &fit->channel[channel];
    double dc = isnan(from->dc) ? 0.0 : from->dc;
    cj__comb comb = {0};
    cj_complex *lines = cj_new((size_t)fit->harmonics, sizeof *lines);
    last = last > fit->harmonics ? fit->harmonics : last;
    first = first < 1 ? 1 : first;
    for (int k = first; k <= last && lines != NULL; k++)
        lines[k - 1] = from->line[k - 1];
    if (lines != NULL && cj__comb_set(&comb, n, fit->frequency, last < 1 ? 1 : last))
        cj__comb_subtract(&comb, lines, dc, x, out);
    else
        subtract_slowly(fit, from->line, dc, x, n, out);
    clear_gaps(out, n);
    cj__comb_free(&comb);
    cj_free(lines);
}

/* Variance along and across a line, and of the frequency's push, all relative to the line. */
static cj_tone_noise relative(const cj_tone_channel *of, int k)
{
    cj_complex a = of->line[k];
    cj_tone_noise own = of->own[k];
    double power = a.re * a.re + a.im * a.im, c = a.re, s = a.im;
    return (cj_tone_noise){
        .re_re = (c * c * own.re_re + 2 * c * s * own.re_im + s * s * own.im_im) / (power * power),
        .im_im = (s * s * own.re_re - 2 * c * s * own.re_im + c * c * own.im_im) / (power * power)};
}

static cj_complex over(cj_complex a, cj_complex b)
{
    double power = b.re * b.re + b.im * b.im;
    return (cj_complex){(a.re * b.re + a.im * b.im) / power, (a.im * b.re - a.re * b.im) / power};
}

void cj_tone_compare(const cj_tone_fit *fit, int harmonic, cj_tone_ratio *out)
{
    const cj_tone_channel *first = &fit->channel[0], *second = &fit->channel[1];
    int k = harmonic - 1;
    *out = (cj_tone_ratio){NAN, NAN, NAN, NAN};
    if (fit->channels < 2 || k < 0 || k >= fit->harmonics)
        return;
    cj_complex a = first->line[k], b = second->line[k];
    if (!(hypot(a.re, a.im) > 0.0))
        return;
    cj_complex ratio = over(b, a);
    out->gain = hypot(ratio.re, ratio.im);
    if (!(out->gain > 0.0))
        return;
    out->phase = atan2(ratio.im, ratio.re);
    cj_tone_noise one = relative(first, k), two = relative(second, k);
    cj_complex push = over(first->slope[k], a), other = over(second->slope[k], b);
    double re = (other.re - push.re) * fit->frequency_u;
    double im = (other.im - push.im) * fit->frequency_u;
    double widest = 0.5 * CJ__TWO_PI / sqrt(3.0);
    out->gain_u = sqrt(one.re_re + two.re_re + re * re);
    out->phase_u = fmin(sqrt(one.im_im + two.im_im + im * im), widest);
}

static double excess(const cj_tone_fit *fit, int channel)
{
    const cj_tone_channel *of = &fit->channel[channel];
    double power = of->line[0].re * of->line[0].re + of->line[0].im * of->line[0].im;
    double noise = of->own[0].re_re + of->own[0].im_im;
    return !(power > 0.0) ? 0.0 : noise > 0.0 ? power / noise : INFINITY;
}

/* F of 2 and `freedom` degrees: exact for the variance estimated with the fit. */
static double chance(double z, double freedom)
{
    return isinf(z) ? 0.0 : exp(-0.5 * freedom * log1p(2.0 * z / freedom));
}

void cj_tone_present(const cj_tone_fit *fit, int channel, cj_presence *out)
{
    const cj_tone_channel *of = &fit->channel[channel];
    double z = excess(fit, channel), valid = (double)of->valid;
    double alarm = chance(z, fmax(valid - 2.0 * fit->harmonics - 1.0, 1.0));
    bool sought = fit->frequency_u > 0.0;
    for (int c = 0; c < fit->channels; c++)
        sought = sought && (c == channel || excess(fit, c) <= z);
    if (sought && alarm > 0.0)
        alarm *= fmax(1.0, valid * sqrt(CJ__TWO_PI / 24.0 * z));
    double power = of->line[0].re * of->line[0].re + of->line[0].im * of->line[0].im;
    out->false_alarm = z > 0.0 ? fmin(1.0, alarm) : 1.0;
    out->snr = power > 0.0 ? 0.5 * power / of->residual : 0.0;
    out->present = fit->frequency > 0.0 && out->false_alarm < 1e-6;
}
