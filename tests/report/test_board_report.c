/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The answers of `diagnose` and `board`. */
#include "check.h"

#include <jansson.h>

#include "board_sample.h"
#include "report/board.h"

static int make(void **state)
{
    struct board_sample *sample = calloc(1, sizeof *sample);
    board_sample_make(sample);
    *state = sample;
    return 0;
}

static int unmake(void **state)
{
    board_sample_free(*state);
    free(*state);
    return 0;
}

/* Columns of the widest line, and no blanks at the end of any. */
static size_t page_width(const char *text)
{
    size_t width = 0, widest = 0;
    for (const char *at = text; *at; at++) {
        width = *at == '\n' ? 0 : width + (((unsigned char)*at & 0xc0) != 0x80);
        widest = width > widest ? width : widest;
        if (*at == '\n' && at > text && at[-1] == ' ')
            fail_msg("blanks at the end of a line:\n%s", text);
    }
    return widest;
}

static size_t page_lines(const char *text)
{
    size_t lines = 0;
    for (; *text; text++)
        lines += *text == '\n';
    return lines;
}

static void check_screen(const char *text)
{
    if (page_width(text) > 80 || page_lines(text) > 39)
        fail_msg("%zu columns, %zu lines:\n%s", page_width(text), page_lines(text), text);
}

/* ---- words ---- */

static void words__fault(void **state)
{
    struct board_sample *s = *state;
    static const char *const cases[][2] = {
        {"open-pin:U1:7", "U1 pin 7 makes no contact"},
        {"open-pin:R14:2", "R14 makes no contact"},
        {"bridge:U1:6-7", "U1 pins 6 and 7 are joined"},
        {"shorted:R14", "R14 is shorted"},
        {"wrong-value:R14=10k", "R14 is 10k instead of 100k"},
        {"swapped:R13-R14", "R13 and R14 are exchanged"},
        {"reversed:C13", "C13 is the wrong way round"},
        {"at-rail:U1:7=v+", "U1, output pin 7, is stuck at v+"},
        {"weak:U1:7=offset", "U1, output pin 7: offset out of specification"},
        {"unpowered:v+", "the rail v+ is missing or low"},
        {"outside:summing op-amp, output pin", "summing op-amp, output pin"},
        {"open-pin:U1:7+shorted:R14",
         "U1 pin 7 makes no contact and, at the same time, R14 is shorted"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_fault fault;
        cj_text out = {0};
        assert_int_equal(cj_fault_read(cases[i][0], &fault, NULL), CJ_OK);
        cj__write_fault(&out, s->board, &fault);
        assert_string_equal(out.bytes, cases[i][1]);
        cj_text_free(&out);
        cj_fault_clear(&fault);
    }
    assert_true(cj__same_words(s->board, &s->faults[1], &s->faults[2]));
    assert_false(cj__same_words(s->board, &s->faults[0], &s->faults[1]));
    assert_false(cj__same_words(NULL, &s->faults[1], &s->faults[2])); /* it may have more pins */
}

static void words__clip(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        size_t columns;
        const char *want;
    } cases[] = {
        {"abcdef", 6, "abcdef"}, {"abcdef", 5, "abcd…"}, {"abc def", 5, "abc…"},
        {"µµµµ", 4, "µµµµ"},     {"µµµµ", 3, "µµ…"},     {"", 3, ""},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_text text = {0};
        cj_text_add(&text, "%s", cases[i].text);
        cj__clip(&text, cases[i].columns);
        assert_string_equal(text.bytes ? text.bytes : "", cases[i].want);
        cj_text_free(&text);
    }
}

static void numbers__rounded(void **state)
{
    (void)state;
    static const struct {
        double value, u;
        const char *unit, *want;
    } cases[] = {
        {-19.0812, 0.12, "dB", "-19.08 dB"}, {-19.0812, 1.2, "dB", "-19.1 dB"},
        {0.0012345, NAN, "V", "1.234 mV"},   {0.0001, 0.03, "V", "0 mV"},
        {-19.08123, NAN, "dB", "-19.08 dB"}, {168.939, NAN, "deg", "168.9°"},
        {-2e-6, NAN, "V", "< 0.1 mV"},       {-2e-6, 1e-7, "V", "-2.00 µV"},
        {10.4567, 1e-9, "V", "10.457 V"},    {4701, 47, "ohm", "4.701 kohm"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_text out = {0};
        cj__write_rounded(&out, cases[i].value, cases[i].u, cases[i].unit);
        assert_string_equal(out.bytes, cases[i].want);
        cj_text_free(&out);
    }
}

/* ---- diagnose, text ---- */

static char *diagnosis_text(const struct board_sample *s, const cj_report_style *style)
{
    cj_text out = {0};
    cj_error err = {0};
    if (cj_report_diagnosis_text(&s->diagnosis, s->observed, style, &out, &err) != CJ_OK)
        fail_msg("%s", err.message);
    return out.bytes;
}

static void text__fault(void **state)
{
    struct board_sample *s = *state;
    s->items[0].evidence_count = 4;
    char *text = diagnosis_text(s, NULL);
    check_screen(text);
    assert_int_equal(strncmp(text, "FAULT: in2-right: gain is 19.1 dB below", 38), 0);
    check_holds("read", text, "two-sums, 2 of 4 steps read: in2-right, quiet\n");
    check_holds("first", text, " 1. 93 %  U1 pin 7 makes no contact: what is left");
    /* both ends of R14 are said once */
    check_holds("group", text,
                "    The same readings come of: R14 makes no contact; or U1 pins 6 and 7 are\n"
                "    joined\n");
    check_holds("heads", text, "measured          with this fault  healthy\n");
    check_holds("evidence", text, "in2-right: gain ");
    check_holds("numbers", text, "-19.08 ± 0.10 dB  -19.10 dB        0.001 dB\n");
    check_holds("words", text, "inverted          inverted         same\n");
    check_holds("check", text, "    Check: Measure from U1 pin 7 to its pad; resolder it.\n");
    check_holds("second", text, "\n 2.    3 %  R14 is 10k instead of 100k\n");
    check_holds(
        "pair", text,
        "\n 3.    1 %  U1, output pin 7: offset out of specification and, at the same time,\n"
        "            the rail v+ is missing or low\n");
    check_holds("rules", text, "\n 4.  < 1 %  The supply hums: a ground loop");
    check_holds("none", text, "    None of these: 2 %\n");
    check_holds("step", text, "  - Capture step across (left_out-right_out):\n");
    check_holds("reads", text,
                "    if U1 pin 7 makes no contact: gain -19.10 dB; polarity inverted\n"
                "    if R14 is 10k instead of 100k: gain -20.00 dB; polarity same\n"
                "    if nothing is wrong, or supply: gain 0.00 dB; polarity same\n");
    check_holds("probe", text,
                "  - Put the second probe on right_bus (or on left_bus) during step in2-right:\n");
    assert_null(strstr(text, "probe on left_bus")); /* no entry of its own */
    check_holds("caution", text, "Power off and let the supply discharge");
    check_holds("its own", text, "Keep headphones off");
    check_holds("notes", text, "Notes\n  - noise_v is not predicted\n");
    assert_null(strstr(text, "\033"));
    assert_null(strstr(text, "hum: silent"));
    cj_free(text);
}

/* Much of everything: it still fits, and what is left out is counted. */
static void text__fits(void **state)
{
    struct board_sample *s = *state;
    static const cj_report_style explain = {.explain = true, .colour = true};
    s->findings.count = BOARD_SAMPLE_OTHERS;
    s->items[0].says =
        (char *)"U1 pin 7 makes no contact: what is left of the signal leaks through R2 and R14, a "
                "ninth of it, upside down, and with it come the edges of the loose output, which "
                "stands at one rail or the other most of the time and couples through the strays.";
    s->items[0].check =
        (char *)"Power off. Measure from U1 pin 7 to the lead of R14 that is next to it: a joint "
                "that is made has less than an ohm. Look at it from the side; resolder it, and "
                "measure again before the power comes back.";
    for (int i = 0; i < 12; i++)
        assert_int_equal(cj_lines_add(&s->diagnosis.notes,
                                      "a note of some length that explains why a reading of one "
                                      "step or another was of no use, number %d",
                                      i),
                         CJ_OK);
    char *text = diagnosis_text(s, NULL);
    check_screen(text);
    check_holds("the first stays", text, "U1 pin 7 makes no contact");
    check_holds("evidence stays", text, "with this fault");
    check_holds("the next step stays", text, "Capture step across");
    check_holds("the caution stays", text, "Power off and let the supply discharge");
    check_holds("others", text, " less likely, in the answer of --json\n");
    check_holds("notes", text, " more, in the answer of --json\n");
    cj_free(text);
    text = diagnosis_text(s, &explain); /* nothing is left out where all was asked for */
    check_holds("explained", text, "hum: silent in step quiet");
    check_holds("coloured", text, "\033[1;31mFAULT\033[0m");
    assert_true(page_lines(text) > 39);
    cj_free(text);
}

static void text__narrow(void **state)
{
    struct board_sample *s = *state;
    for (size_t i = 0; i < 6; i++) {
        strcpy(s->evidence[i].step, "a-step-with-quite-a-long-name-that-goes-on");
        strcpy(s->evidence[i].figure, "thd_percent@left_out-right_out");
    }
    char *text = diagnosis_text(s, NULL);
    check_screen(text);
    check_holds("numbers stay", text, "-19.08 dB");
    check_holds("the label gives way", text, "…");
    cj_free(text);
}

static void text__healthy_and_undecided(void **state)
{
    struct board_sample *s = *state;
    s->diagnosis.state = CJ_STATE_HEALTHY;
    char *text = diagnosis_text(s, NULL);
    check_screen(text);
    assert_int_equal(strncmp(text, "HEALTHY: ", 9), 0);
    check_holds("others", text, "What these readings do not rule out\n 1.   93 %  U1 pin 7 makes");
    cj_free(text);
    s->diagnosis.state = CJ_STATE_UNDECIDED;
    size_t next = s->diagnosis.next_count, open = s->diagnosis.open_count;
    s->diagnosis.next_count = s->diagnosis.open_count = 0;
    text = diagnosis_text(s, NULL);
    check_screen(text);
    check_holds("no empty heading", text,
                "What to do next\n  - Do the check of what stands first: ");
    cj_free(text);
    s->diagnosis.next_count = next;
    s->diagnosis.open_count = open;
    s->findings.count = 0;
    s->diagnosis.next = &s->next[4]; /* nothing would tell: the first reading is named */
    s->diagnosis.next_count = 1;
    s->diagnosis.why[0] = '\0';
    text = diagnosis_text(s, NULL);
    assert_string_equal(text, "UNDECIDED: nothing was read\n"
                              "two-sums, 2 of 4 steps read: in2-right, quiet\n"
                              "\nWhat to do next\n  - Capture step quiet (left_out, right_out):\n"
                              "    if nothing is wrong, or supply: DC, right_out < 0.1 mV\n"
                              "\nNotes\n  - noise_v is not predicted\n");
    cj_free(text);
}

/* ---- diagnose, JSON ---- */

static json_t *parsed(cj_text *out)
{
    json_error_t error;
    json_t *root = json_loads(out->bytes, 0, &error);
    if (root == NULL)
        fail_msg("line %d: %s\n%s", error.line, error.text, out->bytes);
    cj_text_free(out);
    return root;
}

static json_t *diagnosis_json(const struct board_sample *s)
{
    cj_text out = {0};
    assert_int_equal(cj_report_diagnosis_json(&s->diagnosis, s->observed, &out, NULL), CJ_OK);
    return parsed(&out);
}

static const char *text_at(const json_t *object, const char *key)
{
    return json_string_value(json_object_get(object, key));
}

static double number_at(const json_t *object, const char *key)
{
    return json_number_value(json_object_get(object, key));
}

static void json__diagnosis(void **state)
{
    struct board_sample *s = *state;
    s->items[3].probability = NAN;
    json_t *root = diagnosis_json(s);
    assert_string_equal(text_at(root, "coldjoint"), "diagnose");
    assert_string_equal(text_at(root, "board"), "two-sums");
    assert_string_equal(text_at(root, "verdict"), "fault");
    check_close("unexplained", number_at(root, "unexplained"), 0.02, 0);

    json_t *steps = json_object_get(root, "steps"), *step = json_array_get(steps, 0);
    assert_int_equal(json_array_size(steps), 2);
    assert_string_equal(text_at(step, "step"), "in2-right");
    assert_string_equal(text_at(step, "file"), "unit/in2-\xef\xbf\xbdright.csv");
    assert_true(json_is_null(json_object_get(json_array_get(steps, 1), "file")));
    json_t *measured = json_object_get(step, "measured");
    json_t *gain = json_object_get(measured, "gain_db");
    check_close("gain", number_at(gain, "value"), -19.08, 0);
    check_close("its u", number_at(gain, "u"), 0.1, 0);
    assert_string_equal(text_at(gain, "unit"), "dB");
    json_t *thd = json_object_get(measured, "thd_percent@right_out");
    assert_true(json_is_null(json_object_get(thd, "value")));
    check_close("below", number_at(thd, "below"), 0.3961, 0);
    assert_non_null(text_at(thd, "why"));
    assert_non_null(text_at(json_object_get(measured, "dc_v@right_out"), "why"));
    assert_string_equal(text_at(json_object_get(measured, "polarity"), "value"), "inverted");
    assert_true(json_is_object(
        json_object_get(json_object_get(step, "predicted_healthy"), "dc_v@right_out")));

    json_t *open = json_object_get(root, "open_steps");
    assert_int_equal(json_array_size(open), 2);
    assert_string_equal(json_string_value(json_array_get(open, 1)), "across");
    json_decref(root);
}

static void json__findings(void **state)
{
    struct board_sample *s = *state;
    json_t *root = diagnosis_json(s), *findings = json_object_get(root, "findings");
    assert_int_equal(json_array_size(findings), 4);
    json_t *first = json_array_get(findings, 0), *faults = json_object_get(first, "faults");
    assert_int_equal(json_array_size(faults), 4);
    assert_string_equal(text_at(json_array_get(faults, 0), "fault"), "open-pin");
    assert_string_equal(text_at(json_array_get(faults, 0), "part"), "U1");
    check_close("pin", number_at(json_array_get(faults, 0), "pin"), 7, 0);
    check_close("pin2", number_at(json_array_get(faults, 3), "pin2"), 7, 0);
    assert_string_equal(text_at(first, "from"), "board");
    json_t *value = json_array_get(json_object_get(json_array_get(findings, 1), "faults"), 0);
    check_close("value", number_at(value, "value"), 10.2e3, 1e-9);
    check_close("low", number_at(value, "low"), 9.9e3, 1e-9);
    assert_true(json_is_null(json_object_get(value, "high"))); /* infinite */
    assert_string_equal(text_at(value, "nearest"), "10k");
    json_t *both = json_array_get(json_object_get(json_array_get(findings, 2), "faults"), 0);
    json_t *together = json_object_get(both, "together");
    assert_int_equal(json_array_size(together), 2);
    assert_null(json_object_get(both, "fault"));
    assert_string_equal(text_at(json_array_get(together, 0), "figure"), "offset");
    assert_string_equal(text_at(json_array_get(together, 1), "rail"), "v+");
    json_t *rule = json_array_get(json_object_get(json_array_get(findings, 3), "faults"), 0);
    assert_true(json_is_null(json_object_get(rule, "part")));
    assert_string_equal(text_at(rule, "role"), "supply");
    json_decref(root);
}

static void json__next(void **state)
{
    struct board_sample *s = *state;
    json_t *root = diagnosis_json(s), *next = json_object_get(root, "next");
    assert_int_equal(json_array_size(next), 5);
    json_t *step = json_array_get(next, 0), *probe = json_array_get(next, 1);
    assert_string_equal(text_at(step, "step"), "across");
    assert_null(json_object_get(step, "probe"));
    check_close("bits", number_at(step, "bits"), 0.8, 0);
    assert_string_equal(text_at(probe, "probe"), "right_bus");
    assert_string_equal(text_at(probe, "during"), "in2-right");
    assert_null(json_object_get(probe, "step"));
    assert_true(json_is_null(json_object_get(json_array_get(next, 3), "bits")));
    json_t *expect = json_object_get(step, "expect");
    assert_int_equal(json_array_size(expect), 4);
    json_t *first = json_array_get(expect, 0);
    assert_string_equal(text_at(json_object_get(first, "if"), "part"), "U1");
    check_close("reads",
                number_at(json_object_get(json_object_get(first, "reads"), "gain_db"), "value"),
                -19.1, 0);
    assert_true(json_is_null(json_object_get(json_array_get(expect, 2), "if")));
    assert_true(json_is_true(json_object_get(json_array_get(expect, 2), "healthy")));
    json_decref(root);
}

/* ---- board ---- */

static void text__study(void **state)
{
    struct board_sample *s = *state;
    cj_text out = {0};
    assert_int_equal(cj_report_study_text(&s->study, NULL, &out, NULL), CJ_OK);
    assert_true(page_width(out.bytes) <= 80);
    check_holds("title", out.bytes, "two-sums: Two summing stages\n");
    check_holds("counts", out.bytes, "  6 parts, 9 nets, 4 steps, 40 single faults\n");
    check_holds("rank", out.bytes, "of the values of 5 parts the steps determine 3 combinations\n");
    check_holds("head", out.bytes, "\n                         gain  phase  at a net\n");
    check_holds("figure", out.bytes,
                "\n  in2-right  -19.08 ± 0.10 dB         DC, right_out          –\n");
    check_holds("bound", out.bytes,
                "\n                                      THD, right_out  < 0.40 %\n");
    check_holds("next step", out.bytes, "\n  quiet      -19.08 ");
    assert_null(strstr(out.bytes, "V/V")); /* the ratio is in the JSON */
    check_holds("groups", out.bytes,
                "Faults that read alike in these steps: 1 group\n"
                "  - open-pin:U1:7, open-pin:R14:1, open-pin:R14:2\n");
    check_holds("unseen", out.bytes, "Faults that would pass every limit: 4\n  open-pin:U1:7, ");
    check_holds("limit", out.bytes, "  - in1-left: gain, -0.3 to 0.3 dB\n");
    check_holds("of", out.bytes, "  - every step: THD, left_out, at most 0.1 %\n");
    check_holds("derived", out.bytes, "  - from tolerance, 3 sigmas\n");
    cj_text_free(&out);

    s->study.group_count = s->study.unseen.count = s->study.undecidable_count = 0;
    assert_int_equal(cj_report_study_text(&s->study, NULL, &out, NULL), CJ_OK);
    check_holds("no group", out.bytes, "These steps tell all 40 faults from each other.\n");
    check_holds("none unseen", out.bytes, "No fault would pass every limit.\n");
    assert_null(strstr(out.bytes, "Limits narrower"));
    cj_text_free(&out);
}

static void json__study(void **state)
{
    struct board_sample *s = *state;
    cj_text out = {0};
    assert_int_equal(cj_report_study_json(&s->study, &out, NULL), CJ_OK);
    json_t *root = parsed(&out);
    assert_string_equal(text_at(root, "coldjoint"), "board");
    check_close("faults", number_at(root, "faults"), 40, 0);
    json_t *rank = json_object_get(root, "rank");
    check_close("parts", number_at(rank, "parts"), 5, 0);
    check_close("rank", number_at(rank, "rank"), 3, 0);
    json_t *step = json_array_get(json_object_get(root, "steps"), 0);
    json_t *gain = json_object_get(json_object_get(step, "figures"), "gain_db");
    check_close("spread", number_at(gain, "spread"), 0.1, 0);
    assert_null(json_object_get(gain, "u"));
    json_t *groups = json_object_get(root, "groups");
    assert_int_equal(json_array_size(json_array_get(groups, 0)), 3);
    assert_int_equal(json_array_size(json_object_get(root, "unseen")), 4);
    json_t *limits = json_object_get(root, "undecidable");
    assert_int_equal(json_array_size(limits), 3);
    json_t *gain_limit = json_array_get(limits, 0), *thd_limit = json_array_get(limits, 1);
    check_close("min", number_at(gain_limit, "min"), -0.3, 1e-12);
    assert_string_equal(text_at(thd_limit, "of"), "left_out");
    assert_string_equal(text_at(thd_limit, "step"), "*");
    assert_true(json_is_null(json_object_get(thd_limit, "min")));
    assert_string_equal(text_at(json_array_get(limits, 2), "from"), "tolerance");
    json_decref(root);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(words__fault, make, unmake),
        cmocka_unit_test(words__clip),
        cmocka_unit_test(numbers__rounded),
        cmocka_unit_test_setup_teardown(text__fault, make, unmake),
        cmocka_unit_test_setup_teardown(text__fits, make, unmake),
        cmocka_unit_test_setup_teardown(text__narrow, make, unmake),
        cmocka_unit_test_setup_teardown(text__healthy_and_undecided, make, unmake),
        cmocka_unit_test_setup_teardown(json__diagnosis, make, unmake),
        cmocka_unit_test_setup_teardown(json__findings, make, unmake),
        cmocka_unit_test_setup_teardown(json__next, make, unmake),
        cmocka_unit_test_setup_teardown(text__study, make, unmake),
        cmocka_unit_test_setup_teardown(json__study, make, unmake),
    };
    return cmocka_run_group_tests_name("board-report", tests, NULL, NULL);
}
