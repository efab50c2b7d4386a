/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Momentary losses: how many are found, how many are not there, and when they were. */
#include "tests.h"

static double uniform_of(unsigned long long *state)
{
    *state = *state * 6364136223846793005ull + 1442695040888963407ull;
    return (double)(*state >> 11) * 0x1p-53;
}

/* One loss of `seconds` at a random time in each quarter of a second of a tone, noise 40 dB below
 * it (signal to noise in power over the whole band). */
struct trial {
    double hz, rate, seconds;
    int found, made, false_ones;
    double length_off; /* largest error of a length, of a time */
    double at_off;
};

static void run_trial(struct trial *t, unsigned long long seed)
{
    enum { LOSSES_MADE = 6 };
    size_t n = (size_t)(0.25 * t->rate * (LOSSES_MADE + 1)),
           length = (size_t)(t->seconds * t->rate);
    struct memory_capture *made = memory_capture_new(1, n, t->rate);
    double at[LOSSES_MADE];
    unsigned long long state = seed * 7919;
    add_sine(made, 0, t->hz, 1, 2 * M_PI * uniform_of(&state));
    for (int k = 0; k < LOSSES_MADE; k++) {
        size_t from = (size_t)((0.25 * k + 0.1 + 0.2 * uniform_of(&state)) * t->rate);
        at[k] = (double)from / t->rate;
        memset(made->x[0] + from, 0, length * sizeof(double));
    }
    add_noise(made, 0, 0.01 / sqrt(2), seed);
    cj_measurement *m = measured(made, NULL);
    size_t count = m->loss_count[0];
    assert_int_equal((int)count, (int)value_of(&m->channel[0], "dropouts"));
    t->made += LOSSES_MADE;
    t->false_ones += (int)count;
    for (int k = 0; k < LOSSES_MADE; k++)
        for (size_t i = 0; i < count; i++) {
            const cj_loss *loss = &m->losses[0][i];
            if (loss->at_s + loss->seconds < at[k] || loss->at_s > at[k] + t->seconds)
                continue;
            t->found++;
            t->false_ones--;
            t->at_off = fmax(t->at_off, fabs(loss->at_s - at[k]));
            t->length_off = fmax(t->length_off, fabs(loss->seconds - t->seconds));
            break;
        }
    cj_measurement_free(m);
    memory_capture_free(made);
}

/* 99 % of full losses of 0.5 ms at 40 dB and 500 Hz or more; 0.2 ms is what the pieces are made
 * for. */
void losses_are_found(void **state)
{
    (void)state;
    static const struct {
        double hz, rate, seconds;
    } cases[] = {{500, 44100, 5e-4}, {500, 96e3, 5e-4},   {997, 48e3, 5e-4},  {3150, 44100, 5e-4},
                 {9000, 48e3, 5e-4}, {19000, 96e3, 5e-4}, {1000, 48e3, 2e-4}, {5000, 48e3, 2e-4}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct trial t = {cases[i].hz, cases[i].rate, cases[i].seconds, 0, 0, 0, 0, 0};
        for (unsigned long long seed = 1; seed <= TRIALS_OF(20); seed++)
            run_trial(&t, 100 * i + seed);
        print_message("%5.0f Hz at %5.0f a second, %.1f ms: %d of %d found, %d false\n", t.hz,
                      t.rate, 1e3 * t.seconds, t.found, t.made, t.false_ones);
        assert_true(t.found >= 0.99 * t.made);
        assert_int_equal(t.false_ones, 0);
        /* a quarter of a period may pass near zero before a loss shows */
        assert_true(t.at_off <= 2.5e-4 + 0.1 / t.hz);
        assert_true(t.length_off <= 3e-4 + 0.2 / t.hz);
    }
}

/* What is no loss: hum and an oscillation 20 dB down, steps of the converter, a slow wobble of
 * level. */
void no_losses_where_none_are(void **state)
{
    (void)state;
    for (int kind = 0; kind < 5; kind++)
        for (int slow = 0; slow < 2; slow++) {
            struct memory_capture *made = memory_capture_new(1, 240000, 48e3);
            double hz = slow ? 60.7 : 997;
            add_sine(made, 0, hz, 1, 0);
            if (kind == 1)
                add_sine(made, 0, 50.03, 0.1, 1);
            if (kind == 2)
                add_sine(made, 0, 17100, 0.1, 1);
            for (size_t i = 0; kind == 3 && i < 240000; i++)
                made->x[0][i] *= 1 + 0.1 * sin(2 * M_PI * 0.9 * (double)i / 48e3);
            for (size_t i = 0; kind == 4 && i < 240000; i += 5000)
                made->x[0][i] += 0.5; /* clicks on top */
            add_noise(made, 0, 0.01 / sqrt(2), (unsigned long long)(kind + 1));
            memory_capture_quantise(made, 0, 1.0 / 128);
            cj_measurement *m = measured(made, NULL);
            check_close("dropouts", value_of(&m->channel[0], "dropouts"), 0, 0);
            assert_null(m->losses[0]);
            cj_measurement_free(m);
            memory_capture_free(made);
        }
}

/* A contact that opens to half the level, and an input that jumps to a rail: both count. A loss
 * does not spoil noise and distortion of the rest. */
void steps_count_too(void **state)
{
    (void)state;
    for (int kind = 0; kind < 2; kind++) {
        struct memory_capture *made = memory_capture_new(1, 192000, 96e3);
        add_sine(made, 0, 997, 1, 0);
        for (size_t i = 100000; i < 100480; i++)
            made->x[0][i] = kind ? 5 : 0.45 * made->x[0][i];
        made->info.start_s = -1;
        cj_measurement *m = measured(made, NULL);
        check_close("dropouts", value_of(&m->channel[0], "dropouts"), 1, 0);
        check_close("at", m->losses[0][0].at_s, 100000 / 96e3 - 1, 3.5e-4);
        check_close("for", m->losses[0][0].seconds, 5e-3, 6e-4);
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    struct memory_capture *made = memory_capture_new(1, 96000, 96e3);
    add_sine(made, 0, 997, 1, 0);
    for (size_t i = 50000; i < 50048; i++)
        made->x[0][i] = 0;
    add_noise(made, 0, 1e-4, 3);
    cj_measurement *m = measured(made, NULL);
    check_close("dropouts", value_of(&m->channel[0], "dropouts"), 1, 0);
    assert_true(cj_figure_find(&m->channel[0], "noise_v")->value < 2e-4);
    cj_measurement_free(m);
    memory_capture_free(made);
}

/* Every loss counts in a record of many blocks, wherever a block ends. */
void losses_of_long_records(void **state)
{
    (void)state;
    struct memory_capture *made = memory_capture_new(1, 700000, 48e3);
    add_sine(made, 0, 997, 1, 0);
    for (size_t k = 1; k < 10; k++) /* across the ends of blocks, and off them */
        memset(made->x[0] + 65536 * k - 6 * k, 0, 48 * sizeof(double));
    add_noise(made, 0, 0.01 / sqrt(2), 11);
    cj_measurement *m = measured(made, NULL);
    check_close("dropouts", value_of(&m->channel[0], "dropouts"), 9, 0);
    for (size_t k = 1; k < 10; k++)
        check_close("at", m->losses[0][k - 1].at_s, (double)(65536 * k - 6 * k) / 48e3, 3e-4);
    cj_measurement_free(m);
    memory_capture_free(made);
}
