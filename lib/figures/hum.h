/* SPDX-License-Identifier: GPL-3.0-or-later */
/* hum.h - sums over the blocks of a record for the mains: lines that were added to the signal
 * (hum.c) and lines that modulate the tone (hum_sidebands.c). */
#ifndef COLDJOINT_FIGURES_HUM_H
#define COLDJOINT_FIGURES_HUM_H

#include "figures/internal.h"

#define CJ__HUM_LINES 20
#define CJ__HUM_SIDES 4   /* sidebands looked at: the tone less and plus 1..4 times the mains */
#define CJ__HUM_REAL 1e-6 /* false alarms that pass for hum */
#define CJ__HUM_NEAR 1.5  /* resolutions of a block within which two lines are one */

struct cj__sidebands {
    double weight, weighted_hz, frequency_weight;
    double square[2], u_sq[2]; /* weighted (power of the sidebands over the tone's); variance */
    double each[2][CJ__HUM_SIDES];
    bool stands_out[2];
    bool shared[2]; /* they stand out, but where the tone stands hum may be what is beside it */
    bool own[2];    /* mains lines beside the tone are sidebands: they are not counted as hum */
};

struct cj__hum_sums {
    const cj__analysis *all;
    double given; /* mains frequency asked for, 0: found */
    size_t fits;  /* stretches that could be fitted */
    double weight, weighted_hz, weighted_hz2, frequency_weight;
    double square[2], u_sq[2]; /* weighted mean square of the lines; variance of it */
    bool stands_out[2];
    struct cj__sidebands side;
    /* long records: means of `by` samples of the residuals, of up to 16 s, fitted at once */
    size_t by, room, filled, next;
    double *slow[2];
    double tone; /* of the last block, cycles a sample; 0: none */
};

/* One fit of the mains series to n residuals at rate; *hum stays NULL where it makes no sense.
 * tone: cycles a sample, 0: none; harmonics: lines looked for. */
struct cj__mains_task {
    const double *const *x;
    int channels;
    size_t n;
    double rate, tone;
    int harmonics;
};
cj_status cj__fit_mains(const cj__hum_sums *sums, cj_spectra *spectra,
                        const struct cj__mains_task *task, cj_tone_fit **hum, double *false_alarm,
                        cj_error *err);

/* What a mean over `by` samples keeps of a line, f in cycles a mean. */
double cj__kept_by_means(double f, size_t by);
void cj__means_of(const double *x, size_t count, size_t by, double *out);

/* True where mains line k is one with the tone or a harmonic; f and tone in cycles a sample, n the
 * samples of a fit. */
bool cj__at_tone(double tone, double f, size_t n);

/* Adds what modulates the tone of a block at the mains rate. hum: the mains lines of the block,
 * real or not; NULL where there are none. */
cj_status cj__sidebands_add(cj__hum_sums *sums, cj_spectra *spectra, const double *const left[2],
                            const cj_tone_fit *tone, const cj_tone_fit *hum, cj_error *err);
void cj__sidebands_finish(const cj__hum_sums *sums, int channel, cj__noise *noise);
/* Multiple of the mains the tone stands on, within CJ__HUM_NEAR resolutions of n samples; 0: none.
 */
double cj__tone_on_mains(double tone, double mains, size_t n);

#endif
