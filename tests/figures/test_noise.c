/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_noise.c - weighted noise, density, hum and ripple against closed forms. */
#include "tests.h"

#include "coldjoint/signal.h"

static double db(double ratio)
{
    return 20 * log10(ratio);
}

/* RMS of white noise of RMS 1 at a rate, weighted, from low to high: the integral of the curve's
 * gain squared by the midpoint rule. */
static double weighted_white(double rate, double low, double high)
{
    double sum = 0, step = 0.5;
    for (double hz = low + step / 2; hz < fmin(high, rate / 2); hz += step)
        sum += step * pow(cj_weighting_gain(CJ_WEIGHTING_A, hz), 2);
    return sqrt(sum / (rate / 2));
}

/* White noise alone, under a tone, and in records of many blocks. 1.55 is the reading of Gaussian
 * noise over its weighted RMS (computed outside from the meter's equations: 1.549). */
void weighted_noise(void **state)
{
    (void)state;
    static const struct {
        double rate;
        size_t samples;
        double tone;
    } cases[] = {{44100, 88200, 0},     {48000, 96000, 1000},  {96000, 192000, 0},
                 {96000, 192000, 997},  {96000, 900000, 1000}, {96000, 900000, 0},
                 {192000, 400000, 2000}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct memory_capture *made = memory_capture_new(1, cases[i].samples, cases[i].rate);
        add_sine(made, 0, cases[i].tone, 1, 0.3);
        add_sine(made, 0, 2 * cases[i].tone, 0.01, 0.3);
        add_constant(made, 0, 0.2);
        add_noise(made, 0, 1e-3, 40 + i);
        cj_measurement *m = measured(made, NULL);
        const cj_figure_set *set = &m->channel[0];
        char label[60];
        snprintf(label, sizeof label, "rate %g, %zu samples, tone %g", cases[i].rate,
                 cases[i].samples, cases[i].tone);
        double a = 1e-3 * weighted_white(cases[i].rate, 20, 20000);
        check_close(label, value_of(set, "noise_a_v"), a, 3.5 * u_of(set, "noise_a_v"));
        check_ratio(label, value_of(set, "noise_a_v"), a, 0.02);
        double density = 1e-3 / sqrt(cases[i].rate / 2);
        check_close(label, value_of(set, "noise_density_v"), density,
                    3.5 * u_of(set, "noise_density_v"));
        assert_string_equal(cj_figure_find(set, "noise_density_v")->unit, "V/rtHz");
        double sum = 0; /* 468-weighted RMS */
        for (double hz = 5; hz < cases[i].rate / 2; hz += 10)
            sum += 10 * pow(cj_weighting_gain(CJ_WEIGHTING_468, hz), 2) / (cases[i].rate / 2);
        double reading = value_of(set, "noise_468_v") / (1e-3 * sqrt(sum));
        /* the largest of some seconds: up to 4 deviations of 1.5 % above the mean reading */
        check_close(label, reading / (1.55 * 1.03), 1, 0.035);
        cj_measurement_free(m);
        memory_capture_free(made);
    }
}

/* A line of mains hum alone weighs what the curve says, and nothing leaks from it into what is
 * weighed more: A at 50 Hz is -30.3 dB, 468 -25.8 dB. */
void weighted_hum(void **state)
{
    (void)state;
    static const double lines[] = {50, 60, 100, 150};
    static const size_t lengths[] = {96000, 96123, 700000};
    for (size_t l = 0; l < 3; l++)
        for (size_t i = 0; i < 4; i++) {
            struct memory_capture *made = memory_capture_new(1, lengths[l], 48000);
            add_sine(made, 0, lines[i], 0.1, 1.2);
            add_noise(made, 0, 1e-6, i + 1);
            /* without this the line would be the tone */
            add_sine(made, 0, 5000, 1, 0);
            cj_measurement *m = measured(made, NULL);
            char label[60];
            snprintf(label, sizeof label, "%g Hz, %zu samples", lines[i], lengths[l]);
            double rms = 0.1 / sqrt(2), a = cj_weighting_gain(CJ_WEIGHTING_A, lines[i]);
            double q = cj_weighting_gain(CJ_WEIGHTING_468, lines[i]);
            check_close(label, db(value_of(&m->channel[0], "noise_a_v") / rms / a), 0, 0.02);
            /* the pointer follows 50 Hz a little: its largest reading */
            check_close(label, db(value_of(&m->channel[0], "noise_468_v") / rms / q), 0.15, 0.3);
            assert_true(u_of(&m->channel[0], "noise_a_v") <
                        0.01 * value_of(&m->channel[0], "noise_a_v"));
            cj_measurement_free(m);
            memory_capture_free(made);
        }
}

/* Stated u against the spread of seeded trials. */
void noise_uncertainties(void **state)
{
    (void)state;
    enum { TRIALS = TRIALS_OF(200) };
    static const char *const names[] = {"noise_a_v", "noise_468_v", "noise_density_v"};
    double sum[3] = {0}, square[3] = {0}, u[3] = {0};
    for (int trial = 0; trial < TRIALS; trial++) {
        struct memory_capture *made = memory_capture_new(1, 48000, 16000);
        add_noise(made, 0, 0.01, (unsigned long long)trial + 1);
        cj_measurement *m = measured(made, NULL);
        for (int k = 0; k < 3; k++) {
            double value = value_of(&m->channel[0], names[k]);
            sum[k] += value / TRIALS;
            square[k] += value * value / TRIALS;
            u[k] += u_of(&m->channel[0], names[k]) / TRIALS;
        }
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    for (int k = 0; k < 3; k++) {
        double spread = sqrt((square[k] - sum[k] * sum[k]) * TRIALS / (TRIALS - 1.0));
        print_message("%-16s u / spread %.3f\n", names[k], u[k] / spread);
        /* the meter's u holds in the limit of many readings and is some way off for ten */
        check_close(names[k], u[k] / spread, 1, SCATTER_OF(TRIALS) + (k == 1 ? 0.25 : 0.05));
    }
}

void noise_that_cannot_be_told(void **state)
{
    (void)state;
    static const char *const names[] = {"noise_v", "noise_a_v", "noise_468_v", "noise_density_v"};
    struct memory_capture *made = memory_capture_new(1, 40000, 48000);
    add_sine(made, 0, 997, 1, 0);
    add_noise(made, 0, 1e-3, 3);
    cj_measurement *m = measured(made, NULL);
    check_missing(&m->channel[0], "noise_468_v", "needs 1 s");
    assert_true(value_of(&m->channel[0], "noise_a_v") > 0);
    cj_measurement_free(m);
    made->info.rate_hz = 0;
    m = measured(made, NULL);
    for (size_t i = 1; i < 4; i++)
        check_missing(&m->channel[0], names[i], "no sample rate");
    cj_measurement_free(m);
    made->info.rate_hz = 48000;
    made->info.envelope = true;
    m = measured(made, NULL);
    for (size_t i = 0; i < 4; i++)
        check_missing(&m->channel[0], names[i], "peak-detect");
    cj_measurement_free(m);
    made->info.envelope = false;
    made->channel[0].unit = "FS";
    m = measured(made, NULL);
    assert_string_equal(cj_figure_find(&m->channel[0], "noise_density_v")->unit, "FS/rtHz");
    cj_measurement_free(m);
    memory_capture_free(made);
    /* the converter's own steps */
    made = memory_capture_new(1, 96000, 48000);
    add_sine(made, 0, 997, 1, 0);
    memory_capture_quantise(made, 0, 0.01);
    m = measured(made, NULL);
    for (size_t i = 0; i < 4; i++) {
        check_missing(&m->channel[0], names[i], "under the capture's own steps");
        assert_int_equal(cj_figure_find(&m->channel[0], names[i])->bound_kind, CJ_BELOW);
    }
    cj_measurement_free(m);
    memory_capture_free(made);
    /* 4 ms of a scope */
    made = memory_capture_new(1, 2000, 500e3);
    add_noise(made, 0, 0.1, 3);
    m = measured(made, NULL);
    check_missing(&m->channel[0], "noise_a_v", "too short");
    check_missing(&m->channel[0], "noise_468_v", "too short");
    check_missing(&m->channel[0], "noise_density_v", "too short");
    cj_measurement_free(m);
    memory_capture_free(made);
}

/* The chain's own noise is taken out in power. */
void noise_of_the_chain_is_taken_out(void **state)
{
    (void)state;
    struct memory_capture *made = memory_capture_new(1, 192000, 48000);
    add_noise(made, 0, 1e-3, 3);
    cj_measurement *whole = measured(made, NULL);
    cj_instruments chain = *ideal_chain();
    chain.noise_v = value_of(&whole->channel[0], "noise_v") * 0.6;
    cj_measure_options options = {.instruments = &chain};
    cj_measurement *less = measured(made, &options);
    static const char *const names[] = {"noise_v", "noise_a_v", "noise_468_v", "noise_density_v"};
    for (size_t i = 0; i < 4; i++) /* white noise: the same share of each, 1 - 0.36 = 0.8^2 */
        check_ratio(names[i], value_of(&less->channel[0], names[i]),
                    0.8 * value_of(&whole->channel[0], names[i]), 0.03);
    cj_measurement_free(whole);
    cj_measurement_free(less);
    memory_capture_free(made);
}
