/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_transient_cases.c - the transient against ngspice: transient-cases.txt holds the circuits,
 * transient-expected.txt what ngspice read (transient_expected.py). */
#include "check.h"
#include "netlist_text.h"

typedef struct expected {
    char name[48];
    double dc_v, tone_v, degrees, thd;
} expected;

/* The line of that case; [2] channels. */
static void expectation(const char *name, expected *out)
{
    FILE *file = fopen(HERE "/transient-expected.txt", "r");
    assert_non_null(file);
    char line[512], word[48];
    bool found = false;
    while (!found && fgets(line, sizeof line, file)) {
        if (sscanf(line, "%47s %lf %lf %lf %lf %lf %lf %lf %lf", word, &out[0].dc_v, &out[0].tone_v,
                   &out[0].degrees, &out[0].thd, &out[1].dc_v, &out[1].tone_v, &out[1].degrees,
                   &out[1].thd) == 9)
            found = strcmp(word, name) == 0;
    }
    fclose(file);
    if (!found)
        print_error("%s: no expectation\n", name);
    assert_true(found);
}

static double decibels(double ratio)
{
    return 20 * log10(ratio);
}

/* dB of the tone, V of DC, dB of THD, degrees: what the issue asks of saturated steps is 1 dB, 0.3
 * V, 2 dB. */
typedef struct bounds {
    const char *name;
    double tone_db, dc_v, thd_db, degrees;
} bounds;

static const bounds table[] = {
    {"healthy", 0.001, 1e-4, 99, 0.01},
    {"feedback-open-22p", 0.01, 0.02, 0.1, 0.5},
    {"feedback-open", 0.01, 0.02, 0.1, 0.5},
    {"feedback-open-clamped", 0.01, 0.02, 0.1, 0.5},
    {"feedback-open-low-drive", 0.05, 0.05, 0.2, 0.5},
    {"input-shorted", 0.01, 0.02, 0.1, 0.5},
    {"feedback-ten-times", 0.005, 0.001, 99, 0.05},
    {"feedback-twenty-times", 0.01, 0.01, 0.1, 0.1},
    {"output-open", 0.05, 0.01, 1, 0.5},
    {"last-output-open-clamped", 0.05, 0.01, 0.5, 0.5},
    {"inverting-open", 0.1, 0.01, 99, 1},
    {"bridge-out-minus", 0.05, 0.001, 99, 0.5},
    {"slew", 0.05, 0.01, 0.2, 0.5},
    {"coupled", 0.01, 0.01, 0.1, 0.1},
    {"rectifier", 0.05, 0.01, 0.2, 0.5},
    {"diode-clipper", 0.005, 0.001, 0.05, 0.05},
    {"feedback-diodes", 0.005, 0.001, 0.05, 0.1},
    {"transformer", 0.01, 0.01, 0.1, 0.2},
    {"trigger", 0.05, 0.01, 0.2,
     1.5}, /* a step is 0.9 degrees, and a regenerative jump takes none here */
    {"chain", 0.01, 0.01, 0.1, 0.2},
};

/* THD of what is linear is rounding on both sides. */
static void check_channel(const char *label, const bounds *b, const expected *want,
                          const cj__transient_answer *got, int c)
{
    double tone = hypot(got->tone[c].re, got->tone[c].im);
    double degrees = atan2(got->tone[c].im, got->tone[c].re) * 180 / M_PI;
    if (getenv("SHOW"))
        print_message(
            "%-26s %d dc %+9.5f off %+.5f V  tone %.5g off %+.4f dB  phase %+.2f off %+.3f  thd "
            "%.4f off %+.3f dB  steps %d refactors %d settled %d unsettled %d\n",
            label, c, got->dc_v[c], got->dc_v[c] - want->dc_v, tone, decibels(tone / want->tone_v),
            degrees, remainder(degrees - want->degrees, 360), got->thd[c],
            decibels(got->thd[c] / want->thd), got->steps, got->refactors, got->settled,
            got->unsettled_steps);
    check_close(label, got->dc_v[c], want->dc_v, b->dc_v);
    check_close(label, decibels(tone / want->tone_v), 0, b->tone_db);
    check_close(label, remainder(degrees - want->degrees, 360), 0, b->degrees);
    if (want->thd > 1e-6)
        check_close(label, decibels(got->thd[c] / want->thd), 0, b->thd_db);
    else
        check_close(label, got->thd[c], 0, 2e-6);
}

static void as_ngspice(void **state)
{
    (void)state;
    for (size_t k = 0; k < sizeof table / sizeof *table; k++) {
        netlist_text text;
        expected want[2];
        cj__transient_answer got;
        netlist_text_read(HERE "/transient-cases.txt", table[k].name, &text);
        expectation(table[k].name, want);
        cj_error err = {0};
        cj_status status = cj__transient(&text.netlist, &text.setup, &got, &err);
        if (status)
            print_error("%s: %s\n", table[k].name, err.message);
        assert_int_equal(status, CJ_OK);
        assert_true(got.settled);
        for (int c = 0; c < 2; c++)
            check_channel(table[k].name, &table[k], &want[c], &got, c);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(as_ngspice)};
    return cmocka_run_group_tests_name("transient-cases", tests, NULL, NULL);
}
