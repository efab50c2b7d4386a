/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Rules on a comparison.
 *
 * A rule is as sure as its least sure condition (its fit), and fires where that is above one half.
 * With conditions on `either`, one path has to meet them all; both may. What a firing rule names
 * under `over` is silenced, in the order of the rules: the special case beats the general one.
 *
 * Probability: weight times fit, over the sum of these and the weight of "none of these". So the
 * weights say how common the causes are on a bench, relative to each other and to a cause nobody
 * wrote a rule for; they are judgement, not counts. Rules with the same roles (on the same path)
 * become one finding.
 */
#include "diagnosis/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

struct outcome {
    const cj__rule *rule;
    bool fires;
    const cj__rule *silenced_by;
    double fit;
    unsigned paths; /* bit 0: the first path meets it, bit 1: the second */
    char why[320];  /* why silent */
};

/* ---- one rule ---- */

struct judging {
    const cj_comparison *comparison;
    bool failed; /* a reason could not be written: out of memory */
};

/* One condition on one path: its probability, and in words why not where it does not hold. */
static double judge_one(const cj__condition *condition, struct judging *judging, int path,
                        char *why, size_t size)
{
    char name[64], reason[200];
    cj_figure figure = cj__fact_figure(&condition->fact, judging->comparison, path);
    double p = cj__condition_judge(condition, &figure, reason, sizeof reason);
    cj__fact_text(&condition->fact, path, name, sizeof name);
    if (isnan(p)) {
        snprintf(why, size, "%s could not be told: %s", name, reason);
        return p;
    }
    cj_text text = {0};
    cj__say_figure(condition->fact.what, &figure, &text);
    cj_text_add(&text, ", not ");
    cj__condition_text(condition, &text);
    if (p >= 0.005) { /* a near miss is worth its number */
        cj_text_add(&text, ", ");
        cj__say_decimals(p, 2, &text);
        cj_text_add(&text, " sure");
    }
    snprintf(why, size, "%s is %s", name, text.bytes ? text.bytes : "");
    judging->failed = judging->failed || text.failed;
    cj_text_free(&text);
    return p;
}

/* All conditions, with `path` for either. Returns the fit; NaN where one could not be told and none
 * fails. Why: the condition that fails most, else the first untold one. */
static double judge_all(const cj__rule *rule, struct judging *judging, int path, char *why,
                        size_t size)
{
    double fit = 1;
    char reason[320], untold[320] = "";
    *why = '\0';
    for (size_t i = 0; i < rule->when_count; i++) {
        const cj__condition *condition = &rule->when[i];
        bool both = condition->fact.scope == CJ__BOTH;
        for (int k = both ? 0 : path; k <= (both ? 1 : path); k++) {
            double p = judge_one(condition, judging, k, reason, sizeof reason);
            if (isnan(p) && untold[0] == '\0')
                memcpy(untold, reason, sizeof untold);
            if (p < fit) {
                fit = p;
                snprintf(why, size, "%s", reason);
            }
        }
    }
    if (fit <= 0.5 || untold[0] == '\0')
        return fit;
    snprintf(why, size, "%s", untold);
    return NAN;
}

static bool uses(const cj__rule *rule, cj__scope scope)
{
    for (size_t i = 0; i < rule->when_count; i++)
        if (rule->when[i].fact.scope == scope)
            return true;
    return false;
}

/* Which paths a rule that does not ask `either` speaks of. */
static unsigned own_paths(const cj__rule *rule)
{
    if (uses(rule, CJ__BOTH))
        return 3;
    return uses(rule, CJ__FIRST) && !uses(rule, CJ__SECOND) && !uses(rule, CJ__PAIR) ? 1 : 2;
}

static void judge_rule(const cj__rule *rule, struct judging *judging, struct outcome *outcome)
{
    *outcome = (struct outcome){.rule = rule};
    if (!uses(rule, CJ__EITHER)) {
        outcome->fit = judge_all(rule, judging, 1, outcome->why, sizeof outcome->why);
        outcome->fires = outcome->fit > 0.5;
        outcome->paths = own_paths(rule);
        return;
    }
    bool untold = false;
    for (int path = 0; path < 2; path++) {
        char why[320] = "";
        double fit = judge_all(rule, judging, path, why, sizeof why);
        if (fit > 0.5) {
            outcome->fires = true;
            outcome->paths |= 1u << path;
            outcome->fit = fit > outcome->fit ? fit : outcome->fit;
        }
        /* of two reasons an untold figure is worth more than one that simply is not so */
        if (isnan(fit) || !untold)
            snprintf(outcome->why, sizeof outcome->why, "%s", why);
        untold = untold || isnan(fit);
    }
}

static void silence_over(struct outcome *outcomes, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (!outcomes[i].fires || outcomes[i].silenced_by != NULL)
            continue;
        const cj_lines *over = &outcomes[i].rule->over;
        for (size_t k = 0; k < over->count; k++)
            for (size_t j = 0; j < count; j++)
                if (j != i && outcomes[j].fires &&
                    strcmp(outcomes[j].rule->name, over->items[k]) == 0)
                    outcomes[j].silenced_by = outcomes[i].rule;
    }
}

static bool speaks(const struct outcome *outcome)
{
    return outcome->fires && outcome->silenced_by == NULL;
}

/* ---- evidence ---- */

static cj_reading measured(const cj_figure *figure)
{
    cj_reading reading = {figure->value, figure->u, NAN, NAN, "", figure->unit};
    if (figure->word != NULL)
        snprintf(reading.word, sizeof reading.word, "%s", figure->word);
    if (!isnan(figure->value) || figure->bound_kind == CJ_BOUND_NONE || isnan(figure->bound))
        return reading;
    bool below = figure->bound_kind == CJ_BELOW;
    reading.low = below ? -INFINITY : figure->bound;
    reading.high = below ? figure->bound : INFINITY;
    return reading;
}

static void name_figure(const cj__fact *fact, int path, char *name, size_t size)
{
    static const char *const of[] = {
        [CJ__FIRST] = " of the first path",      [CJ__SECOND] = " of the second path",
        [CJ__STIMULUS] = " of the stimulus",     [CJ__PAIR] = "",
        [CJ__FIRST_PATH] = " of the first path", [CJ__SECOND_PATH] = " of the second path",
    };
    bool open = fact->scope == CJ__EITHER || fact->scope == CJ__BOTH;
    cj__scope scope = open ? (path ? CJ__SECOND : CJ__FIRST) : fact->scope;
    snprintf(name, size, "%s%s", fact->what->name, of[scope]);
}

static cj_reading healthy_reading(const cj_rules *rules, const cj__fact *fact, int path,
                                  double side)
{
    bool open = fact->scope == CJ__EITHER || fact->scope == CJ__BOTH;
    cj__scope closed = path ? CJ__SECOND : CJ__FIRST;
    for (size_t i = 0; i < rules->healthy_count; i++) {
        const cj__fact *known = &rules->healthy[i].fact;
        bool channel =
            fact->scope <= CJ__BOTH && (known->scope == CJ__EITHER || known->scope == CJ__BOTH);
        if (known->what == fact->what &&
            (known->scope == fact->scope || channel || (open && known->scope == closed)))
            return cj__condition_reading(&rules->healthy[i], side);
    }
    return (cj_reading){NAN, NAN, NAN, NAN, "", fact->what->unit};
}

static cj_status add_evidence(const cj_rules *rules, const cj__condition *condition,
                              const cj_comparison *comparison, int path, cj_finding *finding)
{
    cj_evidence evidence = {0};
    name_figure(&condition->fact, path, evidence.figure, sizeof evidence.figure);
    for (size_t i = 0; i < finding->evidence_count; i++)
        if (strcmp(finding->evidence[i].figure, evidence.figure) == 0)
            return CJ_OK; /* a merged rule asked the same */
    cj_figure figure = cj__fact_figure(&condition->fact, comparison, path);
    double side = isnan(figure.value) ? figure.bound : figure.value;
    evidence.measured = measured(&figure);
    evidence.expected = cj__condition_reading(condition, side);
    evidence.healthy = healthy_reading(rules, &condition->fact, path, side);
    cj_evidence *grown = cj_resize(finding->evidence, finding->evidence_count + 1, sizeof *grown);
    if (grown == NULL)
        return CJ_NOMEM;
    finding->evidence = grown;
    finding->evidence[finding->evidence_count++] = evidence;
    return CJ_OK;
}

static cj_status add_all_evidence(const cj_rules *rules, const struct outcome *outcome,
                                  const cj_comparison *comparison, cj_finding *finding)
{
    const cj__rule *rule = outcome->rule;
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < rule->when_count; i++) {
        cj__scope scope = rule->when[i].fact.scope;
        bool open = scope == CJ__EITHER || scope == CJ__BOTH;
        if (rule->when[i].fact.what->group == CJ__COMPARISON && rule->when[i].fact.what->derive &&
            rule->when[i].fact.what->words)
            continue; /* pair.match is the question itself, not evidence */
        for (int path = open ? 0 : 1; status == CJ_OK && path < 2; path++)
            if (!open || scope == CJ__BOTH || (outcome->paths & (1u << path)))
                status = add_evidence(rules, &rule->when[i], comparison, path, finding);
    }
    return status;
}

/* ---- findings ---- */

static bool same_roles(const struct outcome *a, const struct outcome *b)
{
    const cj_lines *one = &a->rule->roles, *two = &b->rule->roles;
    if (one->count != two->count || a->paths != b->paths)
        return false;
    for (size_t i = 0; i < one->count; i++) {
        size_t k = 0;
        while (k < two->count && strcmp(one->items[i], two->items[k]) != 0)
            k++;
        if (k == two->count)
            return false;
    }
    return true;
}

static double strength(const struct outcome *outcome)
{
    return outcome->rule->weight * outcome->fit;
}

static cj_status add_faults(const cj__rule *rule, cj_finding *finding)
{
    finding->faults = cj_new(rule->roles.count, sizeof *finding->faults);
    if (finding->faults == NULL)
        return CJ_NOMEM;
    for (size_t i = 0; i < rule->roles.count; i++) {
        cj_fault *fault = &finding->faults[finding->fault_count++];
        *fault = (cj_fault){.kind = CJ_FAULT_OUTSIDE, .value = NAN, .low = NAN, .high = NAN};
        snprintf(fault->role, sizeof fault->role, "%s", rule->roles.items[i]);
    }
    return CJ_OK;
}

/* Words of a finding are those of its strongest rule; the lead is that rule's outcome. */
static cj_status word_finding(const struct outcome *lead, const cj_comparison *comparison,
                              cj_finding *finding)
{
    const cj__rule *rule = lead->rule;
    finding->says = cj__say(rule->says, comparison, lead->paths);
    finding->check = cj__say(rule->check, comparison, lead->paths);
    finding->caution = rule->caution ? cj__say(rule->caution, comparison, lead->paths) : NULL;
    if (!finding->says || !finding->check || (rule->caution && !finding->caution))
        return CJ_NOMEM;
    snprintf(finding->rule, sizeof finding->rule, "%s", rule->name);
    finding->from = "rules";
    return add_faults(rule, finding);
}

/* Makes the finding that outcome number `at` leads, with all outcomes of the same roles. */
static cj_status make_finding(const cj_rules *rules, const struct outcome *outcomes, size_t at,
                              const cj_comparison *comparison, cj_finding *finding)
{
    cj_status status = word_finding(&outcomes[at], comparison, finding);
    if (status == CJ_OK)
        status = add_all_evidence(rules, &outcomes[at], comparison, finding);
    for (size_t i = 0; status == CJ_OK && i < rules->count; i++) {
        if (!speaks(&outcomes[i]) || !same_roles(&outcomes[at], &outcomes[i]))
            continue;
        finding->probability += strength(&outcomes[i]);
        finding->touches_board = finding->touches_board || outcomes[i].rule->board;
        if (finding->caution == NULL && outcomes[i].rule->caution != NULL) {
            finding->caution = cj__say(outcomes[i].rule->caution, comparison, outcomes[i].paths);
            status = finding->caution ? CJ_OK : CJ_NOMEM;
        }
        if (status == CJ_OK)
            status = add_all_evidence(rules, &outcomes[i], comparison, finding);
    }
    return status;
}

/* An outcome leads its finding when no other of the same roles is stronger (or as strong and
 * earlier). */
static bool leads(const cj_rules *rules, const struct outcome *outcomes, size_t at)
{
    for (size_t i = 0; i < rules->count; i++)
        if (i != at && speaks(&outcomes[i]) && same_roles(&outcomes[at], &outcomes[i]) &&
            (strength(&outcomes[i]) > strength(&outcomes[at]) ||
             (i < at && strength(&outcomes[i]) == strength(&outcomes[at]))))
            return false;
    return true;
}

static void share_out(const cj_rules *rules, const cj_comparison *comparison, cj_findings *findings)
{
    double sum = rules->unexplained;
    for (size_t i = 0; i < findings->count; i++)
        sum += findings->items[i].probability;
    for (size_t i = 0; i < findings->count; i++)
        findings->items[i].probability /= sum;
    /* nothing found: the cause is unknown where there is a difference, and there is none to name
     * otherwise */
    findings->unexplained = rules->unexplained / sum;
    if (findings->count == 0)
        findings->unexplained = comparison->match == CJ_DIFFER ? 1 : 0;
}

/* By probability, the order of the rules where equal (an insertion sort: few findings, and stable).
 */
static void rank(cj_findings *findings)
{
    for (size_t i = 1; i < findings->count; i++) {
        cj_finding moved = findings->items[i];
        size_t k = i;
        for (; k > 0 && findings->items[k - 1].probability < moved.probability; k--)
            findings->items[k] = findings->items[k - 1];
        findings->items[k] = moved;
    }
    for (size_t i = 0; i < findings->count; i++)
        findings->items[i].rank = (int)i + 1;
}

static cj_status collect(const cj_rules *rules, const struct outcome *outcomes,
                         const cj_comparison *comparison, cj_findings *findings)
{
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < rules->count; i++) {
        if (!speaks(&outcomes[i]) || !leads(rules, outcomes, i))
            continue;
        if (!cj_reserve((void **)&findings->items, &findings->capacity, findings->count,
                        sizeof(cj_finding)))
            return CJ_NOMEM;
        /* counted before it is filled, so that a half-made one is freed with the rest */
        cj_finding *finding = &findings->items[findings->count++];
        *finding = (cj_finding){0};
        status = make_finding(rules, outcomes, i, comparison, finding);
    }
    share_out(rules, comparison, findings);
    rank(findings);
    return status;
}

/* ---- why each rule fired or stayed silent ---- */

static void explain_conditions(const struct outcome *outcome, const cj_comparison *comparison,
                               cj_text *line)
{
    const cj__rule *rule = outcome->rule;
    for (size_t i = 0; i < rule->when_count; i++) {
        const cj__condition *condition = &rule->when[i];
        int path = outcome->paths == 1 ? 0 : 1;
        char name[64];
        cj__fact_text(&condition->fact, path, name, sizeof name);
        cj_figure figure = cj__fact_figure(&condition->fact, comparison, path);
        cj_text_add(line, "%s%s is ", i ? "; " : "", name);
        cj__say_figure(condition->fact.what, &figure, line);
        cj_text_add(line, " (");
        cj__condition_text(condition, line);
        cj_text_add(line, ")");
    }
}

static cj_status explain(const struct outcome *outcomes, size_t count,
                         const cj_comparison *comparison, cj_lines *lines)
{
    for (size_t i = 0; i < count; i++) {
        const struct outcome *outcome = &outcomes[i];
        cj_text line = {0};
        cj_text_add(&line, "%s: ", outcome->rule->name);
        if (!outcome->fires) {
            cj_text_add(&line, "silent: %s", outcome->why);
        } else {
            if (outcome->silenced_by != NULL)
                cj_text_add(&line, "silent, '%s' says more, ", outcome->silenced_by->name);
            else
                cj_text_add(&line, "fires, ");
            cj__say_decimals(outcome->fit, 2, &line);
            cj_text_add(&line, " sure: ");
            explain_conditions(outcome, comparison, &line);
        }
        bool added = !line.failed && cj_lines_add(lines, "%s", line.bytes) == CJ_OK;
        cj_text_free(&line);
        if (!added)
            return CJ_NOMEM;
    }
    return CJ_OK;
}

cj_status cj_rules_apply(const cj_rules *rules, const cj_comparison *comparison,
                         bool want_explained, cj_findings **out, cj_error *err)
{
    *out = NULL;
    cj_status status = CJ_OK;
    struct outcome *outcomes = cj_new(rules->count, sizeof *outcomes);
    cj_findings *findings = cj_new(1, sizeof *findings);
    if (outcomes == NULL || findings == NULL) {
        status = CJ_NOMEM;
        goto out;
    }
    struct judging judging = {comparison, false};
    for (size_t i = 0; i < rules->count; i++)
        judge_rule(&rules->items[i], &judging, &outcomes[i]);
    if (judging.failed) {
        status = CJ_NOMEM;
        goto out;
    }
    silence_over(outcomes, rules->count);
    status = collect(rules, outcomes, comparison, findings);
    if (status == CJ_OK && want_explained)
        status = explain(outcomes, rules->count, comparison, &findings->explained);
out:
    cj_free(outcomes);
    if (status == CJ_OK) {
        *out = findings;
        return CJ_OK;
    }
    cj_findings_free(findings);
    return cj_fail_memory(err);
}
