/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_plan.c - the bench sheet: what a hostile board file may say, and every allocation failing in
 * turn. */
#include "check.h"
#include "coldjoint/report.h"
#include "failing.h"

static const char text[] =
    "board: sheet\n"
    "title: \"<b>&amp;'\\\" \\x01\\x02\\x1b[1m\"\n"
    "rails: {v+: 9}\n"
    "inputs: [{net: in1, source: 50}]\n"
    "outputs: [{net: out, load: 1M}]\n"
    "parts:\n"
    "  - {ref: R1, kind: resistor, value: 10k, pins: [in1, bus]}\n"
    "  - {ref: R2, kind: resistor, value: 20k, pins: [bus, out]}\n"
    "  - {ref: R3, kind: resistor, value: 20k, pins: [bus, gnd]}\n"
    "  - {ref: R4, kind: resistor, value: 1M, pins: [v+, gnd]}\n"
    "  - {ref: RV1, kind: potentiometer, value: 10k, taper: linear, pins: [out, out, gnd]}\n"
    "rest: {RV1: 50%}\n"
    "steps:\n"
    "  - {step: tone, drive: in1, tone: {hz: 1000, peak: 1}, see: [in1, out]}\n"
    "  - {step: bus, drive: in1, tone: {hz: 1000, peak: 1}, set: {RV1: 25%}, see: [in1, bus-out]}\n"
    "  - {step: cold, power: off, drive: none, see: [bus]}\n";

static cj_board *board_of(const char *from)
{
    cj_board *board = NULL;
    cj_errors errors = {0};
    if (cj_board_read_text("sheet", from, strlen(from), &board, &errors) != CJ_OK)
        fail_msg("%ld: %s", errors.items[0].line, errors.items[0].message);
    return board;
}

static void nothing_gets_through(void **state)
{
    (void)state;
    cj_board *board = board_of(text);
    cj_plan *plan = NULL;
    cj_text page = {0}, plain = {0};
    cj_report_style style = {0};
    assert_int_equal(cj_plan_make(board, NULL, &plan, NULL), CJ_OK);
    assert_int_equal(cj_report_plan_html(plan, &page, NULL), CJ_OK);
    assert_int_equal(cj_report_plan_text(plan, &style, &plain, NULL), CJ_OK);
    /* control characters become question marks, so a title cannot pass for our own marks */
    check_holds("title", page.bytes, "&lt;b&gt;&amp;amp;&#39;&quot; ???[1m");
    check_holds("title", plain.bytes, "<b>&amp;'\" ???[1m");
    check_holds("moved", page.bytes, "<b>RV1 25%</b>");
    check_holds("moved", plain.bytes, "\xe2\x86\x92 RV1 25%");
    check_holds("a rail alone", plain.bytes, "(v+ 9 V against\n    gnd)");
    check_holds("two probes", page.bytes, "channel 2: bus (R1 pin 2) against out");
    check_holds("ohmmeter", page.bytes, "ohmmeter: bus (R1 pin 2) to gnd");
    for (const char *at = page.bytes; *at; at++)
        assert_true((unsigned char)*at >= 0x20 || *at == '\n');
    cj_text_free(&page);
    cj_text_free(&plain);
    cj_plan_free(plan);
    cj_plan_free(NULL);
    cj_board_free(board);
}

/* A board that drives nothing: no files, no level. */
static void nothing_to_play(void **state)
{
    (void)state;
    cj_board *board = board_of("board: dumb\ninputs: [{net: a, source: 50}]\nparts:\n"
                               "  - {ref: R1, kind: resistor, value: 1k, pins: [a, gnd]}\n"
                               "steps:\n  - {step: quiet, drive: none, see: [a]}\n");
    cj_plan *plan = NULL;
    cj_text plain = {0};
    cj_report_style style = {0};
    assert_int_equal(cj_plan_make(board, &(cj_plan_options){.full_scale_v = 2}, &plan, NULL),
                     CJ_OK);
    assert_int_equal(cj_report_plan_text(plan, &style, &plain, NULL), CJ_OK);
    check_holds("rails", plain.bytes, "(the voltage and\n    polarity it should have)");
    check_holds("level", plain.bytes, "Nothing is played in these steps.");
    check_holds("play", plain.bytes, "play    nothing\n");
    cj_text_free(&plain);
    cj_plan_free(plan);
    cj_board_free(board);
}

static cj_status all_of_it(void *user, cj_error *err)
{
    cj_plan *plan = NULL;
    cj_text page = {0}, plain = {0};
    cj_report_style style = {0};
    cj_status status = cj_plan_make(user, NULL, &plan, err);
    if (status == CJ_OK)
        status = cj_report_plan_html(plan, &page, err);
    if (status == CJ_OK)
        status = cj_report_plan_text(plan, &style, &plain, err);
    if (status == CJ_OK)
        status = cj_report_plan_json(plan, &plain, err);
    cj_text_free(&page);
    cj_text_free(&plain);
    cj_plan_free(plan);
    return status;
}

static void memory_out(void **state)
{
    (void)state;
    cj_board *board = board_of(text);
    assert_true(failing_each("bench sheet", all_of_it, board) > 50);
    cj_board_free(board);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_gets_through),
        cmocka_unit_test(nothing_to_play),
        cmocka_unit_test(memory_out),
    };
    return cmocka_run_group_tests_name("bench sheet", tests, NULL, NULL);
}
