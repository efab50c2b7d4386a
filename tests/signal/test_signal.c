/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_signal.c - the signal room: records, and all groups in one program. */
#include "signal_tests.h"

double *make_tone(size_t n, double periods, double dc, const cj_complex *line, int lines)
{
    double *x = calloc(n, sizeof *x);
    assert_non_null(x);
    for (size_t i = 0; i < n; i++) {
        double t = (double)i - 0.5 * (double)(n - 1);
        x[i] = dc;
        for (int k = 1; k <= lines && k * periods / (double)n < 0.5; k++) {
            if (line[k - 1].re == 0.0 && line[k - 1].im == 0.0)
                continue;
            double angle = TWO_PI * fmod(k * (periods / (double)n) * t, 1.0);
            x[i] += line[k - 1].re * cos(angle) - line[k - 1].im * sin(angle);
        }
    }
    return x;
}

double *copy_of(const double *x, size_t n)
{
    double *y = malloc(n * sizeof *y);
    assert_non_null(y);
    memcpy(y, x, n * sizeof *y);
    return y;
}

void add_noise(double *x, size_t n, double sigma, unsigned long seed)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    for (size_t i = 0; i < n; i++)
        x[i] += gsl_ran_gaussian_ziggurat(random, sigma);
    gsl_rng_free(random);
}

cj_tone_fit *fit_or_fail(const double *const x[], int channels, size_t n,
                         const cj_tone_options *options)
{
    cj_error err = {0};
    cj_tone_fit *fit = NULL;
    cj_spectra *spectra = cj_spectra_new();
    cj_status status = cj_tone_fit_make(spectra, x, channels, n, options, &fit, &err);
    cj_spectra_free(spectra);
    if (status != CJ_OK)
        fail_msg("no fit: %s", err.message);
    return fit;
}

double size_of(cj_complex line)
{
    return hypot(line.re, line.im);
}

int main(void)
{
    int failed = _cmocka_run_group_tests("exact", exact_tests, exact_test_count, NULL, NULL);
    failed += _cmocka_run_group_tests("marker", marker_tests, marker_test_count, NULL, NULL);
    failed += _cmocka_run_group_tests("stimuli", stimuli_tests, stimuli_test_count, NULL, NULL);
    failed +=
        _cmocka_run_group_tests("weighting", weighting_tests, weighting_test_count, NULL, NULL);
    return failed +
           _cmocka_run_group_tests("residual", residual_tests, residual_test_count, NULL, NULL);
}
