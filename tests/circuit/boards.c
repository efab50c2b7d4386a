/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "boards.h"

static rig with_bench(cj_status status, cj_board *board, const cj_errors *errors)
{
    rig made = {.board = board, .look = (size_t)-1};
    cj_error err = {0};
    if (status != CJ_OK)
        fail_msg("board: %ld:%ld %s", errors->items[0].line, errors->items[0].column,
                 errors->items[0].message);
    if (cj_bench_make(board, &made.bench, &err) != CJ_OK)
        fail_msg("bench: %s", err.message);
    return made;
}

rig rig_text(const char *text)
{
    cj_board *board = NULL;
    cj_errors errors = {0};
    cj_status status = cj_board_read_text("text", text, strlen(text), &board, &errors);
    return with_bench(status, board, &errors);
}

rig rig_file(const char *fixture)
{
    char path[512];
    cj_board *board = NULL;
    cj_errors errors = {0};
    snprintf(path, sizeof path, "%s/boards/%s", FIXTURES, fixture);
    cj_status status = cj_board_read(path, &board, &errors);
    return with_bench(status, board, &errors);
}

void rig_free(rig *of)
{
    cj_prediction_free(of->prediction);
    cj_bench_free(of->bench);
    cj_board_free(of->board);
    *of = (rig){0};
}

const cj_prediction *rig_predict(rig *of, const char *step, const cj_edit *edits, size_t count,
                                 unsigned want)
{
    int look = cj_board_step(of->board, step);
    cj_error err = {0};
    cj_variant variant = {edits, count};
    if (look < 0)
        fail_msg("no step %s", step);
    if (of->look != (size_t)look) {
        cj_prediction_free(of->prediction);
        of->prediction = NULL;
        of->look = (size_t)look;
        assert_int_equal(cj_prediction_make(of->bench, of->look, &of->prediction, &err), CJ_OK);
    }
    if (cj_bench_predict(of->bench, of->look, &variant, want, of->prediction, &err) != CJ_OK)
        fail_msg("%s: %s", step, err.message);
    return of->prediction;
}

double complex tone_of(const cj_prediction *prediction, int point, int channel)
{
    cj_complex z = prediction->tone[point * prediction->channels + channel];
    return CMPLX(z.re, z.im);
}

double decibel(double complex z)
{
    return 20 * log10(cabs(z));
}

double degree(double complex z)
{
    return carg(z) * (180 / M_PI);
}

int part_of(const rig *of, const char *ref)
{
    int part = cj_board_part(of->board, ref);
    if (part < 0)
        fail_msg("no part %s", ref);
    return part;
}

/* ---- every edit ---- */

static void add(cases *to, const cj_part *part, const char *what, cj_edit first,
                const cj_edit *second)
{
    if (to->count == to->capacity) {
        to->capacity = to->capacity ? 2 * to->capacity : 256;
        to->edits = realloc(to->edits, to->capacity * sizeof *to->edits);
        to->counts = realloc(to->counts, to->capacity * sizeof *to->counts);
        to->names = realloc(to->names, to->capacity * sizeof *to->names);
        assert_true(to->edits && to->counts && to->names);
    }
    to->edits[to->count][0] = first;
    if (second)
        to->edits[to->count][1] = *second;
    to->counts[to->count] = second ? 2 : 1;
    snprintf(to->names[to->count], sizeof *to->names, "%s %.12s:%d-%d %g", what,
             part ? part->ref : "rail", first.pin, first.pin2, first.a);
    to->count++;
}

static void pin_edits(cases *to, const cj_part *part, int index)
{
    int pins = (int)part->pin_count, row = pins >= 6 ? pins / 2 : pins;
    for (int pin = 1; pin <= pins; pin++) {
        cj_edit open = {.kind = CJ_EDIT_LIFT, .part = index, .pin = pin, .a = 1e13, .b = 0.5e-12};
        cj_edit joint = open;
        joint.a = 1e6;
        cj_edit leak = {.kind = CJ_EDIT_TO_NET,
                        .part = index,
                        .pin = pin,
                        .pin2 = CJ_GND,
                        .a = 1e7,
                        .b = 1e-11};
        add(to, part, "lift", open, NULL);
        add(to, part, "joint", joint, NULL);
        add(to, part, "probe", leak, NULL);
        add(to, part, "lift, probe", open, &leak);
        if (pin < pins && pin % row != 0)
            add(to, part, "join",
                (cj_edit){
                    .kind = CJ_EDIT_JOIN, .part = index, .pin = pin, .pin2 = pin + 1, .a = 0.1},
                NULL);
    }
}

static void section_edits(cases *to, const cj_part *part, int index, const cj_section *section)
{
    static const double figures[] = {
        [CJ_GBW] = 1e5,   [CJ_SLEW] = 1e6, [CJ_GAIN] = 1e3,      [CJ_OFFSET] = 5e-3,
        [CJ_BIAS] = 1e-6, [CJ_SWING] = 4,  [CJ_OUTPUT_OHM] = 1e3};
    int out = section->out;
    for (int mode = CJ_HIGH; mode <= CJ_HELD; mode++)
        add(to, part, "mode",
            (cj_edit){
                .kind = CJ_EDIT_MODE, .part = index, .pin = out, .mode = mode, .a = 2, .b = 0.1},
            NULL);
    for (int f = CJ_GBW; f <= CJ_OUTPUT_OHM; f++)
        add(to, part, "figure",
            (cj_edit){
                .kind = CJ_EDIT_FIGURE, .part = index, .pin = out, .figure = f, .a = figures[f]},
            NULL);
    cj_edit leak = {.kind = CJ_EDIT_LEAK,
                    .part = index,
                    .pin = out,
                    .pin2 = section->inverting,
                    .a = 1e10,
                    .b = 0.2e-12};
    cj_edit lift = {
        .kind = CJ_EDIT_LIFT, .part = index, .pin = section->inverting, .a = 1e13, .b = 0.5e-12};
    add(to, part, "leak", leak, NULL);
    add(to, part, "lift, leak", lift, &leak);
}

static void part_edits(cases *to, const cj_part *part, int index)
{
    static const double factors[] = {10, 0.1, 1.21};
    pin_edits(to, part, index);
    for (size_t k = 0; isfinite(part->value) && k < 3; k++)
        add(to, part, "value",
            (cj_edit){.kind = CJ_EDIT_VALUE, .part = index, .a = part->value * factors[k]}, NULL);
    if (part->kind == CJ_POTENTIOMETER || part->kind == CJ_TRANSFORMER || part->kind == CJ_DIODE)
        add(to, part, "reverse", (cj_edit){.kind = CJ_EDIT_REVERSE, .part = index}, NULL);
    for (int s = 0; part->kind == CJ_OPAMP && s < part->section_count; s++)
        section_edits(to, part, index, &part->sections[s]);
}

cases every_edit(const cj_board *board)
{
    cases made = {0};
    for (size_t k = 0; k < board->part_count; k++)
        part_edits(&made, &board->parts[k], (int)k);
    for (int rail = -1; rail <= 1 && board->v_plus != CJ_NO_NET; rail += 2) {
        add(&made, NULL, "low", (cj_edit){.kind = CJ_EDIT_RAIL, .pin = rail, .a = 6 * rail}, NULL);
        add(&made, NULL, "missing", (cj_edit){.kind = CJ_EDIT_RAIL, .pin = rail, .a = 0}, NULL);
    }
    return made;
}

void cases_free(cases *of)
{
    free(of->edits);
    free(of->counts);
    free(of->names);
}
