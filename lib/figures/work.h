/* SPDX-License-Identifier: GPL-3.0-or-later */
/* work.h - what the pass over a record carries, shared by analyse.c (the pass) and presence.c (is
 * it a tone?). */
#ifndef COLDJOINT_FIGURES_WORK_H
#define COLDJOINT_FIGURES_WORK_H

#include "figures/internal.h"

struct cj__work {
    cj_capture *capture;
    const cj_measure_options *options;
    cj__analysis *all;
    cj_spectra *spectra;
    double *x[2], *left[2]; /* one block: samples, and what the model leaves of them */
    cj_complex *bins[2];    /* and the spectra of those */
    double *colour[2],
        more[2]; /* noise at the harmonics over the mean noise, the last time it was looked at */
    double low[2], high[2]; /* extremes of the block */
    size_t room;            /* samples a block may hold */
    size_t block;           /* samples of an ordinary block */
    size_t start;           /* of the present block, from all->first */
    cj__spectral *spectral[2];
    cj__hum_sums *hum;
    cj_quasi_peak *meter; /* NULL where the record is none for it */
    double *weigh[2];     /* what the meter sees of one block */
    double meter_dc[2];   /* level taken for DC in the first block */
    size_t meter_next;    /* sample the meter is to go on at */
    bool metered;
    cj_tone_fit *reference; /* of the block that was asked for the tone */
    cj__tone_sums *sums;
    double band[2]; /* cycles a sample */
    size_t used;    /* samples of blocks that hold the tone */
    size_t missing_since_tone;
    bool keep_ends; /* nothing is to be left out at the ends */
};

/* Samples start.. of the part of the record that is looked at, into x. */
cj_status cj__read_block(struct cj__work *w, size_t start, size_t count, cj_error *err);

/* Fits the n samples in x; *fit stays NULL where they determine no tone: that is an answer, not an
 * error. */
cj_status cj__fit_block(struct cj__work *w, size_t n, const cj_tone_options *options,
                        cj_tone_fit **fit, cj_error *err);

/* |line|^2 of harmonic k + 1. */
double cj__line_square(const cj_tone_channel *channel, int k);

/* Blocks a record of the analysis is cut into. */
size_t cj__block_count(const struct cj__work *w);

/* Leaves quiet ends out, fits the record (or one block of it) and decides whether it is a tone. */
cj_status cj__find_tone(struct cj__work *w, cj_error *err);

/* The quasi-peak meter along the record (noise_weighted.c). start: of a block, as cj__read_block
 * counts; left holds the block's residuals. */
cj_status cj__meter_start(struct cj__work *w, cj_error *err);
void cj__meter_stop(struct cj__work *w);
void cj__meter_add(struct cj__work *w, size_t start, size_t n, const cj_tone_fit *fit);
void cj__meter_finish(const struct cj__work *w, int channel, cj__noise *noise);

#endif
