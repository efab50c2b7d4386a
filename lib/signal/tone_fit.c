/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tone_fit.c - the maximum-likelihood harmonic fit: order, frequency, and what is known of them. */
#include "signal/internal.h"

#include <float.h>
#include <math.h>
#include <string.h>

#define BASE_HARMONICS 10
#define MOST_HARMONICS 2048
#define MOST_PRODUCTS 33554432.0 /* harmonics times samples */
#define FALSE_ALARM 1e-3
#define NOISE_SHARE 0.01
#define BASE_PERIODS 3.0

/* The most harmonics below Nyquist less margin bins, with degrees of freedom left, in bearable
 * time. */
static int most_harmonics(const cj__tone *tone, double f, double margin)
{
    double n = (double)tone->n, most = floor((0.5 - margin / n) / f);
    for (int c = 0; c < tone->channels; c++)
        if (tone->channel[c].alive)
            most = fmin(most, floor(((double)tone->channel[c].valid - 3.0) / 2.0));
    most = fmin(most, fmin(MOST_HARMONICS, fmax(BASE_HARMONICS, floor(MOST_PRODUCTS / n))));
    return (int)fmax(1.0, most);
}

/* Powers of the residual at harmonics h+1..most over what white noise puts there, summed over the
 * channels, into powers[h..most-1]; returns the number of channels that had a say. */
static cj_status powers_left(cj__tone *tone, int most, double *powers, int *voices)
{
    cj__comb comb = {0};
    cj_complex *sums = cj_new((size_t)most, sizeof *sums);
    cj_status status = sums && cj__comb_set(&comb, tone->n, tone->f, most) ? CJ_OK : CJ_NOMEM;
    *voices = 0;
    for (int c = 0; c < tone->channels && status == CJ_OK; c++) {
        const cj__tone_channel *channel = &tone->channel[c];
        if (!channel->alive || channel->rss < 1e4 * channel->floor)
            continue;
        cj__tone_residual(tone, c, tone->model);
        cj__comb_sums(&comb, tone->model, sums);
        double noise = (double)channel->valid * cj__tone_variance(tone, c, false);
        for (int k = tone->h; k < most; k++)
            powers[k] += (sums[k].re * sums[k].re + sums[k].im * sums[k].im) / noise;
        ++*voices;
    }
    cj__comb_free(&comb);
    cj_free(sums);
    return status;
}

/* The highest harmonic k for which k..most together are more than noise would show; 0: none. */
static cj_status highest_left(cj__tone *tone, int most, int *highest)
{
    int h = tone->h, voices = 0;
    double *powers = cj_new((size_t)most, sizeof *powers);
    *highest = 0;
    if (powers == NULL)
        return CJ_NOMEM;
    cj_status status = powers_left(tone, most, powers, &voices);
    double total = 0.0, threshold = log((most - h) / FALSE_ALARM);
    for (int k = most; k > h && status == CJ_OK && voices > 0 && *highest == 0; k--) {
        double expected = (double)voices * (most - k + 1);
        total += powers[k - 1];
        if (total > expected && total - expected - expected * log(total / expected) > threshold)
            *highest = k;
    }
    cj_free(powers);
    return status;
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

/* Higher harmonics, as long as the residual shows them. */
static cj_status extend(cj__tone *tone, bool fixed, bool *converged)
{
    cj_status status = CJ_OK;
    while (status == CJ_OK) {
        int most = most_harmonics(tone, tone->f, 0.01), highest = 0;
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

/* Whether base harmonics that are all noise would leave the frequency alone: their share of its
 * information, expected from the noise, is under a hundredth. */
static bool base_is_free(const cj__tone *tone, int base)
{
    double noise = 0.0, signal = 0.0;
    for (int c = 0; c < tone->channels; c++) {
        const cj__tone_channel *channel = &tone->channel[c];
        if (!channel->alive)
            continue;
        double variance = fmax(cj__tone_variance(tone, c, false), DBL_MIN);
        for (int k = tone->h + 1; k <= base; k++)
            noise += 4.0 * k * k;
        for (int k = 1; k <= tone->h; k++) {
            double re = channel->rhs[k], im = channel->rhs[tone->h + k];
            signal += (double)channel->valid * k * k * (re * re + im * im) / variance;
        }
    }
    return noise <= NOISE_SHARE * signal;
}

static int base_order(const cj__tone *tone)
{
    int most = most_harmonics(tone, tone->f, 1.0);
    return most < BASE_HARMONICS ? most : BASE_HARMONICS;
}

/* The order, and the frequency with it, as written in the header. */
static cj_status settle(cj__tone *tone, bool fixed, bool *converged)
{
    cj_status status = extend(tone, fixed, converged);
    if (status == CJ_OK && tone->f * (double)tone->n >= CJ__FEW_PERIODS) {
        int base = base_order(tone);
        if (tone->h < base && base_is_free(tone, base)) {
            status = climb(tone, fixed, base, converged);
            if (status == CJ_OK)
                status = extend(tone, fixed, converged);
        }
    }
    return status;
}

/* The frequency stands; the lines are those of at least the base order. */
static cj_status complete(cj__tone *tone)
{
    int base = base_order(tone);
    if (tone->f * (double)tone->n < BASE_PERIODS || tone->h >= base)
        return CJ_OK;
    return cj__tone_evaluate(tone, tone->f, base);
}

void cj__tone_hold(cj__tone *tone)
{
    for (int c = 0; c < tone->channels; c++)
        tone->channel[c].hold = tone->channel[c].stiff;
}

static cj_status search(cj__tone *tone, const cj_tone_options *options, bool *converged)
{
    bool fixed = options->fixed, chosen = options->harmonics == 0;
    double f = options->start;
    int h = options->harmonics;
    cj_status status = f > 0.0 ? CJ_OK : cj__tone_start(tone, &f);
    if (status != CJ_OK)
        return status;
    bool few = f * (double)tone->n < CJ__FEW_PERIODS;
    if (few)
        status = cj__tone_few(tone, fixed, &f, &h);
    int most = most_harmonics(tone, f, 0.01);
    h = h < most ? h : most;
    if (status == CJ_OK)
        status = fit_order(tone, f, fixed, few ? h : 1, converged);
    if (status == CJ_OK)
        status = chosen ? settle(tone, fixed, converged) : climb(tone, fixed, h, converged);
    cj__tone_hold(tone);
    return status == CJ_OK && chosen ? complete(tone) : status;
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

static cj_status polish(cj__tone *tone, const double *const x[], int channels, size_t n,
                        const cj_tone_options *options, bool *done)
{
    *tone = (cj__tone){.n = n, .channels = channels};
    if (!options->close || options->fixed || options->harmonics == 0)
        return CJ_OK;
    return cj__tone_polish(tone, x, options->start, options->harmonics, done);
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
    status = polish(&tone, x, channels, n, options, &converged);
    if (status == CJ_OK && !converged) {
        cj__tone_close(&tone);
        status = cj__tone_open(&tone, spectra, x, channels, n);
    }
    for (int c = 0; c < channels; c++)
        alive = alive || tone.channel[c].alive;
    if (status == CJ_OK && alive && !converged)
        status = search(&tone, options, &converged);
    if (status != CJ_OK)
        goto out;
    status = cj__tone_report(&tone, options->fixed, &fit);
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
