/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Every allocation of a report fails in turn: the report then fails with CJ_NOMEM and leaves no
 * partial answer, or did not need that memory and is whole. The linker wraps the allocator of the
 * library (meson.build); jansson's is set by its own hook.
 */
#include "check.h"

#include <jansson.h>

#include "board_sample.h"
#include "sample.h"
#include "../unitlog/made.h"

void *__real_malloc(size_t size);
void *__real_calloc(size_t count, size_t size);
void *__real_realloc(void *old, size_t size);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t count, size_t size);
void *__wrap_realloc(void *old, size_t size);

static long until_failure = -1; /* allocations that still succeed; -1: all do */

static bool fails(void)
{
    if (until_failure < 0)
        return false;
    if (until_failure == 0)
        return true; /* and so do all after it */
    until_failure--;
    return false;
}

void *__wrap_malloc(size_t size)
{
    return fails() ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t count, size_t size)
{
    return fails() ? NULL : __real_calloc(count, size);
}

void *__wrap_realloc(void *old, size_t size)
{
    return fails() ? NULL : __real_realloc(old, size);
}

enum report {
    MEASURE_TEXT,
    MEASURE_JSON,
    COMPARE_TEXT,
    COMPARE_JSON,
    SCALE_JSON,
    INSTRUMENTS,
    DIAGNOSIS_TEXT,
    DIAGNOSIS_JSON,
    STUDY_TEXT,
    STUDY_JSON,
    ADDED_TEXT,
    ADDED_JSON,
    LABEL,
    RUNS_TEXT,
    RUNS_JSON,
    UNIT_TEXT,
    UNIT_JSON,
    EXPORT_CSV,
    EXPORT_JSON,
    EXPORT_END,
    REPORTS
};

struct samples {
    struct sample plain;
    struct board_sample board;
    cj_run *run;
};

/* Of the unit log. */
static cj_status make_logged(enum report which, cj_run *run, cj_text *out, cj_error *err)
{
    const cj_report_style style = {0};
    char unit[] = "MADE-000007", board[] = "made", fault[] = "open-pin:U1:7+shorted:R1",
         none[] = "";
    const cj_repair repair = {.at = "2026-01-01T00:00:00.000Z",
                              .unit = unit,
                              .board = board,
                              .fault = fault,
                              .words = none,
                              .operator_name = none,
                              .note = none,
                              .void_note = none};
    const cj_unit_history history = {unit, board, &run, 1, &repair, 1};
    switch (which) {
    case ADDED_TEXT:
        return cj_report_added_text(run, "log.db", &style, out, err);
    case ADDED_JSON:
        return cj_report_added_json(run, "log.db", out, err);
    case LABEL:
        return cj_report_label(&run->head, out, err);
    case RUNS_TEXT:
        return cj_report_runs_text(&run->head, 1, &style, out, err);
    case RUNS_JSON:
        return cj_report_runs_json(&run->head, 1, out, err);
    case UNIT_TEXT:
        return cj_report_unit_text(&history, &style, out, err);
    case UNIT_JSON:
        return cj_report_unit_json(&history, out, err);
    case EXPORT_CSV:
        return cj_report_export_csv(run, out, err);
    case EXPORT_JSON:
        return cj_report_export_json(run, false, out, err);
    default:
        return cj_report_export_json_end(&repair, 1, out, err);
    }
}

static cj_status make_report(enum report which, struct samples *samples, cj_text *out,
                             cj_error *err)
{
    struct sample *s = &samples->plain;
    const cj_scale scale = {.full_scale_v = 5.2, .u = 0.05, .reads_v = 1};
    const cj_report_style style = {.explain = true};
    const struct board_sample *board = &samples->board;
    cj_instruments instruments;
    if (which >= ADDED_TEXT)
        return make_logged(which, samples->run, out, err);
    switch (which) {
    case MEASURE_TEXT:
        return cj_report_measure_text(&s->measurement, &style, out, err);
    case MEASURE_JSON:
        return cj_report_measure_json(&s->measurement, &s->digests, out, err);
    case COMPARE_TEXT:
        return cj_report_compare_text(&s->comparison, &s->findings, &style, out, err);
    case COMPARE_JSON:
        return cj_report_compare_json(&s->comparison, &s->findings, NULL, out, err);
    case SCALE_JSON:
        return cj_report_scale_json(&s->measurement, &s->digests, &scale, out, err);
    case DIAGNOSIS_TEXT:
        return cj_report_diagnosis_text(&board->diagnosis, board->observed, &style, out, err);
    case DIAGNOSIS_JSON:
        return cj_report_diagnosis_json(&board->diagnosis, board->observed, out, err);
    case STUDY_TEXT:
        return cj_report_study_text(&board->study, &style, out, err);
    case STUDY_JSON:
        return cj_report_study_json(&board->study, out, err);
    default:
        cj_instruments_default(&instruments);
        strcpy(instruments.name, "north");
        return cj_report_instruments(&instruments, out, err);
    }
}

/* Returns whether the report failed. */
static bool try_once(enum report which, struct samples *s, const cj_text *whole, long allocations)
{
    cj_text out = {0};
    cj_error err = {0};
    cj_text_add(&out, "before");
    until_failure = allocations;
    cj_status status = make_report(which, s, &out, &err);
    until_failure = -1;
    if (status == CJ_OK) {
        assert_string_equal(out.bytes + strlen("before"), whole->bytes);
    } else {
        assert_int_equal(status, CJ_NOMEM);
        assert_int_equal(err.status, CJ_NOMEM);
        assert_string_equal(out.bytes, "before");
    }
    cj_text_free(&out);
    return status != CJ_OK;
}

static void memory__runs_out(void **state)
{
    (void)state;
    struct samples samples;
    json_set_alloc_funcs(__wrap_malloc, free);
    sample_make(&samples.plain);
    board_sample_make(&samples.board);
    samples.run = made_run(7, &(made_size){.steps = 1, .figures = 6});
    strcpy(samples.run->head.at, "2026-11-28T12:55:06.123Z");
    for (int which = 0; which < REPORTS; which++) {
        cj_text whole = {0};
        cj_error err = {0};
        long tried = 0;
        assert_int_equal(make_report((enum report)which, &samples, &whole, &err), CJ_OK);
        while (try_once((enum report)which, &samples, &whole, tried))
            tried++;
        assert_true(tried > 0); /* something did fail, so the hook works */
        cj_text_free(&whole);
    }
    cj_run_free(samples.run);
    board_sample_free(&samples.board);
    sample_free(&samples.plain);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(memory__runs_out)};
    return cmocka_run_group_tests_name("report-memory", tests, NULL, NULL);
}
