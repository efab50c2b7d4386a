/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests.h"

#include <dirent.h>
#include <sqlite3.h>
#include <unistd.h>

/* What a process wrote is there for the next one, synced or not: the tests, which lose no power, do
 * not wait for the disk. SQLite comes here for its syncs. */
int fdatasync(int file)
{
    (void)file;
    return 0;
}

int fsync(int file)
{
    (void)file;
    return 0;
}

const made_size small = {.steps = 2, .figures = 12};
static char folder[64];

int folder_begin(void **state)
{
    (void)state;
    snprintf(folder, sizeof folder, "unitlog-XXXXXX");
    return mkdtemp(folder) == NULL;
}

int folder_end(void **state)
{
    (void)state;
    DIR *all = opendir(folder);
    for (struct dirent *one; all != NULL && (one = readdir(all)) != NULL;)
        if (one->d_name[0] != '.')
            unlinkat(dirfd(all), one->d_name, 0);
    if (all != NULL)
        closedir(all);
    return rmdir(folder);
}

const char *path_of(const char *name)
{
    static char paths[8][320];
    static int next;
    char *path = paths[next++ % 8];
    snprintf(path, sizeof paths[0], "%s/%s", folder, name);
    return path;
}

void write_bytes(const char *path, const void *bytes, size_t count)
{
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, count, file), count);
    assert_int_equal(fclose(file), 0);
}

cj_log *open_log(const char *name, cj_log_mode mode)
{
    cj_log *log = NULL;
    cj_error err = {0};
    if (cj_log_open(path_of(name), mode, &log, &err) != CJ_OK)
        fail_msg("%s: %s", name, err.message);
    return log;
}

const char *add_made(cj_log *log, int number)
{
    static char uuids[8][CJ_UUID_TEXT];
    static int next;
    char *uuid = uuids[next++ % 8];
    cj_error err = {0};
    cj_run *run = made_run(number, &small);
    if (cj_log_add(log, run, &err) != CJ_OK)
        fail_msg("run %d: %s", number, err.message);
    memcpy(uuid, run->head.uuid, CJ_UUID_TEXT);
    cj_run_free(run);
    return uuid;
}

long number_in(const char *path, const char *sql)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *statement = NULL;
    assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_prepare_v2(db, sql, -1, &statement, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_step(statement), SQLITE_ROW);
    long number = (long)sqlite3_column_int64(statement, 0);
    sqlite3_finalize(statement);
    sqlite3_close(db);
    return number;
}

void check_whole(const char *path)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *statement = NULL;
    assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_prepare_v2(db, "PRAGMA integrity_check", -1, &statement, NULL),
                     SQLITE_OK);
    assert_int_equal(sqlite3_step(statement), SQLITE_ROW);
    assert_string_equal((const char *)sqlite3_column_text(statement, 0), "ok");
    sqlite3_finalize(statement);
    assert_int_equal(sqlite3_prepare_v2(db, "PRAGMA foreign_key_check", -1, &statement, NULL),
                     SQLITE_OK);
    assert_int_equal(sqlite3_step(statement), SQLITE_DONE);
    sqlite3_finalize(statement);
    sqlite3_close(db);
}

int main(void)
{
    return run_log_tests() + run_file_tests() + run_full_disk_tests() + run_memory_tests();
}
