/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * rest.c - the DC point of a changed circuit: which section is linear, which stands at a rail.
 *
 * Start with the frame's own state. A section beyond its swing is held there; one whose drive comes
 * back inside is freed; diodes follow their tangent. Until nothing changes: first all at once, then
 * the one that is furthest off, then from all high and all low. Where all of that goes round in
 * circles, lots are drawn.
 */
#include <math.h>
#include <string.h>

#include "circuit/internal.h"

enum {
    AT_ONCE = 12, /* passes in which all change over */
    ONE_BY_ONE = 60,
    BY_LOT = 500,
    NEWTON = 200,
    ROUNDS = 60, /* stampings of a frame until it rests */
};

bool cj__rest_make(cj__rest *rest, const cj__netlist *netlist)
{
    rest->amp_count = netlist->amp_count;
    rest->drive = cj_new(netlist->amp_count, sizeof(double));
    return cj__state_make(netlist, &rest->state) && rest->drive;
}

void cj__rest_clear(cj__rest *rest)
{
    cj__state_clear(&rest->state);
    cj_free(rest->drive);
    *rest = (cj__rest){0};
}

/* ---- diodes ---- */

/* Moves the tangents to where the solution is. True: they all hold already. */
static bool follow_junctions(cj__change *change, cj__state *state)
{
    const cj__c *x = change->frame->rest;
    bool hold = true;
    for (size_t k = 0; k < change->frame->netlist.junction_count; k++) {
        const cj__junction *junction = cj__junction_now(change, k);
        double volt = creal(cj__changed_at(change, x, junction->anode) -
                            cj__changed_at(change, x, junction->cathode));
        double next = cj__junction_limit(junction, state->volt[k], volt), siemens, ampere;
        cj__junction_tangent(junction, next, &siemens, &ampere);
        double current = siemens * next + ampere, was = state->siemens[k] * volt + state->ampere[k];
        if (next == volt && fabs(current - was) <= 1e-9 * fabs(current) + 1e-14)
            continue;
        hold = false;
        state->volt[k] = next, state->siemens[k] = siemens, state->ampere[k] = ampere;
    }
    return hold;
}

/* ---- one pass ---- */

static bool solve_state(cj__change *change, cj__rest *rest)
{
    if (!cj__terms_make(change, change->frame->planes[0], &rest->state) ||
        !cj__terms_factor(change))
        return false;
    rest->poor = change->system.poor;
    cj__terms_solve(change, change->frame->rest);
    return true;
}

cj__c cj__drive_of(const cj__change *change, const cj__c *x, const cj__amp *amp, double omega)
{
    cj__c across = cj__changed_across(change, x, amp->plus, amp->inverting);
    if (omega == 0)
        return amp->gain * (across + amp->offset_v);
    return cj__mul(cj__amp_gain(amp, omega), across);
}

/* Where a section would be next; *off: how far beyond the edge, in swings. From a rail it goes free
 * first: held there, a loop's drive has the gain of the open section, and says no more than that it
 * wants to leave. */
static cj_mode next_mode(const cj__amp *amp, cj_mode mode, double drive, double *off)
{
    double swing = amp->high_v - amp->low_v, slack = 1e-9 * swing + 1e-14 * amp->gain;
    double over = drive - amp->high_v, under = amp->low_v - drive;
    *off = 0;
    if (amp->mode != CJ_LINEAR || !isfinite(swing))
        return mode;
    *off = (mode == CJ_HIGH ? -over : mode == CJ_LOW ? -under : cj__larger(over, under)) / swing;
    if (mode == CJ_LINEAR)
        return over > slack ? CJ_HIGH : under > slack ? CJ_LOW : CJ_LINEAR;
    return *off * swing > slack ? CJ_LINEAR : mode;
}

static int next_clamp(const cj__change *change, const cj__clamp *clamp, int where, double *off)
{
    const cj__c *x = change->frame->rest;
    double volt = creal(cj__changed_at(change, x, clamp->a) - cj__changed_at(change, x, clamp->b));
    int next = volt > clamp->high + (where > 0 ? 0 : 1e-9)  ? 1
               : volt < clamp->low - (where < 0 ? 0 : 1e-9) ? -1
                                                            : 0;
    *off = cj__larger(fabs(volt - clamp->high), fabs(volt - clamp->low));
    return next;
}

/* The change-over that is furthest off, or that the lot fell on. */
typedef struct chosen {
    signed char *what;
    int next;
    double off;
    unsigned *lot;
} chosen;

/* The same in every run: a lot only has to lead out of circles. Factors of the quick generator of
 * Press and others, "Numerical Recipes in C" (1992), 7.1, from memory. */
static unsigned draw(unsigned *lot)
{
    *lot = *lot * 1664525u + 1013904223u;
    return *lot >> 16;
}

/* Which of those that do not hold change over. */
typedef enum choice { ALL, THE_WORST, ONE_BY_LOT } choice;

static void change_over(signed char *what, int next, double off, choice which, chosen *one,
                        int *changes)
{
    if (*what == next)
        return;
    ++*changes;
    if (which == ALL)
        *what = (signed char)next;
    else if (which == THE_WORST ? off >= one->off : draw(one->lot) % (unsigned)*changes == 0)
        *one = (chosen){what, next, off, one->lot};
}

/* Of a section with positive feedback neither the linear stretch nor the rail on that side may
 * hold: one in four that are let go from a rail go right to the other. */
static int by_lot(cj__rest *rest, const chosen *one)
{
    const signed char *modes = rest->state.mode;
    bool section = one->what >= modes && one->what < modes + rest->amp_count;
    if (!section || *one->what == CJ_LINEAR || one->next != CJ_LINEAR || draw(&rest->lot) % 4 != 0)
        return one->next;
    return *one->what == CJ_HIGH ? CJ_LOW : CJ_HIGH;
}

/* Changes modes that do not hold; the number of those. */
static int move_modes(cj__change *change, cj__rest *rest, choice which)
{
    const cj__frame *frame = change->frame;
    chosen one = {NULL, 0, 0, &rest->lot};
    int changes = 0;
    for (size_t k = 0; k < frame->netlist.amp_count; k++) {
        const cj__amp *amp = frame->amps[k];
        double off;
        rest->drive[k] = creal(cj__drive_of(change, frame->rest, amp, 0));
        int next = (int)next_mode(amp, rest->state.mode[k], rest->drive[k], &off);
        change_over(&rest->state.mode[k], next, off, which, &one, &changes);
        for (int c = 0; cj__has_clamps(amp) && c < CJ__CLAMPS; c++) {
            cj__clamp clamp;
            signed char *where = &rest->state.clamp[k * CJ__CLAMPS + (size_t)c];
            if (!cj__clamp_of(amp, c, &clamp))
                continue;
            next = next_clamp(change, &clamp, *where, &off);
            change_over(where, next, off, which, &one, &changes);
        }
    }
    if (one.what)
        *one.what = (signed char)(which == ONE_BY_LOT ? by_lot(rest, &one) : one.next);
    return changes;
}

/* From the state as it is to one that holds. *found: it does. Diodes and sections move together at
 * first: with a section that is far beyond its swing the diodes have no answer. */
static cj_status settle_modes(cj__change *change, cj__rest *rest, choice then, bool *found,
                              cj_error *err)
{
    int limit = AT_ONCE + (then == THE_WORST ? ONE_BY_ONE : BY_LOT) +
                4 * (int)change->frame->netlist.amp_count;
    *found = false;
    rest->lot = 1;
    for (int pass = 0, newton = 0; pass < limit && newton < NEWTON;) {
        if (!solve_state(change, rest))
            return cj_fail_memory(err);
        if (rest->poor)
            return CJ_OK;
        bool hold = follow_junctions(change, &rest->state);
        newton = hold ? 0 : newton + 1;
        if (!hold && newton > AT_ONCE)
            continue;
        *found = move_modes(change, rest, pass < AT_ONCE ? ALL : then) == 0 && hold;
        if (*found)
            return CJ_OK;
        pass += hold || pass < AT_ONCE;
    }
    return CJ_OK;
}

/* ---- starts ---- */

static void start_state(const cj__change *change, cj__rest *rest)
{
    const cj__frame *frame = change->frame;
    cj__state_copy(&frame->netlist, &rest->state, &frame->state);
    for (size_t k = 0; k < change->amp_count; k++) {
        size_t index = (size_t)change->amps[k].index;
        cj_mode now = frame->amps[index]->mode, was = frame->netlist.amps[index].mode;
        if (now != CJ_LINEAR || was != CJ_LINEAR)
            rest->state.mode[index] = (signed char)now;
    }
    for (size_t k = 0; k < change->junction_count; k++) {
        int index = change->junctions[k].index;
        rest->state.volt[index] = 0;
        cj__junction_tangent(&change->junctions[k].now, 0, &rest->state.siemens[index],
                             &rest->state.ampere[index]);
    }
}

static void start_pinned(const cj__change *change, cj__rest *rest, cj_mode mode)
{
    const cj__frame *frame = change->frame;
    start_state(change, rest);
    for (size_t k = 0; k < frame->netlist.amp_count; k++)
        if (frame->amps[k]->mode == CJ_LINEAR && isfinite(frame->amps[k]->high_v))
            rest->state.mode[k] = (signed char)mode;
}

static cj_status settle_from_anywhere(cj__change *change, cj__rest *rest, cj_error *err)
{
    bool found;
    static const cj_mode starts[] = {CJ_LINEAR, CJ_HIGH, CJ_LOW};
    for (size_t k = 0; k < 6; k++) {
        if (starts[k % 3] == CJ_LINEAR)
            start_state(change, rest);
        else
            start_pinned(change, rest, starts[k % 3]);
        cj_status status = settle_modes(change, rest, k < 3 ? THE_WORST : ONE_BY_LOT, &found, err);
        if (status != CJ_OK || rest->poor || found)
            return status;
    }
    return cj_fail(err, CJ_DATA, "", 0, 0,
                   "no resting point found: op-amps and diodes do not settle (tried %d passes from "
                   "linear, all high and all low)",
                   AT_ONCE + BY_LOT + 4 * (int)change->frame->netlist.amp_count);
}

/* ---- what hangs on an offset ---- */

/* How a section's drive follows its own offset. */
static bool offset_gain(cj__change *change, const cj__amp *amp, double *out)
{
    const cj__c *column;
    if (!cj__terms_unit(change, amp->out, &column))
        return false;
    double back = creal(cj__changed_across(change, column, amp->plus, amp->inverting));
    *out = amp->gain * (1 + back * amp->gain / amp->output_ohm);
    return true;
}

/* Positive feedback: the linear point is a hilltop. The section that runs away goes to the rail on
 * which side of its hilltop it starts (at 0 V). False: no section does. */
static cj_status leave_hilltop(cj__change *change, cj__rest *rest, bool *left, cj_error *err)
{
    const cj__frame *frame = change->frame;
    double least = 0;
    int which = -1;
    for (size_t k = 0; k < frame->netlist.amp_count; k++) {
        double gain;
        const cj__amp *amp = frame->amps[k];
        if (rest->state.mode[k] != CJ_LINEAR || amp->mode != CJ_LINEAR || !isfinite(amp->high_v))
            continue;
        if (!offset_gain(change, amp, &gain))
            return cj_fail_memory(err);
        if (gain < least)
            least = gain, which = (int)k;
    }
    *left = which >= 0;
    if (which < 0)
        return CJ_OK;
    double sigma =
        change->emission.numbering->board->parts[frame->amps[which]->part].opamp.offset_v;
    if (fabs(rest->drive[which]) <= sigma * fabs(least))
        rest->fragile = which;
    rest->state.mode[which] = rest->drive[which] < 0 ? CJ_HIGH : CJ_LOW;
    return CJ_OK;
}

/* How far a section's output goes with its offset sigma off, and how far it has to go for another
 * rest. A section at a rail whose loop is closed comes back only as far as its noise gain takes it.
 */
static bool offset_reach(cj__change *change, const cj__rest *rest, size_t k, double sigma,
                         double *reach, double *room)
{
    const cj__amp *amp = change->frame->amps[k];
    double gain, drive = rest->drive[k];
    if (!offset_gain(change, amp, &gain))
        return false;
    *reach = sigma * fabs(gain);
    *room = fmin(amp->high_v - drive, drive - amp->low_v);
    if (rest->state.mode[k] == CJ_LINEAR)
        return true;
    /* held, so that gain = A (1 + loop): freed it would be A / (1 - loop) */
    double loop = gain / amp->gain - 1;
    double beyond = rest->state.mode[k] == CJ_HIGH ? drive - amp->high_v : amp->low_v - drive;
    double freed = loop < 1 ? 1 / (1 - loop) : 1;
    *reach = sigma * amp->gain * freed;
    *room = beyond * freed;
    return true;
}

#define EDGE_V 1.0 /* farther from where its swing ends no output of a maker's differs; judged */

/* The section whose rest would be another with its offset one sigma off; at the very edge of the
 * swing that is no other reading, so a good part of the swing has to be crossed. Where there is
 * none: the section nearest to that edge, on either side, which rests otherwise with a little more
 * swing, or less. */
static cj_status find_doubtful(cj__change *change, cj__rest *rest, cj_error *err)
{
    const cj__frame *frame = change->frame;
    const cj_board *board = change->emission.numbering->board;
    double most = 1;
    rest->edge_v = EDGE_V;
    rest->edges = 0;
    for (size_t k = 0; k < frame->netlist.amp_count; k++) {
        const cj__amp *amp = frame->amps[k];
        double sigma = board->parts[amp->part].opamp.offset_v, reach, room;
        if (amp->mode != CJ_LINEAR || !(sigma > 0) || !isfinite(amp->high_v) || cj__is_cut_off(amp))
            continue; /* one without an offset is ideal: its swing is what it is */
        if (!offset_reach(change, rest, k, sigma, &reach, &room))
            return cj_fail_memory(err);
        if (reach > most * room && reach > 0.1 * (amp->high_v - amp->low_v))
            most = reach / cj__larger(room, 1e-30), rest->fragile = (int)k;
        if (room >= 0 && room < EDGE_V && k < 64)
            rest->edges |= 1ULL << k;
        if (room >= 0 && room < rest->edge_v)
            rest->edge_v = room, rest->edge = (int)k;
    }
    if (rest->fragile >= 0)
        rest->edge = -1;
    return CJ_OK;
}

/* What the outputs give or take, all together. Behind a few ohm it can be amperes on paper where a
 * real output stops at some 50 mA: an output that fights a rail does not take the supply down. */
static double output_amperes(const cj__change *change, const cj__rest *rest)
{
    const cj__frame *frame = change->frame;
    double all = 0;
    for (size_t k = 0; k < frame->netlist.amp_count; k++) {
        const cj__amp *amp = frame->amps[k];
        signed char mode = rest->state.mode[k];
        double volts = mode == CJ_HIGH   ? amp->high_v
                       : mode == CJ_LOW  ? amp->low_v
                       : mode == CJ_HELD ? amp->held_dc_v
                                         : rest->drive[k];
        if (mode != CJ_DEAD)
            all += fabs(volts - creal(cj__changed_at(change, frame->rest, amp->out))) /
                   amp->output_ohm;
    }
    return all;
}

static void find_dead_rails(const cj__change *change, cj__rest *rest)
{
    const cj_board *board = change->emission.numbering->board;
    const cj__netlist *netlist = &change->frame->netlist;
    rest->dead_rail[0] = rest->dead_rail[1] = false;
    if (board->v_plus == CJ_NO_NET || change->frame->step->power_off || netlist->source_count == 0)
        return;
    double limit = CJ__RAIL_LIMIT + output_amperes(change, rest);
    size_t first = netlist->source_count - (board->v_minus > CJ_GND ? 2 : 1);
    for (size_t k = first; k < netlist->source_count; k++) {
        const cj__source *source = &netlist->sources[k];
        double ampere = source->conductance * source->dc_v;
        for (size_t i = 0; i < change->injection_count; i++)
            if (change->injections[i].node == source->node)
                ampere += change->injections[i].ampere;
        ampere -=
            source->conductance * creal(cj__changed_at(change, change->frame->rest, source->node));
        rest->dead_rail[source->node == board->v_plus - 1 ? 0 : 1] = fabs(ampere) > limit;
    }
}

cj_status cj__rest_find(cj__change *change, cj__rest *rest, cj_error *err)
{
    double sign = change->frame->sign;
    rest->fragile = rest->edge = -1;
    cj_status status = settle_from_anywhere(change, rest, err);
    for (size_t k = 0; k <= change->frame->netlist.amp_count; k++) {
        bool left = false, found;
        if (status != CJ_OK || rest->poor || sign * change->system.sign > 0)
            break;
        status = leave_hilltop(change, rest, &left, err);
        if (status != CJ_OK || !left)
            break;
        status = settle_modes(change, rest, THE_WORST, &found, err);
        if (status == CJ_OK && !rest->poor && !found)
            status = settle_from_anywhere(change, rest, err);
    }
    if (status != CJ_OK || rest->poor)
        return status;
    find_dead_rails(change, rest);
    if (rest->bare)
        rest->fragile = -1;
    else
        status = find_doubtful(change, rest, err);
    cj__terms_solve(change, change->frame->rest);
    return status;
}

/* ---- frames ---- */

static bool same_state(const cj__netlist *netlist, const cj__state *x, const cj__state *y)
{
    if (memcmp(x->mode, y->mode, netlist->amp_count) != 0 ||
        memcmp(x->clamp, y->clamp, netlist->amp_count * CJ__CLAMPS) != 0)
        return false;
    for (size_t k = 0; k < netlist->junction_count; k++)
        if (fabs(x->siemens[k] - y->siemens[k]) > 1e-6 * y->siemens[k])
            return false;
    return true;
}

cj_status cj__frame_settle(cj__frame *frame, cj__change *change, cj__rest *rest, cj_error *err)
{
    for (int round = 0; round < ROUNDS; round++) {
        cj__plane *dc;
        cj__planes_drop(frame);
        cj_status status = cj__plane_of(frame, 0, &dc, err);
        if (status == CJ_OK)
            status = cj__change_make(change, frame, NULL, err);
        if (status != CJ_OK)
            return status;
        frame->sign = creal(cj__plane_direction(dc)) < 0 ? -1 : 1;
        cj__plane_rest(dc, frame->rest);
        status = cj__rest_find(change, rest, err);
        if (status != CJ_OK)
            return status;
        if (same_state(&frame->netlist, &rest->state, &frame->state))
            return CJ_OK;
        cj__state_copy(&frame->netlist, &frame->state, &rest->state);
    }
    return cj_fail(err, CJ_DATA, "", 0, 0, "no resting point found in %d rounds", ROUNDS);
}
