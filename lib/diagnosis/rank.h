/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * rank.h - every suspect held against what was seen.
 *
 * A *trial* is one manner of one suspect with its searched quantity at its best. A suspect's
 * evidence is the sum of its trials, the searched quantity integrated out (Laplace: a normal about
 * its best value). Beside them stands "none of these": any suspect, with a few readings that have a
 * cause of their own.
 */
#ifndef COLDJOINT_DIAGNOSIS_RANK_H
#define COLDJOINT_DIAGNOSIS_RANK_H

#include "diagnosis/scene.h"

typedef struct cj__trial {
    size_t suspect, manner;
    double split;    /* the figure that decides a rail, in its sigmas; 0: no such choice */
    bool split_bias; /* it is the bias current; else the offset */
    double edge;     /* V that the swing of `edges` is off, where that decides; 0: as usual */
    bool edge_over;  /* on the other side of it than as usual */
    double edge_low, edge_high; /* the range of this side of it */
    double edge_sigma;          /* V; 0: nothing hangs on it */
    unsigned long long edges;   /* sections, a bit each */
    double split_weight;        /* of this side or swing; 0: the only one */
    int split_part, split_section;
    double free_value; /* NaN: nothing was searched for */
    double low, high;  /* its 90 % interval */
    double also;       /* the manner's second quantity, in its sigmas */
    double log;        /* ln of weight times density, the searched quantity integrated out */
    double density;    /* ln density at its best */
    double robust;     /* the same as `log`, a few readings having a cause of their own */
    double distance;   /* squared, in standard deviations */
    size_t between;    /* goes to and fro between the rests of the trial of that index and of
                          `between_end`; both 0: no */
    size_t between_end;
    bool in_time;        /* stepped through time */
    cj__residue residue; /* of a railed output, that explains best */
    bool settled;        /* by cj__settle, which changed `density` and `robust` by so much: */
    double settled_gain, settled_robust;
    bool moved;   /* the level is thought to have been moved for an input */
    bool rough;   /* a drive beyond the swing, not stepped through time */
    double *mean; /* [rows] */
} cj__trial;

/* What was predicted for values of one searched quantity. */
enum { CJ__KNOWN_MOST = 160 };
typedef struct cj__known {
    size_t count;
    double t[CJ__KNOWN_MOST];    /* ln value */
    int skipped[CJ__KNOWN_MOST]; /* rows without a prediction */
    double *mean;                /* [CJ__KNOWN_MOST * rows] */
} cj__known;

typedef struct cj__ranking {
    const cj__scene *scene;
    cj__suspects *suspects; /* borrowed; pairs are added to it */
    cj__trial *trials;
    size_t trial_count, trial_capacity;
    double *log;           /* [suspects] ln of prior times evidence, unnormalised */
    double *probability;   /* [suspects] */
    size_t *best;          /* [suspects] the trial with most evidence */
    size_t singles;        /* suspects before pairs were added */
    bool *touches;         /* [single suspects * looks] looks that a suspect changes */
    size_t known;          /* suspects in the three arrays above */
    size_t left_out;       /* manners not tried: the board has too many op-amps for all of them */
    double most;           /* density of the best trial so far */
    double work_before;    /* of the bench, when this ranking began */
    double none_log, none; /* none of these */
    double *healthy;       /* [rows] means of a good unit; owned by `unit` */
    cj__outlook *unit;     /* a good unit */
    cj__outlook *plain;    /* the same, to first order */
    bool *active;          /* [looks] that the manner at hand changes */
    cj__outlook *outlook;  /* scratch */
    cj__normal *normal;    /* scratch */
    cj__normal *good;      /* of a good unit */
    cj__known found;       /* of the last search */
} cj__ranking;

/* Judges all suspects. healthy_prior: probability that nothing is wrong before anything was seen.
 */
CJ_MUST_CHECK cj_status cj__rank(const cj__scene *scene, cj__suspects *suspects,
                                 double healthy_prior, cj__ranking **out, cj_error *err);
void cj__ranking_free(cj__ranking *ranking);

/* The manner of a trial with every quantity fixed; edits: room for cj__trial_edits. */
enum { CJ__TRIAL_EDITS = 1024 };
CJ_MUST_CHECK bool cj__trial_fixed(const cj__ranking *ranking, const cj__trial *trial,
                                   cj_edit *edits, cj__manner *out);

/* Judges the suspects from that index on too, and sums up anew. */
CJ_MUST_CHECK cj_status cj__rank_more(cj__ranking *ranking, size_t from, cj_error *err);
/* Judges a manner that was added to a suspect. */
CJ_MUST_CHECK cj_status cj__rank_manner(cj__ranking *ranking, size_t suspect, size_t manner,
                                        cj_error *err);
/* pairs.c: two faults at once, where none alone explains what was seen. */
CJ_MUST_CHECK cj_status cj__rank_pairs(cj__ranking *ranking, cj_error *err);

/* Finds the looks that a manner changes at all (with any value of what is searched for): others are
 * not solved until the next call. */
CJ_MUST_CHECK cj_status cj__active(cj__ranking *ranking, const cj__manner *manner, cj_error *err);

/* Whether it changes any (search.c). */
bool cj__any_active(const cj__ranking *ranking);

/* The spread of a trial into ranking->normal (and what it predicts into ranking->outlook). */
CJ_MUST_CHECK cj_status cj__trial_metric(cj__ranking *ranking, const cj__trial *trial,
                                         unsigned want, cj_error *err);
/* Distance between two means in standard deviations of that metric. */
double cj__apart(const cj__normal *metric, const double *a, const double *b);

/* ---- trial.c ---- */

/* This far (in nats) behind the best, a searched quantity need not be known well. */
#define CJ__HOPELESS 300

double cj__add_logs(double a, double b); /* ln (e^a + e^b) */
/* The ranking's outlook with this manner at this value. */
CJ_MUST_CHECK cj_status cj__trial_fill(cj__ranking *ranking, const cj__manner *manner, double value,
                                       unsigned want, cj_error *err);
CJ_MUST_CHECK cj_status cj__trial_judge(cj__ranking *ranking, const cj__manner *manner,
                                        unsigned want, cj__trial *trial, cj_error *err);
/* Judged and kept; where one offset decides, each way stands for itself. */
CJ_MUST_CHECK cj_status cj__trial_add(cj__ranking *ranking, const cj__trial *setup, unsigned want,
                                      cj_error *err);

/* A section's figure set, behind the manner's own edits. False: no room. */
CJ_MUST_CHECK bool cj__trial_figure(const cj_board *board, int part, int section,
                                    cj_section_figure figure, double value, cj_edit *edits,
                                    cj__manner *out);
/* Its manner with the figure or the swings set that decide; edits: room for CJ__TRIAL_EDITS. */
CJ_MUST_CHECK bool cj__trial_split(const cj__manner *manner, const cj__trial *trial,
                                   const cj_board *board, cj_edit *edits, cj__manner *out);
/* Judged at that value, in ranking->outlook and ranking->normal; and added to the ranking. */
CJ_MUST_CHECK cj_status cj__trial_at(cj__ranking *ranking, const cj__manner *manner, double value,
                                     unsigned want, cj__trial *trial, cj_error *err);
CJ_MUST_CHECK cj_status cj__trial_new(cj__ranking *ranking, const cj__trial *setup, unsigned want,
                                      cj_error *err);

/* ---- edge.c ---- */

/* The swings as the trial has them, behind the manner's own edits. False: no room. */
CJ_MUST_CHECK bool cj__edge_swings(const cj__trial *trial, const cj_board *board, cj_edit *edits,
                                   cj__manner *out);
/* Where the drive clips at an edge, tone and distortion hang on every tenth of a volt of it: the
 * trial, just judged, at the best place on its side. *weight: ln of that side's prior, integrated
 * about the place. */
CJ_MUST_CHECK cj_status cj__edge_settle(cj__ranking *ranking, unsigned want, cj__trial *trial,
                                        double *weight, cj_error *err);
/* The trial just added, its outlook at hand: if its sections rest near an edge, the other side of
 * it stands for itself. */
CJ_MUST_CHECK cj_status cj__edge_add(cj__ranking *ranking, const cj__trial *setup, unsigned want,
                                     cj_error *err);

/* ---- settle.c ---- */

/* Of the suspects that are close to the best: the tolerances solved at where the readings put them,
 * where a linear law about the nominal values is not good enough. Their evidence anew. */
CJ_MUST_CHECK cj_status cj__settle(cj__ranking *ranking, cj_error *err);

/* ---- between.c ---- */

/* Two rests of a circuit, by their means: whether they differ by rails; and what is then to be
 * expected of one that goes to and fro. */
bool cj__between_rails(const cj__scene *scene, const double *low, const double *high);
void cj__between_widen(const cj__scene *scene, const double *low, const double *high,
                       cj__outlook *outlook);
/* DC of the outlook that is at the other rail than what was seen, turned over; how many. */
size_t cj__between_turn(const cj__scene *scene, cj__outlook *outlook);
/* DC behind a capacitor that is far from what it settles to, where a fault drives an output out of
 * its swing: the capacitor may still have had the charge of the step before. Widened; how many. */
size_t cj__between_unsettled(const cj__scene *scene, const cj__outlook *good, cj__outlook *outlook);
void cj__between_turn_back(const cj__scene *scene, cj__outlook *outlook);

/* ---- search.c ---- */

/* Best values of the searched quantity of a manner (local minima of the misfit), best first. */
enum { CJ__MINIMA = 3 };

/* Enough has been done: multiplications after which no further fault is tried (a dozen seconds on a
 * bench's computer; the hall mixer takes a hundredth of it). */
#define CJ__WORK_MOST 5e9
bool cj__worked_enough(const cj__ranking *ranking); /* since it began */
CJ_MUST_CHECK cj_status cj__search(cj__ranking *ranking, const cj__manner *manner,
                                   cj__normal *metric, double found[CJ__MINIMA], int *count,
                                   cj_error *err);
/* Once more with another metric, the same manner and nothing changed since: what was predicted is
 * not solved again. */
CJ_MUST_CHECK cj_status cj__search_again(cj__ranking *ranking, const cj__manner *manner,
                                         cj__normal *metric, double found[CJ__MINIMA], int *count,
                                         cj_error *err);
/* The best value where the drive leaves the swing, stepped through time; coarser. From *value on,
 * and unless that fits already, or not asked for, everywhere. */
CJ_MUST_CHECK cj_status cj__search_in_time(cj__ranking *ranking, const cj__manner *manner,
                                           cj__normal *metric, bool everywhere, double *value,
                                           cj_error *err);
/* ln of the integral of prior times a normal likelihood of height 1 at ln value t with sigma s. */
double cj__search_mass(const cj__manner *manner, double t, double s);

#endif
