/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stimulus.c - test signals: what is possible, how long, how high. */
#include "signal/stimulus.h"

#include <math.h>

#define MOST_SAMPLES 4e9 /* half a day at 96 kHz: more is a slip of the pen */

const char *cj_signal_word(cj_signal signal)
{
    switch (signal) {
#define CJ_SIGNAL_WORD(name, word)                                                                 \
    case name:                                                                                     \
        return word;
        CJ_SIGNAL_LIST(CJ_SIGNAL_WORD)
#undef CJ_SIGNAL_WORD
    }
    return "?";
}

/* ---- what is possible ---- */

static cj_status refuse_hz(const cj_stimulus *s, double hz, double most, const char *why,
                           cj_error *err)
{
    if (hz > 0 && hz <= most)
        return CJ_OK;
    if (!(hz > 0) || !isfinite(hz))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "a frequency of %g Hz is not above 0", hz);
    return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                   "%g Hz is too high for a rate of %g Hz: %g Hz at most%s, or a higher rate", hz,
                   s->rate_hz, most, why);
}

static cj_status refuse_level(const char *what, double level, cj_error *err)
{
    if (level > 0 && isfinite(level))
        return CJ_OK;
    return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s of %g is not above 0", what, level);
}

static cj_status check_tones(const cj_stimulus *s, int count, double most, const char *why,
                             cj_error *err)
{
    cj_status status = CJ_OK;
    for (int i = 0; status == CJ_OK && i < count; i++)
        status = refuse_hz(s, s->hz[i], most, why, err);
    for (int i = 0; status == CJ_OK && i < count && s->signal != CJ_SIG_STEPPED; i++)
        status = refuse_level("a peak", s->peak[i], err);
    if (status == CJ_OK && s->seconds * s->hz[0] < 0.5)
        status =
            cj_fail(err, CJ_USAGE, NULL, 0, 0, "%g s hold not one period of %g Hz: %g s at least",
                    s->seconds, s->hz[0], 1 / s->hz[0]);
    return status;
}

static cj_status check_stepped(const cj_stimulus *s, cj_error *err)
{
    cj_status status = check_tones(s, 1, 0.49 * s->rate_hz, "", err);
    if (status == CJ_OK)
        status = refuse_level("a lowest level", s->from_v, err);
    if (status == CJ_OK)
        status = refuse_level("a highest level", s->to_v, err);
    if (status == CJ_OK && (s->steps < 2 || s->steps > 1000))
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0, "%d levels: 2 to 1000 are possible", s->steps);
    if (status == CJ_OK && s->seconds * s->hz[0] / s->steps < 1)
        status =
            cj_fail(err, CJ_USAGE, NULL, 0, 0,
                    "%g s are too short for %d levels of a period of %g Hz each: %g s at least",
                    s->seconds, s->steps, s->hz[0], s->steps / s->hz[0]);
    return status;
}

static cj_status check_sweep(const cj_stimulus *s, cj_error *err)
{
    double most = 0.475 * s->rate_hz; /* what is left up to 0.49 is for the fade */
    cj_status status = refuse_hz(s, s->from_hz, most, "", err);
    if (status == CJ_OK)
        status = refuse_hz(s, s->to_hz, most, " (a sweep fades out above its end)", err);
    if (status == CJ_OK)
        status = refuse_level("a peak", s->peak[0], err);
    if (status == CJ_OK && s->to_hz < 1.05 * s->from_hz)
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0,
                         "a sweep runs upward: from %g Hz to %g Hz or more, not to %g Hz",
                         s->from_hz, 1.05 * s->from_hz, s->to_hz);
    /* shorter, L cannot be near to what was asked for: from L is a whole number */
    if (status == CJ_OK && s->seconds * s->from_hz < log(s->to_hz / s->from_hz))
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0,
                         "%g s are too short for a sweep from %g to %g Hz: %.3g s at least",
                         s->seconds, s->from_hz, s->to_hz, log(s->to_hz / s->from_hz) / s->from_hz);
    return status;
}

static cj_status check_noise(const cj_stimulus *s, cj_error *err)
{
    if (s->signal != CJ_SIG_MLS)
        return refuse_level("an RMS level", s->rms, err);
    cj_status status = refuse_level("a peak", s->peak[0], err);
    if (status == CJ_OK && cj__mls_order(s) == 0)
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0,
                         "%g s are too short for three periods of 7 samples", s->seconds);
    return status;
}

cj_status cj_stimulus_check(const cj_stimulus *s, cj_error *err)
{
    if (!(s->rate_hz >= 1000 && s->rate_hz <= 10e6))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "a rate of %g Hz: 1 kHz to 10 MHz are possible, 48 kHz is usual",
                       s->rate_hz);
    if (!(s->seconds > 0) || !(s->seconds * s->rate_hz >= 1))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%g s hold no sample", s->seconds);
    if (!(s->seconds * s->rate_hz <= MOST_SAMPLES))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%g s are too long: %.0f s at most at this rate",
                       s->seconds, floor(MOST_SAMPLES / s->rate_hz));
    switch (s->signal) {
    case CJ_SIG_SINE:
        return check_tones(s, 1, 0.49 * s->rate_hz, "", err);
    case CJ_SIG_TWO_TONE:
        return check_tones(s, 2, 0.49 * s->rate_hz, "", err);
    case CJ_SIG_SQUARE:
        return check_tones(s, 1, s->rate_hz / CJ__SQUARE_LEAST,
                           " (a square needs 20 samples a period)", err);
    case CJ_SIG_STEPPED:
        return check_stepped(s, err);
    case CJ_SIG_SWEEP:
        return check_sweep(s, err);
    case CJ_SIG_MLS:
    case CJ_SIG_WHITE:
    case CJ_SIG_PINK:
        return check_noise(s, err);
    case CJ_SIG_SILENCE:
        return CJ_OK;
    }
    return cj_fail(err, CJ_USAGE, NULL, 0, 0, "signal %d does not exist", (int)s->signal);
}

/* ---- how high ---- */

double cj_stimulus_peak(const cj_stimulus *s)
{
    switch (s->signal) {
    case CJ_SIG_TWO_TONE:
        return s->peak[0] + s->peak[1];
    case CJ_SIG_STEPPED:
        return fmax(s->from_v, s->to_v);
    case CJ_SIG_WHITE:
        return CJ__WHITE_CREST * s->rms;
    case CJ_SIG_PINK:
        return CJ__PINK_CREST * s->rms;
    default:
        return s->peak[0];
    }
}

/* ---- how long ---- */

/* Samples of the whole number of periods nearest to a time, one period at least. */
static size_t whole_periods(double seconds, double hz, double rate_hz)
{
    double periods = fmax(1, round(seconds * hz));
    return (size_t)llround(periods / hz * rate_hz);
}

int cj__mls_order(const cj_stimulus *s)
{
    double room = s->seconds * s->rate_hz;
    int order = CJ__MLS_MOST;
    while (order >= CJ__MLS_LEAST && 3 * (ldexp(1, order) - 1) > room)
        order--;
    return order >= CJ__MLS_LEAST ? order : 0;
}

size_t cj__stepped_edge(const cj_stimulus *s, int k)
{
    double periods = fmax(1, round(s->seconds / s->steps * s->hz[0]));
    return (size_t)llround(k * periods / s->hz[0] * s->rate_hz);
}

double cj__stepped_level(const cj_stimulus *s, int k)
{
    return s->from_v * pow(s->to_v / s->from_v, (double)k / (s->steps - 1));
}

static size_t signal_length(const cj_stimulus *s)
{
    cj_sweep sweep;
    size_t plain = (size_t)llround(s->seconds * s->rate_hz), period;
    switch (s->signal) {
    case CJ_SIG_SINE:
    case CJ_SIG_TWO_TONE:
    case CJ_SIG_SQUARE:
        return whole_periods(s->seconds, s->hz[0], s->rate_hz);
    case CJ_SIG_STEPPED:
        return cj__stepped_edge(s, s->steps);
    case CJ_SIG_SWEEP:
        if (cj_sweep_make(s, &sweep, NULL) != CJ_OK)
            return 0;
        return (size_t)floor((sweep.lead_s + sweep.seconds + sweep.trail_s) * s->rate_hz) + 1;
    case CJ_SIG_MLS:
        period = ((size_t)1 << cj__mls_order(s)) - 1;
        return plain / period * period;
    default:
        return plain;
    }
}

cj_status cj_stimulus_layout(const cj_stimulus *s, cj_layout *out, cj_error *err)
{
    cj_status status = cj_stimulus_check(s, err);
    if (status != CJ_OK)
        return status;
    *out = (cj_layout){.length = signal_length(s)};
    out->total = out->length;
    if (s->marker && cj_stimulus_peak(s) > 0) {
        size_t gap = (size_t)llround(CJ__GAP_S * s->rate_hz);
        out->marker = gap;
        out->start = gap + (size_t)llround((CJ__MARKER_S + CJ__GAP_S) * s->rate_hz);
        out->total = out->start + out->length + gap;
    }
    return CJ_OK;
}
