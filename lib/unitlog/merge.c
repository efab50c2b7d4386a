/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Two logs become one: each run and repair is known by its UUID, so taking in the same log again
 * adds nothing. */
#include "unitlog/internal.h"

#include <string.h>

static cj_status known(cj_log *log, bool run, const char *uuid, int64_t *id, cj_error *err)
{
    unsigned char bytes[CJ__UUID_BYTES];
    if (!cj__uuid_read(uuid, bytes))
        return cj__log_fail(log, SQLITE_CORRUPT, err);
    return run ? cj__sql_number(log, id, err, "SELECT id FROM runs WHERE uuid = ?", "b", bytes,
                                CJ__UUID_BYTES)
               : cj__sql_number(log, id, err, "SELECT id FROM repairs WHERE uuid = ?", "b", bytes,
                                CJ__UUID_BYTES);
}

/* What is struck there is struck here; the other way round nothing is taken back. */
static cj_status carry_void(cj_log *log, bool run, int64_t id, const char *at, const char *note,
                            cj_merged *merged, cj_error *err)
{
    cj_status status =
        run ? cj__sql_do(log, err,
                         "UPDATE runs SET voided_at = ?, void_note = ? WHERE id = ?"
                         " AND voided_at IS NULL",
                         "tti", at, note, id)
            : cj__sql_do(log, err,
                         "UPDATE repairs SET voided_at = ?, void_note = ? WHERE id = ?"
                         " AND voided_at IS NULL",
                         "tti", at, note, id);
    merged->voids += (size_t)sqlite3_changes(log->db);
    return status;
}

static cj_status merge_repairs(cj_log *log, cj_log *other, cj_merged *merged, cj_error *err)
{
    cj_repair *repairs = NULL;
    size_t count = 0;
    cj_status status = cj_log_repairs(other, NULL, NULL, &repairs, &count, err);
    for (size_t i = 0; status == CJ_OK && i < count; i++) {
        cj_repair *repair = &repairs[i];
        int64_t id = -1;
        status = known(log, false, repair->uuid, &id, err);
        if (status == CJ_OK && id < 0) {
            status = cj__repair_insert(log, repair, err);
            merged->repairs++;
        } else if (status == CJ_OK) {
            merged->known++;
            if (repair->voided)
                status =
                    carry_void(log, false, id, repair->voided_at, repair->void_note, merged, err);
        }
    }
    cj_repairs_free(repairs, count);
    return status;
}

/* The bytes of kept captures go over as they are packed. */
static cj_status carry_kept(cj_log *other, cj_run *run, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < run->capture_count; i++) {
        cj_logged_capture *capture = &run->captures[i];
        unsigned char digest[CJ__SHA_BYTES];
        sqlite3_stmt *statement = NULL;
        bool row = false;
        if (!capture->kept || !cj__unhex(capture->sha256, digest, CJ__SHA_BYTES))
            continue;
        status = cj__sql_ask(other, &statement, err, "SELECT packed FROM kept WHERE sha256 = ?",
                             "b", digest, CJ__SHA_BYTES);
        if (status == CJ_OK)
            status = cj__sql_next(other, statement, &row, err);
        if (!row)
            continue;
        capture->packed_count = (size_t)sqlite3_column_bytes(statement, 0);
        capture->packed = cj_new(capture->packed_count, 1);
        if (capture->packed == NULL)
            status = cj_fail_memory(err);
        else if (capture->packed_count > 0)
            memcpy(capture->packed, sqlite3_column_blob(statement, 0), capture->packed_count);
        cj__sql_done(statement);
    }
    return status;
}

static cj_status merge_run(cj_log *log, cj_log *other, int64_t id, cj_error *err)
{
    cj_run *run = NULL;
    cj_status status = cj__run_whole(other, id, &run, err);
    if (status == CJ_OK)
        status = carry_kept(other, run, err);
    if (status == CJ_OK)
        status = cj__run_insert(log, run, err);
    cj_run_free(run);
    return status;
}

static cj_status merge_runs(cj_log *log, cj_log *other, cj_merged *merged, cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    bool row = true;
    cj_status status = cj__sql_ask(
        other, &statement, err, "SELECT id, uuid, voided_at, void_note FROM runs ORDER BY id", "");
    while (status == CJ_OK && row) {
        status = cj__sql_next(other, statement, &row, err);
        if (status != CJ_OK || !row)
            break;
        char uuid[CJ_UUID_TEXT];
        int64_t id = -1;
        cj__take_uuid(statement, 1, uuid);
        status = known(log, true, uuid, &id, err);
        if (status == CJ_OK && id < 0) {
            status = merge_run(log, other, sqlite3_column_int64(statement, 0), err);
            merged->runs++;
        } else if (status == CJ_OK) {
            merged->known++;
            if (sqlite3_column_type(statement, 2) != SQLITE_NULL)
                status = carry_void(log, true, id, (const char *)sqlite3_column_text(statement, 2),
                                    (const char *)sqlite3_column_text(statement, 3), merged, err);
        }
    }
    if (row && statement != NULL)
        cj__sql_done(statement);
    return status;
}

cj_status cj_log_merge(cj_log *log, cj_log *other, cj_merged *out, cj_error *err)
{
    cj_merged merged = {0};
    cj_status status = cj__sql_begin_reading(other, err);
    if (status != CJ_OK)
        return status;
    status = cj__sql_begin(log, err);
    if (status == CJ_OK) {
        status = merge_repairs(log, other, &merged, err);
        if (status == CJ_OK)
            status = merge_runs(log, other, &merged, err);
        status = cj__sql_end(log, status, err);
    }
    /* it was only read: nothing to be kept or lost */
    cj_status ended = cj__sql_end(other, CJ_OK, NULL);
    (void)ended;
    if (status == CJ_OK)
        *out = merged;
    return status;
}
