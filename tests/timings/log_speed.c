/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * log-speed [UNITS [FILE]]: a log of invented units of 12 steps and 300 figures each, 30 of them
 * with limits: what an add, a list and the values for statistics take, and how large a run is;
 * beside the same rows in plain SQLite, one table with its names written out. Ends with the bounds
 * it has to keep.
 */
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#include "../unitlog/made.h"

static const made_size size = {.steps = 12, .figures = 25};
enum { TIMED = 400 };

static double clock_s(clockid_t which)
{
    struct timespec now;
    clock_gettime(which, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static double now_s(void)
{
    return clock_s(CLOCK_MONOTONIC);
}

/* By the clock, and of the processor, which is what is left where others keep the machine busy. */
struct took {
    double clock, processor;
};

static struct took begin(void)
{
    return (struct took){now_s(), clock_s(CLOCK_PROCESS_CPUTIME_ID)};
}

static struct took since(struct took start)
{
    struct took now = begin();
    return (struct took){now.clock - start.clock, now.processor - start.processor};
}

static void must(cj_status status, const cj_error *err)
{
    if (status != CJ_OK) {
        fprintf(stderr, "%s: %s\n", err->file, err->message);
        exit(1);
    }
}

static void must_sql(sqlite3 *db, int code)
{
    if (code != SQLITE_OK && code != SQLITE_DONE) {
        fprintf(stderr, "%s\n", sqlite3_errmsg(db));
        exit(1);
    }
}

static double megabytes(const char *path)
{
    struct stat about;
    return stat(path, &about) == 0 ? (double)about.st_size / 1e6 : 0;
}

static int by_value(const void *a, const void *b)
{
    double one = *(const double *)a, other = *(const double *)b;
    return (one > other) - (one < other);
}

/* The syncs that SQLite asks for come here, not to the C library: their time is the disk's own. */
static double synced_s;
static int syncs;

int fdatasync(int file)
{
    double start = now_s();
    int result = (int)syscall(SYS_fdatasync, file);
    synced_s += now_s() - start;
    syncs++;
    return result;
}

/* Units before the timed ones: in the file's own state of that size. */
static void fill(const char *path, int units)
{
    cj_error err = {0};
    cj_log *log = NULL;
    must(cj_log_open(path, CJ_LOG_CREATE, &log, &err), &err);
    for (int i = 0; i < units; i++) {
        cj_run *run = made_run(i, &size);
        must(cj_log_add(log, run, &err), &err);
        cj_run_free(run);
        if (i % 10000 == 9999)
            fprintf(stderr, "%d units\n", i + 1);
    }
    cj_log_close(log);
}

/* Each add opens and closes the log, as the program does. What it takes besides the disk's syncs:
 * of a hundred the slowest but one; *synced takes the syncs of an add, in seconds. */
static double timed_adds(const char *path, int units, double *median, double *synced)
{
    static double took[TIMED];
    cj_error err = {0};
    synced_s = 0;
    syncs = 0;
    for (int i = 0; i < TIMED; i++) {
        cj_log *log = NULL;
        cj_run *run = made_run(units + i, &size);
        double start = now_s(), before = synced_s;
        must(cj_log_open(path, CJ_LOG_CREATE, &log, &err), &err);
        must(cj_log_add(log, run, &err), &err);
        cj_log_close(log);
        took[i] = now_s() - start - (synced_s - before);
        cj_run_free(run);
    }
    qsort(took, TIMED, sizeof *took, by_value);
    *median = took[TIMED / 2];
    *synced = synced_s / TIMED;
    return took[TIMED * 99 / 100];
}

static struct took timed_list(const char *path, size_t *found)
{
    const cj_log_filter fails = {.by_verdict = true, .verdict = CJ_FAIL};
    cj_error err = {0};
    cj_log *log = NULL;
    cj_run_head *heads = NULL;
    struct took start = begin();
    must(cj_log_open(path, CJ_LOG_READ, &log, &err), &err);
    must(cj_log_list(log, &fails, &heads, found, &err), &err);
    cj_log_close(log);
    struct took took = since(start);
    cj_run_heads_free(heads, *found);
    return took;
}

static struct took timed_batch(const char *path, size_t *values)
{
    const cj_batch_choice choice = {.board = "made"};
    cj_error err = {0};
    cj_log *log = NULL;
    cj_batch_log *batch = NULL;
    struct took start = begin();
    must(cj_log_open(path, CJ_LOG_READ, &log, &err), &err);
    must(cj_log_batch(log, &choice, &batch, &err), &err);
    cj_log_close(log);
    struct took took = since(start);
    *values = batch->run_count * batch->figure_count;
    cj_batch_log_free(batch);
    return took;
}

/* One table, its names in every row; as many units in a transaction as ours. */
static double plain_sqlite(const char *path, int units)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *add = NULL;
    must_sql(db, sqlite3_open(path, &db));
    must_sql(db, sqlite3_exec(db,
                              "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;"
                              "CREATE TABLE figures (unit TEXT, step TEXT, figure TEXT, value REAL,"
                              " u REAL, unit_of TEXT)",
                              NULL, NULL, NULL));
    must_sql(db, sqlite3_prepare_v2(db, "INSERT INTO figures VALUES (?, ?, ?, ?, ?, ?)", -1, &add,
                                    NULL));
    double start = now_s();
    for (int i = 0; i < units; i++) {
        cj_run *run = made_run(i, &size);
        must_sql(db, sqlite3_exec(db, "BEGIN IMMEDIATE", NULL, NULL, NULL));
        for (size_t k = 0; k < run->figure_count; k++) {
            const cj_logged_figure *figure = &run->figures[k];
            sqlite3_bind_text(add, 1, run->head.unit, -1, SQLITE_STATIC);
            sqlite3_bind_text(add, 2, figure->step, -1, SQLITE_STATIC);
            sqlite3_bind_text(add, 3, figure->key, -1, SQLITE_STATIC);
            sqlite3_bind_double(add, 4, figure->value);
            sqlite3_bind_double(add, 5, figure->u);
            sqlite3_bind_text(add, 6, figure->unit, -1, SQLITE_STATIC);
            must_sql(db, sqlite3_step(add));
            sqlite3_reset(add);
        }
        must_sql(db, sqlite3_exec(db, "COMMIT", NULL, NULL, NULL));
        cj_run_free(run);
    }
    double took = now_s() - start;
    sqlite3_finalize(add);
    sqlite3_close(db);
    return took / units;
}

static double ours_in_one_go(const char *path, int units)
{
    double start = now_s();
    fill(path, units);
    return (now_s() - start) / units;
}

static void beside_plain(const char *path)
{
    enum { UNITS = 1000 };
    char name[2][512];
    for (int i = 0; i < 2; i++) {
        snprintf(name[i], sizeof name[i], "%s.%s", path, i == 0 ? "ours" : "plain");
        unlink(name[i]);
    }
    double ours = ours_in_one_go(name[0], UNITS), plain = plain_sqlite(name[1], UNITS);
    printf("beside plain SQLite, %d runs: ours %.2f ms and %.2f kB a run, one plain table %.2f ms "
           "and %.2f kB\n",
           UNITS, 1e3 * ours, 1e3 * megabytes(name[0]) / UNITS, 1e3 * plain,
           1e3 * megabytes(name[1]) / UNITS);
    unlink(name[0]);
    unlink(name[1]);
}

int main(int count, char **arguments)
{
    int units = count > 1 ? atoi(arguments[1]) : 2000;
    const char *path = count > 2 ? arguments[2] : "log-speed.db";
    double start = now_s(), median = 0, synced = 0;
    size_t fails = 0, values = 0;
    unlink(path);
    fill(path, units);
    printf("%d units of %d figures: %.2f ms a run, %.0f MB, %.2f kB a run\n", units,
           size.steps * size.figures, 1e3 * (now_s() - start) / units, megabytes(path),
           1e3 * megabytes(path) / units);
    double worst = timed_adds(path, units, &median, &synced);
    struct took list = timed_list(path, &fails), batch = timed_batch(path, &values);
    printf("add, with opening and closing, besides the syncs: median %.2f ms, 99 of 100 within "
           "%.2f ms; %d syncs an add, %.2f ms\n",
           1e3 * median, 1e3 * worst, syncs / TIMED, 1e3 * synced);
    printf("list of the %zu that fail: %.0f ms, of the processor %.0f ms\n", fails,
           1e3 * list.clock, 1e3 * list.processor);
    printf("values for statistics, %zu of them: %.0f ms, of the processor %.0f ms\n", values,
           1e3 * batch.clock, 1e3 * batch.processor);
    beside_plain(path);
    unlink(path);
    bool kept =
        median < 0.030 && list.processor < 1 && batch.processor < 3 && fails > 0 && syncs > 0;
    printf(
        "bounds (add: median 30 ms besides the syncs; of the processor list 1 s, values 3 s): %s\n",
        kept ? "kept" : "NOT KEPT");
    return kept ? 0 : 1;
}
