/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What was actually found and mended; and striking what was a mistake. */
#include "unitlog/internal.h"

#include <string.h>

static void clear(cj_repair *repair)
{
    char *const texts[] = {repair->unit,          repair->board, repair->fault,    repair->words,
                           repair->operator_name, repair->note,  repair->void_note};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
        cj_free(texts[i]);
}

void cj_repairs_free(cj_repair *repairs, size_t count)
{
    for (size_t i = 0; i < count && repairs != NULL; i++)
        clear(&repairs[i]);
    cj_free(repairs);
}

static const char *text_of(const char *text)
{
    return text != NULL ? text : "";
}

cj_status cj__repair_insert(cj_log *log, cj_repair *repair, cj_error *err)
{
    unsigned char uuid[CJ__UUID_BYTES];
    int64_t unit = 0;
    cj_status status = cj__uuid_fill(repair->uuid, uuid, err);
    if (status == CJ_OK)
        status = cj__time_fill(repair->at, err);
    if (status == CJ_OK)
        status = cj__unit_id(log, repair->board, repair->unit, &unit, err);
    if (status == CJ_OK)
        status = cj__sql_do(log, err,
                            "INSERT INTO repairs (uuid, unit, at, operator, fault, words, note,"
                            " voided_at, void_note) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                            "bittttttt", uuid, CJ__UUID_BYTES, unit, repair->at,
                            text_of(repair->operator_name), text_of(repair->fault),
                            text_of(repair->words), text_of(repair->note),
                            repair->voided ? repair->voided_at : NULL,
                            repair->voided ? text_of(repair->void_note) : NULL);
    return status;
}

static cj_status check_texts(const cj_repair *repair, cj_error *err)
{
    if (text_of(repair->fault)[0] == '\0' && text_of(repair->words)[0] == '\0')
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "a repair wants what was found: a fault or words");
    cj_status status =
        cj__plain("the operator's name", text_of(repair->operator_name), CJ_SERIAL_LONGEST, err);
    if (status == CJ_OK)
        status = cj__plain("the fault", text_of(repair->fault), CJ_NOTE_LONGEST, err);
    if (status == CJ_OK)
        status = cj__plain("what was found", text_of(repair->words), CJ_NOTE_LONGEST, err);
    if (status == CJ_OK)
        status = cj__plain("the note", text_of(repair->note), CJ_NOTE_LONGEST, err);
    return status;
}

cj_status cj_log_repair(cj_log *log, cj_repair *repair, cj_error *err)
{
    cj_repair before = *repair;
    char *board = NULL;
    cj_status status = check_texts(repair, err);
    if (status == CJ_OK)
        status = cj__sql_begin(log, err);
    if (status != CJ_OK)
        return status;
    status = cj_log_board_of(log, repair->unit, repair->board, &board, err);
    if (status == CJ_OK)
        status = cj__repair_insert(log, repair, err);
    status = cj__sql_end(log, status, err);
    cj_free(board);
    if (status != CJ_OK)
        *repair = before;
    return status;
}

/* ---- reading them ---- */

static const char repairs_sql[] =
    "SELECT p.uuid, p.at, u.serial, b.name, p.fault, p.words, p.operator, p.note, p.voided_at,"
    " p.void_note, r.uuid, r.verdict"
    " FROM repairs p JOIN units u ON u.id = p.unit JOIN boards b ON b.id = u.board"
    " LEFT JOIN runs r ON r.id = (SELECT n.id FROM runs n WHERE n.unit = p.unit"
    "  AND n.after_repair = p.id AND n.voided_at IS NULL ORDER BY n.at DESC, n.id DESC LIMIT 1)"
    " WHERE (?1 IS NULL OR b.name = ?1) AND (?2 IS NULL OR u.serial = ?2)"
    " ORDER BY p.at, p.id";

static cj_status take(sqlite3_stmt *statement, cj_repair *repair)
{
    char **const texts[] = {&repair->unit,  &repair->board,         &repair->fault,
                            &repair->words, &repair->operator_name, &repair->note};
    *repair = (cj_repair){0};
    for (int i = 0; i < (int)(sizeof texts / sizeof texts[0]); i++)
        if (cj__take_text(statement, 2 + i, texts[i]) != CJ_OK)
            return CJ_NOMEM;
    if (cj__take_text(statement, 9, &repair->void_note) != CJ_OK)
        return CJ_NOMEM;
    cj__take_uuid(statement, 0, repair->uuid);
    cj__take_field(statement, 1, repair->at, sizeof repair->at);
    repair->voided = sqlite3_column_type(statement, 8) != SQLITE_NULL;
    cj__take_field(statement, 8, repair->voided_at, sizeof repair->voided_at);
    cj__take_uuid(statement, 10, repair->retest);
    repair->retested = repair->retest[0] != '\0';
    repair->retest_verdict = (cj_verdict)sqlite3_column_int(statement, 11);
    return CJ_OK;
}

cj_status cj_log_repairs(cj_log *log, const char *board, const char *unit, cj_repair **out,
                         size_t *count, cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    cj_repair *repairs = NULL;
    size_t found = 0, capacity = 0;
    bool row = true;
    cj_status status = cj__sql_ask(log, &statement, err, repairs_sql, "tt", board, unit);
    while (status == CJ_OK && row) {
        status = cj__sql_next(log, statement, &row, err);
        if (status != CJ_OK || !row)
            break;
        if (!cj_reserve((void **)&repairs, &capacity, found, sizeof *repairs) ||
            take(statement, &repairs[found++]) != CJ_OK)
            status = cj_fail_memory(err);
    }
    if (row && statement != NULL)
        cj__sql_done(statement);
    if (status != CJ_OK) {
        cj_repairs_free(repairs, found);
        return status;
    }
    *out = repairs;
    *count = found;
    return CJ_OK;
}

/* ---- void ---- */

static cj_status strike(cj_log *log, bool run, int64_t id, const char *note, cj_error *err)
{
    char now[CJ_TIME_TEXT] = "";
    int64_t struck = 0;
    cj_status status = cj__time_fill(now, err);
    if (status == CJ_OK)
        status =
            run ? cj__sql_number(log, &struck, err,
                                 "SELECT voided_at IS NOT NULL FROM runs WHERE id = ?", "i", id)
                : cj__sql_number(log, &struck, err,
                                 "SELECT voided_at IS NOT NULL FROM repairs WHERE id = ?", "i", id);
    if (status == CJ_OK && struck == 1)
        status = cj_fail(err, CJ_USAGE, log->path, 0, 0, "that %s is void already",
                         run ? "run" : "repair");
    if (status != CJ_OK)
        return status;
    return run ? cj__sql_do(log, err, "UPDATE runs SET voided_at = ?, void_note = ? WHERE id = ?",
                            "tti", now, text_of(note), id)
               : cj__sql_do(log, err,
                            "UPDATE repairs SET voided_at = ?, void_note = ? WHERE id = ?", "tti",
                            now, text_of(note), id);
}

static cj_status find_one(cj_log *log, const char *uuid, bool *is_run, int64_t *id, cj_error *err)
{
    int64_t run = -1, repair = -1;
    cj_status status = cj__find(log, true, uuid, &run, err);
    if (status == CJ_OK)
        status = cj__find(log, false, uuid, &repair, err);
    if (status != CJ_OK)
        return status;
    if (run == -1 && repair == -1)
        return cj_fail(err, CJ_USAGE, log->path, 0, 0,
                       "no run or repair '%.40s' is logged; 'coldjoint log list' shows their "
                       "numbers (four digits or more)",
                       uuid);
    if (run == -2 || repair == -2 || (run >= 0 && repair >= 0))
        return cj_fail(err, CJ_USAGE, log->path, 0, 0,
                       "several runs or repairs begin with '%.40s': give more of it", uuid);
    *is_run = run >= 0;
    *id = *is_run ? run : repair;
    return CJ_OK;
}

static cj_status uuid_of(cj_log *log, bool run, int64_t id, char text[CJ_UUID_TEXT], cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    bool row = false;
    cj_status status =
        run ? cj__sql_ask(log, &statement, err, "SELECT uuid FROM runs WHERE id = ?", "i", id)
            : cj__sql_ask(log, &statement, err, "SELECT uuid FROM repairs WHERE id = ?", "i", id);
    if (status == CJ_OK)
        status = cj__sql_next(log, statement, &row, err);
    if (row) {
        cj__take_uuid(statement, 0, text);
        cj__sql_done(statement);
    }
    return status;
}

cj_status cj_log_void(cj_log *log, const char *uuid, const char *note, char whole[CJ_UUID_TEXT],
                      bool *is_run, cj_error *err)
{
    int64_t id = -1;
    cj_status status = cj__plain("the note", text_of(note), CJ_NOTE_LONGEST, err);
    if (status == CJ_OK)
        status = cj__sql_begin(log, err);
    if (status != CJ_OK)
        return status;
    status = find_one(log, uuid, is_run, &id, err);
    if (status == CJ_OK)
        status = uuid_of(log, *is_run, id, whole, err);
    if (status == CJ_OK)
        status = strike(log, *is_run, id, note, err);
    return cj__sql_end(log, status, err);
}
