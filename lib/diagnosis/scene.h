/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * scene.h - what was seen, as numbers a prediction can be held against.
 *
 * Gain and phase of a step become one complex ratio (two rows: real and imaginary part), since dB
 * and degrees are far from normal near a null; levels, DC and resistances are a row each.
 * Distortion is judged apart, on a logarithmic scale. Rows have a joint normal density: measuring
 * errors, what the solver leaves out, and the spread of a good unit's parts through their
 * gradients.
 */
#ifndef COLDJOINT_DIAGNOSIS_SCENE_H
#define COLDJOINT_DIAGNOSIS_SCENE_H

#include "diagnosis/suspects.h"

typedef enum cj__feature_kind {
    CJ__F_RATIO,      /* 2 rows: channel 2 over channel 1 */
    CJ__F_MAGNITUDE,  /* its size alone */
    CJ__F_LEVEL,      /* tone at a net, V peak */
    CJ__F_RMS,        /* at a net, DC included, V */
    CJ__F_DC,         /* V */
    CJ__F_RESISTANCE, /* ln ohm */
} cj__feature_kind;

typedef struct cj__feature {
    cj__feature_kind kind;
    size_t step, look;
    int channel; /* of the look */
    int point;   /* of the look's frequencies */
    int row, rows;
    double x[2];                        /* measured */
    double var[3];                      /* of measuring: xx, xy, yy */
    double relative;                    /* of a ratio: what of its size the reading is unsure of */
    const cj_observation *seen, *phase; /* what it is made from; phase may be NULL */
} cj__feature;

/* THD of one channel: ln of the fraction, or an upper bound for it. */
typedef struct cj__distortion {
    size_t step, look;
    int channel;
    double x, u; /* x NaN: only the bound is known */
    double bound;
    const cj_observation *seen;
} cj__distortion;

/* Of a look's drive: its level over the nominal one; what all steps of one level have in common of
 * its error, and its own; relative. */
typedef struct cj__level {
    double gain, own, common;
} cj__level;

typedef struct cj__scene {
    const cj_board *board;
    cj_bench *bench; /* borrowed */
    cj__feature *features;
    size_t count, capacity;
    cj__distortion *distortions;
    size_t distortion_count, distortion_capacity;
    int rows;
    double common;    /* of every ratio's size: the channels' mismatch, the same in all steps */
    cj__level *level; /* [looks] */
    bool together;    /* the generator's level stayed put */
    size_t *looks, look_count, look_capacity; /* those used */
    size_t *look_steps;                       /* the step of each of them */
    cj_prediction **work;                     /* one for each of them */
    cj_lines notes;                           /* what could not be used */
} cj__scene;

CJ_MUST_CHECK cj_status cj__scene_make(const cj_board *board, cj_bench *bench,
                                       const cj_observed *observed, cj__scene **out, cj_error *err);
/* Features added by hand (a bench of one's own); cj__scene_ready afterwards. */
CJ_MUST_CHECK cj_status cj__scene_new(const cj_board *board, cj_bench *bench, cj__scene **out,
                                      cj_error *err);
CJ_MUST_CHECK cj_status cj__scene_feature(cj__scene *scene, const cj__feature *feature,
                                          cj_error *err);
CJ_MUST_CHECK cj_status cj__scene_ready(cj__scene *scene, cj_error *err);
void cj__scene_free(cj__scene *scene);

/* What is left of the tone at a railed output: of the usual size, smaller, far smaller, larger; or
 * of the usual size and different in every step; or (what leaks, bent by junctions) roughly alike.
 */
typedef enum cj__residue {
    CJ__LOUD,
    CJ__MIDDLING,
    CJ__QUIET,
    CJ__LOUDER,
    CJ__APART,
    CJ__ROUGHLY,
    CJ__RESIDUES
} cj__residue;

/* level.c */
#define LEVEL_SIGMA 0.10 /* of the generator's level: the contract's 10 % */
CJ_MUST_CHECK cj_status cj__scene_levels(cj__scene *scene, cj_error *err);
double cj__look_drive(const cj__scene *scene, size_t look); /* V peak of the source */
/* Whether the channel sees the driven jack: the generator's own tone, clean whatever the board
 * does. */
bool cj__look_source(const cj__scene *scene, size_t look, int channel);
int cj__knobs(const cj__scene *scene); /* inputs that may have had a level of their own */

/* Columns at the end, common to all steps: the generator's level; the channels' mismatch;
 * how far a loosely known path lets the tone through; a manner's second quantity; what
 * stepping through time gets wrong of an output's tone, its size and phase, and of its DC. */
typedef enum cj__behind {
    CJ__COMMON_LEVEL,
    CJ__MISMATCH,
    CJ__LOOSE_SIZE,
    CJ__LOOSE_PHASE,
    CJ__ALSO,      /* the manner's second quantity */
    CJ__CLIP_SIZE, /* of the first output; the others' follow */
    CJ__CLIP_PHASE,
    CJ__CLIP_DC,
    CJ__CLIP_MOST = 4, /* outputs told apart */
    CJ__BEHIND = CJ__CLIP_SIZE + 3 * CJ__CLIP_MOST
} cj__behind;

/* What is predicted for the scene with one manner. */
typedef struct cj__outlook {
    int rows, columns; /* columns: parameters, a level per look, the second phase of each
                          residue, a moved level per input, and those of cj__behind */
    double *mean;      /* [rows] */
    double *var;       /* [3 * features] of what the solver leaves out */
    double *by;        /* [rows * columns] gradient times sigma; only with CJ_SPREAD */
    double *thd;       /* [distortions] fraction; NaN unknown */
    bool *skip;  /* [features] no narrow prediction: the drive leaves the swing and no transient was
                    run */
    bool *loose; /* [distortions] only roughly known */
    bool excess; /* any skipped */
    bool residue; /* the residue of a railed output widens a row */
    bool slams;   /* ... of an output that goes from rail to rail */
    cj__residue way;
    bool *is_residue;     /* [columns] */
    size_t residue_first; /* none before this column */
    size_t knob_first;    /* column of the first input's moved level */
    double *residue_var;  /* [2 * features] of rows that are sizes */
    unsigned moved;       /* inputs whose level is thought to have been moved, a bit each */
    bool oscillates;
    bool steps_in_time; /* any predicted by a transient */
    int fragile_part, fragile_section;
    int edge_part, edge_section; /* as in cj_prediction */
    double edge_v;
    unsigned long long edges; /* all that are near theirs in any look, a bit each */
    bool edge_rails;          /* it rests at its rail */
    double *bare;       /* [rows] means before the curvature of wide tolerances shifted them */
    double *up, *shift; /* [rows] scratch */
    struct cj__outlook *scratch;
    const struct cj__outlook **as_of; /* [looks] whose gradients stand there; NULL: its own */
} cj__outlook;

#define CJ__FIRST_ORDER (1u << 16)

/* A good unit beside it: where loose_db applies; and the looks that a manner is known to leave
 * alone are taken from there (active: [looks], NULL: all are solved). */
typedef struct cj__reference {
    const cj__outlook *good;
    const bool *active;
} cj__reference;

CJ_MUST_CHECK cj_status cj__outlook_make(const cj__scene *scene, cj__outlook **out, cj_error *err);
void cj__outlook_free(cj__outlook *outlook);

/* want: CJ_SPREAD, CJ_TRANSIENT as in circuit.h; with CJ__FIRST_ORDER parts of wide tolerance are
 * taken by their gradient too. free_value: the manner's searched quantity,
 * ignored where nothing is searched for. reference may be NULL. */
CJ_MUST_CHECK cj_status cj__outlook_fill(const cj__scene *scene, const cj__manner *manner,
                                         double free_value, unsigned want,
                                         const cj__reference *reference, cj__outlook *out,
                                         cj_error *err);

/* Inputs whose level does not fit that of the others. The outlook's scratch is used. */
unsigned cj__level_moved(const cj__scene *scene, const cj__outlook *outlook);

/* ---- score.c ---- */

/* What a column of gradients does to a row. */
typedef struct cj__touched {
    size_t row;
    double value;
} cj__touched;

/* A joint normal: Cholesky factor of the covariance, lower triangle stored by columns. */
typedef struct cj__normal {
    int rows;
    double *factor;       /* [rows * rows] */
    double half_log_det;  /* ln of the product of its diagonal */
    double *white;        /* [rows] scratch: whitened residual of the last score */
    cj__touched *touched; /* scratch */
} cj__normal;

CJ_MUST_CHECK cj_status cj__normal_make(int rows, cj__normal **out, cj_error *err);
void cj__normal_free(cj__normal *normal);
/* How likely a way is; what its size is against the usual one; a column's factor; the variance of a
 * feature's rows beside the columns. */
double cj__residue_share(cj__residue way, bool leaks);
double cj__residue_size(const cj__outlook *outlook);
double cj__column_size(const cj__outlook *outlook, size_t column);
void cj__residue_variance(const cj__scene *scene, const cj__outlook *outlook, size_t index,
                          double more[2]);

/* Of a covariance, upper triangle [rows * rows], which may stand in the factor. CJ_BUG where it is
 * not positive. */
CJ_MUST_CHECK cj_status cj__normal_set(cj__normal *normal, const double *upper, cj_error *err);
/* Covariance of the outlook plus that of measuring. */
CJ_MUST_CHECK cj_status cj__normal_fill(const cj__scene *scene, const cj__outlook *outlook,
                                        cj__normal *normal, cj_error *err);
/* Variance of a row by itself. */
double cj__normal_variance(const cj__normal *normal, int row);
/* Squared distance of what was seen from the mean, in standard deviations; fills normal->white. */
double cj__normal_distance(const cj__scene *scene, const cj__outlook *outlook, cj__normal *normal);
/* ln density from a distance: a normal whose size is not quite known. */
double cj__normal_log(const cj__normal *normal, double distance);
/* ln density if a few of the rows had a cause of their own. */
double cj__normal_log_outliers(const cj__normal *normal);
/* ln probability of what is known of the distortion. */
double cj__distortion_log(const cj__scene *scene, const cj__outlook *outlook);

/* b becomes L^-1 b for a lower factor. */
void cj__forward(const double *factor, int n, double *b);

#endif
