/* SPDX-License-Identifier: GPL-3.0-or-later */
/* weighting.c - the weighting curves and their filters against the standards' tables, and the
 * quasi-peak meter against its table of tone bursts. */
#include "signal_tests.h"

/* Under the sanitizers, which cost a factor of ten, two of them. */
#ifdef __SANITIZE_ADDRESS__
static const double rates[] = {44100, 96000};
#else
static const double rates[] = {44100, 48000, 88200, 96000, 176400, 192000};
#endif
#define RATES (sizeof rates / sizeof rates[0])

static double db(double gain)
{
    return 20 * log10(gain);
}

struct point {
    double at, db, above, below; /* tolerances above and below, dB */
};

/* IEC 61672-1:2013, Table 3: at 1000 * 10^(at/10) Hz, with the acceptance limits of class 1 (the
 * limits from memory; the last lower ones are infinite). */
static const struct point table_of_a[] = {
    {-20, -70.4, 3.0, INFINITY}, {-19, -63.4, 2.5, INFINITY}, {-18, -56.7, 2.0, 4.0},
    {-17, -50.5, 2.0, 2.0},      {-16, -44.7, 2.0, 1.5},      {-15, -39.4, 1.5, 1.5},
    {-14, -34.6, 1.0, 1.0},      {-13, -30.2, 1.0, 1.0},      {-12, -26.2, 1.0, 1.0},
    {-11, -22.5, 1.0, 1.0},      {-10, -19.1, 1.0, 1.0},      {-9, -16.1, 1.0, 1.0},
    {-8, -13.4, 1.0, 1.0},       {-7, -10.9, 1.0, 1.0},       {-6, -8.6, 1.0, 1.0},
    {-5, -6.6, 1.0, 1.0},        {-4, -4.8, 1.0, 1.0},        {-3, -3.2, 1.0, 1.0},
    {-2, -1.9, 1.0, 1.0},        {-1, -0.8, 1.0, 1.0},        {0, 0.0, 0.7, 0.7},
    {1, 0.6, 1.0, 1.0},          {2, 1.0, 1.0, 1.0},          {3, 1.2, 1.0, 1.0},
    {4, 1.3, 1.0, 1.0},          {5, 1.2, 1.0, 1.0},          {6, 1.0, 1.0, 1.0},
    {7, 0.5, 1.5, 1.5},          {8, -0.1, 1.5, 2.0},         {9, -1.1, 1.5, 2.5},
    {10, -2.5, 2.0, 3.0},        {11, -4.3, 2.0, 5.0},        {12, -6.6, 2.5, 16.0},
    {13, -9.3, 3.0, INFINITY}};

/* ITU-R BS.468-4, Annex 1, Table 1. */
static const struct point table_of_468[] = {
    {31.5, -29.9, 2, 2},      {63, -23.9, 1.4, 1.4},  {100, -19.8, 1, 1},
    {200, -13.8, 0.85, 0.85}, {400, -7.8, 0.7, 0.7},  {800, -1.9, 0.55, 0.55},
    {1000, 0.0, 0.5, 0.5},    {2000, 5.6, 0.5, 0.5},  {3150, 9.0, 0.5, 0.5},
    {4000, 10.5, 0.5, 0.5},   {5000, 11.7, 0.5, 0.5}, {6300, 12.2, 0, 0},
    {7100, 12.0, 0.2, 0.2},   {8000, 11.4, 0.4, 0.4}, {9000, 10.1, 0.6, 0.6},
    {10000, 8.1, 0.8, 0.8},   {12500, 0.0, 1.2, 1.2}, {14000, -5.3, 1.4, 1.4},
    {16000, -11.7, 1.6, 1.6}, {20000, -22.2, 2, 2},   {31500, -42.7, 2.8, INFINITY}};

static void check_points(cj_weighting weighting, double rate, const struct point *points,
                         size_t count)
{
    cj_weighting_filter *filter = NULL;
    cj_error err;
    assert_int_equal(cj_weighting_filter_new(weighting, rate, &filter, &err), CJ_OK);
    size_t reached = 0;
    double worst = 0, strict = 0;
    for (size_t i = 0; i < count; i++) {
        double hz = weighting == CJ_WEIGHTING_A ? 1000 * pow(10, points[i].at / 10) : points[i].at;
        if (hz > 0.45 * rate)
            continue;
        double off = db(cj_weighting_filter_gain(filter, hz)) - points[i].db;
        char label[80];
        snprintf(label, sizeof label, "%s at %g Hz, rate %g",
                 weighting == CJ_WEIGHTING_A ? "A" : "468", hz, rate);
        worst = fmax(worst, fabs(off));
        strict = points[i].above == 0 ? fabs(off) : strict;
        /* where the tolerance is zero, 0.05 dB */
        if (off > fmax(0.05, points[i].above) || off < -fmax(0.05, points[i].below))
            check_close(label, off, 0, 0);
        /* and the table itself, to the rounding of its last digit (A), to the network's own
         * deviation from it (468: 0.0503 dB at 100 Hz) */
        check_close(label, db(cj_weighting_gain(weighting, hz)), points[i].db,
                    weighting == CJ_WEIGHTING_A ? 0.0501 : 0.0505);
        reached++;
    }
    print_message("%-3s at rate %6g: %zu table points, worst %.3f dB",
                  weighting == CJ_WEIGHTING_A ? "A" : "468", rate, reached, worst);
    print_message(weighting == CJ_WEIGHTING_A ? "\n" : "; %.3f dB where the tolerance is 0\n",
                  strict);
    assert_true(reached + 2 >= count);
    cj_weighting_filter_free(filter);
}

static void filters_keep_the_tables(void **state)
{
    (void)state;
    for (size_t r = 0; r < RATES; r++) {
        check_points(CJ_WEIGHTING_A, rates[r], table_of_a,
                     sizeof table_of_a / sizeof table_of_a[0]);
        check_points(CJ_WEIGHTING_468, rates[r], table_of_468,
                     sizeof table_of_468 / sizeof table_of_468[0]);
    }
}

/* Up to 0.45 of the rate, in steps of a hundredth of an octave. */
static void filters_follow_the_curves(void **state)
{
    (void)state;
    static const double more[] = {4000, 8000, 16000, 32000, 500e3, 1e6, 10e6};
    for (size_t r = 0; r < RATES + 7; r++) {
        double rate = r < RATES ? rates[r] : more[r - RATES];
        for (int w = 0; w < 2; w++) {
            cj_weighting_filter *filter = NULL;
            assert_int_equal(cj_weighting_filter_new((cj_weighting)w, rate, &filter, NULL), CJ_OK);
            double worst = 0;
            for (double hz = 5; hz <= 0.45 * rate; hz *= pow(2, 0.01))
                worst = fmax(worst, fabs(db(cj_weighting_filter_gain(filter, hz) /
                                            cj_weighting_gain((cj_weighting)w, hz))));
            char label[60];
            snprintf(label, sizeof label, "curve %d at rate %g", w, rate);
            print_message("%s: worst %.4f dB up to 0.45 of it\n", label, worst);
            check_close(label, worst, 0, 0.01);
            cj_weighting_filter_free(filter);
        }
    }
    assert_int_equal(cj_weighting_gain(CJ_WEIGHTING_A, 0) == 0, 1);
}

/* What the filter says of itself is what it does: sines through it, in pieces of any size. */
static void filters_do_what_they_say(void **state)
{
    (void)state;
    static const double tones[] = {31.5, 1000, 6300, 17000};
    enum { N = 96000 };
    double *x = calloc(N, sizeof *x);
    assert_non_null(x);
    for (int w = 0; w < 2; w++)
        for (size_t t = 0; t < 4; t++) {
            cj_weighting_filter *filter = NULL;
            assert_int_equal(cj_weighting_filter_new((cj_weighting)w, 48000, &filter, NULL), CJ_OK);
            for (size_t i = 0; i < N; i++)
                x[i] = sin(TWO_PI * tones[t] / 48000 * (double)i);
            for (size_t at = 0, piece = 1; at < N; at += piece, piece = 2 * piece + 1) {
                piece = at + piece < N ? piece : N - at;
                cj_weighting_filter_run(filter, x + at, piece, x + at);
            }
            double re = 0, im = 0; /* the second half: whole periods of every tone */
            for (size_t i = N / 2; i < N; i++) {
                re += x[i] * cos(TWO_PI * tones[t] / 48000 * (double)i) / (N / 4);
                im += x[i] * sin(TWO_PI * tones[t] / 48000 * (double)i) / (N / 4);
            }
            double gain = cj_weighting_filter_gain(filter, tones[t]);
            check_ratio("gain", hypot(re, im), gain, tones[t] < 100 ? 1e-2 : 1e-6);
            cj_weighting_filter_free(filter);
        }
    free(x);
}

static void rates_out_of_reach_are_refused(void **state)
{
    (void)state;
    static const double bad[] = {0, -1, 3999, 1.1e7, NAN, INFINITY};
    cj_error err;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        cj_weighting_filter *filter = NULL;
        cj_quasi_peak *meter = NULL;
        assert_int_equal(cj_weighting_filter_new(CJ_WEIGHTING_A, bad[i], &filter, &err), CJ_USAGE);
        check_holds("rate", err.message, "rates from 4 kHz");
        assert_int_equal(cj_quasi_peak_new(bad[i], 1, &meter, &err), CJ_USAGE);
        assert_true(filter == NULL && meter == NULL);
    }
    cj_quasi_peak *meter = NULL;
    assert_int_equal(cj_quasi_peak_new(48000, 3, &meter, &err), CJ_USAGE);
    assert_int_equal(cj_quasi_peak_new(48000, 0, &meter, &err), CJ_USAGE);
    cj_weighting_filter_free(NULL);
    cj_quasi_peak_free(NULL);
}

/* ---- the meter ---- */

static double reading_of(double rate, const double *x, size_t n, size_t piece)
{
    cj_quasi_peak *meter = NULL;
    cj_quasi_peak_reading reading;
    assert_int_equal(cj_quasi_peak_new(rate, 1, &meter, NULL), CJ_OK);
    for (size_t at = 0; at < n; at += piece) {
        const double *const in[1] = {x + at};
        cj_quasi_peak_add(meter, in, at + piece < n ? piece : n - at, at > 0);
    }
    cj_quasi_peak_read(meter, 0, &reading);
    check_ratio("seconds", reading.seconds, (double)n / rate, 1e-9);
    cj_quasi_peak_free(meter);
    return reading.largest;
}

struct burst {
    double ms, per_second; /* 0: a single one */
    double low, high;      /* per cent of the steady tone's reading */
};

/* ITU-R BS.468-4, Annex 1, Tables 2 (single) and 3 (repeated): 5 kHz, whole periods, beginning at
 * a zero crossing. From memory. */
static const struct burst bursts[] = {{1, 0, 13.5, 21.4}, {2, 0, 22.4, 31.6}, {5, 0, 34, 46},
                                      {10, 0, 41, 55},    {20, 0, 44, 60},    {50, 0, 50, 68},
                                      {100, 0, 58, 78},   {200, 0, 68, 92},   {5, 2, 43, 53},
                                      {5, 10, 72, 82},    {5, 100, 94, 100}};

/* The readings the tables ask for (their middle column): the fit keeps them within 0.7 %. */
static const double asked[] = {17, 26.6, 40, 48, 52, 59, 68, 80, 48, 77, 97};

static void tone_bursts(void **state)
{
    (void)state;
    for (size_t r = 0; r < RATES; r++) {
        double rate = rates[r];
        size_t n = (size_t)(4 * rate);
        double *x = calloc(n, sizeof *x);
        assert_non_null(x);
        for (size_t i = 0; i < n; i++)
            x[i] = sin(TWO_PI * 5000 / rate * (double)i);
        double steady = reading_of(rate, x, n, 4096);
        /* the reading is RMS: a 5 kHz tone with the network's gain there */
        print_message("bursts at rate %g, reading - asked:", rate);
        check_ratio("steady", steady, sqrt(0.5) * cj_weighting_gain(CJ_WEIGHTING_468, 5000), 0.01);
        for (size_t b = 0; b < sizeof bursts / sizeof bursts[0]; b++) {
            for (size_t i = 0; i < n; i++) {
                double t = (double)i / rate, every = bursts[b].per_second;
                double since = every > 0 ? fmod(t, 1 / every) : t;
                x[i] = since < bursts[b].ms * 1e-3 ? sin(TWO_PI * 5000 * since) : 0;
            }
            double percent = 100 * reading_of(rate, x, n, 1000) / steady;
            char label[80];
            snprintf(label, sizeof label, "%g ms, %g a second, rate %g", bursts[b].ms,
                     bursts[b].per_second, rate);
            if (percent < bursts[b].low || percent > bursts[b].high)
                check_close(label, percent, asked[b], 0);
            print_message(" %+.2f", percent - asked[b]);
            check_close(label, percent, asked[b], 0.9);
        }
        print_message(" per cent of the steady reading\n");
        free(x);
    }
}

/* Steady tones read their RMS times the network's gain, at every rate, whatever piece by piece. */
static void steady_tones_read_their_rms(void **state)
{
    (void)state;
    static const double tones[] = {400, 1000, 6300, 10000};
    for (size_t r = 0; r < RATES; r++)
        for (size_t t = 0; t < 4; t++) {
            size_t n = (size_t)(2 * rates[r]);
            double *x = calloc(n, sizeof *x);
            for (size_t i = 0; i < n; i++)
                x[i] = 0.3 * sin(TWO_PI * (tones[t] + 0.37) / rates[r] * (double)i + 1);
            double want = 0.3 * sqrt(0.5) * cj_weighting_gain(CJ_WEIGHTING_468, tones[t] + 0.37);
            double got = reading_of(rates[r], x, n, n);
            char label[60];
            snprintf(label, sizeof label, "%g Hz at rate %g", tones[t], rates[r]);
            check_close(label, db(got / want), 0, 0.2);
            check_ratio(label, reading_of(rates[r], x, n, 777), got, 1e-12);
            free(x);
        }
}

/* White noise: the same reading at every rate for the same density in reach of the network. */
static void noise_reads_alike_at_every_rate(void **state)
{
    (void)state;
    double first = NAN;
    for (size_t r = 0; r < RATES; r++) {
        size_t n = (size_t)(10 * rates[r]);
        double *x = calloc(n, sizeof *x);
        add_noise(x, n, 1e-3 * sqrt(rates[r] / 48000), 3 + r);
        cj_quasi_peak *meter = NULL;
        cj_quasi_peak_reading reading;
        assert_int_equal(cj_quasi_peak_new(rates[r], 2, &meter, NULL), CJ_OK);
        const double *const in[2] = {x, x};
        cj_quasi_peak_add(meter, in, n, false);
        cj_quasi_peak_read(meter, 1, &reading);
        first = r == 0 ? reading.mean : first;
        check_close("mean of the readings", db(reading.mean / first), 0, 0.1);
        assert_true(reading.largest > reading.mean && reading.largest < 1.12 * reading.mean);
        check_close("spread", reading.deviation / reading.mean, 0.015, 0.006);
        cj_quasi_peak_free(meter);
        free(x);
    }
}

/* A large slow wave that starts at its crest makes no click of its own. */
static void the_start_makes_no_click(void **state)
{
    (void)state;
    size_t n = 96000;
    double *x = calloc(n, sizeof *x);
    for (size_t i = 0; i < n; i++)
        x[i] = cos(TWO_PI * 50 / 48000 * (double)i + 0.3);
    double want = sqrt(0.5) * cj_weighting_gain(CJ_WEIGHTING_468, 50);
    check_close("50 Hz", db(reading_of(48000, x, n, n) / want), 0, 0.3);
    free(x);
}

const struct CMUnitTest weighting_tests[] = {
    cmocka_unit_test(filters_keep_the_tables),
    cmocka_unit_test(filters_follow_the_curves),
    cmocka_unit_test(filters_do_what_they_say),
    cmocka_unit_test(rates_out_of_reach_are_refused),
    cmocka_unit_test(tone_bursts),
    cmocka_unit_test(steady_tones_read_their_rms),
    cmocka_unit_test(noise_reads_alike_at_every_rate),
    cmocka_unit_test(the_start_makes_no_click),
};
const size_t weighting_test_count = sizeof weighting_tests / sizeof weighting_tests[0];
