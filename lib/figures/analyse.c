/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The pass over a record: block by block into sums. internal.h says how and why. */
#include "figures/internal.h"

#include <math.h>
#include <string.h>

struct work {
    cj_capture *capture;
    const cj_measure_options *options;
    cj__analysis *all;
    cj_spectra *spectra;
    double *x[2], *left[2]; /* one block: samples, and what the model leaves of them */
    cj_complex *bins;
    size_t room;  /* samples a block may hold */
    size_t block; /* samples of an ordinary block */
    cj__spectral *spectral[2];
    cj__hum_sums *hum;
    cj_tone_fit *reference; /* of the block that was asked for the tone */
    cj__tone_sums *sums;
    double band[2]; /* cycles a sample */
    size_t used;    /* samples of blocks that hold the tone */
    size_t missing_since_tone;
    bool keep_ends; /* nothing is to be left out at the ends */
};

/* ---- set-up ---- */

static void work_free(struct work *w)
{
    for (int c = 0; c < 2; c++) {
        cj_free(w->x[c]);
        cj_free(w->left[c]);
        cj__spectral_free(w->spectral[c]);
    }
    cj_free(w->bins);
    cj__hum_free(w->hum);
    cj_tone_fit_free(w->reference);
    cj__tone_sums_free(w->sums);
    cj_spectra_free(w->spectra);
}

/* A long record is cut into equal blocks; the last takes the rest. */
static size_t blocks_of(const struct work *w)
{
    return w->all->samples <= CJ__WHOLE ? 1 : w->all->samples / CJ__BLOCK;
}

static size_t length_of(const struct work *w, size_t block, size_t blocks)
{
    return block + 1 < blocks ? w->block : w->all->samples - block * w->block;
}

static cj_status work_start(struct work *w, cj_error *err)
{
    cj__analysis *all = w->all;
    bool whole = all->samples <= CJ__WHOLE;
    w->block = whole ? all->samples : CJ__BLOCK;
    w->room = whole ? all->samples : 2 * CJ__BLOCK;
    w->spectra = cj_spectra_new();
    w->bins = cj_new(w->room / 2 + 1, sizeof *w->bins);
    if (!w->spectra || !w->bins)
        return cj_fail_memory(err);
    for (int c = 0; c < all->channels; c++) {
        w->x[c] = cj_new(w->room, sizeof(double));
        w->left[c] = cj_new(w->room, sizeof(double));
        if (!w->x[c] || !w->left[c])
            return cj_fail_memory(err);
    }
    double rate = all->about->rate_hz > 0 ? all->about->rate_hz : 1;
    bool unknown = !(all->about->rate_hz > 0);
    w->band[0] = unknown ? 0 : all->band[0] / rate;
    w->band[1] = unknown ? 0.5 : fmin(0.5, all->band[1] / rate);
    return CJ_OK;
}

static cj_status read_block(struct work *w, size_t start, size_t count, cj_error *err)
{
    double *out[2] = {w->x[0], w->x[1]};
    return cj_capture_read(w->capture, w->all->first + start, count, out, err);
}

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

static cj_status trim_ends(struct work *w, cj_error *err)
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
    all->first = n * head / SEGMENTS;
    all->samples = n * tail / SEGMENTS - all->first;
    w->block = all->samples;
    return read_block(w, 0, all->samples, err);
}

/* ---- is it a tone? ---- */

/* A second line this strong makes it two tones: the weakest second tone of the usual
 * intermodulation signals is a quarter of the first. */
#define SECOND_TONE 0.22

/* *fit stays NULL where the samples determine no tone: that is an answer, not an error. */
static cj_status fit_block(struct work *w, size_t n, double start, int harmonics, cj_tone_fit **fit,
                           cj_error *err)
{
    const double *const x[2] = {w->x[0], w->x[1]};
    cj_tone_options options = {.start = start, .harmonics = harmonics};
    cj_status status = cj_tone_fit_make(w->spectra, x, w->all->channels, n, &options, fit, err);
    return status == CJ_DATA ? CJ_OK : status;
}

static double line_square(const cj_tone_channel *channel, int k)
{
    return channel->line[k].re * channel->line[k].re + channel->line[k].im * channel->line[k].im;
}

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
        power += line_square(&fit->channel[c], k) / 2;
    return power > 0 ? power / (power + fit->channel[c].residual) : 0;
}

/*
 * A channel carries a tone of its own finding when the harmonics explain half of its AC power (0.98
 * of it below three periods, where a slow drift can pose as a tone), the fundamental stands six
 * standard uncertainties out (false alarms over 1e5 bins below 1e-2 of a per cent for white noise:
 * exp(-36/2) a bin), and the spectrum beside it is 9 dB down or more, which music and coloured
 * noise do not show.
 */
static bool is_tone(const struct work *w, const cj_tone_fit *fit, int c, const cj_complex *bins)
{
    const cj_tone_channel *channel = &fit->channel[c];
    double periods = fit->frequency * (double)fit->samples, square = line_square(channel, 0);
    bool asked = w->options && w->options->tone_hz > 0;
    if (channel->valid < 16 || !(square > 0) || sqrt(square) < 6 * channel->line_u[0])
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

/* Largest line the tone leaves, as a peak value, mains lines aside (they are hum). */
static double second_line(const struct work *w, const cj_complex *bins, size_t n)
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

static cj_status judge_tone(struct work *w, size_t n, cj_error *err)
{
    cj__analysis *all = w->all;
    double strongest = 0;
    for (int c = 0; c < all->channels; c++) {
        const cj_tone_channel *channel = &w->reference->channel[c];
        cj_tone_subtract(w->reference, c, w->x[c], n, 1, w->reference->harmonics, w->left[c]);
        cj_status status = cj_spectrum(w->spectra, w->left[c], n, w->bins, err);
        if (status != CJ_OK)
            return status;
        double peak = sqrt(line_square(channel, 0));
        double clear =
            channel->valid < 16 || !(peak > 0) ? 0 : peak / fmax(channel->line_u[0], 1e-300);
        all->tone.channel[c].seen = clear > 4.5;
        double second = second_line(w, w->bins, n), explained = explained_by(w->reference, c);
        bool single = second < SECOND_TONE * peak;
        if (is_tone(w, w->reference, c, w->bins) && single)
            all->tone.present = true;
        /* two tones are two lines that make up most of the signal */
        double second_share =
            (1 - explained) * fmin(1, second * second / 2 / fmax(channel->residual, 1e-300));
        if (all->tone.channel[c].seen && !single && explained + second_share > 0.8)
            all->signal[c] = CJ__SIGNAL_TWO_TONE;
        else if (all->tone.channel[c].seen && explained > 0.5 && outer_share(w->x[c], n) > 0.85)
            all->signal[c] = CJ__SIGNAL_SQUARE;
        if (clear > strongest) {
            strongest = clear;
            all->tone.reference = c;
        }
    }
    return CJ_OK;
}

/* The block that is asked for the tone: of some spread over the record the one of the highest
 * level. */
static cj_status pick_block(struct work *w, size_t blocks, size_t *picked, cj_error *err)
{
    size_t tries = blocks < 9 ? blocks : 9;
    double loudest = -1;
    for (size_t i = 0; i < tries; i++) {
        size_t index = tries > 1 ? i * (blocks - 1) / (tries - 1) : 0;
        cj_status status = read_block(w, index * w->block, w->block, err);
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

static cj_status find_tone(struct work *w, cj_error *err)
{
    cj__analysis *all = w->all;
    size_t blocks = blocks_of(w), picked = 0;
    cj_status status = blocks > 1 ? pick_block(w, blocks, &picked, err) : CJ_OK;
    size_t n = blocks > 1 ? w->block : all->samples;
    if (status == CJ_OK)
        status = read_block(w, picked * w->block, n, err);
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
    status = fit_block(w, n, asked > 0 ? asked / rate : 0, w->options ? w->options->harmonics : 0,
                       &w->reference, err);
    return status == CJ_OK && w->reference ? judge_tone(w, n, err) : status;
}

/* ---- the pass ---- */

static void subtract_mean(const double *x, size_t n, double mean, double *out)
{
    for (size_t i = 0; i < n; i++)
        out[i] = isnan(x[i]) ? 0 : x[i] - mean;
}

static void add_pair(cj__pair_sums *pair, const double *a, const double *b, size_t n)
{
    for (size_t i = 0; pair->valid == 0 && i < n; i++)
        if (!isnan(a[i]) && !isnan(b[i])) {
            pair->shift[0] = a[i];
            pair->shift[1] = b[i];
            break;
        }
    double s1 = 0, s2 = 0, s11 = 0, s22 = 0, s12 = 0;
    size_t valid = 0;
    for (size_t i = 0; i < n; i++) {
        double u = a[i] - pair->shift[0], v = b[i] - pair->shift[1];
        if (isnan(u + v))
            continue;
        s1 += u;
        s2 += v;
        s11 += u * u;
        s22 += v * v;
        s12 += u * v;
        valid++;
    }
    pair->sum[0] += s1;
    pair->sum[1] += s2;
    pair->square[0] += s11;
    pair->square[1] += s22;
    pair->product += s12;
    pair->valid += valid;
}

/* Window for losses: a fifth of a millisecond or a quarter of a period, whichever is longer. */
static size_t loss_window(const cj__analysis *all, double frequency)
{
    double window = fmax(0.25 / frequency, 0.0002 * all->about->rate_hz);
    return (size_t)fmax(4, ceil(window));
}

/* The tone must fill the block: a recording may start before the generator does, or stop after it.
 */
static bool tone_is_there(const struct work *w, const cj_tone_fit *fit)
{
    int c = w->all->tone.reference;
    return line_square(&fit->channel[c], 0) > 0.8 * line_square(&w->reference->channel[c], 0);
}

/* Blocks of a long record without the tone: before it and after it they are left out, between they
 * are a loss (in every channel, as the reference channel tells). */
static void note_presence(struct work *w, bool there, size_t n)
{
    cj__analysis *all = w->all;
    if (there) {
        for (int c = 0; c < all->channels; c++)
            all->drops[c].count += w->missing_since_tone > 0;
        w->missing_since_tone = 0;
        w->used += n;
    } else if (w->used > 0) {
        w->missing_since_tone++;
    }
}

static cj_status add_residuals(struct work *w, size_t n, const cj_tone_fit *fit, bool look_for_hum,
                               cj_error *err)
{
    cj__analysis *all = w->all;
    /* in the blocks of a long record a drifting tone smears over a few bins: it is still the tone
     */
    const cj__lines lines = {fit ? fit->frequency : 0, fit ? fit->harmonics : 0,
                             blocks_of(w) > 1 ? 3 : 0};
    for (int c = 0; c < all->channels; c++) {
        const cj_channel_info *info = &all->about->channels[all->about->selected[c]];
        double noise = 0;
        if (fit) {
            cj_tone_subtract(fit, c, w->x[c], n, 1, fit->harmonics, w->left[c]);
            noise = sqrt(fit->channel[c].residual);
            if (all->about->rate_hz > 0 || blocks_of(w) == 1)
                cj__drops_add(&all->drops[c], w->left[c], n, sqrt(line_square(&fit->channel[c], 0)),
                              loss_window(all, fit->frequency));
        } else {
            subtract_mean(w->x[c], n, cj__level_mean(&all->level[c]), w->left[c]);
        }
        cj__clip_add(&all->clip[c], w->x[c], n, noise, info->step);
        cj_status status = cj_spectrum(w->spectra, w->left[c], n, w->bins, err);
        if (status != CJ_OK)
            return status;
        cj__spectral_add(w->spectral[c], w->bins, n, w->band, &lines);
    }
    const double *const left[2] = {w->left[0], w->left[1]};
    return look_for_hum ? cj__hum_add(w->hum, w->spectra, left, n, fit, err) : CJ_OK;
}

static cj_status add_block(struct work *w, size_t index, size_t blocks, double *frequency,
                           cj_error *err)
{
    cj__analysis *all = w->all;
    size_t start = index * w->block, n = length_of(w, index, blocks);
    cj_status status = read_block(w, start, n, err);
    if (status != CJ_OK)
        return status;
    for (int c = 0; c < all->channels; c++)
        cj__level_add(&all->level[c], w->x[c], n);
    if (all->channels == 2)
        add_pair(&all->pair, w->x[0], w->x[1], n);
    cj_tone_fit *fit = NULL;
    if (all->tone.present && blocks > 1)
        status = fit_block(w, n, *frequency, w->reference->harmonics, &fit, err);
    const cj_tone_fit *used = blocks > 1 ? fit : all->tone.present ? w->reference : NULL;
    bool there = used && (blocks == 1 || tone_is_there(w, used));
    if (status == CJ_OK && used)
        note_presence(w, there, n);
    if (status == CJ_OK && there) {
        status = cj__tone_sums_add(w->sums, used, start);
        *frequency = used->frequency;
    }
    /* hum and correlation on up to eight blocks spread over a long record */
    bool sampled = blocks <= 8 || index % (blocks / 8) == 0;
    if (status == CJ_OK && (there || !all->tone.present))
        status = add_residuals(w, n, used, sampled, err);
    if (status == CJ_OK && !all->tone.present && all->channels == 2 && sampled)
        status = cj__pair_correlate(&all->pair, w->left[0], w->left[1], n);
    cj_tone_fit_free(fit);
    return status;
}

static cj_status pass(struct work *w, cj_error *err)
{
    cj__analysis *all = w->all;
    size_t blocks = blocks_of(w);
    if (all->tone.present)
        w->sums = cj__tone_sums_new(all->channels, w->reference->harmonics, all->tone.reference);
    w->hum = cj__hum_new(all, w->options ? w->options->mains_hz : 0);
    for (int c = 0; c < all->channels; c++)
        if ((w->spectral[c] = cj__spectral_new(w->block)) == NULL)
            return cj_fail_memory(err);
    if ((all->tone.present && !w->sums) || !w->hum)
        return cj_fail_memory(err);
    double frequency = w->reference ? w->reference->frequency : 0;
    cj_status status = CJ_OK;
    for (size_t i = 0; i < blocks && status == CJ_OK; i++) {
        status = add_block(w, i, blocks, &frequency, err);
        if (w->options && w->options->progress)
            w->options->progress(w->options->user, (double)(i + 1) / (double)blocks);
    }
    return status;
}

/* ---- what kind of signal ---- */

static cj__signal_kind kind_of(const cj__analysis *all, int c)
{
    const cj_channel_info *info = &all->about->channels[all->about->selected[c]];
    double range = all->level[c].high - all->level[c].low,
           rms = sqrt(cj__level_variance(&all->level[c]));
    bool seen = all->tone.present && all->tone.channel[c].seen;
    if (all->level[c].valid == 0 || !(range > 0) || (!seen && range < 2.5 * info->step))
        return CJ__SIGNAL_SILENCE;
    const cj__noise *noise = &all->noise[c];
    if (all->signal[c] == CJ__SIGNAL_TWO_TONE)
        return CJ__SIGNAL_TWO_TONE;
    if (seen)
        return all->signal[c];
    double other = all->channels == 2 ? sqrt(cj__level_variance(&all->level[1 - c])) : 0;
    if (!noise->stray_seen && !noise->hum_seen && rms < 1e-3 * other)
        return CJ__SIGNAL_SILENCE;
    return noise->flatness > 0.1 ? CJ__SIGNAL_NOISE : CJ__SIGNAL_OTHER;
}

static cj_status finish(struct work *w, cj_error *err)
{
    cj__analysis *all = w->all;
    all->used = all->samples;
    if (all->tone.present) {
        if (cj__tone_finish(w->sums, &all->tone) != CJ_OK)
            return cj_fail_memory(err);
        all->used = w->used;
        all->tone.periods = all->tone.frequency * (double)all->used;
    }
    for (int c = 0; c < all->channels; c++) {
        cj__hum_finish(w->hum, c, &all->noise[c]);
        cj__spectral_finish(w->spectral[c], all, w->band, &all->noise[c]);
    }
    for (int c = 0; c < all->channels; c++)
        all->signal[c] = kind_of(all, c);
    cj__pair_finish(&all->pair);
    return CJ_OK;
}

/* Ends of the record in which the fit found nothing of the tone; true where the pass has to be done
 * again. */
static bool losses_at_the_ends(cj__analysis *all)
{
    if (!all->tone.present || all->samples > CJ__WHOLE || all->samples < 2000)
        return false;
    const cj__drops *drops = &all->drops[all->tone.reference];
    size_t cut = drops->head + drops->tail;
    if (cut == 0 || cut > all->samples / 2)
        return false;
    all->first += drops->head;
    all->samples -= cut;
    return true;
}

static cj_status analyse_once(cj_capture *capture, const cj_measure_options *options,
                              cj__analysis *all, bool keep_ends, cj_error *err)
{
    struct work w = {.capture = capture, .options = options, .all = all, .keep_ends = keep_ends};
    cj_status status = work_start(&w, err);
    if (status == CJ_OK)
        status = find_tone(&w, err);
    if (status == CJ_OK)
        status = pass(&w, err);
    if (status == CJ_OK)
        status = finish(&w, err);
    work_free(&w);
    return status;
}

static void reset(cj__analysis *all)
{
    cj__analysis kept = *all;
    cj__tone_release(&all->tone);
    *all = (cj__analysis){.about = kept.about,
                          .chain = kept.chain,
                          .band = {kept.band[0], kept.band[1]},
                          .channels = kept.channels,
                          .first = kept.first,
                          .samples = kept.samples};
}

cj_status cj__analyse(cj_capture *capture, const cj_measure_options *options, cj__analysis **out,
                      cj_error *err)
{
    cj__analysis *all = cj_new(1, sizeof *all);
    if (all == NULL)
        return cj_fail_memory(err);
    all->about = cj_capture_about(capture);
    all->chain =
        cj__chain_of(options ? options->instruments : NULL, all->about, all->about->rate_hz);
    bool band = options && options->band_high_hz > 0;
    all->band[0] = band ? options->band_low_hz : 20;
    all->band[1] = band ? options->band_high_hz : 20000;
    all->channels = all->about->selected_count;
    all->samples = all->about->samples;
    cj_status status = analyse_once(capture, options, all, false, err);
    if (status == CJ_OK && !all->tone.present && all->samples < all->about->samples) {
        /* quiet ends are only left out around a tone */
        all->first = 0;
        all->samples = all->about->samples;
        reset(all);
        status = analyse_once(capture, options, all, true, err);
    }
    for (int again = 0; again < 2 && status == CJ_OK && losses_at_the_ends(all); again++) {
        reset(all);
        status = analyse_once(capture, options, all, true, err);
    }
    if (status != CJ_OK) {
        cj__analysis_free(all);
        return status;
    }
    *out = all;
    return CJ_OK;
}

void cj__analysis_free(cj__analysis *all)
{
    if (all == NULL)
        return;
    cj__tone_release(&all->tone);
    cj_free(all);
}
