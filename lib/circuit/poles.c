/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * poles.c - does the linear circuit oscillate?
 *
 * With every section dead the circuit is passive and stable. The ratio of the determinants, F(s) =
 * det Y(s) / det Y_passive(s), is the return difference (H. W. Bode, 1945): it tends to 1 at high
 * frequency, its zeros are the poles of the closed loops. The angle that F(j w) turns through from
 * 0 to infinity is - pi for each of them in the right half plane (the principle of the argument).
 */
#include <math.h>

#include "circuit/internal.h"

enum { PER_DECADE = 12 };
static const double lowest_hz = 1e-4, least_top_hz = 1e8;
static const double turn_at_once = 0.6; /* rad: a longer step is halved */
static const double closest = 1e-7;     /* relative: poles that near the axis are on it */

/* The return difference's direction. */
static cj_status difference(cj__frame *frame, double omega, cj__c *out, cj_error *err)
{
    cj__c whole, passive;
    cj_status status = cj__direction_at(frame, omega, false, &whole, err);
    if (status == CJ_OK)
        status = cj__direction_at(frame, omega, true, &passive, err);
    if (status == CJ_OK)
        *out = cj__mul(whole, conj(passive));
    return status;
}

typedef struct stop {
    double omega;
    cj__c f;
} stop;

/* The angle from one frequency to another, in steps short enough to be followed. */
static cj_status turn_between(cj__frame *frame, stop from, stop to, double *turn, cj_error *err)
{
    stop ahead[64]; /* stops still to be reached, the nearest on top */
    int count = 0;
    ahead[count++] = to;
    while (count) {
        stop next = ahead[count - 1];
        double step = carg(cj__mul(next.f, conj(from.f)));
        if (fabs(step) <= turn_at_once || next.omega - from.omega <= closest * next.omega ||
            count == 64) {
            *turn += step;
            from = next;
            count--;
            continue;
        }
        stop middle = {from.omega > 0 ? sqrt(from.omega * next.omega) : next.omega / 10, 0};
        cj_status status = difference(frame, middle.omega, &middle.f, err);
        if (status != CJ_OK)
            return status;
        ahead[count++] = middle;
    }
    return CJ_OK;
}

static double top_omega(const cj__frame *frame)
{
    double top = least_top_hz;
    for (size_t k = 0; k < frame->netlist.amp_count; k++)
        top = fmax(top, 100 * frame->netlist.amps[k].gbw_hz);
    return 2 * M_PI * top;
}

cj_status cj__unstable_poles(cj__frame *frame, int *out, cj_error *err)
{
    double turn = 0, top = top_omega(frame);
    stop here = {0, 0}, next;
    cj_status status = difference(frame, 0, &here.f, err);
    for (double omega = 2 * M_PI * lowest_hz; status == CJ_OK && here.omega < top;
         omega *= pow(10, 1.0 / PER_DECADE)) {
        next.omega = omega;
        status = difference(frame, omega, &next.f, err);
        if (status == CJ_OK)
            status = turn_between(frame, here, next, &turn, err);
        here = next;
    }
    /* what is left to 1 at infinity */
    *out = (int)lround(-(turn - carg(here.f)) / M_PI);
    return status;
}
