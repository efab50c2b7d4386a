/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Scope CSV of every form met: the files of fixtures/scope (fixtures/scope/make.py wrote them, from
 * the same two signals that are computed here), and the captures beside the project where there are
 * any.
 */
#include "check.h"
#include "scope_tests.h"

#include "capture/scope.h"

/* The signals of fixtures/scope/make.py. */
static double one(double n)
{
    return nearbyint(30 * sin(2 * M_PI * n / 20 + 0.3)) * 0.04;
}

static double two(double n)
{
    return nearbyint(-25 * sin(2 * M_PI * n / 20 + 0.3) + 2) * 0.08;
}

static double one_later(double n)
{
    return one(n + 1);
}

typedef double (*signal_fn)(double n);

struct form {
    const char *file;
    size_t samples;
    double rate_hz, start_s;
    const char *channels; /* "NAME UNIT, NAME UNIT" of all of the file's */
    signal_fn selected[2];
    size_t lead;      /* rows without values before n = 0 */
    const char *note; /* part of one of the notes, NULL: none looked for */
    double tolerance; /* of values, for few printed digits; 0: 1e-9 */
    double rate_tolerance;
};

static const struct form forms[] = {
    {"a-keys-left.csv", 64, 1e4, -3.2e-3, "CH1 V", {one}, .lead = 0, .note = "from the header"},
    {"a-letters-on-top.csv",
     64,
     1e4,
     -3.2e-3,
     "CH1 V",
     {one},
     .lead = 0,
     .note = "1 line of header"},
    {"a-tabs-quoted.csv", 64, 1e6, -2e-6, "col5 ?", {one}, .lead = 0, .note = "separated by tabs"},
    {"a-two-blocks.csv", 64, 1e4, -1e-4, "CH1 V, CH2 V", {one, two}, .lead = 0},
    {"b-two-lines.csv", 64, 2e6, -5e-4, "1 V, 4 V", {one, two}, .lead = 0},
    {"b-empty-first.csv",
     66,
     1e6,
     1e-3,
     "LEFT V, 3 V",
     {one, two},
     .lead = 2,
     .note = "LEFT: 2 samples without a value"},
    {"b-computed.csv",
     64,
     1e5,
     0,
     "1 V, 2 V",
     {one, two},
     .lead = 0,
     .note = "Column 4 is ignored: computed"},
    {"b-block-below.csv", 64, 1e5, 0, "1 V, 2 V", {one, two}, .lead = 0, .note = "From line 67 on"},
    {"b-spectrum-beside.csv",
     64,
     1e5,
     0,
     "1 V",
     {one},
     .lead = 0,
     .note = "Column 3 is ignored: spectrum"},
    {"c-index.csv",
     64,
     2e5,
     -2e-3,
     "CH1 V, CH2 V",
     {one, two},
     .lead = 0,
     .note = "counts the samples"},
    {"c-no-index.csv", 64, 2e5, -2e-3, "CH1 V, CH2 V", {one, two}, .lead = 0},
    {"c-empty-first-line.csv", 64, 2e5, -2e-3, "CH1 V, CH2 V", {one, two}, .lead = 0},
    {"c-saved-again.csv",
     64,
     2e5,
     -2e-3,
     "CH1 V, CH2 V",
     {one, two},
     .lead = 0,
     .note = "Column 7 is ignored"},
    {"c-values-lost.csv",
     64,
     0,
     0,
     "CH1 ?, CH2 ?",
     {one, two},
     .lead = 0,
     .note = "the rate is not known"},
    {"d-empty-title.csv",
     400,
     25000,
     0.0125,
     "CH1 V, CH2 V",
     {one, two},
     .lead = 0,
     .note = "The times are rounded"},
    {"d-x-of-channel.csv", 64, 100, -0.32, "CH1 V", {one}, .lead = 0},
    {"e-titled-pairs.csv", 64, 1e6, 0, "CH1 V, CH2 V", {one, two}, .lead = 0},
    {"e-bare-pairs.csv",
     64,
     1e4,
     2.1e-3,
     "col2 ?, col5 ?, col8 ?",
     {one, two},
     .lead = 0,
     .note = "states no unit"},
    {"f-block.csv",
     64,
     2e5,
     -1e-3,
     "CH1 V, CH2 V",
     {one, two},
     .lead = 0,
     .note = "CH1: 1 sample without"},
    {"f-envelope.csv", 64, 2e5, -1e-3, "CH1 V, CH2 V", {one, two}, .lead = 0, .note = "envelope"},
    {"g-marker.csv",
     64,
     1e6,
     -1e-3,
     "trace V",
     {one},
     .lead = 0,
     .note = "1/25 of the volts per division"},
    {"g-codes.csv",
     64,
     2.5e5,
     0,
     "CH2 V",
     {one},
     .lead = 0,
     .note = "integer codes of 0.04 V each"},
    {"g-keys-right.csv", 64, 5e5, 0, "col 2 ?", {one}, .lead = 0},
    {"h-lists.csv", 64, 5e8, -2e-9, "CH1 V, CH2 A", {one}, .lead = 0},
    {"h-no-block.csv", 64, 2.5e5, -1.2e-4, "CH1 V, CH2 V", {one, two}, .lead = 0},
    {"h-saved-again.csv", 64, 2e6, -1e-4, "col2 ?, col3 ?", {one, two}, .lead = 0},
    {"i-colons.csv", 64, 2e6, 0, "CH1 V", {one}, .lead = 0, .note = "in mV"},
    {"j-columns.csv", 64, 1e3, -0.2, "CH1 V, CH4 A", {one}, .lead = 0},
    {"j-one-for-all.csv", 64, 1e3, -0.2, "CH1 V, CH2 V", {one, two}, .lead = 0},
    {"k-unit-each-row.csv", 64, 0, 0, "col2 V", {one}, .lead = 0, .note = "the rate is not known"},
    {"l-comments.csv", 64, 2.5e5, -4e-6, "Channel 1 V, Channel 2 V", {one, two}, .lead = 0},
    /* the column is the finer: 1234567.9 Hz, of which the header prints five digits */
    {"l-rounded-rate.csv",
     64,
     1234567.9,
     0,
     "Channel 1 V",
     {one},
     .lead = 0,
     .note = "rounded more",
     .rate_tolerance = 1e-8},
    {"l-millivolts.csv", 64, 2.5e6, 4e-7, "trace V", {one}, .lead = 0, .note = "millivolts"},
    {"m-brackets.csv", 64, 2e6, 0, "CH1 V", {one}, .lead = 0},
    {"m-in.csv", 64, 2e6, 0, "C1 V, C2 V", {one, two}, .lead = 0},
    {"m-round.csv", 64, 2e6, 0, "Ch1 V, Ch2 A", {one}, .lead = 0},
    {"m-sample.csv", 64, 2e6, 0, "CH1 V", {one}, .lead = 0, .note = "Time is column 2"},
    {"m-decimal-comma.csv",
     64,
     1e5,
     -2e-4,
     "CH1 V, CH2 V",
     {one, two},
     .lead = 0,
     .note = "decimal mark is a comma"},
    {"m-doubled.csv", 64, 100, -1, "C1 V", {one}, .lead = 0, .note = "Every time stands twice"},
    {"n-wrong-title.csv", 64, 4e3, -5e-4, "Channel A V, Channel B V", {one, two}, .lead = 0},
    {"o-quoted.csv", 64, 2e3, 0, "Recording a.u.", {one}, .lead = 0},
    /* time wanders by 4 % of a step, so the fitted rate is within some 1e-4 of 10 Hz */
    {"p-definition.csv",
     64,
     10,
     0,
     "s_1 m, U V",
     {one},
     .lead = 0,
     .note = "straight line",
     .rate_tolerance = 2e-4},
    {"p-nul.csv", 64, 5, 0, "Sensor V", {one}, .lead = 0},
    {"p-date.csv", 64, 200, 0, "Voltage V", {one}, .lead = 0},
    {"q-segment.csv", 64, 5e6, -4e-7, "Ampl ?", {one}, .lead = 0, .note = "separated by blanks"},
    {"q-two-segments.csv",
     64,
     5e6,
     -4e-7,
     "Ampl ?",
     {one},
     .lead = 0,
     .note = "Several segments of 64"},
    {"r-bare-titles.csv", 400, 1e3, -5, "CH2 ?", {one}, .lead = 0},
    {"s-falling.csv",
     64,
     4e3,
     -5e-3,
     "IN1 ?, IN2 ?",
     {one, two},
     .lead = 0,
     .note = "was turned round"},
    {"s-plain.csv", 64, 4e3, 0, "IN1 ?, IN2 ?", {one, two}, .lead = 0},
    /* two printed digits of the first channel */
    {"t-semicolon.csv",
     64,
     1e6,
     -3e-6,
     "col2 ?, col3 ?",
     {one, two},
     .lead = 0,
     .tolerance = 0.0501},
    {"u-shots.csv", 64, 1e5, 0, "col0 ?, col1 ?, col2 ?", {one, one_later}, .lead = 0},
    {"v-simulation.csv",
     64,
     1e5,
     0,
     "V(out) V",
     {one},
     .lead = 0,
     .note = "1 sample without a value"},
    {"t1-header-beats-column.csv",
     400,
     4e4,
     0,
     "CH1 ?",
     {one},
     .lead = 0,
     .note = "from the header"},
    {"t1-rounded.csv", 400, 4e4, 0, "CH1 V", {one}, .lead = 0, .note = "round figure"},
    {"cut.csv", 64, 1e5, 0, "CH1 ?", {one}, .lead = 0, .note = "a cut file"},
    {"no-last-line-end.csv", 64, 1e5, 0, "CH1 V", {one}, .lead = 0},
    {"cut-line.csv", 64, 1e5, 0, "CH1 V", {one}, .lead = 0, .note = "breaks off"},
    {"gaps.csv",
     64,
     1e5,
     0,
     "CH1 V, CH2 V",
     {one, two},
     .lead = 0,
     .note = "CH2: 2 samples without a value"},
    {"bad-row.csv",
     120,
     1e5,
     0,
     "CH1 V",
     {one},
     .lead = 0,
     .note = "1 row could not be read, the first on line 72"},
    {"bad-row-early.csv", 120, 1e5, 0, "CH1 V", {one}, .lead = 0, .note = "the first on line 5"},
    {"microvolts.csv", 64, 4e5, 0, "CH1 V, CH2 V", {one, two}, .lead = 0, .note = "in uV"},
    {"amperes-first.csv", 64, 1e5, 0, "1 A, 2 V", {two}, .lead = 0},
    {"three-channels.csv", 64, 1e5, 0, "CH1 A, CH2 V, CH3 V", {one, two}, .lead = 0},
};

/* Cells that make.py left empty on purpose: the only ones that may be NaN. */
static bool is_left_empty(const char *file, int k, size_t n)
{
    return (strcmp(file, "gaps.csv") == 0 && (k == 0 ? n == 9 : n == 20 || n == 21)) ||
           (strcmp(file, "bad-row.csv") == 0 && n == 70) ||
           (strcmp(file, "bad-row-early.csv") == 0 && n == 3) ||
           (strcmp(file, "f-block.csv") == 0 && n == 0) ||
           (strcmp(file, "v-simulation.csv") == 0 && n == 5);
}

static bool has_note(const cj__scope *scope, const char *part)
{
    for (size_t i = 0; i < scope->notes.count; i++)
        if (strstr(scope->notes.items[i], part) != NULL)
            return true;
    return false;
}

static void check_channels(const struct form *form, const cj__scope *scope)
{
    char list[256] = "";
    for (int i = 0; i < scope->channel_count; i++)
        snprintf(list + strlen(list), sizeof list - strlen(list), "%s%s %s", i ? ", " : "",
                 scope->channels[i].name, scope->channels[i].unit);
    if (strcmp(list, form->channels) != 0)
        fail_msg("%s: channels \"%s\", want \"%s\"", form->file, list, form->channels);
    int want = form->selected[1] ? 2 : 1;
    if (scope->selected_count != want)
        fail_msg("%s: %d channels selected, want %d", form->file, scope->selected_count, want);
}

static void check_values(const struct form *form, const cj__scope *scope)
{
    double tolerance = form->tolerance > 0 ? form->tolerance : 1e-9;
    for (int k = 0; k < scope->selected_count; k++) {
        size_t gaps = 0;
        for (size_t n = 0; n < scope->samples; n++) {
            double got = scope->values[k][n];
            bool empty = n < form->lead || is_left_empty(form->file, k, n);
            gaps += empty;
            if (empty != !!isnan(got))
                fail_msg("%s: sample %zu of channel %d is %g", form->file, n, k + 1, got);
            if (!empty)
                check_close(form->file, got, form->selected[k]((double)n - (double)form->lead),
                            tolerance);
        }
        assert_int_equal(scope->channels[scope->selected[k]].gaps, gaps);
        if (form->tolerance > 0)
            continue;
        check_ratio(form->file, scope->channels[scope->selected[k]].step,
                    form->selected[k] == two ? 0.08 : 0.04, 1e-6);
    }
}

static void test_forms(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof forms / sizeof forms[0]; i++) {
        const struct form *form = &forms[i];
        char path[512];
        snprintf(path, sizeof path, "%s/scope/%s", FIXTURES, form->file);
        cj_error error = {0};
        cj__scope *scope = read_scope(path, NULL, &error);
        if (scope == NULL)
            fail_msg("%s: line %ld: %s", form->file, error.line, error.message);
        if (scope->samples != form->samples)
            fail_msg("%s: %zu samples, want %zu", form->file, scope->samples, form->samples);
        check_ratio(form->file, scope->rate_hz, form->rate_hz,
                    form->rate_tolerance > 0 ? form->rate_tolerance : 1e-9);
        check_close(form->file, scope->start_s, form->start_s, fabs(form->start_s) * 1e-9);
        check_channels(form, scope);
        check_values(form, scope);
        assert_int_equal(scope->envelope,
                         strstr(form->file, "envelope") || strstr(form->file, "doubled"));
        if (form->note != NULL && !has_note(scope, form->note))
            fail_msg("%s: no note says \"%s\"", form->file, form->note);
        cj__scope_free(scope);
    }
}

/* The printed rate must lie within what rate_u says, with a wide margin, where the times are
 * rounded. */
static void test_rate_uncertainty(void **state)
{
    (void)state;
    cj_error error = {0};
    cj__scope *scope = read_scope(FIXTURES "/scope/p-definition.csv", NULL, &error);
    assert_non_null(scope);
    /* 64 stamps that are off by 0.004 sin(9 n) s: a white-noise fit is uncertain by
     * 0.0028 sqrt(12 / 64^3) / 0.1 = 1.9e-4 */
    check_ratio("rate_u", scope->rate_u, 1.9e-4, 0.15);
    assert_true(fabs(scope->rate_hz / 10 - 1) < 3 * scope->rate_u);
    cj__scope_free(scope);
}

struct refusal {
    const char *file;
    long line;
    const char *says;
};

static const struct refusal refusals[] = {
    {"x-empty.csv", 1, "is empty"},
    {"x-header-only.csv", 1, "no rows of numbers"},
    {"x-one-column.csv", 1, "only one column"},
    {"x-vin-vout.csv", 2, "no time"},
    {"x-spectrum.csv", 1, "spectrum"},
    {"x-spectrum-tokens.csv", 2, "spectrum"},
    {"x-spectrum-container.csv", 4, "spectrum"},
    {"x-response.csv", 1, "frequency response"},
    {"x-digital.csv", 1, "digital record"},
    {"x-pointer.csv", 1, "large-file store"},
    {"x-error-cells.csv", 10, "ERROR"},
    {"x-dotted-times.csv", 2, "'1.234.567.890' is no number"},
    {"x-back-and-forth.csv", 43, "time goes back"},
    {"x-pasted-twice.csv", 66, "pasted twice"},
    {"x-thinned.csv", 0, "time steps vary"},
    {"x-text.csv", 32, "no number where a sample belongs"},
    {"x-too-few.csv", 2, "only 9 samples"},
    {"x-eleven-bad.csv", 32, "more than ten rows in a row"},
    {"x-binary.csv", 1, "binary"},
    {"x-two-axes.csv", 1, "not one time axis"},
};

static void test_refusals(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof refusals / sizeof refusals[0]; i++) {
        char path[512];
        snprintf(path, sizeof path, "%s/scope/%s", FIXTURES, refusals[i].file);
        cj_error error = {0};
        cj__scope *scope = read_scope(path, NULL, &error);
        if (scope != NULL)
            fail_msg("%s was read as %zu samples", refusals[i].file, scope->samples);
        assert_int_equal(error.status, CJ_DATA);
        check_holds(refusals[i].file, error.message, refusals[i].says);
        if (refusals[i].line > 0 && error.line != refusals[i].line)
            fail_msg("%s: line %ld, want %ld", refusals[i].file, error.line, refusals[i].line);
        assert_string_equal(error.file, path);
    }
}

static void test_options(void **state)
{
    (void)state;
    const char *path = FIXTURES "/scope/three-channels.csv";
    cj_error error = {0};
    cj__scope *scope =
        read_scope(path, &(cj_capture_options){.channels = {3, 1}, .probe = {10, 0}}, &error);
    assert_non_null(scope);
    assert_int_equal(scope->selected[0], 2);
    assert_int_equal(scope->selected[1], 0);
    check_close("probe", scope->values[0][7], 10 * two(7), 1e-9);
    check_close("step with probe", scope->channels[2].step, 0.8, 1e-6);
    check_close("other", scope->values[1][7], 3 * one(7), 1e-9);
    cj__scope_free(scope);
    scope = read_scope(path, &(cj_capture_options){.channels = {2, 2}}, &error);
    assert_non_null(scope);
    check_close("twice", scope->values[1][7], one(7), 1e-9);
    cj__scope_free(scope);
    scope = read_scope(path, &(cj_capture_options){.channels = {2, 0}}, &error);
    assert_non_null(scope);
    assert_int_equal(scope->selected_count, 1);
    cj__scope_free(scope);
    scope = read_scope(path, &(cj_capture_options){.channels = {1, 4}}, &error);
    assert_null(scope);
    assert_int_equal(error.status, CJ_USAGE);
    check_holds("channel 4", error.message, "has 3 channels");
    scope = read_scope(path, &(cj_capture_options){.channels = {-1, 1}}, &error);
    assert_null(scope);
    assert_int_equal(error.status, CJ_USAGE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_forms),           cmocka_unit_test(test_rate_uncertainty),
        cmocka_unit_test(test_refusals),        cmocka_unit_test(test_options),
        cmocka_unit_test(test_shared_captures), cmocka_unit_test(test_numbers_table),
        cmocka_unit_test(test_numbers_random),  cmocka_unit_test(test_hostile),
    };
    return cmocka_run_group_tests_name("scope", tests, NULL, NULL);
}
