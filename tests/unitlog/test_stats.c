/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * A board's units together. Values are the worked examples of the NIST/SEMATECH e-Handbook (6.3.2.2
 * and 1.3.5.17.1) as if they had been measured; the formulas themselves are asked in tests/verdict.
 */
#include "check.h"

#include "coldjoint/report.h"
#include "coldjoint/unitlog.h"
#include "failing.h"

#include <unistd.h>

static char folder[64], path[80];
static int minute;

static int begin(void **state)
{
    (void)state;
    snprintf(folder, sizeof folder, "%s/coldjoint-stats-XXXXXX", P_tmpdir);
    if (mkdtemp(folder) == NULL)
        return -1;
    snprintf(path, sizeof path, "%s/log.db", folder);
    return 0;
}

static int end(void **state)
{
    (void)state;
    unlink(path);
    return rmdir(folder);
}

static cj_log *open_new(void)
{
    cj_log *log = NULL;
    cj_error err;
    unlink(path);
    if (cj_log_open(path, CJ_LOG_CREATE, &log, &err) != CJ_OK)
        fail_msg("%s", err.message);
    return log;
}

static char *text(const char *from)
{
    char *copy = cj_copy_text(from);
    assert_non_null(copy);
    return copy;
}

struct reading {
    const char *step, *key;
    double value, min, max; /* NaN, NaN: no limit */
};

struct made {
    const char *unit;
    cj_verdict verdict;
    const char *fault; /* "": none */
    const struct reading *readings;
    size_t count;
};

/* A minute later than the run before. */
static void add(cj_log *log, const struct made *made)
{
    cj_error err;
    cj_run *run = cj_new(1, sizeof *run);
    assert_non_null(run);
    run->head = (cj_run_head){.unit = text(made->unit),
                              .board = text("amp"),
                              .title = text(""),
                              .operator_name = text(""),
                              .verdict = made->verdict,
                              .worst_step = text(""),
                              .worst_figure = text(""),
                              .margin = NAN,
                              .fault = text(made->fault),
                              .probability = 0.48,
                              .void_note = text(""),
                              .note = text("")};
    snprintf(run->head.at, sizeof run->head.at, "2026-03-01T10:%02u:00.000Z",
             (unsigned)minute++ % 60u);
    run->board_text = text("board: amp\n");
    run->instruments = text("");
    run->instruments_text = text("");
    run->findings = text("[]");
    run->figures = cj_new(made->count + 1, sizeof *run->figures);
    run->limits = cj_new(made->count + 1, sizeof *run->limits);
    run->faults = cj_new(1, sizeof *run->faults);
    assert_true(run->figures != NULL && run->limits != NULL && run->faults != NULL);
    if (made->fault[0] != '\0')
        run->faults[run->fault_count++] =
            (cj_logged_fault){.fault = text(made->fault), .rank = 1, .probability = 0.48};
    for (size_t i = 0; i < made->count; i++) {
        const struct reading *from = &made->readings[i];
        run->figures[run->figure_count++] = (cj_logged_figure){.step = text(from->step),
                                                               .key = text(from->key),
                                                               .unit = text("V"),
                                                               .value = from->value,
                                                               .u = 0.01};
        if (isnan(from->min) && isnan(from->max))
            continue;
        run->limits[run->limit_count++] = (cj_judged){.step = text(from->step),
                                                      .figure = text(from->key),
                                                      .value = from->value,
                                                      .u = 0.01,
                                                      .min = from->min,
                                                      .max = from->max,
                                                      .verdict = CJ_PASS,
                                                      .margin = 1};
    }
    if (cj_log_add(log, run, &err) != CJ_OK)
        fail_msg("%s", err.message);
    cj_run_free(run);
}

static void repair(cj_log *log, const char *unit, const char *fault, bool strike)
{
    cj_error err;
    bool is_run;
    cj_repair made = {.unit = text(unit),
                      .board = text("amp"),
                      .fault = text(fault),
                      .words = text(fault[0] != '\0' ? "" : "a hair on the board"),
                      .operator_name = text(""),
                      .note = text("")};
    char whole[CJ_UUID_TEXT];
    snprintf(made.at, sizeof made.at, "2026-03-01T10:%02u:30.000Z", (unsigned)(minute - 1) % 60u);
    if (cj_log_repair(log, &made, &err) != CJ_OK)
        fail_msg("%s", err.message);
    if (strike && cj_log_void(log, made.uuid, NULL, whole, &is_run, &err) != CJ_OK)
        fail_msg("%s", err.message);
    char *const texts[] = {made.unit,  made.board,         made.fault,
                           made.words, made.operator_name, made.note};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
        cj_free(texts[i]);
}

static cj_batch *batch_of(cj_log *log)
{
    cj_batch *batch = NULL;
    cj_error err;
    if (cj_batch_make(log, "amp", &batch, &err) != CJ_OK)
        fail_msg("%s", err.message);
    return batch;
}

static const cj_figure_stats *figure_of(const cj_batch *batch, const char *key)
{
    for (size_t i = 0; i < batch->figure_count; i++)
        if (strcmp(batch->figures[i].logged->key, key) == 0)
            return &batch->figures[i];
    fail_msg("no %s", key);
    return NULL;
}

/* Ten units in the order of 6.3.2.2; the seventh failed at first and passes now. */
static void fill_flow(cj_log *log)
{
    static const double flow[] = {49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1};
    const struct reading wrong = {"quiet", "dc_v@out", 90, 45, 60};
    add(log, &(struct made){"unit-6", CJ_FAIL, "open-pin:U1:7", &wrong, 1});
    repair(log, "unit-6", "open-pin:U1:7", false);
    for (int i = 0; i < 10; i++) {
        char unit[24];
        const struct reading readings[] = {
            {"quiet", "dc_v@out", flow[i], 45, 60},
            {"quiet", "phase_deg", i % 2 ? 179 : -179, 170, 190},
            {"quiet", "noise_v@out", 1, NAN, NAN},
        };
        snprintf(unit, sizeof unit, "unit-%d", i);
        add(log, &(struct made){unit,
                                i == 8   ? CJ_FAIL
                                : i == 9 ? CJ_VERDICT_UNDECIDED
                                         : CJ_PASS,
                                i >= 8 ? "wrong-value:R2=22k" : "", readings, 3});
    }
}

static void figures_over_units(void **state)
{
    (void)state;
    cj_log *log = open_new();
    fill_flow(log);
    cj_batch *batch = batch_of(log);
    assert_int_equal(batch->log->run_count, 10);
    assert_int_equal(batch->passed, 8);
    assert_int_equal(batch->failed, 1);
    assert_int_equal(batch->undecided, 1);
    cj_interval yield = cj_wilson(8, 10, 0.95);
    check_close("yield", batch->yield.low, yield.low, 0);
    check_close("yield", batch->yield.high, yield.high, 0);
    assert_int_equal(batch->figure_count, 2); /* of those with limits */
    const cj_figure_stats *dc = figure_of(batch, "dc_v@out");
    assert_int_equal(dc->summary.count, 10);
    assert_int_equal(dc->missing, 0);
    check_close("upper, printed", dc->chart.upper, 55.8041, 5e-5);
    check_close("lower, printed", dc->chart.lower, 45.8159, 5e-5);
    check_close("Cpk", dc->capable.cpk, (50.81 - 45) / (3 * 2.03385239276), 1e-9);
    check_close("tolerance", dc->tolerance.high, 50.81 + 4.43690872895 * 2.03385239276, 1e-8);
    assert_int_equal(dc->out_count, 0);
    assert_int_equal(dc->outlier_count, 0);
    const cj_figure_stats *phase = figure_of(batch, "phase_deg");
    check_close("phase", fabs(remainder(phase->summary.mean - 180, 360)), 0, 1e-9);
    check_close("phase", phase->summary.spread, sqrt(10.0 / 9), 1e-9);
    check_close("phase", phase->capable.cpk, 10 / (3 * sqrt(10.0 / 9)), 1e-9);
    assert_int_equal(batch->proposed_count, 0); /* the board has limits */
    cj_batch_free(batch);
    cj_log_close(log);
}

/* Repairs count unless they are void, in words, or the unit failed again; a wrong value is one
 * fault whatever the value. */
static void faults_by_frequency(void **state)
{
    (void)state;
    static const struct {
        const char *fault;
        size_t confirmed, suspected;
    } want[] = {{"wrong-value:R2", 2, 2}, {"open-pin:U1:7", 1, 0}};
    cj_log *log = open_new();
    cj_history history;
    fill_flow(log);
    repair(log, "unit-1", "wrong-value:R2=22k", false);
    repair(log, "unit-2", "wrong-value:R2=24k", false);
    repair(log, "unit-3", "bridge:U1:2-3", true);
    repair(log, "unit-4", "", false);
    repair(log, "unit-9", "shorted:C1", false);
    const struct reading again = {"quiet", "dc_v@out", 52.1, 45, 60};
    add(log, &(struct made){"unit-9", CJ_FAIL, "wrong-value:R2=22k", &again, 1});
    cj_batch *batch = batch_of(log);
    assert_int_equal(batch->fault_count, 2);
    for (size_t i = 0; i < 2; i++) {
        assert_string_equal(batch->faults[i].fault, want[i].fault);
        assert_int_equal(batch->faults[i].confirmed, want[i].confirmed);
        assert_int_equal(batch->faults[i].suspected, want[i].suspected);
    }
    assert_int_equal(cj_log_history(log, "amp", &history, NULL), CJ_OK);
    assert_int_equal(history.count, 3);
    double times = 0;
    for (size_t i = 0; i < history.count; i++)
        times += history.items[i].times;
    check_close("times", times, 3, 0);
    cj_history_free(&history);
    assert_int_equal(cj_log_history(log, "another", &history, NULL), CJ_OK);
    assert_int_equal(history.count, 0);
    cj_history_free(&history);
    cj_batch_free(batch);
    cj_log_close(log);
}

/* Eight good units and two that are not, of a board without limits: 1.3.5.17.1 without and with its
 * outlier. */
static void limits_from_good_units(void **state)
{
    (void)state;
    static const double uranium[] = {199.31, 199.53, 200.19, 200.82,
                                     201.92, 201.95, 202.18, 245.57};
    cj_log *log = open_new();
    for (int i = 0; i < 8; i++) {
        char unit[24];
        const struct reading readings[] = {{"quiet", "dc_v@out", uranium[i], NAN, NAN},
                                           {"tone", "thd_percent@out", uranium[i], NAN, NAN},
                                           {"tone", "rms_v@out", uranium[i], NAN, NAN},
                                           {"tone", "gain_db", 6, NAN, NAN}};
        snprintf(unit, sizeof unit, "%d", i);
        add(log,
            &(struct made){unit, CJ_VERDICT_UNDECIDED, i == 7 ? "open-pin:R1:1" : "", readings, 4});
    }
    cj_batch *batch = batch_of(log);
    const cj_figure_stats *dc = figure_of(batch, "dc_v@out");
    assert_int_equal(dc->outlier_count, 1);
    assert_string_equal(batch->log->runs[dc->outliers[0]].unit, "7");
    assert_int_equal(dc->out_count, 1);
    assert_int_equal(dc->out[0].run, 7);
    assert_true(isnan(dc->capable.cpk));
    assert_int_equal(batch->good, 7);
    assert_int_equal(batch->proposed_count,
                     2); /* nothing of what never differs, or is no such figure */
    cj_summary good = cj_summarise(uranium, 7);
    for (size_t i = 0; i < 2; i++) {
        const cj_proposed *proposed = &batch->proposed[i];
        bool both = strcmp(proposed->logged->key, "dc_v@out") == 0;
        double k =
            both ? cj_tolerance_two_sided(7, 0.99, 0.95) : cj_tolerance_one_sided(7, 0.99, 0.95);
        double reach = k * good.spread;
        assert_int_equal(proposed->count, 7);
        assert_true(proposed->max >= good.mean + reach && proposed->max <= good.mean + 1.1 * reach);
        if (both)
            assert_true(proposed->min <= good.mean - reach &&
                        proposed->min >= good.mean - 1.1 * reach);
        else
            assert_true(isnan(proposed->min));
    }
    cj_text answer = {0};
    assert_int_equal(cj_report_batch_text(batch, NULL, &answer, NULL), CJ_OK);
    check_holds("text", answer.bytes, "8 units: 0 pass, 0 fail, 8 undecided");
    check_holds("text", answer.bytes, "  - {step: quiet, figure: dc_v, of: out, min: ");
    cj_text_free(&answer);
    assert_int_equal(cj_report_batch_json(batch, &answer, NULL), CJ_OK);
    check_holds("JSON", answer.bytes, "\"coldjoint\": \"log stats\"");
    cj_text_free(&answer);
    cj_batch_free(batch);
    cj_log_close(log);
}

static void too_few(void **state)
{
    (void)state;
    cj_log *log = open_new();
    cj_batch *batch = NULL;
    cj_error err;
    cj_text answer = {0};
    assert_int_equal(cj_batch_make(log, "amp", &batch, &err), CJ_USAGE);
    check_holds("none", err.message, "no unit of a board 'amp'");
    const struct reading readings[] = {{"quiet", "dc_v@out", NAN, 45, 60},
                                       {"quiet", "gain_db", 6, 5, 7}};
    add(log, &(struct made){"1", CJ_VERDICT_UNDECIDED, "", readings, 2});
    batch = batch_of(log);
    assert_int_equal(figure_of(batch, "dc_v@out")->missing, 1);
    assert_true(isnan(figure_of(batch, "gain_db")->summary.spread));
    assert_int_equal(cj_report_batch_text(batch, NULL, &answer, NULL), CJ_OK);
    check_holds("text", answer.bytes, "never measured");
    cj_text_free(&answer);
    assert_int_equal(cj_report_batch_json(batch, &answer, NULL), CJ_OK);
    check_holds("JSON", answer.bytes, "\"spread\": null");
    cj_text_free(&answer);
    cj_batch_free(batch);
    cj_log_close(log);
}

static cj_status stats_job(void *user, cj_error *err)
{
    cj_batch *batch = NULL;
    cj_text answer = {0};
    cj_status status = cj_batch_make(user, "amp", &batch, err);
    if (status == CJ_OK)
        status = cj_report_batch_text(batch, NULL, &answer, err);
    cj_text_free(&answer);
    cj_batch_free(batch);
    return status;
}

static void memory(void **state)
{
    (void)state;
    cj_log *log = open_new();
    fill_flow(log);
    failing_each("stats", stats_job, log);
    cj_log_close(log);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(figures_over_units),
        cmocka_unit_test(faults_by_frequency),
        cmocka_unit_test(limits_from_good_units),
        cmocka_unit_test(too_few),
        cmocka_unit_test(memory),
    };
    return cmocka_run_group_tests(tests, begin, end);
}
