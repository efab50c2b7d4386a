/* SPDX-License-Identifier: GPL-3.0-or-later */
/* transient_step.c - the DC point the stepping starts from, and one step. */
#include <math.h>

#include "circuit/transient.h"

void cj__stepper_free(cj__stepper *s)
{
    if (!s)
        return;
    cj__ports_free(&s->ports);
    cj_free(s->bends);
    cj_free(s->capacitors);
    cj_free(s->seconds);
    cj_free(s->gives);
    cj_free(s->state);
    cj_free(s->matrix);
    cj_free(s->pivot);
    cj_free(s->state_now);
    cj_free(s->look);
    cj_free(s);
}

/* One block each for the doubles, the bytes and the integers of the bends. */
static bool make_bend_memory(cj__stepper *s)
{
    size_t n = (size_t)s->bend_count + 1;
    double *block = cj_new(12 * n, sizeof(double));
    s->gives = block;
    s->state = cj_new(3 * n, 1);
    s->pivot = cj_new(2 * n, sizeof(int));
    s->matrix = cj_new(n * n, sizeof(double));
    if (!block || !s->state || !s->pivot || !s->matrix)
        return false;
    double **parts[] = {&s->gives, &s->sees,       &s->upper,        &s->lower,
                        &s->rate,  &s->junction_v, &s->slope_now,    &s->rest_now,
                        &s->right, &s->column,     &s->open_seconds, &s->slope_factored};
    for (size_t k = 0; k < sizeof parts / sizeof *parts; k++)
        *parts[k] = block + k * n;
    s->factored = s->state + n;
    s->pushed = s->state + 2 * n;
    s->active = s->pivot + n;
    return true;
}

static bool make_state_memory(cj__stepper *s)
{
    size_t capacitors = (size_t)s->capacitor_count, windings = 2 * s->netlist->winding_count;
    s->state_size = 2 * ((int)(capacitors + windings) + s->bend_count);
    s->state_now = cj_new((size_t)s->state_size + 1, sizeof(double));
    if (!s->state_now)
        return false;
    s->volts = s->state_now;
    s->volts_before = s->volts + capacitors;
    s->amperes = s->volts_before + capacitors;
    s->amperes_before = s->amperes + windings;
    s->inner = s->amperes_before + windings;
    s->inner_before = s->inner + s->bend_count;
    s->look = cj_new(capacitors + windings + (size_t)s->bend_count + 3, sizeof(double));
    return s->look != NULL;
}

static cj_status find_capacitors(cj__stepper *s, cj_error *err)
{
    s->capacitors = cj_new(s->netlist->branch_count + 1, sizeof *s->capacitors);
    s->seconds = cj_new(s->netlist->branch_count + 1, sizeof *s->seconds);
    if (!s->capacitors || !s->seconds)
        return cj_fail_memory(err);
    for (size_t k = 0; k < s->netlist->branch_count; k++) {
        const cj__branch *branch = &s->netlist->branches[k];
        if (branch->capacitance > 0 && branch->a != branch->b)
            s->capacitors[s->capacitor_count++] = (int)k;
    }
    return CJ_OK;
}

static double start_across(const cj__stepper *s, int a, int b)
{
    const double *v = s->setup->start_v;
    return !v ? 0 : (a < 0 ? 0 : v[a]) - (b < 0 ? 0 : v[b]);
}

/* The sides the bends start from: the modes at rest, and what the start says about diodes and
 * limits. */
static void start_sides(cj__stepper *s)
{
    int bend = 0;
    for (size_t k = 0; k < s->netlist->amp_count && s->setup->modes; k++) {
        if (s->netlist->amps[k].mode != CJ_LINEAR)
            continue;
        while (s->bends[bend].kind != CJ__BEND_AMP)
            bend++;
        signed char mode = s->setup->modes[k];
        s->state[bend++] = mode == CJ_HIGH ? 1 : mode == CJ_LOW ? -1 : 0;
    }
    for (int k = 0; k < s->bend_count; k++) {
        const cj__bend *b = &s->bends[k];
        double sees = start_across(s, b->plus, b->minus);
        if (b->kind == CJ__BEND_JUNCTION)
            s->junction_v[k] = fmin(sees, 0.8);
        else if (b->kind == CJ__BEND_CLAMP)
            s->state[k] = sees > b->high ? 1 : sees < b->low ? -1 : 0;
    }
}

static void add_columns(const cj__stepper *s, int first, int count, const double *amounts,
                        double *look)
{
    int looks = s->ports.looks;
    for (int k = 0; k < count; k++) {
        const double *column = s->ports.column + (size_t)(first + k) * (size_t)looks;
        double amount = amounts[k];
        for (int j = 0; amount != 0 && j < looks; j++)
            look[j] += amount * column[j];
    }
}

/* Ohm that a capacitor sees at rest, others taken out: outputs as they stand, or with the sections
 * that are linear at work (an integrator's), whichever is more. */
static double ohm_at(cj__stepper *s, int capacitor)
{
    const cj__ports *ports = &s->ports;
    size_t looks = (size_t)ports->looks, own = (size_t)(s->bend_count + capacitor);
    const double *column = ports->column + own * looks;
    double still = column[own], at_work = still;
    for (int i = 0; i < s->active_count; i++)
        s->right[i] = s->slope_now[s->active[i]] * column[s->active[i]] /
                      fmax(1, fabs(s->slope_now[s->active[i]]));
    cj__lu_solve(s->matrix, s->active_count, s->pivot, s->right);
    for (int i = 0; i < s->active_count; i++)
        at_work += ports->column[(size_t)s->active[i] * looks + own] * s->right[i];
    return fmax(fabs(still), fabs(at_work));
}

static void find_seconds(cj__stepper *s)
{
    for (int k = 0; k < s->bend_count; k++) {
        const cj__bend *b = &s->bends[k];
        if (b->kind != CJ__BEND_AMP)
            continue;
        double back = s->ports.column[(size_t)k * ((size_t)s->ports.looks + 1)];
        s->open_seconds[k] = 1 / (b->gbw * (1 / b->gain + fmax(-back, 0)));
    }
    for (int k = 0; k < s->capacitor_count; k++)
        s->seconds[k] = ohm_at(s, k) * s->netlist->branches[s->capacitors[k]].capacitance;
}

/* An op-amp at rest is its gain between its limits. */
static cj_status start_at_rest(cj__stepper *s, cj_error *err)
{
    cj_status status = cj__ports_make(s, 0, &s->ports, err);
    if (status)
        return status;
    start_sides(s);
    for (int k = 0; k < s->bend_count; k++) {
        const cj__bend *b = &s->bends[k];
        s->upper[k] = b->high;
        s->lower[k] = b->low;
        if (b->kind == CJ__BEND_AMP) {
            s->slope_now[k] = b->gain;
            s->rest_now[k] = b->gain * b->offset;
        }
    }
    for (int j = 0; j < s->ports.looks; j++)
        s->look[j] = s->ports.dc[j];
    cj__bends_solve(s, s->look);
    find_seconds(s);
    add_columns(s, 0, s->bend_count, s->gives, s->look);
    const double *look = s->look + s->bend_count;
    for (int k = 0; k < s->capacitor_count; k++)
        s->volts[k] = s->volts_before[k] = *look++;
    for (int k = 0; k < s->ports.windings; k++)
        s->amperes[k] = s->amperes_before[k] = *look++;
    for (int k = 0; k < s->bend_count; k++)
        s->inner[k] = s->inner_before[k] = s->bends[k].kind == CJ__BEND_AMP ? s->gives[k] : 0;
    cj__ports_free(&s->ports);
    s->factored_valid = false;
    return CJ_OK;
}

cj_status cj__stepper_make(const cj__netlist *netlist, const cj__transient_setup *setup,
                           int steps_per_period, cj__stepper **out, cj_error *err)
{
    cj_status status = CJ_OK;
    cj__stepper *s = cj_new(1, sizeof *s);
    if (!s)
        return cj_fail_memory(err);
    s->netlist = netlist;
    s->setup = setup;
    status = find_capacitors(s, err);
    if (!status)
        status = cj__bends_find(netlist, &s->bends, &s->bend_count, err);
    if (!status && (!make_bend_memory(s) || !make_state_memory(s)))
        status = cj_fail_memory(err);
    if (!status)
        status = start_at_rest(s, err);
    s->step_s = 1 / (setup->hz * steps_per_period);
    if (!status)
        status = cj__ports_make(s, s->step_s, &s->ports, err);
    if (status)
        cj__stepper_free(s);
    else
        *out = s;
    return status;
}

/* dx/dt = gbw (sees + offset) - x gbw / gain by BDF2, within the slew limit. An output goes as far
 * as the nearer of slew and swing. */
static void set_amp(cj__stepper *s, int k)
{
    const cj__bend *b = &s->bends[k];
    double h = s->step_s, before = s->inner[k];
    double keeps = isfinite(b->gbw) ? 1 / (1.5 + h * b->gbw / b->gain) : 0;
    s->slope_now[k] = isfinite(b->gbw) ? h * b->gbw * keeps : b->gain;
    s->rest_now[k] = keeps * (2 * before - 0.5 * s->inner_before[k]) + s->slope_now[k] * b->offset;
    s->upper[k] = fmin(b->high, before + h * b->slew);
    s->lower[k] = fmax(b->low, before - h * b->slew);
    if (s->upper[k] < s->lower[k]) /* a start beyond the swing */
        s->upper[k] = s->lower[k] = before > b->high ? b->high : b->low;
}

/* What the integrator asks for, V/s, were there no slew limit. */
static double asked_rate(const cj__stepper *s, int k)
{
    const cj__bend *b = &s->bends[k];
    return b->gbw * (s->sees[k] + b->offset - s->gives[k] / b->gain);
}

/* Volts that a rate of change which runs straight from 0 to `rate` in `part` of a step moves an
 * output, within its slew limit. */
static double moved_by(double rate, double slew, double seconds)
{
    rate = fabs(rate);
    return rate <= slew ? 0.5 * rate * seconds : slew * seconds * (1 - 0.5 * slew / rate);
}

/* Where what it asks for changed its sign within the step, an output that slews did so only from
 * then on: without this an edge would come half a step early on average. True: a bound was moved.
 */
static bool correct_turns(cj__stepper *s)
{
    bool moved = false;
    for (int k = 0; k < s->bend_count; k++) {
        const cj__bend *b = &s->bends[k];
        if (b->kind != CJ__BEND_AMP || s->state[k] == 0 || !isfinite(b->slew))
            continue;
        double was = s->rate[k], now = asked_rate(s, k), h = s->step_s;
        if (!(was * now < 0) || s->state[k] * now < 0)
            continue;
        double left = now / (now - was); /* part of the step that is left after the turn */
        double towards = now > 0 ? 1 : -1;
        double turn = s->inner[k] - towards * moved_by(was, b->slew, h * (1 - left));
        turn = fmin(fmax(turn, b->low), b->high);
        double reach = turn + towards * moved_by(now, b->slew, h * left);
        if (towards > 0)
            s->upper[k] = fmin(b->high, reach);
        else
            s->lower[k] = fmax(b->low, reach);
        moved = true;
    }
    return moved;
}

static void remember(cj__stepper *s)
{
    const double *look = s->look + s->bend_count;
    for (int k = 0; k < s->capacitor_count; k++) {
        s->volts_before[k] = s->volts[k];
        s->volts[k] = *look++;
    }
    for (int k = 0; k < s->ports.windings; k++) {
        s->amperes_before[k] = s->amperes[k];
        s->amperes[k] = *look++;
    }
    for (int k = 0; k < s->bend_count; k++)
        if (s->bends[k].kind == CJ__BEND_AMP) {
            s->rate[k] = asked_rate(s, k);
            bool stopped = s->gives[k] >= s->bends[k].high || s->gives[k] <= s->bends[k].low;
            s->inner_before[k] =
                stopped ? s->gives[k] : s->inner[k]; /* at its swing it stands still */
            s->inner[k] = s->gives[k];
        }
}

/* look of the linear part alone: sources, and what capacitors and windings remember (BDF2). */
static void look_alone(cj__stepper *s, double sine)
{
    int looks = s->ports.looks;
    double *look = s->look;
    for (int j = 0; j < looks; j++)
        look[j] = s->ports.dc[j] + sine * s->ports.sine[j];
    for (int k = 0; k < s->capacitor_count; k++) {
        double farad = s->netlist->branches[s->capacitors[k]].capacitance;
        double amount = farad / s->step_s * (2 * s->volts[k] - 0.5 * s->volts_before[k]);
        add_columns(s, s->bend_count + k, 1, &amount, look);
    }
    for (int k = 0; k < s->ports.windings; k++) {
        const cj__winding_pair *pair = &s->netlist->windings[k / 2];
        int other = k ^ 1;
        double own = 2 * s->amperes[k] - 0.5 * s->amperes_before[k];
        double across = 2 * s->amperes[other] - 0.5 * s->amperes_before[other];
        double amount = -(pair->henry[k % 2] * own + pair->mutual_h * across) / s->step_s;
        add_columns(s, s->bend_count + s->capacitor_count + k, 1, &amount, look);
    }
}

void cj__stepper_step(cj__stepper *s, double sine)
{
    look_alone(s, sine);
    for (int k = 0; k < s->bend_count; k++)
        if (s->bends[k].kind == CJ__BEND_AMP)
            set_amp(s, k);
    cj__bends_solve(s, s->look);
    if (correct_turns(s))
        cj__bends_solve(s, s->look);
    add_columns(s, 0, s->bend_count, s->gives, s->look);
    remember(s);
    s->steps++;
}
