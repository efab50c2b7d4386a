/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_hum.c - mains hum at its Cramer-Rao bound, its level, and ripple told from it. */
#include "tests.h"

static double db(double ratio)
{
    return 20 * log10(ratio);
}

/*
 * The bound of a frequency shared by lines k of peak a_k in white noise of standard deviation s:
 * var f = 6 s^2 rate^2 / (pi^2 N^3 sum k^2 a_k^2) in Hz^2 (Rife and Boorstyn 1974 for one line; the
 * lines' Fisher informations add up).
 */
static double bound_hz(double rate, double samples, double noise, double weighted_square)
{
    return noise * rate / M_PI * sqrt(6 / (pow(samples, 3) * weighted_square));
}

struct hum_case {
    double rate, seconds, tone, hum, noise, other; /* other: level of line `order` */
    int order, trials;
};

/* 2 s at 48 kHz reach 0.01 Hz from a single line 21 dB below the noise (bound_hz: a/s = 0.126). */
void hum_frequency_at_its_bound(void **state)
{
    (void)state;
    static const struct hum_case cases[] = {
        {8000, 2, 0, 0.01, 0.01, 0, 1, 120},         /* alone, in noise of -37 dB */
        {8000, 2, 997, 1e-3, 1e-3, 5e-4, 2, 120},    /* 60 dB below a tone */
        {8000, 2, 997, 1e-3, 1e-3, 4e-4, 11, 120},   /* a high line tells the frequency best */
        {48000, 2, 997, 1e-3, 1e-3 / 0.3, 0, 1, 60}, /* where the bound is 4.2 mHz */
        {48000, 12, 997, 1e-3, 1e-2, 0, 1, 30},      /* many blocks: means of samples */
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const struct hum_case *is = &cases[i];
        size_t n = (size_t)(is->rate * is->seconds);
        int count = TRIALS_OF(is->trials);
        double square = 0, u = 0, level = 0, hz = 49.973, trials = count;
        for (int trial = 0; trial < count; trial++) {
            struct memory_capture *made = memory_capture_new(1, n, is->rate);
            add_sine(made, 0, is->tone, is->tone > 0, 0.1 * trial);
            add_sine(made, 0, hz, is->hum, 0.37 * trial);
            add_sine(made, 0, is->order * hz, is->other, 0.73 * trial);
            add_noise(made, 0, is->noise, (unsigned long long)(trial + 1));
            cj_measurement *m = measured(made, NULL);
            square += pow(value_of(&m->channel[0], "hum_hz") - hz, 2) / trials;
            u += u_of(&m->channel[0], "hum_hz") / trials;
            level += value_of(&m->channel[0], "hum_v") / trials;
            cj_measurement_free(m);
            memory_capture_free(made);
        }
        double bound = bound_hz(is->rate, (double)n, is->noise,
                                pow(is->hum, 2) + pow(is->order * is->other, 2));
        char label[60];
        snprintf(label, sizeof label, "%g s at %g Hz", is->seconds, is->rate);
        print_message("%s: %.2f mHz RMS, bound %.2f mHz, u %.2f mHz\n", label, 1e3 * sqrt(square),
                      1e3 * bound, 1e3 * u);
        check_close(label, sqrt(square) / bound, 1, SCATTER_OF(trials));
        check_close(label, u / bound, 1, 0.1);
        assert_true(is->seconds > 2 || is->rate < 48000 || sqrt(square) < 0.01);
        double want = sqrt(is->hum * is->hum + is->other * is->other) / sqrt(2);
        check_close(label, db(level / want), 0, 0.5);
    }
}

/* Hum 60 dB below the tone, within half a decibel; 80 dB down too where the noise allows. */
void hum_level_under_a_tone(void **state)
{
    (void)state;
    static const double rates[] = {44100, 96000}, tones[] = {440, 997, 1000, 10000};
    double worst = 0;
    for (size_t r = 0; r < 2; r++)
        for (size_t t = 0; t < 4; t += SANITIZED ? 3 : 1)
            for (double level = 1e-3; level > 5e-5; level /= 10) {
                struct memory_capture *made =
                    memory_capture_new(1, (size_t)(2 * rates[r]), rates[r]);
                add_sine(made, 0, tones[t], 1, 0.1);
                add_sine(made, 0, 50.02, level, 1);
                add_sine(made, 0, 150.06, level / 3, 2);
                add_noise(made, 0, 1e-4, 6);
                cj_measurement *m = measured(made, NULL);
                char label[60];
                snprintf(label, sizeof label, "%g dB under %g Hz", db(level), tones[t]);
                double want = level * sqrt(1 + 1.0 / 9) / sqrt(2);
                worst = fmax(worst, fabs(db(value_of(&m->channel[0], "hum_v") / want)));
                check_close(label, db(value_of(&m->channel[0], "hum_v") / want), 0, 0.5);
                check_close(label, value_of(&m->channel[0], "hum_hz"), 50.02, 0.01);
                check_missing(&m->channel[0], "hum_sideband_db",
                              tones[t] > 400 ? "no sideband" : "");
                cj_measurement_free(m);
                memory_capture_free(made);
            }
    print_message("hum 60 and 80 dB under a tone: worst %.3f dB\n", worst);
}

struct ripple_case {
    const char *name;
    size_t samples;
    double tone, mains;
    double am, pm; /* depth, radians; at `times` the mains */
    int times;
    double hum, upper; /* added hum: line 1, and lines 15 to 24 */
    bool told;         /* the sidebands are told from the hum */
};

static const struct ripple_case ripples[] = {
    {"AM at 100 Hz", 96000, 997, 50.01, 2e-3, 0, 2, 0, 0, true},
    {"AM at 60 Hz, beside hum of the same level", 96000, 997, 59.98, 1e-3, 0, 1, 1e-3, 0, true},
    {"AM 40 dB below the hum", 96000, 997, 50, 1e-4, 0, 1, 1e-2, 0, true},
    {"PM at 100 Hz", 96000, 2003, 50, 0, 1e-3, 2, 0, 0, true},
    {"many blocks", 480000, 997, 50.01, 1e-3, 0, 2, 1e-3, 0, true},
    {"the tone on a multiple of the mains", 96000, 1000, 50, 1e-3, 0, 2, 0, 0, true},
    {"the same beside hum", 96000, 1000, 50, 1e-3, 0, 1, 1e-2, 0, true},
    {"the same, many blocks", 480000, 1000, 50, 1e-3, 0, 2, 1e-3, 0, true},
    {"hum of many lines, the tone among them", 96000, 1000, 50, 0, 0, 1, 1e-2, 1e-3, false},
    {"and both", 96000, 1000, 50, 1e-3, 0, 1, 1e-2, 1e-3, false},
};

static struct memory_capture *ripple_capture(const struct ripple_case *is)
{
    struct memory_capture *made = memory_capture_new(1, is->samples, 48000);
    for (size_t i = 0; i < is->samples; i++) {
        double t = (double)i / 48000, ripple = sin(2 * M_PI * is->times * is->mains * t + 0.4);
        made->x[0][i] =
            (1 + is->am * ripple) * sin(2 * M_PI * is->tone * t + 0.2 + is->pm * ripple);
    }
    add_sine(made, 0, is->mains, is->hum, 1);
    for (int k = 15; k <= 24; k++)
        if (is->upper > 0 && fabs(k * is->mains - is->tone) > 1)
            add_sine(made, 0, k * is->mains, is->upper, k);
    add_noise(made, 0, 1e-4, 9);
    return made;
}

void ripple_is_told_from_hum(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof ripples / sizeof ripples[0]; i++) {
        const struct ripple_case *is = &ripples[i];
        struct memory_capture *made = ripple_capture(is);
        cj_measurement *m = measured(made, NULL);
        const cj_figure_set *set = &m->channel[0];
        if (is->told) {
            /* sidebands of depth d: power d^2/2 of the tone's */
            check_close(is->name, value_of(set, "hum_sideband_db"),
                        db(hypot(is->am, is->pm) / sqrt(2)),
                        fmax(0.1, 3 * u_of(set, "hum_sideband_db")));
            check_close(is->name, value_of(set, "hum_sideband_hz"), is->times * is->mains, 0.1);
            if (is->hum > 0)
                check_close(is->name, db(value_of(set, "hum_v") / is->hum * sqrt(2)), 0, 0.2);
            else
                check_missing(set, "hum_v", "no mains line");
        } else {
            check_missing(set, "hum_sideband_db", is->upper > 0 ? "997 Hz" : "");
            assert_true(value_of(set, "hum_v") > is->hum * sqrt(0.5));
        }
        check_missing(set, "stray_hz", "no line"); /* a sideband is no stray line */
        cj_measurement_free(m);
        memory_capture_free(made);
    }
}

/* Where no sideband can be told. */
void ripple_that_cannot_be_told(void **state)
{
    (void)state;
    static const struct {
        double tone;
        size_t samples;
        const char *why;
    } cases[] = {{0, 48000, "no steady tone"},
                 {200, 48000, "320 Hz"},
                 {997, 4000, "100 ms"},
                 {997, 48000, "no sideband"}};
    for (size_t i = 0; i < 4; i++) {
        struct memory_capture *made = memory_capture_new(1, cases[i].samples, 48000);
        add_sine(made, 0, cases[i].tone, 1, 0);
        add_noise(made, 0, 1e-3, 5);
        cj_measurement *m = measured(made, NULL);
        check_missing(&m->channel[0], "hum_sideband_db", cases[i].why);
        check_missing(&m->channel[0], "hum_sideband_hz", cases[i].why);
        const cj_figure *figure = cj_figure_find(&m->channel[0], "hum_sideband_db");
        assert_int_equal(figure->bound_kind, i == 3 ? CJ_BELOW : CJ_BOUND_NONE);
        /* a sideband of four deviations, 1e-3 sqrt(2/N) each, is -93 dB of the tone */
        assert_true(i != 3 || figure->bound < -85);
        cj_measurement_free(m);
        memory_capture_free(made);
    }
}

/* Stated u of the sidebands against the spread of seeded trials. */
void ripple_uncertainty(void **state)
{
    (void)state;
    enum { TRIALS = TRIALS_OF(150) };
    double sum = 0, square = 0, u = 0;
    for (int trial = 0; trial < TRIALS; trial++) {
        struct memory_capture *made = memory_capture_new(1, 16000, 16000);
        for (size_t i = 0; i < 16000; i++) {
            double t = (double)i / 16000;
            made->x[0][i] = (1 + 2e-3 * sin(2 * M_PI * 99.9 * t)) * sin(2 * M_PI * 997 * t);
        }
        add_noise(made, 0, 5e-3, (unsigned long long)trial + 1);
        cj_measurement *m = measured(made, NULL);
        double value = value_of(&m->channel[0], "hum_sideband_db");
        sum += value / TRIALS;
        square += value * value / TRIALS;
        u += u_of(&m->channel[0], "hum_sideband_db") / TRIALS;
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    double spread = sqrt((square - sum * sum) * TRIALS / (TRIALS - 1.0));
    print_message("hum_sideband_db  u / spread %.3f\n", u / spread);
    check_close("u", u / spread, 1, SCATTER_OF(TRIALS) + 0.03);
    check_close("mean", sum, db(2e-3 / sqrt(2)), 4 * spread / sqrt(TRIALS) + 0.02);
}
