/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * spread.c - how a reading follows the parameters: the adjoint of what is seen against the
 * solution.
 *
 * d v_see / d theta = a' (d b / d theta - (d Y / d theta) x) with Y' a = e_see (S. W. Director and
 * R. A. Rohrer, 1969; from memory).
 */
#include <math.h>
#include <string.h>

#include "circuit/internal.h"

static cj__c across(const cj__c *v, int a, int b)
{
    return v[a + 1] - v[b + 1];
}

static void by_branch(const cj_bench *bench, const cj__branch *branch, double omega, cj__c *by)
{
    if (branch->parameter < 0)
        return;
    cj__c both = cj__mul(across(bench->adjoint, branch->a, branch->b),
                         across(bench->solution, branch->a, branch->b));
    by[branch->parameter] -=
        branch->log_slope * cj__mul(CMPLX(branch->conductance, omega * branch->capacitance), both);
    if (branch->setting >= 0)
        by[branch->setting] -= branch->setting_slope * both;
}

static bool is_changed(const cj__change *change, size_t index)
{
    for (size_t k = 0; k < change->branch_count; k++)
        if (change->branches[k].index == (int)index)
            return true;
    return false;
}

static void by_branches(const cj__task *task, double omega, cj__c *by)
{
    const cj__change *change = &task->bench->change;
    const cj__netlist *netlist = &task->frame->netlist;
    size_t first = netlist->branch_count, last = 0; /* of those that are changed */
    for (size_t k = 0; k < change->branch_count; k++) {
        if (change->branches[k].index < 0)
            continue;
        size_t index = (size_t)change->branches[k].index;
        first = index < first ? index : first, last = index > last ? index : last;
        by_branch(task->bench, &change->branches[k].now, omega, by);
    }
    for (size_t k = 0; k < netlist->branch_count; k++)
        if (k < first || k > last || !is_changed(change, k))
            by_branch(task->bench, &netlist->branches[k], omega, by);
}

static void by_amp(const cj__task *task, const cj__amp *amp, cj_mode mode, cj__c *by)
{
    const cj_bench *bench = task->bench;
    double omega = bench->change.plane->omega, siemens = 1 / amp->output_ohm;
    cj__c out = bench->adjoint[amp->out + 1];
    bool held = mode == CJ_HIGH || mode == CJ_LOW || mode == CJ_HELD;
    if (mode != CJ_DEAD) { /* (k Vd + f - siemens Vout) falls by itself as the resistance rises */
        cj__amp_stamp stamp = cj__amp_stamp_of(amp, mode, omega);
        cj__c current = cj__mul(stamp.k, across(bench->solution, amp->plus, amp->inverting)) +
                        stamp.f - stamp.siemens * bench->solution[amp->out + 1];
        by[CJ_P_OUTPUT - CJ_P_OFFSET] = -cj__mul(out, current);
    }
    if (omega == 0) {
        by[CJ_P_OFFSET - CJ_P_OFFSET] = mode == CJ_LINEAR ? out * (amp->gain * siemens) : 0;
        by[CJ_P_BIAS - CJ_P_OFFSET] =
            -bench->adjoint[amp->plus + 1] - bench->adjoint[amp->inverting + 1];
        by[CJ_P_HELD - CJ_P_OFFSET] = held ? out * siemens : 0;
        return;
    }
    if (mode == CJ_LINEAR) { /* A (1 - A / gain) is the slope of A on ln of the bandwidth */
        cj__c gain = cj__amp_gain(amp, omega);
        cj__c slope = cj__mul(gain, 1 - gain / amp->gain) * siemens;
        by[CJ_P_GBW - CJ_P_OFFSET] =
            cj__mul(cj__mul(out, slope), across(bench->solution, amp->plus, amp->inverting));
    }
}

void cj__spread(const cj__task *task, const cj__state *state, double peak, cj__c *by)
{
    cj_bench *bench = task->bench;
    double omega = bench->change.plane->omega;
    memset(by, 0, bench->numbering.parameter_count * sizeof(cj__c));
    by_branches(task, omega, by);
    if (bench->board->steps[task->look->step].power_off)
        return; /* dead sections have nothing to follow */
    for (size_t k = 0; k < task->frame->netlist.amp_count; k++) {
        const cj__amp *amp = task->frame->amps[k];
        cj_mode mode = state->mode[k];
        cj__c *own = by + bench->numbering.first_parameter[amp->part] +
                     amp->section * (CJ_P_RESIDUE - CJ_P_OFFSET + 1);
        by_amp(task, amp, mode, own);
        if (omega > 0 && (mode == CJ_HIGH || mode == CJ_LOW || mode == CJ_HELD))
            own[CJ_P_RESIDUE - CJ_P_OFFSET] =
                bench->adjoint[amp->out + 1] * (peak / amp->output_ohm);
    }
}
