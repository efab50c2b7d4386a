/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Opening a log: new, of an older or a newer version, somebody else's file, on a medium that cannot
 * be written. */
#include "unitlog/internal.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

enum { PATIENCE_MS = 20000, LONGEST_WAIT_MS = 16 };

/* Waits a moment of changing length, so that no writer is always the one that comes too late. */
static int wait_for_others(void *user, int tries)
{
    cj_log *log = user;
    struct timespec now;
    if (log->waited_ms >= log->patience_ms)
        return 0;
    clock_gettime(CLOCK_MONOTONIC, &now);
    int most = tries < LONGEST_WAIT_MS ? tries + 1 : LONGEST_WAIT_MS;
    int wait = 1 + (int)((now.tv_nsec / 1000 + getpid()) % most);
    struct timespec pause = {.tv_nsec = wait * 1000000L};
    nanosleep(&pause, NULL);
    log->waited_ms += wait;
    return 1;
}

static cj_status set_up(cj_log *log, cj_error *err)
{
    sqlite3_busy_handler(log->db, wait_for_others, log);
    sqlite3_extended_result_codes(log->db, 1);
    sqlite3_db_config(log->db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
    sqlite3_db_config(log->db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
    /* FULL: what was reported as recorded is on the disk, power failure or not */
    return cj__sql_all(log,
                       "PRAGMA foreign_keys = ON; PRAGMA synchronous = FULL;"
                       "PRAGMA cell_size_check = ON",
                       err);
}

static cj_status open_db(cj_log *log, const char *name, int flags, cj_error *err)
{
    int code = sqlite3_open_v2(name, &log->db, flags | SQLITE_OPEN_NOMUTEX, NULL);
    if (code != SQLITE_OK)
        return cj__log_fail(log, log->db != NULL ? sqlite3_extended_errcode(log->db) : code, err);
    return set_up(log, err);
}

static void close_db(cj_log *log)
{
    for (int i = 0; i < log->query_count; i++)
        sqlite3_finalize(log->queries[i].statement);
    log->query_count = 0;
    sqlite3_close(log->db);
    log->db = NULL;
}

/* ---- whose file is it, and of which version ---- */

struct marks {
    int64_t application, version, tables;
};

/* Within a transaction: otherwise another program may make the log between two of these, and half of
 * the answer is from before. */
static cj_status read_marks(cj_log *log, struct marks *out, cj_error *err)
{
    cj_status status = cj__sql_number(log, &out->application, err, "PRAGMA application_id", "");
    if (status == CJ_OK)
        status = cj__sql_number(log, &out->version, err, "PRAGMA user_version", "");
    if (status == CJ_OK)
        status = cj__sql_number(log, &out->tables, err, "SELECT count(*) FROM sqlite_schema", "");
    return status;
}

static bool is_empty(const struct marks *marks)
{
    return marks->application == 0 && marks->version == 0 && marks->tables == 0;
}

static cj_status check_marks(const cj_log *log, const struct marks *marks, cj_error *err)
{
    if (is_empty(marks))
        return CJ_OK;
    if (marks->application != CJ__APPLICATION)
        return cj_fail(err, CJ_DATA, log->path, 0, 0, "no unit log: a database of another program");
    if (marks->version > CJ_LOG_VERSION)
        return cj_fail(
            err, CJ_DATA, log->path, 0, 0,
            "was written by a newer coldjoint (version %d of the log, this program knows "
            "%d); use that one",
            (int)marks->version, CJ_LOG_VERSION);
    if (marks->version < 1)
        return cj__log_fail(log, SQLITE_CORRUPT, err);
    return CJ_OK;
}

/* SQLite does not wait here: two that look at a new file and both want it for themselves would wait
 * for each other forever. One gives way, so this has to be tried again. */
static cj_status journal_ahead(cj_log *log, cj_error *err)
{
    for (int tries = 0;; tries++) {
        cj_status status = cj__sql_all(log, "PRAGMA journal_mode = WAL", err);
        if (status == CJ_OK || (sqlite3_errcode(log->db) & 0xff) != SQLITE_BUSY ||
            !wait_for_others(log, tries))
            return status;
    }
}

/* Somebody else may have made or raised it in the meantime: looked at again within. */
static cj_status raise_file(cj_log *log, cj_error *err)
{
    struct marks marks;
    cj_status status = journal_ahead(log, err);
    if (status == CJ_OK)
        status = cj__sql_begin(log, err);
    if (status != CJ_OK)
        return status;
    status = read_marks(log, &marks, err);
    if (status == CJ_OK)
        status = check_marks(log, &marks, err);
    if (status == CJ_OK && marks.version < CJ_LOG_VERSION)
        status = cj__schema_raise(log, (int)marks.version, err);
    return cj__sql_end(log, status, err);
}

/* An older log that is only read: a copy of it, in a temporary file that has no name, is raised. */
static cj_status raise_copy(cj_log *log, cj_error *err)
{
    cj_log copy = {.path = log->path, .patience_ms = log->patience_ms};
    cj_status status = open_db(&copy, "", SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, err);
    if (status == CJ_OK) {
        sqlite3_backup *backup = sqlite3_backup_init(copy.db, "main", log->db, "main");
        int code = backup != NULL ? sqlite3_backup_step(backup, -1) : SQLITE_NOMEM;
        if (backup != NULL)
            sqlite3_backup_finish(backup);
        if (code != SQLITE_DONE)
            status = cj__log_fail(log, code, err);
    }
    if (status == CJ_OK)
        status = raise_file(&copy, err);
    if (status != CJ_OK) {
        close_db(&copy);
        return status;
    }
    close_db(log);
    log->db = copy.db;
    memcpy(log->queries, copy.queries, sizeof copy.queries);
    log->query_count = copy.query_count;
    sqlite3_busy_handler(log->db, wait_for_others, log);
    return CJ_OK;
}

static cj_status check_version(cj_log *log, cj_log_mode mode, cj_error *err)
{
    struct marks marks = {0};
    cj_status status = cj__sql_begin_reading(log, err);
    if (status == CJ_OK)
        status = cj__sql_end(log, read_marks(log, &marks, err), err);
    if (status == CJ_OK)
        status = check_marks(log, &marks, err);
    if (status != CJ_OK)
        return status;
    if (is_empty(&marks) && mode != CJ_LOG_CREATE)
        return cj_fail(err, CJ_DATA, log->path, 0, 0, "is empty, no unit log");
    if (marks.version == CJ_LOG_VERSION)
        return CJ_OK;
    return mode == CJ_LOG_READ ? raise_copy(log, err) : raise_file(log, err);
}

/* ---- files ---- */

static cj_status check_path(const char *path, cj_log_mode mode, cj_error *err)
{
    struct stat about;
    if (path[0] == '\0')
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "the name of the log is empty");
    if (stat(path, &about) == 0)
        return S_ISREG(about.st_mode)
                   ? CJ_OK
                   : cj_fail(err, CJ_DATA, path, 0, 0, "no file; expected the unit log's own");
    if (errno != ENOENT && errno != ENOTDIR)
        return cj_fail(err, CJ_NOINPUT, path, 0, 0, "cannot be opened: %s", strerror(errno));
    if (mode == CJ_LOG_CREATE)
        return CJ_OK;
    return cj_fail(err, CJ_NOINPUT, path, 0, 0, "no unit log here; 'coldjoint log add' begins one");
}

/* A path SQLite cannot take for one of its special names. */
static cj_status name_of(const char *path, bool as_is, cj_text *out)
{
    if (!as_is) {
        cj_text_add(out, "%s%s", path[0] == '/' ? "" : "./", path);
        return out->failed ? CJ_NOMEM : CJ_OK;
    }
    cj_text_add(out, "file:");
    for (const char *at = path; *at != '\0'; at++)
        cj_text_add(out, strchr("%?#", *at) != NULL ? "%%%02X" : "%c", (unsigned char)*at);
    cj_text_add(out, "?immutable=1");
    return out->failed ? CJ_NOMEM : CJ_OK;
}

/* What another program wrote and did not put into the file itself yet. */
static bool has_journal(const char *path)
{
    cj_text name = {0};
    struct stat about;
    cj_text_add(&name, "%s-wal", path);
    bool there = !name.failed && stat(name.bytes, &about) == 0 && about.st_size > 0;
    cj_text_free(&name);
    return there;
}

static cj_status open_named(cj_log *log, bool as_is, cj_log_mode mode, cj_error *err)
{
    cj_text name = {0};
    int flags = as_is                   ? SQLITE_OPEN_READONLY | SQLITE_OPEN_URI
                : mode == CJ_LOG_CREATE ? SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE
                                        : SQLITE_OPEN_READWRITE;
    cj_status status = name_of(log->path, as_is, &name);
    status = status == CJ_OK ? open_db(log, name.bytes, flags, err) : cj_fail_memory(err);
    cj_text_free(&name);
    if (status == CJ_OK)
        status = check_version(log, mode, err);
    if (status == CJ_OK && mode == CJ_LOG_READ)
        status = cj__sql_all(log, "PRAGMA query_only = ON", err);
    else if (status == CJ_OK && sqlite3_db_readonly(log->db, "main") == 1)
        status = cj__log_fail(log, SQLITE_READONLY, err);
    return status;
}

/* Beside the file of a log that is being used stand two others: where they can neither be made nor
 * are there, the file is read as it is. */
static bool read_as_is(const cj_log *log, cj_log_mode mode, cj_status status)
{
    return mode == CJ_LOG_READ && status == CJ_CANTCREAT && access(log->path, R_OK) == 0 &&
           !has_journal(log->path);
}

cj_status cj_log_open(const char *path, cj_log_mode mode, cj_log **out, cj_error *err)
{
    cj_status status = check_path(path, mode, err);
    if (status != CJ_OK)
        return status;
    cj_log *log = cj_new(1, sizeof *log);
    if (log == NULL || (log->path = cj_copy_text(path)) == NULL) {
        cj_free(log);
        return cj_fail_memory(err);
    }
    log->patience_ms = PATIENCE_MS;
    status = open_named(log, false, mode, err);
    if (read_as_is(log, mode, status)) {
        close_db(log);
        status = open_named(log, true, mode, err);
    }
    if (status != CJ_OK) {
        cj_log_close(log);
        return status;
    }
    *out = log;
    return CJ_OK;
}

void cj_log_close(cj_log *log)
{
    if (log == NULL)
        return;
    close_db(log);
    cj_free(log->path);
    cj_free(log);
}

void cj_log_patience(cj_log *log, int milliseconds)
{
    log->patience_ms = milliseconds;
}
