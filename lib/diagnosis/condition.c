/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a rule asks of a fact: read from YAML, judged with the figure's uncertainty, and put into
 * words. */
#include "diagnosis/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* ---- reading ---- */

/* The forms of a number's condition, as the key that begins each. */
static const char *const number_keys[] = {"from", "to", "near", "within", "beyond", NULL};

static cj_status read_number(const cj__yaml *yaml, const cj__yaml_node *node,
                             const cj__quantity *what, double *value, cj_error *err)
{
    bool per_cent = strcmp(what->unit, "%") == 0;
    bool bare = per_cent || strcmp(what->unit, "1") == 0;
    cj_status status = cj__yaml_quantity(yaml, node, bare ? "" : what->unit, value, err);
    /* "5 %" reads as 0.05; a figure in per cent is of 100 */
    if (status == CJ_OK && per_cent && strchr(node->text, '%') != NULL)
        *value *= 100;
    return status;
}

static cj_status read_keyed(const cj__yaml *yaml, const cj__yaml_node *map, const char *key,
                            const cj__quantity *what, double *value, cj_error *err)
{
    const cj__yaml_node *node = cj__yaml_get(map, key);
    return node ? read_number(yaml, node, what, value, err) : CJ_OK;
}

static cj_status read_range(const cj__yaml *yaml, const cj__yaml_node *map, cj__condition *out,
                            cj_error *err)
{
    const cj__quantity *what = out->fact.what;
    double near = NAN, within = NAN, beyond = NAN;
    cj_status status = cj__yaml_keys(yaml, map, number_keys, "a condition", err);
    double *const values[] = {&out->low, &out->high, &near, &within, &beyond};
    for (size_t i = 0; status == CJ_OK && number_keys[i] != NULL; i++)
        status = read_keyed(yaml, map, number_keys[i], what, values[i], err);
    if (status != CJ_OK)
        return status;
    bool open = isinf(out->low) && isinf(out->high);
    if (!isnan(beyond)) {
        if (map->count != 1 || !(beyond >= 0))
            return cj__yaml_fail(yaml, map, err,
                                 "'beyond' stands alone and is 0 or more: {beyond: X} "
                                 "means below -X or above X");
        *out = (cj__condition){
            .fact = out->fact, .beyond = true, .low = -beyond, .high = beyond, .near = NAN};
    } else if (!isnan(within) && open) {
        if (!(within > 0))
            return cj__yaml_fail(yaml, map, err, "'within' has to be above 0");
        out->near = isnan(near) ? 0 : near;
        out->low = out->near - within;
        out->high = out->near + within;
    } else if (!isnan(within) || !isnan(near) || open) {
        return cj__yaml_fail(yaml, map, err,
                             "expected {from: X, to: Y} (one of them may be left out), "
                             "{near: X, within: Y}, {within: Y} or {beyond: X}");
    }
    if (!(out->low <= out->high))
        return cj__yaml_fail(yaml, map, err, "'from' lies above 'to'; exchange them");
    return CJ_OK;
}

static cj_status read_word(const cj__yaml *yaml, const cj__yaml_node *node, cj__condition *out,
                           cj_error *err)
{
    const char *text = NULL;
    const char *const *words = out->fact.what->words;
    cj_status status = cj__yaml_text(yaml, node, &text, err);
    if (status != CJ_OK)
        return status;
    for (size_t i = 0; words[i] != NULL; i++)
        if (strcmp(words[i], text) == 0) {
            for (size_t k = 0; k < out->word_count; k++)
                if (out->words[k] == words[i])
                    return cj__yaml_fail(yaml, node, err, "the word '%.40s' is given twice", text);
            out->words[out->word_count++] = words[i]; /* no word twice, so there is room */
            return CJ_OK;
        }
    char list[160] = "";
    for (size_t i = 0, used = 0; words[i] != NULL; i++)
        used += (size_t)snprintf(list + used, sizeof list - used, "%s%s", i ? ", " : "", words[i]);
    return cj__yaml_fail(yaml, node, err, "'%.40s' is no word of %s; expected one of: %s", text,
                         out->fact.what->name, list);
}

static cj_status read_words(const cj__yaml *yaml, const cj__yaml_node *node, cj__condition *out,
                            cj_error *err)
{
    if (node->kind == CJ__YAML_TEXT)
        return read_word(yaml, node, out, err);
    if (node->kind == CJ__YAML_MAP || node->count == 0)
        return cj__yaml_fail(yaml, node, err, "%s is a word; expected one, or a list of words",
                             out->fact.what->name);
    cj_status status = CJ_OK;
    for (const cj__yaml_node *word = node->child; status == CJ_OK && word; word = word->next)
        status = read_word(yaml, word, out, err);
    return status;
}

cj_status cj__condition_read(const cj__yaml *yaml, const cj__yaml_node *node, cj__condition *out,
                             cj_error *err)
{
    char hint[160] = "";
    *out = (cj__condition){.low = -INFINITY, .high = INFINITY, .near = NAN};
    if (!cj__fact_read(node->key, &out->fact, hint, sizeof hint))
        return cj__yaml_fail_key(yaml, node, err, "unknown fact '%.60s'; %s", node->key, hint);
    if (out->fact.what->words != NULL)
        return read_words(yaml, node, out, err);
    if (node->kind != CJ__YAML_MAP)
        return cj__yaml_fail(
            yaml, node, err,
            "%s is a number; expected a range like {from: X, to: Y} or {near: X, within: Y}",
            out->fact.what->name);
    return read_range(yaml, node, out, err);
}

/* ---- judging ---- */

/* Probability of a standard normal variable below x. */
static double normal_below(double x)
{
    return 0.5 * erfc(-x / M_SQRT2);
}

/* Probability that a normal (value, u) lies from low to high. */
static double inside(double value, double u, double low, double high)
{
    if (!(u > 0))
        return value >= low && value <= high;
    /* on the side of the tail that is small, so that no difference of near-ones is taken */
    if (value < low)
        return normal_below((value - low) / u) - normal_below((value - high) / u);
    return normal_below((high - value) / u) - normal_below((low - value) / u);
}

/* The same for a figure of which only a bound is known: 1, 0, or NaN where it could be either. */
static double inside_bound(const cj_figure *figure, double low, double high)
{
    if (figure->bound_kind == CJ_BELOW) {
        if (figure->bound <= low)
            return 0;
        return isinf(low) && figure->bound <= high ? 1 : NAN;
    }
    if (figure->bound >= high)
        return 0;
    return isinf(high) && figure->bound >= low ? 1 : NAN;
}

static double judge_bound(const cj__condition *condition, const cj_figure *figure)
{
    if (!condition->beyond)
        return inside_bound(figure, condition->low, condition->high);
    double below = inside_bound(figure, -INFINITY, condition->low);
    double above = inside_bound(figure, condition->high, INFINITY);
    if (below == 1 || above == 1)
        return 1;
    return below == 0 && above == 0 ? 0 : NAN;
}

static double judge_value(const cj__condition *condition, const cj_figure *figure)
{
    double value = figure->value;
    double middle = condition->low / 2 + condition->high / 2;
    if (condition->fact.what->angle && isfinite(middle))
        value = middle + remainder(value - middle, 360);
    if (!condition->beyond)
        return inside(value, figure->u, condition->low, condition->high);
    /* the likelier side alone: a figure so uncertain that it may lie on either is evidence of
     * neither */
    return fmax(inside(value, figure->u, -INFINITY, condition->low),
                inside(value, figure->u, condition->high, INFINITY));
}

static double judge_word(const cj__condition *condition, const char *word)
{
    for (size_t i = 0; i < condition->word_count; i++)
        if (strcmp(condition->words[i], word) == 0)
            return 1;
    return 0;
}

/* Volts are compared with volts only: not with FS (audio without a full scale), nor with a CSV's
 * unstated unit. */
static bool in_volts(const cj_figure *figure, char *why, size_t size)
{
    const char *unit = figure->unit ? figure->unit : "?";
    if (strcmp(unit, "V") == 0)
        return true;
    if (strcmp(unit, "FS") == 0)
        snprintf(why, size, "the unit is FS, not volts: give --full-scale");
    else if (strcmp(unit, "?") == 0 || *unit == '\0')
        snprintf(why, size, "the file states no unit: volts are not certain");
    else
        snprintf(why, size, "the unit is %.20s, not volts", unit);
    return false;
}

double cj__condition_judge(const cj__condition *condition, const cj_figure *figure, char *why,
                           size_t size)
{
    bool bounded = figure->bound_kind != CJ_BOUND_NONE && !isnan(figure->bound);
    snprintf(why, size, "%s", figure->why[0] ? figure->why : "no reason given");
    if (condition->word_count > 0)
        return figure->word ? judge_word(condition, figure->word) : NAN;
    if (isnan(figure->value) && !bounded)
        return NAN;
    if (condition->fact.what->absolute && !in_volts(figure, why, size))
        return NAN;
    return isnan(figure->value) ? judge_bound(condition, figure) : judge_value(condition, figure);
}

/* ---- wording ---- */

static void say(const cj__condition *condition, double value, cj_text *out)
{
    cj__say_number(condition->fact.what, condition->fact.what->unit, value, out);
}

void cj__condition_text(const cj__condition *condition, cj_text *out)
{
    for (size_t i = 0; i < condition->word_count; i++)
        cj_text_add(out, "%s%s", i == 0 ? "" : " or ", condition->words[i]);
    if (condition->word_count > 0)
        return;
    bool low = !isinf(condition->low), high = !isinf(condition->high);
    if (condition->beyond)
        cj_text_add(out, "outside ");
    else
        cj_text_add(out, low ? "from " : "to ");
    if (low)
        say(condition, condition->low, out);
    if (low && high)
        cj_text_add(out, " to ");
    if (high)
        say(condition, condition->high, out);
    if (low && !high)
        cj_text_add(out, " up");
}

cj_reading cj__condition_reading(const cj__condition *condition, double side)
{
    cj_reading reading = {NAN, NAN, NAN, NAN, "", condition->fact.what->unit};
    size_t used = 0;
    for (size_t i = 0; i < condition->word_count && used < sizeof reading.word; i++)
        used += (size_t)snprintf(reading.word + used, sizeof reading.word - used, "%s%s",
                                 i == 0 ? "" : " or ", condition->words[i]);
    if (condition->word_count > 0)
        return reading;
    reading.value = condition->near;
    reading.low = condition->low;
    reading.high = condition->high;
    if (condition->beyond) { /* a range cannot say "outside": the side the figure is on can */
        bool above = side > 0;
        reading.low = above ? condition->high : -INFINITY;
        reading.high = above ? INFINITY : condition->low;
    }
    return reading;
}
