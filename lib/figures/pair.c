/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The figures of the pair: channel 2 relative to channel 1. */
#include "figures/response.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define ADD(call)                                                                                  \
    do {                                                                                           \
        if ((call) != CJ_OK)                                                                       \
            return CJ_NOMEM;                                                                       \
    } while (0)

const char *cj__polarity(double degrees)
{
    double turned = fabs(cj__wrap_degrees(degrees));
    return turned < 60 ? "same" : turned > 120 ? "inverted" : "unclear";
}

static cj_status add_all_missing(cj_figure_set *set, const char *why)
{
    ADD(cj__add_missing(set, "phase_deg", "deg", why));
    ADD(cj__add_missing(set, "polarity", "", why));
    return cj__add_missing(set, "delay_s", "s", why);
}

static cj_status add_gain(cj_figure_set *set, double gain, double u)
{
    ADD(cj__add_value(set, "gain", "V/V", gain, u));
    return cj__add_value(set, "gain_db", "dB", cj__to_db(gain), 20 / M_LN10 * u / gain);
}

static cj_status add_gain_bound(cj_figure_set *set, cj_bound kind, double gain, const char *why)
{
    ADD(cj__add_bound(set, "gain", "V/V", kind, gain, why));
    return cj__add_bound(set, "gain_db", "dB", kind, cj__to_db(gain), why);
}

struct turn {
    double degrees, u, frequency; /* cycles a sample */
};

static cj_status add_phase(const cj__analysis *all, cj_figure_set *set, struct turn turn)
{
    double degrees = turn.degrees, u = turn.u;
    ADD(cj__add_value(set, "phase_deg", "deg", degrees, u));
    const char *polarity = cj__polarity(degrees);
    ADD(cj__add_word(set, "polarity", polarity));
    if (!(all->about->rate_hz > 0))
        return cj__add_missing(set, "delay_s", "s", "the file states no sample rate");
    double turned = strcmp(polarity, "inverted") == 0 ? cj__wrap_degrees(degrees - 180) : degrees;
    double hz = turn.frequency * all->about->rate_hz;
    return cj__add_value(set, "delay_s", "s", -turned / 360 / hz, u / 360 / hz);
}

static bool units_differ(const cj__analysis *all, char *why, size_t size)
{
    const cj_capture_info *about = all->about;
    const char *first = about->channels[about->selected[0]].unit;
    const char *second = about->channels[about->selected[1]].unit;
    if (strcmp(first, second) == 0)
        return false;
    snprintf(why, size, "channel 1 is in %s, channel 2 in %s", first, second);
    return true;
}

static cj_status tone_pair(const cj__analysis *all, cj_figure_set *set)
{
    const cj__tone_channel *one = &all->tone.channel[0], *two = &all->tone.channel[1];
    char why[120] = "";
    bool no_gain = units_differ(all, why, sizeof why);
    if (!one->seen || !two->seen) {
        static const char no_one[] = "no signal in channel 1", no_two[] = "no signal in channel 2";
        static const char neither[] = "no signal in either channel";
        const char *lacks = one->seen ? no_two : two->seen ? no_one : neither;
        cj_bound kind = one->seen ? CJ_BELOW : two->seen ? CJ_ABOVE : CJ_BOUND_NONE;
        /* nothing at all is still no less than what the numbers resolve */
        double gain = one->seen ? fmax((two->peak + 2 * two->peak_u) / one->peak, 1e-7)
                                : fmin(two->peak / (one->peak + 2 * one->peak_u), 1e7);
        ADD(add_gain_bound(set, no_gain ? CJ_BOUND_NONE : kind,
                           kind == CJ_BOUND_NONE || no_gain ? NAN : gain, no_gain ? why : lacks));
        return add_all_missing(set, lacks);
    }
    double gain = hypot(all->tone.ratio.re, all->tone.ratio.im);
    double degrees = cj__wrap_degrees(atan2(all->tone.ratio.im, all->tone.ratio.re) * 180 / M_PI);
    double hz = all->tone.frequency * (all->about->rate_hz > 0 ? all->about->rate_hz : 1);
    if (no_gain)
        ADD(add_gain_bound(set, CJ_BOUND_NONE, NAN, why));
    else
        ADD(add_gain(set, gain, gain * hypot(all->tone.gain_u, all->chain.match)));
    double phase_u = hypot(all->tone.phase_u * 180 / M_PI, 360 * hz * all->chain.skew_s);
    return add_phase(all, set, (struct turn){degrees, phase_u, all->tone.frequency});
}

/* Without a tone: gain and polarity by correlation, where the channels have enough in common. */
static cj_status other_pair(const cj__analysis *all, cj_figure_set *set)
{
    const cj__pair_sums *pair = &all->pair;
    double corr = pair->segments ? pair->corr : NAN;
    char why[120];
    bool no_gain = units_differ(all, why, sizeof why);
    if (!(fabs(corr) >= 0.5)) {
        snprintf(why, sizeof why, "no tone, and the channels have too little in common to compare");
        ADD(add_gain_bound(set, CJ_BOUND_NONE, NAN, why));
        return add_all_missing(set, why);
    }
    if (no_gain)
        ADD(add_gain_bound(set, CJ_BOUND_NONE, NAN, why));
    else
        ADD(add_gain(set, pair->gain, hypot(pair->gain_u, pair->gain * all->chain.match)));
    ADD(cj__add_missing(set, "phase_deg", "deg", "no single tone: polarity is by correlation"));
    ADD(cj__add_word(set, "polarity", corr > 0 ? "same" : "inverted"));
    if (!(all->about->rate_hz > 0))
        return cj__add_missing(set, "delay_s", "s", "the file states no sample rate");
    return cj__add_value(set, "delay_s", "s", pair->lag / all->about->rate_hz,
                         hypot(pair->lag_u / all->about->rate_hz, all->chain.skew_s));
}

/* Two tones: the figures are those of the stronger. */
static cj_status two_tone_pair(const cj__analysis *all, cj_figure_set *set)
{
    const cj__tone_point *point = &all->two.point[all->two.stronger];
    char why[120] = "";
    bool no_gain = units_differ(all, why, sizeof why);
    if (!point->seen[0] || !point->seen[1]) {
        static const char no_one[] = "no signal in channel 1", no_two[] = "no signal in channel 2";
        bool bounded = point->seen[0] && !no_gain;
        ADD(add_gain_bound(set, bounded ? CJ_BELOW : CJ_BOUND_NONE, bounded ? point->bound : NAN,
                           no_gain          ? why
                           : point->seen[0] ? no_two
                                            : no_one));
        return add_all_missing(set, point->seen[0] ? no_two : no_one);
    }
    double gain = hypot(point->ratio.re, point->ratio.im);
    double degrees = cj__wrap_degrees(atan2(point->ratio.im, point->ratio.re) * 180 / M_PI);
    double hz = point->frequency * (all->about->rate_hz > 0 ? all->about->rate_hz : 1);
    if (no_gain)
        ADD(add_gain_bound(set, CJ_BOUND_NONE, NAN, why));
    else
        ADD(add_gain(set, gain, gain * hypot(point->gain_u, all->chain.match)));
    double phase_u = hypot(point->phase_u * 180 / M_PI, 360 * hz * all->chain.skew_s);
    return add_phase(all, set, (struct turn){degrees, phase_u, point->frequency});
}

/* What match and skew of the capture chain alone could make of a difference of this size. */
static double difference_u_db(const cj__analysis *all, double difference)
{
    double hz = all->tone.present && all->about->rate_hz > 0
                    ? all->tone.frequency * all->about->rate_hz
                    : 0;
    double chain = hypot(all->chain.match, 2 * M_PI * hz * all->chain.skew_s);
    return 20 / M_LN10 * chain / difference;
}

cj_status cj__pair_figures(const cj__analysis *all, cj_figure_set *set)
{
    bool tone = all->tone.present;
    bool response = all->response && all->response->count > 1;
    if (tone)
        ADD(tone_pair(all, set));
    else if (all->two.present && all->signal[0] == CJ__SIGNAL_TWO_TONE)
        ADD(two_tone_pair(all, set));
    else if (response)
        ADD(cj__response_figures(all, set));
    else
        ADD(other_pair(all, set));
    ADD(cj__slope_figure(all, set));
    const cj__pair_sums *pair = &all->pair;
    double n = (double)pair->valid, one = pair->square[0] - pair->sum[0] * pair->sum[0] / n;
    double two = pair->square[1] - pair->sum[1] * pair->sum[1] / n;
    double product = pair->product - pair->sum[0] * pair->sum[1] / n;
    if (!(one > 0) || !(two > 0)) {
        ADD(cj__add_missing(set, "difference_db", "dB", "no signal in one of the channels"));
        return cj__add_missing(set, "correlation", "1", "no signal in one of the channels");
    }
    double difference = fmax(one + two - 2 * product, 0);
    /* equal samples leave nothing: the sums' own rounding is the bound */
    if (difference < 1e-12 * one)
        ADD(cj__add_bound(set, "difference_db", "dB", CJ_BELOW, -120,
                          "the channels are the same, sample by sample"));
    else
        ADD(cj__add_value(set, "difference_db", "dB", 10 * log10(difference / one),
                          difference_u_db(all, sqrt(difference / one))));
    double corr = pair->segments ? pair->corr : product / sqrt(one * two);
    ADD(cj__add_value(set, "correlation", "1", corr, NAN));
    if (response)
        return CJ_OK;
    if (tone)
        return cj__add_missing(set, "coherence", "1",
                               "a single tone: coherence takes noise or a sweep");
    return cj__add_value(set, "coherence", "1", corr * corr, NAN);
}
