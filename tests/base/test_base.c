/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "check.h"

#include "coldjoint/base.h"

#include <locale.h>

static void quantities_that_read(void **state)
{
    (void)state;
    static const struct {
        const char *text, *unit;
        double value;
    } cases[] = {
        {"4700", "", 4700},        {"4k7", "ohm", 4700},     {"2R2", "ohm", 2.2},
        {"R47", "ohm", 0.47},      {"4n7", "F", 4.7e-9},     {"100k", "ohm", 100e3},
        {"22p", "F", 22e-12},      {"4.7u", "F", 4.7e-6},    {"100 kohm", "ohm", 100e3},
        {"1 V", "V", 1},           {"50mV", "V", 0.05},      {"1%", "", 0.01},
        {"-10.4", "V", -10.4},     {"1e-3", "", 1e-3},       {" 20n", "s", 20e-9},
        {"10\xc2\xb5", "F", 1e-5}, {"1M", "ohm", 1e6},       {"1M5", "ohm", 1.5e6},
        {".5", "", 0.5},           {"5.", "", 5},            {"1e3 Hz", "Hz", 1000},
        {"20 %", "", 0.2},         {"-4k7", "", -4700},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        double value = NAN;
        assert_int_equal(cj_quantity_read(cases[i].text, cases[i].unit, &value, NULL), CJ_OK);
        check_ratio(cases[i].text, value, cases[i].value, 1e-15);
    }
}

static void quantities_that_do_not(void **state)
{
    (void)state;
    static const char *const cases[] = {"", " ", "k", "4,7u", "nan", "inf", "1e999", "0x10", "4k7k", "1 A",
                                        "--1", "1e", "4..7", "12 V 3", "%"};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        double value = 42;
        cj_error err = {0};
        if (cj_quantity_read(cases[i], "V", &value, &err) != CJ_DATA)
            fail_msg("'%s' read as %g", cases[i], value);
        assert_true(value == 42);
        check_holds(cases[i], err.message, "is no quantity in V");
    }
    assert_int_equal(cj_quantity_read(NULL, NULL, &(double){0}, NULL), CJ_DATA);
}

static void numbers_do_not_follow_the_locale(void **state)
{
    (void)state;
    const char *found = setlocale(LC_ALL, "de_DE.UTF-8");
    double value = 0;
    assert_int_equal(cj_quantity_read("4.7k", "", &value, NULL), CJ_OK);
    assert_true(value == 4700);
    assert_true(cj_strtod("0.1", NULL) == 0.1);
    if (found == NULL)
        print_message("note: no locale with a decimal comma here\n");
    setlocale(LC_ALL, "C");
}

static void errors_are_one_line(void **state)
{
    (void)state;
    cj_error err;
    assert_int_equal(cj_fail(&err, CJ_DATA, "a\nb.csv", 3, 7, "got '%s'", "x\ty"), CJ_DATA);
    char text[1400];
    cj_error_text(&err, text, sizeof text);
    assert_string_equal(text, "a?b.csv:3:7: got 'x?y'");
    cj_fail(&err, CJ_IO, err.file, 0, 0, "again: %s", err.message);
    cj_error_text(&err, text, sizeof text);
    assert_string_equal(text, "a?b.csv: again: got 'x?y'");
    cj_fail(&err, CJ_USAGE, NULL, 0, 0, "no file");
    cj_error_text(&err, text, sizeof text);
    assert_string_equal(text, "no file");
    char name[2000];
    memset(name, 'n', sizeof name - 1);
    memcpy(name + sizeof name - 5, ".csv", 5);
    cj_fail(&err, CJ_IO, name, 0, 0, "long");
    assert_int_equal(strlen(err.file), sizeof err.file - 1);
    check_holds("end kept", err.file, "nnn.csv");
    assert_int_equal(cj_fail(NULL, CJ_IO, "x", 0, 0, "y"), CJ_IO);
}

static void text_grows(void **state)
{
    (void)state;
    cj_text text = {0};
    for (int i = 0; i < 1000; i++)
        cj_text_add(&text, "%d,", i);
    char wide[600];
    memset(wide, 'w', sizeof wide);
    wide[sizeof wide - 1] = '\0';
    cj_text_add(&text, "%s", wide);
    assert_false(text.failed);
    assert_int_equal(text.length, 3890 + 599);
    assert_int_equal(strlen(text.bytes), text.length);
    cj_text_free(&text);
    assert_null(text.bytes);
    cj_lines lines = {0};
    assert_int_equal(cj_lines_add(&lines, "%s", ""), CJ_OK);
    assert_int_equal(cj_lines_add(&lines, "two %d", 2), CJ_OK);
    assert_string_equal(lines.items[0], "");
    assert_string_equal(lines.items[1], "two 2");
    cj_lines_free(&lines);
    cj_lines_free(NULL);
    cj_text_free(NULL);
    cj_free(NULL);
}

static void memory_refuses_overflow(void **state)
{
    (void)state;
    assert_null(cj_new(SIZE_MAX, 16));
    assert_null(cj_resize(NULL, SIZE_MAX / 2, 16));
    void *none = cj_new(0, 8);
    assert_non_null(none);
    cj_free(none);
    assert_null(cj_copy_text(NULL));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(quantities_that_read),        cmocka_unit_test(quantities_that_do_not),
        cmocka_unit_test(numbers_do_not_follow_the_locale), cmocka_unit_test(errors_are_one_line),
        cmocka_unit_test(text_grows),                  cmocka_unit_test(memory_refuses_overflow),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
