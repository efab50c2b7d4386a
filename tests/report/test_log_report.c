/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Answers about the unit log: what they say, and that no text of a log reaches a terminal as a
 * command to it. */
#include "check.h"

#include <jansson.h>

#include "../unitlog/made.h"
#include "coldjoint/report.h"

static const cj_report_style plain = {0};

static cj_run *run_of(int number)
{
    cj_run *run = made_run(number, &(made_size){.steps = 2, .figures = 12});
    strcpy(run->head.at, "2026-11-28T12:55:06.123Z");
    strcpy(run->head.uuid, "3f9c2a1b-1111-4222-8333-444455556666");
    return run;
}

/* The faults that read alike stand beside the first finding, each once. */
static void what_reads_alike_is_said(void **state)
{
    (void)state;
    static const char *const faults[] = {"open-pin:U1:7", "shorted:R1", "shorted:R1",
                                         "open-pin:U2:7", "shorted:R9"};
    static const int ranks[] = {1, 1, 1, 1, 2};
    cj_run *run = run_of(7);
    cj_text out = {0};
    cj_free(run->faults[0].fault);
    cj_free(run->faults);
    run->faults = cj_new(5, sizeof *run->faults);
    assert_non_null(run->faults);
    for (run->fault_count = 0; run->fault_count < 5; run->fault_count++)
        run->faults[run->fault_count] = (cj_logged_fault){
            .fault = cj_copy_text(faults[run->fault_count]), .rank = ranks[run->fault_count]};
    assert_int_equal(cj_report_added_text(run, "log.db", &plain, &out, NULL), CJ_OK);
    check_holds("members", out.bytes,
                "      The same readings come of: R1 is shorted; or U2 pin 7 makes no contact\n");
    assert_null(strstr(out.bytes, "R9"));
    cj_text_free(&out);
    cj_run_free(run);
}

static void the_label_is_one_line(void **state)
{
    (void)state;
    const struct {
        double margin;
        const char *says;
    } cases[] = {
        {1.84, "MADE-000001  PASS  2026-11-28  margin 1.8 U at in1-left: gain\n"},
        {12.6, "MADE-000001  PASS  2026-11-28  margin 13 U at in1-left: gain\n"},
        {-3.25, "MADE-000001  PASS  2026-11-28  margin -3.3 U at in1-left: gain\n"},
        {-340, "MADE-000001  PASS  2026-11-28  margin -340 U at in1-left: gain\n"},
        {NAN, "MADE-000001  PASS  2026-11-28\n"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_run *run = run_of(1);
        cj_text out = {0};
        run->head.margin = cases[i].margin;
        assert_int_equal(cj_report_label(&run->head, &out, NULL), CJ_OK);
        assert_string_equal(out.bytes, cases[i].says);
        cj_text_free(&out);
        cj_run_free(run);
    }
}

static void limits_nothing_was_read_for_stand_in_one_line(void **state)
{
    (void)state;
    cj_run *run = run_of(7);
    cj_text out = {0};
    assert_int_equal(run->limit_count, 4);
    for (size_t i = 1; i < 4; i++) {
        run->limits[i].verdict = CJ_VERDICT_UNDECIDED;
        run->limits[i].value = NAN;
        assert_int_equal(cj_run_set(&run->limits[i].why, "the step was not captured", NULL), CJ_OK);
    }
    assert_int_equal(cj_report_added_text(run, "log.db", &plain, &out, NULL), CJ_OK);
    check_holds("count", out.bytes, "of 4 limits 1 is broken, 3 are undecided\n");
    check_holds("one line", out.bytes,
                "  3 undecided: the step was not captured (in1-left, in2-left)\n");
    check_holds("the broken one", out.bytes, "in1-left: gain");
    check_holds("finding", out.bytes, "U1 pin 7 makes no contact");
    check_holds("number", out.bytes, "Recorded as run 3f9c2a1b, in log.db\n");
    cj_text_free(&out);
    cj_run_free(run);
}

/* Every answer, with something hostile in every text. */
static void write_all(const cj_run *run, cj_text *out)
{
    cj_run *const runs[] = {(cj_run *)run};
    char *bad = run->head.unit;
    const cj_repair repair = {.at = "\033[2J",
                              .unit = bad,
                              .board = bad,
                              .fault = bad,
                              .words = bad,
                              .operator_name = bad,
                              .note = bad,
                              .voided = true,
                              .voided_at = "\033]0;x\a",
                              .void_note = bad};
    const cj_unit_history history = {bad, bad, runs, 1, &repair, 1};
    assert_int_equal(cj_report_added_text(run, bad, &plain, out, NULL), CJ_OK);
    assert_int_equal(cj_report_label(&run->head, out, NULL), CJ_OK);
    assert_int_equal(cj_report_runs_text(&run->head, 1, &plain, out, NULL), CJ_OK);
    assert_int_equal(cj_report_unit_text(&history, &plain, out, NULL), CJ_OK);
    assert_int_equal(cj_report_repair_text(&repair, out, NULL), CJ_OK);
    assert_int_equal(cj_report_export_csv(run, out, NULL), CJ_OK);
    assert_int_equal(cj_report_added_json(run, bad, out, NULL), CJ_OK);
    assert_int_equal(cj_report_runs_json(&run->head, 1, out, NULL), CJ_OK);
    assert_int_equal(cj_report_unit_json(&history, out, NULL), CJ_OK);
    assert_int_equal(cj_report_export_json(run, true, out, NULL), CJ_OK);
}

static void hostile_texts_command_nothing(void **state)
{
    (void)state;
    static const char *const texts[] = {"\033[31mred\a", "a\nb\rc",
                                        "\xc2\x9b"
                                        "31m",
                                        "\xff\xfe\x80", "=cmd|' /C calc'!A0,\"\n\""};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        cj_run *run = run_of(7);
        cj_text out = {0};
        char **const fields[] = {
            &run->head.unit,          &run->head.board,      &run->head.title,
            &run->head.operator_name, &run->head.worst_step, &run->head.worst_figure,
            &run->head.fault,         &run->head.void_note,  &run->head.note,
            &run->instruments,        &run->limits[0].step,  &run->limits[0].figure,
            &run->limits[0].why,      &run->figures[0].step, &run->figures[0].key};
        for (size_t k = 0; k < sizeof fields / sizeof fields[0]; k++)
            assert_int_equal(cj_run_set(fields[k], texts[i], NULL), CJ_OK);
        assert_int_equal(cj_run_set(&run->findings, "[{\"says\": \"\\u001b[31m\\n\"}]", NULL),
                         CJ_OK);
        run->head.voided = true;
        write_all(run, &out);
        for (size_t k = 0; k < out.length; k++) {
            unsigned char byte = (unsigned char)out.bytes[k];
            if ((byte < 0x20 && byte != '\n' && byte != '\r') || byte == 0x7f)
                fail_msg("text %zu: control character 0x%02x", i, byte);
        }
        assert_null(strstr(out.bytes, "\xc2\x9b"));
        assert_null(strstr(out.bytes, ",=cmd"));
        cj_text_free(&out);
        cj_run_free(run);
    }
}

static void json_is_read_back(void **state)
{
    (void)state;
    cj_run *run = run_of(7);
    cj_text out = {0};
    run->figures[0].hz = 100;
    assert_int_equal(cj_report_added_json(run, "log.db", &out, NULL), CJ_OK);
    json_t *answer = json_loads(out.bytes, 0, NULL);
    assert_non_null(answer);
    assert_string_equal(json_string_value(json_object_get(answer, "verdict")), "fail");
    assert_int_equal(json_array_size(json_object_get(answer, "limits")), 4);
    json_t *step = json_array_get(json_object_get(answer, "steps"), 0);
    json_t *figures = json_object_get(step, "figures");
    assert_int_equal(json_object_size(figures), 11); /* the twelfth is of a response */
    json_t *point =
        json_array_get(json_object_get(json_object_get(step, "response"), "gain_db"), 0);
    check_close("hz", json_number_value(json_object_get(point, "hz")), 100, 0);
    json_t *bound = json_object_get(figures, "thd_percent@left_out");
    assert_true(json_is_null(json_object_get(bound, "value")));
    check_close("below", json_number_value(json_object_get(bound, "below")), 0.01, 0);
    json_decref(answer);
    cj_text_free(&out);
    cj_run_free(run);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_label_is_one_line),
        cmocka_unit_test(what_reads_alike_is_said),
        cmocka_unit_test(limits_nothing_was_read_for_stand_in_one_line),
        cmocka_unit_test(hostile_texts_command_nothing),
        cmocka_unit_test(json_is_read_back),
    };
    return cmocka_run_group_tests_name("log-report", tests, NULL, NULL);
}
