/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * sweep.h - kernels of the frequency response: thinning, the track of a sweep, the local fit of a
 * transfer function to two spectra, orders of a gliding tone.
 *
 * Response and delay: Y(f) = H(f) X(f), both spectra of the same window of time.
 */
#ifndef COLDJOINT_SIGNAL_SWEEP_H
#define COLDJOINT_SIGNAL_SWEEP_H

#include "coldjoint/signal.h"

/* ---- half the rate ---- */

#define CJ__HALF_TAPS 31

/* Half-band low-pass: flat to 1e-4 up to 0.16 of the rate, 80 dB down from 0.34 of it on. */
void cj__half_filter(double taps[CJ__HALF_TAPS]);
/* Input samples that give n output samples after `levels` halvings: output 0 stands at input
 * cj__halve_lead(levels). */
size_t cj__halve_input(size_t n, int levels);
size_t cj__halve_lead(int levels);
/* out[m] = sum taps[k] in[2m + k], for m below (n - taps) / 2 + 1, which is returned. out may be
 * in. */
size_t cj__halve(const double taps[CJ__HALF_TAPS], const double *in, size_t n, double *out);

/* ---- the track of a sweep ---- */

/* The strongest line of one short window. */
typedef struct cj__glimpse {
    double time_s, hz, ln_hz;
    double blur;  /* relative uncertainty of hz: a bin */
    double share; /* of the window's AC power within the line */
    double rms;
} cj__glimpse;

/* x is changed. The window's middle is at the middle of x. */
cj_status cj__glimpse_take(cj_spectra *spectra, double *x, size_t n, double rate_hz,
                           cj__glimpse *out, cj_error *err);

/* hz(t) = 1000 exp((t - at_1k_s) / scale_s) from first_s to last_s. */
typedef struct cj__track {
    double scale_s, at_1k_s;
    double first_s, last_s;
    double at_u; /* scatter of the glimpses about it, seconds */
} cj__track;

double cj__track_hz(const cj__track *track, double time_s);
double cj__track_time(const cj__track *track, double hz);

/*
 * True where the glimpses (in order of time) show a logarithmic sweep upward: of those that are
 * loud and hold one line, three quarters within the span lie on one straight line of ln hz over
 * time, a span of an octave or more. The line is that of most glimpses among the lines through any
 * two (Fischler and Bolles 1981, random sample consensus; here all pairs), then least squares.
 */
bool cj__track_fit(const cj__glimpse *glimpses, size_t count, cj__track *out);

/* ---- the local fit ---- */

#define CJ__CORRELATED 6

/* Spectra of one window at bins first_hz + i step_hz. */
typedef struct cj__bins {
    size_t count;
    double first_hz, step_hz;
    const cj_complex *x, *y;
    const cj_complex *line[2]; /* a steady line of each mains series (50, 60 Hz) under the same
                                  window, NULL: none */
    const cj_complex *line_slope[2];       /* and its derivative by frequency */
    cj_complex correlated[CJ__CORRELATED]; /* of white noise between bins m + 1 apart */
} cj__bins;

typedef struct cj__local {
    cj_complex value; /* H at the point */
    cj_complex slope; /* dH / d hertz */
    double variance;  /* E |noise of a bin of y|^2 */
    double leverage;  /* E |error of value|^2 = variance * leverage */
    double freedom;   /* complex degrees of freedom behind variance */
    double power;     /* mean |x|^2 under the kernel */
    double coherence; /* share of y's power that H x explains, 0..1 */
    double reach_hz;  /* of the kernel to either side */
} cj__local;

/*
 * H(f) about `centre_hz` as a complex quadratic times exp(-j 2 pi (f - centre) delay), the delay
 * from the slope of the phase between neighbouring bins; weighted least squares of y - H x under
 * the tricube kernel (Cleveland 1979, "Robust locally weighted regression"; from memory) that
 * reaches `reach_hz` to either side, or to the nearest 15 bins where those lie further; mains lines
 * within reach are fitted beside where that makes the residual smaller; residuals far out are
 * weighted down (bisquare). A local quadratic has no bias of first and second order, whatever the
 * slope. CJ_DATA: too few bins.
 */
cj_status cj__local_fit(const cj__bins *bins, double centre_hz, double reach_hz, double mains_hz,
                        cj__local *out, cj_error *err);

/* ---- orders of a gliding tone ---- */

#define CJ__ORDERS 10

typedef struct cj__glide {
    double rate_hz;
    double middle, width; /* of the window, samples */
    double hz, scale_s;   /* the tone: hz at the middle, hz exp(t / scale_s) t later */
    double mains_hz;      /* 50, 60, or 0: neither or the one that shows */
    const double *x;      /* the input that made it glide: tells the level along the window */
    int orders;           /* 1..this, at most CJ__ORDERS */
} cj__glide;

typedef struct cj__orders {
    cj_complex line[CJ__ORDERS]; /* complex amplitude of order k + 1 at the window's middle */
    double noise[CJ__ORDERS];    /* E |error|^2 of it, from the residual */
} cj__orders;

/*
 * Least squares, under a Hann window, of DC and orders 1..`orders` of the gliding tone, whose
 * frequency is first refined by the phase of x in both halves of the window. With e(t) the level
 * and phase of x relative to the middle (a polynomial of order 4), order k goes as e^k, as it does
 * without memory where it is small. Below 330 Hz mains lines 1..6 are fitted beside where that
 * lessens the residual. y, and x, have n samples. CJ_DATA: too few samples.
 */
cj_status cj__orders_fit(const double *y, size_t n, const cj__glide *glide, cj__orders *out,
                         cj_error *err);

#endif
