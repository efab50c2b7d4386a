/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Mains hum: a harmonic series of 50 or 60 Hz, fitted like any tone (signal.h) to what the measured
 * tone leaves. One mains frequency for both channels; lines within a resolution of the tone's own
 * harmonics are not counted, since nothing tells them apart.
 */
#include "figures/internal.h"

#include <math.h>

#define LINES 20
#define SEARCHED 3 /* the mains frequency is looked for at its first three multiples */

struct cj__hum_sums {
    const cj__analysis *all;
    double given; /* mains frequency asked for, 0: found */
    size_t fits;  /* blocks that could be fitted */
    double weight, weighted_hz, hz_u_sq, frequency_weight;
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

/* The strongest bin within 1 % of a multiple of the mains frequency: its power, and the frequency
 * (of the first multiple, in cycles a sample) it stands for. */
static double strongest_near(const cj_complex *bins, size_t n, double mains, double *frequency)
{
    double best = 0;
    for (int m = 1; m <= SEARCHED; m++) {
        double from = fmax(1, floor(0.99 * m * mains * (double)n));
        double to = fmin(ceil(1.01 * m * mains * (double)n), (double)(n / 2));
        for (double k = from; k <= to; k++) {
            cj_complex bin = bins[(size_t)k];
            double power = bin.re * bin.re + bin.im * bin.im;
            if (power <= best)
                continue;
            best = power;
            *frequency = fmin(fmax(k / m / (double)n, 0.99 * mains), 1.01 * mains);
        }
    }
    return best;
}

/* Where to start: the better of 50 and 60 Hz over both channels, unless it is given. */
static cj_status find_start(const cj__hum_sums *sums, cj_spectra *spectra,
                            const double *const left[2], size_t n, double *start, cj_error *err)
{
    const double rate = sums->all->about->rate_hz, mains[2] = {50 / rate, 60 / rate};
    double best = 0;
    cj_complex *bins = cj_new(n / 2 + 1, sizeof *bins);
    if (bins == NULL)
        return cj_fail_memory(err);
    cj_status status = CJ_OK;
    for (int c = 0; c < sums->all->channels && status == CJ_OK; c++) {
        status = cj_spectrum(spectra, left[c], n, bins, err);
        for (int i = 0; i < 2 && status == CJ_OK; i++) {
            double frequency = 0, power;
            if (sums->given > 0 && fabs(sums->given - mains[i] * rate) > 1)
                continue;
            power = strongest_near(bins, n, mains[i], &frequency);
            if (power > best) {
                best = power;
                *start = frequency;
            }
        }
    }
    cj_free(bins);
    return status;
}

static bool near_tone(const cj_tone_fit *tone, double frequency, size_t n)
{
    if (tone == NULL)
        return false;
    double order = nearbyint(frequency / tone->frequency);
    return order >= 1 && fabs(frequency - order * tone->frequency) * (double)n < 1;
}

static void add_channel(cj__hum_sums *sums, int c, const cj_tone_fit *hum, const cj_tone_fit *tone,
                        double weight)
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
        if (power > 25 * u * u && u > 0)
            sums->stands_out[c] = true;
    }
    sums->square[c] += weight * square;
    sums->u_sq[c] += weight * weight * variance;
}

cj_status cj__hum_add(cj__hum_sums *sums, cj_spectra *spectra, const double *const left[2],
                      size_t n, const cj_tone_fit *tone, cj_error *err)
{
    double rate = sums->all->about->rate_hz, start = 0;
    if (!(rate > 0) || 50 / rate * (double)n < 2 || 60 / rate > 0.2)
        return CJ_OK;
    cj_status status = find_start(sums, spectra, left, n, &start, err);
    if (status != CJ_OK || !(start > 0))
        return status;
    int lines = (int)fmin(LINES, floor(0.49 / start));
    cj_tone_options options = {.start = start, .harmonics = lines};
    cj_tone_fit *hum = NULL;
    status = cj_tone_fit_make(spectra, left, sums->all->channels, n, &options, &hum, err);
    if (status != CJ_OK)
        return status == CJ_DATA ? CJ_OK : status; /* nothing there to fit */
    double weight = (double)n, hz = hum->frequency * rate, hz_u = hum->frequency_u * rate;
    for (int c = 0; c < sums->all->channels; c++)
        add_channel(sums, c, hum, tone, weight);
    sums->fits++;
    sums->weight += weight;
    double trust = 1 / fmax(hz_u * hz_u, 1e-12);
    sums->weighted_hz += trust * hz;
    sums->frequency_weight += trust;
    cj_tone_fit_free(hum);
    return CJ_OK;
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
