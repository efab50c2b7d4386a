/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * circuit.h - a board, with or without something wrong with it, becomes what each step reads.
 *
 * Modified nodal analysis. A *bench* is a board made ready: for each step the healthy circuit is factored
 * once per frequency. A *variant* is a list of edits to the board; its reading is a low-rank change of the
 * healthy solution. Where a section of an op-amp leaves its swing at rest it is held at that rail; where the
 * drive takes one beyond its swing, a transient of the step gives tone, DC and THD.
 *
 * Equations of a section: v_out = A(s) (v_plus - v_inverting + offset) behind output_ohm, A(s) =
 * gain / (1 + s gain / (2 pi gbw)), limited to swing_v short of its rails; input_ohm between the inputs; bias
 * current at both inputs; where it has diodes across the inputs, 0.6 V behind 10 ohm. 1e-12 S from every net to
 * ground; contacts, rails and sources have 1 mohm at least. A section with a lifted supply pin, or between rails
 * that leave it no swing, is dead. A rail from which a short draws more than 1 A is at 0 V board-wide. Boards
 * without rails: nothing clips, an output held high or low is at 15 V, one with a lifted pin is dead.
 */
#ifndef COLDJOINT_CIRCUIT_H
#define COLDJOINT_CIRCUIT_H

#include "coldjoint/base.h"
#include "coldjoint/board.h"
#include "coldjoint/signal.h" /* cj_complex */

#ifdef __cplusplus
extern "C" {
#endif

/* ---- what is edited ---- */

typedef enum cj_mode {
    CJ_LINEAR, /* follows its inputs */
    CJ_HIGH,   /* output stopped below the positive rail */
    CJ_LOW,    /* output stopped above the negative rail */
    CJ_DEAD,   /* output of high impedance (1e12 ohm) */
    CJ_HELD,   /* output is a source of its own behind output_ohm: a volts DC, b volts peak of the tone */
} cj_mode;

typedef enum cj_section_figure {
    CJ_GBW, CJ_SLEW, CJ_GAIN, CJ_OFFSET, CJ_BIAS, CJ_SWING, CJ_OUTPUT_OHM
} cj_section_figure;

typedef enum cj_edit_kind {
    CJ_EDIT_VALUE,   /* part: a ohm or farad in its place (resistor, capacitor, track of a potentiometer).
                        a infinite: a resistor not there; a = 0: a capacitor not there */
    CJ_EDIT_LIFT,    /* part, pin: the pin meets its net through a ohm, b farad in parallel; an op-amp's input
                        pin then has 3 pF to ground, 0.5 pF to its neighbouring pins and its bias current, and
                        is kept within the rails (0.6 V of the other input where it is clamped) */
    CJ_EDIT_JOIN,    /* part, pin, pin2: joined by a ohm; the ends of a two-pin part: shorted */
    CJ_EDIT_LEAK,    /* part, pin, pin2: a ohm, b farad between the pins themselves (behind a lifted joint);
                        a infinite: none, b = 0: none */
    CJ_EDIT_TO_NET,  /* part, pin; pin2 is a net: a ohm, b farad from the pin to that net (a probe: CJ_GND) */
    CJ_EDIT_REVERSE, /* potentiometer: ends interchanged; transformer: secondary; diode: turned round */
    CJ_EDIT_MODE,    /* part, pin = a section's output: held in `mode` in every step */
    CJ_EDIT_FIGURE,  /* part, pin = a section's output: `figure` is a (SI units; offset and bias signed, bias
                        positive into both pins) */
    CJ_EDIT_RAIL,    /* pin = +1 or -1: that rail is a volts */
} cj_edit_kind;

typedef struct cj_edit {
    cj_edit_kind kind;
    int part, pin, pin2;
    cj_mode mode;
    cj_section_figure figure;
    double a, b;
} cj_edit;

/* Something wrong with the board, exactly stated. No edits: healthy. */
typedef struct cj_variant {
    const cj_edit *edits;
    size_t count;
} cj_variant;

/* ---- what is uncertain ---- */

typedef enum cj_parameter_kind {
    CJ_P_VALUE,    /* part: ln of its value (tolerance / sqrt 3) */
    CJ_P_SETTING,  /* potentiometer between its ends: rotation (0.02; 0 at 0 % and 100 %) */
    CJ_P_OFFSET,   /* section: V, DC only */
    CJ_P_BIAS,     /* section: A, DC only (sigma: its typical magnitude) */
    CJ_P_GBW,      /* section: ln */
    CJ_P_OUTPUT,   /* section: ln of its output resistance, which no maker states */
    CJ_P_HELD,     /* section: volts of an output that is held, HIGH or LOW; DC only, else gradient 0 */
    CJ_P_RESIDUE,  /* section: tone at an output that is held, HIGH or LOW, over the drive's peak; else gradient 0 */
} cj_parameter_kind;

typedef struct cj_parameter {
    cj_parameter_kind kind;
    int part;
    int section;   /* index into the part's sections; -1 where it is not an op-amp's */
    double sigma;  /* standard deviation of a good unit (RESIDUE, HELD: see fault_physics 4) */
} cj_parameter;

/* ---- what is read ---- */

/* The frequencies at which a step is computed, and the source's peak at each: tone, square (4/pi of its peak) and
 * stepped level (its highest) 1; two-tone 2; sweep three an octave and noise likewise from 20 Hz to 20 kHz, 31 at
 * most, in even steps of ln hz; quiet and unpowered steps none. Returns how many. */
enum { CJ_STEP_POINTS = 31 };

typedef struct cj_step_point {
    double hz, peak;
} cj_step_point;

CJ_API int cj_step_points(const cj_step *step, cj_step_point out[CJ_STEP_POINTS]);

typedef enum cj_predicted_by {
    CJ_BY_LINEAR,    /* everything within its swing */
    CJ_BY_HELD,      /* a section rests at a rail (not one whose output pin is open); the rest is linear */
    CJ_BY_TRANSIENT, /* the drive takes a section beyond its swing: stepped through time */
    CJ_BY_EXCESS,    /* the same, but no transient was asked for or the step's shape has none: the linear answer
                        is only a bound */
    CJ_BY_POLES,     /* the linear circuit has a pole in the right half plane: it oscillates */
} cj_predicted_by;

/* What a step (or a look) reads. Channels as in its `see`. Phasors are V peak, relative to the source's
 * phase; a quiet step has points = 0. Sweep: 3 points an octave, 31 at most; noise: 31 from 20 Hz to 20 kHz, of a
 * tone of the noise's rms; square: its fundamental, 4 / pi of the peak; stepped: at its highest level. Gradients
 * are those of the linear circuit in the state it rests in, whatever the answer comes by. Owned by the caller,
 * sized by cj_prediction_make. */
typedef struct cj_prediction {
    int points;            /* frequencies: tone, square, stepped 1; two-tone 2; sweep, noise several */
    int channels;
    const double *hz;      /* [points], owned by the bench */
    cj_complex *tone;      /* [points * channels], point first: tone[p * channels + c] */
    double dc_v[2];
    double thd[2];         /* H2..H10 over the fundamental; 0 where linear, NaN where unknown: excess, an output
                              that is lifted and switches unseen, a section that clips out of sight */
    double resistance_ohm[2]; /* power off: from the see net to gnd (or across); else NaN */
    cj_predicted_by by;
    int fragile_part, fragile_section; /* the rail that section rests at hangs on the sign of its offset; -1: none */
    int edge_part, edge_section; /* that section rests within 1 V of where its swing ends: one with more swing, or
                              less, would rest otherwise; -1: none, or a fragile one */
    double edge_v;         /* how far from there, V */
    unsigned long long edges; /* all sections that are within 1 V of it, a bit each; of the board's first 64 */
    signed char *modes;    /* [sections of the board], cj_mode at rest */
    cj_complex *tone_by;   /* [points * channels * parameters] gradients; only with CJ_SPREAD */
    double *dc_by;         /* [channels * parameters]; power off: of resistance_ohm */
} cj_prediction;

typedef struct cj_bench cj_bench;

/* The board must outlive the bench. CJ_DATA with a clear message where a healthy DC point does not exist. */
CJ_API CJ_MUST_CHECK cj_status cj_bench_make(const cj_board *board, cj_bench **out, cj_error *err);
CJ_API void cj_bench_free(cj_bench *bench);
/* What the predictions so far took in dense algebra, in multiplications (of a board of few op-amps, little). A
 * caller with a board of hundreds of op-amps can stop by it: it is the same on every machine. */
CJ_API double cj_bench_work(const cj_bench *bench);
CJ_API size_t cj_bench_parameter_count(const cj_bench *bench);
CJ_API const cj_parameter *cj_bench_parameters(const cj_bench *bench);

/* Looks are counted from 0: first the board's steps in order, then those added here: the settings and drive
 * of a step, seen at other nets (a second probe; its load is an edit). */
CJ_API CJ_MUST_CHECK cj_status cj_bench_look(cj_bench *bench, size_t step, const cj_view *see, int see_count,
                                             size_t *look, cj_error *err);

enum {
    CJ_SPREAD = 1,    /* fill the gradients */
    CJ_TRANSIENT = 2, /* step through time where the drive leaves the swing */
    CJ_EXACT = 4,     /* factor the edited circuit anew instead of changing the healthy solution */
    CJ_POLES = 8,     /* look for poles in the right half plane */
    CJ_BARE = 16,     /* leave fragile_part and edge_part, and their sections, at -1 */
};

CJ_API CJ_MUST_CHECK cj_status cj_prediction_make(const cj_bench *bench, size_t look, cj_prediction **out,
                                                  cj_error *err);
CJ_API void cj_prediction_free(cj_prediction *prediction);

/* What the look reads with that variant (NULL: healthy). CJ_USAGE: an edit that makes no sense; CJ_DATA: the
 * circuit rests nowhere. A bench is used by one thread at a time; once it has met a board's parts, predicting
 * allocates nothing but for CJ_EXACT, CJ_TRANSIENT, CJ_POLES and changes too stiff for the short way. */
CJ_API CJ_MUST_CHECK cj_status cj_bench_predict(cj_bench *bench, size_t look, const cj_variant *variant,
                                                unsigned want, cj_prediction *out, cj_error *err);

/* Phasors of the look's channels at any frequencies: out[f * channels + c]. */
CJ_API CJ_MUST_CHECK cj_status cj_bench_response(cj_bench *bench, size_t look, const cj_variant *variant,
                                                 const double *hz, size_t count, cj_complex *out,
                                                 cj_error *err);

#ifdef __cplusplus
}
#endif
#endif
