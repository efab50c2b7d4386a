/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One path against another: the figures of the second relative to the first, and whether they
 * match. */
#include "figures/response.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define ADD(call)                                                                                  \
    do {                                                                                           \
        if ((call) != CJ_OK)                                                                       \
            return CJ_NOMEM;                                                                       \
    } while (0)

static const cj_figure nothing = {.value = NAN, .u = NAN, .bound = NAN, .why = "not measured"};

static const cj_figure *figure_or_nothing(const cj_figure_set *set, const char *name)
{
    const cj_figure *figure = cj_figure_find(set, name);
    return figure ? figure : &nothing;
}

static cj_status copy_set(cj_figure_set *to, const cj_figure_set *from)
{
    for (size_t i = 0; i < from->count; i++)
        ADD(cj_figure_add(to, &from->items[i]));
    return CJ_OK;
}

/* ---- two captures: the quotient of two gains ---- */

static cj_bound quotient_bound(const cj_figure *top, const cj_figure *bottom, double *bound)
{
    *bound = NAN;
    if (top->bound_kind != CJ_BOUND_NONE && bottom->value > 0) {
        *bound = top->bound / bottom->value;
        return top->bound_kind;
    }
    if (bottom->bound_kind != CJ_BOUND_NONE && top->value > 0) {
        *bound = top->value / bottom->bound;
        return bottom->bound_kind == CJ_BELOW ? CJ_ABOVE : CJ_BELOW;
    }
    return CJ_BOUND_NONE;
}

static cj_status add_quotient(cj_figure_set *set, const cj_figure *top, const cj_figure *bottom)
{
    if (top->value > 0 && bottom->value > 0) {
        double gain = top->value / bottom->value;
        double relative = hypot(top->u / top->value, bottom->u / bottom->value);
        ADD(cj__add_value(set, "gain", "V/V", gain, gain * relative));
        return cj__add_value(set, "gain_db", "dB", cj__to_db(gain), 20 / M_LN10 * relative);
    }
    double bound;
    cj_bound kind = quotient_bound(top, bottom, &bound);
    const char *why = isfinite(top->value) ? bottom->why : top->why;
    ADD(cj__add_bound(set, "gain", "V/V", kind, bound, why));
    return cj__add_bound(set, "gain_db", "dB", kind, cj__to_db(bound), why);
}

static cj_status add_phase_difference(cj_figure_set *set, const cj_figure_set *first,
                                      const cj_figure_set *second)
{
    const cj_figure *one = figure_or_nothing(first, "phase_deg"),
                    *two = figure_or_nothing(second, "phase_deg");
    if (isfinite(one->value) && isfinite(two->value)) {
        double degrees = cj__wrap_degrees(two->value - one->value);
        ADD(cj__add_value(set, "phase_deg", "deg", degrees, hypot(one->u, two->u)));
        return cj__add_word(set, "polarity", cj__polarity(degrees));
    }
    ADD(cj__add_missing(set, "phase_deg", "deg", isfinite(one->value) ? two->why : one->why));
    const cj_figure *p1 = figure_or_nothing(first, "polarity"),
                    *p2 = figure_or_nothing(second, "polarity");
    if (!p1->word || !p2->word)
        return cj__add_missing(set, "polarity", "", p1->word ? p2->why : p1->why);
    bool clear = strcmp(p1->word, "unclear") != 0 && strcmp(p2->word, "unclear") != 0;
    bool same = strcmp(p1->word, p2->word) == 0;
    return cj__add_word(set, "polarity", !clear ? "unclear" : same ? "same" : "inverted");
}

static cj_status pair_of_two(cj_comparison *comparison, const cj_measurement *first,
                             const cj_measurement *second)
{
    cj_figure_set *set = &comparison->pair;
    if (first->channel_count == 1) {
        ADD(add_quotient(set, figure_or_nothing(&second->channel[0], "tone_peak_v"),
                         figure_or_nothing(&first->channel[0], "tone_peak_v")));
        static const char why[] = "one channel each: two records have no time in common";
        ADD(cj__add_missing(set, "phase_deg", "deg", why));
        return cj__add_missing(set, "polarity", "", why);
    }
    ADD(add_quotient(set, figure_or_nothing(&second->pair, "gain"),
                     figure_or_nothing(&first->pair, "gain")));
    ADD(add_phase_difference(set, &first->pair, &second->pair));
    const cj_figure *one = figure_or_nothing(&first->pair, "delay_s");
    const cj_figure *two = figure_or_nothing(&second->pair, "delay_s");
    if (isfinite(one->value) && isfinite(two->value))
        return cj__add_value(set, "delay_s", "s", two->value - one->value, hypot(one->u, two->u));
    return cj__add_missing(set, "delay_s", "s", isfinite(one->value) ? two->why : one->why);
}

/* ---- match, differ, undecided ---- */

/* Whether a deviation with its expanded uncertainty (k = 2) lies inside or outside the limit. */
static cj_match judge(double deviation, double u, double within)
{
    double size = fabs(deviation), expanded = 2 * (isfinite(u) ? u : 0);
    if (size + expanded <= within)
        return CJ_MATCH;
    return size - expanded > within ? CJ_DIFFER : CJ_UNDECIDED;
}

static cj_match judge_gain(cj_comparison *comparison, double within)
{
    const cj_figure *gain = figure_or_nothing(&comparison->pair, "gain_db");
    char *why = comparison->why;
    size_t size = sizeof comparison->why;
    if (isfinite(gain->value)) {
        cj_match match = judge(gain->value, gain->u, within);
        if (match != CJ_MATCH)
            snprintf(why, size, "the level %s by %+.2f dB where %.2g dB %s",
                     match == CJ_DIFFER ? "differs" : "seems off", gain->value, within,
                     match == CJ_DIFFER ? "is allowed" : "is allowed: too close to call");
        return match;
    }
    bool far_off = (gain->bound_kind == CJ_BELOW && gain->bound < -within) ||
                   (gain->bound_kind == CJ_ABOVE && gain->bound > within);
    if (far_off)
        snprintf(why, size, "%s (%s%.1f dB)", gain->why,
                 gain->bound_kind == CJ_BELOW ? "below " : "above ", gain->bound);
    else
        snprintf(why, size, "the level cannot be compared: %s", gain->why);
    return far_off ? CJ_DIFFER : CJ_UNDECIDED;
}

static cj_match judge_phase(cj_comparison *comparison, double within, char *why, size_t size)
{
    const cj_figure *phase = figure_or_nothing(&comparison->pair, "phase_deg");
    if (isfinite(phase->value)) {
        double off = cj__wrap_degrees(phase->value - (comparison->expect_inverted ? 180 : 0));
        cj_match match = judge(off, phase->u, within);
        if (match != CJ_MATCH)
            snprintf(why, size, "the phase is %+.1f degrees off where %.2g is allowed%s", off,
                     within, match == CJ_DIFFER ? "" : ": too close to call");
        return match;
    }
    const char *turn = figure_or_nothing(&comparison->pair, "turn")->word;
    if (turn && strcmp(turn, "as-expected") == 0)
        return CJ_MATCH;
    if (turn && strcmp(turn, "flipped") == 0) {
        snprintf(why, size, "the polarity is flipped");
        return CJ_DIFFER;
    }
    snprintf(why, size, "the phase cannot be compared: %s", phase->why);
    return CJ_UNDECIDED;
}

static void judge_both(cj_comparison *comparison, const cj_compare_options *options)
{
    double within_db = options && options->within_db > 0 ? options->within_db : 0.5;
    double within_deg = options && options->within_deg > 0 ? options->within_deg : 5;
    char phase_why[sizeof comparison->why] = "";
    cj_match gain = judge_gain(comparison, within_db);
    cj_match phase = judge_phase(comparison, within_deg, phase_why, sizeof phase_why);
    if (gain == CJ_DIFFER || phase == CJ_DIFFER)
        comparison->match = CJ_DIFFER;
    else if (gain == CJ_UNDECIDED || phase == CJ_UNDECIDED)
        comparison->match = CJ_UNDECIDED;
    else
        comparison->match = CJ_MATCH;
    /* say what decided: a difference before a doubt, both where both differ */
    size_t used = strlen(comparison->why);
    if (phase == CJ_DIFFER && gain != CJ_DIFFER)
        used = 0;
    if (phase_why[0] && (phase == comparison->match || used == 0))
        snprintf(comparison->why + used, sizeof comparison->why - used, "%s%s", used ? "; " : "",
                 phase_why);
}

static cj_status add_turn(cj_comparison *comparison)
{
    const cj_figure *polarity = figure_or_nothing(&comparison->pair, "polarity");
    if (polarity->word == NULL)
        return cj__add_missing(&comparison->pair, "turn", "", polarity->why);
    bool inverted = strcmp(polarity->word, "inverted") == 0;
    if (strcmp(polarity->word, "unclear") == 0)
        return cj__add_word(&comparison->pair, "turn", "unclear");
    return cj__add_word(&comparison->pair, "turn",
                        inverted == comparison->expect_inverted ? "as-expected" : "flipped");
}

static cj_status check_request(const cj_measurement *first, const cj_measurement *second,
                               cj_error *err)
{
    if (second == NULL && first->channel_count < 2)
        return cj_fail(
            err, CJ_DATA, first->capture->name, 0, 0,
            "one channel only; to compare, give a capture of two channels, or two captures");
    if (second && first->channel_count != second->channel_count)
        return cj_fail(
            err, CJ_DATA, second->capture->name, 0, 0,
            "%d channel(s) here and %d in the first capture; both must have the same number",
            second->channel_count, first->channel_count);
    return CJ_OK;
}

cj_status cj_compare(const cj_measurement *first, const cj_measurement *second,
                     const cj_compare_options *options, cj_comparison **out, cj_error *err)
{
    cj_status status = check_request(first, second, err);
    if (status != CJ_OK)
        return status;
    cj_comparison *comparison = cj_new(1, sizeof *comparison);
    if (comparison == NULL)
        return cj_fail_memory(err);
    comparison->captures[0] = first;
    comparison->captures[1] = second;
    int seen = first->channel_count - 1; /* the channel that shows the path */
    comparison->path[0] = second ? &first->channel[seen] : &first->channel[0];
    comparison->path[1] = second ? &second->channel[seen] : &first->channel[1];
    comparison->expect_inverted = options && options->expect_inverted;
    status =
        second ? pair_of_two(comparison, first, second) : copy_set(&comparison->pair, &first->pair);
    if (status == CJ_OK)
        status = cj__compare_responses(comparison);
    if (status == CJ_OK)
        status = add_turn(comparison);
    if (status != CJ_OK) {
        cj_comparison_free(comparison);
        return cj_fail_memory(err);
    }
    judge_both(comparison, options);
    if (comparison->response && comparison->response->count > 1)
        cj__judge_response(comparison, options);
    *out = comparison;
    return CJ_OK;
}

void cj_comparison_free(cj_comparison *comparison)
{
    if (comparison == NULL)
        return;
    cj_figure_set_free(&comparison->pair);
    cj_response_free(comparison->quotient);
    cj_free(comparison);
}
