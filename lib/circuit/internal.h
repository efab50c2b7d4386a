/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * internal.h - how the room works inside.
 *
 *   parts.c      a part, with what edits do to it, becomes elements
 *   netlist.c    all elements of a step
 *   plane.c      the equations at one frequency, factored; columns and rows of their inverse, kept
 *   system.c     a small dense system with its factors
 *   change.c     what a variant changes in a netlist, and the solution that follows
 *   junction.c   diodes
 *   rest.c       the DC point: which section rests where
 *   bench.c      netlists and planes shared by the steps
 *   predict.c    what a look reads
 *   spread.c     how that follows the parameters
 *   poles.c      whether the circuit oscillates
 */
#ifndef COLDJOINT_CIRCUIT_INTERNAL_H
#define COLDJOINT_CIRCUIT_INTERNAL_H

#include <complex.h>
#include <suitesparse/klu.h>

#include "circuit/netlist.h"

typedef double complex cj__c;

/* Plain products: C's own look for infinities first. */
static inline cj__c cj__mul(cj__c a, cj__c b)
{
    double ar = creal(a), ai = cimag(a), br = creal(b), bi = cimag(b);
    return CMPLX(ar * br - ai * bi, ar * bi + ai * br);
}

static inline cj__c cj__div(cj__c a, cj__c b)
{
    double scale = 1 / (creal(b) * creal(b) + cimag(b) * cimag(b));
    return cj__mul(a, CMPLX(creal(b) * scale, -cimag(b) * scale));
}

#define CJ__LEAK 1e-12 /* siemens from every node to ground; also of a dead output */
#define CJ__CONTACT_OHM 1e-3
#define CJ__RAIL_LIMIT 1.0 /* A: what a bench supply gives before its rail is at 0 V */

/* ---- parts.c ---- */

/* Where a part's parameters and sections begin in the lists of all. */
typedef struct cj__numbering {
    const cj_board *board;
    int *first_parameter, *first_amp; /* [parts] */
    cj_parameter *parameters;
    size_t parameter_count, amp_count;
} cj__numbering;

cj_status cj__numbering_make(const cj_board *board, cj__numbering *out, cj_error *err);
void cj__numbering_clear(cj__numbering *numbering);

typedef struct cj__lift {
    int part, pin, node;
    double ohm, farad;
} cj__lift;

/* A step and a variant on the way to elements. Kept and used again: it allocates only to grow. */
typedef struct cj__emission {
    const cj__numbering *numbering;
    const cj_step *step;
    const cj_edit *edits;
    size_t edit_count;
    cj__lift *lifts;
    size_t lift_count, lift_capacity;
    int nodes; /* with those of lifted pins */
    double plus_v, minus_v;
} cj__emission;

/* Checks the edits and finds the lifted pins. variant may be NULL. */
cj_status cj__emission_start(cj__emission *emission, const cj_step *step, const cj_variant *variant,
                             cj_error *err);
void cj__emission_clear(cj__emission *emission);
/* The node a pin is on; CJ__EARTH too where it is on nothing (*nowhere). */
int cj__pin_node(const cj__emission *emission, int part, int pin, bool *nowhere);
/* Adds the elements of a part, always as many of each kind; false: out of memory. */
bool cj__emit_part(const cj__emission *emission, int part, cj__netlist *into);
/* Adds what the edits bring: joints, strays, bridges, leaks, probes. */
bool cj__emit_edits(const cj__emission *emission, cj__netlist *into);
bool cj__add_branch(cj__netlist *into, int a, int b, double siemens, double farad);

/* ---- netlist.c ---- */

cj_status cj__netlist_fill(const cj__emission *emission, cj__netlist *into);
void cj__netlist_empty(cj__netlist *netlist); /* counts to 0, memory kept */
void cj__netlist_clear(cj__netlist *netlist); /* memory given back */

#endif
