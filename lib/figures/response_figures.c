/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a response says in single figures. */
#include "figures/response.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ADD(call)                                                                                  \
    do {                                                                                           \
        if ((call) != CJ_OK)                                                                       \
            return CJ_NOMEM;                                                                       \
    } while (0)

static cj_status add_corner(cj_figure_set *set, const cj_response *r, bool high)
{
    const char *name = high ? "high_3db_hz" : "low_3db_hz";
    double hz = high ? r->high_3db_hz : r->low_3db_hz;
    double u = high ? r->u_high_3db_hz : r->u_low_3db_hz;
    if (isfinite(hz))
        return cj__add_value(set, name, "Hz", hz, u);
    double end = r->hz[high ? r->count - 1 : 0], gain;
    cj_response_at(r, end, &gain, NULL, NULL, NULL);
    if (!isfinite(gain))
        return cj__add_missing(set, name, "Hz", "the response is under the noise there");
    return cj__add_bound(set, name, "Hz", high ? CJ_ABOVE : CJ_BELOW, end,
                         "the gain stays within 3 dB as far as the record reaches");
}

cj_status cj__corner_figures(const cj_response *r, cj_figure_set *set)
{
    if (r->count < 2) {
        static const char why[] = "the sweep is too short to show a response";
        ADD(cj__add_missing(set, "low_3db_hz", "Hz", why));
        return cj__add_missing(set, "high_3db_hz", "Hz", why);
    }
    ADD(add_corner(set, r, false));
    return add_corner(set, r, true);
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* NaN: out of memory, or none. */
static double median_of(const double *values, size_t count)
{
    double *sorted = cj_new(count + 1, sizeof *sorted), median;
    size_t n = 0;
    for (size_t i = 0; sorted && i < count; i++)
        if (isfinite(values[i]))
            sorted[n++] = values[i];
    if (sorted)
        qsort(sorted, n, sizeof *sorted, ascending);
    median = sorted && n > 0 ? sorted[n / 2] : NAN;
    cj_free(sorted);
    return median;
}

static bool units_differ(const cj__analysis *all)
{
    const cj_capture_info *about = all->about;
    return strcmp(about->channels[about->selected[0]].unit,
                  about->channels[about->selected[1]].unit) != 0;
}

static cj_status add_none(cj_figure_set *set, const char *why)
{
    static const char *const names[][2] = {{"gain", "V/V"},
                                           {"gain_db", "dB"},
                                           {"phase_deg", "deg"},
                                           {"polarity", ""},
                                           {"delay_s", "s"}};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
        ADD(cj__add_missing(set, names[i][0], names[i][1], why));
    return CJ_OK;
}

static cj_status add_at_reference(const cj__analysis *all, cj_figure_set *set)
{
    const cj_response *r = all->response;
    double db, u_db, degrees, u_degrees;
    cj_response_at(r, r->reference_hz, &db, &u_db, &degrees, &u_degrees);
    if (!isfinite(db))
        return add_none(set, "channel 2 does not respond above its noise");
    if (units_differ(all)) {
        static const char why[] = "the channels are in different units";
        ADD(cj__add_missing(set, "gain", "V/V", why));
        ADD(cj__add_missing(set, "gain_db", "dB", why));
    } else {
        double gain = pow(10, db / 20);
        ADD(cj__add_value(set, "gain", "V/V", gain, gain * u_db * M_LN10 / 20));
        ADD(cj__add_value(set, "gain_db", "dB", db, u_db));
    }
    ADD(cj__add_value(set, "phase_deg", "deg", degrees, u_degrees));
    const cj__pair_sums *sums = &all->pair;
    if (sums->segments > 0 && fabs(sums->corr) >= 0.5) { /* noise tells delay from phase */
        ADD(cj__add_word(set, "polarity", sums->corr > 0 ? "same" : "inverted"));
        return cj__add_value(set, "delay_s", "s", sums->lag / all->about->rate_hz,
                             hypot(sums->lag_u / all->about->rate_hz, all->chain.skew_s));
    }
    const char *polarity = cj__polarity(degrees);
    ADD(cj__add_word(set, "polarity", polarity));
    double turned = strcmp(polarity, "inverted") == 0 ? cj__wrap_degrees(degrees - 180) : degrees;
    return cj__add_value(set, "delay_s", "s", -turned / 360 / r->reference_hz,
                         u_degrees / 360 / r->reference_hz);
}

cj_status cj__response_figures(const cj__analysis *all, cj_figure_set *set)
{
    ADD(add_at_reference(all, set));
    double coherence = median_of(all->response->coherence, all->response->count);
    ADD(cj__add_value(set, "coherence", "1", coherence, NAN));
    return cj__corner_figures(all->response, set);
}
