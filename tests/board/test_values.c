/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Preferred values (IEC 60063) and how values are written (IEC 60062). */
#include "tests.h"

#include <locale.h>

static void nearest_preferred_values(void **state)
{
    /* by hand: the series' own values around each */
    static const struct {
        double value;
        int series;
        double want;
    } cases[] = {
        {4700, 24, 4700},       {4600, 24, 4700},       {4480, 24, 4300},     {22e-12, 24, 22e-12},
        {2.19e-11, 24, 22e-12}, {9.9, 24, 10},          {9.4, 24, 9.1},       {9.6, 24, 10},
        {1e6, 24, 1e6},         {0.47, 24, 0.47},       {99.5e3, 24, 100e3},  {3.4e-7, 24, 3.3e-7},
        {4700, 96, 4750},       {4640, 96, 4640},       {100, 96, 100},       {99, 96, 100},
        {98.7, 96, 97.6},       {1.0249e4, 96, 1.02e4}, {9.76e5, 96, 9.76e5}, {1e-12, 96, 1e-12},
        {3e9, 24, 3e9},         {2.2e-6, 24, 2.2e-6},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char label[64];
        snprintf(label, sizeof label, "%g in E%d", cases[i].value, cases[i].series);
        check_ratio(label, cj_preferred(cases[i].value, cases[i].series), cases[i].want, 1e-15);
    }
}

static void no_value_has_no_preferred_one(void **state)
{
    static const double values[] = {0, -1, NAN, INFINITY, -INFINITY, 1e31, 1e-31};
    (void)state;
    for (size_t i = 0; i < sizeof values / sizeof values[0]; i++)
        assert_true(isnan(cj_preferred(values[i], 24)));
    assert_true(isnan(cj_preferred(100, 48)));
}

/* Brute force over all values of all decades must not find a nearer one. */
static void preferred_is_the_nearest_of_all(void **state)
{
    double all[24 * 13];
    size_t count = 0;
    (void)state;
    for (int decade = 0; decade < 13; decade++)
        for (int i = 0; i < 24; i++) {
            /* E24 as steps of itself: each value is its own preferred one */
            double from = pow(10, i / 24.0 + decade - 6);
            double near = cj_preferred(from, 24);
            check_ratio("its own", cj_preferred(near, 24), near, 0);
            all[count++] = near;
        }
    for (double value = 1e-5; value < 1e5; value *= 1.0037) {
        double off = fabs(log(cj_preferred(value, 24) / value));
        assert_true(off < 0.0716); /* half of the widest gap of E24, 1.3 to 1.5 */
        for (size_t i = 0; i < count; i++)
            if (fabs(log(all[i] / value)) < off - 1e-12)
                fail_msg("%g is nearer to %g than %g", all[i], value, cj_preferred(value, 24));
    }
}

/* Where the reference folder lies beside the project: every row of its list (read from a public
 * page on the standard). */
static void preferred_agrees_with_the_list(void **state)
{
    FILE *file = fopen(FIXTURES "/../../shared/reference/e_series.csv", "r");
    char line[512];
    int rows = 0;
    (void)state;
    if (file == NULL) {
        print_message("no ../shared/reference/e_series.csv: not compared\n");
        skip();
    }
    while (fgets(line, sizeof line, file) != NULL) {
        int series, number;
        double value;
        if (sscanf(line, "E%d,%d,%lf", &series, &number, &value) != 3 ||
            (series != 24 && series != 96))
            continue;
        check_ratio(line, cj_preferred(value, series), value, 1e-15);
        check_ratio(line, cj_preferred(value * 1e4 * 1.001, series), value * 1e4, 1e-15);
        rows++;
    }
    fclose(file);
    assert_int_equal(rows, 24 + 96);
}

static void values_are_written_as_on_parts(void **state)
{
    static const struct {
        double value;
        const char *text;
    } cases[] = {
        {4700, "4k7"},     {22e-12, "22p"},  {100, "100"},     {100e3, "100k"}, {1e6, "1M"},
        {2.2, "2R2"},      {0.47, "R47"},    {0.1, "R1"},      {49900, "49k9"}, {4.7e-9, "4n7"},
        {10e-6, "10u"},    {4.75e3, "4k75"}, {12.1e3, "12k1"}, {999.7, "1k"},   {9876, "9k88"},
        {0.0047, "4m7"},   {1e9, "1G"},      {1e-12, "1p"},    {47e-6, "47u"},  {1, "1"},
        {99.95e3, "100k"}, {5e-13, "5e-13"}, {150e-9, "150n"}, {10, "10"},      {1.05e6, "1M05"},
        {0.02, "20m"},     {0.999, "R999"},  {NAN, "nan"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char text[32];
        cj_value_text(cases[i].value, text, sizeof text);
        assert_string_equal(text, cases[i].text);
    }
}

/* What is written is read back as the value rounded to three digits, and fits any buffer. */
static void written_values_are_read_back(void **state)
{
    (void)state;
    for (double value = 1.3e-12; value < 9e11; value *= 1.0913) {
        char text[32], tiny[4], digits[32];
        double back = 0;
        cj_value_text(value, text, sizeof text);
        if (cj_quantity_read(text, "", &back, NULL) != CJ_OK)
            fail_msg("%g is written %s, which is no quantity", value, text);
        snprintf(digits, sizeof digits, "%.2e", value);
        check_ratio(text, back, strtod(digits, NULL), 1e-12);
        cj_value_text(value, tiny, sizeof tiny);
        assert_true(strlen(tiny) < sizeof tiny);
    }
}

/* Where there is a locale with a decimal comma, it is not written. */
static void values_do_not_follow_the_locale(void **state)
{
    char text[32];
    (void)state;
    if (setlocale(LC_ALL, "de_DE.UTF-8") == NULL)
        print_message("note: no locale with a decimal comma here\n");
    cj_value_text(5e-13, text, sizeof text);
    assert_string_equal(text, "5e-13");
    cj_value_text(1.25e-13, text, sizeof text);
    assert_string_equal(text, "1.25e-13");
    cj_value_text(4700, text, sizeof text);
    assert_string_equal(text, "4k7");
    setlocale(LC_ALL, "C");
}

int run_value_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nearest_preferred_values),
        cmocka_unit_test(no_value_has_no_preferred_one),
        cmocka_unit_test(preferred_is_the_nearest_of_all),
        cmocka_unit_test(preferred_agrees_with_the_list),
        cmocka_unit_test(values_are_written_as_on_parts),
        cmocka_unit_test(written_values_are_read_back),
        cmocka_unit_test(values_do_not_follow_the_locale),
    };
    return cmocka_run_group_tests_name("values", tests, NULL, NULL);
}
