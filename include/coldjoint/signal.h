/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * signal.h - numeric kernels without a notion of a bench.
 *
 * Conventions, once: samples are x[n], n = 0..N-1; frequencies are in cycles a sample (multiply by the
 * rate for hertz); a line of frequency f is Re( a exp(j 2 pi f (n - c)) ) with c = (N-1)/2, so |a| is its
 * peak value and arg a its phase at the centre of the record. NaN samples are gaps: they carry no weight.
 */
#ifndef COLDJOINT_SIGNAL_H
#define COLDJOINT_SIGNAL_H

#include "coldjoint/base.h"

#ifdef __cplusplus
extern "C" {
#endif

/* A complex number that C and C++ lay out alike. */
typedef struct cj_complex {
    double re, im;
} cj_complex;

/* ---- spectra ---- */

/* Keeps FFTW plans, made once per size, and scratch memory. Not for two threads at once. */
typedef struct cj_spectra cj_spectra;

CJ_API cj_spectra *cj_spectra_new(void); /* NULL: out of memory */
CJ_API void cj_spectra_free(cj_spectra *spectra);

/* X[k] = sum x[n] exp(-j 2 pi k n / N), k = 0..N/2 (N/2+1 values into out). x is not changed. */
CJ_API CJ_MUST_CHECK cj_status cj_spectrum(cj_spectra *spectra, const double *x, size_t n,
                                           cj_complex *out, cj_error *err);

/* ---- the tone fit: maximum likelihood, one frequency shared by all channels ---- */

#define CJ_TONE_CHANNELS 2

typedef struct cj_tone_options {
    double start;     /* frequency to start from; 0: the strongest line of the spectra */
    bool fixed;       /* keep the frequency exactly at start: linear fit only */
    int harmonics;    /* model harmonics 1..this; 0: decided as written above cj_tone_fit_make */
    bool close;       /* start is right to some parts per million (the next block of a stream): with
                         harmonics given, long blocks (a multiple of 1024 from 65536 samples up,
                         without gaps) are fitted in one pass; elsewhere no effect */
} cj_tone_options;

/* Covariance of a line's real and imaginary part. */
typedef struct cj_tone_noise {
    double re_re, re_im, im_im;
} cj_tone_noise;

typedef struct cj_tone_channel {
    double dc, dc_u;       /* mean of the model (DC term), and its standard uncertainty */
    cj_complex *line;      /* [harmonics] complex amplitude of harmonic k at [k-1], at the record's centre */
    double *line_u;        /* [harmonics] standard uncertainty of the real and of the imaginary part
                              (root mean of both variances), the frequency's share included */
    double *peak_u;        /* [harmonics] standard uncertainty of |line|, the frequency's share included */
    double *phase_u;       /* [harmonics] of arg line, radians; at most pi/sqrt(3), the whole circle */
    cj_complex *slope;     /* [harmonics] d line / d frequency along the fit: how an error of the frequency,
                              common to the channels, moves the line */
    cj_tone_noise *own;    /* [harmonics] covariance from the channel's own noise, frequency held */
    double residual;       /* variance of what the model leaves, divided by degrees of freedom */
    size_t valid;          /* samples that are no gaps */
} cj_tone_channel;

typedef struct cj_tone_fit {
    double frequency, frequency_u; /* cycles a sample; u 0 where it was fixed */
    int harmonics;
    int channels;
    size_t samples;
    bool converged;
    cj_tone_channel channel[CJ_TONE_CHANNELS];
} cj_tone_fit;

/* x[c] are the channels, n samples each. */
CJ_API CJ_MUST_CHECK cj_status cj_tone_fit_make(cj_spectra *spectra, const double *const x[], int channels,
                                                size_t n, const cj_tone_options *options,
                                                cj_tone_fit **out, cj_error *err);
CJ_API void cj_tone_fit_free(cj_tone_fit *fit);

/* out[n] = x[n] minus the model's DC and its harmonics first..last (first > last: DC only). A gap gives 0.
 * out may be x. */
CJ_API void cj_tone_subtract(const cj_tone_fit *fit, int channel, const double *x, size_t n, int first,
                             int last, double *out);

#ifdef __cplusplus
}
#endif
#endif
