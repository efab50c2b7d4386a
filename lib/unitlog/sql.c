/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Statements, their values, transactions, and what SQLite's errors mean to a person. */
#include "unitlog/internal.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

static cj_status fail_full(const cj_log *log, cj_error *err)
{
    return cj_fail(err, CJ_IO, log->path, 0, 0,
                   "the disk is full, or the log as large as a file may be; nothing was changed in "
                   "it");
}

static cj_status fail_io(const cj_log *log, int code, cj_error *err)
{
    int reason = log->db != NULL ? sqlite3_system_errno(log->db) : 0;
    if (reason == ENOSPC || reason == EDQUOT || reason == EFBIG)
        return fail_full(log, err);
    return cj_fail(err, CJ_IO, log->path, 0, 0,
                   "reading or writing failed (%s); the log is as it was before",
                   sqlite3_errstr(code));
}

cj_status cj__log_fail(const cj_log *log, int code, cj_error *err)
{
    switch (code & 0xff) {
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
    case SQLITE_PROTOCOL:
        return cj_fail(
            err, CJ_BUSY, log->path, 0, 0,
            "another program kept the log for more than %.1f s; nothing was changed, try "
            "again",
            log->patience_ms / 1000.0);
    case SQLITE_FULL:
        return fail_full(log, err);
    case SQLITE_IOERR:
        return code == SQLITE_IOERR_NOMEM ? cj_fail_memory(err) : fail_io(log, code, err);
    case SQLITE_CORRUPT:
        return cj_fail(err, CJ_DATA, log->path, 0, 0,
                       "the log is damaged; keep this file, go on with its last copy or a new log");
    case SQLITE_NOTADB:
        return cj_fail(err, CJ_DATA, log->path, 0, 0, "no unit log: not a database at all");
    case SQLITE_READONLY:
    case SQLITE_PERM:
    case SQLITE_AUTH:
        return cj_fail(err, CJ_CANTCREAT, log->path, 0, 0,
                       "cannot be written: the file, its folder or the medium is read-only");
    case SQLITE_CANTOPEN:
        return cj_fail(err, CJ_CANTCREAT, log->path, 0, 0,
                       "cannot be opened; is its folder there, and may you write in it?");
    case SQLITE_NOMEM:
        return cj_fail_memory(err);
    case SQLITE_TOOBIG:
        return cj_fail(err, CJ_DATA, log->path, 0, 0,
                       "a single piece of more than 1 GB has no place in the log");
    }
    return cj_fail(err, CJ_BUG, log->path, 0, 0, "%s", sqlite3_errmsg(log->db));
}

/* ---- statements ---- */

static cj_status query_of(cj_log *log, const char *sql, sqlite3_stmt **out, cj_error *err)
{
    for (int i = 0; i < log->query_count; i++) {
        if (log->queries[i].sql == sql) {
            *out = log->queries[i].statement;
            return CJ_OK;
        }
    }
    if (log->query_count == CJ__QUERIES)
        return cj_fail(err, CJ_BUG, log->path, 0, 0, "more statements than there is room for");
    int code = sqlite3_prepare_v3(log->db, sql, -1, SQLITE_PREPARE_PERSISTENT, out, NULL);
    if (code != SQLITE_OK)
        return cj__log_fail(log, code, err);
    log->queries[log->query_count++] = (struct cj__query){.sql = sql, .statement = *out};
    return CJ_OK;
}

static int bind_one(sqlite3_stmt *statement, int at, char type, va_list *values)
{
    switch (type) {
    case 'i':
        return sqlite3_bind_int64(statement, at, va_arg(*values, int64_t));
    case 'r':
        return sqlite3_bind_double(statement, at, va_arg(*values, double));
    case 't':
        return sqlite3_bind_text(statement, at, va_arg(*values, const char *), -1, SQLITE_STATIC);
    default: {
        const void *bytes = va_arg(*values, const void *);
        return sqlite3_bind_blob(statement, at, bytes, va_arg(*values, int), SQLITE_STATIC);
    }
    }
}

static cj_status ask_list(cj_log *log, sqlite3_stmt **out, cj_error *err, const char *sql,
                          const char *types, va_list *values)
{
    cj_status status = query_of(log, sql, out, err);
    for (int i = 0; status == CJ_OK && types[i] != '\0'; i++) {
        int code = bind_one(*out, i + 1, types[i], values);
        if (code != SQLITE_OK)
            status = cj__log_fail(log, code, err);
    }
    return status;
}

cj_status cj__sql_ask(cj_log *log, sqlite3_stmt **out, cj_error *err, const char *sql,
                      const char *types, ...)
{
    va_list values;
    va_start(values, types);
    cj_status status = ask_list(log, out, err, sql, types, &values);
    va_end(values);
    return status;
}

void cj__sql_done(sqlite3_stmt *statement)
{
    sqlite3_reset(statement);
    sqlite3_clear_bindings(statement);
}

cj_status cj__sql_next(cj_log *log, sqlite3_stmt *statement, bool *row, cj_error *err)
{
    log->waited_ms = 0;
    int code = sqlite3_step(statement);
    *row = code == SQLITE_ROW;
    if (*row)
        return CJ_OK;
    cj_status status = code == SQLITE_DONE ? CJ_OK : cj__log_fail(log, code, err);
    cj__sql_done(statement);
    return status;
}

cj_status cj__sql_do(cj_log *log, cj_error *err, const char *sql, const char *types, ...)
{
    sqlite3_stmt *statement = NULL;
    bool row = true;
    va_list values;
    va_start(values, types);
    cj_status status = ask_list(log, &statement, err, sql, types, &values);
    va_end(values);
    while (status == CJ_OK && row)
        status = cj__sql_next(log, statement, &row, err);
    return status;
}

cj_status cj__sql_all(cj_log *log, const char *sql, cj_error *err)
{
    log->waited_ms = 0;
    int code = sqlite3_exec(log->db, sql, NULL, NULL, NULL);
    return code == SQLITE_OK ? CJ_OK : cj__log_fail(log, code, err);
}

cj_status cj__sql_number(cj_log *log, int64_t *out, cj_error *err, const char *sql,
                         const char *types, ...)
{
    sqlite3_stmt *statement = NULL;
    bool row = false;
    va_list values;
    va_start(values, types);
    cj_status status = ask_list(log, &statement, err, sql, types, &values);
    va_end(values);
    if (status == CJ_OK)
        status = cj__sql_next(log, statement, &row, err);
    *out = row ? sqlite3_column_int64(statement, 0) : -1;
    if (row)
        cj__sql_done(statement);
    return status;
}

/* ---- transactions ---- */

cj_status cj__sql_begin(cj_log *log, cj_error *err)
{
    return cj__sql_do(log, err, "BEGIN IMMEDIATE", "");
}

cj_status cj__sql_begin_reading(cj_log *log, cj_error *err)
{
    return cj__sql_do(log, err, "BEGIN", "");
}

cj_status cj__sql_end(cj_log *log, cj_status status, cj_error *err)
{
    if (status == CJ_OK)
        status = cj__sql_do(log, err, "COMMIT", "");
    /* after some errors SQLite has taken everything back by itself */
    if (status != CJ_OK && !sqlite3_get_autocommit(log->db))
        sqlite3_exec(log->db, "ROLLBACK", NULL, NULL, NULL);
    return status;
}

/* ---- columns ---- */

cj_status cj__take_text(sqlite3_stmt *statement, int column, char **out)
{
    const char *text = (const char *)sqlite3_column_text(statement, column);
    *out = cj_copy_text(text != NULL ? text : "");
    return *out != NULL ? CJ_OK : CJ_NOMEM;
}

double cj__take_real(sqlite3_stmt *statement, int column)
{
    return sqlite3_column_type(statement, column) == SQLITE_NULL
               ? NAN
               : sqlite3_column_double(statement, column);
}

void cj__take_uuid(sqlite3_stmt *statement, int column, char text[CJ_UUID_TEXT])
{
    const unsigned char *bytes = sqlite3_column_blob(statement, column);
    text[0] = '\0';
    if (bytes != NULL && sqlite3_column_bytes(statement, column) == CJ__UUID_BYTES)
        cj__uuid_text(bytes, text);
}

void cj__take_field(sqlite3_stmt *statement, int column, char *out, size_t size)
{
    const char *text = (const char *)sqlite3_column_text(statement, column);
    snprintf(out, size, "%s", text != NULL ? text : "");
}
