/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Mains hum: a harmonic series of 50 or 60 Hz, fitted like any tone (signal.h) to what the measured
 * tone leaves. One mains frequency for both channels; lines within a resolution of the tone's own
 * harmonics are not counted, since nothing tells them apart. A record of one block is fitted as it
 * stands; of a longer one, means of some samples, 16 s at a time.
 */
#include "figures/hum.h"

#include <math.h>
#include <string.h>

#define SLOW_HZ 2500.0 /* at least; 20 lines of 60 Hz lie below half of it */
#define STRETCH_S 16.0 /* fitted at once: the mains keeps its frequency that long */

static size_t samples_to_a_mean(double rate)
{
    size_t by = 1;
    while (by < CJ__BLOCK && rate / (double)(2 * by) >= SLOW_HZ)
        by *= 2;
    return by;
}

cj__hum_sums *cj__hum_new(const cj__analysis *all, double mains_hz)
{
    cj__hum_sums *sums = cj_new(1, sizeof *sums);
    double rate = all->about->rate_hz;
    if (sums == NULL)
        return NULL;
    sums->all = all;
    sums->given = mains_hz;
    if (!(rate > 0) || all->samples <= CJ__WHOLE)
        return sums;
    sums->by = samples_to_a_mean(rate);
    sums->room = (size_t)(STRETCH_S * rate / (double)sums->by) + 2 * CJ__BLOCK / sums->by;
    for (int c = 0; c < all->channels; c++)
        if ((sums->slow[c] = cj_new(sums->room, sizeof(double))) == NULL) {
            cj__hum_free(sums);
            return NULL;
        }
    return sums;
}

void cj__hum_free(cj__hum_sums *sums)
{
    for (int c = 0; sums && c < 2; c++)
        cj_free(sums->slow[c]);
    cj_free(sums);
}

/* ---- one fit ---- */

bool cj__at_tone(double tone, double f, size_t n)
{
    if (!(tone > 0))
        return false;
    double order = nearbyint(f / tone);
    return order >= 1 && fabs(f - order * tone) * (double)n < 1;
}

cj_status cj__fit_mains(const cj__hum_sums *sums, cj_spectra *spectra,
                        const struct cj__mains_task *task, cj_tone_fit **hum, double *false_alarm,
                        cj_error *err)
{
    double rate = task->rate, given = sums->given, both[2] = {50 / rate, 60 / rate};
    *hum = NULL;
    *false_alarm = 1;
    if (!(rate > 0) || 50 / rate * (double)task->n < 2 || 60 / rate > 0.2)
        return CJ_OK;
    double asked = given / rate;
    cj_mains_options options = {.nominal = given > 0 ? &asked : both,
                                .nominals = given > 0 ? 1 : 2,
                                .harmonics = task->harmonics,
                                .tone = task->tone};
    cj_status status =
        cj_mains_fit(spectra, task->x, task->channels, task->n, &options, hum, false_alarm, err);
    return status == CJ_DATA ? CJ_OK : status; /* nothing there to fit */
}

/* What a stretch adds: a fit to its samples, or to their means. */
struct stretch {
    const cj_tone_fit *hum;
    double rate;     /* of what was fitted */
    size_t by;       /* samples to each of that; 1: the samples themselves */
    double tone;     /* cycles of the same */
    size_t resolved; /* length over which the tone was fitted, in the same */
    bool real;
};

static void add_channel(cj__hum_sums *sums, int c, const struct stretch *of)
{
    const cj_tone_channel *channel = &of->hum->channel[c];
    double square = 0, variance = 0, weight = (double)(of->hum->samples * of->by);
    double on = cj__tone_on_mains(of->tone, of->hum->frequency, of->resolved);
    for (int k = 1; k <= of->hum->harmonics; k++) {
        double f = k * of->hum->frequency, kept = cj__kept_by_means(f, of->by);
        if (cj__at_tone(of->tone, f, of->resolved))
            continue;
        if (sums->side.own[c] && on > 0 && fabs(k - on) <= CJ__HUM_SIDES)
            continue;
        cj_complex a = channel->line[k - 1];
        double power = (a.re * a.re + a.im * a.im) / (kept * kept);
        double u = channel->line_u[k - 1] / kept;
        square += power / 2 - u * u;
        variance += power * u * u + u * u * u * u;
        /* five standard uncertainties: one false alarm in 3e5 lines of white noise */
        if (of->real && power > 25 * u * u && u > 0)
            sums->stands_out[c] = true;
    }
    sums->square[c] += weight * square;
    sums->u_sq[c] += weight * weight * variance;
}

static void add_fit(cj__hum_sums *sums, const struct stretch *of)
{
    double hz = of->hum->frequency * of->rate, n = (double)of->hum->samples;
    for (int c = 0; c < sums->all->channels; c++)
        add_channel(sums, c, of);
    sums->fits++;
    sums->weight += n * (double)of->by;
    /* under three periods the frequency is held at its nominal value: half a bin of doubt */
    double u = of->hum->frequency_u > 0 ? of->hum->frequency_u * of->rate : of->rate / n / 2;
    double trust = 1 / fmax(u * u, 1e-18);
    sums->weighted_hz += trust * hz;
    sums->weighted_hz2 += trust * hz * hz;
    sums->frequency_weight += trust;
}

/* ---- long records ---- */

double cj__kept_by_means(double f, size_t by)
{
    double angle = M_PI * f, part = angle / (double)by;
    return by > 1 && angle > 0 ? sin(angle) / ((double)by * sin(part)) : 1;
}

void cj__means_of(const double *x, size_t count, size_t by, double *out)
{
    for (size_t i = 0; i < count; i++) {
        double lane[4] = {0};
        size_t k = 0;
        for (; k + 4 <= by; k += 4)
            for (size_t l = 0; l < 4; l++)
                lane[l] += x[i * by + k + l];
        for (; k < by; k++)
            lane[0] += x[i * by + k];
        out[i] = (lane[0] + lane[1] + lane[2] + lane[3]) / (double)by;
    }
}

cj_status cj__hum_flush(cj__hum_sums *sums, cj_spectra *spectra, cj_error *err)
{
    if (sums->filled == 0)
        return CJ_OK;
    double by = (double)sums->by, rate = sums->all->about->rate_hz / by, false_alarm = 1;
    const double *const x[2] = {sums->slow[0], sums->slow[1]};
    const struct cj__mains_task task = {.x = x,
                                        .channels = sums->all->channels,
                                        .n = sums->filled,
                                        .rate = rate,
                                        .tone = sums->tone * by,
                                        .harmonics = CJ__HUM_LINES};
    cj_tone_fit *hum = NULL;
    cj_status status = cj__fit_mains(sums, spectra, &task, &hum, &false_alarm, err);
    sums->filled = 0;
    if (status == CJ_OK && hum)
        add_fit(sums, &(struct stretch){.hum = hum,
                                        .rate = rate,
                                        .by = sums->by,
                                        .tone = sums->tone * by,
                                        .resolved = CJ__BLOCK / sums->by,
                                        .real = false_alarm < CJ__HUM_REAL});
    cj_tone_fit_free(hum);
    return status;
}

static cj_status add_means(cj__hum_sums *sums, cj_spectra *spectra, const double *const left[2],
                           const struct cj__hum_block *block, cj_error *err)
{
    size_t count = block->n / sums->by;
    cj_status status = CJ_OK;
    if (sums->next != block->start || sums->filled + count > sums->room)
        status = cj__hum_flush(sums, spectra, err);
    for (int c = 0; c < sums->all->channels; c++)
        cj__means_of(left[c], count, sums->by, sums->slow[c] + sums->filled);
    sums->filled += count;
    sums->next = block->start + block->n;
    sums->tone = block->tone ? block->tone->frequency : 0;
    return status;
}

/* ---- blocks ---- */

cj_status cj__hum_add(cj__hum_sums *sums, cj_spectra *spectra, const double *const left[2],
                      const struct cj__hum_block *block, cj_error *err)
{
    bool whole = sums->by == 0;
    const cj_tone_fit *tone = block->tone;
    cj_tone_fit *hum = NULL;
    double false_alarm = 1;
    cj_status status = CJ_OK;
    const struct cj__mains_task task = {.x = left,
                                        .channels = sums->all->channels,
                                        .n = block->n,
                                        .rate = sums->all->about->rate_hz,
                                        .tone = tone ? tone->frequency : 0,
                                        .harmonics = CJ__HUM_LINES};
    if (whole || (block->look && tone))
        status = cj__fit_mains(sums, spectra, &task, &hum, &false_alarm, err);
    bool real = false_alarm < CJ__HUM_REAL;
    if (status == CJ_OK && tone && block->look)
        status = cj__sidebands_add(sums, spectra, left, tone, real ? hum : NULL, err);
    if (status == CJ_OK && whole && hum)
        add_fit(sums, &(struct stretch){hum, task.rate, 1, task.tone, block->n, real});
    cj_tone_fit_free(hum);
    return status == CJ_OK && !whole ? add_means(sums, spectra, left, block, err) : status;
}

cj_status cj__hum_take_out(const cj__hum_sums *sums, cj_spectra *spectra, const double *const x[2],
                           double *const left[2], size_t n, const cj_tone_fit *tone, bool *found,
                           cj_error *err)
{
    cj_tone_fit *hum = NULL;
    double false_alarm = 1;
    const double *const residual[2] = {left[0], left[1]};
    const struct cj__mains_task task = {.x = residual,
                                        .channels = sums->all->channels,
                                        .n = n,
                                        .rate = sums->all->about->rate_hz,
                                        .tone = tone ? tone->frequency : 0,
                                        .harmonics = CJ__HUM_LINES};
    cj_status status = cj__fit_mains(sums, spectra, &task, &hum, &false_alarm, err);
    *found = status == CJ_OK && hum != NULL && false_alarm < CJ__HUM_REAL;
    for (int c = 0; *found && c < sums->all->channels; c++) {
        cj_tone_channel *channel = &hum->channel[c];
        for (int k = 0; k < hum->harmonics; k++)
            if (cj__at_tone(task.tone, (k + 1) * hum->frequency, n))
                channel->line[k] = (cj_complex){0, 0}; /* that one belongs to the tone */
        channel->dc = 0;
        cj_tone_subtract(hum, c, x[c], n, 1, hum->harmonics, left[c]);
        for (size_t i = 0; i < n; i++)
            if (isnan(x[c][i]))
                left[c][i] = NAN; /* a gap stays one */
    }
    cj_tone_fit_free(hum);
    return status;
}

void cj__hum_finish(const cj__hum_sums *sums, int c, cj__noise *noise)
{
    cj__sidebands_finish(sums, c, noise);
    noise->hum_possible = sums->fits > 0;
    if (!noise->hum_possible)
        return;
    noise->hum_square = fmax(0, sums->square[c] / sums->weight);
    double square_u = sqrt(sums->u_sq[c]) / sums->weight;
    noise->hum_u =
        noise->hum_square > square_u ? square_u / (2 * sqrt(noise->hum_square)) : sqrt(square_u);
    double weight = sums->frequency_weight, fits = (double)sums->fits;
    noise->hum_hz = sums->weighted_hz / weight;
    noise->hum_hz_u = 1 / sqrt(weight);
    /* the mains wanders: where stretches differ by more than they should, so far is the mean unsure
     */
    double spread = sums->weighted_hz2 / weight - noise->hum_hz * noise->hum_hz;
    if (sums->fits > 2 && spread > 0)
        noise->hum_hz_u = fmax(noise->hum_hz_u, sqrt(spread / (fits - 1)));
    noise->hum_seen = sums->stands_out[c] && fabs(noise->hum_hz / 55 - 1) < 0.12;
}
