/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * netlist.h - one step of one board with one variant, flattened to the elements of an equation.
 *
 * Everything in the room works on this: the AC and DC solutions, the changes from the healthy netlist to an
 * edited one, and the transient. Unknowns are numbered from 0; CJ__EARTH is ground. Nets come first (net n of
 * the board is node n - 1), then nodes that an edit added (a lifted pin).
 */
#ifndef COLDJOINT_CIRCUIT_NETLIST_H
#define COLDJOINT_CIRCUIT_NETLIST_H

#include "coldjoint/circuit.h"

enum { CJ__EARTH = -1 };

/* a ohm (as conductance) and b farad in parallel between two nodes: resistors, capacitors, joints, contacts,
 * loads, leaks. */
typedef struct cj__branch {
    int a, b;
    double conductance, capacitance;
    int parameter;      /* whose ln value it is; -1: none */
    double log_slope;   /* d ln(conductance or capacitance) / d parameter: -1 resistor, +1 capacitor; a
                           potentiometer's halves: see setting */
    int setting;        /* parameter of the rotation; -1: none */
    double setting_slope; /* d conductance / d rotation */
} cj__branch;

/* A voltage behind a resistance to ground: the driven jack, an idle jack (volts 0), a rail. */
typedef struct cj__source {
    int node;
    double conductance;
    double dc_v;
    bool drives;        /* carries the step's tone, peak 1 (all phasors are scaled after) */
} cj__source;

typedef struct cj__amp {
    int part, section;
    int out, inverting, plus; /* nodes */
    int v_plus, v_minus;      /* nodes of its supply; CJ__EARTH where grounded */
    double gbw_hz, slew_v_per_s, gain, offset_v, bias_a, output_ohm, input_conductance;
    double high_v, low_v;     /* where the output stops; infinite without rails */
    cj_mode mode;             /* as edited; CJ_LINEAR: free */
    double held_dc_v, held_peak_v;
    double plus_low, plus_high, inverting_low, inverting_high; /* limits of a lifted pin; infinite otherwise */
    bool clamped;             /* diodes across the inputs: not among the junctions */
    double joint_conductance; /* of a lifted output pin to its net; infinite: not lifted */
} cj__amp;

typedef struct cj__winding_pair {
    int a[2], b[2];     /* nodes of primary and secondary: a positive (dotted) end */
    double ohm[2], henry[2], mutual_h;
} cj__winding_pair;

typedef struct cj__junction {
    int anode, cathode;
    double saturation_a, volt; /* n Vt */
    double series_conductance; /* infinite: none */
} cj__junction;

typedef struct cj__netlist {
    int nodes;
    cj__branch *branches;
    size_t branch_count, branch_capacity;
    cj__source *sources;
    size_t source_count, source_capacity;
    cj__amp *amps;      /* in board order, always all of them */
    size_t amp_count, amp_capacity;
    cj__winding_pair *windings;
    size_t winding_count, winding_capacity;
    cj__junction *junctions;
    size_t junction_count, junction_capacity;
    double leak;        /* conductance from every node to ground */
} cj__netlist;

/* Flattens. Branches of the board's parts come in board order and number whatever the edits, so that two
 * netlists of one step can be compared branch by branch; what an edit adds stands behind them. */
CJ_MUST_CHECK cj_status cj__netlist_make(const cj_board *board, const cj_step *step, const cj_variant *variant,
                                         cj__netlist **out, cj_error *err);
void cj__netlist_free(cj__netlist *netlist);

/* ---- transient.c ---- */

typedef struct cj__transient_answer {
    cj_complex tone[2]; /* V peak, relative to the source's phase (a sine: the phasor of sin is 1) */
    double dc_v[2], thd[2];
    int steps, refactors;
    bool settled;        /* what was left of the start is less than 1e-4 of each channel's signal */
    int unsettled_steps; /* steps in which not every bend found its side; 0 in a sound run */
} cj__transient_answer;

/* Steps the netlist through whole periods of a sine of peak volts at hz and analyses the last one. start_v: the
 * DC point, [nodes], modes: [amp_count] cj_mode at rest. see: nodes of each channel and what it is against. */
typedef struct cj__transient_setup {
    double hz, peak_v;
    bool square; /* peak_v either way instead of a sine */
    int periods, steps_per_period; /* 0, 0: chosen */
    const double *start_v;
    const signed char *modes;
    int see[2], against[2], channels;
} cj__transient_setup;

CJ_MUST_CHECK cj_status cj__transient(const cj__netlist *netlist, const cj__transient_setup *setup,
                                      cj__transient_answer *out, cj_error *err);

#endif
