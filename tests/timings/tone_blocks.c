/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * tone_blocks.c - what a stream costs a frame: consecutive stereo blocks of 131072 samples, fitted
 * with ten harmonics from the last block's frequency, the model subtracted, and both residuals
 * transformed.
 */
#include "coldjoint/signal.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#define BLOCK 131072
#define ROUNDS 40

static double now(void)
{
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return (double)at.tv_sec + 1e-9 * (double)at.tv_nsec;
}

int main(void)
{
    double *x[2], *left[2], best[3] = {INFINITY, INFINITY, INFINITY};
    cj_complex *spectrum[2];
    unsigned int dice = 1;
    for (int c = 0; c < 2; c++) {
        x[c] = calloc(BLOCK, sizeof(double));
        left[c] = calloc(BLOCK, sizeof(double));
        spectrum[c] = calloc(BLOCK / 2 + 1, sizeof(cj_complex));
        for (size_t i = 0; i < BLOCK; i++) {
            dice = dice * 1664525u + 1013904223u;
            x[c][i] = 0.5 * cos(0.065 * (double)i + c) + 1e-3 * cos(0.195 * (double)i) +
                      1e-5 * (dice / 4294967296.0 - 0.5);
        }
    }
    cj_spectra *spectra = cj_spectra_new();
    const double *in[2] = {x[0], x[1]};
    cj_tone_options options = {.start = 0.065 / 6.283185307179586, .harmonics = 10, .close = true};
    for (int round = 0; round < ROUNDS; round++) {
        cj_tone_fit *fit = NULL;
        double t0 = now();
        if (cj_tone_fit_make(spectra, in, 2, BLOCK, &options, &fit, NULL) != CJ_OK)
            return 1;
        double t1 = now();
        for (int c = 0; c < 2; c++)
            cj_tone_subtract(fit, c, x[c], BLOCK, 1, 10, left[c]);
        double t2 = now();
        if (cj_spectrum_two(spectra, left[0], left[1], BLOCK, spectrum[0], spectrum[1], NULL) !=
            CJ_OK)
            return 1;
        double t3 = now();
        best[0] = fmin(best[0], t1 - t0);
        best[1] = fmin(best[1], t2 - t1);
        best[2] = fmin(best[2], t3 - t2);
        cj_tone_fit_free(fit);
    }
    double scale = 1e9 / BLOCK;
    printf("nanoseconds a stereo frame: fit %.2f, subtraction %.2f, spectra %.2f (fit and "
           "subtraction %.2f, "
           "12 wanted)\n",
           best[0] * scale, best[1] * scale, best[2] * scale, (best[0] + best[1]) * scale);
    for (int c = 0; c < 2; c++) {
        free(x[c]);
        free(left[c]);
        free(spectrum[c]);
    }
    cj_spectra_free(spectra);
    return (best[0] + best[1]) * scale > 12.0;
}
