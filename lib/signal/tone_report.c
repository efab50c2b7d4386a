/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tone_report.c - a settled fit handed over: lines, and what is known of them. */
#include "signal/internal.h"

#include <math.h>
#include <string.h>

#define MOST_INVERTED 128

static cj_tone_fit *new_fit(const cj__tone *tone)
{
    cj_tone_fit *fit = cj_new(1, sizeof *fit);
    if (fit == NULL)
        return NULL;
    size_t h = tone->h > 0 ? (size_t)tone->h : 1;
    *fit = (cj_tone_fit){
        .frequency = tone->f, .harmonics = (int)h, .channels = tone->channels, .samples = tone->n};
    for (int c = 0; c < tone->channels; c++) {
        cj_tone_channel *to = &fit->channel[c];
        to->line = cj_new(h, sizeof *to->line);
        to->line_u = cj_new(h, sizeof(double));
        to->peak_u = cj_new(h, sizeof(double));
        to->phase_u = cj_new(h, sizeof(double));
        to->slope = cj_new(h, sizeof *to->slope);
        to->own = cj_new(h, sizeof *to->own);
        if (!to->line || !to->line_u || !to->peak_u || !to->phase_u || !to->slope || !to->own) {
            cj_tone_fit_free(fit);
            return NULL;
        }
    }
    return fit;
}

void cj_tone_fit_free(cj_tone_fit *fit)
{
    if (fit == NULL)
        return;
    for (int c = 0; c < fit->channels; c++) {
        cj_free(fit->channel[c].line);
        cj_free(fit->channel[c].line_u);
        cj_free(fit->channel[c].peak_u);
        cj_free(fit->channel[c].phase_u);
        cj_free(fit->channel[c].slope);
        cj_free(fit->channel[c].own);
    }
    cj_free(fit);
}

/* Uncertainty along and across a line, from its own noise and the frequency's through the slope. */
static void spread(cj_tone_channel *to, int k, double f_variance)
{
    cj_tone_noise own = to->own[k];
    cj_complex slope = to->slope[k], line = to->line[k];
    double rr = own.re_re + slope.re * slope.re * f_variance;
    double ri = own.re_im + slope.re * slope.im * f_variance;
    double ii = own.im_im + slope.im * slope.im * f_variance;
    double size = hypot(line.re, line.im);
    double c = size > 0.0 ? line.re / size : 1.0, s = size > 0.0 ? line.im / size : 0.0;
    double across = fmax(s * s * rr - 2.0 * s * c * ri + c * c * ii, 0.0);
    to->line_u[k] = sqrt(0.5 * (rr + ii));
    to->peak_u[k] = sqrt(fmax(c * c * rr + 2.0 * s * c * ri + s * s * ii, 0.0));
    /* no phase is known worse than one drawn from the whole circle: 180 degrees / sqrt 3 */
    double widest = 0.5 * CJ__TWO_PI / sqrt(3.0);
    to->phase_u[k] = size > 0.0 ? fmin(sqrt(across) / size, widest) : widest;
}

/* The diagonal of the inverse normal equations for linear unknown i, and its product with sine i.
 */
static void inverse(cj__gram *gram, int i, double *unit, double *same, double *sine)
{
    int h = gram->h;
    memset(unit, 0, sizeof(double) * (size_t)(2 * h + 1));
    unit[i] = 1.0;
    cj__gram_solve(gram, unit);
    *same = unit[i];
    *sine = i > 0 && i <= h ? unit[h + i] : 0.0;
}

/* The same for very many harmonics: the record covers a part of the period once more than the rest,
 * and the inverse is the mean of one over the times covered. */
static double covered_inverse(const cj__tone *tone, const cj__tone_channel *channel)
{
    double periods = tone->f * (double)tone->n, whole = floor(periods);
    if (whole < 1.0)
        return 1.0 / (double)channel->valid;
    double more = periods - whole;
    return periods / (double)channel->valid * ((1.0 - more) / whole + more / (whole + 1.0));
}

static cj_status report_channel(cj__tone *tone, int c, bool fixed, cj_tone_fit *fit)
{
    cj__tone_channel *from = &tone->channel[c];
    cj_tone_channel *to = &fit->channel[c];
    int h = tone->h;
    double variance = cj__tone_variance(tone, c, fixed), cross = 0.0;
    double f_variance = fit->frequency_u * fit->frequency_u;
    double *unit = cj_new((size_t)(2 * h + 1), sizeof(double));
    if (unit == NULL)
        return CJ_NOMEM;
    double covered = covered_inverse(tone, from), same = covered;
    to->residual = variance;
    to->dc = from->offset + from->rhs[0];
    if (h <= MOST_INVERTED)
        inverse(&from->gram, 0, unit, &same, &cross);
    to->dc_u = sqrt(variance * same + from->slope[0] * from->slope[0] * f_variance);
    for (int k = 1; k <= h; k++) {
        cj_tone_noise own = {.re_re = 2.0 * covered, .im_im = 2.0 * covered};
        if (h <= MOST_INVERTED) {
            inverse(&from->gram, h + k, unit, &own.im_im, &cross);
            inverse(&from->gram, k, unit, &own.re_re, &cross);
            own.re_im = -cross;
        }
        to->own[k - 1] =
            (cj_tone_noise){variance * own.re_re, variance * own.re_im, variance * own.im_im};
        to->line[k - 1] = (cj_complex){from->rhs[k], -from->rhs[h + k]};
        to->slope[k - 1] = (cj_complex){-from->slope[k], from->slope[h + k]};
        spread(to, k - 1, f_variance);
    }
    cj_free(unit);
    return CJ_OK;
}

/* A channel without signal, or without samples. */
static void report_silence(const cj__tone_channel *from, int h, cj_tone_channel *to)
{
    double valid = (double)from->valid;
    to->residual = from->valid > 1 ? from->power / (valid - 1.0) : NAN;
    to->dc = from->valid > 0 ? from->offset : NAN;
    to->dc_u = from->valid > 1 ? sqrt(to->residual / valid) : NAN;
    double variance = 2.0 * to->residual / valid;
    for (int k = 0; k < h; k++) {
        to->own[k] = (cj_tone_noise){variance, 0.0, variance};
        to->line_u[k] = to->peak_u[k] = sqrt(variance);
        to->phase_u[k] = 0.5 * CJ__TWO_PI / sqrt(3.0);
    }
}

static void report_frequency(cj__tone *tone, bool fixed, cj_tone_fit *fit)
{
    double information = 0.0;
    for (int c = 0; c < tone->channels; c++) {
        cj__tone_channel *channel = &tone->channel[c];
        fit->channel[c].valid = channel->valid;
        if (!channel->alive)
            continue;
        channel->rss = fmax(channel->rss, channel->floor);
        information += channel->hold / cj__tone_variance(tone, c, fixed);
    }
    fit->frequency_u = fixed || !(information > 0.0) ? 0.0 : 1.0 / sqrt(information);
}

cj_status cj__tone_report(cj__tone *tone, bool fixed, cj_tone_fit **out)
{
    cj_tone_fit *fit = new_fit(tone);
    cj_status status = fit == NULL ? CJ_NOMEM : CJ_OK;
    *out = NULL;
    if (status == CJ_OK)
        report_frequency(tone, fixed, fit);
    for (int c = 0; c < tone->channels && status == CJ_OK; c++) {
        if (tone->channel[c].alive)
            status = report_channel(tone, c, fixed, fit);
        else
            report_silence(&tone->channel[c], fit->harmonics, &fit->channel[c]);
    }
    if (status == CJ_OK)
        *out = fit;
    else
        cj_tone_fit_free(fit);
    return status;
}
