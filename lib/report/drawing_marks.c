/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is marked in the drawing: suspected parts and pins, paths that were measured, probes. */
#include "report/drawing.h"

#include <math.h>

/* ---- suspects ---- */

static bool add_suspect(cj__marks *marks, int part, const cj_fault *fault, int number)
{
    if (part < 0 || cj__suspected(marks, part, fault->pin) != NULL)
        return true;
    if (!cj_reserve((void **)&marks->suspects, &marks->capacity, marks->count,
                    sizeof *marks->suspects))
        return false;
    marks->suspects[marks->count++] =
        (cj__suspect){.part = part, .pin = fault->pin, .pin2 = fault->pin2, .number = number};
    return true;
}

static bool add_finding(cj__marks *marks, const cj_board *board, const cj_finding *finding,
                        int number)
{
    bool good = true;
    for (size_t i = 0; i < finding->fault_count; i++)
        for (const cj_fault *one = &finding->faults[i]; good && one != NULL; one = one->with) {
            good =
                !one->part[0] || add_suspect(marks, cj_board_part(board, one->part), one, number);
            if (good && one->other[0])
                good = add_suspect(marks, cj_board_part(board, one->other), one, number);
        }
    return good;
}

const cj__suspect *cj__suspected(const cj__marks *marks, int part, int pin)
{
    for (size_t i = 0; i < marks->count; i++) {
        const cj__suspect *one = &marks->suspects[i];
        if (one->part == part && (pin == 0 || one->pin == pin || one->pin2 == pin))
            return one;
    }
    return NULL;
}

const cj__suspect *cj__hop_suspected(const cj__marks *marks, const cj__hop *hop)
{
    for (size_t i = 0; i < marks->count; i++) {
        const cj__suspect *one = &marks->suspects[i];
        bool here = one->pin == 0 || one->pin == hop->near || one->pin == hop->far ||
                    one->pin == hop->third;
        if (one->part == hop->part && here)
            return one;
    }
    return NULL;
}

bool cj__branch_suspected(const cj__marks *marks, const cj__branch *branch)
{
    for (int i = 0; i < branch->hop_count; i++) {
        if (cj__hop_suspected(marks, &branch->hops[i]) != NULL)
            return true;
        for (int k = 0; k < branch->hops[i].shunt_count; k++)
            if (cj__suspected(marks, branch->hops[i].shunts[k], 0) != NULL)
                return true;
    }
    return false;
}

/* A pin that is no other section's: a supply pin belongs to all of them. */
static bool is_pin_of(const cj_part *part, int section, int pin)
{
    for (int k = 0; k < part->section_count; k++) {
        const cj_section *one = &part->sections[k];
        if (k != section && (pin == one->out || pin == one->inverting || pin == one->plus))
            return false;
    }
    return true;
}

const cj__suspect *cj__section_suspected(const cj__marks *marks, const cj_board *board,
                                         const cj__stage *stage)
{
    for (size_t i = 0; i < marks->count; i++) {
        const cj__suspect *one = &marks->suspects[i];
        const cj_part *part = &board->parts[stage->part];
        if (one->part == stage->part &&
            (is_pin_of(part, stage->section, one->pin) ||
             (one->pin2 > 0 && is_pin_of(part, stage->section, one->pin2))))
            return one;
    }
    return NULL;
}

bool cj__stage_suspected(const cj__marks *marks, const cj_board *board, const cj__stage *stage)
{
    if (cj__section_suspected(marks, board, stage) != NULL)
        return true;
    for (size_t i = 0; i < stage->count; i++)
        if (cj__branch_suspected(marks, &stage->branches[i]))
            return true;
    return false;
}

int cj__branch_measured(const cj__marks *marks, const cj__branch *branch)
{
    int count = 0;
    while (count < branch->hop_count && marks->path[4 * branch->hops[count].part])
        count++;
    return count;
}

/* ---- paths ---- */

struct way {
    int from;    /* net it was reached from, -2: not reached, -1: the start */
    int through; /* part * 4 + section */
};

struct walk {
    const cj_board *board;
    const cj_step *step;
    struct way *ways; /* [nets] */
    int *queue;
    size_t head, tail;
};

static void reach(struct walk *walk, int from, int net, int through)
{
    if (net < 0 || cj__is_supply(walk->board, net) || walk->ways[net].from != -2)
        return;
    walk->ways[net] = (struct way){.from = from, .through = through};
    walk->queue[walk->tail++] = net;
}

static void through_amplifiers(struct walk *walk, int net)
{
    for (size_t i = 0; i < walk->board->part_count; i++) {
        const cj_part *part = &walk->board->parts[i];
        for (int k = 0; part->kind == CJ_OPAMP && k < part->section_count; k++) {
            const cj_section *section = &part->sections[k];
            if (part->pins[section->inverting - 1] == net || part->pins[section->plus - 1] == net)
                reach(walk, net, part->pins[section->out - 1], 4 * (int)i + k);
        }
    }
}

/* No signal gets into a net from outside that an op-amp's output holds. */
static bool is_held(const cj_board *board, int net)
{
    for (size_t i = 0; i < board->part_count; i++)
        for (int k = 0; board->parts[i].kind == CJ_OPAMP && k < board->parts[i].section_count; k++)
            if (board->parts[i].pins[board->parts[i].sections[k].out - 1] == net)
                return true;
    return false;
}

static void through_switch(struct walk *walk, int net, size_t index)
{
    const cj_part *part = &walk->board->parts[index];
    double setting = walk->step->settings != NULL ? walk->step->settings[index] : NAN;
    if (!(setting >= 0) || (size_t)setting >= part->position_count)
        return;
    const cj_position *position = &part->positions[(size_t)setting];
    for (size_t i = 0; i < position->pair_count; i++) {
        int one = part->pins[position->pairs[i][0] - 1],
            other = part->pins[position->pairs[i][1] - 1];
        if (one == net || other == net)
            reach(walk, net, one == net ? other : one, 4 * (int)index);
    }
}

static void through_parts(struct walk *walk, int net)
{
    for (size_t i = 0; i < walk->board->part_count; i++) {
        const cj_part *part = &walk->board->parts[i];
        bool here = false;
        for (size_t p = 0; p < part->pin_count; p++)
            here = here || part->pins[p] == net;
        if (!here || part->kind == CJ_OPAMP)
            continue;
        if (part->kind == CJ_SWITCH) {
            through_switch(walk, net, i);
            continue;
        }
        for (size_t p = 0; p < part->pin_count; p++)
            if (!is_held(walk->board, part->pins[p]))
                reach(walk, net, part->pins[p], 4 * (int)i);
    }
}

/* The shortest way from the generator to a probe, an op-amp before the parts about it. */
static void walk_to(struct walk *walk, int start, int goal, bool *path)
{
    for (size_t i = 0; i < walk->board->net_count; i++)
        walk->ways[i] = (struct way){.from = -2};
    walk->head = walk->tail = 0;
    reach(walk, -1, start, -1);
    while (walk->head < walk->tail) {
        int net = walk->queue[walk->head++];
        through_amplifiers(walk, net);
        through_parts(walk, net);
    }
    for (int net = goal; net >= 0 && walk->ways[net].from >= 0; net = walk->ways[net].from)
        path[walk->ways[net].through] = true;
}

static void note_step(struct walk *walk, cj__marks *marks)
{
    const cj_step *step = walk->step;
    int start = step->drive >= 0 ? walk->board->inputs[step->drive].net : CJ_NO_NET;
    for (int c = 0; c < step->see_count; c++) {
        int ends[2] = {step->see[c].net, step->see[c].against};
        for (int k = 0; k < 2; k++) {
            if (ends[k] < 0 || cj__is_supply(walk->board, ends[k]))
                continue;
            marks->probed[ends[k]] = true;
            if (start >= 0)
                walk_to(walk, start, ends[k], marks->path);
        }
    }
}

bool cj__marks_make(const cj_board *board, const cj_observed *observed, const cj_findings *findings,
                    cj__marks *out)
{
    struct walk walk = {.board = board};
    bool good = false;
    *out = (cj__marks){0};
    out->path = cj_new(4 * board->part_count + 4, sizeof *out->path);
    out->probed = cj_new(board->net_count + 1, sizeof *out->probed);
    walk.ways = cj_new(board->net_count + 1, sizeof *walk.ways);
    walk.queue = cj_new(board->net_count + 1, sizeof *walk.queue);
    if (out->path == NULL || out->probed == NULL || walk.ways == NULL || walk.queue == NULL)
        goto out;
    good = true;
    for (size_t i = 0; good && findings != NULL && i < findings->count && i < CJ__SUSPECTS; i++)
        good = add_finding(out, board, &findings->items[i], (int)i + 1);
    for (size_t i = 0; observed != NULL && i < board->step_count; i++) {
        walk.step = &board->steps[i];
        if (observed->seen[i])
            note_step(&walk, out);
    }
out:
    cj_free(walk.ways);
    cj_free(walk.queue);
    return good;
}

void cj__marks_free(cj__marks *marks)
{
    cj_free(marks->suspects);
    cj_free(marks->path);
    cj_free(marks->probed);
    *marks = (cj__marks){0};
}
