/* SPDX-License-Identifier: GPL-3.0-or-later */
/* exact.c - the tone fit where the answer is known exactly. */
#include "signal_tests.h"

static void noiseless_tones_are_exact(void **state)
{
    (void)state;
    static const size_t sizes[] = {100, 101, 777, 2500, 20000, 100000};
    static const double periods[] = {1.5, 1.77,  2.0,  2.3,   3.0,   4.9,
                                     6.2, 17.01, 39.3, 500.1, 8000.4};
    for (size_t s = 0; s < sizeof sizes / sizeof *sizes; s++)
        for (size_t p = 0; p < sizeof periods / sizeof *periods; p++) {
            size_t n = sizes[s];
            if (periods[p] > 0.4 * (double)n)
                continue;
            char label[80];
            snprintf(label, sizeof label, "%zu samples, %g periods", n, periods[p]);
            cj_complex a[3] = {{cos(periods[p]), sin(periods[p])}, {0.1, 0.02}, {0.0, -1e-5}};
            cj_complex b[1] = {{-0.05, 0.1}};
            double *x = make_tone(n, periods[p], 0.3, a, 3),
                   *y = make_tone(n, periods[p], -1.0, b, 1);
            cj_tone_fit *fit = fit_or_fail((const double *[]){x, y}, 2, n, NULL);
            assert_true(fit->converged);
            check_ratio(label, fit->frequency, periods[p] / (double)n, 1e-12);
            for (int k = 0; k < 3 && k < fit->harmonics && (k + 1) * periods[p] < 0.5 * (double)n;
                 k++) {
                check_close(label, fit->channel[0].line[k].re, a[k].re, 1e-11);
                check_close(label, fit->channel[0].line[k].im, a[k].im, 1e-11);
            }
            check_close(label, fit->channel[1].line[0].re, b[0].re, 1e-11);
            check_close(label, fit->channel[1].line[0].im, b[0].im, 1e-11);
            check_close(label, fit->channel[0].dc, 0.3, 1e-11);
            check_close(label, fit->channel[1].dc, -1.0, 1e-11);
            cj_tone_fit_free(fit);
            free(x);
            free(y);
        }
}

/* ---- closed forms: Fourier coefficients from any textbook; c is the clip level, a half sine's
 * share ---- */

typedef double (*coefficient)(int k);

static double of_square(int k)
{
    return k % 2 ? 4.0 / (0.5 * TWO_PI * k) : 0.0;
}

static double of_triangle(int k)
{
    double pi = 0.5 * TWO_PI;
    return k % 2 ? (k % 4 == 1 ? 8.0 : -8.0) / (pi * pi * k * k) : 0.0;
}

static double of_saw(int k)
{
    return 2.0 / (0.5 * TWO_PI * k) * (k % 2 ? 1.0 : -1.0);
}

/* Half-wave rectified cosine: 1/2 at k = 1, 2/pi (-1)^(k/2+1) / (k^2-1) at even k. */
static double of_half_wave(int k)
{
    if (k == 1)
        return 0.5;
    return k % 2 ? 0.0 : (k % 4 == 2 ? 2.0 : -2.0) / (0.5 * TWO_PI * ((double)k * k - 1.0));
}

/*
 * A cosine clipped above at cos(u): the cap cos(theta) - cos(u), |theta| < u, is taken off. Its
 * coefficient is (1/pi) [ sin((k+1)u)/(k+1) + sin((k-1)u)/(k-1) - 2 cos(u) sin(ku)/k ].
 */
static double cap(int k, double u)
{
    double near = k == 1 ? u : sin((k - 1) * u) / (k - 1);
    return (sin((k + 1) * u) / (k + 1) + near - 2.0 * cos(u) * sin(k * u) / k) / (0.5 * TWO_PI);
}

static double of_clipped_above(int k)
{
    return (k == 1 ? 1.0 : 0.0) - cap(k, acos(0.5));
}

static double of_clipped_both(int k)
{
    return (k == 1 ? 1.0 : 0.0) - (k % 2 ? 2.0 * cap(k, acos(0.7)) : 0.0);
}

static double of_clipped_unevenly(int k)
{
    return (k == 1 ? 1.0 : 0.0) - cap(k, acos(0.9)) - (k % 2 ? 1.0 : -1.0) * cap(k, acos(0.6));
}

/* THD over the harmonics 2..10 that lie in the band. */
static double thd_of(const double *peak, size_t n, double periods)
{
    double sum = 0.0;
    for (int k = 2; k <= 10 && k * periods / (double)n < 0.5; k++)
        sum += peak[k - 1] * peak[k - 1];
    return sqrt(sum) / peak[0];
}

static void check_waveform(const char *name, coefficient of, size_t n, double periods)
{
    char label[96];
    snprintf(label, sizeof label, "%s, %zu samples, %g periods", name, n, periods);
    int lines = (int)(0.5 * (double)n / periods);
    cj_complex *a = calloc((size_t)lines + 10, sizeof *a);
    double want[10] = {0}, got[10] = {0};
    for (int k = 1; k <= lines; k++) /* the waveform's own zero of time is off the centre */
        a[k - 1] = (cj_complex){of(k) * cos(0.8 * k), of(k) * sin(0.8 * k)};
    for (int k = 0; k < 10; k++)
        want[k] = size_of(a[k]);
    double *x = make_tone(n, periods, 0.1, a, lines);
    cj_tone_fit *fit = fit_or_fail((const double *[]){x}, 1, n, NULL);
    for (int k = 0; k < 10 && k < fit->harmonics; k++)
        got[k] = size_of(fit->channel[0].line[k]);
    check_ratio(label, thd_of(got, n, periods), thd_of(want, n, periods), 1e-6);
    check_ratio(label, fit->frequency, periods / (double)n, 1e-9);
    cj_tone_fit_free(fit);
    free(x);
    free(a);
}

static const struct {
    const char *name;
    coefficient of;
} waveforms[] = {{"square", of_square},
                 {"triangle", of_triangle},
                 {"sawtooth", of_saw},
                 {"half wave", of_half_wave},
                 {"clipped above", of_clipped_above},
                 {"clipped both", of_clipped_both},
                 {"clipped unevenly", of_clipped_unevenly}};

static void closed_forms_have_their_distortion(void **state)
{
    (void)state;
    static const double periods[] = {1.5, 1.8, 2.31, 3.0, 3.7, 5.0, 5.99, 6.3, 12.9, 33.33};
    for (size_t w = 0; w < sizeof waveforms / sizeof *waveforms; w++)
        for (size_t p = 0; p < sizeof periods / sizeof *periods; p++) {
            check_waveform(waveforms[w].name, waveforms[w].of, 2500, periods[p]);
            if (periods[p] < 15.0)
                check_waveform(waveforms[w].name, waveforms[w].of, 100, periods[p]);
        }
    check_waveform("square", of_square, 20000, 31.7);
    check_waveform("sawtooth", of_saw, 48000, 997.3);
}

/* The partial sums 2..10 of the square: 0.428 795 ... = sqrt(1/9 + 1/25 + 1/49 + 1/81), of the
 * sawtooth sqrt(1/4 + ... + 1/100); so the helper above is not its own judge. */
static void thd_helper_is_right(void **state)
{
    (void)state;
    double peak[10];
    for (int k = 1; k <= 10; k++)
        peak[k - 1] = fabs(of_square(k));
    check_ratio("square", thd_of(peak, 1000, 1.0), sqrt(1. / 9 + 1. / 25 + 1. / 49 + 1. / 81),
                1e-14);
    /* clipped at half its peak: fundamental by direct integration, 1 - (u - sin u cos u)/pi */
    double u = acos(0.5);
    check_ratio("cap", of_clipped_above(1), 1.0 - (u - sin(u) * cos(u)) / (0.5 * TWO_PI), 1e-14);
}

static void small_harmonic_in_24_bits(void **state)
{
    (void)state;
    size_t n = 96000;
    double level = 0.9 * pow(10.0, -110.0 / 20.0);
    cj_complex a[3] = {
        {0.9 * cos(1.0), 0.9 * sin(1.0)}, {0, 0}, {level * cos(2.0), level * sin(2.0)}};
    double *x = make_tone(n, 997.0, 0.001, a, 3), step = pow(2.0, -23);
    add_noise(x, n, 0.5 * step, 3); /* dither */
    for (size_t i = 0; i < n; i++)
        x[i] = rint(x[i] / step) * step;
    cj_tone_fit *fit = fit_or_fail((const double *[]){x}, 1, n, NULL);
    double third = 20 * log10(size_of(fit->channel[0].line[2]) / size_of(fit->channel[0].line[0]));
    check_close("third harmonic, dB", third, -110.0, 0.5);
    cj_tone_fit_free(fit);
    free(x);
}

static void gaps_carry_no_weight(void **state)
{
    (void)state;
    static const double periods[] = {1.6, 2.7, 9.3, 55.5};
    for (size_t p = 0; p < 4; p++) {
        cj_complex a[2] = {{1.0, 0.5}, {0.1, 0.0}};
        double *x = make_tone(1000, periods[p], 0.2, a, 2), *y = copy_of(x, 1000);
        for (size_t i = 0; i < 1000; i++)
            if (i % 7 == 3 || (i > 400 && i < 450))
                x[i] = NAN;
        y[10] = INFINITY;
        cj_tone_fit *fit = fit_or_fail((const double *[]){x, y}, 2, 1000, NULL);
        check_ratio("frequency", fit->frequency, periods[p] / 1000, 1e-12);
        for (int c = 0; c < 2; c++) {
            check_close("line 1", fit->channel[c].line[0].im, 0.5, 1e-12);
            check_close("line 2", fit->channel[c].line[1].re, 0.1, 1e-12);
            check_close("DC", fit->channel[c].dc, 0.2, 1e-12);
        }
        assert_int_equal(fit->channel[1].valid, 999);
        cj_tone_subtract(fit, 0, x, 1000, 1, fit->harmonics, x);
        for (size_t i = 0; i < 1000; i++)
            check_close("left", x[i], 0.0, 1e-12);
        cj_tone_fit_free(fit);
        free(x);
        free(y);
    }
}

static void dead_channels_do_no_harm(void **state)
{
    (void)state;
    static const double levels[] = {0.0, 0.3, -1e6, NAN};
    static const size_t sizes[] = {500, 2500, 100000};
    for (size_t l = 0; l < 12; l++)
        for (int other = 0; other < 2; other++) {
            size_t n = sizes[l / 4];
            double level = levels[l % 4];
            cj_complex a[1] = {{0.3, 0.4}};
            double *tone = make_tone(n, 7.7, 0.1, a, 1), *dead = calloc(n, sizeof(double));
            for (size_t i = 0; i < n; i++)
                dead[i] = level;
            const double *x[2] = {other ? dead : tone, other ? tone : dead};
            cj_tone_fit *fit = fit_or_fail(x, 2, n, NULL);
            assert_true(fit->converged);
            check_ratio("frequency", fit->frequency, 7.7 / (double)n, 1e-12);
            check_close("size", size_of(fit->channel[other].line[0]), 0.5, 1e-12);
            check_close("dead", size_of(fit->channel[!other].line[0]), 0.0, 0.0);
            if (isnan(level))
                assert_true(isnan(fit->channel[!other].dc));
            else
                check_close("dead DC", fit->channel[!other].dc, level, 1e-15 * fabs(level));
            cj_presence presence;
            cj_tone_present(fit, !other, &presence);
            assert_false(presence.present);
            cj_tone_present(fit, other, &presence);
            assert_true(presence.present);
            cj_tone_fit_free(fit);
            free(tone);
            free(dead);
        }
}

static void silence_is_dc_alone(void **state)
{
    (void)state;
    double x[50], out[50];
    for (size_t i = 0; i < 50; i++)
        x[i] = 0.25;
    cj_tone_fit *fit = fit_or_fail((const double *[]){x}, 1, 50, NULL);
    assert_false(fit->converged);
    check_close("frequency", fit->frequency, 0.0, 0.0);
    check_close("DC", fit->channel[0].dc, 0.25, 0.0);
    cj_tone_subtract(fit, 0, x, 50, 1, 1, out);
    check_close("left", out[7], 0.0, 0.0);
    cj_tone_fit_free(fit);
}

static void large_dc_and_high_frequency(void **state)
{
    (void)state;
    cj_complex a[1] = {{0.6, -0.8}};
    double *x = make_tone(3000, 1198.7, 1e5, a, 1), *y = make_tone(3000, 5.2, -1e6, a, 1);
    cj_tone_fit *fit = fit_or_fail((const double *[]){x}, 1, 3000, NULL);
    check_ratio("frequency", fit->frequency, 1198.7 / 3000, 1e-12);
    check_close("size", size_of(fit->channel[0].line[0]), 1.0, 1e-10);
    cj_tone_fit_free(fit);
    fit = fit_or_fail((const double *[]){y}, 1, 3000, NULL);
    check_ratio("frequency", fit->frequency, 5.2 / 3000, 1e-9);
    check_close("size", size_of(fit->channel[0].line[0]), 1.0, 1e-9);
    check_close("DC", fit->channel[0].dc, -1e6, 1e-9 * 1e6);
    cj_tone_fit_free(fit);
    free(x);
    free(y);
}

static void eight_bits_within_their_u(void **state)
{
    (void)state;
    cj_complex a[1] = {{0.7, 0.4}}, b[1] = {{0.02, 0.03}};
    double *x = make_tone(2500, 5.1, 0.11, a, 1), *y = make_tone(2500, 5.1, 0.11, b, 1);
    double step = 0.008;
    add_noise(x, 2500, 0.3 * step, 1); /* as a scope has it; undithered, steps are distortion */
    add_noise(y, 2500, 0.3 * step, 2);
    for (size_t i = 0; i < 2500; i++) {
        x[i] = rint(x[i] / step) * step;
        y[i] = rint(y[i] / step) * step;
    }
    cj_tone_fit *fit = fit_or_fail((const double *[]){x, y}, 2, 2500, NULL);
    check_close("frequency", fit->frequency, 5.1 / 2500, 4 * fit->frequency_u);
    check_close("size", size_of(fit->channel[0].line[0]), hypot(0.7, 0.4),
                4 * fit->channel[0].peak_u[0]);
    cj_tone_ratio ratio;
    cj_tone_compare(fit, 1, &ratio);
    check_ratio("gain", ratio.gain, hypot(0.02, 0.03) / hypot(0.7, 0.4), 4 * ratio.gain_u);
    check_close("phase", ratio.phase, atan2(0.03, 0.02) - atan2(0.4, 0.7), 4 * ratio.phase_u);
    assert_true(ratio.gain_u < 0.01 && ratio.phase_u < 0.01);
    cj_tone_fit_free(fit);
    free(x);
    free(y);
}

/* What a stream's blocks use: the fit in one pass is the long one to a fiftieth of the uncertainty.
 */
static void close_start_gives_the_same_fit(void **state)
{
    (void)state;
    static const struct {
        double f, off, noise, dc;
    } cases[] = {{997.3 / 96000, 1e-7, 1e-5, 0.05},
                 {1000.0 / 96000, 0, 1e-3, -0.3},
                 {1000.0 / 48000, 1e-6, 1e-6, 0.01},
                 {12001.0 / 48000, -3e-7, 1e-4, 0.0},
                 {100.0 / 96000, 5e-6, 1e-2, 0.1}};
    size_t n = 131072;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        cj_complex a[3] = {{0.5, 0.4}, {1e-3, 0}, {0, 2e-3}},
                   b[3] = {{-0.05, 0.1}, {0, 1e-3}, {0, 0}};
        double *x = make_tone(n, cases[i].f * (double)n, cases[i].dc, a, 3);
        double *y = make_tone(n, cases[i].f * (double)n, 0.2, b, 3);
        add_noise(x, n, cases[i].noise, 2 * i + 1);
        add_noise(y, n, cases[i].noise, 2 * i + 2);
        const double *in[2] = {x, y};
        int h = cases[i].f < 0.04 ? 10 : 1;
        cj_tone_options slow = {.start = cases[i].f, .harmonics = h};
        cj_tone_options quick = {
            .start = cases[i].f * (1 + cases[i].off), .harmonics = h, .close = true};
        cj_tone_fit *want = fit_or_fail(in, 2, n, &slow), *got = fit_or_fail(in, 2, n, &quick);
        check_close("frequency", got->frequency, want->frequency, 0.02 * want->frequency_u);
        check_ratio("its u", got->frequency_u, want->frequency_u, 0.01);
        for (int c = 0; c < 2; c++) {
            for (int k = 0; k < h; k++) {
                double u = want->channel[c].line_u[k];
                check_close("re", got->channel[c].line[k].re, want->channel[c].line[k].re,
                            0.02 * u);
                check_close("im", got->channel[c].line[k].im, want->channel[c].line[k].im,
                            0.02 * u);
                check_ratio("u", got->channel[c].line_u[k], u, 0.01);
            }
            check_close("DC", got->channel[c].dc, want->channel[c].dc,
                        0.02 * want->channel[c].dc_u);
        }
        cj_tone_fit_free(want);
        cj_tone_fit_free(got);
        free(x);
        free(y);
    }
}

static void bad_requests_are_refused(void **state)
{
    (void)state;
    double x[100] = {0}, few[4] = {1, 2, 1, 2};
    const double *in[1] = {x}, *small[1] = {few};
    cj_error err;
    cj_tone_fit *fit = NULL;
    cj_spectra *spectra = cj_spectra_new();
    assert_int_equal(cj_tone_fit_make(spectra, in, 3, 100, NULL, &fit, &err), CJ_USAGE);
    assert_int_equal(cj_tone_fit_make(spectra, small, 1, 4, NULL, &fit, &err), CJ_DATA);
    check_holds("why", err.message, "4 samples");
    cj_tone_options options = {.start = 0.7};
    assert_int_equal(cj_tone_fit_make(spectra, in, 1, 100, &options, &fit, &err), CJ_USAGE);
    options = (cj_tone_options){.harmonics = -1};
    assert_int_equal(cj_tone_fit_make(spectra, in, 1, 100, &options, &fit, &err), CJ_USAGE);
    options = (cj_tone_options){.fixed = true};
    assert_int_equal(cj_tone_fit_make(spectra, in, 1, 100, &options, &fit, &err), CJ_USAGE);
    assert_null(fit);
    cj_spectra_free(spectra);
}

/* Channel 2's own noise and the common frequency: the stated u of gain and phase against the
 * spread. */
static void ratio_u_is_the_spread(void **state)
{
    (void)state;
    enum { TRIALS = 1500 };
    cj_complex a[1] = {{1.0, 0.0}}, b[1] = {{-0.1, 0.3}};
    double gain = hypot(0.1, 0.3), phase = atan2(0.3, -0.1);
    for (int few = 0; few < 2; few++) {
        double g = 0, p = 0, gu = 0, pu = 0;
        for (unsigned long trial = 0; trial < TRIALS; trial++) {
            double *x = make_tone(200, few ? 1.7 : 11.3, 0.1, a, 1);
            double *y = make_tone(200, few ? 1.7 : 11.3, 0.1, b, 1);
            add_noise(x, 200, 0.02, 2 * trial + 1);
            add_noise(y, 200, 0.01, 2 * trial + 2);
            cj_tone_options options = {.harmonics = 1};
            cj_tone_fit *fit = fit_or_fail((const double *[]){x, y}, 2, 200, &options);
            cj_tone_ratio ratio;
            cj_tone_compare(fit, 1, &ratio);
            g += pow(ratio.gain / gain - 1, 2);
            p += pow(remainder(ratio.phase - phase, TWO_PI), 2);
            gu += ratio.gain_u;
            pu += ratio.phase_u;
            cj_tone_fit_free(fit);
            free(x);
            free(y);
        }
        check_ratio("gain", gu / TRIALS, sqrt(g / TRIALS), 0.1);
        check_ratio("phase", pu / TRIALS, sqrt(p / TRIALS), 0.1);
    }
}

const struct CMUnitTest exact_tests[] = {
    cmocka_unit_test(noiseless_tones_are_exact),
    cmocka_unit_test(thd_helper_is_right),
    cmocka_unit_test(closed_forms_have_their_distortion),
    cmocka_unit_test(small_harmonic_in_24_bits),
    cmocka_unit_test(gaps_carry_no_weight),
    cmocka_unit_test(dead_channels_do_no_harm),
    cmocka_unit_test(silence_is_dc_alone),
    cmocka_unit_test(large_dc_and_high_frequency),
    cmocka_unit_test(eight_bits_within_their_u),
    cmocka_unit_test(close_start_gives_the_same_fit),
    cmocka_unit_test(bad_requests_are_refused),
    cmocka_unit_test(ratio_u_is_the_spread),
};
const size_t exact_test_count = sizeof exact_tests / sizeof *exact_tests;
