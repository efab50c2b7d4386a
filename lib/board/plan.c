/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plan.c - the steps as work at the bench: what each plays, and the order that changes least. */
#include "coldjoint/board.h"

#include <math.h>
#include <string.h>

/* ---- what a step plays ---- */

#define TONE_S 5.0
#define PERIODS 10.0 /* of a very low tone */

/* Without the rate. */
static cj_stimulus stimulus_of(const cj_step *step)
{
    cj_stimulus s = {.seconds = step->seconds,
                     .hz = {step->hz[0], step->hz[1]},
                     .peak = {step->peak[0], step->peak[1]},
                     .seed = 1,
                     .marker = true};
    double tone_s = fmax(TONE_S, PERIODS / fmax(step->hz[0], 1e-3));
    switch (step->shape) {
    case CJ_QUIET:
        return (cj_stimulus){.signal = CJ_SIG_SILENCE, .seconds = TONE_S};
    case CJ_TONE:
        s.signal = CJ_SIG_SINE;
        s.seconds = tone_s;
        break;
    case CJ_TWO_TONE:
        s.signal = CJ_SIG_TWO_TONE;
        s.seconds = fmax(tone_s, PERIODS / fmax(step->hz[1], 1e-3));
        break;
    case CJ_SQUARE:
        s.signal = CJ_SIG_SQUARE;
        s.seconds = tone_s;
        break;
    case CJ_SWEEP:
        s.signal = CJ_SIG_SWEEP;
        s.from_hz = step->from;
        s.to_hz = step->to;
        break;
    case CJ_STEPPED:
        s.signal = CJ_SIG_STEPPED;
        s.from_v = step->from;
        s.to_v = step->to;
        s.steps = step->level_steps;
        break;
    case CJ_NOISE:
        s.signal = step->pink ? CJ_SIG_PINK : CJ_SIG_WHITE;
        s.rms = step->rms;
        s.peak[0] = 0;
        break;
    }
    return s;
}

cj_status cj_step_stimulus(const cj_step *step, double rate_hz, cj_stimulus *out, cj_error *err)
{
    static const double usual[] = {48000, 96000, 192000};
    cj_stimulus s = stimulus_of(step);
    cj_status status = CJ_USAGE;
    size_t count = rate_hz > 0 ? 1 : sizeof usual / sizeof *usual;
    for (size_t i = 0; i < count && status != CJ_OK; i++) {
        s.rate_hz = rate_hz > 0 ? rate_hz : usual[i];
        status = cj_stimulus_check(&s, err);
    }
    if (status == CJ_OK)
        *out = s;
    return status;
}

/* ---- the order ---- */

/* What a change costs: a lead is moved by hand among live pins, a control is turned, and another
 * file is played. Only the ratios matter. */
enum {
    CHANGE_POWER = 10000,
    CHANGE_LEAD = 40,
    CHANGE_ROTATION = 8, /* a potentiometer must be set to a figure */
    CHANGE_SWITCH = 4,
    CHANGE_SIGNAL = 1
};

static bool same_view(cj_view one, cj_view other)
{
    return one.net == other.net && one.against == other.against;
}

static bool same_signal(const cj_step *a, const cj_step *b)
{
    cj_stimulus one = stimulus_of(a), other = stimulus_of(b);
    return one.signal == other.signal && one.hz[0] == other.hz[0] && one.hz[1] == other.hz[1] &&
           one.peak[0] == other.peak[0] && one.peak[1] == other.peak[1] && one.rms == other.rms &&
           one.from_hz == other.from_hz && one.to_hz == other.to_hz && one.from_v == other.from_v &&
           one.to_v == other.to_v && one.steps == other.steps && one.seconds == other.seconds;
}

long cj_board_change(const cj_board *board, size_t from, size_t to)
{
    const cj_step *a = &board->steps[from], *b = &board->steps[to];
    long cost = a->power_off != b->power_off ? CHANGE_POWER : 0;
    cost += a->drive != b->drive ? CHANGE_LEAD : 0;
    for (int c = 0; c < a->see_count && c < b->see_count; c++)
        cost += same_view(a->see[c], b->see[c]) ? 0 : CHANGE_LEAD;
    for (size_t i = 0; i < board->part_count; i++)
        if (isfinite(a->settings[i]) && a->settings[i] != b->settings[i])
            cost += board->parts[i].kind == CJ_SWITCH ? CHANGE_SWITCH : CHANGE_ROTATION;
    return cost + (same_signal(a, b) ? 0 : CHANGE_SIGNAL);
}

typedef struct tour {
    const long *cost; /* [count * count] */
    size_t count;
} tour;

static long between(const tour *of, size_t a, size_t b)
{
    return of->cost[a * of->count + b];
}

static long length_of(const tour *of, const size_t *order)
{
    long sum = 0;
    for (size_t i = 1; i < of->count; i++)
        sum += between(of, order[i - 1], order[i]);
    return sum;
}

/* From `first`, always to the step that is nearest; of several the first in the board's order. */
static void go_nearest(const tour *of, size_t first, bool *gone, size_t *order)
{
    memset(gone, 0, of->count * sizeof *gone);
    order[0] = first;
    gone[first] = true;
    for (size_t i = 1; i < of->count; i++) {
        size_t best = of->count;
        for (size_t k = 0; k < of->count; k++)
            if (!gone[k] && (best == of->count ||
                             between(of, order[i - 1], k) < between(of, order[i - 1], best)))
                best = k;
        order[i] = best;
        gone[best] = true;
    }
}

static void turn(size_t *order, size_t from, size_t to)
{
    for (; from < to; from++, to--) {
        size_t kept = order[from];
        order[from] = order[to];
        order[to] = kept;
    }
}

/* What turning order[from..to] round saves; the ends of the whole are free. */
static long saved(const tour *of, const size_t *order, size_t from, size_t to)
{
    long gain = 0;
    if (from > 0)
        gain += between(of, order[from - 1], order[from]) - between(of, order[from - 1], order[to]);
    if (to + 1 < of->count)
        gain += between(of, order[to], order[to + 1]) - between(of, order[from], order[to + 1]);
    return gain;
}

/* 2-opt: stretches are turned round as long as that saves anything. Costs are whole and fall: it
 * ends. */
static void improve(const tour *of, size_t *order)
{
    bool better = true;
    while (better) {
        better = false;
        for (size_t from = 0; from + 1 < of->count; from++)
            for (size_t to = from + 1; to < of->count; to++)
                if (saved(of, order, from, to) > 0) {
                    turn(order, from, to);
                    better = true;
                }
    }
}

/* Cold steps come first: with the board just fetched its capacitors are empty, and what is wrong
 * there should never see power. */
static void cold_first(const cj_board *board, size_t *order)
{
    size_t last = board->step_count;
    if (last > 0 && !board->steps[order[0]].power_off && board->steps[order[last - 1]].power_off)
        turn(order, 0, last - 1);
}

cj_status cj_board_order(const cj_board *board, size_t *order, cj_error *err)
{
    size_t count = board->step_count, starts = count < 100 ? count : 1;
    long *cost = cj_new(count * count + 1, sizeof *cost);
    size_t *tried = cj_new(count + 1, sizeof *tried);
    bool *gone = cj_new(count + 1, sizeof *gone);
    cj_status status = cost && tried && gone ? CJ_OK : cj_fail_memory(err);
    if (status == CJ_OK) {
        tour all = {cost, count};
        for (size_t i = 0; i < count; i++)
            order[i] = i;
        for (size_t i = 0; i < count * count; i++)
            cost[i] = cj_board_change(board, i / count, i % count);
        /* the board's own order stands where none is better */
        cold_first(board, order);
        long least = length_of(&all, order);
        for (size_t first = 0; first < starts; first++) {
            go_nearest(&all, first, gone, tried);
            improve(&all, tried);
            cold_first(board, tried);
            long length = length_of(&all, tried);
            if (length < least) {
                least = length;
                memcpy(order, tried, count * sizeof *order);
            }
        }
    }
    cj_free(cost);
    cj_free(tried);
    cj_free(gone);
    return status;
}
