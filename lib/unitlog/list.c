/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a list shows of runs; boards; and which board a serial number belongs to. */
#include "unitlog/internal.h"

#include <math.h>
#include <string.h>

cj_status cj__take_head(sqlite3_stmt *statement, cj_run_head *head)
{
    char **const texts[] = {
        [2] = &head->unit,          [3] = &head->board,      [4] = &head->title,
        [5] = &head->operator_name, [7] = &head->worst_step, [8] = &head->worst_figure,
        [12] = &head->void_note,    [13] = &head->note,      [14] = &head->fault};
    *head = (cj_run_head){0};
    for (int i = 0; i < (int)(sizeof texts / sizeof texts[0]); i++)
        if (texts[i] != NULL && cj__take_text(statement, i, texts[i]) != CJ_OK)
            return CJ_NOMEM;
    cj__take_uuid(statement, 0, head->uuid);
    cj__take_field(statement, 1, head->at, sizeof head->at);
    head->verdict = (cj_verdict)sqlite3_column_int(statement, 6);
    head->margin = cj__take_real(statement, 9);
    head->probability = cj__take_real(statement, 15);
    cj__take_uuid(statement, 10, head->after);
    head->voided = sqlite3_column_type(statement, 11) != SQLITE_NULL;
    cj__take_field(statement, 11, head->voided_at, sizeof head->voided_at);
    return CJ_OK;
}

/* ---- the list ---- */

/* Every condition that is not asked for is switched off by a NULL or a 1 in its place. */
static const char list_sql[] =
    "SELECT" CJ__HEAD_COLUMNS CJ__HEAD_TABLES
    " WHERE (?1 IS NULL OR b.name = ?1) AND (?2 IS NULL OR u.serial = ?2)"
    " AND (?3 IS NULL OR r.at >= ?3) AND (?4 < 0 OR r.verdict = ?4)"
    " AND (?5 OR r.voided_at IS NULL)"
    " AND (NOT ?6 OR NOT EXISTS (SELECT 1 FROM runs n WHERE n.unit = r.unit AND n.voided_at IS NULL"
    "   AND (n.at, n.id) > (r.at, r.id)))"
    " AND (?7 IS NULL OR EXISTS (SELECT 1 FROM run_faults x JOIN faults f ON f.id = x.fault"
    "   WHERE x.run = r.id AND x.rank = 1"
    "   AND (f.fault = ?7 OR substr(f.fault, 1, length(?7) + 1) IN (?7 || ':', ?7 || '=')))"
    "  OR EXISTS (SELECT 1 FROM repairs y WHERE y.unit = r.unit AND y.voided_at IS NULL"
    "   AND (y.fault = ?7 OR y.words = ?7"
    "    OR substr(y.fault, 1, length(?7) + 1) IN (?7 || ':', ?7 || '='))))"
    " ORDER BY r.at DESC, r.id DESC";

void cj__heads_free(struct cj__heads *heads)
{
    cj_run_heads_free(heads->items, heads->count);
    cj_free(heads->ids);
    *heads = (struct cj__heads){0};
}

static cj_status add_head(struct cj__heads *heads, sqlite3_stmt *statement, cj_error *err)
{
    if (!cj_reserve((void **)&heads->items, &heads->capacity, heads->count, sizeof *heads->items) ||
        !cj_reserve((void **)&heads->ids, &heads->id_capacity, heads->count, sizeof *heads->ids))
        return cj_fail_memory(err);
    heads->ids[heads->count] = sqlite3_column_int64(statement, CJ__HEAD_ID);
    return cj__take_head(statement, &heads->items[heads->count++]) == CJ_OK ? CJ_OK
                                                                            : cj_fail_memory(err);
}

cj_status cj__list(cj_log *log, const cj_log_filter *filter, struct cj__heads *out, cj_error *err)
{
    static const cj_log_filter everything = {0};
    const cj_log_filter *want = filter != NULL ? filter : &everything;
    sqlite3_stmt *statement = NULL;
    bool row = true;
    if (want->since != NULL && !cj__is_date(want->since))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "'%.40s' is no date; expected one such as 2026-11-28", want->since);
    cj_status status =
        cj__sql_ask(log, &statement, err, list_sql, "tttiiit", want->board, want->unit, want->since,
                    want->by_verdict ? (int64_t)want->verdict : (int64_t)-1, (int64_t)want->voided,
                    (int64_t)want->latest, want->fault);
    while (status == CJ_OK && row) {
        status = cj__sql_next(log, statement, &row, err);
        if (status == CJ_OK && row)
            status = add_head(out, statement, err);
    }
    if (row && statement != NULL)
        cj__sql_done(statement);
    if (status != CJ_OK)
        cj__heads_free(out);
    return status;
}

cj_status cj_log_list(cj_log *log, const cj_log_filter *filter, cj_run_head **out, size_t *count,
                      cj_error *err)
{
    struct cj__heads heads = {0};
    cj_status status = cj__sql_begin_reading(log, err);
    if (status == CJ_OK)
        status = cj__sql_end(log, cj__list(log, filter, &heads, err), err);
    if (status != CJ_OK) {
        cj__heads_free(&heads);
        return status;
    }
    cj_free(heads.ids);
    *out = heads.items;
    *count = heads.count;
    return CJ_OK;
}

/* ---- boards ---- */

void cj_logged_boards_free(cj_logged_board *boards, size_t count)
{
    for (size_t i = 0; i < count && boards != NULL; i++) {
        cj_free(boards[i].name);
        cj_free(boards[i].title);
    }
    cj_free(boards);
}

cj_status cj_log_boards(cj_log *log, cj_logged_board **out, size_t *count, cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    cj_logged_board *boards = NULL;
    size_t found = 0, capacity = 0;
    bool row = true;
    cj_status status = cj__sql_ask(
        log, &statement, err,
        "SELECT b.name, (SELECT title FROM board_files f WHERE f.board = b.id ORDER BY f.id DESC),"
        " count(DISTINCT u.id), count(*)"
        " FROM boards b JOIN units u ON u.board = b.id JOIN runs r ON r.unit = u.id"
        " WHERE r.voided_at IS NULL GROUP BY b.id ORDER BY b.name",
        "");
    while (status == CJ_OK && row) {
        status = cj__sql_next(log, statement, &row, err);
        if (status != CJ_OK || !row)
            break;
        if (!cj_reserve((void **)&boards, &capacity, found, sizeof *boards)) {
            status = CJ_NOMEM;
            break;
        }
        cj_logged_board *board = &boards[found++];
        *board = (cj_logged_board){.units = (size_t)sqlite3_column_int64(statement, 2),
                                   .runs = (size_t)sqlite3_column_int64(statement, 3)};
        if (cj__take_text(statement, 0, &board->name) != CJ_OK ||
            cj__take_text(statement, 1, &board->title) != CJ_OK)
            status = CJ_NOMEM;
    }
    if (row && statement != NULL)
        cj__sql_done(statement);
    if (status != CJ_OK) {
        cj_logged_boards_free(boards, found);
        return status == CJ_NOMEM ? cj_fail_memory(err) : status;
    }
    *out = boards;
    *count = found;
    return CJ_OK;
}

cj_status cj_log_board_of(cj_log *log, const char *serial, const char *board, char **out,
                          cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    bool row = true;
    int found = 0;
    cj_text first = {0}, all = {0};
    cj_status status =
        cj__sql_ask(log, &statement, err,
                    "SELECT b.name FROM units u JOIN boards b ON b.id = u.board"
                    " WHERE u.serial = ? AND (?2 IS NULL OR b.name = ?2) ORDER BY b.name",
                    "tt", serial, board);
    while (status == CJ_OK && row) {
        status = cj__sql_next(log, statement, &row, err);
        if (status != CJ_OK || !row)
            break;
        const char *name = (const char *)sqlite3_column_text(statement, 0);
        cj_text_add(found == 0 ? &first : &all, found == 0 ? "%s" : ", %s", name ? name : "");
        found++;
    }
    if (status == CJ_OK && (first.failed || all.failed))
        status = cj_fail_memory(err);
    else if (status == CJ_OK && found == 0 && board != NULL)
        status = cj_fail(err, CJ_USAGE, log->path, 0, 0,
                         "no unit '%.200s' of board '%.64s' is logged", serial, board);
    else if (status == CJ_OK && found == 0)
        status = cj_fail(err, CJ_USAGE, log->path, 0, 0,
                         "no unit '%.200s' is logged; 'coldjoint log list' shows them", serial);
    else if (status == CJ_OK && found > 1)
        status =
            cj_fail(err, CJ_USAGE, log->path, 0, 0,
                    "unit '%.100s' is one of several boards (%s%.300s): say which with --board",
                    serial, first.bytes, all.bytes);
    cj_text_free(&all);
    if (status != CJ_OK) {
        cj_text_free(&first);
        return status;
    }
    *out = first.bytes;
    return CJ_OK;
}
