/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * How steeply channel 2 against channel 1 rises: flat through a
 * shared resistance, 6.02 dB an octave through a capacitance, a mutual inductance, or a virtual
 * earth whose impedance grows with frequency.
 */
#include "figures/internal.h"

#include <math.h>

#define LEAST_OCTAVES 2.0

/* Weighted straight line of gain over octaves; what bends off it adds to the uncertainty. */
static double line_of(const cj_response *r, double octaves, double *u)
{
    double w = 0, wx = 0, wy = 0, xx = 0, xy = 0, off = 0;
    for (size_t i = 0; i < r->count; i++) {
        double weight = 1 / (r->u_gain_db[i] * r->u_gain_db[i] + 1e-6), x = log2(r->hz[i]);
        if (!isfinite(r->gain_db[i]) || !isfinite(weight))
            continue;
        w += weight;
        wx += weight * x;
        wy += weight * r->gain_db[i];
    }
    for (size_t i = 0; i < r->count; i++) {
        double weight = 1 / (r->u_gain_db[i] * r->u_gain_db[i] + 1e-6);
        double x = log2(r->hz[i]) - wx / w, y = r->gain_db[i] - wy / w;
        if (!isfinite(y) || !isfinite(weight))
            continue;
        xx += weight * x * x;
        xy += weight * x * y;
    }
    double slope = xy / xx;
    for (size_t i = 0; i < r->count; i++) {
        double weight = 1 / (r->u_gain_db[i] * r->u_gain_db[i] + 1e-6);
        double y = r->gain_db[i] - wy / w - slope * (log2(r->hz[i]) - wx / w);
        if (isfinite(y) && isfinite(weight))
            off += weight * y * y;
    }
    *u = hypot(1 / sqrt(xx), sqrt(off / w) * sqrt(12) / octaves);
    return slope;
}

static const char name[] = "slope_db_per_octave", unit[] = "dB/octave";

/* Two tones. Where one alone is seen in channel 2 the other is below its bound. */
static cj_status slope_of_two(const cj__tone_point p[2], double octaves, cj_figure_set *set)
{
    double db[2];
    for (int i = 0; i < 2; i++)
        db[i] = cj__to_db(p[i].seen[1] ? hypot(p[i].ratio.re, p[i].ratio.im) : p[i].bound);
    double slope = (db[1] - db[0]) / octaves;
    if (p[0].seen[1] && p[1].seen[1]) /* what the channels' match is off by is common to both */
        return cj__add_value(set, name, unit, slope,
                             20 / M_LN10 * hypot(p[0].gain_u, p[1].gain_u) / octaves);
    if (!p[0].seen[1] && !p[1].seen[1])
        return cj__add_missing(set, name, unit, "neither tone is seen in channel 2");
    return cj__add_bound(set, name, unit, p[1].seen[1] ? CJ_ABOVE : CJ_BELOW, slope,
                         "one of the tones is under the noise in channel 2");
}

cj_status cj__slope_figure(const cj__analysis *all, cj_figure_set *set)
{
    static const char near[] = "less than two octaves apart";
    const cj_response *r = all->response;
    const cj__tone_point *p = all->two.point;
    if (all->two.present && all->signal[0] == CJ__SIGNAL_TWO_TONE) {
        double octaves = log2(p[1].frequency / p[0].frequency);
        if (!p[0].seen[0] || !p[1].seen[0])
            return CJ_OK;
        return octaves < LEAST_OCTAVES ? cj__add_missing(set, name, unit, near)
                                       : slope_of_two(p, octaves, set);
    }
    if (r == NULL || r->count < 2)
        return CJ_OK;
    double octaves = log2(r->hz[r->count - 1] / r->hz[0]), u;
    if (octaves < LEAST_OCTAVES)
        return cj__add_missing(set, name, unit, near);
    double slope = line_of(r, octaves, &u);
    if (!isfinite(slope))
        return cj__add_missing(set, name, unit, "the response is under the noise");
    return cj__add_value(set, name, unit, slope, u);
}
