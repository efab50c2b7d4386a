/* SPDX-License-Identifier: GPL-3.0-or-later */
/* signal_tests.h - records with a known truth, and the groups of tests that make up the program. */
#ifndef SIGNAL_TESTS_H
#define SIGNAL_TESTS_H

#include "check.h"
#include "coldjoint/signal.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#define TWO_PI 6.283185307179586476925286766559

/* DC and lines at multiples of periods / n, phases at the record's centre; a line k with k periods
 * / n of 0.5 and more is left out. */
double *make_tone(size_t n, double periods, double dc, const cj_complex *line, int lines);
double *copy_of(const double *x, size_t n);
void add_noise(double *x, size_t n, double sigma, unsigned long seed);
cj_tone_fit *fit_or_fail(const double *const x[], int channels, size_t n,
                         const cj_tone_options *options);
double size_of(cj_complex line);

extern const struct CMUnitTest exact_tests[], marker_tests[], residual_tests[],
    stimuli_tests[], weighting_tests[];
extern const size_t exact_test_count, marker_test_count, residual_test_count,
    stimuli_test_count, weighting_test_count;

#endif
