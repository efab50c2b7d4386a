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

/* Through what a path does: weak, inverted, with hum and DC as strong as the marker, gaps, band
 * limits. */
static void found_in_a_path(void **state)
{
    (void)state;
    const double rate = 48000, at = 20000.3;
    const size_t n = 48000;
    double *x = make_record(n, rate, at, 1.0001, 1e-4);
    add_noise(x, n, 1e-6, 5);
    for (size_t i = 0; i < n; i++)
        x[i] += 1e-4 * sin(TWO_PI * 50 * (double)i / rate) - 3e-4;
    x[20010] = x[19000] = NAN;
    cj_marker marker = find(x, n, rate);
    assert_true(marker.found);
    check_close("at", marker.at, at, 0.1);
    check_close("peak", marker.peak, 1e-4, 3e-6);
    check_close("match", marker.match, 1, 0.05);
    free(x);
    /* a pole at 2 kHz: the delay is that of its middle, and the phase is told */
    x = make_record(n, rate, at, 1, 1);
    double pole = exp(-TWO_PI * 2000 / rate), y = 0;
    for (size_t i = 0; i < n; i++)
        x[i] = y = pole * y + (1 - pole) * x[i];
    marker = find(x, n, rate);
    assert_true(marker.found && marker.at > at && marker.at < at + 4);
    assert_true(marker.phase < -0.3 && marker.phase > -1.5);
    free(x);
}

/* The first of two, whatever their levels; across the blocks of the search; at the very ends. */
static void first_of_two(void **state)
{
    (void)state;
    const double rate = 44100;
    const size_t n = 200000;
    for (int trial = 0; trial < 40; trial++) {
        double at = 3000 + 3001.7 * trial;
        double *x = make_record(n, rate, at, 1, 0.1), *y = make_record(n, rate, at + 60000, 1, 1);
        for (size_t i = 0; i < n; i++)
            x[i] += y[i];
        add_noise(x, n, 1e-4, 7);
        cj_marker marker = find(x, n, rate);
        assert_true(marker.found);
        check_close("first", marker.at, at, 0.05);
        free(x), free(y);
    }
    static const double ends[] = {1764, 200000 - 1765};
    for (int i = 0; i < 2; i++) {
        double *x = make_record(n, rate, ends[i], 1, 1);
        cj_marker marker = find(x, n, rate);
        assert_true(marker.found);
        check_close("at the end", marker.at, ends[i], 1e-6);
        free(x);
    }
}

/* Whatever is no marker is not taken for one. */
static void nothing_found(void **state)
{
    (void)state;
    const double rate = 48000;
    const size_t n = 240000;
    double *x = calloc(n, sizeof *x);
    assert_false(find(x, n, rate).found);
    assert_false(find(x, 10, rate).found);
    assert_false(find(x, 0, rate).found);
    add_noise(x, n, 1, 11);
    assert_false(find(x, n, rate).found);
    for (double hz = 50; hz < 20000; hz *= 1.7) {
        for (size_t i = 0; i < n; i++)
            x[i] = sin(TWO_PI * fmod(hz * (double)i / rate, 1)) * (i > n / 3 ? 1 : 0.01);
        assert_false(find(x, n, rate).found);
    }
    static const double seconds[] = {0.4, 1, 5};
    for (int i = 0; i < 3; i++) {
        cj_generator *sweep = NULL;
        cj_stimulus s = {.signal = CJ_SIG_SWEEP,
                         .rate_hz = rate,
                         .seconds = seconds[i],
                         .from_hz = 20,
                         .to_hz = 20000,
                         .peak = {1}};
        assert_int_equal(cj_generator_new(&s, &sweep, NULL), CJ_OK);
        cj_generator_read(sweep, n, x);
        cj_generator_free(sweep);
        assert_false(find(x, n, rate).found);
    }
    for (size_t i = 0; i < n; i++)
        x[i] = i == n / 2 ? 1 : i > n / 2 + 9000 ? 0.5 : 0; /* a click, a step */
    assert_false(find(x, n, rate).found);
    for (size_t i = 0; i < n; i++)
        x[i] = NAN;
    assert_false(find(x, n, rate).found);
    cj_marker marker;
    cj_spectra *spectra = cj_spectra_new();
    assert_int_equal(cj_marker_find(spectra, x, n, 0, &marker, NULL), CJ_USAGE);
    assert_int_equal(cj_marker_find(spectra, x, n, NAN, &marker, NULL), CJ_USAGE);
    cj_spectra_free(spectra);
    free(x);
}

/* As it stands in a file: the layout's start. */
static void where_the_layout_says(void **state)
{
    (void)state;
    static const double rates[] = {8000, 44100, 48000, 88200, 96000, 192000};
    for (size_t i = 0; i < sizeof rates / sizeof *rates; i++) {
        cj_layout layout;
        cj_generator *generator = NULL;
        cj_stimulus s = {.signal = CJ_SIG_SINE,
                         .rate_hz = rates[i],
                         .seconds = 0.5,
                         .hz = {997},
                         .peak = {0.5},
                         .marker = true};
        assert_int_equal(cj_stimulus_layout(&s, &layout, NULL), CJ_OK);
        assert_int_equal(cj_generator_new(&s, &generator, NULL), CJ_OK);
        double *x = calloc(layout.total, sizeof *x);
        cj_generator_read(generator, layout.total, x);
        cj_generator_free(generator);
        cj_marker marker = find(x, layout.total, rates[i]);
        assert_true(marker.found);
        check_close("start", marker.start, (double)layout.start, 1e-3);
        check_close("clock", marker.clock, 1, 1e-7);
        check_close("peak", marker.peak, 0.5, 1e-6);
        free(x);
    }
}

const struct CMUnitTest marker_tests[] = {
    cmocka_unit_test(found_in_noise),        cmocka_unit_test(found_in_a_path),
    cmocka_unit_test(first_of_two),          cmocka_unit_test(nothing_found),
    cmocka_unit_test(where_the_layout_says),
};
const size_t marker_test_count = sizeof marker_tests / sizeof *marker_tests;
