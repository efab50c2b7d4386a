/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stimuli.c - test signals against their closed forms. */
#include "signal_tests.h"

#include "signal/stimulus.h"

static double *all_of(const cj_stimulus *stimulus, cj_layout *layout, size_t block)
{
    cj_error err = {0};
    cj_generator *generator = NULL;
    if (cj_stimulus_layout(stimulus, layout, &err) != CJ_OK ||
        cj_generator_new(stimulus, &generator, &err) != CJ_OK)
        fail_msg("%s", err.message);
    size_t blocks = (layout->total + block - 1) / block;
    double *x = malloc(sizeof *x * blocks * block);
    assert_non_null(x);
    for (size_t i = 0; i < blocks; i++)
        cj_generator_read(generator, block, x + i * block);
    for (size_t i = layout->total; i < blocks * block; i++)
        check_close("behind the end", x[i], 0, 0);
    cj_generator_free(generator);
    return x;
}

static double rms_of(const double *x, size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += x[i] * x[i];
    return sqrt(sum / (double)n);
}

static double peak_of(const double *x, size_t n)
{
    double most = 0;
    for (size_t i = 0; i < n; i++)
        most = fmax(most, fabs(x[i]));
    return most;
}

/* Amplitude of the component at f cycles a sample, by its Fourier sum: exact over whole periods. */
static double line_of(const double *x, size_t n, double f)
{
    double re = 0, im = 0;
    for (size_t i = 0; i < n; i++) {
        double angle = TWO_PI * fmod(f * (double)i, 1.0);
        re += x[i] * cos(angle);
        im += x[i] * sin(angle);
    }
    return 2 * hypot(re, im) / (double)n;
}

static const cj_stimulus tone = {
    .signal = CJ_SIG_SINE, .rate_hz = 48000, .seconds = 1, .hz = {1000}, .peak = {0.8}};

static void a_tone(void **state)
{
    (void)state;
    cj_layout layout;
    double *x = all_of(&tone, &layout, 1000);
    assert_int_equal(layout.total, 48000);
    for (size_t i = 0; i < layout.total; i += 7)
        check_close("value", x[i], 0.8 * sin(TWO_PI * fmod(1000.0 * (double)i / 48000, 1)), 1e-12);
    check_close("rms", rms_of(x, layout.total), 0.8 / sqrt(2), 1e-12);
    free(x);
    /* whole periods: 997 Hz over 0.4 s are 398.8; 399 of them */
    cj_stimulus odd = tone;
    odd.hz[0] = 997, odd.seconds = 0.4;
    x = all_of(&odd, &layout, 999);
    assert_int_equal(layout.length, (size_t)round(399.0 / 997 * 48000));
    check_close("mean", line_of(x, layout.length, 0), 0, 0.8 * 2e-4);
    free(x);
}

static void two_tones(void **state)
{
    (void)state;
    static const double hz[][2] = {{60, 7000}, {250, 8000}, {19000, 20000}};
    for (int i = 0; i < 3; i++) {
        cj_layout layout;
        cj_stimulus both = tone;
        both.signal = CJ_SIG_TWO_TONE;
        memcpy(both.hz, hz[i], sizeof both.hz);
        both.peak[0] = 0.64, both.peak[1] = 0.16;
        double *x = all_of(&both, &layout, 4096);
        check_close("first", line_of(x, layout.length, hz[i][0] / 48000), 0.64, 1e-11);
        check_close("second", line_of(x, layout.length, hz[i][1] / 48000), 0.16, 1e-11);
        check_close("nothing else", rms_of(x, layout.length), hypot(0.64, 0.16) / sqrt(2), 1e-11);
        check_close("peak", cj_stimulus_peak(&both), 0.8, 1e-15);
        free(x);
    }
}

static void stepped_levels(void **state)
{
    (void)state;
    cj_layout layout;
    cj_stimulus s = tone;
    s.signal = CJ_SIG_STEPPED, s.from_v = 0.1, s.to_v = 10, s.steps = 5, s.seconds = 1;
    static const double levels[] = {0.1, 0.316227766016838, 1, 3.16227766016838,
                                    10}; /* 10 dB apart */
    double *x = all_of(&s, &layout, 777);
    assert_int_equal(layout.length, 48000);
    for (int k = 0; k < 5; k++)
        check_ratio("level", line_of(x + k * 9600, 9600, 1000.0 / 48000), levels[k], 1e-9);
    free(x);
    /* 440 Hz: 0.1 s are 44 periods, 4800 samples; 443 Hz: 44.3, so 44 of 108.35 samples, changed at
     * a zero */
    s.hz[0] = 443, s.seconds = 0.5, s.to_v = 1000;
    x = all_of(&s, &layout, 777);
    for (int k = 1; k < 5; k++) {
        double edge = k * 44 / 443.0 * 48000;
        assert_true(fabs((double)cj__stepped_edge(&s, k) - edge) <= 0.5);
        assert_true(fabs(x[(size_t)round(edge)]) <=
                    cj__stepped_level(&s, k) * TWO_PI * 443 / 48000 * 0.51);
    }
    free(x);
}

/* Gaussian edges: 10 to 90 % in 2 * 1.28155 sigma; no overshoot; even harmonics and aliases
 * nowhere. */
static void a_square(void **state)
{
    (void)state;
    cj_layout layout;
    cj_stimulus s = tone;
    s.signal = CJ_SIG_SQUARE, s.hz[0] = 997, s.peak[0] = 0.5, s.seconds = 1;
    double *x = all_of(&s, &layout, 4096);
    size_t n = layout.length;
    assert_int_equal(n, 48000);
    assert_true(peak_of(x, n) <= 0.5);
    for (size_t i = 1; i < 12;
         i++) /* half a period is 24.07 samples; the first is the middle of an edge */
        assert_true(x[i] >= x[i - 1]);
    check_close("plateau", x[12], 0.5, 1e-9);
    check_close("edge", x[0], 0, 1e-12);
    for (int k = 1; k < 48; k++) {
        double f = k * 997.0 / 48000, wanted = 0;
        if (k % 2 == 1 && f < 0.5)
            wanted = 4 / (k * TWO_PI / 2) * 0.5 * exp(-2 * pow(TWO_PI / 2 * CJ__EDGE_SIGMA * f, 2));
        /* what is above half the rate comes down: at most 1e-4 of the harmonic it was */
        check_close("harmonic", line_of(x, n, fmod(f, 1)), f < 0.5 ? wanted : line_of(x, n, 1 - f),
                    2.2e-6);
    }
    free(x);
    s.hz[0] = 2400;
    double slow[400];
    cj_generator *g = NULL;
    s.rate_hz = 480000; /* the edge is in samples: the same at any rate */
    assert_int_equal(cj_generator_new(&s, &g, NULL), CJ_OK);
    cj_generator_read(g, 400, slow);
    for (int i = 0; i < 8; i++)
        check_close("shape", slow[i], 0.5 * erf(i / (1.366 * sqrt(2))), 1e-12);
    cj_generator_free(g);
}

static void sequences(void **state)
{
    (void)state;
    for (int order = CJ__MLS_LEAST; order <= CJ__MLS_MOST; order++) {
        size_t period = ((size_t)1 << order) - 1;
        cj_layout layout;
        cj_stimulus s = {
            .signal = CJ_SIG_MLS, .rate_hz = 48000, .peak = {1}, .seed = (unsigned)order};
        s.seconds = 3.2 * (double)period / 48000;
        assert_int_equal(cj__mls_order(&s), order);
        double *x = all_of(&s, &layout, 8192), sum = 0;
        assert_int_equal(layout.length, 3 * period);
        for (size_t i = 0; i < period; i++) {
            sum += x[i];
            assert_true(x[i] == x[i + period] && fabs(x[i]) == 1);
        }
        check_close("ones over minus ones", sum, 1, 0);
        /* each window of `order` samples comes once in a period: the very definition */
        unsigned char *seen = calloc(period + 1, 1);
        size_t window = 0;
        for (size_t i = 0; i < period + (size_t)order - 1; i++) {
            window = (window << 1 | (x[i] > 0)) & period;
            if (i >= (size_t)order - 1)
                assert_int_equal(seen[window]++, 0);
        }
        free(seen);
        free(x);
    }
}

/* Density of x about f (cycles a sample), from periodograms of 4096 samples under no window. */
static double power_near(const double *x, size_t n, double low, double high)
{
    enum { SIZE = 4096 };
    cj_spectra *spectra = cj_spectra_new();
    cj_complex *out = calloc(SIZE / 2 + 1, sizeof *out);
    double sum = 0;
    size_t blocks = 0;
    for (size_t at = 0; at + SIZE <= n; at += SIZE, blocks++) {
        assert_int_equal(cj_spectrum(spectra, x + at, SIZE, out, NULL), CJ_OK);
        sum += cj_band_power(out, SIZE, low, high);
    }
    free(out);
    cj_spectra_free(spectra);
    return sum / (double)blocks / (high - low);
}

static void noises(void **state)
{
    (void)state;
    cj_layout layout;
    cj_stimulus s = {
        .signal = CJ_SIG_WHITE, .rate_hz = 48000, .seconds = 40, .rms = 0.2, .seed = 1};
    double *x = all_of(&s, &layout, 65536);
    size_t n = layout.length;
    /* relative standard deviation of an RMS of n Gaussian samples: 1 / sqrt(2n), 5e-4; five of them
     */
    check_ratio("rms", rms_of(x, n), 0.2, 2.6e-3);
    assert_true(peak_of(x, n) <= cj_stimulus_peak(&s));
    assert_true(peak_of(x, n) > 0.75);
    for (int k = 0; k < 8; k++) {
        double power = power_near(x, n, k / 16.0, (k + 1) / 16.0);
        check_ratio("white", power, 0.04 / 0.5, 5 * sqrt(8.0 / (double)n) * 2);
    }
    free(x);
    s.signal = CJ_SIG_PINK;
    x = all_of(&s, &layout, 65536);
    /* the lowest octaves move the RMS: 2 Hz over 40 s are few periods */
    check_ratio("pink rms", rms_of(x, n), 0.2, 0.05);
    assert_true(peak_of(x, n) <= cj_stimulus_peak(&s));
    double reference = power_near(x, n, 1000 / 48000.0, 2000 / 48000.0);
    for (double hz = 125; hz < 16000; hz *= 2) {
        double power = power_near(x, n, hz / 48000, 2 * hz / 48000) * hz / 1000;
        /* an octave of hz has 2 hz 40 degrees of freedom; leakage of a rectangular window counts at
         * the bottom */
        check_ratio("pink octave", power, reference,
                    5 * sqrt(2 / (80 * hz)) + 0.01 + (hz < 500 ? 0.06 : 0));
    }
    free(x);
    for (double rate = 8000; rate <= 192000; rate *= rate < 32000 ? 2 : 1.5)
        for (double hz = 20; hz <= 0.45 * rate; hz *= 1.01)
            check_close("pink filter, dB", cj_pink_deviation(rate, hz), 0, 0.05);
    assert_true(isnan(cj_pink_deviation(48000, 0)) && isnan(cj_pink_deviation(48000, 30000)));
}

/* The seed alone decides, and the size of the blocks does not. */
static void repeatable(void **state)
{
    (void)state;
    static const cj_signal signals[] = {CJ_SIG_WHITE, CJ_SIG_PINK, CJ_SIG_MLS, CJ_SIG_SWEEP,
                                        CJ_SIG_STEPPED};
    for (size_t i = 0; i < sizeof signals / sizeof *signals; i++) {
        cj_layout layout;
        cj_stimulus s = {.signal = signals[i],
                         .rate_hz = 44100,
                         .seconds = 1,
                         .hz = {440},
                         .peak = {1},
                         .from_hz = 20,
                         .to_hz = 20000,
                         .from_v = 0.1,
                         .to_v = 1,
                         .steps = 10,
                         .rms = 0.2,
                         .seed = 9,
                         .marker = true};
        double *x = all_of(&s, &layout, 1), *y = all_of(&s, &layout, 5000);
        assert_memory_equal(x, y, layout.total * sizeof *x);
        s.seed = 10;
        double *z = all_of(&s, &layout, 5000);
        if (i < 3)
            assert_memory_not_equal(x, z, layout.total * sizeof *x);
        else
            assert_memory_equal(x, z, layout.total * sizeof *x);
        free(x), free(y), free(z);
    }
}

/* ---- the sweep ---- */

static void a_sweep(void **state)
{
    (void)state;
    cj_layout layout;
    cj_sweep sweep;
    cj_stimulus s = {.signal = CJ_SIG_SWEEP,
                     .rate_hz = 48000,
                     .seconds = 5,
                     .from_hz = 20,
                     .to_hz = 20000,
                     .peak = {0.5}};
    assert_int_equal(cj_sweep_make(&s, &sweep, NULL), CJ_OK);
    double turns = sweep.from_hz * sweep.scale_s;
    check_close("closed", turns, round(turns), 1e-12 * turns);
    check_close("seconds", sweep.seconds, 5, 0.5 / 20 * log(1000));
    check_ratio("frequency at 0", cj_sweep_frequency(&sweep, 0), 20.0, 1e-15);
    check_ratio("frequency at T", cj_sweep_frequency(&sweep, sweep.seconds), 20000.0, 1e-12);
    check_ratio("time", cj_sweep_time(&sweep, 20000), sweep.seconds, 1e-12);
    check_ratio("lead", cj_sweep_frequency(&sweep, -sweep.lead_s), 20 / sqrt(2), 1e-12);
    check_ratio("trail", cj_sweep_frequency(&sweep, sweep.seconds + sweep.trail_s),
                fmin(20000 * pow(2, 0.25), 0.49 * 48000), 1e-12);
    /* harmonic k of the sweep is the sweep t_k = L ln k earlier, in phase: sin(k phi(t)) =
     * sin(phi(t + t_k)) */
    for (int k = 2; k <= 5; k++)
        for (double t = 0.01; t < 1; t += 0.0137) {
            double later = cj_sweep_turns(&sweep, t + sweep.scale_s * log(k));
            double off = k * cj_sweep_turns(&sweep, t) - later;
            check_close("harmonic's phase, turns", off, round(off), 1e-10 * later);
        }
    double *x = all_of(&s, &layout, 4096);
    assert_int_equal(layout.length,
                     (size_t)floor((sweep.lead_s + sweep.seconds + sweep.trail_s) * 48000) + 1);
    for (size_t i = 0; i < layout.length; i++) {
        double t = (double)i / 48000 - sweep.lead_s;
        if (t >= 0 && t <= sweep.seconds)
            check_close("value", x[i],
                        0.5 * sin(TWO_PI * fmod(turns * (exp(t / sweep.scale_s) - 1), 1)), 1e-9);
    }
    check_close("begins at nothing", fabs(x[0]), 0, 1e-9);
    check_close("ends at nothing", fabs(x[layout.length - 1]), 0, 1e-6);
    check_close("peak", peak_of(x, layout.length), 0.5, 1e-4);
    free(x);
}

static void a_marker(void **state)
{
    (void)state;
    cj_layout layout;
    cj_stimulus s = tone;
    s.marker = true, s.seconds = 0.5;
    double *x = all_of(&s, &layout, 4096);
    assert_int_equal(layout.marker, 4800);
    assert_int_equal(layout.start, 4800 + 8640);
    assert_int_equal(layout.total, 4800 + 8640 + 24000 + 4800);
    check_close("silence", peak_of(x, 4801), 0, 0);
    check_close("level", peak_of(x + 4800, 3840), 0.8, 0.02);
    check_close("middle of the first chirp", x[4800 + 960], 0.8, 1e-9);
    check_close("middle of the second", x[4800 + 2880], 0.8, 1e-9);
    check_close("between them", x[4800 + 1920], 0, 1e-9);
    check_close("silence behind it", peak_of(x + 4800 + 3840, 4800), 0, 0);
    check_close("silence at the end", peak_of(x + 4800 + 8640 + 24000, 4800), 0, 0);
    free(x);
    cj_stimulus quiet = {
        .signal = CJ_SIG_SILENCE, .rate_hz = 48000, .seconds = 0.5, .marker = true};
    assert_int_equal(cj_stimulus_layout(&quiet, &layout, NULL), CJ_OK);
    assert_int_equal(layout.total, 24000);
    quiet.peak[0] = 0.1;
    x = all_of(&quiet, &layout, 4096);
    check_close("marker's own level", x[4800 + 960], 0.1, 1e-9);
    check_close("silence", peak_of(x + layout.start, layout.length), 0, 0);
    free(x);
}

/* ---- what cannot be ---- */

static void refusals(void **state)
{
    (void)state;
    static const struct {
        cj_stimulus s;
        const char *says;
    } cases[] = {
        {{.signal = CJ_SIG_SINE, .rate_hz = 0, .seconds = 1, .hz = {1000}, .peak = {1}},
         "rate of 0 Hz"},
        {{.signal = CJ_SIG_SINE, .rate_hz = NAN, .seconds = 1, .hz = {1000}, .peak = {1}},
         "rate of nan Hz"},
        {{.signal = CJ_SIG_SINE, .rate_hz = 48000, .seconds = 0, .hz = {1000}, .peak = {1}},
         "0 s hold no sample"},
        {{.signal = CJ_SIG_SINE, .rate_hz = 48000, .seconds = NAN, .hz = {1000}, .peak = {1}},
         "hold no sample"},
        {{.signal = CJ_SIG_SINE, .rate_hz = 48000, .seconds = 1e9, .hz = {1000}, .peak = {1}},
         "too long"},
        {{.signal = CJ_SIG_SINE, .rate_hz = 48000, .seconds = 1, .hz = {24000}, .peak = {1}},
         "24000 Hz is too high"},
        {{.signal = CJ_SIG_SINE, .rate_hz = 48000, .seconds = 1, .hz = {-5}, .peak = {1}},
         "not above 0"},
        {{.signal = CJ_SIG_SINE, .rate_hz = 48000, .seconds = 1, .hz = {INFINITY}, .peak = {1}},
         "not above 0"},
        {{.signal = CJ_SIG_SINE, .rate_hz = 48000, .seconds = 1, .hz = {1000}, .peak = {NAN}},
         "a peak of nan"},
        {{.signal = CJ_SIG_SINE, .rate_hz = 48000, .seconds = 0.0001, .hz = {10}, .peak = {1}},
         "not one period"},
        {{.signal = CJ_SIG_TWO_TONE, .rate_hz = 48000, .seconds = 1, .hz = {60}, .peak = {1, 1}},
         "not above 0"},
        {{.signal = CJ_SIG_SQUARE, .rate_hz = 48000, .seconds = 1, .hz = {3000}, .peak = {1}},
         "20 samples a period"},
        {{.signal = CJ_SIG_SWEEP,
          .rate_hz = 48000,
          .seconds = 1,
          .from_hz = 20,
          .to_hz = 24000,
          .peak = {1}},
         "22800 Hz at most"},
        {{.signal = CJ_SIG_SWEEP,
          .rate_hz = 48000,
          .seconds = 1,
          .from_hz = 200,
          .to_hz = 20,
          .peak = {1}},
         "runs upward"},
        {{.signal = CJ_SIG_SWEEP,
          .rate_hz = 48000,
          .seconds = 0.1,
          .from_hz = 20,
          .to_hz = 20000,
          .peak = {1}},
         "0.345 s at least"},
        {{.signal = CJ_SIG_STEPPED,
          .rate_hz = 48000,
          .seconds = 1,
          .hz = {1000},
          .to_v = 1,
          .steps = 5},
         "lowest level of 0"},
        {{.signal = CJ_SIG_STEPPED,
          .rate_hz = 48000,
          .seconds = 1,
          .hz = {1000},
          .from_v = 1,
          .to_v = 2,
          .steps = 1},
         "1 levels"},
        {{.signal = CJ_SIG_STEPPED,
          .rate_hz = 48000,
          .seconds = 1,
          .hz = {10},
          .from_v = 1,
          .to_v = 2,
          .steps = 20},
         "2 s at least"},
        {{.signal = CJ_SIG_WHITE, .rate_hz = 48000, .seconds = 1}, "RMS level of 0"},
        {{.signal = CJ_SIG_MLS, .rate_hz = 48000, .seconds = 1e-4, .peak = {1}}, "too short"},
        {{.signal = (cj_signal)99, .rate_hz = 48000, .seconds = 1}, "does not exist"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        cj_error err = {0};
        cj_layout layout;
        cj_generator *generator = NULL;
        assert_int_equal(cj_stimulus_check(&cases[i].s, &err), CJ_USAGE);
        check_holds("message", err.message, cases[i].says);
        assert_int_equal(cj_stimulus_layout(&cases[i].s, &layout, NULL), CJ_USAGE);
        assert_int_equal(cj_generator_new(&cases[i].s, &generator, NULL), CJ_USAGE);
        assert_null(generator);
    }
    cj_sweep sweep;
    assert_int_equal(cj_sweep_make(&tone, &sweep, NULL), CJ_USAGE);
    cj_generator_free(NULL);
    assert_string_equal(cj_signal_word(CJ_SIG_TWO_TONE), "two-tone");
    assert_string_equal(cj_signal_word((cj_signal)99), "?");
}

const struct CMUnitTest stimuli_tests[] = {
    cmocka_unit_test(a_tone),     cmocka_unit_test(two_tones), cmocka_unit_test(stepped_levels),
    cmocka_unit_test(a_square),   cmocka_unit_test(sequences), cmocka_unit_test(noises),
    cmocka_unit_test(repeatable), cmocka_unit_test(a_sweep),   cmocka_unit_test(a_marker),
    cmocka_unit_test(refusals),
};
const size_t stimuli_test_count = sizeof stimuli_tests / sizeof *stimuli_tests;
