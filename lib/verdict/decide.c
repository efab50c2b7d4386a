/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One figure against its limits: guarded acceptance with U = 2u (JCGM 106:2012). */
#include "coldjoint/verdict.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <string.h>

/* 0.10 - 0.02 is not 0.08 in binary: on the edge is within it, to this share of the numbers. */
#define EDGE 1e-9

static bool is_angle(const cj_judged *judged)
{
    return strcmp(judged->figure, "phase_deg") == 0 && !isnan(judged->min) && !isnan(judged->max);
}

/* Distances from a value to both limits, positive inside; infinite on an open side. */
static void rooms(const cj_judged *judged, double value, double *above_min, double *below_max)
{
    double min = judged->min, max = judged->max;
    if (is_angle(judged)) {
        double off = remainder(value - (min + max) / 2, 360), half = (max - min) / 2;
        *above_min = half >= 180 ? INFINITY : half + off;
        *below_max = half >= 180 ? INFINITY : half - off;
        return;
    }
    *above_min = isnan(min) ? INFINITY : value - min;
    *below_max = isnan(max) ? INFINITY : max - value;
}

static double expanded(const cj_judged *judged)
{
    return judged->u > 0 ? 2 * judged->u : 0; /* a count has none */
}

/* A bound decides where all that it leaves lies inside the limits, or outside. */
static cj_verdict decide_bound(const cj_judged *judged)
{
    bool below = judged->bound_kind == CJ_BELOW;
    double near = below ? judged->max : judged->min, far = below ? judged->min : judged->max;
    if (judged->bound_kind == CJ_BOUND_NONE || isnan(judged->bound) || is_angle(judged))
        return CJ_VERDICT_UNDECIDED;
    if (!isnan(far) && (below ? judged->bound <= far : judged->bound >= far))
        return CJ_FAIL;
    if (isnan(far) && !isnan(near) && (below ? judged->bound <= near : judged->bound >= near))
        return CJ_PASS;
    return CJ_VERDICT_UNDECIDED;
}

void cj_judged_decide(cj_judged *judged)
{
    double above_min, below_max, wide = expanded(judged);
    judged->margin = NAN;
    if (!isfinite(judged->value)) {
        judged->verdict = decide_bound(judged);
        return;
    }
    rooms(judged, judged->value, &above_min, &below_max);
    double room = fmin(above_min, below_max);
    double edge = EDGE * fmax(wide, isfinite(room) ? fabs(judged->value) + fabs(room) : 0);
    judged->margin = wide > 0 && isfinite(room) ? room / wide : NAN;
    judged->verdict = room >= wide - edge   ? CJ_PASS
                      : room < -wide - edge ? CJ_FAIL
                                            : CJ_VERDICT_UNDECIDED;
}

double cj_judged_conforms(const cj_judged *judged)
{
    double above_min, below_max, u = judged->u;
    if (!isfinite(judged->value))
        return NAN;
    rooms(judged, judged->value, &above_min, &below_max);
    if (!(u > 0))
        return above_min >= 0 && below_max >= 0 ? 1 : 0;
    /* from the tails, which keep their digits */
    double low = isfinite(above_min) ? gsl_cdf_ugaussian_Q(above_min / u) : 0;
    double high = isfinite(below_max) ? gsl_cdf_ugaussian_Q(below_max / u) : 0;
    return fmax(0, 1 - low - high);
}

static bool never_negative(const char *figure)
{
    static const char *const kinds[] = {"thd_percent", "thdn_percent", "imd_percent", "noise_",
                                        "hum_v",       "stray_v",      "rms_v",       "peak_v",
                                        "tone_peak_v", "gain"};
    size_t length = strcspn(figure, "@");
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        size_t own = strlen(kinds[i]);
        if (strncmp(figure, kinds[i], own) == 0 && (own == length || kinds[i][own - 1] == '_'))
            return true;
    }
    return false;
}

bool cj_judged_too_wide(const cj_judged *judged)
{
    double room = (judged->max - judged->min) / 2;
    if (isnan(judged->min) && never_negative(judged->figure))
        room = judged->max;
    return room < expanded(judged) * (1 - EDGE);
}
