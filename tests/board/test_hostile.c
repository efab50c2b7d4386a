/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Files that are large, or meant to hurt: a right answer or a clear refusal, in time that grows no
 * faster than the file. */
#include "tests.h"

#include <time.h>

enum { MOST = 10000 };

static double seconds_now(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

/* A ladder of resistors, up to the key of the steps. */
static void add_ladder(cj_text *text, int parts)
{
    cj_text_add(text, "board: ladder\ninputs:\n  - {net: n0, source: 50}\nparts:\n");
    cj_text_add(text, "  - {ref: R0, kind: resistor, value: 1k, pins: [gnd, n0]}\n");
    for (int i = 1; i < parts; i++)
        cj_text_add(text, "  - {ref: R%d, kind: resistor, value: 1k, pins: [n%d, n%d]}\n", i, i - 1,
                    i);
    cj_text_add(text, "steps:\n");
}

static cj_status read_text(const cj_text *text, cj_board **board, cj_errors *errors,
                           double *seconds)
{
    double start = seconds_now();
    assert_false(text->failed);
    cj_status status = cj_board_read_text("h.yaml", text->bytes, text->length, board, errors);
    *seconds = seconds_now() - start;
    return status;
}

static void ten_thousand_parts_are_read(void **state)
{
    cj_text text = {0};
    cj_board *board = NULL;
    cj_errors errors;
    double seconds;
    (void)state;
    add_ladder(&text, MOST);
    cj_text_add(&text, "  - {step: a, drive: n0, tone: {hz: 1k, peak: 1}, see: [n0, n%d]}\n",
                MOST - 1);
    assert_int_equal(read_text(&text, &board, &errors, &seconds), CJ_OK);
    assert_int_equal(board->part_count, MOST);
    assert_int_equal(board->net_count, MOST + 1);
    assert_int_equal(board->warnings.count, 1); /* the last net */
    print_message("%d parts: %.3f s\n", MOST, seconds);
    assert_true(seconds < 10);
    cj_board_free(board);
    cj_text_free(&text);
}

static void one_part_more_is_refused(void **state)
{
    cj_text text = {0};
    cj_board *board = NULL;
    cj_errors errors;
    double seconds;
    (void)state;
    add_ladder(&text, MOST + 1);
    cj_text_add(&text, "  - {step: a, drive: none, see: [n0]}\n");
    assert_int_equal(read_text(&text, &board, &errors, &seconds), CJ_DATA);
    check_holds("parts", errors.items[0].message, "10001 parts given; expected 1 to 10000");
    cj_text_free(&text);
}

/* Time of reading, per part, must not grow with the number of parts: a quadratic reader would take
 * ten times as long per part here, which 4 tells from noise. */
static void time_grows_with_the_file(void **state)
{
    double per_part[2];
    (void)state;
    for (int k = 0; k < 2; k++) {
        int parts = k ? MOST : MOST / 10;
        double best = 1e9;
        cj_text text = {0};
        add_ladder(&text, parts);
        cj_text_add(&text, "  - {step: a, drive: n0, tone: {hz: 1k, peak: 1}, see: [n0]}\n");
        for (int run = 0; run < 3; run++) {
            cj_board *board = NULL;
            double seconds;
            assert_int_equal(read_text(&text, &board, NULL, &seconds), CJ_OK);
            best = seconds < best ? seconds : best;
            cj_board_free(board);
        }
        per_part[k] = best / parts;
        cj_text_free(&text);
    }
    print_message("per part: %.2f us of 1000, %.2f us of 10000\n", per_part[0] * 1e6,
                  per_part[1] * 1e6);
    assert_true(per_part[1] < 4 * per_part[0]);
}

/* Every entry wrong: the first twenty are told, and suggestions are not sought for the rest. */
static void ten_thousand_errors_are_twenty(void **state)
{
    cj_text text = {0};
    cj_board *board = NULL;
    cj_errors errors;
    double seconds;
    (void)state;
    add_ladder(&text, MOST - 1);
    for (int i = 0; i < 400; i++)
        cj_text_add(&text,
                    "  - {step: s%d, drive: m%d, tone: {hz: 1k, peak: 1}, see: [m%d, k%d]}\n", i, i,
                    i, i);
    assert_int_equal(read_text(&text, &board, &errors, &seconds), CJ_DATA);
    assert_int_equal(errors.count, CJ_BOARD_ERRORS);
    for (int i = 0; i < errors.count; i++)
        assert_int_equal(errors.items[i].line, 5 + MOST + i / 3);
    print_message("1200 unknown nets among 10000: %.3f s\n", seconds);
    assert_true(seconds < 10);
    cj_text_free(&text);

    cj_text_add(&text, "board: b\nparts:\n");
    for (int i = 0; i < MOST; i++)
        cj_text_add(&text, "  - {ref: R1, kind: resistor, value: -1, pins: [gnd, gnd]}\n");
    cj_text_add(&text, "steps:\n  - {step: a, drive: none, see: [x]}\n");
    assert_int_equal(read_text(&text, &board, &errors, &seconds), CJ_DATA);
    assert_int_equal(errors.count, CJ_BOARD_ERRORS);
    assert_int_equal(errors.items[0].line, 3);
    assert_int_equal(errors.items[19].line, 3 + 10);
    assert_true(seconds < 10);
    cj_text_free(&text);
}

/* Bombs of YAML itself end before anything is expanded. */
static void yaml_itself_is_no_weapon(void **state)
{
    static const struct {
        const char *text, *message;
        long line, column;
    } cases[] = {
        {"board: &a [*a]\n", "aliases are not used here", 1, 8},
        {"parts: &a {x: *a}\n", "aliases are not used here", 1, 8},
        {"a: &a [x, x]\nb: &b [*a, *a]\nc: [*b, *b, *b]\n", "aliases are not used here", 1, 4},
        {"board: b\nboard: c\n", "board", 2, 1},
        {"board: b\n...\nboard: c\n", "expected", 3, 1},
        {"board: b\n---\nparts: []\n", "a second document", 2, 1},
        {"board: !!str b\n", "tags are not used here", 1, 8},
        {"? [a, b]\n: c\n", "cannot be a key", 1, 3},
        {"board: \"a\\0b\"\n", "NUL", 1, 8},
        {"board: b\n\tparts: []\n", "indent with spaces", 2, 1},
        {"", "nothing in this file", 1, 1},
        {"- board\n", "a list given for a board; expected a mapping", 1, 1},
        {"board", "'board' given for a board; expected a mapping", 1, 1},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_board *board = NULL;
        cj_errors errors;
        const char *text = cases[i].text;
        assert_int_equal(cj_board_read_text("h", text, strlen(text), &board, &errors), CJ_DATA);
        if (errors.count != 1 || errors.items[0].line != cases[i].line ||
            errors.items[0].column != cases[i].column)
            fail_msg("%s: %d errors, %ld:%ld %s", text, errors.count, errors.items[0].line,
                     errors.items[0].column, errors.items[0].message);
        check_holds(text, errors.items[0].message, cases[i].message);
    }
    char nul[] = "board: b\0oard";
    cj_board *board = NULL;
    assert_int_equal(cj_board_read_text("h", nul, sizeof nul - 1, &board, NULL), CJ_DATA);
}

static void deep_nesting_is_refused(void **state)
{
    cj_text text = {0};
    cj_board *board = NULL;
    cj_errors errors;
    double seconds;
    (void)state;
    cj_text_add(&text, "board: ");
    for (int i = 0; i < 100000; i++)
        cj_text_add_n(&text, "[", 1);
    assert_int_equal(read_text(&text, &board, &errors, &seconds), CJ_DATA);
    check_holds("deep", errors.items[0].message, "nested deeper than 40");
    assert_true(seconds < 5);
    cj_text_free(&text);
}

/* Most of everything at once: steps, settings and limits. */
static void many_steps_are_bounded(void **state)
{
    cj_text text = {0};
    cj_board *board = NULL;
    cj_errors errors;
    double seconds;
    (void)state;
    add_ladder(&text, 5000);
    for (int i = 0; i < 500; i++)
        cj_text_add(&text, "  - {step: s%d, drive: none, see: [n%d]}\n", i, i);
    cj_text_add(&text, "limits:\n");
    for (int i = 0; i < 2000; i++)
        cj_text_add(&text, "  - {step: s%d, figure: dc_v, of: n%d, max: 1}\n", i % 500, i);
    assert_int_equal(read_text(&text, &board, &errors, &seconds), CJ_OK);
    assert_int_equal(board->limit_count, 2000);
    print_message("5000 parts, 500 steps, 2000 limits: %.3f s\n", seconds);
    assert_true(seconds < 10);
    cj_board_free(board);
    cj_text_free(&text);
    add_ladder(&text, 2);
    for (int i = 0; i < 501; i++)
        cj_text_add(&text, "  - {step: s%d, drive: none, see: [n0]}\n", i);
    assert_int_equal(read_text(&text, &board, &errors, &seconds), CJ_DATA);
    check_holds("steps", errors.items[0].message, "501 steps given; expected 1 to 500");
    cj_text_free(&text);
}

static void many_limits_are_refused(void **state)
{
    cj_text text = {0};
    cj_board *board = NULL;
    cj_errors errors;
    double seconds;
    (void)state;
    add_ladder(&text, 2);
    cj_text_add(&text, "  - {step: s, drive: none, see: [n0]}\nlimits:\n");
    for (int i = 0; i < 10001; i++)
        cj_text_add(&text, "  - {from: tolerance}\n");
    assert_int_equal(read_text(&text, &board, &errors, &seconds), CJ_DATA);
    assert_int_equal(errors.count, 1);
    check_holds("limits", errors.items[0].message, "10001 limits given; expected 10000 at most");
    cj_text_free(&text);
}

/* As many unknown keys and names as a file can hold. */
static void unknown_keys_are_cheap(void **state)
{
    cj_text text = {0};
    cj_board *board = NULL;
    cj_errors errors;
    double seconds;
    (void)state;
    cj_text_add(&text, "board: b\nparts:\n");
    for (int i = 0; i < MOST; i++) {
        cj_text_add(&text, "  - {ref: R%d", i);
        for (int k = 0; k < 17; k++)
            cj_text_add(&text, ", valu%d: 1", k);
        cj_text_add(&text, "}\n");
    }
    cj_text_add(&text, "steps: []\n");
    assert_int_equal(read_text(&text, &board, &errors, &seconds), CJ_DATA);
    assert_int_equal(errors.count, CJ_BOARD_ERRORS);
    check_holds("kind", errors.items[0].message, "the key 'kind' is missing in a part");
    print_message("190000 values, all wrong: %.3f s\n", seconds);
    assert_true(seconds < 10);
    cj_text_free(&text);
}

int run_hostile_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ten_thousand_parts_are_read),
        cmocka_unit_test(one_part_more_is_refused),
        cmocka_unit_test(time_grows_with_the_file),
        cmocka_unit_test(ten_thousand_errors_are_twenty),
        cmocka_unit_test(yaml_itself_is_no_weapon),
        cmocka_unit_test(deep_nesting_is_refused),
        cmocka_unit_test(many_steps_are_bounded),
        cmocka_unit_test(many_limits_are_refused),
        cmocka_unit_test(unknown_keys_are_cheap),
    };
    return cmocka_run_group_tests_name("hostile", tests, NULL, NULL);
}
