/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { BAR_CELLS = 40 };

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

struct progress progress_start(const struct request *request, int index, int count)
{
    const char *terminal = getenv("TERM");
    const char *plain = getenv("NO_COLOR");
    bool wanted = !request->quiet && isatty(STDERR_FILENO) && !(plain && *plain) &&
                  !(terminal && strcmp(terminal, "dumb") == 0);
    return (struct progress){
        .wanted = wanted, .began_s = now_s(), .from = (double)index / count, .share = 1.0 / count};
}

void progress_show(void *user, double done)
{
    struct progress *progress = user;
    if (!progress->wanted || !(done >= 0 && done <= 1))
        return;
    double now = now_s();
    if (now - progress->began_s < 1 || now - progress->drawn_s < 0.1)
        return;
    progress->drawn_s = now;
    progress->drawn = true;
    double whole = progress->from + progress->share * done;
    int filled = (int)(whole * BAR_CELLS);
    char bar[BAR_CELLS + 1];
    memset(bar, '.', BAR_CELLS);
    memset(bar, '=', (size_t)filled);
    bar[BAR_CELLS] = '\0';
    fprintf(stderr, "\r%s %3.0f %%", bar, 100 * whole);
    fflush(stderr);
}

void progress_clear(struct progress *progress)
{
    if (!progress->drawn)
        return;
    fputs("\r\033[K", stderr);
    fflush(stderr);
    progress->drawn = false;
}
