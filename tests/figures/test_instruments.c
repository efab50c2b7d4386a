/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The instruments file. */
#include "check.h"

#include "figures/instruments.h"

static cj_status read_text(const char *text, cj_instruments *out, cj_error *err)
{
    return cj__instruments_read_text("table.yaml", text, strlen(text), out, err);
}

static void everything_given(void **state)
{
    (void)state;
    cj_instruments got;
    cj_error err = {0};
    assert_int_equal(
        read_text("instruments: north-table\n"
                  "capture: {gain: 1%, match: 0.5%, skew: 20n, offset: 5m, noise: 0.2m, "
                  "coupling: dc, full_scale: 5.2}\n",
                  &got, &err),
        CJ_OK);
    assert_string_equal(got.name, "north-table");
    check_ratio("gain", got.gain, 0.01, 1e-15);
    check_ratio("match", got.match, 0.005, 1e-15);
    check_ratio("skew", got.skew_s, 20e-9, 1e-15);
    check_ratio("offset", got.offset_v, 5e-3, 1e-15);
    check_ratio("noise", got.noise_v, 0.2e-3, 1e-15);
    check_ratio("full scale", got.full_scale_v, 5.2, 0);
    assert_int_equal(got.coupling, CJ_COUPLING_DC);
}

static void all_of_it_is_optional(void **state)
{
    (void)state;
    static const char *const texts[] = {"instruments: x\n", "capture: {coupling: ac}\n", "{}\n",
                                        "capture: {}\n"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        cj_instruments got;
        assert_int_equal(read_text(texts[i], &got, NULL), CJ_OK);
        assert_true(isnan(got.gain) && isnan(got.match) && isnan(got.skew_s) &&
                    isnan(got.offset_v) && isnan(got.noise_v) && isnan(got.full_scale_v));
        assert_int_equal(got.coupling, i == 1 ? CJ_COUPLING_AC : CJ_COUPLING_DEFAULT);
        assert_string_equal(got.name, i == 0 ? "x" : "");
    }
    cj_instruments plain;
    cj_instruments_default(&plain);
    assert_true(isnan(plain.gain) && isnan(plain.full_scale_v));
    assert_int_equal(plain.coupling, CJ_COUPLING_DEFAULT);
}

static void what_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        long line, column;
        const char *says;
    } cases[] = {
        {"", 1, 1, "nothing in this file"},
        {"- a\n", 1, 1, "a list given for an instruments file; expected a mapping"},
        {"instrument: x\n", 1, 1,
         "unknown key 'instrument' in an instruments file; did you mean 'instruments'?"},
        {"instruments: [x]\n", 1, 14, "a list given for instruments; expected text"},
        {"instruments:\ncapture: {}\n", 1, 13, "nothing given for instruments"},
        {"capture: yes\n", 1, 10, "'yes' given for capture; expected a mapping"},
        {"capture: {gian: 1%}\n", 1, 11, "unknown key 'gian' in capture; did you mean 'gain'?"},
        {"capture: {gain: 1%, gain: 2%}\n", 1, 21, "key given twice"},
        {"capture: {gain: one}\n", 1, 17, "'one' is no quantity"},
        {"capture: {gain: 1 V}\n", 1, 17, "'1 V' is no quantity"},
        {"capture: {gain: -1%}\n", 1, 17,
         "'-1%' given for gain; expected a standard uncertainty from 0"},
        {"capture: {gain: 100%}\n", 1, 17, "from 0 to below 100 %"},
        {"capture:\n  match: 200%\n", 2, 10, "given for match"},
        {"capture:\n  skew: 20 V\n", 2, 9, "'20 V' is no quantity in s"},
        {"capture:\n  skew: 2\n", 2, 9, "a time from 0 to below 1 s"},
        {"capture:\n  offset: -5m\n", 2, 11, "volts from 0"},
        {"capture:\n  noise: nan\n", 2, 10, "'nan' is no quantity in V"},
        {"capture:\n  full_scale: 0\n", 2, 15, "volts peak above 0"},
        {"capture:\n  coupling: gnd\n", 2, 13, "'gnd' is no coupling; expected ac or dc"},
        {"capture: {}\n---\ncapture: {}\n", 2, 1, "second document"},
        {"instruments: a0123456789012345678901234567890123456789012345678901234567890123\n", 1, 14,
         "longer than 63 bytes"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_instruments got;
        cj_error err = {0};
        memset(&got, 0x55, sizeof got);
        const cj_instruments before = got;
        if (read_text(cases[i].text, &got, &err) != CJ_DATA)
            fail_msg("case %zu was read", i);
        check_holds(cases[i].text, err.message, cases[i].says);
        assert_string_equal(err.file, "table.yaml");
        if (err.line != cases[i].line || err.column != cases[i].column)
            fail_msg("case %zu: at %ld:%ld, not %ld:%ld (%s)", i, err.line, err.column,
                     cases[i].line, cases[i].column, err.message);
        assert_memory_equal(&got, &before, sizeof got);
    }
    cj_instruments got;
    assert_int_equal(cj_instruments_read("does/not/exist.yaml", &got, NULL), CJ_NOINPUT);
    assert_int_equal(cj_instruments_read(FIXTURES, &got, NULL), CJ_DATA);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(everything_given),
        cmocka_unit_test(all_of_it_is_optional),
        cmocka_unit_test(what_is_refused),
    };
    return cmocka_run_group_tests_name("figures/instruments", tests, NULL, NULL);
}
