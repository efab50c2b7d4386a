/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tone_fit.c - the maximum-likelihood harmonic fit: order, frequency, and what is known of them. */
#include "signal/internal.h"

#include <math.h>
#include <string.h>

#define BASE_HARMONICS 10
#define FEW_PERIODS 6.0
#define MOST_HARMONICS 512
#define FALSE_ALARM 1e-3

/* The most harmonics below Nyquist less margin bins, with degrees of freedom left. */
static int most_harmonics(const cj__tone *tone, double margin)
{
    double band = floor((0.5 - margin / (double)tone->n) / tone->f);
    for (int c = 0; c < tone->channels; c++)
        if (tone->channel[c].alive)
            band = fmin(band, floor(((double)tone->channel[c].valid - 3.0) / 2.0));
    return (int)fmax(1.0, fmin(band, MOST_HARMONICS));
}

/* The highest harmonic of what the model left that noise would not show; 0: none. */
static cj_status highest_left(cj__tone *tone, int most, int *highest)
{
    int h = tone->h;
    *highest = 0;
    cj__comb comb = {0};
    cj_complex *sums = cj_new((size_t)most, sizeof *sums);
    if (sums == NULL || !cj__comb_set(&comb, tone->n, tone->f, most)) {
        cj_free(sums);
        return CJ_NOMEM;
    }
    double threshold = log((double)(most - h) * tone->channels / FALSE_ALARM);
    for (int c = 0; c < tone->channels; c++) {
        const cj__tone_channel *channel = &tone->channel[c];
        if (!channel->alive || channel->rss < 1e4 * channel->floor)
            continue;
        cj__tone_residual(tone, c, tone->model);
        cj__comb_sums(&comb, tone->model, sums);
        double noise = (double)channel->valid * cj__tone_variance(tone, c, false);
        for (int k = most; k > h && k > *highest; k--) {
            double power = sums[k - 1].re * sums[k - 1].re + sums[k - 1].im * sums[k - 1].im;
            if (power > threshold * noise)
                *highest = k;
        }
    }
    cj__comb_free(&comb);
    cj_free(sums);
    return CJ_OK;
}

static cj_status fit_order(cj__tone *tone, double f, bool fixed, int h, bool *converged)
{
    *converged = true;
    return fixed ? cj__tone_evaluate(tone, f, h) : cj__tone_refine(tone, f, h, converged);
}

/* From one harmonic on, doubled, so that each fit starts well inside the next one's valley. */
static cj_status climb(cj__tone *tone, bool fixed, int target, bool *converged)
{
    cj_status status = CJ_OK;
    while (status == CJ_OK && tone->h < target) {
        int h = tone->h * 2 < target ? tone->h * 2 : target;
        status = fit_order(tone, tone->f, fixed, h, converged);
    }
    return status;
}

static cj_status choose_order(cj__tone *tone, bool fixed, bool *converged)
{
    cj_status status = CJ_OK;
    if (tone->f * (double)tone->n >= FEW_PERIODS) {
        int most = most_harmonics(tone, 1.0);
        status = climb(tone, fixed, most < BASE_HARMONICS ? most : BASE_HARMONICS, converged);
    }
    while (status == CJ_OK) {
        int most = most_harmonics(tone, 0.01), highest = 0;
        if (most <= tone->h)
            break;
        status = highest_left(tone, most, &highest);
        if (status != CJ_OK || highest == 0)
            break;
        int h = highest < 2 * tone->h ? highest : 2 * tone->h;
        status = fit_order(tone, tone->f, fixed, h, converged);
    }
    return status;
}

static cj_status search(cj__tone *tone, const cj_tone_options *options, bool *converged)
{
    double f = options->start;
    cj_status status = f > 0.0 ? CJ_OK : cj__tone_start(tone, &f);
    if (status == CJ_OK)
        status = fit_order(tone, f, options->fixed, 1, converged);
    if (status != CJ_OK)
        return status;
    return options->harmonics > 0 ? climb(tone, options->fixed, options->harmonics, converged)
                                  : choose_order(tone, options->fixed, converged);
}

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

static cj_status report_channel(cj__tone *tone, int c, bool fixed, cj_tone_fit *fit)
{
    cj__tone_channel *from = &tone->channel[c];
    cj_tone_channel *to = &fit->channel[c];
    int h = tone->h;
    double variance = cj__tone_variance(tone, c, fixed);
    double f_variance = fit->frequency_u * fit->frequency_u;
    double *unit = cj_new((size_t)(2 * h + 1), sizeof(double));
    if (unit == NULL)
        return CJ_NOMEM;
    to->dc = from->offset + from->rhs[0];
    to->residual = variance;
    for (int i = 0; i <= h; i++) {
        memset(unit, 0, sizeof(double) * (size_t)(2 * h + 1));
        unit[i] = 1.0;
        cj__gram_solve(&from->gram, unit);
        if (i == 0) {
            to->dc_u = sqrt(variance * unit[0] + from->slope[0] * from->slope[0] * f_variance);
            continue;
        }
        cj_tone_noise own = {.re_re = variance * unit[i], .re_im = -variance * unit[h + i]};
        memset(unit, 0, sizeof(double) * (size_t)(2 * h + 1));
        unit[h + i] = 1.0;
        cj__gram_solve(&from->gram, unit);
        own.im_im = variance * unit[h + i];
        to->line[i - 1] = (cj_complex){from->rhs[i], -from->rhs[h + i]};
        to->slope[i - 1] = (cj_complex){-from->slope[i], from->slope[h + i]};
        to->own[i - 1] = own;
        spread(to, i - 1, f_variance);
    }
    cj_free(unit);
    return CJ_OK;
}

/* A channel without signal, or without samples. */
static void report_silence(const cj__tone_channel *from, cj_tone_channel *to)
{
    double valid = (double)from->valid;
    to->residual = from->valid > 1 ? from->power / (valid - 1.0) : NAN;
    to->dc = from->valid > 0 ? from->offset : NAN;
    to->dc_u = from->valid > 1 ? sqrt(to->residual / valid) : NAN;
}

static cj_status report(cj__tone *tone, const cj_tone_options *options, cj_tone_fit *fit)
{
    double information = 0.0;
    for (int c = 0; c < tone->channels; c++) {
        cj__tone_channel *channel = &tone->channel[c];
        fit->channel[c].valid = channel->valid;
        if (!channel->alive)
            continue;
        channel->rss = fmax(channel->rss, channel->floor);
        information += channel->stiff / cj__tone_variance(tone, c, options->fixed);
    }
    fit->frequency_u = options->fixed || !(information > 0.0) ? 0.0 : 1.0 / sqrt(information);
    cj_status status = CJ_OK;
    for (int c = 0; c < tone->channels && status == CJ_OK; c++) {
        if (tone->channel[c].alive)
            status = report_channel(tone, c, options->fixed, fit);
        else
            report_silence(&tone->channel[c], &fit->channel[c]);
    }
    return status;
}

static cj_status check_request(int channels, size_t n, const cj_tone_options *options,
                               cj_error *err)
{
    if (channels < 1 || channels > CJ_TONE_CHANNELS)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "a tone fit takes 1 to %d channels, not %d",
                       CJ_TONE_CHANNELS, channels);
    if (n < 6)
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "a tone cannot be fitted to %zu samples", n);
    if (options->fixed ? !(options->start > 0.0 && options->start < 0.5)
                       : !(options->start >= 0.0 && options->start < 0.5))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "a tone fit starts between 0 and 0.5, not at %g",
                       options->start);
    if (options->harmonics < 0 || options->harmonics > MOST_HARMONICS)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "a tone fit has 1 to %d harmonics, not %d",
                       MOST_HARMONICS, options->harmonics);
    return CJ_OK;
}

cj_status cj_tone_fit_make(cj_spectra *spectra, const double *const x[], int channels, size_t n,
                           const cj_tone_options *options, cj_tone_fit **out, cj_error *err)
{
    static const cj_tone_options usual = {0};
    options = options ? options : &usual;
    *out = NULL;
    cj_status status = check_request(channels, n, options, err);
    if (status != CJ_OK)
        return status;
    cj__tone tone;
    cj_tone_fit *fit = NULL;
    bool converged = false, alive = false;
    status = cj__tone_open(&tone, spectra, x, channels, n);
    for (int c = 0; c < channels; c++)
        alive = alive || tone.channel[c].alive;
    if (status == CJ_OK && alive)
        status = search(&tone, options, &converged);
    if (status != CJ_OK)
        goto out;
    fit = new_fit(&tone);
    status = fit == NULL ? CJ_NOMEM : report(&tone, options, fit);
    if (status == CJ_OK)
        fit->converged = converged && alive;
out:
    cj__tone_close(&tone);
    if (status == CJ_OK) {
        *out = fit;
        return CJ_OK;
    }
    cj_tone_fit_free(fit);
    return status == CJ_NOMEM
               ? cj_fail_memory(err)
               : cj_fail(err, status, NULL, 0, 0,
                         "the samples do not determine a tone: too short or too many gaps");
}

void cj_tone_subtract(const cj_tone_fit *fit, int channel, const double *x, size_t n, int first,
                      int last, double *out)
{
    const cj_tone_channel *from = &fit->channel[channel];
    double dc = isnan(from->dc) ? 0.0 : from->dc;
    last = last > fit->harmonics ? fit->harmonics : last;
    first = first < 1 ? 1 : first;
    for (size_t i = 0; i < n; i++) {
        double t = (double)i - 0.5 * (double)(n - 1), model = dc;
        cj_complex step = cj__phasor(fit->frequency, t), turn = step;
        for (int k = 1; k <= last; k++, turn = cj__times(turn, step))
            if (k >= first)
                model += from->line[k - 1].re * turn.re - from->line[k - 1].im * turn.im;
        out[i] = isfinite(x[i]) ? x[i] - model : 0.0;
    }
}
