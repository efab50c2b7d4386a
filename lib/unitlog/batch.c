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
    int64_t figure; /* id of the last figure */
    int64_t limit;  /* the newest limit's run so far: its place + 1 */
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

static cj_status seat_runs(struct gather *gather, cj_error *err)
{
    cj_batch_log *batch = gather->batch;
    gather->seats = cj_new(batch->run_count + 1, sizeof *gather->seats);
    if (gather->seats == NULL)
        return cj_fail_memory(err);
    cj_status status = CJ_OK;
    /* newest first becomes oldest first */
    for (size_t i = 0; i < batch->run_count / 2; i++) {
        cj_run_head swap = batch->runs[i];
        batch->runs[i] = batch->runs[batch->run_count - 1 - i];
        batch->runs[batch->run_count - 1 - i] = swap;
    }
    for (size_t i = 0; status == CJ_OK && i < batch->run_count; i++) {
        unsigned char uuid[CJ__UUID_BYTES];
        gather->seats[i].place = i;
        if (cj__uuid_read(batch->runs[i].uuid, uuid))
            status =
                cj__sql_number(gather->log, &gather->seats[i].id, err,
                               "SELECT id FROM runs WHERE uuid = ?", "b", uuid, CJ__UUID_BYTES);
    }
    qsort(gather->seats, batch->run_count, sizeof *gather->seats, by_id);
    return status;
}

/* The place of a run; batch->run_count where it is not one of them. */
static size_t place_of(const struct gather *gather, int64_t id)
{
    const struct seat wanted = {.id = id};
    const struct seat *found =
        bsearch(&wanted, gather->seats, gather->batch->run_count, sizeof *gather->seats, by_id);
    return found != NULL ? found->place : gather->batch->run_count;
}

static cj_status name_figure(struct gather *gather, cj_logged_values *values, cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    bool row = false;
    cj_status status =
        cj__sql_ask(gather->log, &statement, err,
                    "SELECT step, key, unit, hz FROM figures WHERE id = ?", "i", gather->figure);
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

static cj_status new_figure(struct gather *gather, int64_t id, cj_error *err)
{
    cj_batch_log *batch = gather->batch;
    if (!cj_reserve((void **)&batch->figures, &gather->figure_capacity, batch->figure_count,
                    sizeof *batch->figures))
        return cj_fail_memory(err);
    cj_logged_values *values = &batch->figures[batch->figure_count++];
    *values = (cj_logged_values){.min = NAN, .max = NAN};
    gather->figure = id;
    gather->limit = 0;
    values->values = cj_new(batch->run_count + 1, sizeof *values->values);
    if (values->values == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < batch->run_count; i++)
        values->values[i] = NAN;
    return name_figure(gather, values, err);
}

/* A row is: figure, run, value, low, high, derived (NULL: no limit). */
static cj_status take_value(struct gather *gather, sqlite3_stmt *row, cj_error *err)
{
    cj_batch_log *batch = gather->batch;
    size_t place = place_of(gather, sqlite3_column_int64(row, 1));
    int64_t figure = sqlite3_column_int64(row, 0);
    if (place == batch->run_count)
        return CJ_OK;
    if (batch->figure_count == 0 || figure != gather->figure) {
        cj_status status = new_figure(gather, figure, err);
        if (status != CJ_OK)
            return status;
    }
    cj_logged_values *values = &batch->figures[batch->figure_count - 1];
    values->values[place] = cj__take_real(row, 2);
    if (sqlite3_column_type(row, 5) != SQLITE_NULL && (int64_t)place + 1 > gather->limit) {
        gather->limit = (int64_t)place + 1;
        values->limited = true;
        values->derived = sqlite3_column_int(row, 5) != 0;
        values->min = cj__take_real(row, 3);
        values->max = cj__take_real(row, 4);
    }
    return CJ_OK;
}

/* CROSS keeps the order of the tables: figure by figure, each one a stretch of the file. */
static const char limited_sql[] =
    "SELECT x.figure, x.run, x.value, l.low, l.high, l.derived"
    " FROM boards b CROSS JOIN figures f ON f.board = b.id CROSS JOIN run_limits x"
    " ON x.figure = f.id CROSS JOIN limits l ON l.id = x.lim"
    " WHERE b.name = ? ORDER BY f.id, x.run, x.lim";
static const char every_sql[] =
    "SELECT f.id, x.run, x.value, l.low, l.high, l.derived"
    " FROM boards b JOIN units u ON u.board = b.id JOIN runs r ON r.unit = u.id"
    " JOIN run_figures x ON x.run = r.id JOIN figures f ON f.id = x.figure"
    " LEFT JOIN run_limits y ON y.figure = x.figure AND y.run = x.run"
    " LEFT JOIN limits l ON l.id = y.lim"
    " WHERE b.name = ? ORDER BY f.id, x.run, y.lim";

static cj_status take_values(struct gather *gather, const cj_batch_choice *choice, cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    bool row = true;
    cj_status status =
        cj__sql_ask(gather->log, &statement, err, choice->all_figures ? every_sql : limited_sql,
                    "t", choice->board);
    while (status == CJ_OK && row) {
        status = cj__sql_next(gather->log, statement, &row, err);
        if (status == CJ_OK && row)
            status = take_value(gather, statement, err);
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
    cj_status status =
        cj_log_list(log, &filter, &gather.batch->runs, &gather.batch->run_count, err);
    if (status == CJ_OK)
        status = seat_runs(&gather, err);
    if (status == CJ_OK)
        status = take_values(&gather, choice, err);
    cj_free(gather.seats);
    if (status == CJ_OK)
        *out = gather.batch;
    else
        cj_batch_log_free(gather.batch);
    return status;
}
