/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The figures of one channel, worded from the analysis. Definitions: the contract of the JSON
 * output, as AES17 and IEC 60268-3 have them (clauses from memory). */
#include "figures/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define ADD(call)                                                                                  \
    do {                                                                                           \
        if ((call) != CJ_OK)                                                                       \
            return CJ_NOMEM;                                                                       \
    } while (0)

/* What the channel's figures are made of, gathered once. */
struct view {
    const cj__analysis *all;
    const cj__tone_channel *tone;
    const cj__level *level;
    const cj__noise *noise;
    const cj_channel_info *info;
    const char *unit;
    double rate;  /* 1 where the file states none */
    double gain;  /* relative standard uncertainty of levels */
    bool is_tone; /* tone figures make sense here */
    char why_no_tone[120];
};

static int channel_of(const struct view *v)
{
    return (int)(v->level - v->all->level);
}

static double harmonic_power(const struct view *v, int k)
{
    cj_complex a = v->tone->line[k - 1];
    return (a.re * a.re + a.im * a.im) / 2;
}

static bool in_band(const struct view *v, int k)
{
    double f = k * v->all->tone.frequency * v->rate;
    return f >= v->all->band[0] && f <= v->all->band[1];
}

/* ---- levels ---- */

static double scaled_u(const struct view *v, double value, double statistical)
{
    return hypot(statistical, v->gain * value);
}

static cj_status add_levels(const struct view *v, cj_figure_set *set)
{
    const cj__analysis *all = v->all;
    double n = (double)v->level->valid;
    double mean = cj__level_mean(v->level), variance = cj__level_variance(v->level);
    /* without a model the mean is as good as the record holds half-periods of the band's lower end
     */
    double seconds = n / v->rate;
    double independent = all->about->rate_hz > 0 ? fmin(n, 1 + 2 * seconds * 20) : n;
    double dc = mean, dc_u = sqrt(variance / independent);
    double rms = sqrt(variance + mean * mean);
    if (all->tone.present) {
        dc = v->tone->dc;
        dc_u = v->tone->dc_u;
        double square = dc * dc + v->tone->residual;
        for (int k = 1; k <= all->tone.harmonics; k++)
            square += harmonic_power(v, k);
        rms = sqrt(square);
    }
    if (all->about->coupling == CJ_COUPLING_AC)
        ADD(cj__add_missing(set, "dc_v", v->unit, "AC-coupled input: DC does not get through"));
    else
        ADD(cj__add_value(set, "dc_v", v->unit, dc,
                          hypot(scaled_u(v, dc, dc_u), all->chain.offset_v)));
    double rms_stat = rms > 0 ? sqrt(variance) * sqrt(variance) / (rms * sqrt(2 * independent)) : 0;
    if (all->tone.present)
        rms_stat = rms > 0 ? hypot(v->tone->peak * v->tone->peak_u / 2, dc * dc_u) / rms : 0;
    ADD(cj__add_value(set, "rms_v", v->unit, rms, scaled_u(v, rms, rms_stat)));
    double peak = fmax(fabs(v->level->low), fabs(v->level->high));
    return cj__add_value(set, "peak_v", v->unit, peak, scaled_u(v, peak, v->info->step / sqrt(12)));
}

/* ---- the tone and its harmonics ---- */

static cj_status add_tone(const struct view *v, cj_figure_set *set)
{
    const cj__tone *tone = &v->all->tone;
    if (v->is_tone && v->all->about->rate_hz > 0) {
        double hz = tone->frequency * v->rate;
        ADD(cj__add_value(set, "tone_hz", "Hz", hz,
                          hypot(tone->frequency_u * v->rate, hz * v->all->about->rate_u)));
    } else {
        ADD(cj__add_missing(set, "tone_hz", "Hz",
                            v->is_tone ? "the file states no sample rate" : v->why_no_tone));
    }
    if (v->is_tone)
        return cj__add_value(set, "tone_peak_v", v->unit, v->tone->peak,
                             scaled_u(v, v->tone->peak, v->tone->peak_u));
    if (tone->present && v->all->signal[0] != CJ__SIGNAL_TWO_TONE)
        return cj__add_bound(set, "tone_peak_v", v->unit, CJ_BELOW,
                             v->tone->peak + 2 * v->tone->peak_u, v->why_no_tone);
    return cj__add_missing(set, "tone_peak_v", v->unit, v->why_no_tone);
}

struct distortion {
    double square;    /* sum of |a|^2, noise taken out */
    double u4;        /* sum of u^4: the scatter of that sum without signal is 2 sqrt(u4) */
    double cross;     /* sum of |a|^2 u^2 */
    double quantised; /* amplitude that quantisation alone could put there */
    int counted;
};

/*
 * Quantisation of a tone that is nearly locked to the sampling is not noise but distortion. Its
 * power, step^2/12, spreads over some 2 pi A/step harmonics, and noise of standard deviation s at
 * the converter shrinks it by exp(-2 pi^2 s^2/step^2) (Bennett 1948 for the spread; the dither
 * factor is the characteristic function of the noise at 1/step; both as an order of magnitude, from
 * memory).
 */
static double quantisation_harmonics(const struct view *v, int counted)
{
    double step = v->info->step, peak = v->tone->peak;
    if (!(step > 0) || !(peak > step))
        return step > 0 ? step : 0;
    double noise = cj__noise_in_steps(v->tone->residual, step);
    double share = fmin(1, counted / (2 * M_PI * peak / step));
    return step * sqrt(share / 6) * exp(-2 * M_PI * M_PI * noise);
}

/* Sums harmonics first, first+stride, ... up to 10 that lie in the band. */
static struct distortion distortion_of(const struct view *v, int first, int stride)
{
    struct distortion d = {0};
    int last =
        v->all->tone.harmonics < CJ__THD_HARMONICS ? v->all->tone.harmonics : CJ__THD_HARMONICS;
    for (int k = first; k <= last; k += stride) {
        if (!in_band(v, k))
            continue;
        double square = 2 * harmonic_power(v, k), u = v->tone->line_u[k - 1];
        d.square += square - 2 * u * u;
        d.u4 += u * u * u * u;
        d.cross += square * u * u;
        d.counted++;
    }
    d.quantised = quantisation_harmonics(v, d.counted);
    return d;
}

struct ratio {
    double value, u, below; /* value NaN where the sum is under its noise; then below is a bound */
};

static struct ratio distortion_ratio(const struct view *v, const struct distortion *d)
{
    double peak = v->tone->peak, scatter = 2 * sqrt(d->u4), floor = d->quantised * d->quantised;
    struct ratio ratio = {NAN, NAN, sqrt(fmax(0, d->square) + 2 * scatter + 4 * floor) / peak};
    if (d->square > 3 * scatter + 4 * floor) {
        double level = sqrt(d->square);
        ratio.value = level / peak;
        ratio.u = hypot(sqrt(4 * d->cross + 4 * d->u4) / (2 * level), d->quantised / 2) / peak;
        ratio.u = hypot(ratio.u, ratio.value * v->tone->peak_u / peak);
    }
    return ratio;
}

static cj_status add_ratio(cj_figure_set *set, const char *name, const struct ratio *ratio, bool db,
                           const char *why)
{
    if (isfinite(ratio->value) && !(db && ratio->value <= 0)) {
        double value = db ? cj__to_db(ratio->value) : 100 * ratio->value;
        double u = db ? 20 / M_LN10 * ratio->u / ratio->value : 100 * ratio->u;
        return cj__add_value(set, name, db ? "dB" : "%", value, u);
    }
    double bound = db ? cj__to_db(ratio->below) : 100 * ratio->below;
    return cj__add_bound(set, name, db ? "dB" : "%", CJ_BELOW, bound, why);
}

static cj_status add_thdn(const struct view *v, cj_figure_set *set, double thd_square)
{
    if (!(v->noise->band_bins > 0)) {
        ADD(cj__add_missing(set, "thdn_percent", "%", cj__no_band));
        ADD(cj__add_missing(set, "thdn_db", "dB", cj__no_band));
        return cj__add_missing(set, "sinad_db", "dB", cj__no_band);
    }
    double noise = cj__noise_square(v->all, channel_of(v)),
           fundamental = v->tone->peak * v->tone->peak / 2;
    double rest = noise + fmax(0, thd_square) / 2;
    double value = sqrt(rest / (rest + fundamental)), bins = fmax(1, v->noise->band_bins);
    double rest_u = hypot(noise / sqrt(bins), v->tone->line_u[0] * sqrt(fmax(0, thd_square)));
    struct ratio thdn = {value, rest > 0 ? value * rest_u / (2 * rest) : 0, value};
    struct ratio sinad = {rest > 0 ? sqrt(fundamental / rest) : NAN, 0, 0};
    sinad.u = rest > 0 ? sinad.value * rest_u / (2 * rest) : 0;
    if (cj__noise_is_the_steps(v->all, channel_of(v)) && noise > 0.1 * rest) {
        thdn.value = NAN;
        ADD(add_ratio(set, "thdn_percent", &thdn, false, cj__under_steps));
        ADD(add_ratio(set, "thdn_db", &thdn, true, cj__under_steps));
        return cj__add_bound(set, "sinad_db", "dB", CJ_ABOVE, cj__to_db(sinad.value),
                             cj__under_steps);
    }
    ADD(add_ratio(set, "thdn_percent", &thdn, false, "nothing but the fundamental"));
    ADD(add_ratio(set, "thdn_db", &thdn, true, "nothing but the fundamental"));
    if (!(rest > 0))
        return cj__add_missing(set, "sinad_db", "dB", "nothing but the fundamental");
    return cj__add_value(set, "sinad_db", "dB", cj__to_db(sinad.value),
                         20 / M_LN10 * sinad.u / sinad.value);
}

static const char *const distortion_names[] = {
    "thd_percent", "thd_db", "even_percent", "odd_percent", "thdn_percent", "thdn_db", "sinad_db"};

static cj_status add_no_distortion(const struct view *v, cj_figure_set *set, const char *why)
{
    (void)v;
    for (size_t i = 0; i < sizeof distortion_names / sizeof distortion_names[0]; i++)
        ADD(cj__add_missing(set, distortion_names[i],
                            strstr(distortion_names[i], "_db") ? "dB" : "%", why));
    return CJ_OK;
}

static cj_status add_distortion(const struct view *v, cj_figure_set *set)
{
    if (v->all->about->envelope)
        return add_no_distortion(v, set, "a peak-detect record shows no waveform");
    if (!v->is_tone)
        return add_no_distortion(v, set, v->why_no_tone);
    struct distortion all = distortion_of(v, 2, 1), even = distortion_of(v, 2, 2),
                      odd = distortion_of(v, 3, 2);
    if (all.counted == 0)
        return add_no_distortion(v, set, "no harmonic of this tone lies inside the band");
    static const char under[] = "under the noise of this record";
    const char *why = all.quantised > sqrt(2 * sqrt(all.u4)) ? cj__under_steps : under;
    struct ratio thd = distortion_ratio(v, &all);
    ADD(add_ratio(set, "thd_percent", &thd, false, why));
    ADD(add_ratio(set, "thd_db", &thd, true, why));
    ADD(add_thdn(v, set, all.square));
    struct ratio part = distortion_ratio(v, &even);
    ADD(add_ratio(set, "even_percent", &part, false, why));
    part = distortion_ratio(v, &odd);
    return add_ratio(set, "odd_percent", &part, false, why);
}

/* ---- flat tops and losses ---- */

/* Distortion of all fitted harmonics, significant or not: a flat top without any is an accident of
 * sampling. */
static bool distorted(const struct view *v)
{
    if (!v->all->tone.present)
        return true;
    double square = 0;
    for (int k = 2; k <= v->all->tone.harmonics; k++) {
        double u = v->tone->line_u[k - 1];
        square += fmax(0, 2 * harmonic_power(v, k) - 4 * u * u);
    }
    return sqrt(square) > 5e-4 * v->tone->peak;
}

static cj_status add_clip_side(const struct view *v, cj_figure_set *set, bool high, double share,
                               double level)
{
    const char *name = high ? "clip_high_v" : "clip_low_v";
    const cj__clip_point *point = &v->all->clip_point[v->level - v->all->level];
    if (point->reached) /* of a level in steps: how far it goes where THD reaches 1 % */
        return cj__add_value(set, name, v->unit, high ? point->high : point->low,
                             scaled_u(v, high ? point->high : point->low, point->u));
    if (share > 0)
        return cj__add_value(set, name, v->unit, level, scaled_u(v, level, v->info->step / 2));
    return cj__add_bound(set, name, v->unit, high ? CJ_ABOVE : CJ_BELOW,
                         high ? v->level->high : v->level->low,
                         high ? "no flat top" : "no flat bottom");
}

static cj_status add_clip(const struct view *v, cj_figure_set *set)
{
    const cj__clip *clip = &v->all->clip[v->level - v->all->level];
    static const char *const names[] = {"clip_fraction", "clip_high_fraction", "clip_low_fraction"};
    bool silent = v->all->signal[v->level - v->all->level] == CJ__SIGNAL_SILENCE;
    if (silent || v->all->about->envelope || !(clip->counted > 0)) {
        const char *why = silent ? "no signal" : "a peak-detect record shows no waveform";
        for (size_t i = 0; i < 3; i++)
            ADD(cj__add_missing(set, names[i], "1", why));
        ADD(cj__add_missing(set, "clip_high_v", v->unit, why));
        return cj__add_missing(set, "clip_low_v", v->unit, why);
    }
    bool real = distorted(v);
    double high = real ? clip->high / clip->counted : 0, low = real ? clip->low / clip->counted : 0;
    double shares[] = {high + low, high, low};
    for (size_t i = 0; i < 3; i++)
        ADD(cj__add_value(set, names[i], "1", shares[i], sqrt(shares[i] / clip->counted)));
    ADD(add_clip_side(v, set, true, high, clip->high_level));
    return add_clip_side(v, set, false, low, clip->low_level);
}

static cj_status add_drops(const struct view *v, cj_figure_set *set)
{
    if (!v->is_tone)
        return cj__add_missing(set, "dropouts", "1", v->why_no_tone);
    if (v->all->tone.periods < 3)
        return cj__add_missing(set, "dropouts", "1",
                               "the record is too short: three periods or more show losses");
    /* a loss shows where the residual reaches a third of the tone: the noise between must stay well
     * below */
    const cj__drops *drops = &v->all->drops[v->level - v->all->level];
    double noise =
        drops->quiet_samples > 0 ? sqrt(drops->quiet_square / drops->quiet_samples) : INFINITY;
    if (noise > 0.15 * v->tone->peak)
        return cj__add_missing(set, "dropouts", "1",
                               "the noise is too high against the tone to see losses");
    return cj__add_value(set, "dropouts", "1", (double)drops->count, 0);
}

/* ---- all of a channel ---- */

static const char *const kind_words[] = {"tone",  "square", "two-tone", "stepped",
                                         "sweep", "noise",  "silence",  "other"};

static void say_why_no_tone(struct view *v, int channel)
{
    const cj__analysis *all = v->all;
    cj__signal_kind kind = all->signal[channel];
    const char *why = "no steady tone in this channel";
    if (kind == CJ__SIGNAL_SILENCE)
        why = "no signal in this channel";
    else if (all->sweep)
        why = "a sweep, no steady tone";
    else if (kind == CJ__SIGNAL_STEPPED)
        why = "the level goes in steps: no steady tone";
    else if (kind == CJ__SIGNAL_TWO_TONE)
        why = "two tones at once: not a single tone with harmonics";
    else if (all->tone.present)
        why = "the tone does not stand out of the noise in this channel";
    else if (kind == CJ__SIGNAL_NOISE)
        why = "noise, no tone";
    snprintf(v->why_no_tone, sizeof v->why_no_tone, "%s", why);
}

cj_status cj__channel_figures(const cj__analysis *all, int channel, cj_figure_set *set)
{
    const cj_capture_info *about = all->about;
    struct view v = {
        .all = all,
        .tone = &all->tone.channel[channel],
        .level = &all->level[channel],
        .noise = &all->noise[channel],
        .info = &about->channels[about->selected[channel]],
        .rate = about->rate_hz > 0 ? about->rate_hz : 1,
        .gain = all->chain.gain,
    };
    v.unit = v.info->unit;
    v.is_tone = all->tone.present && v.tone->seen && all->signal[channel] != CJ__SIGNAL_TWO_TONE &&
                all->signal[channel] != CJ__SIGNAL_STEPPED;
    say_why_no_tone(&v, channel);
    ADD(cj__add_word(set, "signal", kind_words[all->signal[channel]]));
    ADD(add_levels(&v, set));
    ADD(add_tone(&v, set));
    ADD(add_distortion(&v, set));
    ADD(cj__imd_figures(all, channel, set));
    /* the tones may stand on multiples of the mains' frequency, and steps make lines of their own
     */
    bool no_rest = all->sweep || all->signal[channel] == CJ__SIGNAL_TWO_TONE ||
                   all->signal[channel] == CJ__SIGNAL_STEPPED;
    ADD(cj__noise_figures(all, channel, no_rest ? v.why_no_tone : NULL, set));
    ADD(add_clip(&v, set));
    ADD(cj__edge_figures(all, channel, set));
    ADD(cj__clip_point_figures(all, channel, set));
    ADD(cj__drift_figures(all, channel, set));
    ADD(add_drops(&v, set));
    return all->response && all->channels == 1 ? cj__corner_figures(all->response, set) : CJ_OK;
}
