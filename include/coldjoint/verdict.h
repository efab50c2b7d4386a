/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * verdict.h - figures against limits: pass, fail, undecided; and the statistics of many units.
 *
 * Guarded acceptance (JCGM 106:2012; the three answers as ISO 14253-1 has them): with the expanded uncertainty U = 2u a
 * figure passes inside its limits by U or more, fails outside by more than U, and is undecided between. One that passes
 * lies beyond either limit with a probability of 2.3 % at most.
 */
#ifndef COLDJOINT_VERDICT_H
#define COLDJOINT_VERDICT_H

#include "coldjoint/base.h"
#include "coldjoint/board.h"
#include "coldjoint/diagnosis.h"

#ifdef __cplusplus
extern "C" {
#endif

typedef enum cj_verdict { CJ_PASS, CJ_FAIL, CJ_VERDICT_UNDECIDED } cj_verdict;

/* One limit at one reading. */
typedef struct cj_judged {
    char *step;      /* name of the step; "*": a limit on every step, and none showed the figure */
    char *figure;    /* key, with its net where it is of one channel: "dc_v@left_out" */
    double hz;       /* of a response: at this frequency; 0: the step's own figure */
    double value, u; /* NaN where not measured */
    cj_bound bound_kind;
    double bound;    /* where only one is known */
    double min, max; /* NaN: none on this side */
    bool derived;    /* from the parts' tolerances */
    cj_verdict verdict;
    char *why;       /* undecided: the reason; else NULL */
    double margin;   /* from the value to the nearer limit, over U = 2u; negative outside; NaN: none */
} cj_judged;

typedef struct cj_judgement {
    cj_verdict verdict; /* the worst of its limits: fail, undecided, pass; undecided where there is no limit */
    cj_judged *limits;
    size_t limit_count;
    size_t worst;       /* the limit that decided: of the worst verdict, the one with the least margin; limit_count: none */
} cj_judgement;

/*
 * The limits of the board against what a diagnosis has as measured and as predicted of a good unit.
 *
 * Limits derived from tolerances (good value and so many sigma of its spread): DC of every powered step but at the net
 * that is driven (it is the source's); gain and phase of steps of one tone or a square, of sweeps and noise at each
 * frequency they are computed at, of two tones for the stronger one. An explicit limit on the same figure beats them.
 * A limit on a step that was not captured, or on a figure that was not measured, is undecided with the reason.
 */
CJ_API CJ_MUST_CHECK cj_status cj_judge(const cj_diagnosis *diagnosis, cj_judgement **out, cj_error *err);
CJ_API void cj_judgement_free(cj_judgement *judgement);

/* Judges value, u and the bound of a row against its limits: fills verdict and margin. An angle (phase_deg) is compared
 * modulo 360 about the limits' middle. */
CJ_API void cj_judged_decide(cj_judged *judged);
/* Probability that the figure lies within its limits, the error taken as normal and nothing else known (JCGM 106, 7.3; the
 * clause from memory); NaN where it was not measured. */
CJ_API double cj_judged_conforms(const cj_judged *judged);
/* U is as wide as the limits' room (half their distance; of one upper limit on a figure that is never negative, the limit
 * itself): no reading can pass. */
CJ_API bool cj_judged_too_wide(const cj_judged *judged);

/* ---- many units: statistics on plain arrays ---- */

/*
 * Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, by section. Where there are too few values, or they do not
 * differ, what cannot be told is NaN. Values must be finite.
 */

typedef struct cj_interval {
    double low, high; /* NaN: not known */
} cj_interval;

/* Two-sided interval of a proportion (E. B. Wilson 1927; 7.2.4.1). confidence 0.95 for 95 %. */
CJ_API cj_interval cj_wilson(size_t good, size_t count, double confidence);

typedef struct cj_summary {
    size_t count;
    double mean, spread;     /* experimental standard deviation (n - 1) */
    double lowest, highest;
} cj_summary;

CJ_API cj_summary cj_summarise(const double *values, size_t count);

/* Angles in degrees become neighbours: each within 180 of their circular mean. In place. */
CJ_API void cj_unwrap_degrees(double *values, size_t count);

/* Capability (6.1.6): cp = (max - min) / 6s where both limits are given, cpk = the nearer limit's distance over 3s. 95 %
 * intervals: cp from chi-squared, cpk the normal approximation (A. F. Bissell 1990; from memory). */
typedef struct cj_capability {
    double cp, cpk;
    cj_interval cp_interval, cpk_interval;
} cj_capability;

/* min, max: NaN where there is none. */
CJ_API cj_capability cj_capable(const cj_summary *summary, double min, double max);

/* Individuals chart with moving ranges of two (6.3.2.2): limits at the mean and three times the mean range over 1.128, the
 * ranges' upper limit 3.267 times their mean (constants as published, to the digits a chart drawn by hand uses). */
typedef struct cj_chart {
    double centre, lower, upper;
    double range_mean, range_upper;
} cj_chart;

/* Why a point is out of control: beyond the limits; a range beyond its limit; the eighth or later in a row on one side. */
typedef enum cj_out { CJ_IN_CONTROL = 0, CJ_OUT_LIMITS = 1, CJ_OUT_RANGE = 2, CJ_OUT_RUN = 4 } cj_out;

CJ_API cj_chart cj_chart_make(const double *values, size_t count);
/* A set of cj_out of each point, out[count]; how many are not in control. */
CJ_API size_t cj_chart_check(const cj_chart *chart, const double *values, size_t count, unsigned char *out);

/* Grubbs' test for one outlier, two-sided (1.3.5.17.1): the value farthest from the mean. */
typedef struct cj_outlier {
    size_t index;
    double g, critical; /* it is one where g > critical; NaN below three values */
} cj_outlier;

CJ_API cj_outlier cj_grubbs(const double *values, size_t count, double confidence);

/*
 * Factors of a normal tolerance interval (7.2.6.3): mean +- k s holds the share `coverage` of all units with that
 * confidence. One-sided from the noncentral t distribution, two-sided by its exact definition; both integrated by the
 * trapezium rule (which converges geometrically here) and solved by halving. NaN: below two values.
 */
CJ_API double cj_tolerance_one_sided(size_t count, double coverage, double confidence);
CJ_API double cj_tolerance_two_sided(size_t count, double coverage, double confidence);

#ifdef __cplusplus
}
#endif
#endif
