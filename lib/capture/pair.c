/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * FILE+FILE: two captures of one channel each on one time axis, as scopes that write a file for
 * each channel leave them.
 */
#include "capture/internal.h"

#include <math.h>
#include <string.h>

/* Rates as stated in the two files are one rate when they agree to this; time stamps are rounded.
 */
static const double rate_slack = 1e-4;
/* The two records may start whole samples apart; a fraction beyond this would be a phase error. */
static const double fraction_slack = 0.1;

static cj_status mismatch(const cj_capture *pair, cj_error *err, const char *what)
{
    return cj_fail(err, CJ_DATA, pair->name, 0, 0, "no pair: %s", what);
}

static cj_status add_notes(cj_lines *notes, const cj_capture *part)
{
    const cj_capture_info *info = &part->info;
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < info->notes->count; i++)
        status = cj_lines_add(notes, "%s: %s", part->name, info->notes->items[i]);
    if (status == CJ_OK && info->selected_count > 1)
        status = cj_lines_add(notes, "%s: of its %d channels, %s is taken", part->name,
                              info->channel_count, info->channels[info->selected[0]].name);
    return status;
}

static cj_status join_rates(cj_capture *pair, cj_error *err)
{
    const cj_capture_info *a = &pair->parts[0]->info, *b = &pair->parts[1]->info;
    cj_capture_info *both = &pair->info;
    both->rate_hz = a->rate_hz;
    both->rate_u = a->rate_u;
    if (a->rate_hz == b->rate_hz)
        return CJ_OK;
    if (a->rate_hz == 0 || b->rate_hz == 0)
        return mismatch(pair, err, "one file states a sampling rate, the other none");
    double off = fabs(b->rate_hz / a->rate_hz - 1);
    if (off > fmax(rate_slack, 2 * hypot(a->rate_u, b->rate_u)))
        return cj_fail(err, CJ_DATA, pair->name, 0, 0, "no pair: sampled at %.9g Hz and at %.9g Hz",
                       a->rate_hz, b->rate_hz);
    if (b->rate_u < a->rate_u) {
        both->rate_hz = b->rate_hz;
        both->rate_u = b->rate_u;
    }
    if (cj_lines_add(&pair->notes,
                     "the files state %.9g Hz and %.9g Hz: taken as one rate, %.9g Hz", a->rate_hz,
                     b->rate_hz, both->rate_hz) != CJ_OK)
        return cj_fail_memory(err);
    return CJ_OK;
}

/* How many samples the second record starts after the first, where both say when they start. */
static cj_status find_shift(const cj_capture *pair, double *shift, cj_error *err)
{
    *shift = 0;
    const cj_capture *a = pair->parts[0], *b = pair->parts[1];
    if (a->scope == NULL || !a->scope->has_time || !b->scope->has_time || pair->info.rate_hz == 0)
        return CJ_OK;
    double exact = (b->info.start_s - a->info.start_s) * pair->info.rate_hz;
    *shift = round(exact);
    if (fabs(*shift) >= (double)(*shift < 0 ? b : a)->info.samples)
        return mismatch(pair, err, "the two records have no moment in common");
    if (fabs(exact - *shift) > fraction_slack)
        return cj_fail(err, CJ_DATA, pair->name, 0, 0,
                       "no pair: the second file's samples lie %.3g of a sample beside the first's",
                       exact - *shift);
    return CJ_OK;
}

static cj_status join_times(cj_capture *pair, cj_error *err)
{
    const cj_capture_info *a = &pair->parts[0]->info, *b = &pair->parts[1]->info;
    double shift = 0;
    cj_status status = find_shift(pair, &shift, err);
    if (status != CJ_OK)
        return status;
    pair->skip[0] = shift > 0 ? (size_t)shift : 0;
    pair->skip[1] = shift < 0 ? (size_t)-shift : 0;
    size_t left = a->samples - pair->skip[0], right = b->samples - pair->skip[1];
    cj_capture_info *both = &pair->info;
    both->samples = left < right ? left : right;
    both->start_s = a->start_s;
    if (pair->skip[0] > 0)
        both->start_s = b->start_s;
    if (both->samples < CJ__FEWEST_SAMPLES)
        return cj_fail(err, CJ_DATA, pair->name, 0, 0,
                       "no pair: %zu samples in common; a tone needs at least %d", both->samples,
                       CJ__FEWEST_SAMPLES);
    if (shift != 0)
        status = cj_lines_add(&pair->notes,
                              "the second file starts %.0f samples %s the first: aligned by time",
                              fabs(shift), shift > 0 ? "after" : "before");
    if (status == CJ_OK && (both->samples < a->samples || both->samples < b->samples))
        status = cj_lines_add(&pair->notes,
                              "cut to the %zu samples in common (the files hold %zu and %zu)",
                              both->samples, a->samples, b->samples);
    return status == CJ_OK ? CJ_OK : cj_fail_memory(err);
}

/* A part that was cut has lost gaps with it. */
static cj_status recount_gaps(cj_capture *pair, int k, cj_error *err)
{
    cj_channel_info *channel = &pair->pair_channels[k];
    size_t samples = pair->info.samples;
    if (channel->gaps == 0 || samples == pair->parts[k]->info.samples)
        return CJ_OK;
    channel->gaps = 0;
    enum { BLOCK = 1024 };
    double block[BLOCK];
    for (size_t done = 0; done < samples; done += BLOCK) {
        size_t now = samples - done < BLOCK ? samples - done : BLOCK;
        cj_status status = cj_capture_read(pair->parts[k], pair->skip[k] + done, now,
                                           (double *const[2]){block, NULL}, err);
        if (status != CJ_OK)
            return status;
        for (size_t i = 0; i < now; i++)
            channel->gaps += isnan(block[i]) != 0;
    }
    return CJ_OK;
}

static cj_status join_channels(cj_capture *pair, cj_error *err)
{
    cj_capture_info *both = &pair->info;
    const cj_capture_info *a = &pair->parts[0]->info, *b = &pair->parts[1]->info;
    both->file_count = 2;
    both->kind = a->kind;
    both->bits = a->bits < b->bits ? a->bits : b->bits;
    both->envelope = a->envelope || b->envelope;
    both->channel_count = both->selected_count = 2;
    both->channels = pair->pair_channels;
    both->selected[1] = 1;
    cj_status status = CJ_OK;
    for (int k = 0; status == CJ_OK && k < 2; k++) {
        const cj_capture_info *part = &pair->parts[k]->info;
        pair->pair_channels[k] = part->channels[part->selected[0]];
        status = recount_gaps(pair, k, err);
    }
    return status;
}

cj_status cj__pair_open(cj_capture *pair, const char *names[2], const cj_capture_options *options,
                        cj_error *err)
{
    if (strcmp(names[0], "-") == 0 && strcmp(names[1], "-") == 0)
        return cj_fail(err, CJ_USAGE, pair->name, 0, 0, "standard input cannot be read twice");
    for (int k = 0; k < 2; k++) {
        cj_capture_options own = *options;
        own.channels[0] = options->channels[k];
        own.channels[1] = 0;
        own.probe[0] = options->probe[k];
        own.probe[1] = 0;
        cj_status status = cj__single_open(names[k], &own, &pair->parts[k], err);
        if (status == CJ_OK && add_notes(&pair->notes, pair->parts[k]) != CJ_OK)
            status = cj_fail_memory(err);
        if (status != CJ_OK)
            return status;
    }
    if (pair->parts[0]->info.kind != pair->parts[1]->info.kind)
        return mismatch(pair, err, "one file is audio, the other from a scope");
    cj_status status = join_rates(pair, err);
    if (status == CJ_OK)
        status = join_times(pair, err);
    return status == CJ_OK ? join_channels(pair, err) : status;
}
