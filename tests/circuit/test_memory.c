/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Every allocation of the room fails in turn: a bench, a further look, predictions of every kind.
 */
#include "boards.h"
#include "failing.h"

static cj_status predict_some(cj_bench *bench, const cj_board *board, size_t look, cj_error *err)
{
    static const unsigned wants[] = {0, CJ_SPREAD, CJ_EXACT, CJ_TRANSIENT, CJ_POLES};
    cj_prediction *prediction = NULL;
    int part = cj_board_part(board, "U1");
    const cj_edit edits[] = {
        {.kind = CJ_EDIT_LIFT, .part = part, .pin = 2, .a = 1e13, .b = 0.5e-12},
        {.kind = CJ_EDIT_VALUE, .part = cj_board_part(board, "R1"), .a = 100}};
    cj_status status = cj_prediction_make(bench, look, &prediction, err);
    for (size_t k = 0; status == CJ_OK && k < sizeof wants / sizeof *wants; k++)
        for (size_t e = 0; status == CJ_OK && e < 2; e++) {
            cj_variant variant = {&edits[e], 1};
            if (wants[k] != CJ_POLES || e == 1) /* once is enough: it is the longest */
                status = cj_bench_predict(bench, look, &variant, wants[k], prediction, err);
        }
    cj_prediction_free(prediction);
    return status;
}

static cj_status whole(void *user, cj_error *err)
{
    const cj_board *board = user;
    cj_bench *bench = NULL;
    size_t look;
    cj_view see = {1, CJ_GND};
    const double hz = 50;
    cj_complex out[2];
    cj_status status = cj_bench_make(board, &bench, err);
    if (status == CJ_OK)
        status = cj_bench_look(bench, 0, &see, 1, &look, err);
    if (status == CJ_OK)
        status = predict_some(bench, board, look, err);
    if (status == CJ_OK)
        status = cj_bench_response(bench, look, NULL, &hz, 1, out, err);
    cj_bench_free(bench);
    return status;
}

static void each_allocation_fails_in_turn(void **state)
{
    (void)state;
    const char *text =
        "board: small\nrails: {v+: 12, v-: -12}\ninputs:\n  - {net: in, source: 50}\nparts:\n"
        "  - {ref: R1, kind: resistor, value: 10k, tolerance: 1%, pins: [in, x]}\n"
        "  - {ref: R2, kind: resistor, value: 10k, tolerance: 1%, pins: [x, y]}\n"
        "  - {ref: RV1, kind: potentiometer, value: 10k, pins: [gnd, w, y]}\n"
        "  - {ref: D1, kind: diode, type: 1N4148, pins: [w, gnd]}\n"
        "  - {ref: T1, kind: transformer, ratio: 1, pins: [w, gnd, s, gnd]}\n"
        "  - {ref: U1, kind: opamp, type: TL072, pins: [y, x, gnd]}\nrest: {RV1: 10%}\nsteps:\n"
        "  - {step: s, drive: in, tone: {hz: 1000, peak: 1}, see: [in, y]}\n"
        "  - {step: quiet, drive: none, see: [in, y]}\n";
    cj_board *board = NULL;
    cj_errors errors = {0};
    assert_int_equal(cj_board_read_text("text", text, strlen(text), &board, &errors), CJ_OK);
    assert_true(failing_each("circuit", whole, board) > 50);
    cj_board_free(board);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(each_allocation_fails_in_turn)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
