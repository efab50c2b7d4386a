/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * suspects.h - everything that can be wrong with a board, and how each looks.
 *
 * A *suspect* is one fault (or two at once). What a fault really does can be uncertain: a lifted
 * input pin finds one rail or the other, a bad joint has any resistance. So a suspect has one or
 * more *manners*: edits of the circuit, each with a weight, and at most one quantity that is not
 * known and is searched for. Weights and spreads are those of fault_physics section 4 (a study made
 * for this project: simulated, derived or judged there, entry by entry).
 */
#ifndef COLDJOINT_DIAGNOSIS_SUSPECTS_H
#define COLDJOINT_DIAGNOSIS_SUSPECTS_H

#include "coldjoint/circuit.h"
#include "coldjoint/diagnosis.h"

typedef enum cj__prior_shape {
    CJ__FIXED,      /* nothing is searched for */
    CJ__ANY,        /* uniform in the logarithm over the range */
    CJ__PART_VALUE, /* a part's value: decade slips, misread codes and neighbouring values above a
                       broad floor */
    CJ__AROUND,     /* normal in the logarithm: middle, width */
} cj__prior_shape;

#define CJ__STRAY_F 0.5e-12 /* across an open joint: the median of fault_physics 2.1 */
#define CJ__STRAYS_OHM 1e7  /* some picofarad at 1 kHz carry as much */

typedef struct cj__manner {
    cj_edit *edits;
    size_t edit_count;
    double weight; /* within the suspect; they sum to 1 */
    cj__prior_shape prior;
    size_t free_edit; /* the edit whose a (free_b: b) is searched for */
    bool free_b;
    bool free_negative; /* the quantity is minus what is searched for */
    double low, high;   /* its range */
    double middle,
        width; /* nominal value and tolerance (PART_VALUE), median and sigma of the logarithm */
    /* a second quantity, an edit's a (also_b: b), known loosely: sigma of its logarithm about what
     * the edit says; 0: none. also_at: where it is taken, in those sigmas. */
    size_t also_edit;
    bool also_b;
    double also_sigma, also_at;
    /* what the solver does not know: */
    double held_v;  /* sigma of a held output's volts; 0: the parameter's own */
    double residue; /* sigma of the tone at a held output, of the drive's peak; 0: the parameter's
                       own */
    bool slams;     /* the residue is in volts: an open output that goes from rail to rail */
    double bias; /* sigma of the bias current of the part's sections, relative; 0: the parameter's
                    own */
    double loose_db; /* sigma of the gain at 1 kHz where this manner changes it; ten times that at
                        20 kHz */
    bool loose_in_time; /* only where it is stepped through time; elsewhere it is solved */
    double loose_ohm; /* a joint below this many ohm is known the better for it; 0: all the same */
    bool thd_unknown;
    size_t settled; /* the last edits: not the fault's, good parts where they seem to be */
    const double *settled_at; /* [parameters] how far off, in their sigmas; NULL: none */
    bool tolerant; /* the values put in have their part's tolerance (else they are what they are) */
} cj__manner;

typedef struct cj__suspect {
    cj_fault fault;
    double prior;   /* relative */
    bool both_pins; /* an open two-pin part: pin 1 or pin 2 */
    bool silent;    /* changes nothing that is predicted (a reversed electrolytic) */
    cj__manner *manners;
    size_t count;
} cj__suspect;

typedef struct cj__suspects {
    cj__suspect *items; /* [0] is the healthy board: no edits */
    size_t count, capacity;
} cj__suspects;

/* Every single fault of the contract's kinds that the board can have. */
CJ_MUST_CHECK cj_status cj__suspects_make(const cj_board *board, cj__suspects **out, cj_error *err);
/* history.c: the priors after what was repaired before; used: how many repairs are of these
 * suspects.
 */
CJ_MUST_CHECK cj_status cj__history_apply(const cj_history *history, cj__suspects *suspects,
                                          double *used, cj_error *err);
/* Empty but for the healthy board; for lists of one's own. */
CJ_MUST_CHECK cj_status cj__suspects_new(cj__suspects **out, cj_error *err);
void cj__suspects_free(cj__suspects *suspects);

/* A further suspect; what `fault` owns is copied. NULL: out of memory. Valid until the next is
 * added. */
cj__suspect *cj__suspects_add(cj__suspects *suspects, const cj_fault *fault, double prior);
/* A further manner with room for `edits` edits. NULL: out of memory. */
cj__manner *cj__suspect_manner(cj__suspect *suspect, size_t edits, double weight);
/* Two suspects at once: every manner of one with every manner of the other. */
cj__suspect *cj__suspects_add_pair(cj__suspects *suspects, const cj__suspect *a,
                                   const cj__suspect *b, double prior);

/* ---- pins.c: op-amp pins, where physics is a mixture ---- */

typedef struct cj__dictionary {
    const cj_board *board;
    cj__suspects *suspects;
    bool failed; /* out of memory */
} cj__dictionary;

/* The manners of a lifted, bridged or stuck pin of an op-amp. */
void cj__opamp_open(cj__dictionary *dictionary, cj__suspect *suspect, int part, int pin);
void cj__pins_joined(cj__dictionary *dictionary, cj__suspect *suspect, int part, int pin, int pin2);
void cj__section_held(cj__dictionary *dictionary, cj__suspect *suspect, int part, int section,
                      cj_mode mode, double weight);
/* Pins joined by a few milliohms to an ohm. */
cj__manner *cj__joined(cj__dictionary *dictionary, cj__suspect *suspect, int part, int pin,
                       int pin2);
/* The picofarads across what is open are searched for (edit's b); NULL is fine. */
void cj__stray_unknown(cj__manner *manner, size_t edit);
/* The edit's picofarads (b), or its ohms, are known loosely beside what is searched for. */
void cj__also_unknown(cj__manner *manner, size_t edit, bool farad, double sigma);
/* A manner with room for so many edits; NULL: out of memory, which the dictionary then knows. */
cj__manner *cj__manner_of(cj__dictionary *dictionary, cj__suspect *suspect, size_t edits,
                          double weight);
/* A section's output held. */
cj_edit cj__hold(int part, int pin, cj_mode mode, double volts);
/* A manner of one edit. */
cj__manner *cj__manner_one(cj__dictionary *dictionary, cj__suspect *suspect, cj_edit edit,
                           double weight);

/* ---- supplies.c: what is left without one; rail: +1, -1 ---- */

void cj__rail_missing(cj__dictionary *dictionary, cj__suspect *suspect, int rail);
void cj__supply_pin_open(cj__dictionary *dictionary, cj__suspect *suspect, int part, int rail);

/* More sections than this are refused: what holds at their rails is dense algebra. */
enum { CJ__SECTIONS_MOST = 500 };

/* CJ_DATA where the board is beyond that. */
CJ_MUST_CHECK cj_status cj__check_size(const cj_board *board, cj_error *err);

#endif
