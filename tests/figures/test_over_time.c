/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Levels in steps, DC that drifts, crosstalk at two tones. */
#include "tests.h"

/* 1 kHz from 0.1 V to 2 V in 20 steps; channel 2 clips at 1.5 V above and -1.2 V below. */
static struct memory_capture *stairs(double high, double low)
{
    enum { STEPS = 20, LONG = 9600 };
    struct memory_capture *made = memory_capture_new(2, STEPS * LONG, 96e3);
    for (size_t i = 0; i < STEPS * LONG; i++) {
        double peak = 0.1 + 1.9 * (double)(i / LONG) / (STEPS - 1);
        double x = peak * sin(2 * M_PI * 1000 * (double)i / 96e3);
        made->x[0][i] = x;
        made->x[1][i] = fmin(high, fmax(low, x));
    }
    add_noise(made, 0, 1e-4, 1);
    add_noise(made, 1, 1e-4, 2);
    return made;
}

/* THD of a sine clipped on one side or both, by its Fourier series, integrated numerically. */
static double thd_of(double peak, double high, double low)
{
    enum { POINTS = 4096 };
    double square = 0, first = 0;
    for (int k = 1; k <= 10; k++) {
        double re = 0, im = 0;
        for (int i = 0; i < POINTS; i++) {
            double turn = 2 * M_PI * (i + 0.5) / POINTS;
            double x = fmin(high, fmax(low, peak * sin(turn)));
            re += x * cos(k * turn) * 2 / POINTS;
            im += x * sin(k * turn) * 2 / POINTS;
        }
        if (k == 1)
            first = hypot(re, im);
        else
            square += re * re + im * im;
    }
    return sqrt(square) / first;
}

static double level_of_one_percent(double high, double low)
{
    double from = 0.1, to = 5;
    for (int i = 0; i < 50; i++) {
        double middle = (from + to) / 2;
        *(thd_of(middle, high, low) < 0.01 ? &from : &to) = middle;
    }
    return from;
}

void levels_in_steps(void **state)
{
    (void)state;
    static const double limits[][2] = {{1.5, -1.5}, {1.5, -1.2}, {0.9, -1.6}};
    for (size_t i = 0; i < 3; i += SANITIZED ? 2 : 1) {
        struct memory_capture *made = stairs(limits[i][0], limits[i][1]);
        cj_measurement *m = measured(made, NULL);
        check_word(&m->channel[0], "signal", "stepped");
        check_word(&m->channel[1], "signal", "stepped");
        check_missing(&m->channel[1], "thd_percent", "in steps");
        check_missing(&m->channel[1], "dropouts", "in steps");
        double want = level_of_one_percent(limits[i][0], limits[i][1]);
        double u = u_of(&m->channel[1], "clip_input_v");
        check_close("input", value_of(&m->channel[1], "clip_input_v"), want, 2 * u);
        check_close("spacing", u, 0.1 / sqrt(12), 0.005);
        /* the side that clips first stands at its limit, the other at the level reached */
        bool above = limits[i][0] < -limits[i][1];
        double high = value_of(&m->channel[1], "clip_high_v"),
               low = value_of(&m->channel[1], "clip_low_v");
        check_close("high", high, fmin(limits[i][0], want), 0.06);
        check_close("low", low, fmax(limits[i][1], -want), 0.06);
        if (above)
            check_close("high is flat", high, limits[i][0], 0.03);
        check_missing(&m->channel[0], "clip_level_v", "stays below 1 %");
        assert_int_equal(cj_figure_find(&m->channel[0], "clip_level_v")->bound_kind, CJ_ABOVE);
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    /* a steady tone, clipped or not, has no such figure */
    struct memory_capture *made = memory_capture_new(1, 96000, 96e3);
    add_sine(made, 0, 1000, 1, 0);
    cj_measurement *m = measured(made, NULL);
    assert_null(cj_figure_find(&m->channel[0], "clip_level_v"));
    check_word(&m->channel[0], "signal", "tone");
    cj_measurement_free(m);
    memory_capture_free(made);
}

/* 0.2 V that settle with a time constant of 2 s, and a straight 5 mV/s; under a tone, and alone. */
void dc_that_drifts(void **state)
{
    (void)state;
    for (int tone = 0; tone < 2; tone++)
        for (int bent = 0; bent < 2; bent++) {
            struct memory_capture *made = memory_capture_new(1, 480000, 48e3);
            for (size_t i = 0; i < 480000; i++) {
                double t = (double)i / 48e3;
                made->x[0][i] = bent ? 0.3 - 0.2 * exp(-t / 2) : 0.1 + 0.005 * t;
            }
            if (tone)
                add_sine(made, 0, 997, 1, 0);
            add_noise(made, 0, 1e-3, 3);
            cj_measurement *m = measured(made, NULL);
            double slope = value_of(&m->channel[0], "drift_v_per_s");
            if (bent) {
                assert_true(slope > 0.012 && slope < 0.02);
                check_close("settled", value_of(&m->channel[0], "settled_v"), 0.3,
                            fmax(0.002, 3 * u_of(&m->channel[0], "settled_v")));
                assert_true(u_of(&m->channel[0], "settled_v") < 0.01);
            } else {
                check_close("slope", slope, 0.005,
                            fmax(2e-6, 4 * u_of(&m->channel[0], "drift_v_per_s")));
                check_missing(&m->channel[0], "settled_v", "not slowed enough");
            }
            cj_measurement_free(m);
            memory_capture_free(made);
        }
    int told = 0; /* noise alone drifts nowhere */
    for (unsigned long long seed = 1; seed <= TRIALS_OF(20); seed++) {
        struct memory_capture *made = memory_capture_new(1, 48000, 48e3);
        add_sine(made, 0, 997, 1, 0);
        add_noise(made, 0, 1e-2, seed);
        cj_measurement *m = measured(made, NULL);
        told += isfinite(cj_figure_find(&m->channel[0], "drift_v_per_s")->value);
        made->info.coupling = CJ_COUPLING_AC;
        cj_measurement_free(m);
        m = measured(made, NULL);
        check_missing(&m->channel[0], "drift_v_per_s", "AC-coupled");
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    assert_true(told <= 1);
}

/* Leaks: flat through a resistance, 6.02 dB an octave through a capacitance; the slope scatters as
 * u says. */
void crosstalk_slopes(void **state)
{
    (void)state;
    for (int rising = 0; rising < 2; rising++) {
        double sum = 0, square = 0, u = 0;
        enum { TRIALS = TRIALS_OF(30) };
        for (int trial = 0; trial < TRIALS; trial++) {
            struct memory_capture *made = memory_capture_new(2, 24000, 48e3);
            double factor = rising ? 8000.0 / 250 : 1;
            add_sine(made, 0, 250, 0.8, 0);
            add_sine(made, 0, 8000, 0.2, 0);
            add_sine(made, 1, 250, 0.8e-3, rising ? M_PI / 2 : 0);
            add_sine(made, 1, 8000, 0.2e-3 * factor, rising ? M_PI / 2 : 0);
            add_noise(made, 1, 1e-3, (unsigned long long)(trial + 1));
            cj_measurement *m = measured(made, NULL);
            double slope = value_of(&m->pair, "slope_db_per_octave");
            sum += slope;
            square += slope * slope;
            u += u_of(&m->pair, "slope_db_per_octave") / TRIALS;
            assert_non_null(m->response);
            assert_int_equal((int)m->response->count, 2);
            check_close("lower tone", m->response->hz[0], 250, 0.1);
            check_close("upper tone", m->response->gain_db[1], 20 * log10(1e-3 * factor),
                        5 * m->response->u_gain_db[1]);
            check_close("its phase", m->response->phase_deg[1], rising ? 90 : 0,
                        5 * m->response->u_phase_deg[1]);
            cj_measurement_free(m);
            memory_capture_free(made);
        }
        double mean = sum / TRIALS, spread = sqrt(fmax(0, square / TRIALS - mean * mean));
        check_close("slope", mean, rising ? 20 * log10(2) : 0, 4 * u / sqrt(TRIALS));
        check_ratio("u of the slope", spread, u, SCATTER_OF(TRIALS));
    }
}
