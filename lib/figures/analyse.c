/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The pass over a record: block by block into sums. internal.h says how and why. */
#include "figures/response.h"
#include "figures/work.h"

#include "base/clones.h"

#include <math.h>
#include <string.h>

/* ---- set-up ---- */

static void work_free(struct cj__work *w)
{
    for (int c = 0; c < 2; c++) {
        cj_free(w->x[c]);
        cj_free(w->left[c]);
        cj_free(w->bins[c]);
        cj_free(w->colour[c]);
        cj__spectral_free(w->spectral[c]);
    }
    cj__hum_free(w->hum);
    cj__meter_stop(w);
    cj_tone_fit_free(w->reference);
    cj__tone_sums_free(w->sums);
    cj_spectra_free(w->spectra);
}

/* A long record is cut into equal blocks; the last takes the rest. */
size_t cj__block_count(const struct cj__work *w)
{
    return w->all->samples <= CJ__WHOLE ? 1 : w->all->samples / CJ__BLOCK;
}

static size_t length_of(const struct cj__work *w, size_t block, size_t blocks)
{
    return block + 1 < blocks ? w->block : w->all->samples - block * w->block;
}

static cj_status work_start(struct cj__work *w, cj_error *err)
{
    cj__analysis *all = w->all;
    bool whole = all->samples <= CJ__WHOLE;
    w->block = whole ? all->samples : CJ__BLOCK;
    w->room = whole ? all->samples : 2 * CJ__BLOCK;
    w->spectra = cj_spectra_new();
    w->hum = cj__hum_new(all, w->options ? w->options->mains_hz : 0);
    if (!w->spectra || !w->hum)
        return cj_fail_memory(err);
    for (int c = 0; c < all->channels; c++) {
        w->x[c] = cj_new(w->room, sizeof(double));
        w->left[c] = cj_new(w->room, sizeof(double));
        w->bins[c] = cj_new(w->room / 2 + 1, sizeof **w->bins);
        if (!w->x[c] || !w->left[c] || !w->bins[c])
            return cj_fail_memory(err);
    }
    double rate = all->about->rate_hz > 0 ? all->about->rate_hz : 1;
    bool unknown = !(all->about->rate_hz > 0);
    w->band[0] = unknown ? 0 : all->band[0] / rate;
    w->band[1] = unknown ? 0.5 : fmin(0.5, all->band[1] / rate);
    return cj__meter_start(w, err);
}

cj_status cj__read_block(struct cj__work *w, size_t start, size_t count, cj_error *err)
{
    double *out[2] = {w->x[0], w->x[1]};
    return cj_capture_read(w->capture, w->all->first + start, count, out, err);
}

cj_status cj__fit_block(struct cj__work *w, size_t n, const cj_tone_options *options,
                        cj_tone_fit **fit, cj_error *err)
{
    const double *const x[2] = {w->x[0], w->x[1]};
    cj_status status = cj_tone_fit_make(w->spectra, x, w->all->channels, n, options, fit, err);
    return status == CJ_DATA ? CJ_OK : status;
}

double cj__line_square(const cj_tone_channel *channel, int k)
{
    return channel->line[k].re * channel->line[k].re + channel->line[k].im * channel->line[k].im;
}

/* ---- the pass ---- */

static void subtract_mean(const double *x, size_t n, double mean, double *out)
{
    for (size_t i = 0; i < n; i++)
        out[i] = isnan(x[i]) ? 0 : x[i] - mean;
}

#define PAIR_LANES 4

struct pair_lanes {
    double sum[5][PAIR_LANES]; /* u, v, u^2, v^2, u v */
};

CJ__CLONES static void add_pair_lanes(struct pair_lanes *lanes, const double *a, const double *b,
                                      size_t groups, const double shift[2])
{
    for (size_t i = 0; i < groups; i++)
        for (size_t k = 0; k < PAIR_LANES; k++) {
            double u = a[i * PAIR_LANES + k] - shift[0], v = b[i * PAIR_LANES + k] - shift[1];
            lanes->sum[0][k] += u;
            lanes->sum[1][k] += v;
            lanes->sum[2][k] += u * u;
            lanes->sum[3][k] += v * v;
            lanes->sum[4][k] += u * v;
        }
}

static void add_pair(cj__pair_sums *pair, const double *a, const double *b, size_t n)
{
    for (size_t i = 0; pair->valid == 0 && i < n; i++)
        if (!isnan(a[i]) && !isnan(b[i])) {
            pair->shift[0] = a[i];
            pair->shift[1] = b[i];
            break;
        }
    struct pair_lanes lanes = {0};
    size_t groups = n / PAIR_LANES, valid = n;
    add_pair_lanes(&lanes, a, b, groups, pair->shift);
    for (size_t k = 1; k < PAIR_LANES; k++)
        for (size_t s = 0; s < 5; s++)
            lanes.sum[s][0] += lanes.sum[s][k];
    size_t rest = groups * PAIR_LANES;
    if (isnan(lanes.sum[0][0] + lanes.sum[1][0])) { /* gaps: sample by sample */
        lanes = (struct pair_lanes){0};
        rest = 0;
    }
    for (size_t i = rest; i < n; i++) {
        double u = a[i] - pair->shift[0], v = b[i] - pair->shift[1];
        bool gap = isnan(u + v);
        valid -= gap;
        const double term[5] = {u, v, u * u, v * v, u * v};
        for (size_t s = 0; s < 5 && !gap; s++)
            lanes.sum[s][0] += term[s];
    }
    pair->sum[0] += lanes.sum[0][0];
    pair->sum[1] += lanes.sum[1][0];
    pair->square[0] += lanes.sum[2][0];
    pair->square[1] += lanes.sum[3][0];
    pair->product += lanes.sum[4][0];
    pair->valid += valid;
}

/* The tone must fill the block: a recording may start before the generator does, or stop after it.
 */
static bool tone_is_there(const struct cj__work *w, const cj_tone_fit *fit)
{
    int c = w->all->tone.reference;
    return cj__line_square(&fit->channel[c], 0) >
           0.8 * cj__line_square(&w->reference->channel[c], 0);
}

/* Blocks of a long record without the tone: before it and after it they are left out, between they
 * are a loss (in every channel, as the reference channel tells). */
static void note_presence(struct cj__work *w, bool there, size_t n)
{
    cj__analysis *all = w->all;
    if (there) {
        for (int c = 0; c < all->channels && w->missing_since_tone > 0; c++) {
            size_t missing = w->missing_since_tone * w->block;
            cj__drops_note(&all->drops[c], all->first + w->start - missing, missing);
        }
        w->missing_since_tone = 0;
        w->used += n;
    } else if (w->used > 0) {
        w->missing_since_tone++;
    }
}

#define NEARBY 48 /* bins to either side of a harmonic that tell the noise at it */

/* The fit took the noise for white. Where it is not, each line's uncertainty is that of the noise
 * about it. */
static cj_status colour(struct cj__work *w, cj_tone_fit *fit, int c, const cj_complex *bins,
                        cj_error *err)
{
    cj_tone_channel *channel = &fit->channel[c];
    size_t harmonics = (size_t)fit->harmonics;
    if (w->colour[c] == NULL && (w->colour[c] = cj_new(harmonics, sizeof(double))) == NULL)
        return cj_fail_memory(err);
    double *ratio = w->colour[c];
    if (bins) {
        cj_noise_near(bins, fit->samples, fit->frequency, fit->harmonics, NEARBY, ratio);
        /* the fit may have been made with the hum taken out; the bins are of the residual with it
         */
        double all_of_it = cj_band_power(bins, fit->samples, 0, 0.5);
        w->more[c] = channel->residual > 0 && all_of_it > 0 ? all_of_it / channel->residual : 1;
    }
    double more = w->more[c];
    channel->residual *= more;
    for (size_t k = 0; k < harmonics; k++) {
        double root = sqrt(ratio[k] * more);
        channel->line_u[k] *= root;
        channel->peak_u[k] *= root;
        channel->phase_u[k] *= root;
        channel->own[k].re_re *= ratio[k] * more;
        channel->own[k].re_im *= ratio[k] * more;
        channel->own[k].im_im *= ratio[k] * more;
    }
    if (c == w->all->tone.reference)
        fit->frequency_u *= sqrt(ratio[0] * more);
    return CJ_OK;
}

/* What is looked at in a block beyond its fit and its levels. */
struct looks {
    size_t start;             /* of the block */
    bool at_spectrum, at_hum; /* hum: and noise colour, and correlation; only where at_spectrum */
};

/* Samples less the model, or less their mean where there is none, into left; returns the sum of
 * their squares. */
static double take_out(struct cj__work *w, int c, size_t n, const cj_tone_fit *fit)
{
    cj__analysis *all = w->all;
    double noise = 0, square;
    if (fit) {
        const cj_tone_channel *channel = &fit->channel[c];
        size_t window = cj__drops_window(fit->frequency, all->about->rate_hz);
        const cj__loss loss = {sqrt(cj__line_square(channel, 0)), channel->dc, window,
                               cj__drops_piece(window, all->about->rate_hz), all->first + w->start};
        cj_tone_subtract(fit, c, w->x[c], n, 1, fit->harmonics, w->left[c]);
        noise = sqrt(channel->residual);
        square = cj__drops_add(&all->drops[c], w->x[c], w->left[c], n, &loss);
    } else {
        subtract_mean(w->x[c], n, cj__level_mean(&all->level[c]), w->left[c]);
        square = cj__sum_of_squares(w->left[c], n);
    }
    const cj__stretch where = {w->start, all->samples,
                               fit ? fit->channel[c].dc : cj__level_mean(&all->level[c])};
    cj__drift_add(&all->drift[c], w->left[c], n, &where);
    struct cj__flat flat = {w->low[c], w->high[c], noise,
                            all->about->channels[all->about->selected[c]].step};
    cj__clip_add(&all->clip[c], w->x[c], n, &flat);
    return square;
}

static cj_status add_spectra(struct cj__work *w, size_t n, const cj_tone_fit *fit, cj_error *err)
{
    cj__analysis *all = w->all;
    /* in the blocks of a long record a drifting tone smears over a few bins: it is still the tone
     */
    const cj__lines lines = {fit ? fit->frequency : 0, fit ? fit->harmonics : 0,
                             cj__block_count(w) > 1 ? 5 : 0};
    cj_status status = all->channels == 2 ? cj_spectrum_two(w->spectra, w->left[0], w->left[1], n,
                                                            w->bins[0], w->bins[1], err)
                                          : cj_spectrum(w->spectra, w->left[0], n, w->bins[0], err);
    for (int c = 0; c < all->channels && status == CJ_OK; c++)
        cj__spectral_add(w->spectral[c], w->bins[c], n, w->band, &lines);
    return status;
}

static cj_status add_residuals(struct cj__work *w, size_t n, cj_tone_fit *fit,
                               const struct looks *looks, cj_error *err)
{
    cj__analysis *all = w->all;
    for (int c = 0; c < all->channels; c++)
        cj__spectral_level(w->spectral[c], take_out(w, c, n, fit), n, looks->at_spectrum);
    cj_status status = looks->at_spectrum ? add_spectra(w, n, fit, err) : CJ_OK;
    for (int c = 0; fit && c < all->channels && status == CJ_OK; c++)
        status = colour(w, fit, c, looks->at_hum ? w->bins[c] : NULL, err);
    const double *const left[2] = {w->left[0], w->left[1]};
    const struct cj__hum_block block = {looks->start, n, fit, looks->at_hum};
    if (status == CJ_OK)
        status = cj__hum_add(w->hum, w->spectra, left, &block, err);
    return status;
}

/* Adds a block's levels to the record's, and keeps its own extremes. */
static void add_level(struct cj__work *w, int c, size_t n)
{
    cj__level here = {0}, *all = &w->all->level[c];
    cj__level_add(&here, w->x[c], n);
    w->low[c] = here.low;
    w->high[c] = here.high;
    if (here.valid == 0)
        return;
    if (all->valid == 0) {
        *all = here;
        return;
    }
    /* sums about one shift from sums about another */
    double by = here.shift - all->shift, count = (double)here.valid;
    all->square += here.square + 2 * by * here.sum + count * by * by;
    all->sum += here.sum + count * by;
    all->valid += here.valid;
    all->low = fmin(all->low, here.low);
    all->high = fmax(all->high, here.high);
}

/* Of a sweep there is nothing else to be seen block by block. */
static void add_flat_tops(struct cj__work *w, size_t n)
{
    const cj_capture_info *about = w->all->about;
    for (int c = 0; c < w->all->channels; c++) {
        struct cj__flat flat = {w->low[c], w->high[c], 0, about->channels[about->selected[c]].step};
        cj__clip_add(&w->all->clip[c], w->x[c], n, &flat);
        cj__sweep_watch(w->all->sweep, c, w->x[c], n, about->rate_hz);
    }
}

static cj_status add_block(struct cj__work *w, size_t index, size_t blocks, double *frequency,
                           cj_error *err)
{
    cj__analysis *all = w->all;
    size_t start = index * w->block, n = length_of(w, index, blocks);
    w->start = start;
    cj_status status = cj__read_block(w, start, n, err);
    if (status != CJ_OK)
        return status;
    for (int c = 0; c < all->channels; c++)
        add_level(w, c, n);
    if (all->channels == 2)
        add_pair(&all->pair, w->x[0], w->x[1], n);
    cj_tone_fit *fit = NULL;
    if (all->tone.present && blocks > 1)
        status = cj__fit_block(w, n,
                               &(cj_tone_options){.start = *frequency,
                                                  .harmonics = w->reference->harmonics,
                                                  .close = true},
                               &fit, err);
    cj_tone_fit *used = blocks > 1 ? fit : all->tone.present ? w->reference : NULL;
    bool there = used && (blocks == 1 || tone_is_there(w, used));
    if (status == CJ_OK && used)
        note_presence(w, there, n);
    struct looks looks = {.start = start, .at_hum = blocks <= 8 || index % (blocks / 8) == 0};
    looks.at_spectrum = looks.at_hum || blocks <= CJ__SPARSE || index % 4 == 0;
    if (status == CJ_OK && all->sweep)
        add_flat_tops(w, n);
    else if (status == CJ_OK && (there || !all->tone.present))
        status = add_residuals(w, n, used, &looks, err);
    if (!all->sweep && (there || !all->tone.present))
        cj__meter_add(w, start, n, used);
    if (status == CJ_OK && there) {
        status = cj__tone_sums_add(w->sums, used, start);
        *frequency = used->frequency;
    }
    if (status == CJ_OK && !all->tone.present && !all->sweep && all->channels == 2 && looks.at_hum)
        status = cj__pair_correlate(&all->pair, w->spectra, w->left[0], w->left[1], n, err);
    cj_tone_fit_free(fit);
    return status;
}

static cj_status pass(struct cj__work *w, cj_error *err)
{
    cj__analysis *all = w->all;
    size_t blocks = cj__block_count(w);
    if (all->tone.present)
        w->sums = cj__tone_sums_new(all->channels, w->reference->harmonics, all->tone.reference);
    for (int c = 0; c < all->channels; c++)
        if ((w->spectral[c] = cj__spectral_new(w->block)) == NULL)
            return cj_fail_memory(err);
    if (all->tone.present && !w->sums)
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
    if (all->sweep)
        return c == all->sweep->input || all->sweep->output_seen ? CJ__SIGNAL_SWEEP
                                                                 : CJ__SIGNAL_OTHER;
    if (all->signal[c] == CJ__SIGNAL_TWO_TONE)
        return CJ__SIGNAL_TWO_TONE;
    if (seen)
        return all->signal[c];
    double other = all->channels == 2 ? sqrt(cj__level_variance(&all->level[1 - c])) : 0;
    if (!noise->stray_seen && !noise->hum_seen && rms < 1e-3 * other)
        return CJ__SIGNAL_SILENCE;
    return noise->flatness > 0.1 ? CJ__SIGNAL_NOISE : CJ__SIGNAL_OTHER;
}

static cj_status finish(struct cj__work *w, cj_error *err)
{
    cj__analysis *all = w->all;
    all->used = all->samples;
    if (all->tone.present) {
        if (cj__tone_finish(w->sums, &all->tone) != CJ_OK)
            return cj_fail_memory(err);
        for (int c = 0; c < all->channels; c++)
            cj__tone_widen(&all->tone, c, all->about->channels[all->about->selected[c]].step);
        all->used = w->used;
        all->tone.periods = all->tone.frequency * (double)all->used;
    }
    cj_status status = cj__hum_flush(w->hum, w->spectra, err);
    for (int c = 0; c < all->channels; c++) {
        cj__hum_finish(w->hum, c, &all->noise[c]);
        cj__spectral_finish(w->spectral[c], all, w->band, &all->noise[c]);
        cj__meter_finish(w, c, &all->noise[c]);
    }
    for (int c = 0; c < all->channels; c++)
        all->signal[c] = kind_of(all, c);
    cj__pair_finish(&all->pair);
    return status;
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
    struct cj__work w = {
        .capture = capture, .options = options, .all = all, .keep_ends = keep_ends};
    cj_status status = work_start(&w, err);
    if (status == CJ_OK && !all->sweep)
        status = cj__find_tone(&w, err);
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
                          .samples = kept.samples,
                          .part_first = kept.part_first,
                          .part_samples = kept.part_samples,
                          .sweep = kept.sweep};
}

static cj_status look_for_sweep(cj_capture *capture, const cj_measure_options *options,
                                cj__analysis *all, cj_error *err)
{
    if (options && options->tone_hz > 0)
        return CJ_OK;
    cj_spectra *spectra = cj_spectra_new();
    struct cj__sweep *sweep = cj_new(1, sizeof *sweep);
    bool found = false;
    cj_status status = spectra && sweep
                           ? cj__sweep_find(capture, options, spectra, sweep, &found, err)
                           : cj_fail_memory(err);
    cj_spectra_free(spectra);
    if (status == CJ_OK && found)
        all->sweep = sweep;
    else
        cj_free(sweep);
    return status;
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
    if (options && options->match)
        all->chain.match = all->chain.skew_s = 0; /* what it shows stands in for them */
    bool band = options && options->band_high_hz > 0;
    all->band[0] = band ? options->band_low_hz : 20;
    all->band[1] = band ? options->band_high_hz : 20000;
    all->channels = all->about->selected_count;
    all->part_samples = all->about->samples;
    cj_status status = look_for_sweep(capture, options, all, err);
    if (status == CJ_OK && !all->sweep)
        status = cj__marked_part(capture, &all->part_first, &all->part_samples, err);
    all->first = all->part_first;
    all->samples = all->part_samples;
    if (status == CJ_OK)
        status = analyse_once(capture, options, all, false, err);
    if (status == CJ_OK && !all->tone.present && all->samples < all->part_samples) {
        /* quiet ends are only left out around a tone */
        all->first = all->part_first;
        all->samples = all->part_samples;
        reset(all);
        status = analyse_once(capture, options, all, true, err);
    }
    for (int again = 0; again < 2 && status == CJ_OK && losses_at_the_ends(all); again++) {
        reset(all);
        status = analyse_once(capture, options, all, true, err);
    }
    if (status == CJ_OK && !all->sweep)
        status = cj__look_closer(capture, options, all, err);
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
    cj_free(all->sweep);
    cj_free(all);
}
