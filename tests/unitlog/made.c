/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "made.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char findings[] =
    "[{\"rank\": 1, \"probability\": 0.97, \"faults\": [{\"fault\": \"open-pin\", \"part\": "
    "\"U1\", \"pin\": 7}],"
    " \"says\": \"U1 pin 7 makes no contact\", \"evidence\": [], \"check\": \"Reflow the pin\","
    " \"from\": \"board\"}]";

static void *need(void *memory)
{
    if (memory == NULL) {
        fputs("out of memory\n", stderr);
        exit(1);
    }
    return memory;
}

static char *text(const char *from)
{
    return need(cj_copy_text(from));
}

/* Numerical Recipes' constants (from memory): any will do. */
static double next(unsigned *state)
{
    *state = *state * 1664525u + 1013904223u;
    return (double)(*state >> 8) / (1 << 24);
}

static void add_figure(cj_run *run, int step, int figure, unsigned *state)
{
    static const char *const keys[] = {
        "gain_db",         "phase_deg", "dc_v@left_out", "rms_v@left_out", "thd_percent@left_out",
        "noise_v@left_out"};
    enum { KEYS = sizeof keys / sizeof keys[0] };
    char name[48], key[64];
    snprintf(name, sizeof name, "in%d-left", step + 1);
    if (figure < KEYS)
        snprintf(key, sizeof key, "%s", keys[figure]);
    else
        snprintf(key, sizeof key, "figure_%d_v@net_%d", figure, figure % 7);
    cj_logged_figure *made = &run->figures[run->figure_count++];
    *made = (cj_logged_figure){.step = text(name),
                               .key = text(key),
                               .unit = text(figure == 0 ? "dB" : "V"),
                               .value = figure + 0.01 * (next(state) - 0.5),
                               .u = 0.001 * (1 + next(state))};
    if (figure == 4) { /* only a bound is known */
        made->bound_kind = CJ_BELOW;
        made->bound = 0.01;
        made->value = made->u = NAN;
    }
    if (figure % 10 != 0)
        return;
    cj_judged *limit = &run->limits[run->limit_count++];
    *limit = (cj_judged){.step = text(name),
                         .figure = text(key),
                         .value = made->value,
                         .u = made->u,
                         .min = figure - 0.02,
                         .max = figure + 0.02,
                         .verdict = CJ_PASS,
                         .margin = 0.015 / (2 * made->u)};
}

static void add_fault(cj_run *run)
{
    run->faults = need(cj_new(1, sizeof *run->faults));
    run->fault_count = 1;
    run->faults[0] =
        (cj_logged_fault){.fault = text("open-pin:U1:7"), .rank = 1, .probability = 0.97};
    run->limits[0].verdict = CJ_FAIL;
    run->limits[0].margin = -2;
}

cj_run *made_run(int number, const made_size *size)
{
    unsigned state = (unsigned)number * 2654435761u + 1;
    char serial[32];
    size_t count = (size_t)(size->steps * size->figures);
    bool fails = number % 20 == 7;
    cj_run *run = need(cj_new(1, sizeof *run));
    snprintf(serial, sizeof serial, "MADE-%06d", number);
    run->figures = need(cj_new(count, sizeof *run->figures));
    run->limits = need(cj_new(count, sizeof *run->limits));
    for (int step = 0; step < size->steps; step++)
        for (int figure = 0; figure < size->figures; figure++)
            add_figure(run, step, figure, &state);
    if (fails)
        add_fault(run);
    run->findings = text(fails ? findings : "[]");
    run->board_text = text("board: made\n");
    run->instruments = text("");
    run->instruments_text = text("");
    run->head = (cj_run_head){.unit = text(serial),
                              .board = text("made"),
                              .title = text("An invented board"),
                              .operator_name = text("Ann"),
                              .verdict = fails ? CJ_FAIL : CJ_PASS,
                              .worst_step = text(run->limits[0].step),
                              .worst_figure = text(run->limits[0].figure),
                              .margin = run->limits[0].margin,
                              .void_note = text(""),
                              .note = text(""),
                              .fault = text(fails ? "open-pin:U1:7" : ""),
                              .probability = fails ? 0.97 : NAN};
    return run;
}
