/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Is it a tone, and which part of the record holds it? */
#include "figures/work.h"

#include <math.h>
#include <string.h>

/* ---- the ends of a recording started and stopped by hand ---- */

#define SEGMENTS 64

/* RMS about the mean of each of SEGMENTS pieces. */
static void segment_levels(const double *x, size_t n, double rms[SEGMENTS])
{
    for (size_t s = 0; s < SEGMENTS; s++) {
        cj__level level = {0};
        size_t from = n * s / SEGMENTS, to = n * (s + 1) / SEGMENTS;
        cj__level_add(&level, x + from, to - from);
        rms[s] = level.valid ? sqrt(cj__level_variance(&level)) : 0;
    }
}

static size_t longest_quiet(const double *rms, size_t head, size_t tail, double limit)
{
    size_t longest = 0, run = 0;
    for (size_t s = head; s < tail; s++) {
        run = rms[s] < limit ? run + 1 : 0;
        longest = run > longest ? run : longest;
    }
    return longest;
}

/* Marks the pieces at the ends in which a channel that otherwise carries a signal is 20 dB quieter
 * than most of the record. */
static void mark_quiet(const double *x, size_t n, bool quiet[SEGMENTS], bool *tells)
{
    double rms[SEGMENTS], loud = 0;
    segment_levels(x, n, rms);
    for (size_t s = 0; s < SEGMENTS; s++)
        loud = fmax(loud, rms[s]);
    double limit = loud / 10;
    size_t head = 0, tail = SEGMENTS;
    while (head < SEGMENTS && rms[head] < limit)
        head++;
    while (tail > head && rms[tail - 1] < limit)
        tail--;
    size_t within = longest_quiet(rms, head, tail, limit);
    if (tail - head < SEGMENTS / 8 || !(loud > 0))
        return; /* a click, not a signal with quiet ends */
    if (head <= 2 * within + 1)
        head = 0; /* no quieter than the flats of a slow square in between */
    if (SEGMENTS - tail <= 2 * within + 1)
        tail = SEGMENTS;
    *tells = true;
    for (size_t s = 0; s < SEGMENTS; s++)
        quiet[s] = quiet[s] && (s < head || s >= tail);
}

static cj_status trim_ends(struct cj__work *w, cj_error *err)
{
    cj__analysis *all = w->all;
    size_t n = all->samples;
    if (n < 2000 || n > w->room || w->keep_ends)
        return CJ_OK;
    bool quiet[SEGMENTS], tells = false;
    memset(quiet, true, sizeof quiet);
    for (int c = 0; c < all->channels; c++)
        mark_quiet(w->x[c], n, quiet, &tells);
    if (!tells)
        return CJ_OK;
    size_t head = 0, tail = SEGMENTS;
    while (head < SEGMENTS && quiet[head])
        head++;
    while (tail > head && quiet[tail - 1])
        tail--;
    if (head >= tail || (head == 0 && tail == SEGMENTS))
        return CJ_OK;
    all->first += n * head / SEGMENTS;
    all->samples = n * tail / SEGMENTS - n * head / SEGMENTS;
    w->block = all->samples;
    return cj__read_block(w, 0, all->samples, err);
}

/* ---- is it a tone? ---- */

/* A second line this strong makes it two tones: the weakest second tone of the usual
 * intermodulation signals is a quarter of the first. */
#define SECOND_TONE 0.22

/* Correlation of a residual with itself one sample on: near 0 where noise is left, near 1 where a
 * shape is. */
static double follows_itself(const double *left, size_t n)
{
    double square = 0, product = 0;
    for (size_t i = 1; i < n; i++) {
        square += left[i] * left[i];
        product += left[i] * left[i - 1];
    }
    return square > 0 ? product / square : 0;
}

static double explained_by(const cj_tone_fit *fit, int c)
{
    double power = 0;
    for (int k = 0; k < fit->harmonics; k++)
        power += cj__line_square(&fit->channel[c], k) / 2;
    return power > 0 ? power / (power + fit->channel[c].residual) : 0;
}

/*
 * A channel carries a tone of its own finding when the fundamental is present (signal.h), the
 * harmonics explain half of the channel's AC power (0.98 of it below three periods, where a slow
 * drift can pose as a tone), and the spectrum beside it is 9 dB down or more, which music and
 * coloured noise do not show.
 */
static bool is_tone(const struct cj__work *w, const cj_tone_fit *fit, int c, const cj_complex *bins)
{
    const cj_tone_channel *channel = &fit->channel[c];
    double periods = fit->frequency * (double)fit->samples, square = cj__line_square(channel, 0);
    bool asked = w->options && w->options->tone_hz > 0;
    cj_presence presence;
    cj_tone_present(fit, c, &presence);
    if (channel->valid < 16 || !presence.present)
        return false;
    if (asked)
        return true;
    double enough = periods < 3 ? 0.98 : periods < 8 ? 0.8 : 0.5;
    if (periods < 1.5 || explained_by(fit, c) < enough)
        return false;
    if (periods < 3 && explained_by(fit, c) < 0.9999 &&
        follows_itself(w->left[c], fit->samples) > 0.7)
        return false;
    return periods < 8 || square / 2 > 8 * cj__beside(bins, fit->samples, fit->frequency);
}

/* Share of samples in the outer 30 % of the range: 0.5 for a sine, near 1 for a square. */
static double outer_share(const double *x, size_t n)
{
    cj__level level = {0};
    cj__level_add(&level, x, n);
    double middle = (level.low + level.high) / 2, reach = 0.7 * (level.high - level.low) / 2;
    size_t outer = 0;
    for (size_t i = 0; i < n; i++)
        outer += fabs(x[i] - middle) > reach;
    return level.valid ? (double)outer / (double)level.valid : 0;
}

/* RMS over mean size, about the mean: 1 for a square (1.02 with 25 % of overshoot), 1.11 for a
 * sine. */
static double form_factor(const double *x, size_t n)
{
    cj__level level = {0};
    cj__level_add(&level, x, n);
    double mean = cj__level_mean(&level), size = 0;
    for (size_t i = 0; i < n; i++)
        size += isnan(x[i]) ? 0 : fabs(x[i] - mean);
    return sqrt(cj__level_variance(&level)) * (double)level.valid / size;
}

/* Overshoot stretches the range, so that the flats are not its outer part. */
static bool is_square(const double *x, size_t n)
{
    return outer_share(x, n) > 0.85 || form_factor(x, n) < 1.03;
}

/* Largest line the tone leaves, as a peak value, mains lines aside (they are hum). */
static double second_line(const struct cj__work *w, const cj_complex *bins, size_t n)
{
    double best = 0, rate = w->all->about->rate_hz;
    for (size_t k = 3; k + 1 < n / 2; k++) {
        /* Hann: the line's square spreads as 1/4, 1/16, 1/16 over three bins */
        double re = bins[k].re / 2 - (bins[k - 1].re + bins[k + 1].re) / 4;
        double im = bins[k].im / 2 - (bins[k - 1].im + bins[k + 1].im) / 4;
        double power = re * re + im * im, hz = (double)k * rate / (double)n,
               width = 3 * rate / (double)n;
        if (power <= best)
            continue;
        double off50 = fabs(remainder(hz, 50)), off60 = fabs(remainder(hz, 60));
        if (!(hz > 0 && hz < 700 && fmin(off50, off60) < width))
            best = power;
    }
    return 2 * sqrt(best) / (double)n / 0.5;
}

/* A second tone at a whole multiple of the first passes for its harmonic: one from the eighth on
 * that is stronger than all others together. */
static bool late_harmonic(const cj_tone_channel *channel, int harmonics)
{
    double first = cj__line_square(channel, 0), all = 0, largest = 0;
    for (int k = 1; k < harmonics; k++) {
        double square = cj__line_square(channel, k);
        all += square;
        if (k >= 7)
            largest = fmax(largest, square);
    }
    return largest > SECOND_TONE * SECOND_TONE * first && largest > 0.8 * all;
}

/* The low tones of 60 Hz + 7 kHz and 250 Hz + 8 kHz stand where hum does, which is taken out and
 * passed over. */
static bool maybe_low_beside(const struct cj__work *w, const cj_tone_fit *fit)
{
    double hz = fit->frequency * w->all->about->rate_hz;
    return fabs(hz / 7000 - 1) < 0.02 || fabs(hz / 8000 - 1) < 0.02;
}

/* Takes the samples in x for two tones where their two strongest lines are that. */
static cj_status find_second(struct cj__work *w, size_t n, int c, bool *two, cj_error *err)
{
    cj__level level = {0};
    double pair[2];
    cj__level_add(&level, w->x[c], n);
    for (size_t i = 0; i < n; i++)
        w->left[c][i] = isnan(w->x[c][i]) ? 0 : w->x[c][i] - cj__level_mean(&level);
    return cj__two_lines(w->spectra, w->left[c], n, SECOND_TONE, w->bins[0], pair, two, err);
}

static cj_status judge_tone(struct cj__work *w, size_t n, cj_error *err)
{
    cj__analysis *all = w->all;
    double strongest = 0;
    for (int c = 0; c < all->channels; c++) {
        const cj_tone_channel *channel = &w->reference->channel[c];
        cj_tone_subtract(w->reference, c, w->x[c], n, 1, w->reference->harmonics, w->left[c]);
        cj_status status = cj_spectrum(w->spectra, w->left[c], n, w->bins[0], err);
        if (status != CJ_OK)
            return status;
        double peak = sqrt(cj__line_square(channel, 0));
        double clear =
            channel->valid < 16 || !(peak > 0) ? 0 : peak / fmax(channel->line_u[0], 1e-300);
        cj_presence presence;
        cj_tone_present(w->reference, c, &presence);
        all->tone.channel[c].seen = channel->valid >= 16 && presence.present;
        double second = second_line(w, w->bins[0], n), explained = explained_by(w->reference, c);
        bool single = second < SECOND_TONE * peak, two = false;
        bool asked = w->options && w->options->tone_hz > 0;
        bool tone_like = is_tone(w, w->reference, c, w->bins[0]);
        if (!asked &&
            (late_harmonic(channel, w->reference->harmonics) || maybe_low_beside(w, w->reference)))
            status = find_second(w, n, c, &two, err);
        if (status != CJ_OK)
            return status;
        single = single && !two;
        if (tone_like && single)
            all->tone.present = true;
        /* two tones are two lines that make up most of the signal */
        double second_share =
            (1 - explained) * fmin(1, second * second / 2 / fmax(channel->residual, 1e-300));
        if (two || (all->tone.channel[c].seen && !single && explained + second_share > 0.8))
            all->signal[c] = CJ__SIGNAL_TWO_TONE;
        else if (all->tone.channel[c].seen && explained > 0.5 && is_square(w->x[c], n))
            all->signal[c] = CJ__SIGNAL_SQUARE;
        if (clear > strongest) {
            strongest = clear;
            all->tone.reference = c;
        }
    }
    /* what channel 1 gets is what was played: the other channel answers both tones, however
     * unevenly */
    if (all->signal[0] == CJ__SIGNAL_TWO_TONE)
        all->tone.present = false;
    return CJ_OK;
}

/* The block that is asked for the tone: of some spread over the record the one of the highest
 * level. */
static cj_status pick_block(struct cj__work *w, size_t blocks, size_t *picked, cj_error *err)
{
    size_t tries = blocks < 9 ? blocks : 9;
    double loudest = -1;
    for (size_t i = 0; i < tries; i++) {
        size_t index = tries > 1 ? i * (blocks - 1) / (tries - 1) : 0;
        cj_status status = cj__read_block(w, index * w->block, w->block, err);
        if (status != CJ_OK)
            return status;
        double level_here = 0;
        for (int c = 0; c < w->all->channels; c++) {
            cj__level level = {0};
            cj__level_add(&level, w->x[c], w->block);
            level_here += level.valid ? sqrt(cj__level_variance(&level)) : 0;
        }
        if (level_here > loudest) {
            loudest = level_here;
            *picked = index;
        }
    }
    return CJ_OK;
}

/*
 * Lines that the model does not hold pull at it: hum of a tenth of the tone moves its phase by some
 * 1e-5 of a turn even over half a second. So tone and mains series are fitted in turns, each to
 * what the other leaves.
 */
static cj_status fit_beside_hum(struct cj__work *w, size_t n, cj_error *err)
{
    const double *const x[2] = {w->x[0], w->x[1]};
    double *const left[2] = {w->left[0], w->left[1]};
    bool found = true;
    cj_status status = CJ_OK;
    for (int turn = 0; turn < 3 && found && status == CJ_OK; turn++) {
        for (int c = 0; c < w->all->channels; c++)
            cj_tone_subtract(w->reference, c, w->x[c], n, 1, w->reference->harmonics, w->left[c]);
        status = cj__hum_take_out(w->hum, w->spectra, x, left, n, w->reference, &found, err);
        if (status != CJ_OK || !found)
            return status;
        const double *const clean[2] = {w->left[0], w->left[1]};
        cj_tone_options options = {.start = w->reference->frequency,
                                   .harmonics = w->reference->harmonics};
        cj_tone_fit *fit = NULL;
        status = cj_tone_fit_make(w->spectra, clean, w->all->channels, n, &options, &fit, err);
        if (status == CJ_OK) {
            cj_tone_fit_free(w->reference);
            w->reference = fit;
        }
    }
    return status == CJ_DATA ? CJ_OK : status;
}

/* A contact that opens for moments: the tone is that of the time between. */
static cj_status fit_between_losses(struct cj__work *w, size_t n, bool *losses, cj_error *err)
{
    const cj_tone_fit *fit = w->reference;
    if (!(fit->frequency * (double)n >= 3))
        return CJ_OK;
    size_t window = cj__drops_window(fit->frequency, w->all->about->rate_hz);
    for (int c = 0; c < w->all->channels; c++) {
        const cj_tone_channel *channel = &fit->channel[c];
        cj_tone_subtract(fit, c, w->x[c], n, 1, fit->harmonics, w->left[c]);
        const cj__loss loss = {.peak = sqrt(cj__line_square(channel, 0)),
                               .dc = channel->dc,
                               .window = window,
                               .piece = cj__drops_piece(window, w->all->about->rate_hz)};
        size_t lost = cj__drops_mask(w->x[c], w->left[c], n, &loss);
        bool part = lost > 0 && lost < n / 2;
        *losses = *losses || part;
        for (size_t i = 0; i < n; i++)
            w->left[c][i] = part && isnan(w->left[c][i]) ? NAN : w->x[c][i];
    }
    if (!*losses)
        return CJ_OK;
    const double *const x[2] = {w->left[0], w->left[1]};
    cj_tone_options options = {.start = fit->frequency, .harmonics = fit->harmonics};
    cj_tone_fit *better = NULL;
    cj_status status = cj_tone_fit_make(w->spectra, x, w->all->channels, n, &options, &better, err);
    if (status == CJ_OK) {
        cj_tone_fit_free(w->reference);
        w->reference = better;
    }
    return status == CJ_DATA ? CJ_OK : status;
}

cj_status cj__find_tone(struct cj__work *w, cj_error *err)
{
    cj__analysis *all = w->all;
    size_t blocks = cj__block_count(w), picked = 0;
    cj_status status = blocks > 1 ? pick_block(w, blocks, &picked, err) : CJ_OK;
    size_t n = blocks > 1 ? w->block : all->samples;
    if (status == CJ_OK)
        status = cj__read_block(w, picked * w->block, n, err);
    if (status == CJ_OK && blocks == 1)
        status = trim_ends(w, err);
    if (status != CJ_OK)
        return status;
    n = blocks > 1 ? w->block : all->samples;
    double rate = all->about->rate_hz, asked = w->options ? w->options->tone_hz : 0;
    if (asked > 0 && !(rate > 0))
        return cj_fail(err, CJ_DATA, all->about->name, 0, 0,
                       "the file states no sample rate, so a tone in hertz cannot be looked for; "
                       "leave the tone out");
    if (asked > 0 && asked >= rate / 2)
        return cj_fail(
            err, CJ_USAGE, all->about->name, 0, 0,
            "a tone of %g Hz cannot be seen at %g samples a second; it must be below %g Hz", asked,
            rate, rate / 2);
    cj_tone_options options = {.start = asked > 0 ? asked / rate : 0,
                               .harmonics = w->options ? w->options->harmonics : 0};
    status = cj__fit_block(w, n, &options, &w->reference, err);
    bool losses = false;
    if (status == CJ_OK && w->reference && blocks == 1)
        status = fit_between_losses(w, n, &losses, err);
    if (status == CJ_OK && w->reference && blocks == 1 && !losses)
        status = fit_beside_hum(w, n, err);
    return status == CJ_OK && w->reference ? judge_tone(w, n, err) : status;
}
