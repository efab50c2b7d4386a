/* SPDX-License-Identifier: GPL-3.0-or-later */
/* memory.c - every allocation of the signal room fails in turn. */
#include "check.h"
#include "coldjoint/signal.h"
#include "failing.h"

typedef struct record {
    double *x, *y;
    size_t n;
    cj_tone_options options;
} record;

static record make_record(size_t n, double periods, double third, bool gap)
{
    record of = {calloc(n, sizeof(double)), calloc(n, sizeof(double)), n, {.start = 0}};
    unsigned int dice = 7;
    for (size_t i = 0; i < n; i++) {
        double angle = 6.283185307179586 * periods * (double)i / (double)n;
        dice = dice * 1664525u + 1013904223u;
        of.x[i] = cos(angle) + third * cos(3 * angle) + 1e-3 * (dice / 4294967296.0 - 0.5);
        of.y[i] = 0.5 * of.x[i] + 1e-3 * sin(0.7 * (double)i);
    }
    if (gap)
        of.y[n / 3] = NAN;
    return of;
}

static void free_record(record *of)
{
    free(of->x);
    free(of->y);
}

static cj_status fit(void *user, cj_error *err)
{
    record *of = user;
    cj_tone_fit *made = NULL;
    cj_spectra *spectra = cj_spectra_new();
    if (spectra == NULL)
        return cj_fail_memory(err);
    const double *x[2] = {of->x, of->y};
    cj_status status = cj_tone_fit_make(spectra, x, 2, of->n, &of->options, &made, err);
    cj_tone_fit_free(made);
    cj_spectra_free(spectra);
    return status;
}

static cj_status mains(void *user, cj_error *err)
{
    record *of = user;
    double nominal[2] = {5.0 / (double)of->n, 6.0 / (double)of->n}, false_alarm;
    cj_mains_options options = {.nominal = nominal, .nominals = 2, .harmonics = 5};
    cj_tone_fit *made = NULL;
    cj_spectra *spectra = cj_spectra_new();
    if (spectra == NULL)
        return cj_fail_memory(err);
    const double *x[2] = {of->x, of->y};
    cj_status status = cj_mains_fit(spectra, x, 2, of->n, &options, &made, &false_alarm, err);
    cj_tone_fit_free(made);
    cj_spectra_free(spectra);
    return status;
}

static cj_status lines(void *user, cj_error *err)
{
    record *of = user;
    double f[2] = {0.05, 0.11};
    cj_line line[2];
    return cj_lines_fit(of->y, of->n, f, 2, line, NULL, err);
}

static cj_status correlation(void *user, cj_error *err)
{
    record *of = user;
    cj_correlation got;
    cj_spectra *spectra = cj_spectra_new();
    if (spectra == NULL)
        return cj_fail_memory(err);
    cj_status status = cj_correlate(spectra, of->x, of->y, of->n, 0, &got, err);
    cj_spectra_free(spectra);
    return status;
}

static cj_status stimulus(void *user, cj_error *err)
{
    record *of = user;
    cj_generator *generator = NULL;
    cj_stimulus s = {.signal = CJ_SIG_PINK, .rate_hz = 8000, .seconds = 0.1, .rms = 0.1};
    cj_status status = cj_generator_new(&s, &generator, err);
    if (status == CJ_OK)
        cj_generator_read(generator, of->n, of->y);
    cj_generator_free(generator);
    return status;
}

static cj_status marker(void *user, cj_error *err)
{
    record *of = user;
    cj_marker got;
    cj_spectra *spectra = cj_spectra_new();
    if (spectra == NULL)
        return cj_fail_memory(err);
    cj_status status = cj_marker_find(spectra, of->x, of->n, 48000, &got, err);
    cj_spectra_free(spectra);
    return status;
}

static cj_status meter(void *user, cj_error *err)
{
    (void)user;
    cj_quasi_peak *made = NULL;
    cj_status status = cj_quasi_peak_new(8000, 2, &made, err);
    cj_quasi_peak_free(made);
    return status;
}

static void each_allocation_fails_in_turn(void **state)
{
    (void)state;
    record many = make_record(300, 11.3, 0.1, true), few = make_record(600, 2.2, 0.1, false);
    record long_one = make_record(65536, 700.1, 1e-3, false);
    long_one.options = (cj_tone_options){.start = 700.1 / 65536, .harmonics = 5, .close = true};
    assert_true(failing_each("fit of many periods", fit, &many) > 5);
    assert_true(failing_each("fit of few periods", fit, &few) > 5);
    assert_true(failing_each("fit in one pass", fit, &long_one) > 5);
    assert_true(failing_each("mains", mains, &many) > 5);
    assert_true(failing_each("lines", lines, &many) > 3);
    assert_true(failing_each("correlation", correlation, &many) > 2);
    assert_true(failing_each("stimulus", stimulus, &many) > 0);
    assert_true(failing_each("marker", marker, &long_one) > 4);
    assert_true(failing_each("meter", meter, NULL) == 3); /* itself and two filters */
    free_record(&many);
    free_record(&few);
    free_record(&long_one);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(each_allocation_fails_in_turn)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
