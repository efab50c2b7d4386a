/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is written comes back; lists, repairs, void, merge, values for statistics. */
#include "tests.h"

static void same_text(const char *what, const char *got, const char *want)
{
    if (got == NULL || strcmp(got, want) != 0)
        fail_msg("%s: '%s', not '%s'", what, got ? got : "(null)", want);
}

static void same_number(const char *what, double got, double want)
{
    if (!(got == want || (isnan(got) && isnan(want))))
        fail_msg("%s: %.17g, not %.17g", what, got, want);
}

static const cj_logged_figure *figure_of(const cj_run *run, const char *step, const char *key)
{
    for (size_t i = 0; i < run->figure_count; i++)
        if (strcmp(run->figures[i].step, step) == 0 && strcmp(run->figures[i].key, key) == 0)
            return &run->figures[i];
    fail_msg("no %s of %s", key, step);
    return NULL;
}

static void check_same(const cj_run *got, const cj_run *want)
{
    same_text("unit", got->head.unit, want->head.unit);
    same_text("board", got->head.board, want->head.board);
    same_text("title", got->head.title, want->head.title);
    same_text("at", got->head.at, want->head.at);
    same_text("operator", got->head.operator_name, want->head.operator_name);
    same_text("note", got->head.note, want->head.note);
    same_text("fault", got->head.fault, want->head.fault);
    same_text("worst", got->head.worst_figure, want->head.worst_figure);
    same_number("margin", got->head.margin, want->head.margin);
    same_text("board file", got->board_text, want->board_text);
    same_text("instruments", got->instruments, want->instruments);
    same_text("instruments file", got->instruments_text, want->instruments_text);
    same_text("findings", got->findings, want->findings);
    assert_int_equal(got->head.verdict, want->head.verdict);
    assert_int_equal(got->figure_count, want->figure_count);
    for (size_t i = 0; i < want->figure_count; i++) {
        const cj_logged_figure *is = figure_of(got, want->figures[i].step, want->figures[i].key);
        same_number("value", is->value, want->figures[i].value);
        same_number("u", is->u, want->figures[i].u);
        same_text("unit", is->unit, want->figures[i].unit);
        assert_int_equal(is->bound_kind, want->figures[i].bound_kind);
        if (is->bound_kind != CJ_BOUND_NONE)
            same_number("bound", is->bound, want->figures[i].bound);
    }
    assert_int_equal(got->limit_count, want->limit_count);
    for (size_t i = 0; i < want->limit_count; i++) {
        same_text("step", got->limits[i].step, want->limits[i].step);
        same_text("figure", got->limits[i].figure, want->limits[i].figure);
        same_number("value", got->limits[i].value, want->limits[i].value);
        same_number("min", got->limits[i].min, want->limits[i].min);
        same_number("max", got->limits[i].max, want->limits[i].max);
        same_number("margin", got->limits[i].margin, want->limits[i].margin);
        assert_int_equal(got->limits[i].verdict, want->limits[i].verdict);
        assert_int_equal(got->limits[i].derived, want->limits[i].derived);
    }
    assert_int_equal(got->fault_count, want->fault_count);
    for (size_t i = 0; i < want->fault_count; i++)
        same_text("fault", got->faults[i].fault, want->faults[i].fault);
}

static void a_run_comes_back_whole(void **state)
{
    (void)state;
    cj_log *log = open_log("whole.db", CJ_LOG_CREATE);
    for (int number = 6; number <= 7; number++) {
        cj_run *run = made_run(number, &small), *back = NULL;
        assert_int_equal(cj_run_set(&run->head.note, "second try; DROP TABLE runs; --", NULL),
                         CJ_OK);
        assert_int_equal(cj_run_set(&run->instruments, "north-table", NULL), CJ_OK);
        assert_int_equal(cj_run_set(&run->instruments_text, "instruments: north-table\n", NULL),
                         CJ_OK);
        run->figures[3].hz = 1000;
        run->limits[1].min = NAN;
        run->limits[1].derived = true;
        assert_int_equal(cj_log_add(log, run, NULL), CJ_OK);
        assert_int_equal(strlen(run->head.uuid), 36);
        assert_int_equal(run->head.uuid[14], '4'); /* RFC 9562: version 4 */
        assert_int_equal(cj_log_run(log, run->head.uuid, &back, NULL), CJ_OK);
        check_same(back, run);
        same_number("hz", figure_of(back, run->figures[3].step, run->figures[3].key)->hz, 1000);
        cj_run_free(back);
        back = NULL;
        char some[9];
        snprintf(some, sizeof some, "%.8s", run->head.uuid);
        assert_int_equal(cj_log_run(log, some, &back, NULL), CJ_OK);
        cj_run_free(back);
        cj_run_free(run);
    }
    cj_log_close(log);
    check_whole(path_of("whole.db"));
}

static size_t count_with(cj_log *log, const cj_log_filter *filter)
{
    cj_run_head *heads = NULL;
    size_t count = 0;
    cj_error err = {0};
    if (cj_log_list(log, filter, &heads, &count, &err) != CJ_OK)
        fail_msg("list: %s", err.message);
    for (size_t i = 1; i < count; i++)
        assert_true(strcmp(heads[i - 1].at, heads[i].at) >= 0);
    cj_run_heads_free(heads, count);
    return count;
}

static void lists_by_what_is_asked(void **state)
{
    (void)state;
    cj_log *log = open_log("list.db", CJ_LOG_CREATE);
    for (int i = 0; i < 40; i++)
        add_made(log, i);
    add_made(log, 3); /* a second run of a unit */
    const struct {
        const char *label;
        cj_log_filter filter;
        size_t count;
    } cases[] = {
        {"all", {0}, 41},
        {"a board", {.board = "made"}, 41},
        {"no such board", {.board = "mode"}, 0},
        {"a unit", {.unit = "MADE-000003"}, 2},
        {"the latest of each", {.latest = true}, 40},
        {"fails", {.by_verdict = true, .verdict = CJ_FAIL}, 2},
        {"passes", {.by_verdict = true, .verdict = CJ_PASS}, 39},
        {"a fault", {.fault = "open-pin:U1:7"}, 2},
        {"its part", {.fault = "open-pin:U1"}, 2},
        {"its kind", {.fault = "open-pin"}, 2},
        {"half a word", {.fault = "open-p"}, 0},
        {"another pin", {.fault = "open-pin:U1:77"}, 0},
        {"since long ago", {.since = "2001"}, 41},
        {"since far ahead", {.since = "2901-01-01"}, 0},
        {"quotes", {.unit = "' OR 1=1 --"}, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        size_t count = count_with(log, &cases[i].filter);
        if (count != cases[i].count)
            fail_msg("%s: %zu runs, not %zu", cases[i].label, count, cases[i].count);
    }
    static const char *const no_dates[] = {"yesterday", "2026-13", "2026-11-2",
                                           "26-11-28",  "",        "2026-11-28T1"};
    for (size_t i = 0; i < sizeof no_dates / sizeof no_dates[0]; i++) {
        const cj_log_filter filter = {.since = no_dates[i]};
        cj_run_head *heads = NULL;
        size_t count = 0;
        cj_error err = {0};
        assert_int_equal(cj_log_list(log, &filter, &heads, &count, &err), CJ_USAGE);
        check_holds(no_dates[i], err.message, "no date");
    }
    cj_log_close(log);
}

static void a_void_run_stays_but_counts_no_more(void **state)
{
    (void)state;
    cj_log *log = open_log("void.db", CJ_LOG_CREATE);
    char first[CJ_UUID_TEXT], whole[CJ_UUID_TEXT];
    const cj_log_filter with_void = {.voided = true};
    bool is_run = false;
    cj_error err = {0};
    cj_run *run = NULL;
    memcpy(first, add_made(log, 1), sizeof first);
    add_made(log, 1);
    assert_int_equal(cj_log_void(log, first, "wrong unit", whole, &is_run, NULL), CJ_OK);
    assert_true(is_run);
    same_text("uuid", whole, first);
    assert_int_equal(count_with(log, NULL), 1);
    assert_int_equal(count_with(log, &with_void), 2);
    assert_int_equal(cj_log_run(log, first, &run, NULL), CJ_OK);
    assert_true(run->head.voided);
    same_text("reason", run->head.void_note, "wrong unit");
    cj_run_free(run);
    assert_int_equal(cj_log_void(log, first, NULL, whole, &is_run, &err), CJ_USAGE);
    check_holds("twice", err.message, "void already");
    static const char *const wrong[] = {"", "123", "zzzz", "00000000-0000-4000-8000-000000000000",
                                        "' OR 1=1"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        assert_int_equal(cj_log_void(log, wrong[i], NULL, whole, &is_run, &err), CJ_USAGE);
        check_holds(wrong[i], err.message, "no run or repair");
    }
    cj_log_close(log);
}

/* A repair of the made board (asserting); texts are borrowed. */
static void repair_made(cj_log *log, char *unit, char *fault, char *words, cj_repair *out)
{
    cj_error err = {0};
    *out = (cj_repair){.unit = unit, .board = (char *)"made", .fault = fault, .words = words};
    if (cj_log_repair(log, out, &err) != CJ_OK)
        fail_msg("repair: %s", err.message);
}

static void a_later_run_is_the_retest(void **state)
{
    (void)state;
    char unit[] = "MADE-000007", fault[] = "open-pin:U1:7", words[] = "cold joint at J3",
         empty[] = "";
    cj_log *log = open_log("repair.db", CJ_LOG_CREATE);
    cj_repair repair, *all = NULL;
    cj_run *run = NULL;
    size_t count = 0;
    cj_error err = {0};
    add_made(log, 7);
    repair_made(log, unit, fault, empty, &repair);
    char first[CJ_UUID_TEXT];
    memcpy(first, repair.uuid, sizeof first);
    const char *after = add_made(log, 7);
    assert_int_equal(cj_log_run(log, after, &run, NULL), CJ_OK);
    same_text("retest of", run->head.after, first);
    cj_run_free(run);
    repair_made(log, unit, empty, words, &repair);
    assert_int_equal(cj_log_repairs(log, "made", unit, &all, &count, NULL), CJ_OK);
    assert_int_equal(count, 2);
    same_text("fault", all[0].fault, "open-pin:U1:7");
    assert_true(all[0].retested);
    same_text("retest", all[0].retest, after);
    assert_int_equal(all[0].retest_verdict, CJ_FAIL);
    same_text("words", all[1].words, "cold joint at J3");
    assert_false(all[1].retested);
    cj_repairs_free(all, count);

    const cj_log_filter by_words = {.fault = "cold joint at J3"};
    assert_int_equal(count_with(log, &by_words), 2); /* both runs of the repaired unit */

    char whole[CJ_UUID_TEXT];
    bool is_run = true;
    assert_int_equal(cj_log_void(log, first, "of another unit", whole, &is_run, NULL), CJ_OK);
    assert_false(is_run);
    cj_repair none = {.unit = (char *)"MADE-000099", .board = (char *)"made", .fault = fault};
    assert_int_equal(cj_log_repair(log, &none, &err), CJ_USAGE);
    check_holds("no such unit", err.message, "MADE-000099");
    cj_log_close(log);
    check_whole(path_of("repair.db"));
}

static void one_serial_on_two_boards(void **state)
{
    (void)state;
    cj_log *log = open_log("boards.db", CJ_LOG_CREATE);
    cj_run *run = made_run(1, &small);
    char *board = NULL;
    cj_error err = {0};
    cj_logged_board *boards = NULL;
    size_t count = 0;
    add_made(log, 1);
    assert_int_equal(cj_run_set(&run->head.board, "other", NULL), CJ_OK);
    assert_int_equal(cj_log_add(log, run, NULL), CJ_OK);
    cj_run_free(run);
    assert_int_equal(cj_log_board_of(log, "MADE-000001", NULL, &board, &err), CJ_USAGE);
    check_holds("both are named", err.message, "(made, other)");
    assert_int_equal(cj_log_board_of(log, "MADE-000001", "other", &board, NULL), CJ_OK);
    same_text("board", board, "other");
    cj_free(board);
    assert_int_equal(cj_log_board_of(log, "MADE-000001", "third", &board, &err), CJ_USAGE);
    assert_int_equal(cj_log_boards(log, &boards, &count, NULL), CJ_OK);
    assert_int_equal(count, 2);
    same_text("name", boards[1].name, "other");
    assert_int_equal(boards[1].units, 1);
    cj_logged_boards_free(boards, count);
    cj_log_close(log);
}

static void merging_again_adds_nothing(void **state)
{
    (void)state;
    char unit[] = "MADE-000007", fault[] = "open-pin:U1:7", empty[] = "";
    cj_log *log = open_log("here.db", CJ_LOG_CREATE), *other = open_log("there.db", CJ_LOG_CREATE);
    cj_repair repair;
    cj_merged merged;
    char uuid[CJ_UUID_TEXT], whole[CJ_UUID_TEXT];
    bool is_run;
    for (int i = 0; i < 5; i++)
        add_made(log, i);
    for (int i = 4; i < 9; i++)
        add_made(other, i);
    repair_made(other, unit, fault, empty, &repair);
    memcpy(uuid, add_made(other, 7), sizeof uuid);
    const cj_merged expected[] = {{6, 1, 0, 0}, {0, 0, 0, 7}, {0, 0, 1, 7}, {0, 0, 0, 7}};
    for (size_t i = 0; i < sizeof expected / sizeof expected[0]; i++) {
        if (i == 2)
            assert_int_equal(cj_log_void(other, uuid, "a slip", whole, &is_run, NULL), CJ_OK);
        assert_int_equal(cj_log_merge(log, other, &merged, NULL), CJ_OK);
        assert_memory_equal(&merged, &expected[i], sizeof merged);
    }
    const cj_log_filter everything = {.voided = true};
    assert_int_equal(count_with(log, &everything), 11);
    cj_run *there = NULL, *here = NULL;
    assert_int_equal(cj_log_run(other, uuid, &there, NULL), CJ_OK);
    assert_int_equal(cj_log_run(log, uuid, &here, NULL), CJ_OK);
    check_same(here, there);
    same_text("retest of", here->head.after, repair.uuid);
    assert_true(here->head.voided);
    cj_run_free(here);
    cj_run_free(there);
    cj_log_close(other);
    cj_log_close(log);
    check_whole(path_of("here.db"));
}

static void values_stand_in_the_order_of_time(void **state)
{
    (void)state;
    cj_log *log = open_log("batch.db", CJ_LOG_CREATE);
    enum { UNITS = 30 };
    for (int i = UNITS - 1; i >= 0; i--)
        add_made(log, i);
    add_made(log, 5);
    for (int all = 0; all < 2; all++) {
        const cj_batch_choice choice = {.board = "made", .all_figures = all != 0};
        cj_batch_log *batch = NULL;
        assert_int_equal(cj_log_batch(log, &choice, &batch, NULL), CJ_OK);
        assert_int_equal(batch->run_count, UNITS);
        assert_int_equal(batch->figure_count, all ? 24 : 4);
        same_text("the second run of unit 5 is the last", batch->runs[UNITS - 1].unit,
                  "MADE-000005");
        same_text("the first", batch->runs[0].unit, "MADE-000029");
        for (size_t f = 0; f < batch->figure_count; f++) {
            const cj_logged_values *values = &batch->figures[f];
            for (size_t i = 0; i < batch->run_count; i++) {
                cj_run *made = made_run(atoi(batch->runs[i].unit + 5), &small);
                same_number(values->key, values->values[i],
                            figure_of(made, values->step, values->key)->value);
                cj_run_free(made);
            }
        }
        assert_true(batch->figures[0].limited);
        same_number("min", batch->figures[0].min, -0.02);
        cj_batch_log_free(batch);
    }
    const cj_batch_choice every = {.board = "made", .all_runs = true};
    cj_batch_log *batch = NULL;
    assert_int_equal(cj_log_batch(log, &every, &batch, NULL), CJ_OK);
    assert_int_equal(batch->run_count, UNITS + 1);
    cj_batch_log_free(batch);
    cj_log_close(log);
}

/* A text in place of one of a run: refused, or read back as it was. */
static void hostile_text_is_text(void **state)
{
    (void)state;
    static char long_text[1 << 20];
    memset(long_text, 'x', sizeof long_text - 1);
    const struct {
        const char *text, *refusal; /* NULL: taken */
    } cases[] = {
        {"Robert'); DROP TABLE runs; --", NULL},
        {"<script>alert(1)</script>", NULL},
        {"\"quoted\", 'quoted', %s %n", NULL},
        {"Größe 5 µV \xe2\x80\x94 ok", NULL},
        {"", "empty"},
        {"   ", "empty"},
        {"a\nb", "control"},
        {"\033[31mred", "control"},
        {"\xc2\x9b"
         "31m",
         "control"}, /* C1: some terminals obey it */
        {"a\x7f", "control"},
        {"\xff\xfe", "UTF-8"},
        {"\xc0\xaf", "UTF-8"},
        {"\xed\xa0\x80", "UTF-8"},
        {long_text, "too long"},
    };
    cj_log *log = open_log("hostile.db", CJ_LOG_CREATE);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_run *run = made_run(1, &small), *back = NULL;
        cj_error err = {0};
        assert_int_equal(cj_run_set(&run->head.unit, cases[i].text, NULL), CJ_OK);
        cj_status status = cj_log_add(log, run, &err);
        if (cases[i].refusal != NULL) {
            assert_int_equal(status, CJ_DATA);
            check_holds(cases[i].refusal, err.message, cases[i].refusal);
        } else {
            assert_int_equal(status, CJ_OK);
            assert_int_equal(cj_log_run(log, run->head.uuid, &back, NULL), CJ_OK);
            same_text("serial", back->head.unit, cases[i].text);
        }
        cj_run_free(back);
        cj_run_free(run);
    }
    cj_log_close(log);
    assert_int_equal(number_in(path_of("hostile.db"), "SELECT count(*) FROM runs"), 4);
    check_whole(path_of("hostile.db"));
}

static void captures_are_kept_to_the_byte(void **state)
{
    (void)state;
    const char *path = FIXTURES "/units/vh07/quiet.csv";
    cj_log *log = open_log("kept.db", CJ_LOG_CREATE);
    cj_run *run = made_run(1, &small), *back = NULL;
    cj_capture_options options = {0};
    cj_capture *capture = NULL;
    unsigned char *bytes = NULL;
    size_t count = 0;
    cj_error err = {0};
    assert_int_equal(cj_capture_open(path, &options, &capture, NULL), CJ_OK);
    assert_int_equal(cj_run_add_capture(run, "quiet", capture, true, NULL), CJ_OK);
    assert_int_equal(cj_log_add(log, run, NULL), CJ_OK);
    assert_int_equal(cj_log_run(log, run->head.uuid, &back, NULL), CJ_OK);
    assert_int_equal(back->capture_count, 1);
    assert_true(back->captures[0].kept);
    same_text("step", back->captures[0].step, "quiet");
    assert_int_equal(back->captures[0].path[0], '/');
    char hex[65];
    assert_int_equal(cj_capture_digest(capture, 0, hex, NULL), CJ_OK);
    same_text("digest", back->captures[0].sha256, hex);
    assert_int_equal(cj_log_kept(log, hex, &bytes, &count, NULL), CJ_OK);
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    for (size_t i = 0; i < count; i++)
        assert_int_equal(fgetc(file), bytes[i]);
    assert_int_equal(fgetc(file), EOF);
    fclose(file);
    assert_int_equal(count, back->captures[0].bytes);
    cj_free(bytes);
    hex[0] = hex[0] == '0' ? '1' : '0';
    assert_int_equal(cj_log_kept(log, hex, &bytes, &count, &err), CJ_NOINPUT);
    cj_capture_free(capture);
    cj_run_free(back);
    cj_run_free(run);
    cj_log_close(log);
}

int run_log_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_run_comes_back_whole),
        cmocka_unit_test(lists_by_what_is_asked),
        cmocka_unit_test(a_void_run_stays_but_counts_no_more),
        cmocka_unit_test(a_later_run_is_the_retest),
        cmocka_unit_test(one_serial_on_two_boards),
        cmocka_unit_test(merging_again_adds_nothing),
        cmocka_unit_test(values_stand_in_the_order_of_time),
        cmocka_unit_test(hostile_text_is_text),
        cmocka_unit_test(captures_are_kept_to_the_byte),
    };
    return cmocka_run_group_tests_name("log", tests, folder_begin, folder_end);
}
