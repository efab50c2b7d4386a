/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Mains hum: a harmonic series of 50 or 60 Hz, fitted like any tone (signal.h) to what the measured
 * tone leaves. One mains frequency for both channels; lines within a resolution of the tone's own
 * harmonics are not counted, since nothing tells them apart.
 */
#include "figures/internal.h"

#include <math.h>

#define LINES 20
#define REAL 1e-6 /* false alarms that pass for hum */

struct cj__hum_sums {
    const cj__analysis *all;
    double given; /* mains frequency asked for, 0: found */
    size_t fits;  /* blocks that could be fitted */
    double weight, weighted_hz, frequency_weight;
    double square[2], u_sq[2]; /* weighted mean square of the lines; variance of it */
    bool stands_out[2];
};

cj__hum_sums *cj__hum_new(const cj__analysis *all, double mains_hz)
{
    cj__hum_sums *sums = cj_new(1, sizeof *sums);
    if (sums) {
        sums->all = all;
        sums->given = mains_hz;
    }
    return sums;
}

void cj__hum_free(cj__hum_sums *sums)
{
    cj_free(sums);
}

static bool near_tone(const cj_tone_fit *tone, double frequency, size_t n)
{
    if (tone == NULL)
        return false;
    double order = nearbyint(frequency / tone->frequency);
    return order >= 1 && fabs(frequency - order * tone->frequency) * (double)n < 1;
}

static void add_channel(cj__hum_sums *sums, int c, const cj_tone_fit *hum, const cj_tone_fit *tone,
                        double weight, bool real)
{
    const cj_tone_channel *channel = &hum->channel[c];
    double square = 0, variance = 0;
    for (int k = 1; k <= hum->harmonics; k++) {
        if (near_tone(tone, k * hum->frequency, hum->samples))
            continue;
        cj_complex a = channel->line[k - 1];
        double power = a.re * a.re + a.im * a.im, u = channel->line_u[k - 1];
        square += power / 2 - u * u;
        variance += power * u * u + u * u * u * u;
        /* five standard uncertainties: one false alarm in 3e5 lines of white noise */
        if (real && power > 25 * u * u && u > 0)
            sums->stands_out[c] = true;
    }
    sums->square[c] += weight * square;
    sums->u_sq[c] += weight * weight * variance;
}

/* One fit of the mains series to the residuals of a block; *hum stays NULL where it makes no sense.
 */
static cj_status fit_mains(const cj__hum_sums *sums, cj_spectra *spectra,
                           const double *const left[2], size_t n, const cj_tone_fit *tone,
                           cj_tone_fit **hum, double *false_alarm, cj_error *err)
{
    double rate = sums->all->about->rate_hz, given = sums->given, both[2] = {50 / rate, 60 / rate};
    if (!(rate > 0) || 50 / rate * (double)n < 2 || 60 / rate > 0.2)
        return CJ_OK;
    double asked = given / rate;
    cj_mains_options options = {.nominal = given > 0 ? &asked : both,
                                .nominals = given > 0 ? 1 : 2,
                                .harmonics = LINES,
                                .tone = tone ? tone->frequency : 0};
    cj_status status =
        cj_mains_fit(spectra, left, sums->all->channels, n, &options, hum, false_alarm, err);
    return status == CJ_DATA ? CJ_OK : status; /* nothing there to fit */
}

cj_status cj__hum_add(cj__hum_sums *sums, cj_spectra *spectra, const double *const left[2],
                      size_t n, const cj_tone_fit *tone, cj_error *err)
{
    cj_tone_fit *hum = NULL;
    double false_alarm = 1, rate = sums->all->about->rate_hz;
    cj_status status = fit_mains(sums, spectra, left, n, tone, &hum, &false_alarm, err);
    if (status != CJ_OK || hum == NULL)
        return status;
    double weight = (double)n, hz = hum->frequency * rate;
    for (int c = 0; c < sums->all->channels; c++)
        add_channel(sums, c, hum, tone, weight, false_alarm < REAL);
    sums->fits++;
    sums->weight += weight;
    /* under three periods the frequency is held at its nominal value: half a bin of doubt */
    double u = hum->frequency_u > 0 ? hum->frequency_u * rate : rate / (double)n / 2;
    double trust = 1 / fmax(u * u, 1e-12);
    sums->weighted_hz += trust * hz;
    sums->frequency_weight += trust;
    cj_tone_fit_free(hum);
    return CJ_OK;
}

cj_status cj__hum_take_out(const cj__hum_sums *sums, cj_spectra *spectra, const double *const x[2],
                           double *const left[2], size_t n, const cj_tone_fit *tone, bool *found,
                           cj_error *err)
{
    cj_tone_fit *hum = NULL;
    double false_alarm = 1;
    const double *const residual[2] = {left[0], left[1]};
    cj_status status = fit_mains(sums, spectra, residual, n, tone, &hum, &false_alarm, err);
    *found = status == CJ_OK && hum != NULL && false_alarm < REAL;
    for (int c = 0; *found && c < sums->all->channels; c++) {
        cj_tone_channel *channel = &hum->channel[c];
        for (int k = 0; k < hum->harmonics; k++)
            if (near_tone(tone, (k + 1) * hum->frequency, n))
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
    noise->hum_possible = sums->fits > 0;
    if (!noise->hum_possible)
        return;
    noise->hum_square = fmax(0, sums->square[c] / sums->weight);
    double square_u = sqrt(sums->u_sq[c]) / sums->weight;
    noise->hum_u =
        noise->hum_square > square_u ? square_u / (2 * sqrt(noise->hum_square)) : sqrt(square_u);
    noise->hum_hz = sums->weighted_hz / sums->frequency_weight;
    noise->hum_hz_u = 1 / sqrt(sums->frequency_weight);
    noise->hum_seen = sums->stands_out[c] && fabs(noise->hum_hz / 55 - 1) < 0.12;
}
