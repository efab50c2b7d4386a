/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * verdict.h - figures against limits: pass, fail, undecided; and the statistics of many units.
 *
 * Guarded acceptance (JCGM 106:2012; the three answers as ISO 14253-1 has them): with the expanded uncertainty U = 2u a
 * figure passes inside its limits by U or more, fails outside by more than U, and is undecided between. One that passes
 * lies outside its limit with a probability of 2.3 % at most.
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

#ifdef __cplusplus
}
#endif
#endif
