/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Noise, hum and stray lines of a channel, worded from the analysis. Definitions: figures.h. */
#include "figures/internal.h"

#include <math.h>
#include <string.h>

#define ADD(call)                                                                                  \
    do {                                                                                           \
        if ((call) != CJ_OK)                                                                       \
            return CJ_NOMEM;                                                                       \
    } while (0)

#define WEIGHED_S 0.01 /* a record shorter than that holds nothing of what the A curve weighs */

struct view {
    const cj__analysis *all;
    const cj__tone_channel *tone;
    const cj__noise *noise;
    const char *unit;
    double rate;         /* 1 where the file states none */
    double step;         /* of the converter */
    bool steps;          /* what is left are the converter's own steps: figures are bounds */
    const char *no_rest; /* why there is no tone to take out; NULL where there is, or silence */
};

const char cj__under_steps[] =
    "under the capture's own steps: more vertical gain, or an audio capture, shows more";

const char cj__no_band[] = "the record is too short, or its rate too low, to resolve this band";

static const char no_rate[] = "the file states no sample rate";

static double power_of(const cj__tone_channel *tone, int k)
{
    cj_complex a = tone->line[k - 1];
    return (a.re * a.re + a.im * a.im) / 2;
}

/* Power of the harmonics beyond the tenth that lie in the band, which count as noise. */
static double upper_harmonics(const cj__analysis *all, int channel, bool weighted)
{
    double rate = all->about->rate_hz > 0 ? all->about->rate_hz : 1, square = 0;
    for (int k = CJ__THD_HARMONICS + 1; all->tone.present && k <= all->tone.harmonics; k++) {
        double hz = k * all->tone.frequency * rate;
        double gain = weighted ? cj_weighting_gain(CJ_WEIGHTING_A, hz) : 1;
        if (hz >= all->band[0] && hz <= all->band[1])
            square += gain * gain * power_of(&all->tone.channel[channel], k);
    }
    return square;
}

double cj__noise_square(const cj__analysis *all, int channel)
{
    double square = all->noise[channel].band_square + upper_harmonics(all, channel, false);
    return fmax(0, square - all->chain.noise_v * all->chain.noise_v);
}

bool cj__noise_is_the_steps(const cj__analysis *all, int channel)
{
    double step = all->about->channels[all->about->selected[channel]].step;
    double total = all->tone.present ? all->tone.channel[channel].residual
                                     : cj__level_variance(&all->level[channel]);
    return step > 0 && sqrt(total) < 1.0 * step;
}

static double scaled_u(const struct view *v, double value, double statistical)
{
    return hypot(statistical, v->all->chain.gain * value);
}

/* ---- noise ---- */

static const char *density_unit(const char *unit)
{
    static const char *const pairs[][2] = {
        {"V", "V/rtHz"}, {"FS", "FS/rtHz"}, {"A", "A/rtHz"}, {"?", "?/rtHz"}};
    for (size_t i = 0; i < sizeof pairs / sizeof pairs[0]; i++)
        if (strcmp(unit, pairs[i][0]) == 0)
            return pairs[i][1];
    return "?/rtHz";
}

/* Why no noise figure makes sense; NULL where they do. */
static const char *why_no_noise(const struct view *v, int channel)
{
    cj__signal_kind kind = v->all->signal[channel];
    if (v->all->about->envelope)
        return "a peak-detect record shows no noise";
    if (v->no_rest)
        return v->no_rest;
    if (kind == CJ__SIGNAL_OTHER || kind == CJ__SIGNAL_TWO_TONE)
        return "the signal is no single tone to take out";
    return v->noise->band_bins > 0 ? NULL : cj__no_band;
}

/* Square of a level in, its root out; a bound where the converter's steps are all there is. */
static cj_status add_level(const struct view *v, cj_figure_set *set, const char *name,
                           double square, double square_u)
{
    double value = sqrt(fmax(0, square));
    if (v->steps &&
        value == 0) /* digital silence: all that is known is that it rounds to nothing */
        value = v->step / sqrt(12);
    if (v->steps)
        return cj__add_bound(set, name, v->unit, CJ_BELOW, value, cj__under_steps);
    double u = value > 0 ? square_u / (2 * value) : sqrt(square_u);
    return cj__add_value(set, name, v->unit, value, scaled_u(v, value, u));
}

static cj_status add_a(const struct view *v, int channel, cj_figure_set *set)
{
    double chain = v->all->chain.noise_v;
    if (!(v->all->about->rate_hz > 0))
        return cj__add_missing(set, "noise_a_v", v->unit, no_rate);
    if (!(v->noise->a_of_white > 0) || (double)v->all->samples < WEIGHED_S * v->rate)
        return cj__add_missing(set, "noise_a_v", v->unit,
                               "the record is too short: a weighting needs 10 ms or more");
    double square = v->noise->a_square + upper_harmonics(v->all, channel, true) -
                    chain * chain * v->noise->a_of_white;
    return add_level(v, set, "noise_a_v", square, v->noise->a_square_u);
}

static cj_status add_468(const struct view *v, cj_figure_set *set)
{
    double chain = v->all->chain.noise_v, own = chain * chain * v->noise->q_of_white;
    if (!(v->all->about->rate_hz > 0))
        return cj__add_missing(set, "noise_468_v", v->unit, no_rate);
    if (!v->noise->meter_seen)
        return cj__add_missing(set, "noise_468_v", v->unit,
                               v->rate < 8000 ? "the rate is too low: the weighting needs 8 kHz"
                                              : "the record is too short: the pointer of the "
                                                "quasi-peak meter needs 1 s to come up");
    double rest = own > 0 && v->noise->q_square > 0 ? fmax(0, 1 - own / v->noise->q_square) : 1;
    double reading = v->noise->meter * sqrt(rest), u = v->noise->meter_u * sqrt(rest);
    return add_level(v, set, "noise_468_v", reading * reading, 2 * reading * u);
}

static cj_status add_density(const struct view *v, cj_figure_set *set)
{
    const char *unit = density_unit(v->unit);
    double square = v->noise->density_square, width = v->all->band[1] - v->all->band[0];
    double nyquist = v->rate / 2 - v->all->band[0];
    if (!(v->all->about->rate_hz > 0))
        return cj__add_missing(set, "noise_density_v", unit, no_rate);
    if (!(square > 0))
        return cj__add_missing(set, "noise_density_v", unit,
                               "the record is too short, or its rate too low: too few bins about "
                               "1 kHz");
    square -= v->all->chain.noise_v * v->all->chain.noise_v / fmin(width, nyquist);
    struct view in_rt_hz = *v;
    in_rt_hz.unit = unit;
    return add_level(&in_rt_hz, set, "noise_density_v", square, v->noise->density_square_u);
}

static cj_status add_noise(const struct view *v, int channel, cj_figure_set *set)
{
    const char *why = why_no_noise(v, channel);
    if (why) {
        static const char *const names[] = {"noise_v", "noise_a_v", "noise_468_v"};
        for (size_t i = 0; i < 3; i++)
            ADD(cj__add_missing(set, names[i], v->unit, why));
        return cj__add_missing(set, "noise_density_v", density_unit(v->unit), why);
    }
    double square = cj__noise_square(v->all, channel), bins = fmax(1, v->noise->band_bins);
    ADD(add_level(v, set, "noise_v", square, square / sqrt(bins)));
    ADD(add_a(v, channel, set));
    ADD(add_468(v, set));
    return add_density(v, set);
}

/* ---- lines ---- */

/* Ripple that gets into the signal: the tone's sidebands at the mains rate and its multiples. */
static cj_status add_sidebands(const struct view *v, int channel, cj_figure_set *set)
{
    const cj__noise *noise = v->noise;
    const char *why = NULL;
    if (!v->all->tone.present || !v->tone->seen || v->all->signal[channel] == CJ__SIGNAL_TWO_TONE)
        why = "no steady tone in this channel";
    else if (!(v->all->about->rate_hz > 0))
        why = no_rate;
    else if (!noise->side_possible)
        why = "sidebands at the mains rate need a tone of 320 Hz or more and 100 ms of it";
    else if (noise->side_shared)
        why = "the tone is a multiple of the mains, so hum falls on its sidebands: 997 Hz tells";
    if (why) {
        ADD(cj__add_missing(set, "hum_sideband_db", "dB", why));
        return cj__add_missing(set, "hum_sideband_hz", "Hz", why);
    }
    if (!noise->side_seen) {
        static const char none[] = "no sideband at the mains rate stands out of the noise";
        ADD(cj__add_bound(set, "hum_sideband_db", "dB", CJ_BELOW,
                          cj__to_db(noise->side + 2 * noise->side_u), none));
        return cj__add_missing(set, "hum_sideband_hz", "Hz", none);
    }
    ADD(cj__add_value(set, "hum_sideband_db", "dB", cj__to_db(noise->side),
                      20 / M_LN10 * noise->side_u / noise->side));
    return cj__add_value(set, "hum_sideband_hz", "Hz", noise->side_hz,
                         hypot(noise->side_hz_u, noise->side_hz * v->all->about->rate_u));
}

static cj_status add_lines(const struct view *v, int channel, cj_figure_set *set)
{
    const cj__noise *noise = v->noise;
    bool timed = v->all->about->rate_hz > 0;
    if (v->no_rest) {
        static const char *const names[] = {"hum_v",           "hum_hz",   "hum_sideband_db",
                                            "hum_sideband_hz", "stray_hz", "stray_v"};
        const char *units[] = {v->unit, "Hz", "dB", "Hz", "Hz", v->unit};
        for (size_t i = 0; i < 6; i++)
            ADD(cj__add_missing(set, names[i], units[i], v->no_rest));
        return CJ_OK;
    }
    if (!timed || !noise->hum_possible) {
        const char *why =
            !timed ? no_rate
            : !(noise->hum_square > 0) && v->all->samples > 0.1 * v->rate
                ? "no signal in this channel"
                : "the record is too short: mains hum needs two periods, 40 ms or more";
        ADD(cj__add_missing(set, "hum_v", v->unit, why));
        ADD(cj__add_missing(set, "hum_hz", "Hz", why));
    } else if (!noise->hum_seen) {
        static const char why[] = "no mains line stands out of the noise";
        ADD(cj__add_bound(set, "hum_v", v->unit, CJ_BELOW,
                          sqrt(noise->hum_square) + 2 * noise->hum_u, why));
        ADD(cj__add_missing(set, "hum_hz", "Hz", why));
    } else {
        double hum = sqrt(noise->hum_square);
        ADD(cj__add_value(set, "hum_v", v->unit, hum, scaled_u(v, hum, noise->hum_u)));
        ADD(cj__add_value(set, "hum_hz", "Hz", noise->hum_hz,
                          hypot(noise->hum_hz_u, noise->hum_hz * v->all->about->rate_u)));
    }
    ADD(add_sidebands(v, channel, set));
    static const char none[] = "no line stands out beside tone and mains";
    if (noise->stray_seen && timed)
        ADD(cj__add_value(set, "stray_hz", "Hz", noise->stray_hz * v->rate, NAN));
    else
        ADD(cj__add_missing(set, "stray_hz", "Hz",
                            timed ? none : "the file states no sample rate"));
    if (noise->stray_seen)
        return cj__add_value(set, "stray_v", v->unit, noise->stray_peak / sqrt(2),
                             scaled_u(v, noise->stray_peak / sqrt(2), noise->stray_u));
    return cj__add_bound(set, "stray_v", v->unit, CJ_BELOW, noise->stray_floor / sqrt(2), none);
}

cj_status cj__noise_figures(const cj__analysis *all, int channel, const char *no_rest,
                            cj_figure_set *set)
{
    const cj_capture_info *about = all->about;
    struct view v = {.all = all,
                     .tone = &all->tone.channel[channel],
                     .noise = &all->noise[channel],
                     .unit = about->channels[about->selected[channel]].unit,
                     .rate = about->rate_hz > 0 ? about->rate_hz : 1,
                     .step = about->channels[about->selected[channel]].step,
                     .steps = cj__noise_is_the_steps(all, channel),
                     .no_rest = no_rest};
    ADD(add_noise(&v, channel, set));
    return add_lines(&v, channel, set);
}
