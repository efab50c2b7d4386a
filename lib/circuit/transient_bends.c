/* SPDX-License-Identifier: GPL-3.0-or-later */
/* transient_bends.c - what bends in a netlist, and the small system of the bends at one instant. */
#include <float.h>
#include <math.h>

#include "circuit/transient.h"

enum {
    PASSES_AT_ONCE = 12, /* every bend on the wrong side changes over */
    PASSES = 80,         /* then only the worst: cannot go round in circles as easily */
};
static const double clamp_v = 0.6;       /* fault_physics: diodes across the inputs */
static const double clamp_siemens = 0.1; /* 10 ohm once they conduct */
static const double limit_siemens = 1e-3;

static int clamps_of(const cj__amp *amp, cj__bend *out)
{
    int count = 0;
    if (amp->clamped)
        out[count++] = (cj__bend){.kind = CJ__BEND_CLAMP,
                                  .plus = amp->plus,
                                  .minus = amp->inverting,
                                  .slope = clamp_siemens,
                                  .low = -clamp_v,
                                  .high = clamp_v};
    if (isfinite(amp->plus_low) || isfinite(amp->plus_high))
        out[count++] = (cj__bend){.kind = CJ__BEND_CLAMP,
                                  .plus = amp->plus,
                                  .minus = CJ__EARTH,
                                  .slope = limit_siemens,
                                  .low = amp->plus_low,
                                  .high = amp->plus_high};
    if (isfinite(amp->inverting_low) || isfinite(amp->inverting_high))
        out[count++] = (cj__bend){.kind = CJ__BEND_CLAMP,
                                  .plus = amp->inverting,
                                  .minus = CJ__EARTH,
                                  .slope = limit_siemens,
                                  .low = amp->inverting_low,
                                  .high = amp->inverting_high};
    return count;
}

cj_status cj__bends_find(const cj__netlist *netlist, cj__bend **out, int *count, cj_error *err)
{
    cj__bend *bends = cj_new(4 * netlist->amp_count + netlist->junction_count + 1, sizeof *bends);
    if (!bends)
        return cj_fail_memory(err);
    int n = 0;
    for (size_t k = 0; k < netlist->amp_count; k++) {
        const cj__amp *amp = &netlist->amps[k];
        if (amp->mode == CJ_LINEAR)
            bends[n++] = (cj__bend){.kind = CJ__BEND_AMP,
                                    .plus = amp->plus,
                                    .minus = amp->inverting,
                                    .out = amp->out,
                                    .low = amp->low_v,
                                    .high = amp->high_v,
                                    .out_conductance = fmin(1 / amp->output_ohm, 1e9),
                                    .gbw = 2 * M_PI * amp->gbw_hz,
                                    .gain = amp->gain,
                                    .slew = amp->slew_v_per_s,
                                    .offset = amp->offset_v};
        n += clamps_of(amp, bends + n);
    }
    for (size_t k = 0; k < netlist->junction_count; k++) {
        const cj__junction *junction = &netlist->junctions[k];
        bends[n++] = (cj__bend){.kind = CJ__BEND_JUNCTION,
                                .plus = junction->anode,
                                .minus = junction->cathode,
                                .saturation = junction->saturation_a,
                                .volt = junction->volt,
                                .ohm = 1 / junction->series_conductance};
    }
    *out = bends;
    *count = n;
    return CJ_OK;
}

/* ---- the small system ---- */

static double column_at(const cj__stepper *s, int from, int to)
{
    return s->ports.column[(size_t)from * (size_t)s->ports.looks + (size_t)to];
}

/* Gives something that depends on what it sees: has a row in the system. */
static bool is_active(const cj__stepper *s, int k)
{
    switch (s->bends[k].kind) {
    case CJ__BEND_AMP:
        return s->state[k] == 0;
    case CJ__BEND_CLAMP:
        return s->state[k] != 0;
    default:
        return true;
    }
}

/* Rows interchanged as in LAPACK's getrf. */
int cj__lu_factor(double *a, int n, int *pivot)
{
    int sign = 1;
    for (int k = 0; k < n; k++) {
        int best = k;
        for (int i = k + 1; i < n; i++)
            if (fabs(a[i * n + k]) > fabs(a[best * n + k]))
                best = i;
        pivot[k] = best;
        for (int j = 0; best != k && j < n; j++) {
            double keep = a[k * n + j];
            a[k * n + j] = a[best * n + j];
            a[best * n + j] = keep;
        }
        sign = (best != k) != (a[k * n + k] < 0) ? -sign : sign;
        double inverse = a[k * n + k] != 0 ? 1 / a[k * n + k] : 0;
        for (int i = k + 1; i < n; i++) {
            double factor = a[i * n + k] *= inverse;
            for (int j = k + 1; factor != 0 && j < n; j++)
                a[i * n + j] -= factor * a[k * n + j];
        }
    }
    return sign;
}

void cj__lu_solve(const double *a, int n, const int *pivot, double *x)
{
    for (int k = 0; k < n; k++) {
        double keep = x[pivot[k]];
        x[pivot[k]] = x[k];
        x[k] = keep;
    }
    for (int i = 1; i < n; i++)
        for (int j = 0; j < i; j++)
            x[i] -= a[i * n + j] * x[j];
    for (int i = n - 1; i >= 0; i--) {
        for (int j = i + 1; j < n; j++)
            x[i] -= a[i * n + j] * x[j];
        x[i] = a[i * n + i] != 0 ? x[i] / a[i * n + i] : 0;
    }
}

/* Rows of steep ones are made smaller. */
static double scale_of(const cj__stepper *s, int k)
{
    return 1 / fmax(1, fabs(s->slope_now[k]));
}

/* gives = slope (alone + sum column gives) + rest for the active ones. Rows are divided by their
 * slope where it is large, which leaves the pivots alone but the size of what is compared alike. */
static void factor(cj__stepper *s)
{
    int n = 0;
    for (int k = 0; k < s->bend_count; k++)
        if (is_active(s, k))
            s->active[n++] = k;
    s->active_count = n;
    for (int i = 0; i < n; i++) {
        double slope = s->slope_now[s->active[i]], scale = scale_of(s, s->active[i]);
        for (int j = 0; j < n; j++)
            s->matrix[i * n + j] =
                -slope * scale * column_at(s, s->active[j], s->active[i]) + (i == j ? scale : 0);
    }
    s->sign = cj__lu_factor(s->matrix, n, s->pivot);
    for (int k = 0; k < s->bend_count; k++) {
        s->factored[k] = s->state[k];
        s->slope_factored[k] = s->slope_now[k];
    }
    s->factored_valid = true;
    s->refactors++;
}

static void take_bound(cj__stepper *s, int k)
{
    if (s->bends[k].kind == CJ__BEND_AMP)
        s->gives[k] = s->state[k] > 0 ? s->upper[k] : s->lower[k];
    else
        s->gives[k] = 0;
}

static void solve_once(cj__stepper *s, const double *alone)
{
    int n = s->active_count;
    for (int k = 0; k < s->bend_count; k++) {
        s->sees[k] = alone[k];
        if (!is_active(s, k))
            take_bound(s, k);
    }
    for (int from = 0; from < s->bend_count; from++)
        if (!is_active(s, from) && s->gives[from] != 0)
            for (int to = 0; to < s->bend_count; to++)
                s->sees[to] += column_at(s, from, to) * s->gives[from];
    for (int i = 0; i < n; i++) {
        int k = s->active[i];
        s->right[i] = (s->slope_now[k] * s->sees[k] + s->rest_now[k]) * scale_of(s, k);
    }
    cj__lu_solve(s->matrix, n, s->pivot, s->right);
    for (int i = 0; i < n; i++) {
        int from = s->active[i];
        s->gives[from] = s->right[i];
        for (int to = 0; to < s->bend_count; to++)
            s->sees[to] += column_at(s, from, to) * s->right[i];
    }
}

/* ---- which side of its corner each bend is on ---- */

/* Where the bend wants to be with what it sees now; by: how far it is on the wrong side. */
static int amp_side(const cj__stepper *s, int k, double *by)
{
    double free_volts = s->slope_now[k] * s->sees[k] + s->rest_now[k];
    double slack = 1e-9 * (1 + fabs(free_volts));
    int want = free_volts > s->upper[k] + slack ? 1 : free_volts < s->lower[k] - slack ? -1 : 0;
    double corner = (want ? want : s->state[k]) > 0 ? s->upper[k] : s->lower[k];
    *by = want == s->state[k] ? 0 : fabs(free_volts - corner) / fmax(1, s->slope_now[k]);
    if (want == 0 && s->state[k] != 0 && *by < slack / fmax(1, s->slope_now[k])) {
        want = s->state[k]; /* on the corner itself: stays */
        *by = 0;
    }
    return want;
}

static int clamp_side(const cj__stepper *s, int k, double *by)
{
    const cj__bend *bend = &s->bends[k];
    double sees = s->sees[k], slack = 1e-9;
    int want = sees > bend->high + (s->state[k] > 0 ? -slack : slack)  ? 1
               : sees < bend->low - (s->state[k] < 0 ? -slack : slack) ? -1
                                                                       : 0;
    *by = want == s->state[k]           ? 0
          : want > 0 || s->state[k] > 0 ? fabs(sees - bend->high)
                                        : fabs(sees - bend->low);
    return want;
}

static void clamp_line(cj__stepper *s, int k)
{
    const cj__bend *bend = &s->bends[k];
    s->slope_now[k] = s->state[k] ? bend->slope : 0;
    s->rest_now[k] = s->state[k] ? -bend->slope * (s->state[k] > 0 ? bend->high : bend->low) : 0;
}

static void change_side(cj__stepper *s, int k, int side)
{
    s->state[k] = (signed char)side;
    if (s->bends[k].kind == CJ__BEND_CLAMP)
        clamp_line(s, k);
}

/* All bends on the wrong side change over, or only the worst. False: none was. */
static bool change_sides(cj__stepper *s, bool only_worst)
{
    int worst = -1, worst_side = 0;
    double worst_by = 0;
    for (int k = 0; k < s->bend_count; k++) {
        double by;
        if (s->bends[k].kind == CJ__BEND_JUNCTION)
            continue;
        int want = s->bends[k].kind == CJ__BEND_AMP ? amp_side(s, k, &by) : clamp_side(s, k, &by);
        if (want == s->state[k])
            continue;
        /* an output goes from one bound to the other by way of the linear stretch: with negative
         * feedback the answer lies there */
        int side = want == -s->state[k] && s->bends[k].kind == CJ__BEND_AMP ? 0 : want;
        if (worst < 0 || by > worst_by) {
            worst = k;
            worst_side = side;
            worst_by = by;
        }
        if (!only_worst)
            change_side(s, k, side);
    }
    if (only_worst && worst >= 0)
        change_side(s, worst, worst_side);
    return worst >= 0;
}

/* A determinant below 0 means positive feedback that runs away faster than a step: at s = 1.5 / h,
 * on the real axis, an odd number of poles is still to the right, whereas far out (where no section
 * amplifies) the sign is +. The linear answer is then a hilltop. The section whose own removal
 * turns the sign goes to the bound on the side of the hilltop on which it was. */
static void leave_hilltop(cj__stepper *s)
{
    int n = s->active_count, which = -1;
    double least = INFINITY;
    for (int i = 0; i < n; i++) {
        int k = s->active[i];
        if (s->bends[k].kind != CJ__BEND_AMP || !isfinite(s->upper[k]))
            continue;
        for (int j = 0; j < n; j++)
            s->column[j] = j == i ? scale_of(s, k) : 0;
        cj__lu_solve(s->matrix, n, s->pivot, s->column);
        if (s->column[i] < least) {
            least = s->column[i];
            which = k;
        }
    }
    if (which < 0)
        return;
    int side = s->inner[which] > s->gives[which] ? 1 : -1;
    if (s->pushed[which] == side) /* that was no answer */
        side = -side;
    s->pushed[which] = (signed char)side;
    change_side(s, which, side);
}

/* ---- diodes ---- */

/* The tangent at junction_v. */
static void junction_line(cj__stepper *s, int k)
{
    const cj__bend *bend = &s->bends[k];
    double e = exp(fmin(s->junction_v[k] / bend->volt, 200));
    double slope = bend->saturation * e / bend->volt;
    double rest = bend->saturation * (e - 1) - slope * s->junction_v[k];
    s->slope_now[k] = slope / (1 + slope * bend->ohm);
    s->rest_now[k] = rest / (1 + slope * bend->ohm);
}

/* Voltage limiting after Nagel, "SPICE2" (UCB/ERL M520, 1975), from memory: above the critical
 * voltage a step goes along the logarithm. */
static double limited(const cj__bend *bend, double old, double now)
{
    double critical = bend->volt * log(bend->volt / (M_SQRT2 * bend->saturation));
    if (now <= critical || fabs(now - old) <= 2 * bend->volt)
        return now;
    if (old <= 0)
        return bend->volt * log(fmax(now / bend->volt, 1.0001));
    double along = 1 + (now - old) / bend->volt;
    return along > 0 ? old + bend->volt * log(along) : critical;
}

/* What a diode carries may be off by so much, of itself and in A: less than any leak. */
static const double same_current = 1e-9, no_current = 1e-13;
static const double no_siemens = 1e-12; /* of a diode that blocks */

/* Whether what it sees is on its curve. */
static bool on_curve(const cj__bend *bend, double volts, double ampere)
{
    double curve = bend->saturation * (exp(fmin(volts / bend->volt, 200)) - 1);
    return fabs(ampere - curve) <= same_current * fabs(curve) + no_current;
}

/* Takes every diode along its tangent; false: all were there. */
static bool move_junctions(cj__stepper *s)
{
    bool moved = false;
    for (int k = 0; k < s->bend_count; k++) {
        const cj__bend *bend = &s->bends[k];
        if (bend->kind != CJ__BEND_JUNCTION)
            continue;
        double now = s->sees[k] - s->gives[k] * bend->ohm, old = s->junction_v[k];
        if (on_curve(bend, now, s->gives[k])) {
            s->junction_v[k] = now;
            continue;
        }
        s->junction_v[k] = limited(bend, old, now);
        moved = moved || fabs(now - old) > 1e-7 + 1e-7 * fabs(now);
        junction_line(s, k);
    }
    return moved;
}

static bool factors_fit(const cj__stepper *s)
{
    if (!s->factored_valid)
        return false;
    for (int k = 0; k < s->bend_count; k++) {
        bool junction = s->bends[k].kind == CJ__BEND_JUNCTION;
        if (junction ? fabs(s->slope_factored[k] - s->slope_now[k]) > no_siemens
                     : s->factored[k] != s->state[k])
            return false;
    }
    return true;
}

void cj__bends_solve(cj__stepper *s, const double *alone)
{
    for (int k = 0; k < s->bend_count; k++) {
        s->pushed[k] = 0;
        if (s->bends[k].kind == CJ__BEND_JUNCTION)
            junction_line(s, k);
        else if (s->bends[k].kind == CJ__BEND_CLAMP)
            clamp_line(s, k);
    }
    for (int pass = 0; pass < PASSES; pass++) {
        if (!factors_fit(s))
            factor(s);
        solve_once(s, alone);
        if (s->sign < 0) {
            leave_hilltop(s);
            move_junctions(s);
            continue;
        }
        bool changed = change_sides(s, pass >= PASSES_AT_ONCE);
        bool moved = move_junctions(s);
        if (!changed && !moved)
            return;
    }
    s->unsettled++;
}
