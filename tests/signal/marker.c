/* SPDX-License-Identifier: GPL-3.0-or-later */
/* marker.c - the marker is found where it is, on any clock, in noise, and nowhere else. */
#include "signal_tests.h"

/* A record of n samples whose recorder runs `ratio` times as fast as the player, with the centre of
 * the marker at `at` (samples of the recorder), at a level, with noise of a standard deviation. */
static double *make_record(size_t n, double rate, double at, double ratio, double level)
{
    double *x = calloc(n, sizeof *x);
    assert_non_null(x);
    for (size_t i = 0; i < n; i++)
        x[i] = level * cj_marker_value(rate, ((double)i - at) / (rate * ratio));
    return x;
}

static cj_marker find(const double *x, size_t n, double rate)
{
    cj_error err = {0};
    cj_marker marker = {0};
    cj_spectra *spectra = cj_spectra_new();
    if (cj_marker_find(spectra, x, n, rate, &marker, &err) != CJ_OK)
        fail_msg("%s", err.message);
    cj_spectra_free(spectra);
    return marker;
}

/* 40 dB: a marker of peak 1 in noise of 0.01 / sqrt 2 RMS. Unknown start, clocks up to 200 ppm
 * apart: every one within 0.05 samples, and the spread as u says. */
static void found_in_noise(void **state)
{
    (void)state;
    static const double rates[] = {44100, 48000, 96000, 192000, 8000};
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, 20);
    for (size_t k = 0; k < sizeof rates / sizeof *rates; k++) {
        double rate = rates[k], squares = 0, worst = 0, mean = 0, late = 0;
        enum { TRIALS = 60 };
        for (int trial = 0; trial < TRIALS; trial++) {
            size_t n = (size_t)(0.6 * rate);
            double at = rate * (0.05 + 0.5 * gsl_rng_uniform(random));
            double ratio = 1 + 2e-4 * (2 * gsl_rng_uniform(random) - 1);
            double *x = make_record(n, rate, at, ratio, trial % 2 ? -1 : 1);
            add_noise(x, n, 0.01 / sqrt(2), 1000 + (unsigned long)trial);
            cj_marker marker = find(x, n, rate);
            assert_true(marker.found);
            double off = marker.at - at, start = at + (round(0.18 * rate) - 0.04 * rate) * ratio;
            worst = fmax(worst, fmax(fabs(off), fabs(marker.start - start)));
            squares += off * off / (marker.at_u * marker.at_u);
            late += pow((marker.start - start) / marker.start_u, 2);
            mean += off / TRIALS;
            check_close("clock", marker.clock, ratio, 5 * marker.clock_u);
            check_close("peak", marker.peak, 1, 0.01);
            check_close("phase", cos(marker.phase), trial % 2 ? -1 : 1, 0.01);
            free(x);
        }
        print_message("%g Hz: worst %.4f samples, mean %.4f, over u %.2f, start %.2f\n", rate,
                      worst, mean, sqrt(squares / TRIALS), sqrt(late / TRIALS));
        assert_true(worst < 0.05);
        check_close("spread over u", sqrt(squares / TRIALS), 1, 0.25);
        check_close("spread over u of the start", sqrt(late / TRIALS), 1, 0.25);
    }
    gsl_rng_free(random);
}

const struct CMUnitTest marker_tests[] = {
    cmocka_unit_test(found_in_noise),
};
const size_t marker_test_count = sizeof marker_tests / sizeof *marker_tests;
