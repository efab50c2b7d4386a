/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests.h"

static struct memory_capture *pair_of(double gain, double phase)
{
    struct memory_capture *made = memory_capture_new(2, 2500, 500e3);
    add_sine(made, 0, 1000, 1, 0.1);
    add_sine(made, 1, 1000, gain, 0.1 + phase);
    return made;
}

static cj_comparison *compared(const cj_measurement *first, const cj_measurement *second,
                               const cj_compare_options *options)
{
    cj_comparison *comparison = NULL;
    cj_error err = {0};
    if (cj_compare(first, second, options, &comparison, &err) != CJ_OK)
        fail_msg("compare: %s", err.message);
    return comparison;
}

void matching_and_not(void **state)
{
    (void)state;
    static const struct {
        const char *label;
        double gain, phase, match_u;
        bool expect_inverted;
        cj_match match;
        const char *turn, *why;
    } cases[] = {
        {"equal", 1, 0, 0, false, CJ_MATCH, "as-expected", ""},
        {"0.4 dB", 1.047, 0, 0, false, CJ_MATCH, "as-expected", ""},
        {"0.6 dB", 1.072, 0, 0, false, CJ_DIFFER, "as-expected", "the level differs by +0.60 dB"},
        {"0.4 dB, 2 % doubt", 1.047, 0, 0.02, false, CJ_UNDECIDED, "as-expected", "too close"},
        {"6 degrees", 1, 0.105, 0, false, CJ_DIFFER, "as-expected",
         "the phase is +6.0 degrees off"},
        {"upside down", -1, 0, 0, false, CJ_DIFFER, "flipped", "180.0 degrees off"},
        {"upside down, expected", -1, 0, 0, true, CJ_MATCH, "as-expected", ""},
        {"upright, not expected", 1, 0, 0, true, CJ_DIFFER, "flipped", "180.0 degrees off"},
        {"sideways", 1, M_PI / 2, 0, false, CJ_DIFFER, "unclear", "90.0 degrees off"},
        {"a tenth, upside down", -0.1, 0, 0, false, CJ_DIFFER, "flipped", "-20.00 dB"},
        {"nothing", 0, 0, 0, false, CJ_DIFFER, NULL, "no signal in channel 2"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct memory_capture *made = pair_of(cases[i].gain, cases[i].phase);
        cj_instruments chain = *ideal_chain();
        chain.match = cases[i].match_u;
        cj_measure_options options = {.instruments = &chain};
        cj_measurement *m = measured(made, &options);
        cj_comparison *c =
            compared(m, NULL, &(cj_compare_options){.expect_inverted = cases[i].expect_inverted});
        if (c->match != cases[i].match)
            fail_msg("%s: match %d, why: %s", cases[i].label, (int)c->match, c->why);
        if (cases[i].turn)
            check_word(&c->pair, "turn", cases[i].turn);
        check_holds(cases[i].label, c->why, cases[i].why);
        cj_comparison_free(c);
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    struct memory_capture *one = memory_capture_new(1, 2500, 500e3);
    add_sine(one, 0, 1000, 1, 0);
    cj_measurement *m = measured(one, NULL);
    cj_comparison *c = NULL;
    cj_error err = {0};
    assert_int_equal(cj_compare(m, NULL, NULL, &c, &err), CJ_DATA);
    check_holds("one channel", err.message, "one channel only");
    cj_measurement_free(m);
    memory_capture_free(one);
}

void two_captures(void **state)
{
    (void)state;
    struct memory_capture *first = pair_of(0.8, 0.2), *second = pair_of(-0.08, 0.25);
    cj_measurement *m1 = measured(first, NULL), *m2 = measured(second, NULL);
    cj_comparison *c = compared(m1, m2, NULL);
    check_close("gain", value_of(&c->pair, "gain"), 0.1, 1e-9);
    check_close("phase", fabs(value_of(&c->pair, "phase_deg")), 180 - 0.05 * 180 / M_PI, 1e-6);
    check_word(&c->pair, "polarity", "inverted");
    assert_int_equal(c->match, CJ_DIFFER);
    assert_ptr_equal(c->path[0], &m1->channel[1]);
    assert_ptr_equal(c->path[1], &m2->channel[1]);
    cj_comparison_free(c);
    c = compared(m1, m1, NULL);
    assert_int_equal(c->match, CJ_MATCH);
    cj_comparison_free(c);
    struct memory_capture *dead = pair_of(0, 0);
    cj_measurement *m3 = measured(dead, NULL);
    c = compared(m1, m3, NULL);
    assert_int_equal(c->match, CJ_DIFFER);
    assert_int_equal(cj_figure_find(&c->pair, "gain")->bound_kind, CJ_BELOW);
    cj_comparison_free(c);
    cj_measurement_free(m1);
    cj_measurement_free(m2);
    cj_measurement_free(m3);
    memory_capture_free(first);
    memory_capture_free(second);
    memory_capture_free(dead);
}

void full_scale_from_a_meter(void **state)
{
    (void)state;
    struct memory_capture *made = memory_capture_new(1, 48000, 48e3);
    made->channel[0].unit = "FS";
    made->info.kind = CJ_KIND_AUDIO;
    add_sine(made, 0, 1000, 0.25, 0);
    cj_measurement *m = measured(made, NULL);
    double volts = 0, u = 0;
    cj_error err = {0};
    assert_int_equal(cj_full_scale(m, 0.92, &volts, &u, &err), CJ_OK);
    check_close("full scale", volts, 0.92 * sqrt(2) / 0.25, 1e-9);
    check_close("u", u, 0.01 * volts, 1e-6);
    assert_int_equal(cj_full_scale(m, 0, &volts, &u, &err), CJ_USAGE);
    cj_measurement_free(m);
    made->channel[0].unit = "V";
    m = measured(made, NULL);
    assert_int_equal(cj_full_scale(m, 0.92, &volts, &u, &err), CJ_DATA);
    cj_measurement_free(m);
    memory_capture_free(made);
}
