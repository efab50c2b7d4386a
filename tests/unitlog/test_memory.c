/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Each allocation of the room fails in turn. */
#include "tests.h"

#include <unistd.h>

#include "failing.h"

static cj_run *run;

static cj_status add_and_read(void *user, cj_error *err)
{
    const char *name = user;
    const cj_batch_choice choice = {.board = "made", .all_figures = true};
    cj_log *log = NULL;
    cj_run *back = NULL;
    cj_run_head *heads = NULL;
    cj_batch_log *batch = NULL;
    size_t count = 0;
    unlink(name); /* else each run that came through makes the next one longer */
    run->head.uuid[0] = run->head.at[0] = run->head.after[0] = '\0';
    cj_status status = cj_log_open(name, CJ_LOG_CREATE, &log, err);
    if (status == CJ_OK)
        status = cj_log_add(log, run, err);
    if (status == CJ_OK)
        status = cj_log_list(log, NULL, &heads, &count, err);
    if (status == CJ_OK)
        status = cj_log_run(log, heads[0].uuid, &back, err);
    if (status == CJ_OK)
        status = cj_log_batch(log, &choice, &batch, err);
    cj_batch_log_free(batch);
    cj_run_free(back);
    cj_run_heads_free(heads, count);
    cj_log_close(log);
    return status;
}

static void every_allocation_may_fail(void **state)
{
    (void)state;
    const made_size few = {.steps = 1, .figures = 3};
    char name[320];
    snprintf(name, sizeof name, "%s", path_of("memory.db"));
    run = made_run(7, &few);
    assert_true(failing_each("add and read", add_and_read, name) > 30);
    cj_run_free(run);
    check_whole(name);
}

int run_memory_tests(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(every_allocation_may_fail)};
    return cmocka_run_group_tests_name("memory", tests, folder_begin, folder_end);
}
