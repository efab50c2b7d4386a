/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * transient.h - inside the transient: the netlist seen from its states and its bends.
 *
 * The linear part of the netlist (resistors, outputs behind their resistance, capacitors and
 * windings as the companions of one step) never changes from step to step, so it is factored once
 * (KLU) and reduced to what the stepping looks at:
 *
 *     look = dc + sine sin(w t) + sum over columns of (column * what flows in it)
 *
 * look: the voltage across each bend, across each capacitor, the current in each winding, the
 * channels. columns: what each bend gives (volts of an op-amp's integrator, amperes of a diode or a
 * limit), then what each capacitor and winding remembers. Only the bends are solved at each step: a
 * small dense system, factored anew when the set of modes changes.
 */
#ifndef COLDJOINT_CIRCUIT_TRANSIENT_H
#define COLDJOINT_CIRCUIT_TRANSIENT_H

#include "circuit/netlist.h"

typedef enum cj__bend_kind {
    CJ__BEND_AMP,      /* gives volts behind its output resistance; sees plus - inverting */
    CJ__BEND_CLAMP,    /* gives amperes: none from low to high, then `slope` siemens beyond */
    CJ__BEND_JUNCTION, /* gives amperes: a diode */
} cj__bend_kind;

typedef struct cj__bend {
    cj__bend_kind kind;
    int plus,
        minus; /* nodes across which it looks; a current flows from plus to minus through it */
    int out;   /* amp: node of its output */
    double slope, low, high;                         /* clamp; amp: limits of its output */
    double out_conductance, gbw, gain, slew, offset; /* amp; gbw in rad/s */
    double saturation, volt, ohm;                    /* junction */
} cj__bend;

/* A linear netlist reduced to its bends. looks rows, columns stored one after another. */
typedef struct cj__ports {
    int bends, capacitors, windings, channels; /* windings: two a transformer */
    int looks;                                 /* sum of the four */
    int columns;                               /* bends + capacitors + windings */
    double *dc, *sine;                         /* [looks] */
    double *column;                            /* [columns * looks] */
} cj__ports;

typedef struct cj__stepper {
    const cj__netlist *netlist;
    const cj__transient_setup *setup;
    cj__bend *bends;
    int bend_count;
    int *capacitors; /* branches that hold charge */
    int capacitor_count;
    double *slope_factored; /* [bends] what slope_now was when they were factored */
    double *open_seconds; /* [bends] that of a section's integrator with its own feedback at rest; 0
                             for others */
    double *seconds;      /* [capacitors] time constant of each at rest, the others taken out */
    double step_s;        /* 0: the DC point */
    cj__ports ports;

    /* what is solved at each step, [bends] */
    double *gives, *sees, *upper, *lower, *rate, *junction_v;
    signed char *state, *factored; /* 0 within, +1 / -1 at the upper / lower bound */
    double *slope_now, *rest_now;  /* gives = slope * sees + rest within */
    signed char *pushed;           /* off a hilltop in this solution, to which bound */
    double *matrix, *right, *column;
    int sign; /* of the determinant of what is factored */
    int *pivot, *active;
    int active_count;
    bool factored_valid;
    int steps, refactors, unsettled;

    /* what is remembered */
    double *state_now;                /* one block, for extrapolation: */
    double *volts, *volts_before;     /* [capacitors] */
    double *amperes, *amperes_before; /* [windings] */
    double *inner, *inner_before;     /* [bends] volts of the integrators (0 for others) */
    int state_size;
    double *look; /* [looks] */
} cj__stepper;

/* transient_ports.c: fills ports for companions of that step (0: DC, capacitors open, windings
 * short). capacitors: indices of the branches with capacitance. free with cj__ports_free. */
CJ_MUST_CHECK cj_status cj__ports_make(const cj__stepper *stepper, double step_s, cj__ports *out,
                                       cj_error *err);
void cj__ports_free(cj__ports *ports);

/* transient_bends.c: finds the bends of a netlist. */
CJ_MUST_CHECK cj_status cj__bends_find(const cj__netlist *netlist, cj__bend **out, int *count,
                                       cj_error *err);
/* Solves the bends, given what each would see if none gave anything (look[bends] of the linear
 * part); leaves gives and sees. upper, lower, slope_now, rest_now of the amps are set by the
 * caller. */
void cj__bends_solve(cj__stepper *stepper, const double *alone);

/* Gaussian elimination with partial pivoting of a dense matrix, row by row, in place; the
 * determinant's sign. */
int cj__lu_factor(double *a, int n, int *pivot);
void cj__lu_solve(const double *a, int n, const int *pivot, double *x);

/* transient_step.c */
CJ_MUST_CHECK cj_status cj__stepper_make(const cj__netlist *netlist,
                                         const cj__transient_setup *setup, int steps_per_period,
                                         cj__stepper **out, cj_error *err);
void cj__stepper_free(cj__stepper *stepper);
/* Takes one step to where the source stands at sine; stepper->look then holds what is seen. */
void cj__stepper_step(cj__stepper *stepper, double sine);

/* ---- transient_settle.c ---- */

typedef struct cj__run {
    cj__stepper *stepper;
    int steps, channels;
    double *drive;         /* [steps] what the source is at each instant, of its peak */
    double *wave, *before; /* [channels * steps] the last period, and the one before */
    int periods;
} cj__run;

/* One period; wave becomes before. */
void cj__run_period(cj__run *run);
/* Runs until what is left of the start is small; *settled: it is. */
CJ_MUST_CHECK cj_status cj__run_settled(cj__run *run, bool *settled, cj_error *err);

#endif
