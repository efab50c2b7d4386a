/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The facts a rule can refer to: figures by their names, and the few ratios derived here. */
#include "diagnosis/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *const signals[] = {"tone",  "square",  "two-tone", "stepped", "sweep",
                                      "noise", "silence", "other",    NULL};
static const char *const methods[] = {"modulation", "difference-frequency", NULL};
static const char *const polarities[] = {"same", "inverted", "unclear", NULL};
static const char *const turns[] = {"as-expected", "flipped", "unclear", NULL};
static const char *const matches[] = {"match", "differ", "undecided", NULL};

/* ---- figures that are not there ---- */

static cj_figure missing(const char *why)
{
    cj_figure figure = {.unit = "", .value = NAN, .u = NAN, .bound = NAN};
    snprintf(figure.why, sizeof figure.why, "%s", why);
    return figure;
}

static cj_figure find(const cj_figure_set *set, const char *name)
{
    const cj_figure *found = set ? cj_figure_find(set, name) : NULL;
    return found ? *found : missing("not measured in this capture");
}

static bool told(const cj_figure *figure)
{
    return !isnan(figure->value);
}

static bool bounded(const cj_figure *figure)
{
    return !told(figure) && figure->bound_kind != CJ_BOUND_NONE && !isnan(figure->bound);
}

static cj_figure made(const char *unit, double value, double u)
{
    return (cj_figure){.unit = unit, .value = value, .u = u, .bound = NAN};
}

static double sure(double u)
{
    return isnan(u) ? 0 : u;
}

/* ---- ratios, with their uncertainties (JCGM 100, 5.1.2, inputs taken as independent) ---- */

/* 20 log10 of top over bottom. A bound of one of them bounds the ratio; bounds of both leave
 * nothing. */
static cj_figure ratio_db(const cj_figure *top, const cj_figure *bottom)
{
    if (!told(top) && !bounded(top))
        return *top;
    if (!told(bottom) && !bounded(bottom))
        return *bottom;
    double over = told(top) ? top->value : top->bound;
    double under = told(bottom) ? bottom->value : bottom->bound;
    if (!(over > 0) || !(under > 0))
        return missing("a level is zero: it has no ratio in dB");
    double db = 20 * log10(over / under);
    if (told(top) && told(bottom))
        return made("dB", db, 20 / M_LN10 * hypot(sure(top->u) / over, sure(bottom->u) / under));
    if (bounded(top) && bounded(bottom))
        return missing(bottom->why);
    cj_figure bound = missing(told(top) ? bottom->why : top->why);
    bool below = told(top) ? bottom->bound_kind == CJ_ABOVE : top->bound_kind == CJ_BELOW;
    bound.unit = "dB";
    bound.bound = db;
    bound.bound_kind = below ? CJ_BELOW : CJ_ABOVE;
    return bound;
}

/* RMS of the tone, so that lines and noise (RMS) are held against like. */
static cj_figure tone_rms(const cj_figure_set *set)
{
    cj_figure tone = find(set, "tone_peak_v");
    tone.value /= sqrt(2);
    tone.u /= sqrt(2);
    tone.bound /= sqrt(2);
    return tone;
}

static cj_figure against_tone(const cj_figure_set *set, const char *name)
{
    cj_figure top = find(set, name), bottom = tone_rms(set);
    return ratio_db(&top, &bottom);
}

static cj_figure hum_ratio_db(const cj__sight *sight)
{
    return against_tone(sight->set, "hum_v");
}

static cj_figure stray_ratio_db(const cj__sight *sight)
{
    return against_tone(sight->set, "stray_v");
}

static cj_figure noise_ratio_db(const cj__sight *sight)
{
    return against_tone(sight->set, "noise_v");
}

/* -1: only the bottom is flat, 0: both alike, 1: only the top. */
static cj_figure clip_asymmetry(const cj__sight *sight)
{
    cj_figure high = find(sight->set, "clip_high_fraction"),
              low = find(sight->set, "clip_low_fraction");
    if (!told(&high) || !told(&low))
        return told(&high) ? low : high;
    double sum = high.value + low.value;
    if (!(sum > 0))
        return missing("nothing is clipped");
    double u = 2 * hypot(low.value * sure(high.u), high.value * sure(low.u)) / (sum * sum);
    return made("1", (high.value - low.value) / sum, u);
}

/* ---- of the pair ---- */

static cj_figure step_db(const cj__sight *sight)
{
    cj_figure gain = find(sight->set, "gain_db");
    if (bounded(&gain)) { /* below -60 dB is a step of more than 60 dB */
        bool away = (gain.bound_kind == CJ_BELOW) == (gain.bound < 0);
        if (!away)
            return missing(gain.why);
        gain.bound = fabs(gain.bound);
        gain.bound_kind = CJ_ABOVE;
    }
    gain.value = fabs(gain.value);
    return gain;
}

/* An open output pin with equal resistors throughout and n inputs connected leaves 1/(2n+1) of the
 * level (node equations of a passive ladder: sources, R, summing net, feedback R, next stage's R;
 * derived). */
static cj_figure inputs(const cj__sight *sight)
{
    cj_figure gain = find(sight->set, "gain");
    if (!told(&gain))
        return missing(gain.why);
    if (!(gain.value > 0))
        return missing("no gain");
    double large = gain.value < 1 ? 1 / gain.value : gain.value;
    return made("1", (large - 1) / 2, large * sure(gain.u) / gain.value / 2);
}

/* Distance of the phase from a quarter turn either way: what leaks through a capacitance stands
 * there. */
static cj_figure quadrature_deg(const cj__sight *sight)
{
    cj_figure phase = find(sight->set, "phase_deg");
    if (told(&phase))
        phase.value = fabs(fabs(remainder(phase.value, 360)) - 90);
    return phase;
}

static cj_figure turn_deg(const cj__sight *sight)
{
    cj_figure phase = find(sight->set, "phase_deg");
    if (told(&phase))
        phase.value =
            fabs(remainder(phase.value - (sight->comparison->expect_inverted ? 180 : 0), 360));
    return phase;
}

static cj_figure match(const cj__sight *sight)
{
    cj_figure figure = missing("");
    figure.word = matches[sight->comparison->match];
    return figure;
}

static cj_figure rise_db(const cj__sight *sight, cj_figure (*of)(const cj__sight *))
{
    const cj_comparison *comparison = sight->comparison;
    cj_figure first = missing("not measured in this capture"), second = first;
    if (comparison->path[0] != NULL)
        first = of(&(cj__sight){comparison, comparison->path[0]});
    if (comparison->path[1] != NULL)
        second = of(&(cj__sight){comparison, comparison->path[1]});
    if (!told(&second) && !bounded(&second))
        return second;
    if (!told(&first) && !bounded(&first))
        return first;
    if (told(&first) && told(&second))
        return made("dB", second.value - first.value, hypot(sure(first.u), sure(second.u)));
    if (bounded(&first) && bounded(&second))
        return missing(second.why);
    cj_figure bound = missing(told(&first) ? second.why : first.why);
    bound.unit = "dB";
    bound.bound =
        (told(&second) ? second.value : second.bound) - (told(&first) ? first.value : first.bound);
    bool below = told(&first) ? second.bound_kind == CJ_BELOW : first.bound_kind == CJ_ABOVE;
    bound.bound_kind = below ? CJ_BELOW : CJ_ABOVE;
    return bound;
}

static cj_figure thd_db(const cj__sight *sight)
{
    return find(sight->set, "thd_db");
}

static cj_figure hum_rise_db(const cj__sight *sight)
{
    return rise_db(sight, hum_ratio_db);
}

static cj_figure sideband_db(const cj__sight *sight)
{
    return find(sight->set, "hum_sideband_db");
}

static cj_figure hum_sideband_rise_db(const cj__sight *sight)
{
    return rise_db(sight, sideband_db);
}

static cj_figure noise_rise_db(const cj__sight *sight)
{
    return rise_db(sight, noise_ratio_db);
}

static cj_figure thd_rise_db(const cj__sight *sight)
{
    return rise_db(sight, thd_db);
}

/* Two captures, stimulus and response exchanged in one of them: the gains are each other's inverse.
 */
static cj_figure swap_db(const cj__sight *sight)
{
    const cj_measurement *const *captures = sight->comparison->captures;
    if (captures[1] == NULL)
        return missing("takes two captures");
    cj_figure one = find(&captures[0]->pair, "gain_db"), two = find(&captures[1]->pair, "gain_db");
    if (!told(&one) || !told(&two))
        return told(&one) ? two : one;
    return made("dB", one.value + two.value, hypot(sure(one.u), sure(two.u)));
}

/* ---- the table ---- */

#define FIGURE(name_, unit_, group_)                                                               \
    {                                                                                              \
        .name = name_, .unit = unit_, .group = group_                                              \
    }
#define VOLTS(name_)                                                                               \
    {                                                                                              \
        .name = name_, .unit = "V", .group = CJ__CHANNEL, .absolute = true                         \
    }
#define SHARE(name_)                                                                               \
    {                                                                                              \
        .name = name_, .unit = "1", .group = CJ__CHANNEL, .share = true                            \
    }
#define WORD(name_, group_, words_)                                                                \
    {                                                                                              \
        .name = name_, .unit = "", .group = group_, .words = words_                                \
    }
#define DERIVED(name_, unit_, group_, meaning_)                                                    \
    {                                                                                              \
        .name = #name_, .unit = unit_, .group = group_, .derive = name_, .meaning = meaning_       \
    }

const cj__quantity cj__quantities[] = {
    VOLTS("dc_v"),
    VOLTS("rms_v"),
    VOLTS("peak_v"),
    FIGURE("tone_hz", "Hz", CJ__CHANNEL),
    VOLTS("tone_peak_v"),
    FIGURE("thd_percent", "%", CJ__CHANNEL),
    FIGURE("thd_db", "dB", CJ__CHANNEL),
    FIGURE("thdn_percent", "%", CJ__CHANNEL),
    FIGURE("thdn_db", "dB", CJ__CHANNEL),
    FIGURE("sinad_db", "dB", CJ__CHANNEL),
    FIGURE("even_percent", "%", CJ__CHANNEL),
    FIGURE("odd_percent", "%", CJ__CHANNEL),
    VOLTS("noise_v"),
    VOLTS("noise_a_v"),
    VOLTS("noise_468_v"),
    SHARE("clip_fraction"),
    SHARE("clip_high_fraction"),
    SHARE("clip_low_fraction"),
    VOLTS("clip_high_v"),
    VOLTS("clip_low_v"),
    VOLTS("hum_v"),
    FIGURE("hum_hz", "Hz", CJ__CHANNEL),
    FIGURE("hum_sideband_db", "dB", CJ__CHANNEL),
    FIGURE("hum_sideband_hz", "Hz", CJ__CHANNEL),
    FIGURE("stray_hz", "Hz", CJ__CHANNEL),
    VOLTS("stray_v"),
    {.name = "dropouts", .unit = "1", .group = CJ__CHANNEL, .whole = true},
    WORD("signal", CJ__CHANNEL, signals),
    FIGURE("imd_percent", "%", CJ__CHANNEL),
    FIGURE("imd_db", "dB", CJ__CHANNEL),
    WORD("imd_kind", CJ__CHANNEL, methods),
    VOLTS("clip_level_v"),
    VOLTS("clip_input_v"),
    FIGURE("rise_s", "s", CJ__CHANNEL),
    FIGURE("fall_s", "s", CJ__CHANNEL),
    FIGURE("overshoot_percent", "%", CJ__CHANNEL),
    FIGURE("slew_v_per_s", "V/s", CJ__CHANNEL),
    FIGURE("drift_v_per_s", "V/s", CJ__CHANNEL),
    VOLTS("settled_v"),
    DERIVED(hum_ratio_db, "dB", CJ__CHANNEL, "hum over the tone, both RMS"),
    DERIVED(stray_ratio_db, "dB", CJ__CHANNEL, "the stray line over the tone, both RMS"),
    DERIVED(noise_ratio_db, "dB", CJ__CHANNEL, "noise over the tone, both RMS"),
    DERIVED(clip_asymmetry, "1", CJ__CHANNEL,
            "1: only the tops are flat, -1: only the bottoms, 0: both alike"),
    FIGURE("gain", "V/V", CJ__RATIO),
    FIGURE("gain_db", "dB", CJ__RATIO),
    {.name = "phase_deg", .unit = "deg", .group = CJ__RATIO, .angle = true},
    WORD("polarity", CJ__RATIO, polarities),
    FIGURE("delay_s", "s", CJ__RATIO),
    FIGURE("coherence", "1", CJ__RATIO),
    FIGURE("correlation", "1", CJ__RATIO),
    FIGURE("difference_db", "dB", CJ__RATIO),
    FIGURE("slope_db_per_octave", "dB/octave", CJ__RATIO),
    DERIVED(step_db, "dB", CJ__RATIO, "size of gain_db without its sign"),
    DERIVED(quadrature_deg, "deg", CJ__RATIO,
            "how far the phase is from a quarter turn either way"),
    {.name = "inputs",
     .unit = "1",
     .group = CJ__RATIO,
     .whole = true,
     .derive = inputs,
     .meaning = "connected inputs n for which an open output pin leaves this level, 1/(2n+1)"},
    WORD("turn", CJ__COMPARISON, turns),
    {.name = "match",
     .unit = "",
     .group = CJ__COMPARISON,
     .words = matches,
     .derive = match,
     .meaning = "the comparison itself: match, differ, undecided"},
    DERIVED(turn_deg, "deg", CJ__COMPARISON,
            "how far the phase is from the expected polarity, 0 to 180"),
    DERIVED(hum_rise_db, "dB", CJ__COMPARISON, "hum_ratio_db of the second path above the first's"),
    DERIVED(hum_sideband_rise_db, "dB", CJ__COMPARISON,
            "hum_sideband_db of the second path above the first's"),
    DERIVED(noise_rise_db, "dB", CJ__COMPARISON,
            "noise_ratio_db of the second path above the first's"),
    DERIVED(thd_rise_db, "dB", CJ__COMPARISON, "thd_db of the second path above the first's"),
    DERIVED(swap_db, "dB", CJ__COMPARISON,
            "two captures: the sum of both paths' gain_db, 0 where they are inverse"),
    {.name = NULL},
};

static const char *const scopes[] = {[CJ__FIRST] = "first",
                                     [CJ__SECOND] = "second",
                                     [CJ__EITHER] = "either",
                                     [CJ__BOTH] = "both",
                                     [CJ__STIMULUS] = "stimulus",
                                     [CJ__PAIR] = "pair",
                                     [CJ__FIRST_PATH] = "first_path",
                                     [CJ__SECOND_PATH] = "second_path",
                                     NULL};

static bool fits(cj__scope scope, cj__group group)
{
    if (scope <= CJ__STIMULUS)
        return group == CJ__CHANNEL;
    return group == CJ__RATIO || (group == CJ__COMPARISON && scope == CJ__PAIR);
}

static bool read_scope(const char *text, size_t length, cj__scope *scope)
{
    for (size_t i = 0; scopes[i] != NULL; i++)
        if (strlen(scopes[i]) == length && strncmp(scopes[i], text, length) == 0) {
            *scope = (cj__scope)i;
            return true;
        }
    return false;
}

/* What was meant by a name the scope does not have. */
static void hint_name(cj__scope scope, const char *name, char *hint, size_t size)
{
    const char *known[sizeof cj__quantities / sizeof cj__quantities[0]];
    size_t count = 0;
    for (const cj__quantity *what = cj__quantities; what->name; what++)
        if (fits(scope, what->group))
            known[count++] = what->name;
    known[count] = NULL;
    const char *meant = cj__nearest(name, known);
    if (meant != NULL)
        snprintf(hint, size, "did you mean '%s.%s'?", scopes[scope], meant);
    else
        snprintf(hint, size, "expected a name like '%s.%s'", scopes[scope], known[0]);
}

bool cj__fact_read(const char *text, cj__fact *fact, char *hint, size_t size)
{
    const char *point = strchr(text, '.');
    char word[32] = "";
    size_t length = point ? (size_t)(point - text) : strlen(text);
    cj__scope scope;
    if (!read_scope(text, length, &scope)) {
        snprintf(word, sizeof word, "%.*s", (int)(length < 31 ? length : 31), text);
        const char *meant = cj__nearest(word, scopes);
        if (meant != NULL && point != NULL)
            snprintf(hint, size, "did you mean '%s%.40s'?", meant, point);
        else
            snprintf(hint, size,
                     "expected SCOPE.NAME with the scope first, second, either, both, pair, "
                     "stimulus, first_path or second_path");
        return false;
    }
    for (const cj__quantity *what = cj__quantities; point && what->name; what++)
        if (strcmp(what->name, point + 1) == 0 && fits(scope, what->group)) {
            *fact = (cj__fact){scope, what};
            return true;
        }
    hint_name(scope, point ? point + 1 : "", hint, size);
    return false;
}

void cj__fact_text(const cj__fact *fact, int path, char *text, size_t size)
{
    bool open = fact->scope == CJ__EITHER || fact->scope == CJ__BOTH;
    const char *scope =
        open && path >= 0 ? scopes[path ? CJ__SECOND : CJ__FIRST] : scopes[fact->scope];
    snprintf(text, size, "%s.%s", scope, fact->what->name);
}

/* Two captures of two channels each: only then is there a stimulus beside the path. */
static bool has_stimulus(const cj_comparison *comparison)
{
    return comparison->captures[1] != NULL && comparison->captures[1]->channel_count == 2;
}

static const cj_figure_set *set_of(cj__scope scope, const cj_comparison *comparison, int path)
{
    switch (scope) {
    case CJ__FIRST:
        return comparison->path[0];
    case CJ__SECOND:
        return comparison->path[1];
    case CJ__EITHER:
    case CJ__BOTH:
        return comparison->path[path ? 1 : 0];
    case CJ__STIMULUS:
        return has_stimulus(comparison) ? &comparison->captures[1]->channel[0] : NULL;
    case CJ__PAIR:
        return &comparison->pair;
    case CJ__FIRST_PATH:
        return has_stimulus(comparison) ? &comparison->captures[0]->pair : NULL;
    case CJ__SECOND_PATH:
        return has_stimulus(comparison) ? &comparison->captures[1]->pair : NULL;
    }
    return NULL;
}

cj_figure cj__fact_figure(const cj__fact *fact, const cj_comparison *comparison, int path)
{
    const cj_figure_set *set = set_of(fact->scope, comparison, path);
    if (set == NULL && fact->scope >= CJ__STIMULUS)
        return missing("takes two captures of two channels");
    if (set == NULL)
        return missing("not measured in this capture");
    cj_figure figure = fact->what->derive ? fact->what->derive(&(cj__sight){comparison, set})
                                          : find(set, fact->what->name);
    return figure;
}
