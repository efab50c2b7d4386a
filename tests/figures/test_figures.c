/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Figures of signals whose answer is known. */
#include "tests.h"

const cj_instruments *ideal_chain(void)
{
    static const cj_instruments ideal = {.full_scale_v = NAN};
    return &ideal;
}

cj_measurement *measured(struct memory_capture *made, const cj_measure_options *options)
{
    cj_measure_options ideal = options ? *options : (cj_measure_options){0};
    if (ideal.instruments == NULL)
        ideal.instruments = ideal_chain();
    cj_measurement *measurement = NULL;
    cj_error err = {0};
    if (cj_measure(as_capture(made), &ideal, &measurement, &err) != CJ_OK)
        fail_msg("measure: %s", err.message);
    return measurement;
}

double value_of(const cj_figure_set *set, const char *name)
{
    const cj_figure *figure = cj_figure_find(set, name);
    if (figure == NULL)
        fail_msg("no figure %s", name);
    if (!isfinite(figure->value))
        fail_msg("%s has no value: %s", name, figure->why);
    return figure->value;
}

double u_of(const cj_figure_set *set, const char *name)
{
    value_of(set, name);
    return cj_figure_find(set, name)->u;
}

void check_missing(const cj_figure_set *set, const char *name, const char *why)
{
    const cj_figure *figure = cj_figure_find(set, name);
    if (figure == NULL)
        fail_msg("no figure %s", name);
    if (isfinite(figure->value) || figure->word)
        fail_msg("%s should be missing (%s), is %g %s", name, why, figure->value,
                 figure->word ? figure->word : "");
    check_holds(name, figure->why, why);
}

void check_word(const cj_figure_set *set, const char *name, const char *word)
{
    const cj_figure *figure = cj_figure_find(set, name);
    if (figure == NULL || figure->word == NULL)
        fail_msg("no word in %s%s%s", name, figure ? ": " : "", figure ? figure->why : "");
    assert_string_equal(figure->word, word);
}

void add_sine(struct memory_capture *made, int channel, double hz, double peak, double phase)
{
    double w = 2 * M_PI * hz / (made->info.rate_hz > 0 ? made->info.rate_hz : 1);
    for (size_t i = 0; i < made->info.samples; i++)
        made->x[channel][i] += peak * sin(w * (double)i + phase);
}

void add_constant(struct memory_capture *made, int channel, double value)
{
    for (size_t i = 0; i < made->info.samples; i++)
        made->x[channel][i] += value;
}

void add_noise(struct memory_capture *made, int channel, double rms, unsigned long long seed)
{
    for (size_t i = 0; i < made->info.samples; i++)
        made->x[channel][i] += rms * normal(&seed);
}

/* The bench's classic: a tenth, and upside down. */
void tone_figures(void **state)
{
    (void)state;
    struct memory_capture *made = memory_capture_new(2, 2500, 500e3);
    add_sine(made, 0, 997, 1.5, 0.3);
    add_constant(made, 0, 0.02);
    add_sine(made, 1, 997, -0.15, 0.3 - 0.05);
    add_sine(made, 1, 2 * 997, 0.0015, 1);
    add_constant(made, 1, -0.4);
    cj_measurement *m = measured(made, NULL);
    const cj_figure_set *one = &m->channel[0], *two = &m->channel[1];
    check_word(one, "signal", "tone");
    check_close("tone_hz", value_of(one, "tone_hz"), 997, 1e-6);
    check_close("tone_peak_v", value_of(one, "tone_peak_v"), 1.5, 1e-9);
    check_close("dc 1", value_of(one, "dc_v"), 0.02, 1e-9);
    check_close("dc 2", value_of(two, "dc_v"), -0.4, 1e-9);
    check_close("rms 2", value_of(two, "rms_v"), sqrt(0.16 + 0.15 * 0.15 / 2 + 0.0015 * 0.0015 / 2),
                1e-9);
    check_close("thd", value_of(two, "thd_percent"), 1, 1e-6);
    check_close("thd dB", value_of(two, "thd_db"), -40, 1e-5);
    check_close("even", value_of(two, "even_percent"), 1, 1e-6);
    check_close("gain", value_of(&m->pair, "gain"), 0.1, 1e-9);
    check_close("gain_db", value_of(&m->pair, "gain_db"), -20, 1e-7);
    check_word(&m->pair, "polarity", "inverted");
    double lag_deg = 0.05 * 180 / M_PI;
    check_close("phase", value_of(&m->pair, "phase_deg"), 180 - lag_deg, 1e-6);
    check_close("delay", value_of(&m->pair, "delay_s"), lag_deg / 360 / 997, 1e-12);
    cj_measurement_free(m);
    memory_capture_free(made);
}

/* The same tone in one block, in three, and in many; 5 parts per million of drift must not shrink
 * it. */
void long_records_read_the_same(void **state)
{
    (void)state;
    static const size_t lengths[] = {262144, 262145, 400000, 1500000, 4400000};
    for (size_t i = 0; i < sizeof lengths / sizeof lengths[0]; i++) {
        struct memory_capture *made = memory_capture_new(2, lengths[i], 96e3);
        double drift = i == 3 ? 5e-6 : 0, n = (double)lengths[i];
        for (size_t k = 0; k < lengths[i]; k++) {
            double t = (double)k / 96e3,
                   turn = 2 * M_PI * 1000 * (t + drift * t * (double)k / n / 2);
            made->x[0][k] = sin(turn) + 1e-4 * sin(3 * turn);
            made->x[1][k] = 0.5 * sin(turn - 0.1) + 0.01;
        }
        add_noise(made, 0, 1e-4, 7);
        add_noise(made, 1, 1e-4, 8);
        cj_measurement *m = measured(made, NULL);
        check_close("peak", value_of(&m->channel[0], "tone_peak_v"), 1, 5e-6);
        check_close("peak 2", value_of(&m->channel[1], "tone_peak_v"), 0.5, 5e-6);
        check_close("hz", value_of(&m->channel[0], "tone_hz"), 1000 * (1 + drift / 2),
                    drift > 0 ? 2e-3 : 5e-6);
        check_close("gain", value_of(&m->pair, "gain"), 0.5, 5e-6);
        check_close("phase", value_of(&m->pair, "phase_deg"), -0.1 * 180 / M_PI, 1e-3);
        check_close("thd", value_of(&m->channel[0], "thd_percent"), 0.01, 5e-4);
        check_close("noise", value_of(&m->channel[0], "noise_v"), 1e-4 * sqrt(20e3 / 48e3), 2e-6);
        check_close("dc", value_of(&m->channel[1], "dc_v"), 0.01, 3e-6);
        cj_measurement_free(m);
        memory_capture_free(made);
    }
}

/* Stated u against the actual spread over seeded trials: figures made of several others. */
void stated_uncertainties(void **state)
{
    (void)state;
    enum { TRIALS = TRIALS_OF(400) };
    static const char *const names[] = {"gain", "phase_deg", "delay_s"};
    static const char *const own[] = {"thd_percent", "noise_v", "dc_v",
                                      "tone_peak_v", "rms_v",   "sinad_db"};
    double sum[9] = {0}, square[9] = {0}, u[9] = {0};
    for (int trial = 0; trial < TRIALS; trial++) {
        struct memory_capture *made = memory_capture_new(2, 2500, 500e3);
        add_sine(made, 0, 1003, 1, 0.1 * trial);
        add_sine(made, 1, 1003, 0.4, 0.1 * trial + 0.7);
        add_sine(made, 1, 2006, 0.02, 0.2 * trial);
        add_noise(made, 0, 0.01, (unsigned long long)(2 * trial + 1));
        add_noise(made, 1, 0.01, (unsigned long long)(2 * trial + 100001));
        cj_measurement *m = measured(made, NULL);
        for (int k = 0; k < 9; k++) {
            const cj_figure_set *set = k < 3 ? &m->pair : &m->channel[1];
            const char *name = k < 3 ? names[k] : own[k - 3];
            sum[k] += value_of(set, name) / TRIALS;
            square[k] += value_of(set, name) * value_of(set, name) / TRIALS;
            u[k] += u_of(set, name) / TRIALS;
        }
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    for (int k = 0; k < 9; k++) {
        double spread = sqrt((square[k] - sum[k] * sum[k]) * TRIALS / (TRIALS - 1.0));
        print_message("%-12s u / spread %.3f\n", k < 3 ? names[k] : own[k - 3], u[k] / spread);
        check_close(k < 3 ? names[k] : own[k - 3], u[k] / spread, 1, 0.09 + SCATTER_OF(TRIALS));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tone_figures),
        cmocka_unit_test(long_records_read_the_same),
        cmocka_unit_test(stated_uncertainties),
        cmocka_unit_test(waveforms_of_closed_form),
        cmocka_unit_test(eight_bits_bound_the_distortion),
        cmocka_unit_test(a_channel_without_signal),
        cmocka_unit_test(signals_that_are_no_tone),
        cmocka_unit_test(two_tones),
        cmocka_unit_test(intermodulation_of_polynomials),
        cmocka_unit_test(intermodulation_in_noise),
        cmocka_unit_test(intermodulation_that_cannot_be_told),
        cmocka_unit_test(pair_at_two_tones),
        cmocka_unit_test(flat_tops),
        cmocka_unit_test(steps_make_a_small_tone_larger_or_smaller),
        cmocka_unit_test(edges_of_squares),
        cmocka_unit_test(edges_too_fast_or_absent),
        cmocka_unit_test(edges_scatter_as_stated),
        cmocka_unit_test(levels_in_steps),
        cmocka_unit_test(dc_that_drifts),
        cmocka_unit_test(crosstalk_slopes),
        cmocka_unit_test(losses),
        cmocka_unit_test(losses_are_found),
        cmocka_unit_test(no_losses_where_none_are),
        cmocka_unit_test(steps_count_too),
        cmocka_unit_test(losses_of_long_records),
        cmocka_unit_test(quiet_ends_are_left_out),
        cmocka_unit_test(gaps_and_missing_rate),
        cmocka_unit_test(mains_hum),
        cmocka_unit_test(hum_frequency_at_its_bound),
        cmocka_unit_test(hum_level_under_a_tone),
        cmocka_unit_test(ripple_is_told_from_hum),
        cmocka_unit_test(ripple_that_cannot_be_told),
        cmocka_unit_test(ripple_uncertainty),
        cmocka_unit_test(weighted_noise),
        cmocka_unit_test(weighted_hum),
        cmocka_unit_test(noise_uncertainties),
        cmocka_unit_test(noise_that_cannot_be_told),
        cmocka_unit_test(noise_of_the_chain_is_taken_out),
        cmocka_unit_test(advice_where_the_capture_is_poor),
        cmocka_unit_test(matching_and_not),
        cmocka_unit_test(two_captures),
        cmocka_unit_test(full_scale_from_a_meter),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
