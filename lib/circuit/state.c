/* SPDX-License-Identifier: GPL-3.0-or-later */
/* state.c - sections, clamps and windings as the equation sees them, and where they rest. */
#include <math.h>
#include <string.h>

#include "circuit/internal.h"

bool cj__state_make(const cj__netlist *netlist, cj__state *out)
{
    out->mode = cj_new(netlist->amp_count, 1);
    out->clamp = cj_new(netlist->amp_count, CJ__CLAMPS);
    out->siemens = cj_new(netlist->junction_count, sizeof(double));
    out->ampere = cj_new(netlist->junction_count, sizeof(double));
    out->volt = cj_new(netlist->junction_count, sizeof(double));
    return out->mode && out->clamp && out->siemens && out->ampere && out->volt;
}

void cj__state_clear(cj__state *state)
{
    cj_free(state->mode);
    cj_free(state->clamp);
    cj_free(state->siemens);
    cj_free(state->ampere);
    cj_free(state->volt);
    *state = (cj__state){0};
}

void cj__state_copy(const cj__netlist *netlist, cj__state *to, const cj__state *from)
{
    memcpy(to->mode, from->mode, netlist->amp_count);
    memcpy(to->clamp, from->clamp, netlist->amp_count * CJ__CLAMPS);
    size_t bytes = netlist->junction_count * sizeof(double);
    memcpy(to->siemens, from->siemens, bytes);
    memcpy(to->ampere, from->ampere, bytes);
    memcpy(to->volt, from->volt, bytes);
}

cj__c cj__amp_gain(const cj__amp *amp, double omega)
{
    return cj__div(amp->gain, CMPLX(1, omega * amp->gain / (2 * M_PI * amp->gbw_hz)));
}

cj__amp_stamp cj__amp_stamp_of(const cj__amp *amp, cj_mode mode, double omega)
{
    double siemens = 1 / amp->output_ohm;
    bool dc = omega == 0;
    switch (mode) {
    case CJ_LINEAR:
        return (cj__amp_stamp){cj__amp_gain(amp, omega) * siemens, siemens,
                               dc ? amp->gain * siemens * amp->offset_v : 0};
    case CJ_HIGH:
        return (cj__amp_stamp){0, siemens, dc ? siemens * amp->high_v : 0};
    case CJ_LOW:
        return (cj__amp_stamp){0, siemens, dc ? siemens * amp->low_v : 0};
    case CJ_HELD:
        return (cj__amp_stamp){0, siemens, siemens * (dc ? amp->held_dc_v : amp->held_peak_v)};
    case CJ_DEAD:
        break;
    }
    return (cj__amp_stamp){0, CJ__LEAK, 0};
}

/* The numbers are those of the transient: piecewise straight, so that both find one answer. */
bool cj__clamp_of(const cj__amp *amp, int which, cj__clamp *out)
{
    if (which == 0) {
        *out = (cj__clamp){amp->plus, amp->inverting, -0.6, 0.6, 0.1};
        return amp->clamped;
    }
    if (which == 1)
        *out = (cj__clamp){amp->plus, CJ__EARTH, amp->plus_low, amp->plus_high, 1e-3};
    else
        *out =
            (cj__clamp){amp->inverting, CJ__EARTH, amp->inverting_low, amp->inverting_high, 1e-3};
    return isfinite(out->low) || isfinite(out->high);
}

void cj__winding_admittance(const cj__winding_pair *pair, double omega, cj__c y[2][2])
{
    cj__c own = CMPLX(pair->ohm[0], omega * pair->henry[0]);
    cj__c other = CMPLX(pair->ohm[1], omega * pair->henry[1]);
    cj__c mutual = CMPLX(0, omega * pair->mutual_h);
    /* not the difference of two products: with tight coupling little is left of it */
    double leakage = pair->henry[0] * pair->henry[1] - pair->mutual_h * pair->mutual_h;
    cj__c determinant =
        CMPLX(pair->ohm[0] * pair->ohm[1] - omega * omega * leakage,
              omega * (pair->ohm[0] * pair->henry[1] + pair->ohm[1] * pair->henry[0]));
    y[0][0] = cj__div(other, determinant);
    y[1][1] = cj__div(own, determinant);
    y[0][1] = y[1][0] = cj__div(-mutual, determinant);
}
