/* SPDX-License-Identifier: GPL-3.0-or-later */
/* noise_source.h - seeded noise: the same seed gives the same samples everywhere. */
#ifndef CJ_SIGNAL_NOISE_SOURCE_H
#define CJ_SIGNAL_NOISE_SOURCE_H

#include <stdbool.h>
#include <stdint.h>

typedef struct cj__dice {
    uint64_t state;
    double spare; /* the second of a pair of Gaussian values */
    bool kept;
} cj__dice;

double cj__dice_gaussian(cj__dice *dice);

/*
 * Pink: white Gaussian noise through poles an octave apart from one cycle a sample down to below 2
 * Hz, a zero half an octave above each (matched, exp(-2 pi q)), and a symmetric FIR of 11 taps that
 * takes the droop of this out near Nyquist. The taps were fitted by least squares in dB to 1/f up
 * to 0.455 of the rate. Power times f stays within 0.05 dB of its mean from 20 Hz to 0.45 of the
 * rate (tests/signal).
 */
enum { CJ__PINK_MOST = 32, CJ__PINK_TAPS = 11 };

typedef struct cj__pink {
    int sections;
    double pole[CJ__PINK_MOST], zero[CJ__PINK_MOST];
    double last[CJ__PINK_MOST]; /* output of section i at the sample before; its input is the output
                                   of i-1 */
    double before;              /* input at the sample before */
    double recent[CJ__PINK_TAPS];
    double gain; /* to RMS 1 for white noise of RMS 1 */
    cj__dice dice;
} cj__pink;

cj__pink cj__pink_new(double rate_hz, uint64_t seed); /* settled */
double cj__pink_next(cj__pink *pink);
/* Power gain at a frequency in cycles a sample, without `gain`. */
double cj__pink_power(const cj__pink *pink, double f);

#endif
