/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The built-in parts table. */
#include "board/internal.h"
#include "tests.h"

static const cj__opamp_type *type_of(const char *name)
{
    for (const cj__opamp_type *type = cj__opamp_types; type->figures.type[0]; type++)
        if (strcmp(type->figures.type, name) == 0)
            return type;
    fail_msg("%s is not in the table", name);
    return NULL;
}

/* Typical figures as printed in data sheets (see the table for which): GBW Hz, slew V/s, offset V,
 * bias A. */
static void figures_are_those_of_the_sheets(void **state)
{
    static const struct {
        const char *name;
        int sections;
        double gbw, slew, offset, bias;
        cj_bias way;
        bool jfet, clamped;
    } cases[] = {
        {"TL072", 2, 4e6, 13e6, 3e-3, 20e-12, CJ_BIAS_IN, true, false},
        {"TL074", 4, 4e6, 13e6, 3e-3, 20e-12, CJ_BIAS_IN, true, false},
        {"NE5532", 2, 10e6, 9e6, 0.5e-3, 200e-9, CJ_BIAS_IN, false, true},
        {"NE5534", 1, 10e6, 13e6, 0.5e-3, 500e-9, CJ_BIAS_IN, false, true},
        {"LM358", 2, 0.7e6, 0.3e6, 3e-3, 20e-9, CJ_BIAS_OUT, false, false},
        {"OPA2134", 2, 8e6, 20e6, 0.5e-3, 5e-12, CJ_BIAS_UNKNOWN, false, false},
        {"LM4562", 2, 55e6, 20e6, 0.1e-3, 10e-9, CJ_BIAS_UNKNOWN, false, true},
        {"RC4558", 2, 3e6, 1.7e6, 0.5e-3, 150e-9, CJ_BIAS_OUT, false, false},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const cj__opamp_type *type = type_of(cases[i].name);
        const cj_opamp *figures = &type->figures;
        assert_int_equal(type->sections, cases[i].sections);
        check_ratio(cases[i].name, figures->gbw_hz, cases[i].gbw, 1e-12);
        check_ratio(cases[i].name, figures->slew_v_per_s, cases[i].slew, 1e-12);
        check_ratio(cases[i].name, figures->offset_v * 0.67, cases[i].offset, 1e-12);
        check_ratio(cases[i].name, figures->bias_a, cases[i].bias, 1e-12);
        assert_int_equal(figures->bias_way, cases[i].way);
        assert_true(figures->jfet == cases[i].jfet && figures->clamped == cases[i].clamped);
    }
}

static void every_op_amp_is_whole(void **state)
{
    int ideal = 0;
    (void)state;
    for (const cj__opamp_type *type = cj__opamp_types; type->figures.type[0]; type++) {
        const cj_opamp *o = &type->figures;
        const char *name = o->type;
        assert_ptr_equal(type_of(name), type); /* once */
        ideal += o->ideal;
        bool positive = o->gbw_hz > 1e5 && o->gain > 1e4 && o->slew_v_per_s > 1e5 &&
                        o->output_ohm >= 1 && o->input_ohm > 1e4;
        bool spreads = o->ideal ? o->gbw_spread == 0 && o->swing_spread == 0 && o->swing_v == 0 &&
                                      o->offset_v == 0 && o->bias_a == 0
                                : o->gbw_spread > 0 && o->swing_spread > 0 && o->swing_v >= 1.2 &&
                                      o->swing_v <= 1.5 && o->offset_v > 0 && o->bias_a > 0;
        if (!positive || !spreads)
            fail_msg("%s", name);
    }
    assert_int_equal(ideal, 1);
}

/* Forward voltages the table says it was made from: volts at two currents. */
static void diodes_reproduce_their_points(void **state)
{
    static const struct {
        const char *name;
        double low_v, low_a, high_v, high_a;
    } cases[] = {
        {"1N4148", 0.59, 1e-3, 0.70, 10e-3}, {"1N914", 0.59, 1e-3, 0.70, 10e-3},
        {"1N4448", 0.59, 1e-3, 0.70, 10e-3}, {"1N4001", 0.66, 10e-3, 0.78, 100e-3},
        {"1N4002", 0.66, 10e-3, 0.78, 0.1},  {"1N4003", 0.66, 10e-3, 0.78, 0.1},
        {"1N4004", 0.66, 10e-3, 0.78, 0.1},  {"1N4005", 0.66, 10e-3, 0.78, 0.1},
        {"1N4006", 0.66, 10e-3, 0.78, 0.1},  {"1N4007", 0.66, 10e-3, 0.78, 0.1},
        {"BAT42", 0.26, 1e-3, 0.34, 10e-3},  {"BAT43", 0.26, 1e-3, 0.34, 10e-3},
        {"BAT85", 0.26, 1e-3, 0.34, 10e-3},  {"BAT54", 0.26, 1e-3, 0.34, 10e-3},
        {"BAT41", 0.30, 1e-3, 0.42, 10e-3},  {"BAT46", 0.30, 1e-3, 0.42, 10e-3},
        {"1N5817", 0.28, 0.1, 0.38, 1},      {"1N5818", 0.28, 0.1, 0.38, 1},
        {"1N5819", 0.32, 0.1, 0.45, 1},
    };
    size_t seen = 0;
    (void)state;
    for (const cj_diode *diode = cj__diode_types; diode->type[0]; diode++) {
        for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
            if (strcmp(cases[i].name, diode->type) != 0)
                continue;
            for (int k = 0; k < 2; k++) {
                double amps = k ? cases[i].high_a : cases[i].low_a;
                double volts = diode->emission * 0.02585 * log1p(amps / diode->saturation_a) +
                               diode->series_ohm * amps;
                check_close(diode->type, volts, k ? cases[i].high_v : cases[i].low_v, 1e-3);
            }
            seen++;
        }
    }
    assert_int_equal(seen, sizeof cases / sizeof cases[0]);
}

static void names_are_found_among_many(void **state)
{
    enum { MANY = 3000 };
    static char texts[MANY][16];
    cj__names names = {0};
    (void)state;
    assert_null(cj__names_find(&names, "n0"));
    for (int i = 0; i < MANY; i++) {
        snprintf(texts[i], sizeof texts[i], "n%d", i);
        assert_true(cj__names_add(&names, texts[i], i * 3, i));
    }
    assert_true(cj__names_add(&names, "n7", 99, 99)); /* the first stays */
    assert_int_equal(names.count, MANY);
    for (int i = 0; i < MANY; i++)
        assert_int_equal(cj__names_find(&names, texts[i])->index, i * 3);
    assert_null(cj__names_find(&names, "n3000"));
    cj__names_free(&names);
}

int run_table_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(figures_are_those_of_the_sheets),
        cmocka_unit_test(every_op_amp_is_whole),
        cmocka_unit_test(diodes_reproduce_their_points),
        cmocka_unit_test(names_are_found_among_many),
    };
    return cmocka_run_group_tests_name("table", tests, NULL, NULL);
}
