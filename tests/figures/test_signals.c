/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Signals of many kinds: what can be said of them, and what must not be. */
#include "tests.h"

/* THD over harmonics 2..10 of band-limited waves, from their Fourier coefficients (textbook series;
 * sums of the same coefficients stand in any table of closed forms). Periods need not be whole. */
void waveforms_of_closed_form(void **state)
{
    (void)state;
    static const double periods[] = {1.6, 3, 5.37, 20, 61.8};
    for (int wave = 0; wave < 3; wave++)
        for (size_t p = 0; p < sizeof periods / sizeof periods[0]; p++) {
            struct memory_capture *made = memory_capture_new(1, 2500, 500e3);
            double hz = periods[p] * 500e3 / 2500, square = 0;
            int top = (int)(0.49 * 500e3 / hz);
            for (int k = 1; k <= top && k < 60; k++) {
                /* square 1/k odd, triangle 1/k^2 odd with alternating sign, sawtooth 1/k */
                double odd = k % 2, sign = (k / 2) % 2 ? -1 : 1;
                double b = wave == 0 ? odd / k : wave == 1 ? odd * sign / k / k : 1.0 / k;
                add_sine(made, 0, k * hz, b, 0.4 * k);
                if (k >= 2 && k <= 10)
                    square += b * b;
            }
            cj_measure_options options = {.harmonics = periods[p] < 3 ? 59 : 0,
                                          .tone_hz = periods[p] < 3 ? hz : 0,
                                          .band_low_hz = 20,
                                          .band_high_hz = 250e3};
            cj_measurement *m = measured(made, &options);
            char label[60];
            snprintf(label, sizeof label, "wave %d, %g periods", wave, periods[p]);
            check_ratio(label, value_of(&m->channel[0], "thd_percent"), 100 * sqrt(square), 1e-6);
            cj_measurement_free(m);
            memory_capture_free(made);
        }
}

void eight_bits_bound_the_distortion(void **state)
{
    (void)state;
    struct memory_capture *made = memory_capture_new(2, 2500, 500e3);
    for (int c = 0; c < 2; c++) {
        add_sine(made, c, 1000.7, 1, c);
        add_noise(made, c, 0.003, (unsigned long long)(c + 5));
        memory_capture_quantise(made, c, 0.01);
    }
    cj_measurement *m = measured(made, NULL);
    check_missing(&m->channel[0], "thd_percent", "");
    const cj_figure *thd = cj_figure_find(&m->channel[0], "thd_percent");
    assert_int_equal(thd->bound_kind, CJ_BELOW);
    assert_true(thd->bound < 0.5 && thd->bound > 0.001);
    check_missing(&m->channel[0], "thdn_percent", "steps");
    check_missing(&m->channel[0], "noise_v", "steps");
    assert_int_equal(cj_figure_find(&m->channel[0], "sinad_db")->bound_kind, CJ_ABOVE);
    check_close("gain", value_of(&m->pair, "gain"), 1, 1e-3);
    cj_measurement_free(m);
    memory_capture_free(made);
}

void a_channel_without_signal(void **state)
{
    (void)state;
    struct memory_capture *made = memory_capture_new(2, 2500, 500e3);
    add_sine(made, 0, 1000, 1, 0);
    add_noise(made, 0, 1e-3, 1);
    add_noise(made, 1, 1e-3, 2);
    cj_measurement *m = measured(made, NULL);
    check_missing(&m->pair, "phase_deg", "no signal in channel 2");
    check_missing(&m->pair, "gain_db", "no signal in channel 2");
    const cj_figure *gain = cj_figure_find(&m->pair, "gain");
    assert_int_equal(gain->bound_kind, CJ_BELOW);
    assert_true(gain->bound < 1e-3);
    check_missing(&m->channel[1], "thd_percent", "");
    check_missing(&m->channel[1], "tone_peak_v", "");
    cj_measurement_free(m);
    /* dead: one value throughout */
    memset(made->x[1], 0, 2500 * sizeof(double));
    add_constant(made, 1, -10.4);
    m = measured(made, NULL);
    check_word(&m->channel[1], "signal", "silence");
    check_close("dc", value_of(&m->channel[1], "dc_v"), -10.4, 1e-12);
    check_missing(&m->pair, "polarity", "no signal in channel 2");
    cj_measurement_free(m);
    memory_capture_free(made);
}

static const char *const tone_only[] = {"tone_hz",      "tone_peak_v", "thd_percent", "thd_db",
                                        "thdn_percent", "sinad_db",    "dropouts"};

static void check_no_tone_figures(const cj_figure_set *set)
{
    for (size_t i = 0; i < sizeof tone_only / sizeof tone_only[0]; i++)
        check_missing(set, tone_only[i], "");
}

/* Noise, the same noise upside down at half the level and later, silence, and something like music:
 * chords that change. */
void signals_that_are_no_tone(void **state)
{
    (void)state;
    static const size_t lengths[] = {100, 2500, 96000, 400000};
    for (size_t l = 0; l < 4; l++)
        for (unsigned long long seed = 1; seed <= 3; seed++) {
            struct memory_capture *made = memory_capture_new(2, lengths[l], 96e3);
            add_noise(made, 0, 0.1, seed);
            add_noise(made, 1, 0.1, seed + 1000);
            cj_measurement *m = measured(made, NULL);
            check_no_tone_figures(&m->channel[0]);
            check_missing(&m->pair, "gain", "no tone");
            check_missing(&m->pair, "polarity", "no tone");
            cj_measurement_free(m);
            for (size_t i = 0; i < lengths[l]; i++)
                made->x[1][i] = i >= 7 ? -0.5 * made->x[0][i - 7] : 0;
            m = measured(made, NULL);
            check_no_tone_figures(&m->channel[1]);
            if (lengths[l] >= 2500) {
                check_close("gain", value_of(&m->pair, "gain"), 0.5, 0.01);
                check_word(&m->pair, "polarity", "inverted");
                check_close("delay", value_of(&m->pair, "delay_s"), 7 / 96e3, 0.2 / 96e3);
                /* long enough for a response: 7 samples late and upside down at 1 kHz */
                if (lengths[l] >= 96000)
                    check_close("phase", value_of(&m->pair, "phase_deg"), 180 - 360e3 * 7 / 96e3,
                                0.1);
                else
                    check_missing(&m->pair, "phase_deg", "no single tone");
            }
            cj_measurement_free(m);
            memory_capture_free(made);
        }
    struct memory_capture *made = memory_capture_new(2, 96000, 96e3);
    cj_measurement *m = measured(made, NULL);
    check_word(&m->channel[0], "signal", "silence");
    check_no_tone_figures(&m->channel[0]);
    check_missing(&m->pair, "gain", "");
    cj_measurement_free(m);
    for (size_t i = 0; i < 96000;
         i++) { /* four chords of three notes, each a quarter of a second */
        static const double root[] = {220, 174.6, 261.6, 196};
        double t = (double)i / 96e3, r = root[i / 24000], fade = exp(-3 * fmod(t, 0.25));
        made->x[0][i] = fade * (sin(2 * M_PI * r * t) + sin(2 * M_PI * 1.26 * r * t) +
                                sin(2 * M_PI * 1.5 * r * t));
        made->x[1][i] = 0.3 * made->x[0][i];
    }
    m = measured(made, NULL);
    check_no_tone_figures(&m->channel[0]);
    check_close("gain of music", value_of(&m->pair, "gain"), 0.3, 1e-3);
    check_word(&m->pair, "polarity", "same");
    cj_measurement_free(m);
    memory_capture_free(made);
}

void two_tones(void **state)
{
    (void)state;
    struct memory_capture *made = memory_capture_new(2, 96000, 96e3);
    for (int c = 0; c < 2; c++) {
        add_sine(made, c, 60, c ? -0.4 : 0.8, 0);
        add_sine(made, c, 7000, c ? -0.1 : 0.2, 0);
        add_noise(made, c, 1e-5, (unsigned long long)(c + 1));
    }
    cj_measurement *m = measured(made, NULL);
    check_word(&m->channel[0], "signal", "two-tone");
    check_missing(&m->channel[0], "thd_percent", "two tones");
    check_missing(&m->channel[0], "thdn_percent", "two tones");
    check_close("gain", value_of(&m->pair, "gain"), 0.5, 1e-3);
    check_word(&m->pair, "polarity", "inverted");
    check_close("phase of the stronger", value_of(&m->pair, "phase_deg"), 180, 0.01);
    cj_measurement_free(m);
    memory_capture_free(made);
}

/* A tone of a third of a step on DC anywhere between two steps, as a scope shows the rest of one at
 * an output that stands at its rail: the staircase itself is the outside check. The gain is off by
 * up to a fifth there, far more than noise explains; what is stated covers it. */
void steps_make_a_small_tone_larger_or_smaller(void **state)
{
    (void)state;
    double worst = 0;
    for (int i = 0; i < 16; i++) {
        struct memory_capture *made = memory_capture_new(2, 20000, 50000);
        double dc = 3 + 0.04 * i / 16.0, off;
        add_sine(made, 0, 1000, 0.1, 0.3);
        add_sine(made, 1, 1000, 0.33 * 0.04, 0.3);
        add_constant(made, 1, dc);
        add_noise(made, 1, 0.3 * 0.04, 70 + (unsigned long long)i);
        memory_capture_quantise(made, 1, 0.04);
        cj_measurement *m = measured(made, NULL);
        off = value_of(&m->channel[1], "tone_peak_v") - 0.33 * 0.04;
        check_close("peak", off, 0, 2.5 * u_of(&m->channel[1], "tone_peak_v"));
        check_close("gain", value_of(&m->pair, "gain_db"), 20 * log10(0.132),
                    2.5 * u_of(&m->pair, "gain_db"));
        worst = fmax(worst, fabs(off) / (0.33 * 0.04));
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    assert_true(worst > 0.12); /* there was something to cover */
}

/* Sines clipped at several depths, on one side and on both; shares of time are closed form:
 * acos(1/overdrive)/pi. */
void flat_tops(void **state)
{
    (void)state;
    static const struct {
        double over, high, low; /* drive over the limit; the limits in units of the peak */
    } cases[] = {{1.05, 1, 1}, {1.5, 1, 1},  {3, 1, 1},  {1.2, 1, 9},
                 {1.2, 9, 1},  {0.95, 1, 1}, {0.5, 1, 1}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        for (int noisy = 0; noisy < 3; noisy++) {
            struct memory_capture *made = memory_capture_new(1, 2500, 500e3);
            add_sine(made, 0, 1011, cases[i].over, 0.2);
            for (size_t k = 0; k < 2500; k++)
                made->x[0][k] = fmin(cases[i].high, fmax(-cases[i].low, made->x[0][k]));
            if (noisy)
                add_noise(made, 0, 0.003, 3);
            if (noisy == 2)
                memory_capture_quantise(made, 0, 0.01);
            cj_measurement *m = measured(made, NULL);
            char label[60];
            snprintf(label, sizeof label, "overdrive %g, noise %d", cases[i].over, noisy);
            double high =
                cases[i].over > cases[i].high ? acos(cases[i].high / cases[i].over) / M_PI : 0;
            double low =
                cases[i].over > cases[i].low ? acos(cases[i].low / cases[i].over) / M_PI : 0;
            check_close(label, value_of(&m->channel[0], "clip_high_fraction"), high, 0.04);
            check_close(label, value_of(&m->channel[0], "clip_low_fraction"), low, 0.04);
            if (high > 0)
                check_close(label, value_of(&m->channel[0], "clip_high_v"), 1, 0.01);
            else
                check_missing(&m->channel[0], "clip_high_v", "no flat top");
            cj_measurement_free(m);
            memory_capture_free(made);
        }
    /* eight samples a period: the same few values again and again are no flat top */
    struct memory_capture *made = memory_capture_new(1, 4000, 8000);
    add_sine(made, 0, 1000, 1, M_PI / 8);
    cj_measurement *m = measured(made, NULL);
    check_close("locked", value_of(&m->channel[0], "clip_fraction"), 0, 0);
    cj_measurement_free(m);
    memory_capture_free(made);
}

void losses(void **state)
{
    (void)state;
    for (int count = 0; count < 4; count++) {
        struct memory_capture *made = memory_capture_new(1, 96000, 96e3);
        add_sine(made, 0, 1000, 1, 0);
        for (int k = 0; k < count; k++)
            for (size_t i = 0; i < 200; i++)
                made->x[0][20000 + 20000 * (size_t)k + i] = 0;
        add_noise(made, 0, 0.01, 9);
        cj_measurement *m = measured(made, NULL);
        check_close("losses", value_of(&m->channel[0], "dropouts"), count, 0);
        cj_measurement_free(m);
        memory_capture_free(made);
    }
}

void quiet_ends_are_left_out(void **state)
{
    (void)state;
    static const size_t lengths[] = {96000, 600000};
    for (size_t l = 0; l < 2; l++) {
        size_t n = lengths[l];
        struct memory_capture *made = memory_capture_new(2, n, 96e3);
        add_sine(made, 0, 997, 1, 0);
        add_sine(made, 1, 997, 0.25, 0);
        for (size_t i = 0; i < n; i++)
            if (i < n * 3 / 10 || i > n * 8 / 10)
                made->x[0][i] = made->x[1][i] = 0;
        add_noise(made, 0, 1e-4, 4);
        add_noise(made, 1, 1e-4, 5);
        cj_measurement *m = measured(made, NULL);
        check_close("peak", value_of(&m->channel[0], "tone_peak_v"), 1, l ? 0.1 : 0.002);
        check_close("gain", value_of(&m->pair, "gain"), 0.25, 1e-4);
        cj_measurement_free(m);
        memory_capture_free(made);
    }
}

void gaps_and_missing_rate(void **state)
{
    (void)state;
    struct memory_capture *made = memory_capture_new(2, 2500, 500e3);
    add_sine(made, 0, 997, 1, 0);
    add_sine(made, 1, 997, 2, 0.5);
    made->x[0][0] = made->x[1][0] = made->x[0][77] = made->x[1][1500] = NAN;
    cj_measurement *m = measured(made, NULL);
    check_close("gain", value_of(&m->pair, "gain"), 2, 1e-9);
    check_close("rms", value_of(&m->channel[0], "rms_v"), sqrt(0.5), 1e-9);
    cj_measurement_free(m);
    made->info.rate_hz = 0;
    made->info.coupling = CJ_COUPLING_AC;
    m = measured(made, NULL);
    check_missing(&m->channel[0], "tone_hz", "no sample rate");
    check_missing(&m->channel[0], "dc_v", "AC-coupled");
    check_missing(&m->pair, "delay_s", "no sample rate");
    check_close("gain", value_of(&m->pair, "gain"), 2, 1e-9);
    cj_measurement_free(m);
    made->info.rate_hz = 500e3;
    made->info.envelope = true;
    made->channel[1].unit = "A";
    m = measured(made, NULL);
    check_missing(&m->channel[0], "thd_percent", "peak-detect");
    check_missing(&m->channel[0], "noise_v", "peak-detect");
    check_missing(&m->pair, "gain", "channel 1 is in V, channel 2 in A");
    cj_measurement_free(m);
    memory_capture_free(made);
}

/* 50 and 60 Hz with harmonics, 20 to 60 dB under the tone; in long records too. */
void mains_hum(void **state)
{
    (void)state;
    static const size_t lengths[] = {9600, 96000, 700000};
    for (size_t l = 0; l < 3; l++)
        for (int mains = 0; mains < 2; mains++)
            for (double level = 0.1; level > 5e-4; level /= 10) {
                struct memory_capture *made = memory_capture_new(1, lengths[l], 96e3);
                double hz = mains ? 60.013 : 49.98;
                add_sine(made, 0, 997, 1, 0.1);
                add_sine(made, 0, hz, level, 1);
                add_sine(made, 0, 2 * hz, level / 2, 2);
                add_noise(made, 0, 1e-4, 6);
                cj_measurement *m = measured(made, NULL);
                char label[60];
                snprintf(label, sizeof label, "hum %g at %g Hz, %zu samples", level, hz,
                         lengths[l]);
                double want = level * sqrt(0.5 + 0.125);
                /* half a decibel */
                check_ratio(label, value_of(&m->channel[0], "hum_v"), want, 0.06);
                check_close(label, value_of(&m->channel[0], "hum_hz"), hz, l == 0 ? 0.5 : 0.05);
                check_close(label, value_of(&m->channel[0], "tone_peak_v"), 1, 0.02);
                cj_measurement_free(m);
                memory_capture_free(made);
            }
    struct memory_capture *made = memory_capture_new(1, 96000, 96e3);
    add_sine(made, 0, 997, 1, 0.1);
    add_noise(made, 0, 1e-4, 6);
    cj_measurement *m = measured(made, NULL);
    check_missing(&m->channel[0], "hum_v", "no mains line");
    check_missing(&m->channel[0], "stray_hz", "no line");
    cj_measurement_free(m);
    add_sine(made, 0, 16700, 0.01, 0);
    m = measured(made, NULL);
    check_close("stray_hz", value_of(&m->channel[0], "stray_hz"), 16700, 1);
    check_ratio("stray_v", value_of(&m->channel[0], "stray_v"), 0.01 / sqrt(2), 0.05);
    cj_measurement_free(m);
    memory_capture_free(made);
    made = memory_capture_new(1, 2500, 500e3);
    add_sine(made, 0, 997, 1, 0.1);
    m = measured(made, NULL);
    check_missing(&m->channel[0], "hum_v", "too short");
    cj_measurement_free(m);
    memory_capture_free(made);
}

static bool advises(const cj_measurement *m, const char *part)
{
    for (size_t i = 0; i < m->advice.count; i++)
        if (strstr(m->advice.items[i], part))
            return true;
    return false;
}

void advice_where_the_capture_is_poor(void **state)
{
    (void)state;
    struct memory_capture *made = memory_capture_new(2, 2500, 500e3);
    add_sine(made, 0, 350, 1, 0);
    add_sine(made, 1, 350, 0.05, 0);
    memory_capture_quantise(made, 0, 0.01);
    memory_capture_quantise(made, 1, 0.01);
    made->info.coupling = CJ_COUPLING_AC;
    cj_measurement *m = measured(made, NULL);
    assert_true(advises(m, "Channel 2 (CH2) uses only"));
    assert_false(advises(m, "Channel 1 (CH1) uses only"));
    assert_true(advises(m, "periods of the tone"));
    assert_true(advises(m, "AC-coupled"));
    assert_false(advises(m, "flat tops"));
    cj_measurement_free(m);
    memory_capture_free(made);
    made = memory_capture_new(2, 2500, 500e3);
    add_sine(made, 0, 1000, 1, 0);
    add_sine(made, 1, 1000, 1, 0);
    m = measured(made, NULL);
    assert_int_equal(m->advice.count, 0);
    cj_measurement_free(m);
    memory_capture_free(made);
}
