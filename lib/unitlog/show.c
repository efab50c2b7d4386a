/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A run read back whole, and the bytes of its captures. */
#include "unitlog/internal.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

/* ---- by the first digits of its UUID ---- */

/* The lowest and the highest UUID that begin so; false: those are no digits of one, or too few. */
static bool range_of(const char *text, unsigned char low[CJ__UUID_BYTES],
                     unsigned char high[CJ__UUID_BYTES])
{
    char digits[2][2 * CJ__UUID_BYTES + 1];
    size_t count = 0;
    for (const char *at = text; *at != '\0'; at++) {
        if (*at == '-')
            continue;
        if (count == 2 * CJ__UUID_BYTES)
            return false;
        digits[0][count] = digits[1][count] = (char)tolower((unsigned char)*at);
        count++;
    }
    if (count < 4)
        return false;
    memset(digits[0] + count, '0', 2 * CJ__UUID_BYTES - count);
    memset(digits[1] + count, 'f', 2 * CJ__UUID_BYTES - count);
    digits[0][2 * CJ__UUID_BYTES] = digits[1][2 * CJ__UUID_BYTES] = '\0';
    return cj__unhex(digits[0], low, CJ__UUID_BYTES) && cj__unhex(digits[1], high, CJ__UUID_BYTES);
}

cj_status cj__find(cj_log *log, bool run, const char *uuid, int64_t *out, cj_error *err)
{
    static const char runs[] = "SELECT id FROM runs WHERE uuid BETWEEN ? AND ? LIMIT 2";
    static const char repairs[] = "SELECT id FROM repairs WHERE uuid BETWEEN ? AND ? LIMIT 2";
    unsigned char low[CJ__UUID_BYTES], high[CJ__UUID_BYTES];
    sqlite3_stmt *statement = NULL;
    bool row = true;
    *out = -1;
    if (!range_of(uuid, low, high))
        return CJ_OK;
    cj_status status = cj__sql_ask(log, &statement, err, run ? runs : repairs, "bb", low,
                                   CJ__UUID_BYTES, high, CJ__UUID_BYTES);
    while (status == CJ_OK && row) {
        status = cj__sql_next(log, statement, &row, err);
        if (status == CJ_OK && row)
            *out = *out == -1 ? sqlite3_column_int64(statement, 0) : -2;
    }
    return status;
}

/* ---- its parts ---- */

/* Calls `take` for each row of a run; sql has one ?. */
static cj_status each_row(cj_log *log, cj_run *run, int64_t id, const char *sql,
                          cj_status (*take)(cj_log *, sqlite3_stmt *, cj_run *, cj_error *),
                          cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    bool row = true;
    cj_status status = cj__sql_ask(log, &statement, err, sql, "i", id);
    while (status == CJ_OK && row) {
        status = cj__sql_next(log, statement, &row, err);
        if (status == CJ_OK && row)
            status = take(log, statement, run, err);
    }
    if (row && statement != NULL)
        cj__sql_done(statement);
    return status;
}

/* Room for one more in a list that has no capacity of its own: grown by doubling its count. */
static bool grow(void **items, size_t count, size_t size)
{
    if (count != 0 && (count & (count - 1)) != 0)
        return true;
    void *grown = cj_resize(*items, count == 0 ? 1 : 2 * count, size);
    if (grown != NULL)
        *items = grown;
    return grown != NULL;
}

static cj_status take_figure(cj_log *log, sqlite3_stmt *statement, cj_run *run, cj_error *err)
{
    (void)log;
    if (!grow((void **)&run->figures, run->figure_count, sizeof *run->figures))
        return cj_fail_memory(err);
    cj_logged_figure *figure = &run->figures[run->figure_count++];
    *figure = (cj_logged_figure){.hz = sqlite3_column_double(statement, 3),
                                 .value = cj__take_real(statement, 4),
                                 .u = cj__take_real(statement, 5),
                                 .bound = cj__take_real(statement, 7)};
    if (!isnan(figure->bound))
        figure->bound_kind = sqlite3_column_int(statement, 6) ? CJ_ABOVE : CJ_BELOW;
    if (cj__take_text(statement, 0, &figure->step) != CJ_OK ||
        cj__take_text(statement, 1, &figure->key) != CJ_OK ||
        cj__take_text(statement, 2, &figure->unit) != CJ_OK)
        return cj_fail_memory(err);
    return CJ_OK;
}

static cj_status take_limit(cj_log *log, sqlite3_stmt *statement, cj_run *run, cj_error *err)
{
    (void)log;
    if (!grow((void **)&run->limits, run->limit_count, sizeof *run->limits))
        return cj_fail_memory(err);
    cj_judged *limit = &run->limits[run->limit_count++];
    *limit = (cj_judged){.value = cj__take_real(statement, 2),
                         .u = cj__take_real(statement, 3),
                         .min = cj__take_real(statement, 4),
                         .max = cj__take_real(statement, 5),
                         .derived = sqlite3_column_int(statement, 6) != 0,
                         .verdict = (cj_verdict)sqlite3_column_int(statement, 7),
                         .margin = cj__take_real(statement, 8),
                         .hz = sqlite3_column_double(statement, 10),
                         .bound = cj__take_real(statement, 12)};
    if (!isnan(limit->bound))
        limit->bound_kind = sqlite3_column_int(statement, 11) ? CJ_ABOVE : CJ_BELOW;
    if (cj__take_text(statement, 0, &limit->step) != CJ_OK ||
        cj__take_text(statement, 1, &limit->figure) != CJ_OK)
        return cj_fail_memory(err);
    if (sqlite3_column_type(statement, 9) != SQLITE_NULL &&
        cj__take_text(statement, 9, &limit->why) != CJ_OK)
        return cj_fail_memory(err);
    return CJ_OK;
}

static cj_status take_fault(cj_log *log, sqlite3_stmt *statement, cj_run *run, cj_error *err)
{
    (void)log;
    if (!grow((void **)&run->faults, run->fault_count, sizeof *run->faults))
        return cj_fail_memory(err);
    cj_logged_fault *fault = &run->faults[run->fault_count++];
    *fault = (cj_logged_fault){.rank = sqlite3_column_int(statement, 1),
                               .probability = cj__take_real(statement, 2)};
    return cj__take_text(statement, 0, &fault->fault) == CJ_OK ? CJ_OK : cj_fail_memory(err);
}

static cj_status take_capture(cj_log *log, sqlite3_stmt *statement, cj_run *run, cj_error *err)
{
    const unsigned char *digest = sqlite3_column_blob(statement, 2);
    if (digest == NULL || sqlite3_column_bytes(statement, 2) != CJ__SHA_BYTES)
        return cj__log_fail(log, SQLITE_CORRUPT, err);
    if (!grow((void **)&run->captures, run->capture_count, sizeof *run->captures))
        return cj_fail_memory(err);
    cj_logged_capture *capture = &run->captures[run->capture_count++];
    *capture = (cj_logged_capture){.bytes = (uint64_t)sqlite3_column_int64(statement, 3),
                                   .kept = sqlite3_column_int(statement, 4) != 0};
    cj__hex(digest, CJ__SHA_BYTES, capture->sha256);
    if (cj__take_text(statement, 0, &capture->step) != CJ_OK ||
        cj__take_text(statement, 1, &capture->path) != CJ_OK)
        return cj_fail_memory(err);
    return CJ_OK;
}

static cj_status unpack_column(cj_log *log, sqlite3_stmt *statement, int column, char **out,
                               cj_error *err)
{
    int64_t size = sqlite3_column_int64(statement, column);
    const void *packed = sqlite3_column_blob(statement, column + 1);
    int count = sqlite3_column_bytes(statement, column + 1);
    if (size < 0 || packed == NULL)
        return cj__log_fail(log, SQLITE_CORRUPT, err);
    return cj__unpack(log, packed, (size_t)count, (size_t)size, out, err);
}

static cj_status take_texts(cj_log *log, sqlite3_stmt *statement, cj_run *run, cj_error *err)
{
    const unsigned char *digest = sqlite3_column_blob(statement, 0);
    if (digest == NULL || sqlite3_column_bytes(statement, 0) != CJ__SHA_BYTES)
        return cj__log_fail(log, SQLITE_CORRUPT, err);
    cj__hex(digest, CJ__SHA_BYTES, run->board_sha256);
    cj_status status = unpack_column(log, statement, 1, &run->board_text, err);
    if (status == CJ_OK)
        status = unpack_column(log, statement, 3, &run->findings, err);
    if (status == CJ_OK && cj__take_text(statement, 5, &run->instruments) != CJ_OK)
        status = cj_fail_memory(err);
    if (status != CJ_OK)
        return status;
    return sqlite3_column_type(statement, 7) == SQLITE_NULL
               ? cj_run_set(&run->instruments_text, "", err)
               : unpack_column(log, statement, 6, &run->instruments_text, err);
}

static cj_status take_head(cj_log *log, sqlite3_stmt *statement, cj_run *run, cj_error *err)
{
    (void)log;
    return cj__take_head(statement, &run->head) == CJ_OK ? CJ_OK : cj_fail_memory(err);
}

cj_status cj__run_whole(cj_log *log, int64_t id, cj_run **out, cj_error *err)
{
    static const struct {
        const char *sql;
        cj_status (*take)(cj_log *, sqlite3_stmt *, cj_run *, cj_error *);
    } parts[] = {
        {"SELECT" CJ__HEAD_COLUMNS CJ__HEAD_TABLES " WHERE r.id = ?", take_head},
        {"SELECT f.sha256, f.bytes, f.packed, x.bytes, x.packed, i.name, i.bytes, i.packed"
         " FROM runs r JOIN board_files f ON f.id = r.board_file JOIN findings x ON x.run = r.id"
         " LEFT JOIN instruments i ON i.id = r.instruments WHERE r.id = ?",
         take_texts},
        {"SELECT f.step, f.key, f.unit, f.hz, x.value, x.u, b.above, b.bound"
         " FROM run_figures x JOIN figures f ON f.id = x.figure"
         " LEFT JOIN run_bounds b ON b.run = x.run AND b.figure = x.figure WHERE x.run = ?"
         " ORDER BY x.figure",
         take_figure},
        {"SELECT f.step, f.key, x.value, x.u, l.low, l.high, l.derived, x.verdict, x.margin, "
         "x.why, f.hz, n.above, n.bound"
         " FROM runs r JOIN units u ON u.id = r.unit JOIN figures f ON f.board = u.board"
         " JOIN run_limits x ON x.figure = f.id AND x.run = r.id JOIN limits l ON l.id = x.lim"
         " LEFT JOIN run_bounds n ON n.run = x.run AND n.figure = x.figure"
         " WHERE r.id = ? ORDER BY x.lim",
         take_limit},
        {"SELECT f.fault, x.rank, x.probability FROM run_faults x JOIN faults f ON f.id = x.fault"
         " WHERE x.run = ? ORDER BY x.place",
         take_fault},
        {"SELECT c.step, c.path, c.sha256, c.bytes, k.sha256 IS NOT NULL FROM captures c"
         " LEFT JOIN kept k ON k.sha256 = c.sha256 WHERE c.run = ? ORDER BY c.place",
         take_capture},
    };
    cj_run *run = cj_new(1, sizeof *run);
    cj_status status = run != NULL ? CJ_OK : cj_fail_memory(err);
    for (size_t i = 0; status == CJ_OK && i < sizeof parts / sizeof parts[0]; i++)
        status = each_row(log, run, id, parts[i].sql, parts[i].take, err);
    if (status == CJ_OK && run->findings == NULL) /* a run without its findings is half a run */
        status = cj__log_fail(log, SQLITE_CORRUPT, err);
    if (status == CJ_OK)
        *out = run;
    else
        cj_run_free(run);
    return status;
}

cj_status cj_log_run(cj_log *log, const char *uuid, cj_run **out, cj_error *err)
{
    int64_t id = -1;
    cj_status status = cj__sql_begin_reading(log, err);
    if (status != CJ_OK)
        return status;
    status = cj__find(log, true, uuid, &id, err);
    if (status == CJ_OK && id == -1)
        status = cj_fail(err, CJ_USAGE, log->path, 0, 0, "no run '%.40s' is logged", uuid);
    else if (status == CJ_OK && id == -2)
        status = cj_fail(err, CJ_USAGE, log->path, 0, 0,
                         "several runs begin with '%.40s': give more of it", uuid);
    if (status == CJ_OK)
        status = cj__run_whole(log, id, out, err);
    return cj__sql_end(log, status, err);
}

/* ---- kept captures ---- */

cj_status cj_log_kept(cj_log *log, const char *sha256, unsigned char **bytes, size_t *count,
                      cj_error *err)
{
    unsigned char digest[CJ__SHA_BYTES], again[CJ__SHA_BYTES];
    sqlite3_stmt *statement = NULL;
    char *text = NULL;
    bool row = false;
    if (!cj__unhex(sha256, digest, CJ__SHA_BYTES))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "'%.70s' is no SHA-256", sha256);
    cj_status status =
        cj__sql_ask(log, &statement, err, "SELECT bytes, packed FROM kept WHERE sha256 = ?", "b",
                    digest, CJ__SHA_BYTES);
    if (status == CJ_OK)
        status = cj__sql_next(log, statement, &row, err);
    if (status == CJ_OK && !row)
        status = cj_fail(err, CJ_NOINPUT, log->path, 0, 0, "that capture is not kept in the log");
    if (status != CJ_OK)
        return status;
    size_t size = (size_t)sqlite3_column_int64(statement, 0);
    status = unpack_column(log, statement, 0, &text, err);
    cj__sql_done(statement);
    if (status != CJ_OK)
        return status;
    cj__sha256(text, size, again);
    if (memcmp(digest, again, sizeof digest) != 0) {
        cj_free(text);
        return cj__log_fail(log, SQLITE_CORRUPT, err);
    }
    *bytes = (unsigned char *)text;
    *count = size;
    return CJ_OK;
}
