/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The disk runs full at the first write of an add, at its second, and so on until an add goes
 * through. */
#include "tests.h"

#include <errno.h>
#include <sqlite3.h>
#include <unistd.h>

static struct {
    long writes, last; /* last: so many go through; < 0: all */
} disk = {.last = -1};

static ssize_t write_or_full(int file, const void *bytes, size_t count, off_t offset)
{
    if (disk.last >= 0 && disk.writes >= disk.last) {
        errno = ENOSPC;
        return -1;
    }
    disk.writes++;
    return pwrite(file, bytes, count, offset);
}

/* SQLite's own door for this: its writes go through a table of system calls. */
static void set_disk(bool ours)
{
    sqlite3_vfs *vfs = sqlite3_vfs_find(NULL);
    assert_non_null(vfs);
    static const char *const names[] = {"pwrite", "pwrite64"};
    for (size_t i = 0; i < 2; i++)
        if (vfs->xGetSystemCall(vfs, names[i]) != NULL)
            assert_int_equal(vfs->xSetSystemCall(vfs, names[i],
                                                 ours ? (sqlite3_syscall_ptr)write_or_full : NULL),
                             SQLITE_OK);
}

/* Opens, adds and closes, as the program does. */
static cj_status add_one(const char *name, int number, cj_error *err)
{
    cj_log *log = NULL;
    cj_run *run = made_run(number, &small);
    cj_status status = cj_log_open(path_of(name), CJ_LOG_CREATE, &log, err);
    if (status == CJ_OK)
        status = cj_log_add(log, run, err);
    cj_log_close(log);
    cj_run_free(run);
    return status;
}

static const char halves[] = "SELECT count(*) FROM runs r WHERE 24 <> (SELECT count(*) FROM"
                             " run_figures f WHERE f.run = r.id)";

/* anew: the log itself is made on the full disk. Returns how many adds were refused. */
static long fill_up(const char *name, bool anew)
{
    long refused = 0, runs = 0;
    cj_error err = {0};
    if (!anew)
        assert_int_equal(add_one(name, (int)runs++, &err), CJ_OK);
    for (long last = 0;; last++) {
        const char *path = path_of(name);
        if (anew) {
            unlink(path);
            runs = 0;
        }
        disk.writes = 0;
        disk.last = last;
        cj_status status = add_one(name, (int)runs, &err);
        bool spare = disk.writes < last;
        disk.last = -1;
        if (status != CJ_OK) {
            assert_int_equal(status, CJ_IO);
            check_holds("full", err.message, "disk is full");
            refused++;
        }
        /* there is room again: nothing is lost, and the next add works */
        runs += status == CJ_OK;
        assert_int_equal(add_one(name, (int)runs++, &err), CJ_OK);
        check_whole(path);
        assert_int_equal(number_in(path, "SELECT count(*) FROM runs"), runs);
        assert_int_equal(number_in(path, halves), 0);
        if (status == CJ_OK && spare)
            return refused;
        assert_true(last < 2000);
    }
}

static void a_full_disk_loses_nothing(void **state)
{
    (void)state;
    set_disk(true);
    long refused = fill_up("full.db", false);
    set_disk(false);
    assert_true(refused > 10);
}

static void a_log_is_not_half_made(void **state)
{
    (void)state;
    set_disk(true);
    long refused = fill_up("new.db", true);
    set_disk(false);
    assert_true(refused > 10);
}

int run_full_disk_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_full_disk_loses_nothing),
        cmocka_unit_test(a_log_is_not_half_made),
    };
    return cmocka_run_group_tests_name("full disk", tests, folder_begin, folder_end);
}
