/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * internal.h - how the room works inside.
 *
 *   numbering.c  the parameters of a board
 *   parts.c      a part, with what edits do to it, becomes elements
 *   netlist.c    all elements of a step
 *   state.c      sections, clamps and windings as the equations see them
 *   plane.c      the equations at one frequency, factored; columns and rows of their inverse, kept
 *   system.c     a small dense system with its factors
 *   change.c     which elements a variant changes
 *   terms.c      those changes as rank-one terms at a frequency
 *   solve.c      the changed solution
 *   junction.c   diodes
 *   rest.c       the DC point: which section rests where
 *   lonely.c     nets on which one part hangs alone
 *   bench.c      netlists and planes shared by the steps
 *   predict.c    what a look reads
 *   clipping.c   the same stepped through time, by transient*.c
 *   response.c   at any frequencies
 *   spread.c     how that follows the parameters
 *   poles.c      whether the circuit oscillates
 */
#ifndef COLDJOINT_CIRCUIT_INTERNAL_H
#define COLDJOINT_CIRCUIT_INTERNAL_H

#include <complex.h>
#include <math.h>
#include <suitesparse/klu.h>

#include "circuit/netlist.h"

typedef double complex cj__c;

/* Plain products: C's own look for infinities first. */
static inline cj__c cj__mul(cj__c a, cj__c b)
{
    double ar = creal(a), ai = cimag(a), br = creal(b), bi = cimag(b);
    return CMPLX(ar * br - ai * bi, ar * bi + ai * br);
}

/* Length and a cheap bound of it (within sqrt 2). */
static inline double cj__length(cj__c z)
{
    return sqrt(creal(z) * creal(z) + cimag(z) * cimag(z));
}

static inline double cj__size(cj__c z)
{
    return fabs(creal(z)) + fabs(cimag(z));
}

static inline double cj__larger(double x, double y)
{
    return x > y ? x : y;
}

static inline cj__c cj__div(cj__c a, cj__c b)
{
    double scale = 1 / (creal(b) * creal(b) + cimag(b) * cimag(b));
    return cj__mul(a, CMPLX(creal(b) * scale, -cimag(b) * scale));
}

#define CJ__LEAK 1e-12 /* siemens from every node to ground; also of a dead output */
#define CJ__CONTACT_OHM 1e-3
#define CJ__RAIL_LIMIT 1.0 /* A: what a bench supply gives before its rail is at 0 V */

/* ---- numbering.c, parts.c ---- */

/* Where a part's parameters and sections begin in the lists of all. */
typedef struct cj__numbering {
    const cj_board *board;
    int *first_parameter, *first_amp; /* [parts] */
    cj_parameter *parameters;
    size_t parameter_count, amp_count;
} cj__numbering;

/* Resistors, capacitors and potentiometers: those that a value in their place describes. */
static inline bool cj__has_value(const cj_part *part)
{
    return part->kind == CJ_RESISTOR || part->kind == CJ_CAPACITOR ||
           part->kind == CJ_POTENTIOMETER;
}

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

/* Where the elements of each part begin in a netlist; [parts]. */
typedef struct cj__places {
    int *branch, *winding, *junction;
    size_t branches; /* of parts; those of the bench and of edits stand behind them */
} cj__places;

/* places may be NULL. CJ_NOMEM or CJ_OK. */
cj_status cj__netlist_fill(const cj__emission *emission, cj__netlist *into, cj__places *places);
void cj__netlist_empty(cj__netlist *netlist); /* counts to 0, memory kept */
void cj__netlist_clear(cj__netlist *netlist); /* memory given back */

/* ---- state: where each section, clamp and diode of a netlist rests ---- */

/* What keeps an input where it is: diodes across the inputs, and the limits of a lifted pin. */
enum { CJ__CLAMPS = 3 }; /* across, plus, inverting */

typedef struct cj__state {
    signed char *mode;  /* [amps] cj_mode */
    signed char *clamp; /* [amps * CJ__CLAMPS]: -1 at its lower limit, 0 free, 1 at its upper */
    double *siemens, *ampere, *volt; /* [junctions]: current siemens * v + ampere, about volt */
} cj__state;

bool cj__state_make(const cj__netlist *netlist, cj__state *out);
void cj__state_clear(cj__state *state);
void cj__state_copy(const cj__netlist *netlist, cj__state *to, const cj__state *from);

/* A section as the equation sees it: current k (v_plus - v_inverting) + f into its output, siemens
 * across it. */
typedef struct cj__amp_stamp {
    cj__c k;
    double siemens, f;
} cj__amp_stamp;

/* Its output pin is as good as open: what it does inside is seen through a fraction of a picofarad
 * only. */
static inline bool cj__is_cut_off(const cj__amp *amp)
{
    return amp->joint_conductance < 1e-9;
}

cj__c cj__amp_gain(const cj__amp *amp, double omega);
/* omega 0: DC with its offset and rails; else the tone (f is the residue of a held output, volts
 * peak). */
cj__amp_stamp cj__amp_stamp_of(const cj__amp *amp, cj_mode mode, double omega);

/* A clamp: between which nodes, at what volts, how stiff. False: that input has none. */
typedef struct cj__clamp {
    int a, b;
    double low, high, siemens;
} cj__clamp;
bool cj__clamp_of(const cj__amp *amp, int which, cj__clamp *out);
static inline bool cj__has_clamps(const cj__amp *amp)
{
    return amp->clamped || amp->plus_high < INFINITY || amp->inverting_high < INFINITY;
}

/* Admittances of a winding pair at a frequency: current into a[i] is sum y[i][j] (v(a[j]) -
 * v(b[j])). */
void cj__winding_admittance(const cj__winding_pair *pair, double omega, cj__c y[2][2]);

/* ---- junction.c ---- */

/* Tangent of a diode at volt across it and its series resistance. */
void cj__junction_tangent(const cj__junction *junction, double volt, double *siemens,
                          double *ampere);
/* The next volt to try from one to another: long steps up are shortened. */
double cj__junction_limit(const cj__junction *junction, double from, double to);
/* Whether a tone of so many volts peak takes a diode that rests at volt off its tangent: by more
 * than 0.1 nA (a tenth of a millivolt in 1 Mohm) and 0.3 % of the tangent's current. */
bool cj__junction_bends(const cj__junction *junction, double volt, double tone);

/* ---- plane.c ---- */

struct cj__frame;

/* Columns and rows that a bench keeps. Beyond the most a plane forgets its own before it is solved
 * again, so that large boards take time instead of memory. */
typedef struct cj__store {
    size_t kept, most; /* bytes */
} cj__store;
#define CJ__STORE_MOST ((size_t)512 << 20)

/* The equations at one frequency. Vectors of nodes have earth (0 V) at place 0 and node n at n + 1.
 */
typedef struct cj__plane {
    const struct cj__frame *frame;
    double omega;
    klu_numeric *numeric;
    cj__c **columns, **rows; /* of the inverse, [nodes / CJ__AT_ONCE], NULL until asked for */
    struct cj__port *ports;  /* columns for a current from one node to another */
    size_t port_count, port_capacity;
    size_t kept; /* bytes of all these */
} cj__plane;

/* Solved for its own right-hand side: the difference of two columns says nothing of a milliohm
 * between nodes of many kilohm. */
typedef struct cj__port {
    int a, b;
    cj__c *column;
} cj__port;

enum { CJ__AT_ONCE = 4 }; /* right-hand sides that KLU solves in one pass */

/* What the steps of equal settings share: a netlist in a state, and its planes. */
typedef struct cj__frame {
    const cj_step *step; /* one of those */
    cj__store *store;    /* the bench's */
    cj__netlist netlist;
    cj__places places;
    cj__state state; /* at rest, as stamped */
    int nodes;
    size_t entries, stamps;
    int *start, *row, *slot; /* compressed columns; where each stamp goes */
    int *seen;               /* [nodes] scratch */
    bool passive;            /* stamp sections without their gain */
    klu_symbolic *symbolic;
    klu_common common;
    cj__plane **planes; /* the first is DC */
    size_t plane_count, plane_capacity;
    double sign;    /* of the DC determinant: negative where the rest is a hilltop */
    cj__c *rest;    /* DC solution, [nodes + 1] */
    cj__c *zero;    /* [nodes + 1], what earth answers */
    int *only_part; /* [nodes] the one part with elements there; -1: several, or the bench's; -2:
                       none */
    const cj__amp **amps; /* [amps], as edited while a variant is looked at */
} cj__frame;

/* The netlist is there: pattern, order of elimination. */
/* Which nets hang on one part alone. False: out of memory. */
bool cj__frame_find_lonely(cj__frame *frame, const cj__numbering *numbering);
cj_status cj__frame_prepare(cj__frame *frame, cj_error *err);
void cj__frame_clear(cj__frame *frame);
cj_status cj__plane_of(cj__frame *frame, double omega, cj__plane **out, cj_error *err);
/* Forgets columns and rows where the store is full: pointers to them are void. */
void cj__plane_tidy(cj__plane *plane);
void cj__planes_drop(cj__frame *frame);
void cj__planes_keep_first(cj__frame *frame); /* DC alone */
/* Column or row of the inverse for a node (earth: zeros). NULL: out of memory. */
const cj__c *cj__column(cj__plane *plane, int node);
const cj__c *cj__row(cj__plane *plane, int node);
/* The solution for a unit current into a and out of b. NULL: out of memory. */
const cj__c *cj__port_column(cj__plane *plane, int a, int b);
/* Direction of the determinant of a plane's matrix, or at any frequency; passive: with no gain in
 * any section. A complex number of size 1. */
cj__c cj__plane_direction(const cj__plane *plane);
cj_status cj__direction_at(cj__frame *frame, double omega, bool passive, cj__c *out, cj_error *err);
/* Solves the frame's own DC right-hand side into out[nodes + 1]. */
void cj__plane_rest(cj__plane *dc, cj__c *out);

/* ---- system.c: small dense systems, kept factored ---- */

typedef struct cj__system {
    cj__c *a;     /* [order * order], row by row: filled in, then the factors */
    double *size; /* [order * order]: the largest number that an entry is the difference of */
    int *pivot;
    double *scale;
    int order, capacity;
    bool poor;   /* too few digits are left of a pivot: the change is better solved anew */
    double sign; /* of the real part of the determinant */
    double work; /* multiplications so far, about */
} cj__system;

bool cj__system_reserve(cj__system *system, int order); /* and empties it */
void cj__system_clear(cj__system *system);
void cj__system_factor(cj__system *system);
void cj__system_solve(const cj__system *system, cj__c *b);
void cj__system_solve_transposed(const cj__system *system, cj__c *b);

/* ---- change.c: what a variant changes in a frame ---- */

/* Elements that differ from the frame's. index: in the frame's netlist, -1 where it is new. */
typedef struct cj__branch_change {
    int index;
    cj__branch now;
} cj__branch_change;

typedef struct cj__pair_change {
    int index;
    cj__winding_pair now;
} cj__pair_change;

typedef struct cj__junction_change {
    int index;
    cj__junction now;
} cj__junction_change;

typedef struct cj__amp_change {
    int index, at; /* at: in scratch; frame->amps[index] points there until cj__change_end */
} cj__amp_change;

typedef struct cj__injection {
    int node;
    double ampere;
} cj__injection;

/* A rank-one change: a current k (v[qa] - v[qb]) + f into pa, out of pb. Nodes from frame->nodes on
 * are extra. */
typedef struct cj__term {
    int pa, pb, qa, qb;
    cj__c k, f;
} cj__term;

/* An extra node that was taken out beforehand: v = sum y v[other] / all. */
enum { CJ__STAR = 8, CJ__FREED = 8 };
typedef struct cj__star {
    int node, count, other[CJ__STAR];
    cj__c y[CJ__STAR], all;
} cj__star;

/* All that changes, and the solution with it. Kept and used again; it allocates only to grow. */
typedef struct cj__change {
    cj__frame *frame;
    cj__emission emission;
    cj__netlist scratch; /* elements of the parts touched */
    cj__branch_change *branches;
    size_t branch_count, branch_capacity;
    cj__amp_change *amps;
    size_t amp_count, amp_capacity;
    cj__pair_change *pairs;
    size_t pair_count, pair_capacity;
    cj__junction_change *junctions;
    size_t junction_count, junction_capacity;
    cj__injection injections[2]; /* rails */
    size_t injection_count;
    int extras;
    struct cj__extra *extra;
    size_t extra_capacity;
    /* the terms at one plane */
    cj__plane *plane;
    cj__term *terms;
    size_t term_count, term_capacity;
    const cj__c **columns; /* [2 * terms]: of pa and pb */
    size_t column_capacity;
    cj__star *stars;
    size_t star_count, star_capacity;
    struct cj__freed { /* outputs that let go of their nets, and the gain they had there */
        int node;
        double k;
    } freed[CJ__FREED];
    size_t freed_count;
    cj__system system;
    cj__c *answer; /* [order] currents of the terms, then volts of the extra nodes */
    size_t answer_capacity;
} cj__change;

typedef struct cj__extra {
    bool general; /* more than branches meet there */
    int place;    /* in the system's answer; -1: a star, taken out */
    cj__c y, f;   /* to earth: siemens, and a current in */
    double scale; /* siemens of all that meets there: the system's unknown is volt times this */
} cj__extra;

/* What variant (NULL: nothing) changes in a frame. CJ_USAGE: an edit that makes no sense. */
cj_status cj__change_make(cj__change *change, cj__frame *frame, const cj_variant *variant,
                          cj_error *err);
void cj__change_end(cj__change *change); /* the frame's sections are its own again */
void cj__change_clear(cj__change *change);

/* ---- terms.c: the change as terms at one plane ---- */

/* The terms at a plane where sections, clamps and diodes are in that state. state may be NULL: the
 * frame's own. False: out of memory. */
bool cj__terms_make(cj__change *change, cj__plane *plane, const cj__state *state);

/* ---- solve.c ---- */

/* Factors the terms. False: out of memory. */
bool cj__terms_factor(cj__change *change);
/* The answer that belongs to a solution x of the frame. */
void cj__terms_solve(cj__change *change, const cj__c *x);
/* The answer for a unit current into a node alone; *x: what it adds to. False: out of memory. */
bool cj__terms_unit(cj__change *change, int node, const cj__c **x);
/* The changed solution from one node to another: what sections see of it. */
cj__c cj__changed_across_slowly(const cj__change *change, const cj__c *x, int a, int b);
static inline cj__c cj__changed_across(const cj__change *change, const cj__c *x, int a, int b)
{
    int nodes = change->frame->nodes;
    if (a >= nodes || b >= nodes)
        return cj__changed_across_slowly(change, x, a, b);
    cj__c value = x[a + 1] - x[b + 1];
    for (size_t t = 0; t < change->term_count; t++) {
        const cj__c *from = change->columns[2 * t], *to = change->columns[2 * t + 1];
        value += cj__mul((from[a + 1] - to[a + 1]) - (from[b + 1] - to[b + 1]), change->answer[t]);
    }
    return value;
}

/* A diode of the frame's netlist as the change has it. */
const cj__junction *cj__junction_now(const cj__change *change, size_t index);
/* The changed solution at a node. */
cj__c cj__changed_at(const cj__change *change, const cj__c *x, int node);
/* The same at all nodes: out[frame nodes + 1 + extras], earth first. */
void cj__changed_all(const cj__change *change, const cj__c *x, cj__c *out);
/* How the changed solution seen as v[a] - v[b] answers a unit current into each node, out as above.
 * adjoint: the frame's own rows' difference. False: out of memory. */
bool cj__changed_adjoint(cj__change *change, int a, int b, cj__c *out);

/* ---- rest.c ---- */

typedef struct cj__rest {
    cj__state state;
    double *drive;     /* [amps] what an unlimited section would put out, volts */
    bool bare;         /* do not look for a fragile section, nor for one at its edge */
    int fragile;       /* section whose rest hangs on the sign of its offset; -1: none */
    int edge;          /* section that rests at the very edge of its swing; -1: none */
    double edge_v;     /* how far from it, V */
    unsigned long long edges; /* all that are near theirs, a bit each (of the first 64) */
    bool dead_rail[2]; /* a short takes more than its supply gives: +, - */
    bool poor;         /* the change wants to be solved anew: nothing else is valid */
    size_t amp_count;  /* of state.mode */
    unsigned lot;      /* the last one drawn */
} cj__rest;

bool cj__rest_make(cj__rest *rest, const cj__netlist *netlist);
void cj__rest_clear(cj__rest *rest);
/* Where the changed circuit rests; the change holds that solution afterwards. CJ_DATA: nowhere. */
cj_status cj__rest_find(cj__change *change, cj__rest *rest, cj_error *err);
/* Brings a prepared frame's own state to where it rests. */
cj_status cj__frame_settle(cj__frame *frame, cj__change *change, cj__rest *rest, cj_error *err);
/* Volts of what an unlimited section would put out, from a solution. */
cj__c cj__drive_of(const cj__change *change, const cj__c *x, const cj__amp *amp, double omega);

/* ---- predict.c, spread.c, poles.c ---- */

typedef struct cj__look {
    size_t step;
    cj_view see[2];
    int see_count;
    size_t frame;
    int points;
    double *hz, *peak;  /* [points] */
    cj__plane **planes; /* [points] */
    cj__c **phasors;    /* [points]: healthy, volts peak, [nodes + 1] */
} cj__look;

struct cj_bench {
    const cj_board *board;
    cj__store store;
    cj__numbering numbering;
    cj__frame **frames;
    size_t frame_count, frame_capacity;
    cj__look *looks;
    size_t look_count, look_capacity;
    cj__change change;
    cj__rest rest;
    cj__state tone_state;         /* with sections that the tone finds held though they rest free */
    double *tone_sum, *slope_sum; /* [amps] */
    cj__c *vector, *solution, *adjoint; /* [longest] of all nodes and extras */
    size_t vector_capacity;
    cj__c *gradient; /* [parameters] */
    cj_edit *edits;  /* a variant with more edits than it came with */
    size_t edit_capacity;
};

/* What predicting works on: a frame of the bench with a change, or a frame of its own without one.
 */
typedef struct cj__task {
    cj_bench *bench;
    const cj__look *look;
    cj__frame *frame;
    const cj_variant *variant;
    bool own; /* the frame holds the variant: no change, and nothing prepared */
    unsigned want;
    cj_prediction *out;
} cj__task;

/* lonely.c: a lifted pin that parts nothing which the look could see. */
bool cj__parts_nothing(const cj__frame *frame, const cj_board *board, const cj__look *look,
                       const cj_variant *variant);

bool cj__vectors_reserve(cj_bench *bench, size_t nodes);
/* The tone's solution of a frame before any change, volts peak: into out[nodes + 1]. */
bool cj__drive_phasor(const cj_bench *bench, const cj__look *look, cj__plane *plane, double peak,
                      cj__c *out);
/* A frame for one variant. */
cj_status cj__own_frame(cj_bench *bench, const cj_step *step, const cj_variant *variant,
                        cj__frame **out, cj_error *err);

/* Gradients of one channel from the solution and the adjoint in the bench's vectors:
 * by[parameters]. The change is that of the plane; at DC those of offsets, bias and rails too. */
void cj__spread(const cj__task *task, const cj__state *state, double peak, cj__c *by);

/* ---- clipping.c ---- */

/* Whether a step's signal can be stepped through time: not two tones, not noise. */
bool cj__can_step(const cj_step *step);
/* Tone, DC and THD of the look by transients from the modes at rest (bench->rest.state.mode); by is
 * CJ_BY_TRANSIENT then. A sweep has no THD. */
cj_status cj__predict_stepped(const cj__task *task, cj_error *err);

/* ---- clipping.c ---- */

bool cj__can_step(const cj_step *step);
/* The look of a task stepped through time: tone, DC and THD, CJ_BY_TRANSIENT. */
cj_status cj__predict_stepped(const cj__task *task, cj_error *err);

/* How many poles the frame's circuit in its state has in the right half plane. */
cj_status cj__unstable_poles(cj__frame *frame, int *out, cj_error *err);

#endif
