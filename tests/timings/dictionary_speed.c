/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * dictionary_speed.c - how long the readings of every single fault of a board take, and how that
 * grows.
 *
 *   dictionary_speed BOARD.yaml         the board's open pins, shorts, bridges and wrong values at
 *                                       all its steps
 *   dictionary_speed BOARD.yaml list    those faults, a line each, with the steps in which they
 * clip dictionary_speed                    generated boards of 60, 240 and 960 parts
 *
 * Times are those of the process (one thread), the least of several runs. The line "seconds per
 * fault and step" is made for a script that sets it beside another simulator's.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "coldjoint/board.h"
#include "coldjoint/circuit.h"

enum { MOST_FAULTS = 20000, RUNS = 5 };

/* The readings alone: which section's offset decides where the circuit rests, which the other
 * simulator does not say either, is left out. With the spread it is found too. */
#define READINGS CJ_BARE

static double now(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void *or_die(void *memory)
{
    if (memory == NULL)
        exit(1);
    return memory;
}

/* ---- the dictionary ---- */

typedef struct dictionary {
    cj_edit *edits;
    size_t count;
} dictionary;

static void add(dictionary *to, cj_edit edit)
{
    if (to->count < MOST_FAULTS)
        to->edits[to->count++] = edit;
}

static void add_part(dictionary *to, const cj_part *part, int index)
{
    int pins = (int)part->pin_count, row = pins >= 6 ? pins / 2 : pins;
    for (int pin = 1; pin <= pins; pin++) {
        if (pins > 2 || pin == 1)
            add(to, (cj_edit){
                        .kind = CJ_EDIT_LIFT, .part = index, .pin = pin, .a = 1e13, .b = 0.5e-12});
        if (pin < pins && pin % row != 0)
            add(to,
                (cj_edit){
                    .kind = CJ_EDIT_JOIN, .part = index, .pin = pin, .pin2 = pin + 1, .a = 0.1});
    }
    if (part->kind != CJ_RESISTOR && part->kind != CJ_CAPACITOR)
        return;
    add(to, (cj_edit){.kind = CJ_EDIT_VALUE, .part = index, .a = part->value * 10});
    add(to, (cj_edit){.kind = CJ_EDIT_VALUE, .part = index, .a = part->value / 10});
}

static dictionary make_dictionary(const cj_board *board)
{
    dictionary made = {or_die(calloc(MOST_FAULTS, sizeof(cj_edit))), 0};
    for (size_t k = 0; k < board->part_count; k++)
        add_part(&made, &board->parts[k], (int)k);
    return made;
}

/* ---- timing ---- */

typedef struct timed {
    double make_s, nominal_s, spread_s; /* of the whole dictionary at all steps */
    size_t faults, steps, clipped;
} timed;

static double run(cj_bench *bench, const dictionary *all, cj_prediction **into, size_t steps,
                  unsigned want, size_t *clipped)
{
    double start = now();
    *clipped = 0;
    for (size_t k = 0; k < all->count; k++)
        for (size_t s = 0; s < steps; s++) {
            cj_error err;
            cj_variant variant = {&all->edits[k], 1};
            if (cj_bench_predict(bench, s, &variant, want, into[s], &err) != CJ_OK) {
                printf("fault %zu, step %zu: %s\n", k, s, err.message);
                exit(1);
            }
            *clipped += into[s]->by == CJ_BY_EXCESS;
        }
    return now() - start;
}

static cj_bench *make_bench(const cj_board *board, cj_prediction **into)
{
    cj_error err;
    cj_bench *bench = NULL;
    if (cj_bench_make(board, &bench, &err) != CJ_OK) {
        printf("%s\n", err.message);
        exit(1);
    }
    for (size_t s = 0; into && s < board->step_count; s++)
        if (cj_prediction_make(bench, s, &into[s], &err) != CJ_OK)
            exit(1);
    return bench;
}

static timed time_board(const cj_board *board)
{
    dictionary all = make_dictionary(board);
    timed got = {all.count ? INFINITY : 0, INFINITY, INFINITY, all.count, board->step_count, 0};
    cj_prediction **into = or_die(calloc(board->step_count, sizeof *into));
    cj_bench *bench = make_bench(board, into);
    for (int k = 0; k < RUNS; k++) {
        got.nominal_s =
            fmin(got.nominal_s, run(bench, &all, into, got.steps, READINGS, &got.clipped));
        got.spread_s =
            fmin(got.spread_s, run(bench, &all, into, got.steps, CJ_SPREAD, &got.clipped));
    }
    cj_bench_free(bench);
    /* a first run also solves what later ones find solved: that belongs to the making */
    for (int k = 0; k < RUNS; k++) {
        double start = now();
        bench = make_bench(board, NULL);
        run(bench, &all, into, got.steps, READINGS, &got.clipped);
        got.make_s = fmin(got.make_s, now() - start - got.nominal_s);
        cj_bench_free(bench);
    }
    for (size_t s = 0; s < board->step_count; s++)
        cj_prediction_free(into[s]);
    free(into);
    free(all.edits);
    return got;
}

/* ---- for another simulator ---- */

static void print_edit(const cj_board *board, const cj_edit *edit)
{
    const char *ref = board->parts[edit->part].ref;
    if (edit->kind == CJ_EDIT_LIFT)
        printf("lift %s %d %.12g %.12g", ref, edit->pin, edit->a, edit->b);
    else if (edit->kind == CJ_EDIT_JOIN)
        printf("join %s %d %d %.12g", ref, edit->pin, edit->pin2, edit->a);
    else
        printf("value %s %.12g", ref, edit->a);
}

static void list(const cj_board *board)
{
    dictionary all = make_dictionary(board);
    cj_prediction **into = or_die(calloc(board->step_count, sizeof *into));
    cj_bench *bench = make_bench(board, into);
    for (size_t k = 0; k < all.count; k++) {
        size_t clipped;
        dictionary one = {&all.edits[k], 1};
        run(bench, &one, into, board->step_count, 0, &clipped);
        printf("%zu ", clipped);
        print_edit(board, &all.edits[k]);
        printf("\n");
    }
    for (size_t s = 0; s < board->step_count; s++)
        cj_prediction_free(into[s]);
    free(into);
    free(all.edits);
    cj_bench_free(bench);
}

static void print_timed(const char *name, const timed *got)
{
    double each = (double)(got->faults * got->steps);
    printf("%s: %zu faults, %zu steps; made in %.2f ms; nominal %.3f us a fault and step, with the "
           "spread "
           "%.3f us (%.1f times); %.1f %% clip and are bounds here\n",
           name, got->faults, got->steps, 1e3 * got->make_s, 1e6 * got->nominal_s / each,
           1e6 * got->spread_s / each, got->spread_s / got->nominal_s,
           100 * (double)got->clipped / each);
    printf("  whole dictionary, making included: nominal %.2f ms, with the spread %.2f ms\n",
           1e3 * (got->make_s + got->nominal_s), 1e3 * (got->make_s + got->spread_s));
    printf("seconds per fault and step: %.4g nominal, %.4g with the spread, %.4g nominal with the "
           "making\n",
           got->nominal_s / each, got->spread_s / each, (got->make_s + got->nominal_s) / each);
}

/* ---- generated boards ---- */

/* Cells of twenty parts: two summers and an inverter with their capacitors and loads, each cell fed
 * by the one before it and by a jack of its own. */
static char *generate(int cells)
{
    size_t room = 4096 + (size_t)cells * 2600;
    char *text = or_die(malloc(room));
    size_t at =
        (size_t)snprintf(text, room, "board: generated\nrails: {v+: 15, v-: -15}\ninputs:\n");
    for (int k = 0; k < cells; k++)
        at +=
            (size_t)snprintf(text + at, room - at, "  - {net: j%d, source: 50, idle: ground}\n", k);
    at += (size_t)snprintf(text + at, room - at, "parts:\n");
    static const char *const wires[][3] = {
        {"10k", "j", "a"}, {"100k", "j", "gnd"}, {"22k", "e", "a"},    {"10k", "a", "b"},
        {"10k", "b", "c"}, {"47k", "j", "c"},    {"10k", "c", "d"},    {"10k", "d", "f"},
        {"10k", "f", "g"}, {"100", "g", "h"},    {"100k", "h", "gnd"}, {"33k", "b", "f"}};
    static const char *const caps[][3] = {{"22p", "a", "b"},
                                          {"22p", "c", "d"},
                                          {"22p", "f", "g"},
                                          {"1n", "h", "gnd"},
                                          {"100p", "j", "gnd"}};
    static const char *const amps[][2] = {{"b", "a"}, {"d", "c"}, {"g", "f"}};
    for (int k = 0; k < cells; k++) {
        for (int w = 0; w < 17; w++) {
            const char *const *wire = w < 12 ? wires[w] : caps[w - 12];
            char ends[2][24];
            for (int e = 0; e < 2; e++) {
                bool ground = strcmp(wire[1 + e], "gnd") == 0,
                     before = strcmp(wire[1 + e], "e") == 0;
                if (ground || (before && k == 0))
                    snprintf(ends[e], sizeof ends[e], "gnd");
                else
                    snprintf(ends[e], sizeof ends[e], "%s%d", before ? "h" : wire[1 + e],
                             before ? k - 1 : k);
            }
            at += (size_t)snprintf(
                text + at, room - at,
                "  - {ref: %c%d, kind: %s, value: %s, tolerance: 1%%, pins: [%s, %s]}\n",
                w < 12 ? 'R' : 'C', 20 * k + w, w < 12 ? "resistor" : "capacitor", wire[0], ends[0],
                ends[1]);
        }
        for (int u = 0; u < 3; u++)
            at += (size_t)snprintf(
                text + at, room - at,
                "  - {ref: U%d, kind: opamp, type: TL072, pins: [%s%d, %s%d, gnd]}\n",
                20 * k + 17 + u, amps[u][0], k, amps[u][1], k);
    }
    snprintf(text + at, room - at,
             "steps:\n  - {step: first, drive: j0, tone: {hz: 1k, peak: 0.01}, see: [j0, h0]}\n"
             "  - {step: last, drive: j%d, tone: {hz: 1k, peak: 0.01}, see: [j%d, h%d]}\n"
             "  - {step: high, drive: j%d, tone: {hz: 20k, peak: 0.01}, see: [j%d, h%d]}\n"
             "  - {step: quiet, drive: none, see: [h0, h%d]}\n",
             cells - 1, cells - 1, cells - 1, cells - 1, cells - 1, cells - 1, cells - 1);
    return text;
}

static void growth(void)
{
    double before = 0;
    for (int cells = 3; cells <= 48; cells *= 4) {
        char *text = generate(cells), name[64];
        cj_board *board = NULL;
        cj_errors errors;
        if (cj_board_read_text("generated", text, strlen(text), &board, &errors) != CJ_OK) {
            printf("%s\n", errors.items[0].message);
            exit(1);
        }
        timed got = time_board(board);
        snprintf(name, sizeof name, "%zu parts, %zu nets", board->part_count, board->net_count);
        print_timed(name, &got);
        double each = (got.nominal_s + got.make_s) / (double)got.faults;
        if (before > 0)
            printf("  a fault takes %.2f times the one on a quarter of it: nodes^%.2f (aim: 1.5)\n",
                   each / before, log(each / before) / log(4));
        before = each;
        cj_board_free(board);
        free(text);
    }
}

int main(int count, char **arguments)
{
    cj_board *board = NULL;
    cj_errors errors;
    if (count < 2) {
        growth();
        return 0;
    }
    if (cj_board_read(arguments[1], &board, &errors) != CJ_OK) {
        printf("%s\n", errors.items[0].message);
        return 1;
    }
    if (count > 2 && strcmp(arguments[2], "list") == 0) {
        list(board);
    } else {
        timed got = time_board(board);
        print_timed(board->name, &got);
    }
    cj_board_free(board);
    return 0;
}
