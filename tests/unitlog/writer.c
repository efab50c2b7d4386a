/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * writer LOG FIRST COUNT [no-sync]: records COUNT runs of invented units, opening and closing the
 * log for each as the program does, and says the UUID of each once it is recorded. no-sync: without
 * waiting for the disk (what a process wrote outlives it either way).
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <unistd.h>

#include "made.h"

static int syncing = 1;

/* SQLite's syncs come here. */
int fdatasync(int file)
{
    return syncing ? (int)syscall(SYS_fdatasync, file) : 0;
}

int fsync(int file)
{
    return syncing ? (int)syscall(SYS_fsync, file) : 0;
}

int main(int count, char **arguments)
{
    static const made_size size = {.steps = 2, .figures = 12};
    if (count < 4)
        return 64;
    syncing = count < 5 || strcmp(arguments[4], "no-sync") != 0;
    int first = atoi(arguments[2]), runs = atoi(arguments[3]);
    for (int i = 0; i < runs; i++) {
        cj_error err = {0};
        cj_log *log = NULL;
        cj_run *run = made_run(first + i, &size);
        cj_status status = cj_log_open(arguments[1], CJ_LOG_CREATE, &log, &err);
        if (status == CJ_OK)
            status = cj_log_add(log, run, &err);
        if (status != CJ_OK) {
            fprintf(stderr, "%s: %s\n", err.file, err.message);
            return (int)status;
        }
        printf("%s\n", run->head.uuid);
        fflush(stdout);
        cj_log_close(log);
        cj_run_free(run);
    }
    return 0;
}
