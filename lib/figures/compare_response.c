/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One path's response against another's. */
#include "figures/response.h"

#include <math.h>
#include <stdio.h>

#define FROM_HZ 20.0
#define TO_HZ 20000.0

cj_status cj__compare_responses(cj_comparison *comparison)
{
    const cj_measurement *first = comparison->captures[0], *second = comparison->captures[1];
    if (second == NULL) {
        comparison->response = first->channel_count == 2 ? first->response : NULL;
        return CJ_OK;
    }
    if (first->response == NULL || second->response == NULL)
        return CJ_OK;
    const cj_response *one = first->response, *two = second->response;
    cj_response *r = cj__response_new(two->count);
    if (r == NULL)
        return CJ_NOMEM;
    for (size_t i = 0; i < two->count; i++) {
        double db, u_db, degrees, u_degrees;
        cj_response_at(one, two->hz[i], &db, &u_db, &degrees, &u_degrees);
        if (!isfinite(db))
            continue;
        size_t k = r->count++;
        r->hz[k] = two->hz[i];
        r->gain_db[k] = two->gain_db[i] - db;
        r->u_gain_db[k] = hypot(two->u_gain_db[i], u_db);
        r->phase_deg[k] = cj__wrap_degrees(two->phase_deg[i] - degrees);
        r->u_phase_deg[k] = hypot(two->u_phase_deg[i], u_degrees);
        r->coherence[k] = two->coherence[i];
        r->delay_s[k] = r->thd_percent[k] = NAN;
    }
    /* group delay: the slope between neighbours */
    for (size_t k = 1; k + 1 < r->count; k++)
        r->delay_s[k] = -cj__wrap_degrees(r->phase_deg[k + 1] - r->phase_deg[k - 1]) / 360 /
                        (r->hz[k + 1] - r->hz[k - 1]);
    if (r->count > 1)
        cj__response_corners(r);
    r->of_stimulus = one->of_stimulus || two->of_stimulus;
    comparison->response = comparison->quotient = r;
    return CJ_OK;
}

/* The worst point, and how it stands with the limit. */
struct worst {
    double hz, deviation, beyond; /* beyond: of |deviation| over the limit */
    cj_match match;
};

static void judge(struct worst *worst, double hz, double deviation, double u, double within)
{
    double size = fabs(deviation), expanded = 2 * (isfinite(u) ? u : 0);
    if (!isfinite(deviation))
        return;
    cj_match match = size + expanded <= within  ? CJ_MATCH
                     : size - expanded > within ? CJ_DIFFER
                                                : CJ_UNDECIDED;
    bool worse = match == CJ_DIFFER ? worst->match != CJ_DIFFER
                                    : match == CJ_UNDECIDED && worst->match == CJ_MATCH;
    if (!worse && !(match == worst->match && size - within > worst->beyond))
        return;
    *worst = (struct worst){hz, deviation, size - within, match};
}

void cj__judge_response(cj_comparison *comparison, const cj_compare_options *options)
{
    const cj_response *r = comparison->response;
    double within_db = options && options->within_db > 0 ? options->within_db : 0.5;
    double within_deg = options && options->within_deg > 0 ? options->within_deg : 5;
    struct worst gain = {.beyond = -INFINITY, .match = CJ_MATCH}, phase = gain;
    for (size_t i = 0; i < r->count; i++) {
        if (r->hz[i] < FROM_HZ * (1 - 1e-9) || r->hz[i] > TO_HZ * (1 + 1e-9))
            continue;
        double turned = cj__wrap_degrees(r->phase_deg[i] - (comparison->expect_inverted ? 180 : 0));
        judge(&gain, r->hz[i], r->gain_db[i], r->u_gain_db[i], within_db);
        if (!r->of_stimulus)
            judge(&phase, r->hz[i], turned, r->u_phase_deg[i], within_deg);
    }
    if (gain.match == CJ_MATCH && phase.match == CJ_MATCH)
        return; /* what was said of the reference stands */
    bool level = gain.match == CJ_DIFFER || phase.match != CJ_DIFFER;
    level = level && gain.match != CJ_MATCH;
    const struct worst *worst = level ? &gain : &phase;
    comparison->match = worst->match;
    snprintf(comparison->why, sizeof comparison->why,
             "at %.4g Hz the %s %+.2f %s where %.2g %s is allowed%s", worst->hz,
             level ? "level differs by" : "phase is", worst->deviation,
             level ? "dB" : "degrees off", level ? within_db : within_deg, level ? "dB" : "degrees",
             worst->match == CJ_DIFFER ? "" : ": too close to call");
}
