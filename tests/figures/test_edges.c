/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Squares whose edges have a closed form. */
#include "tests.h"

enum shape { RAMP, POLE, RINGING };

/* A periodic wave at time t of its period: from -1 to 1 at 0, back at half the period. */
static double edge_value(enum shape shape, double t, double constant)
{
    if (t < 0)
        return -1;
    switch (shape) {
    case RAMP: /* constant: slope, in steps of 2 a second */
        return fmin(1, -1 + 2 * t / constant);
    case POLE:
        return 1 - 2 * exp(-t / constant);
    default: { /* second order, damping 0.4, natural frequency 1/constant */
        double z = 0.4, w = sqrt(1 - z * z);
        return 1 -
               2 * exp(-z * t / constant) * (cos(w * t / constant) + z / w * sin(w * t / constant));
    }
    }
}

static void add_square(struct memory_capture *made, double hz, enum shape shape, double constant)
{
    for (size_t i = 0; i < made->info.samples; i++) {
        double t = fmod((double)i / made->info.rate_hz * hz + 0.3, 1) / hz, half = 0.5 / hz;
        made->x[0][i] +=
            t < half ? edge_value(shape, t, constant) : -edge_value(shape, t - half, constant);
    }
}

/* 10..90 %: 0.8 of a ramp; tau ln 9; second order of damping 0.4: 1.463/w0 (numerically); overshoot
 * exp(-pi z / sqrt(1 - z^2)), of the step. */
void edges_of_squares(void **state)
{
    (void)state;
    static const struct {
        enum shape shape;
        double constant, rise, over;
    } cases[] = {
        {RAMP, 20e-6, 16e-6, 0}, {POLE, 10e-6, 21.972e-6, 0}, {RINGING, 10e-6, 14.63e-6, 25.38}};
    for (size_t i = 0; i < 3; i++)
        for (int scope = 0; scope < 2; scope++) {
            /* 2500 rows of eight bits, 5.4 periods; or 100 periods without noise */
            size_t n = scope ? 2500 : 50000;
            struct memory_capture *made = memory_capture_new(1, n, 500e3);
            add_square(made, scope ? 1083.3 : 1000.37, cases[i].shape, cases[i].constant);
            if (scope)
                memory_capture_quantise(made, 0, 4.0 / 256);
            cj_measurement *m = measured(made, NULL);
            const cj_figure_set *set = &m->channel[0];
            char label[40];
            snprintf(label, sizeof label, "shape %zu, scope %d", i, scope);
            check_word(set, "signal", "square");
            double u = fmax(3 * u_of(set, "rise_s"), 0.01 * cases[i].rise);
            assert_true(u_of(set, "rise_s") < 1e-6);
            check_close(label, value_of(set, "rise_s"), cases[i].rise, u);
            check_close(label, value_of(set, "fall_s"), cases[i].rise, u);
            if (cases[i].over > 0)
                check_close(label, value_of(set, "overshoot_percent"), cases[i].over,
                            scope ? 2 : 0.7);
            else
                check_missing(set, "overshoot_percent", "no overshoot stands out");
            if (cases[i].shape == RAMP)
                check_ratio(label, value_of(set, "slew_v_per_s"), 2 / 20e-6, scope ? 0.06 : 0.01);
            else
                check_missing(set, "slew_v_per_s", "round");
            cj_measurement_free(m);
            memory_capture_free(made);
        }
}

void edges_too_fast_or_absent(void **state)
{
    (void)state;
    struct memory_capture *made = memory_capture_new(1, 48000, 48e3);
    add_square(made, 500, RAMP, 1e-9); /* 96 samples a period: nothing between the levels */
    cj_measurement *m = measured(made, NULL);
    check_missing(&m->channel[0], "rise_s", "faster than the samples show");
    const cj_figure *rise = cj_figure_find(&m->channel[0], "rise_s");
    assert_int_equal(rise->bound_kind, CJ_BELOW);
    assert_true(rise->bound < 4 / 48e3);
    assert_int_equal(cj_figure_find(&m->channel[0], "slew_v_per_s")->bound_kind, CJ_ABOVE);
    cj_measurement_free(m);
    made->info.kind = CJ_KIND_AUDIO;
    m = measured(made, NULL);
    check_missing(&m->channel[0], "overshoot_percent", "its own filter rings");
    cj_measurement_free(m);
    made->info.rate_hz = 0;
    m = measured(made, NULL);
    check_missing(&m->channel[0], "rise_s", "no sample rate");
    cj_measurement_free(m);
    memset(made->x[0], 0, 48000 * sizeof(double));
    made->info.rate_hz = 48e3;
    add_sine(made, 0, 500, 1, 0);
    m = measured(made, NULL);
    assert_null(cj_figure_find(&m->channel[0], "rise_s"));
    cj_measurement_free(m);
    memory_capture_free(made);
}

/* The spread over trials is what u says, or less where u holds the cells' own width. */
void edges_scatter_as_stated(void **state)
{
    (void)state;
    enum { TRIALS = TRIALS_OF(40) };
    double sum = 0, square = 0, u = 0;
    for (int trial = 0; trial < TRIALS; trial++) {
        struct memory_capture *made = memory_capture_new(1, 10000, 500e3);
        add_square(made, 1003.1, POLE, 20e-6);
        add_noise(made, 0, 0.03, (unsigned long long)(trial + 1));
        cj_measurement *m = measured(made, NULL);
        double rise = value_of(&m->channel[0], "rise_s");
        sum += rise;
        square += rise * rise;
        u += u_of(&m->channel[0], "rise_s") / TRIALS;
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    double mean = sum / TRIALS, spread = sqrt(fmax(0, square / TRIALS - mean * mean));
    print_message("rise_s spread %.2g, u / spread %.2f, mean off %.2f u\n", spread, u / spread,
                  (mean - 20e-6 * log(9)) / u);
    assert_true(SANITIZED || (u > 0.7 * spread && u < 3 * spread)); /* too few trials there */
    check_close("mean", mean, 20e-6 * log(9), u);
}
