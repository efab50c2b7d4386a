/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_plan.c - what each step plays, and the order of the steps. */
#include "tests.h"

static const char head[] =
    "board: order\n"
    "inputs: [{net: i0, source: 50}, {net: i1, source: 50}, {net: i2, source: 50}]\n"
    "outputs: [{net: o0, load: 1M}, {net: o1, load: 1M}]\n"
    "parts:\n"
    "  - {ref: R1, kind: resistor, value: 1k, pins: [i0, o0]}\n"
    "  - {ref: R2, kind: resistor, value: 1k, pins: [i1, o0]}\n"
    "  - {ref: R3, kind: resistor, value: 1k, pins: [i2, o1]}\n"
    "  - {ref: R4, kind: resistor, value: 1k, pins: [o0, o1]}\n"
    "  - {ref: RV1, kind: potentiometer, value: 10k, taper: linear, pins: [o0, o1, gnd]}\n"
    "  - {ref: SW1, kind: switch, positions: [a, b], pins: [o0, o1], closes: {a: [[1, 2]], b: "
    "[]}}\n"
    "rest: {SW1: a, RV1: 50%}\n"
    "steps:\n";

/* A board of `count` steps drawn at random; cold: some have the power off. */
static cj_board *random_board(unsigned *dice, int count, bool cold)
{
    char text[8000];
    size_t length = (size_t)snprintf(text, sizeof text, "%s", head);
    for (int i = 0; i < count; i++) {
        int draw[5];
        for (int k = 0; k < 5; k++) {
            *dice = *dice * 1664525u + 1013904223u;
            draw[k] = (int)(*dice >> 16) & 0xff;
        }
        bool off = cold && draw[4] % 4 == 0;
        char drive[80];
        snprintf(drive, sizeof drive, "drive: i%d, tone: {hz: %d, peak: 1}", draw[0] % 3,
                 1000 + draw[1] % 2);
        length +=
            (size_t)snprintf(text + length, sizeof text - length,
                             "  - {step: s%d, %s, set: {SW1: %s, RV1: %d%%}, see: [i%d, o%d]}\n", i,
                             off ? "power: off, drive: none" : drive, draw[1] % 2 ? "a" : "b",
                             50 + draw[2] % 2, draw[0] % 3, draw[3] % 2);
    }
    return read_good("plan", text);
}

static long length_of(const cj_board *board, const size_t *order)
{
    long sum = 0;
    for (size_t i = 1; i < board->step_count; i++)
        sum += cj_board_change(board, order[i - 1], order[i]);
    return sum;
}

/* The least over every order, by trying all. */
static void try_all(const cj_board *board, size_t *order, size_t from, long *least)
{
    if (from == board->step_count && length_of(board, order) < *least)
        *least = length_of(board, order);
    for (size_t i = from; i < board->step_count; i++) {
        size_t kept = order[from];
        order[from] = order[i], order[i] = kept;
        try_all(board, order, from + 1, least);
        order[i] = order[from], order[from] = kept;
    }
}

static void check_permutation(const cj_board *board, const size_t *order)
{
    bool seen[64] = {false};
    for (size_t i = 0; i < board->step_count; i++) {
        assert_true(order[i] < board->step_count && !seen[order[i]]);
        seen[order[i]] = true;
    }
}

/* Of seven steps the order is the best there is, or one lead off it in a few of a hundred boards.
 */
static void order_is_short(void **state)
{
    (void)state;
    unsigned dice = 1;
    int best = 0;
    for (int trial = 0; trial < 100; trial++) {
        cj_board *board = random_board(&dice, 7, false);
        size_t order[7], all[7] = {0, 1, 2, 3, 4, 5, 6};
        long least = length_of(board, all);
        assert_int_equal(cj_board_order(board, order, NULL), CJ_OK);
        check_permutation(board, order);
        assert_true(length_of(board, order) <= least);
        try_all(board, all, 0, &least);
        assert_true(length_of(board, order) <= least + 40);
        best += length_of(board, order) == least;
        cj_board_free(board);
    }
    print_message("the best order in %d of 100\n", best);
    assert_true(best >= 90);
}

static void cold_comes_first(void **state)
{
    (void)state;
    unsigned dice = 2;
    for (int trial = 0; trial < 50; trial++) {
        cj_board *board = random_board(&dice, 12, true);
        size_t order[12];
        assert_int_equal(cj_board_order(board, order, NULL), CJ_OK);
        check_permutation(board, order);
        for (size_t i = 1; i < board->step_count; i++)
            assert_true(board->steps[order[i - 1]].power_off >= board->steps[order[i]].power_off);
        cj_board_free(board);
    }
}

/* Steps in an order that costs least stay in it. */
static void own_order_stands(void **state)
{
    (void)state;
    char text[4000];
    snprintf(text, sizeof text,
             "%s"
             "  - {step: one, drive: i0, tone: {hz: 1000, peak: 1}, see: [i0, o0]}\n"
             "  - {step: two, drive: i0, tone: {hz: 2000, peak: 1}, see: [i0, o0]}\n"
             "  - {step: three, drive: i0, tone: {hz: 3000, peak: 1}, see: [i0, o0]}\n"
             "  - {step: quiet, drive: none, see: [i0, o0], power: on}\n",
             head);
    cj_board *board = read_good("plan", text);
    size_t order[4];
    assert_int_equal(cj_board_order(board, order, NULL), CJ_OK);
    for (size_t i = 0; i < 4; i++)
        assert_int_equal(order[i], i);
    /* a lead 40, a potentiometer 8, a switch 4, another signal 1 */
    assert_int_equal(cj_board_change(board, 0, 1), 1);
    assert_int_equal(cj_board_change(board, 2, 3), 41);
    assert_int_equal(cj_board_change(board, 3, 2), 41);
    cj_board_free(board);
}

static void steps_play(void **state)
{
    (void)state;
    char text[4000];
    snprintf(
        text, sizeof text,
        "%s"
        "  - {step: tone, drive: i0, tone: {hz: 1000, peak: 1.5}, see: [i0, o0]}\n"
        "  - {step: slow, drive: i0, tone: {hz: 0.5, peak: 1}, see: [i0, o0]}\n"
        "  - {step: two, drive: i0, two-tone: {hz: [60, 7000], peak: [0.8, 0.2]}, see: [i0, o0]}\n"
        "  - {step: sweep, drive: i0, sweep: {from: 20, to: 20000, seconds: 5, peak: 1}, see: [i0, "
        "o0]}\n"
        "  - {step: high, drive: i0, sweep: {from: 20, to: 90000, seconds: 5, peak: 1}, see: [i0, "
        "o0]}\n"
        "  - {step: radio, drive: i0, tone: {hz: 1M, peak: 1}, see: [i0, o0]}\n"
        "  - {step: square, drive: i0, square: {hz: 1000, peak: 1}, see: [i0, o0]}\n"
        "  - {step: stepped, drive: i0, stepped: {hz: 1000, from: 0.1, to: 5, steps: 7, seconds: "
        "9}, see: [i0, o0]}\n"
        "  - {step: pink, drive: i0, noise: {rms: 0.3, colour: pink, seconds: 11}, see: [i0, o0]}\n"
        "  - {step: white, drive: i0, noise: {rms: 0.3, colour: white, seconds: 11}, see: [i0, "
        "o0]}\n"
        "  - {step: quiet, drive: none, see: [o0]}\n",
        head);
    cj_board *board = read_good("plan", text);
    static const struct {
        cj_signal signal;
        double rate, seconds, peak;
    } wanted[] = {{CJ_SIG_SINE, 48000, 5, 1.5},        {CJ_SIG_SINE, 48000, 20, 1},
                  {CJ_SIG_TWO_TONE, 48000, 5, 1},      {CJ_SIG_SWEEP, 48000, 5, 1},
                  {CJ_SIG_SWEEP, 192000, 5, 1},        {CJ_SIG_SINE, 0, 0, 0},
                  {CJ_SIG_SQUARE, 48000, 5, 1},        {CJ_SIG_STEPPED, 48000, 9, 5},
                  {CJ_SIG_PINK, 48000, 11, 4.5 * 0.3}, {CJ_SIG_WHITE, 48000, 11, 4 * 0.3},
                  {CJ_SIG_SILENCE, 48000, 5, 0}};
    assert_int_equal(board->step_count, sizeof wanted / sizeof *wanted);
    for (size_t i = 0; i < board->step_count; i++) {
        cj_stimulus s;
        cj_error err = {0};
        cj_status status = cj_step_stimulus(&board->steps[i], 0, &s, &err);
        if (!(wanted[i].rate > 0)) {
            assert_int_equal(status, CJ_USAGE);
            check_holds("why", err.message, "1e+06 Hz is too high for a rate of 192000 Hz");
            continue;
        }
        assert_int_equal(status, CJ_OK);
        assert_int_equal(s.signal, wanted[i].signal);
        check_close("rate", s.rate_hz, wanted[i].rate, 0);
        check_close("seconds", s.seconds, wanted[i].seconds, 1e-9);
        check_close("peak", cj_stimulus_peak(&s), wanted[i].peak, 1e-12);
        assert_int_equal(s.marker, wanted[i].signal != CJ_SIG_SILENCE);
    }
    cj_stimulus s;
    assert_int_equal(cj_step_stimulus(&board->steps[0], 44100, &s, NULL), CJ_OK);
    check_close("given rate", s.rate_hz, 44100, 0);
    cj_board_free(board);
}

int run_plan_tests(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(order_is_short),
        cmocka_unit_test(cold_comes_first),
        cmocka_unit_test(own_order_stands),
        cmocka_unit_test(steps_play),
    };
    return cmocka_run_group_tests_name("plan", tests, NULL, NULL);
}
