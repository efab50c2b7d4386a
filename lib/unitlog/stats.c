/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A board's units together: yield, and each figure over the units. */
#include "unitlog/internal.h"
#include "unitlog/stats.h"

#include <math.h>
#include <string.h>

#define CONFIDENCE 0.95
#define COVERAGE 0.99

void cj_batch_free(cj_batch *batch)
{
    if (batch == NULL)
        return;
    for (size_t i = 0; i < batch->figure_count; i++)
        cj_free(batch->figures[i].out);
    for (size_t i = 0; i < batch->fault_count; i++)
        cj_free(batch->faults[i].fault);
    cj_free(batch->figures);
    cj_free(batch->faults);
    cj_free(batch->proposed);
    cj_batch_log_free(batch->log);
    cj_free(batch->board);
    cj_free(batch);
}

bool cj__is_figure(const char *key, const char *figure)
{
    size_t length = strlen(figure);
    return strncmp(key, figure, length) == 0 && (key[length] == '\0' || key[length] == '@');
}

size_t cj__measured(const cj_batch_log *log, const cj_logged_values *logged, const bool *keep,
                    double *values, size_t *places)
{
    size_t count = 0;
    for (size_t i = 0; i < log->run_count; i++)
        if (isfinite(logged->values[i]) && (keep == NULL || keep[i])) {
            values[count] = logged->values[i];
            places[count++] = i;
        }
    if (cj__is_figure(logged->key, "phase_deg"))
        cj_unwrap_degrees(values, count);
    return count;
}

const cj__factors *cj__factors_of(cj__factors *last, size_t count)
{
    if (last->count != count)
        *last = (cj__factors){count, cj_tolerance_one_sided(count, COVERAGE, CONFIDENCE),
                              cj_tolerance_two_sided(count, COVERAGE, CONFIDENCE)};
    return last;
}

/* ---- a figure ---- */

struct work {
    double *values;
    size_t *places;
    unsigned char *flags;
    cj__factors factors;
};

/* Limits of an angle move to the turn its values are in. */
static void set_limits(cj_figure_stats *figure, double mean)
{
    const cj_logged_values *logged = figure->logged;
    figure->min = logged->limited ? logged->min : NAN;
    figure->max = logged->limited ? logged->max : NAN;
    if (!cj__is_figure(logged->key, "phase_deg") || isnan(figure->min) || isnan(figure->max) ||
        isnan(mean))
        return;
    double middle = (figure->min + figure->max) / 2;
    double turn = mean + remainder(middle - mean, 360) - middle;
    figure->min += turn;
    figure->max += turn;
}

static cj_status note_out(cj_figure_stats *figure, const struct work *work, size_t count,
                          cj_error *err)
{
    size_t bad = cj_chart_check(&figure->chart, work->values, count, work->flags);
    figure->out = cj_new(bad + 1, sizeof *figure->out);
    if (figure->out == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < count; i++)
        if (work->flags[i] != CJ_IN_CONTROL)
            figure->out[figure->out_count++] = (cj_out_point){work->places[i], work->flags[i]};
    return CJ_OK;
}

/* The farthest value, then once more without it. The order of the values is lost. */
static void find_outliers(cj_figure_stats *figure, const struct work *work, size_t count)
{
    while (figure->outlier_count < CJ_OUTLIERS) {
        cj_outlier farthest = cj_grubbs(work->values, count, CONFIDENCE);
        if (!(farthest.g > farthest.critical))
            return;
        figure->outliers[figure->outlier_count++] = work->places[farthest.index];
        count--;
        work->values[farthest.index] = work->values[count];
        work->places[farthest.index] = work->places[count];
    }
}

static cj_status fill(const cj_batch_log *log, const cj_logged_values *logged, struct work *work,
                      cj_figure_stats *figure, cj_error *err)
{
    figure->logged = logged;
    size_t count = cj__measured(log, logged, NULL, work->values, work->places);
    figure->missing = log->run_count - count;
    figure->summary = cj_summarise(work->values, count);
    set_limits(figure, figure->summary.mean);
    figure->capable = cj_capable(&figure->summary, figure->min, figure->max);
    figure->chart = cj_chart_make(work->values, count);
    double reach = cj__factors_of(&work->factors, count)->two_sided * figure->summary.spread;
    figure->tolerance = (cj_interval){figure->summary.mean - reach, figure->summary.mean + reach};
    cj_status status = note_out(figure, work, count, err);
    if (status == CJ_OK)
        find_outliers(figure, work, count);
    return status;
}

static cj_status fill_all(cj_batch *batch, cj_error *err)
{
    const cj_batch_log *log = batch->log;
    struct work work = {.values = cj_new(log->run_count + 1, sizeof *work.values),
                        .places = cj_new(log->run_count + 1, sizeof *work.places),
                        .flags = cj_new(log->run_count + 1, sizeof *work.flags)};
    batch->figures = cj_new(log->figure_count + 1, sizeof *batch->figures);
    cj_status status = CJ_OK;
    if (work.values == NULL || work.places == NULL || work.flags == NULL || batch->figures == NULL)
        status = cj_fail_memory(err);
    for (size_t i = 0; status == CJ_OK && i < log->figure_count; i++)
        status = fill(log, &log->figures[i], &work, &batch->figures[batch->figure_count++], err);
    cj_free(work.values);
    cj_free(work.places);
    cj_free(work.flags);
    return status;
}

/* ---- the batch ---- */

static void count_verdicts(cj_batch *batch)
{
    const cj_batch_log *log = batch->log;
    for (size_t i = 0; i < log->run_count; i++) {
        cj_verdict verdict = log->runs[i].verdict;
        ++*(verdict == CJ_PASS   ? &batch->passed
            : verdict == CJ_FAIL ? &batch->failed
                                 : &batch->undecided);
    }
    batch->yield = cj_wilson(batch->passed, log->run_count, CONFIDENCE);
}

/* Those that have limits; all where the board has none. */
static cj_status read_log(cj_log *log, cj_batch *batch, cj_error *err)
{
    cj_batch_choice choice = {.board = batch->board};
    cj_status status = cj_log_batch(log, &choice, &batch->log, err);
    if (status != CJ_OK || batch->log->figure_count > 0 || batch->log->run_count == 0)
        return status;
    cj_batch_log_free(batch->log);
    batch->log = NULL;
    choice.all_figures = true;
    return cj_log_batch(log, &choice, &batch->log, err);
}

cj_status cj_batch_make(cj_log *log, const char *board, cj_batch **out, cj_error *err)
{
    cj_batch *batch = cj_new(1, sizeof *batch);
    if (batch == NULL)
        return cj_fail_memory(err);
    batch->board = cj_copy_text(board);
    cj_status status = batch->board == NULL ? cj_fail_memory(err) : read_log(log, batch, err);
    if (status == CJ_OK && batch->log->run_count == 0)
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0, "no unit of a board '%.60s' in the log", board);
    if (status == CJ_OK) {
        count_verdicts(batch);
        status = fill_all(batch, err);
    }
    if (status == CJ_OK)
        status = cj__count_faults(log, batch, err);
    if (status == CJ_OK)
        status = cj__propose(batch, err);
    if (status == CJ_OK)
        *out = batch;
    else
        cj_batch_free(batch);
    return status;
}
