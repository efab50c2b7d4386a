/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Files that are no log, or one of another version, or damaged, or held by somebody else. */
#include "tests.h"

#include <sqlite3.h>
#include <sys/stat.h>
#include <unistd.h>

static void run_sql(const char *path, const char *sql)
{
    sqlite3 *db = NULL;
    char *message = NULL;
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    if (sqlite3_exec(db, sql, NULL, NULL, &message) != SQLITE_OK)
        fail_msg("%s", message);
    sqlite3_close(db);
}

static char *load(const char *path)
{
    FILE *file = fopen(path, "rb");
    size_t room = 1 << 16;
    char *text = calloc(room, 1);
    assert_non_null(file);
    assert_non_null(text);
    size_t got = fread(text, 1, room - 1, file);
    assert_true(got > 0 && got < room - 1);
    fclose(file);
    return text;
}

static void version_1(const char *path)
{
    char *sql = load(VERSION_1);
    unlink(path);
    run_sql(path, sql);
    free(sql);
}

/* What version 1 held, read by this program. */
static void check_version_1(cj_log *log)
{
    const cj_log_filter everything = {.voided = true};
    cj_run_head *heads = NULL;
    cj_run *run = NULL;
    cj_repair *repairs = NULL;
    size_t count = 0;
    assert_int_equal(cj_log_list(log, &everything, &heads, &count, NULL), CJ_OK);
    assert_int_equal(count, 3);
    assert_true(heads[0].voided);
    /* the worst limit of each run, from its values: (-0.3 + 9.5) / (2 * 0.05) outside */
    check_close("margin", heads[2].margin, -92, 1e-9);
    assert_string_equal(heads[2].worst_figure, "gain_db");
    assert_string_equal(heads[2].fault, "open-pin:U1:7");
    check_close("margin", heads[1].margin, 2, 1e-9);
    assert_int_equal(heads[1].verdict, CJ_PASS);
    assert_int_equal(cj_log_run(log, heads[2].uuid, &run, NULL), CJ_OK);
    assert_int_equal(run->limit_count, 3);
    check_close("margin of a limit with one side", run->limits[1].margin, 4, 1e-9);
    assert_true(run->limits[1].derived && isnan(run->limits[1].min));
    assert_int_equal(run->figures[2].bound_kind, CJ_BELOW);
    check_holds("findings", run->findings, "makes no contact");
    assert_string_equal(run->board_text, "board: made\n");
    assert_int_equal(run->capture_count, 1);
    assert_false(run->captures[0].kept);
    cj_run_free(run);
    assert_int_equal(cj_log_repairs(log, NULL, NULL, &repairs, &count, NULL), CJ_OK);
    assert_int_equal(count, 1);
    assert_string_equal(repairs[0].retest, heads[1].uuid);
    cj_repairs_free(repairs, count);
    cj_run_heads_free(heads, 3);
}

static void version_1_is_read_without_a_change(void **state)
{
    (void)state;
    const char *path = path_of("old.db");
    version_1(path);
    cj_log *log = open_log("old.db", CJ_LOG_READ);
    check_version_1(log);
    cj_log_close(log);
    assert_int_equal(number_in(path, "PRAGMA user_version"), 1);
}

static void version_1_is_raised_to_be_written(void **state)
{
    (void)state;
    const char *path = path_of("old.db");
    version_1(path);
    cj_log *log = open_log("old.db", CJ_LOG_WRITE);
    check_version_1(log);
    add_made(log, 1);
    cj_log_close(log);
    assert_int_equal(number_in(path, "PRAGMA user_version"), CJ_LOG_VERSION);
    assert_int_equal(number_in(path, "SELECT count(*) FROM runs"), 4);
    check_whole(path);
    log = open_log("old.db", CJ_LOG_READ);
    cj_log_close(log);
    /* a raised log has the tables of a new one */
    log = open_log("new.db", CJ_LOG_CREATE);
    cj_log_close(log);
    static const char tables[] = "SELECT sum(length(sql)) FROM sqlite_schema WHERE sql IS NOT NULL";
    assert_true(number_in(path_of("new.db"), tables) > 0);
    static const char count[] = "SELECT count(*) FROM sqlite_schema";
    assert_int_equal(number_in(path, count), number_in(path_of("new.db"), count));
}

static void version_1_is_merged(void **state)
{
    (void)state;
    version_1(path_of("bench.db"));
    cj_log *log = open_log("merged.db", CJ_LOG_CREATE), *other = open_log("bench.db", CJ_LOG_READ);
    cj_merged merged;
    assert_int_equal(cj_log_merge(log, other, &merged, NULL), CJ_OK);
    assert_int_equal(merged.runs, 3);
    check_version_1(log);
    cj_log_close(other);
    cj_log_close(log);
}

static void make_none(const char *path)
{
    (void)path;
}

static void make_empty(const char *path)
{
    write_bytes(path, "", 0);
}

static void make_noise(const char *path)
{
    char noise[8192];
    for (size_t i = 0; i < sizeof noise; i++)
        noise[i] = (char)(i * i * 31 + i / 7);
    write_bytes(path, noise, sizeof noise);
}

static void make_foreign(const char *path)
{
    run_sql(path, "CREATE TABLE songs (title TEXT)");
}

static void make_newer(const char *path)
{
    run_sql(path,
            "CREATE TABLE t (x); PRAGMA application_id = 1667918951; PRAGMA user_version = 99");
}

static void make_marked_empty(const char *path)
{
    run_sql(path, "CREATE TABLE t (x); PRAGMA application_id = 1667918951");
}

static void make_folder(const char *path)
{
    assert_int_equal(mkdir(path, 0700), 0);
}

static void what_is_no_log_is_refused(void **state)
{
    (void)state;
    assert_int_equal(0x636a6c67, 1667918951);
    const struct {
        const char *label;
        void (*make)(const char *path);
        cj_log_mode mode;
        cj_status status;
        const char *says;
    } cases[] = {
        {"none, to read", make_none, CJ_LOG_READ, CJ_NOINPUT, "no unit log here"},
        {"none, to write", make_none, CJ_LOG_WRITE, CJ_NOINPUT, "no unit log here"},
        {"empty, to read", make_empty, CJ_LOG_READ, CJ_DATA, "is empty"},
        {"noise", make_noise, CJ_LOG_CREATE, CJ_DATA, "not a database"},
        {"noise, to read", make_noise, CJ_LOG_READ, CJ_DATA, "not a database"},
        {"foreign", make_foreign, CJ_LOG_CREATE, CJ_DATA, "of another program"},
        {"newer", make_newer, CJ_LOG_READ, CJ_DATA, "newer coldjoint"},
        {"newer, to write", make_newer, CJ_LOG_CREATE, CJ_DATA, "newer coldjoint"},
        {"ours without tables", make_marked_empty, CJ_LOG_READ, CJ_DATA, "damaged"},
        {"a folder", make_folder, CJ_LOG_CREATE, CJ_DATA, "no file"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const char *path = path_of("refused.db");
        cj_log *log = NULL;
        cj_error err = {0};
        struct stat before = {0}, after = {0};
        cases[i].make(path);
        stat(path, &before);
        cj_status status = cj_log_open(path, cases[i].mode, &log, &err);
        if (status != cases[i].status || log != NULL)
            fail_msg("%s: status %d, not %d (%s)", cases[i].label, status, cases[i].status,
                     err.message);
        check_holds(cases[i].label, err.message, cases[i].says);
        stat(path, &after);
        assert_int_equal(before.st_size, after.st_size);
        if (unlink(path) != 0)
            rmdir(path);
    }
    cj_log *log = NULL;
    cj_error err = {0};
    assert_int_equal(cj_log_open("no/such/folder/log.db", CJ_LOG_CREATE, &log, &err), CJ_CANTCREAT);
    assert_int_equal(cj_log_open("", CJ_LOG_CREATE, &log, &err), CJ_USAGE);
}

static void names_that_mean_something_to_sqlite_are_files(void **state)
{
    (void)state;
    static const char *const names[] = {":memory:", "file:x?mode=memory", "a%20b?c#d.db", " "};
    char folder[4096];
    assert_non_null(getcwd(folder, sizeof folder));
    assert_int_equal(chdir(path_of("")), 0);
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        cj_log *log = NULL;
        assert_int_equal(cj_log_open(names[i], CJ_LOG_CREATE, &log, NULL), CJ_OK);
        add_made(log, 1);
        cj_log_close(log);
        if (access(names[i], F_OK) != 0)
            fail_msg("'%s' is no file", names[i]);
    }
    assert_int_equal(chdir(folder), 0);
}

/* A page in the middle overwritten: an error, never a crash, never a wrong answer taken for a right
 * one. */
static void a_damaged_page_is_said(void **state)
{
    (void)state;
    cj_log *log = open_log("hurt.db", CJ_LOG_CREATE);
    for (int i = 0; i < 20; i++)
        add_made(log, i);
    cj_log_close(log);
    const char *path = path_of("hurt.db");
    struct stat about;
    assert_int_equal(stat(path, &about), 0);
    long pages = (long)about.st_size / 4096, refused = 0;
    assert_true(pages > 10);
    for (long page = 1; page < pages; page++) {
        char kept[4096], noise[4096];
        memset(noise, 0xa5, sizeof noise);
        FILE *file = fopen(path, "r+b");
        assert_non_null(file);
        assert_int_equal(fseek(file, page * 4096, SEEK_SET), 0);
        assert_int_equal(fread(kept, 1, sizeof kept, file), sizeof kept);
        assert_int_equal(fseek(file, page * 4096, SEEK_SET), 0);
        assert_int_equal(fwrite(noise, 1, sizeof noise, file), sizeof noise);
        fclose(file);
        cj_run_head *heads = NULL;
        size_t count = 0;
        cj_error err = {0};
        cj_status status = cj_log_open(path, CJ_LOG_READ, &log, &err);
        if (status == CJ_OK) {
            status = cj_log_list(log, NULL, &heads, &count, &err);
            for (size_t i = 0; status == CJ_OK && i < count; i++) {
                cj_run *run = NULL;
                status = cj_log_run(log, heads[i].uuid, &run, &err);
                cj_run_free(run);
            }
            cj_run_heads_free(heads, count);
            cj_log_close(log);
        }
        if (status != CJ_OK) {
            assert_int_equal(status, CJ_DATA);
            check_holds("damage", err.message, "damaged");
            refused++;
        }
        file = fopen(path, "r+b");
        assert_non_null(file);
        assert_int_equal(fseek(file, page * 4096, SEEK_SET), 0);
        assert_int_equal(fwrite(kept, 1, sizeof kept, file), sizeof kept);
        fclose(file);
    }
    assert_true(refused > pages / 2);
    check_whole(path);
}

static void a_held_log_is_busy_in_the_end(void **state)
{
    (void)state;
    cj_log *log = open_log("held.db", CJ_LOG_CREATE);
    sqlite3 *holder = NULL;
    cj_run *run = made_run(1, &small);
    cj_error err = {0};
    cj_log_patience(log, 100);
    assert_int_equal(sqlite3_open(path_of("held.db"), &holder), SQLITE_OK);
    assert_int_equal(sqlite3_exec(holder, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
    assert_int_equal(cj_log_add(log, run, &err), CJ_BUSY);
    check_holds("busy", err.message, "try again");
    assert_string_equal(run->head.uuid, "");
    /* reading goes on meanwhile */
    size_t count = 1;
    cj_run_head *heads = NULL;
    assert_int_equal(cj_log_list(log, NULL, &heads, &count, NULL), CJ_OK);
    assert_int_equal(count, 0);
    cj_run_heads_free(heads, count);
    assert_int_equal(sqlite3_exec(holder, "ROLLBACK", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(holder);
    assert_int_equal(cj_log_add(log, run, &err), CJ_OK);
    cj_run_free(run);
    cj_log_close(log);
}

int run_file_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(version_1_is_read_without_a_change),
        cmocka_unit_test(version_1_is_raised_to_be_written),
        cmocka_unit_test(version_1_is_merged),
        cmocka_unit_test(what_is_no_log_is_refused),
        cmocka_unit_test(names_that_mean_something_to_sqlite_are_files),
        cmocka_unit_test(a_damaged_page_is_said),
        cmocka_unit_test(a_held_log_is_busy_in_the_end),
    };
    return cmocka_run_group_tests_name("files", tests, folder_begin, folder_end);
}
