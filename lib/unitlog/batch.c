/* SPDX-License-Identifier: GPL-3.0-or-later */
/* All units of a board: each figure's values over the runs, one figure after the other as they lie
 * in the file. */
#include "unitlog/internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Where a run's values stand: its id and its place in time. */
struct seat {
    int64_t id;
    size_t place;
};

struct gather {
    cj_log *log;
    cj_batch_log *batch;
    struct seat *seats; /* by id */
    size_t figure_capacity;
    size_t *slots; /* by a figure's id: its place in the batch + 1; 0: none yet */
    int64_t slot_count;
};

void cj_batch_log_free(cj_batch_log *batch)
{
    if (batch == NULL)
        return;
    cj_run_heads_free(batch->runs, batch->run_count);
    for (size_t i = 0; i < batch->figure_count; i++) {
        cj_free(batch->figures[i].step);
        cj_free(batch->figures[i].key);
        cj_free(batch->figures[i].unit);
        cj_free(batch->figures[i].values);
    }
    cj_free(batch->figures);
    cj_free(batch);
}

static int by_id(const void *a, const void *b)
{
    const struct seat *one = a, *other = b;
    return (one->id > other->id) - (one->id < other->id);
}

/* The runs, oldest first, and their seats. */
static cj_status seat_runs(struct gather *gather, const cj_log_filter *filter, cj_error *err)
{
    cj_batch_log *batch = gather->batch;
    struct cj__heads heads = {0};
    cj_status status = cj__list(gather->log, filter, &heads, err);
    if (status != CJ_OK)
        return status;
    gather->seats = cj_new(heads.count + 1, sizeof *gather->seats);
    if (gather->seats == NULL) {
        cj__heads_free(&heads);
        return cj_fail_memory(err);
    }
    for (size_t i = 0, last = heads.count; i < heads.count; i++) {
        gather->seats[i] = (struct seat){.id = heads.ids[i], .place = heads.count - 1 - i};
        if (i < --last) {
            cj_run_head swap = heads.items[i];
            heads.items[i] = heads.items[last];
            heads.items[last] = swap;
        }
    }
    qsort(gather->seats, heads.count, sizeof *gather->seats, by_id);
    batch->runs = heads.items;
    batch->run_count = heads.count;
    cj_free(heads.ids);
    return CJ_OK;
}

/* The place of a run, looked for from *from on: rows come in the order of their runs. run_count: it
 * is none of the batch. */
static size_t place_of(const struct gather *gather, int64_t id, size_t *from)
{
    size_t count = gather->batch->run_count;
    while (*from < count && gather->seats[*from].id < id)
        (*from)++;
    return *from < count && gather->seats[*from].id == id ? gather->seats[*from].place : count;
}

static cj_status name_figure(struct gather *gather, int64_t id, cj_logged_values *values,
                             cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    bool row = false;
    cj_status status = cj__sql_ask(gather->log, &statement, err,
                                   "SELECT step, key, unit, hz FROM figures WHERE id = ?", "i", id);
    if (status == CJ_OK)
        status = cj__sql_next(gather->log, statement, &row, err);
    if (status == CJ_OK && !row)
        status = cj__log_fail(gather->log, SQLITE_CORRUPT, err);
    if (status != CJ_OK)
        return status;
    values->hz = sqlite3_column_double(statement, 3);
    if (cj__take_text(statement, 0, &values->step) != CJ_OK ||
        cj__take_text(statement, 1, &values->key) != CJ_OK ||
        cj__take_text(statement, 2, &values->unit) != CJ_OK)
        status = cj_fail_memory(err);
    cj__sql_done(statement);
    return status;
}

/* The values of a figure, begun where there are none yet. */
static cj_status values_of(struct gather *gather, int64_t id, cj_logged_values **out, cj_error *err)
{
    cj_batch_log *batch = gather->batch;
    if (id < 0 || id >= gather->slot_count)
        return cj__log_fail(gather->log, SQLITE_CORRUPT, err);
    if (gather->slots[id] > 0) {
        *out = &batch->figures[gather->slots[id] - 1];
        return CJ_OK;
    }
    if (!cj_reserve((void **)&batch->figures, &gather->figure_capacity, batch->figure_count,
                    sizeof *batch->figures))
        return cj_fail_memory(err);
    cj_logged_values *values = &batch->figures[batch->figure_count++];
    *values = (cj_logged_values){.min = NAN, .max = NAN};
    gather->slots[id] = batch->figure_count;
    *out = values;
    values->values = cj_new(batch->run_count + 1, sizeof *values->values);
    if (values->values == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < batch->run_count; i++)
        values->values[i] = NAN;
    return name_figure(gather, id, values, err);
}

static cj_status make_slots(struct gather *gather, cj_error *err)
{
    cj_status status = cj__sql_number(gather->log, &gather->slot_count, err,
                                      "SELECT coalesce(max(id), 0) + 1 FROM figures", "");
    if (status == CJ_OK &&
        (gather->slots = cj_new((size_t)gather->slot_count, sizeof *gather->slots)) == NULL)
        status = cj_fail_memory(err);
    return status;
}

/* ---- figures that have limits: one stretch of the file each ---- */

static cj_status set_limit(struct gather *gather, int64_t limit, cj_logged_values *values,
                           cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    bool row = false;
    cj_status status =
        cj__sql_ask(gather->log, &statement, err,
                    "SELECT low, high, derived FROM limits WHERE id = ?", "i", limit);
    if (status == CJ_OK)
        status = cj__sql_next(gather->log, statement, &row, err);
    if (!row)
        return status;
    values->limited = true;
    values->min = cj__take_real(statement, 0);
    values->max = cj__take_real(statement, 1);
    values->derived = sqlite3_column_int(statement, 2) != 0;
    cj__sql_done(statement);
    return CJ_OK;
}

static cj_status take_limited(struct gather *gather, int64_t figure, cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    cj_logged_values *values = NULL;
    bool row = true;
    size_t from = 0, last = 0;
    int64_t limit = -1; /* of the last run in time */
    cj_status status =
        cj__sql_ask(gather->log, &statement, err,
                    "SELECT run, lim, value FROM run_limits WHERE figure = ?", "i", figure);
    while (status == CJ_OK && row) {
        status = cj__sql_next(gather->log, statement, &row, err);
        if (status != CJ_OK || !row)
            break;
        size_t place = place_of(gather, sqlite3_column_int64(statement, 0), &from);
        if (place == gather->batch->run_count)
            continue;
        if (values == NULL)
            status = values_of(gather, figure, &values, err);
        if (status != CJ_OK)
            break;
        values->values[place] = cj__take_real(statement, 2);
        if (limit < 0 || place >= last) {
            last = place;
            limit = sqlite3_column_int64(statement, 1);
        }
    }
    if (row && statement != NULL)
        cj__sql_done(statement);
    if (status == CJ_OK && limit >= 0)
        status = set_limit(gather, limit, values, err);
    return status;
}

static cj_status take_all_limited(struct gather *gather, const char *board, cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    bool row = true;
    cj_status status = cj__sql_ask(gather->log, &statement, err,
                                   "SELECT f.id FROM figures f JOIN boards b ON b.id = f.board"
                                   " WHERE b.name = ? AND EXISTS"
                                   "  (SELECT 1 FROM run_limits x WHERE x.figure = f.id)"
                                   " ORDER BY f.id",
                                   "t", board);
    while (status == CJ_OK && row) {
        status = cj__sql_next(gather->log, statement, &row, err);
        if (status == CJ_OK && row)
            status = take_limited(gather, sqlite3_column_int64(statement, 0), err);
    }
    if (row && statement != NULL)
        cj__sql_done(statement);
    return status;
}

/* ---- every figure: run by run, as they lie in the file ---- */

static cj_status take_run(struct gather *gather, const struct seat *seat, cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    bool row = true;
    cj_status status =
        cj__sql_ask(gather->log, &statement, err,
                    "SELECT figure, value FROM run_figures WHERE run = ?", "i", seat->id);
    while (status == CJ_OK && row) {
        cj_logged_values *values = NULL;
        status = cj__sql_next(gather->log, statement, &row, err);
        if (status == CJ_OK && row)
            status = values_of(gather, sqlite3_column_int64(statement, 0), &values, err);
        if (status == CJ_OK && row)
            values->values[seat->place] = cj__take_real(statement, 1);
    }
    if (row && statement != NULL)
        cj__sql_done(statement);
    return status;
}

cj_status cj_log_batch(cj_log *log, const cj_batch_choice *choice, cj_batch_log **out,
                       cj_error *err)
{
    const cj_log_filter filter = {.board = choice->board, .latest = !choice->all_runs};
    struct gather gather = {.log = log, .batch = cj_new(1, sizeof *gather.batch)};
    if (gather.batch == NULL)
        return cj_fail_memory(err);
    cj_status status = cj__sql_begin_reading(log, err);
    if (status != CJ_OK) {
        cj_batch_log_free(gather.batch);
        return status;
    }
    status = seat_runs(&gather, &filter, err);
    if (status == CJ_OK)
        status = make_slots(&gather, err);
    if (status == CJ_OK)
        status = take_all_limited(&gather, choice->board, err);
    for (size_t i = 0; status == CJ_OK && choice->all_figures && i < gather.batch->run_count; i++)
        status = take_run(&gather, &gather.seats[i], err);
    status = cj__sql_end(log, status, err);
    cj_free(gather.slots);
    cj_free(gather.seats);
    if (status == CJ_OK)
        *out = gather.batch;
    else
        cj_batch_log_free(gather.batch);
    return status;
}
