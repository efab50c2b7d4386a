/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stimulus_sweep.c - the logarithmic sweep, its one definition (see signal.h). */
#include "signal/internal.h"
#include "signal/stimulus.h"

#include <math.h>

#define LN_2 0.69314718055994530942

cj_status cj_sweep_make(const cj_stimulus *s, cj_sweep *out, cj_error *err)
{
    if (s->signal != CJ_SIG_SWEEP)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s is no sweep", cj_signal_word(s->signal));
    cj_status status = cj_stimulus_check(s, err);
    if (status != CJ_OK)
        return status;
    double span = log(s->to_hz / s->from_hz);
    double turns = fmax(1, round(s->from_hz * s->seconds / span));
    double scale = turns / s->from_hz;
    double above = fmin(LN_2 / 4, log(0.49 * s->rate_hz / s->to_hz));
    *out = (cj_sweep){.from_hz = s->from_hz,
                      .to_hz = s->to_hz,
                      .peak = s->peak[0],
                      .scale_s = scale,
                      .seconds = scale * span,
                      .lead_s = scale * LN_2 / 2,
                      .trail_s = scale * above};
    return CJ_OK;
}

double cj_sweep_turns(const cj_sweep *sweep, double t)
{
    return sweep->from_hz * sweep->scale_s * expm1(t / sweep->scale_s);
}

double cj_sweep_frequency(const cj_sweep *sweep, double t)
{
    return sweep->from_hz * exp(t / sweep->scale_s);
}

double cj_sweep_time(const cj_sweep *sweep, double hz)
{
    return sweep->scale_s * log(hz / sweep->from_hz);
}

/* 0 at the outer end, 1 at from or to. */
static double fade(double done)
{
    double s = sin(CJ__TWO_PI / 4 * done);
    return s * s;
}

double cj_sweep_value(const cj_sweep *sweep, double t)
{
    double gain = sweep->peak;
    if (!(t > -sweep->lead_s && t < sweep->seconds + sweep->trail_s))
        return 0;
    if (t < 0)
        gain *= fade(1 + t / sweep->lead_s);
    else if (t > sweep->seconds)
        gain *= fade(1 - (t - sweep->seconds) / sweep->trail_s);
    double turns = cj_sweep_turns(sweep, t);
    return gain * sin(CJ__TWO_PI * (turns - floor(turns)));
}
