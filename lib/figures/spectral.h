/* SPDX-License-Identifier: GPL-3.0-or-later */
/* spectral.h - the summed spectrum of a channel's residual, shared by noise.c (sums, band, stray
 * lines) and noise_weighted.c (A-weighting, density). */
#ifndef COLDJOINT_FIGURES_SPECTRAL_H
#define COLDJOINT_FIGURES_SPECTRAL_H

#include "figures/internal.h"

struct cj__spectral {
    size_t n; /* block length of the summed spectrum */
    size_t blocks;
    double *power; /* [n/2+1] Hann power (signal.h) of the blocks, summed */
    double band_square, band_bins, weight;
    double seen_square,
        seen;               /* sum of squares and samples of the blocks whose spectrum was taken */
    double all_square, all; /* and of all blocks */
};

/* Whose lines a bin may belong to. */
struct cj__owners {
    const cj__analysis *all;
    const cj__noise *noise;
    double n;
    double tone, mains, side; /* bins; 0: none; side: of the mains that modulates the tone */
    double beside;            /* bins that go with a line: a drifting tone smears in the blocks */
};

struct cj__owners cj__owners_of(const cj__spectral *spectral, const cj__analysis *all,
                                const cj__noise *noise);
bool cj__of_tone(const struct cj__owners *of, double bin);  /* or one of its harmonics */
bool cj__of_mains(const struct cj__owners *of, double bin); /* a multiple of the mains */

/* A-weighted power and density from the sums; needs n >= 256. */
void cj__weigh_spectrum(const cj__spectral *spectral, const struct cj__owners *owners,
                        const double band[2], cj__noise *noise);

#endif
