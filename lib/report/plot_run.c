/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * gnuplot is a child whose standard input and output are files in memory: neither side waits for
 * the other, and one that ends early raises no SIGPIPE. Through a pipe its thousands of short
 * writes took as long as the drawing; so did reading what comes as "-", a byte at a time, which is
 * why the input is named as a file. It reads no start-up file (-d) and writes numbers with a point
 * (LC_ALL).
 */
#include "report/plot_run.h"

#include <errno.h>
#include <fcntl.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <unistd.h>

static bool write_script(int file, const cj_text *script)
{
    size_t done = 0;
    while (done < script->length) {
        ssize_t step = write(file, script->bytes + done, script->length - done);
        if (step < 0 && errno == EINTR)
            continue;
        if (step <= 0)
            return false;
        done += (size_t)step;
    }
    return lseek(file, 0, SEEK_SET) == 0;
}

static bool read_all(int file, cj_text *output)
{
    char block[16384];
    for (;;) {
        ssize_t got = read(file, block, sizeof block);
        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            return got == 0;
        cj_text_add_n(output, block, (size_t)got);
    }
}

/* 0, or an errno. */
static int start(int script, int answer, pid_t *child)
{
    posix_spawn_file_actions_t actions;
    char path[4096], name[] = "gnuplot", bare[] = "-d", input[] = "/dev/fd/0",
                     locale[] = "LC_ALL=C";
    char *const arguments[] = {name, bare, input, NULL};
    char *const environment[] = {path, locale, NULL};
    snprintf(path, sizeof path, "PATH=%s", getenv("PATH") ? getenv("PATH") : "/usr/bin:/bin");
    int code = posix_spawn_file_actions_init(&actions);
    if (code != 0)
        return code;
    code = posix_spawn_file_actions_adddup2(&actions, script, 0);
    code = code ? code : posix_spawn_file_actions_adddup2(&actions, answer, 1);
    code = code ? code : posix_spawn_file_actions_addopen(&actions, 2, "/dev/null", O_WRONLY, 0);
    code = code ? code : posix_spawnp(child, "gnuplot", &actions, NULL, arguments, environment);
    posix_spawn_file_actions_destroy(&actions);
    return code;
}

bool cj__run_gnuplot(const cj_text *script, cj_text *output, char *why, size_t size)
{
    int file = memfd_create("plots", MFD_CLOEXEC), answer = memfd_create("drawn", MFD_CLOEXEC);
    int code = 0, state = 0;
    pid_t child = -1;
    bool good = file >= 0 && answer >= 0 && write_script(file, script);
    if (!good)
        snprintf(why, size, "no memory for gnuplot: %s", strerror(errno));
    else if ((code = start(file, answer, &child)) == ENOENT)
        snprintf(why, size, "gnuplot is not installed (Debian: gnuplot-nox)");
    else if (code != 0)
        snprintf(why, size, "gnuplot cannot be started: %s", strerror(code));
    good = good && code == 0;
    while (child > 0 && waitpid(child, &state, 0) < 0 && errno == EINTR)
        ;
    if (good && WIFEXITED(state) && WEXITSTATUS(state) != 0) {
        snprintf(why, size, "gnuplot ended with status %d", WEXITSTATUS(state));
        good = false;
    }
    if (good && (lseek(answer, 0, SEEK_SET) != 0 || !read_all(answer, output))) {
        snprintf(why, size, "what gnuplot drew could not be read: %s", strerror(errno));
        good = false;
    }
    if (answer >= 0)
        close(answer);
    if (file >= 0)
        close(file);
    return good;
}
