/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Both inputs on one point show what the capture chain does to channel 2 against channel 1. */
#include "figures/response.h"

#include <math.h>
#include <string.h>

struct chain {
    double db, u_db, degrees, u_degrees;
};

/* At a frequency. Beyond what the match shows, gain stays and phase goes on as that of a delay. */
static bool chain_at(const cj_measurement *match, double hz, struct chain *out)
{
    const cj_response *r = match->response;
    const cj_figure *db = cj_figure_find(&match->pair, "gain_db");
    const cj_figure *degrees = cj_figure_find(&match->pair, "phase_deg");
    double at = cj__value(&match->channel[0], "tone_hz");
    if (r && r->count > 1) {
        at = fmin(fmax(hz, r->hz[0]), r->hz[r->count - 1]);
        cj_response_at(r, at, &out->db, &out->u_db, &out->degrees, &out->u_degrees);
    } else if (db && degrees) {
        *out = (struct chain){db->value, db->u, degrees->value, degrees->u};
    } else {
        return false;
    }
    double far = at > 0 && hz > 0 ? hz / at : 1;
    out->degrees *= far;
    out->u_degrees *= far;
    return isfinite(out->db);
}

cj_status cj_match_check(const cj_measurement *m, cj_error *err)
{
    struct chain chain;
    if (m->channel_count == 2 && chain_at(m, 1000, &chain) && isfinite(chain.degrees))
        return CJ_OK;
    return cj_fail(
        err, CJ_DATA, m->capture->name, 0, 0,
        "this capture shows no gain and phase of channel 2 against channel 1; to match the inputs, "
        "put both on one point and capture a tone or a sweep");
}

static cj_figure *find(cj_figure_set *set, const char *name)
{
    for (size_t i = 0; i < set->count; i++)
        if (strcmp(set->items[i].name, name) == 0)
            return &set->items[i];
    return NULL;
}

static void match_pair(cj_figure_set *pair, const struct chain *chain, double hz)
{
    cj_figure *gain = find(pair, "gain"), *db = find(pair, "gain_db");
    cj_figure *degrees = find(pair, "phase_deg"), *polarity = find(pair, "polarity");
    cj_figure *delay = find(pair, "delay_s");
    double factor = pow(10, -chain->db / 20);
    if (gain) { /* NaN stays NaN */
        gain->value *= factor;
        gain->bound *= factor;
        gain->u = hypot(gain->u * factor, gain->value * chain->u_db * M_LN10 / 20);
    }
    if (db) {
        db->value -= chain->db;
        db->bound -= chain->db;
        db->u = hypot(db->u, chain->u_db);
    }
    if (degrees && isfinite(degrees->value)) {
        degrees->value = cj__wrap_degrees(degrees->value - chain->degrees);
        degrees->u = hypot(degrees->u, chain->u_degrees);
        if (polarity)
            polarity->word = cj__polarity(degrees->value);
    }
    if (delay && isfinite(delay->value) && hz > 0) {
        delay->value += chain->degrees / 360 / hz;
        delay->u = hypot(delay->u, chain->u_degrees / 360 / hz);
    }
}

/* Group delay of the chain by the slope of its phase over a per cent to either side. */
static double chain_delay(const cj_measurement *match, double hz)
{
    struct chain low, high;
    if (!chain_at(match, hz * 0.99, &low) || !chain_at(match, hz * 1.01, &high))
        return 0;
    return -cj__wrap_degrees(high.degrees - low.degrees) / 360 / (0.02 * hz);
}

static void set_figure(cj_figure_set *pair, const char *name, double hz, double u)
{
    cj_figure *figure = find(pair, name);
    if (figure && isfinite(hz)) {
        figure->value = hz;
        figure->u = u;
        figure->bound_kind = CJ_BOUND_NONE;
        figure->why[0] = '\0';
    }
}

static void match_response(cj_measurement *m, const cj_measurement *match)
{
    cj_response *r = m->response;
    for (size_t k = 0; k < r->count; k++) {
        struct chain chain;
        if (!chain_at(match, r->hz[k], &chain))
            continue;
        r->gain_db[k] -= chain.db;
        r->u_gain_db[k] = hypot(r->u_gain_db[k], chain.u_db);
        r->phase_deg[k] = cj__wrap_degrees(r->phase_deg[k] - chain.degrees);
        r->u_phase_deg[k] = hypot(r->u_phase_deg[k], chain.u_degrees);
        r->delay_s[k] -= chain_delay(match, r->hz[k]);
    }
    if (r->count < 2)
        return;
    cj__response_corners(r);
    set_figure(&m->pair, "low_3db_hz", r->low_3db_hz, r->u_low_3db_hz);
    set_figure(&m->pair, "high_3db_hz", r->high_3db_hz, r->u_high_3db_hz);
}

cj_status cj__apply_match(cj_measurement *m, const cj_measurement *match)
{
    struct chain chain;
    bool response = m->response && m->response->count > 1;
    double hz = response ? m->response->reference_hz : cj__value(&m->channel[0], "tone_hz");
    if (!(hz > 0))
        hz = cj__value(&m->channel[1], "tone_hz");
    if (!(hz > 0)) /* no tone: gain and delay by correlation; phase of the chain as at 1 kHz */
        hz = 1000;
    if (chain_at(match, hz, &chain))
        match_pair(&m->pair, &chain, hz);
    if (response)
        match_response(m, match);
    return CJ_OK;
}
