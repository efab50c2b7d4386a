/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is wrong with the unit: from readings to an answer. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "diagnosis/answer.h"

/* A unit is on the bench for a reason: as likely as not there is one (judgement). */
#define HEALTHY_PRIOR 0.5
/* Sure enough to say it in the verdict. */
#define SURE 0.9

void cj_diagnosis_free(cj_diagnosis *diagnosis)
{
    if (diagnosis == NULL)
        return;
    cj_step_figures_free(diagnosis->steps, diagnosis->step_count);
    cj_findings_free(diagnosis->findings);
    for (size_t i = 0; i < diagnosis->next_count; i++) {
        for (size_t e = 0; e < diagnosis->next[i].expect_count; e++) {
            cj_fault_clear(&diagnosis->next[i].expect[e].fault);
            cj_free(diagnosis->next[i].expect[e].reads);
        }
        cj_free(diagnosis->next[i].expect);
    }
    cj_free(diagnosis->next);
    cj_free(diagnosis->open_steps);
    cj_lines_free(&diagnosis->notes);
    cj_free(diagnosis->repairs_from);
    cj_free(diagnosis);
}

/* ---- findings ---- */

static cj_finding *add_finding(cj_findings *findings)
{
    if (!cj_reserve((void **)&findings->items, &findings->capacity, findings->count,
                    sizeof *findings->items))
        return NULL;
    cj_finding *finding = &findings->items[findings->count++];
    memset(finding, 0, sizeof *finding);
    return finding;
}

static cj_status list_faults(const cj__ranking *ranking, const cj__group_of *group,
                             cj_finding *finding, cj_error *err)
{
    finding->faults = cj_new(2 * group->count + 1, sizeof *finding->faults);
    if (finding->faults == NULL)
        return cj_fail_memory(err);
    for (size_t m = 0; m < group->count; m++) {
        int pins = ranking->suspects->items[group->members[m]].both_pins ? 2 : 1;
        for (int pin = 1; pin <= pins; pin++) {
            if (!cj__fault_found(ranking, group->members[m], pin,
                                 &finding->faults[finding->fault_count]))
                return cj_fail_memory(err);
            finding->fault_count++;
        }
    }
    return CJ_OK;
}

static cj_status from_group(const cj__ranking *ranking, const cj__group_of *group,
                            cj_findings *findings, cj_error *err)
{
    cj_finding *finding = add_finding(findings);
    if (finding == NULL)
        return cj_fail_memory(err);
    finding->probability = group->probability;
    finding->from = "board";
    finding->touches_board = true;
    cj_status status = list_faults(ranking, group, finding, err);
    if (status != CJ_OK)
        return status;
    finding->says = cj__fault_says(ranking->scene->board, &finding->faults[0]);
    finding->check = cj__fault_check(ranking->scene->board, &finding->faults[0]);
    if (finding->says == NULL || finding->check == NULL)
        return cj_fail_memory(err);
    return cj__evidence(ranking, &ranking->trials[ranking->best[group->members[0]]], finding, err);
}

/* ---- rules ---- */

/* What no model of the parts covers: these rules speak about the board's surroundings or about
 * time. */
static bool beyond_board(const char *rule)
{
    static const char *const names[] = {"hum-second",       "hum-first",        "hum-both",
                                        "hum-without-tone", "intermittent",     "oscillation",
                                        "pick-up",          "identical-signals"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
        if (strcmp(rule, names[i]) == 0)
            return true;
    return false;
}

static cj_finding *find_rule(cj_findings *findings, const char *rule)
{
    for (size_t i = 0; i < findings->count; i++)
        if (strcmp(findings->items[i].rule, rule) == 0)
            return &findings->items[i];
    return NULL;
}

static cj_status copy_rule(const cj_finding *from, const char *step, cj_findings *findings,
                           cj_error *err)
{
    cj_finding *finding = add_finding(findings);
    if (finding == NULL)
        return cj_fail_memory(err);
    finding->from = "rules";
    finding->touches_board = from->touches_board;
    snprintf(finding->rule, sizeof finding->rule, "%s", from->rule);
    finding->says = cj_copy_text(from->says);
    finding->check = cj_copy_text(from->check);
    finding->caution = from->caution ? cj_copy_text(from->caution) : NULL;
    finding->faults = cj_new(from->fault_count + 1, sizeof *finding->faults);
    finding->evidence = cj_new(from->evidence_count + 1, sizeof *finding->evidence);
    if (finding->says == NULL || finding->check == NULL || finding->faults == NULL ||
        finding->evidence == NULL || (from->caution != NULL && finding->caution == NULL))
        return cj_fail_memory(err);
    for (size_t i = 0; i < from->fault_count; i++) {
        if (!cj_fault_copy(&finding->faults[i], &from->faults[i]))
            return cj_fail_memory(err);
        finding->fault_count++;
    }
    for (size_t i = 0; i < from->evidence_count; i++) {
        finding->evidence[i] = from->evidence[i];
        snprintf(finding->evidence[i].step, sizeof finding->evidence[i].step, "%s", step);
    }
    finding->evidence_count = from->evidence_count;
    return CJ_OK;
}

/* A rule that fired takes the place of "none of these" and what else it explains: most of what the
 * board leaves unexplained or holds healthy. In several steps it is the same finding. */
static cj_status join_rules(const cj_board *board, const cj_diagnose_options *options,
                            cj_diagnosis *out, cj_error *err)
{
    double strongest = 0, total = 0;
    size_t before = out->findings->count;
    for (size_t r = 0; r < options->rule_count; r++) {
        const cj_findings *rules = options->rules[r].findings;
        for (size_t i = 0; rules != NULL && i < rules->count; i++) {
            const cj_finding *rule = &rules->items[i];
            if (!beyond_board(rule->rule) || rule->probability < 0.3)
                continue;
            cj_finding *known = find_rule(out->findings, rule->rule);
            if (known == NULL) {
                cj_status status =
                    copy_rule(rule, board->steps[options->rules[r].step].name, out->findings, err);
                if (status != CJ_OK)
                    return status;
                known = &out->findings->items[out->findings->count - 1];
            }
            known->probability = fmax(known->probability, rule->probability);
            strongest = fmax(strongest, rule->probability);
        }
    }
    for (size_t i = before; i < out->findings->count; i++)
        total += out->findings->items[i].probability;
    double taken = strongest * (out->healthy + out->findings->unexplained);
    for (size_t i = before; i < out->findings->count; i++)
        out->findings->items[i].probability *= total > 0 ? taken / total : 0;
    out->healthy *= 1 - strongest;
    out->findings->unexplained *= 1 - strongest;
    return CJ_OK;
}

static void order_findings(cj_findings *findings)
{
    for (size_t i = 1; i < findings->count; i++)
        for (size_t j = i;
             j > 0 && findings->items[j - 1].probability < findings->items[j].probability; j--) {
            cj_finding swap = findings->items[j];
            findings->items[j] = findings->items[j - 1];
            findings->items[j - 1] = swap;
        }
    for (size_t i = 0; i < findings->count; i++)
        findings->items[i].rank = (int)i + 1;
}

/* ---- verdict ---- */

/* Whether the readings lie further from a good unit's than standard deviations half as large again
 * as stated would have them: however much less likely each fault is, this is not called healthy. */
static bool is_far(const cj__ranking *ranking)
{
    double rows = ranking->scene->rows;
    double distance = ranking->trials[ranking->best[0]].distance;
    return distance > 2.25 * rows + 4 * sqrt(2 * rows) + 12;
}

static void conclude(const cj__ranking *ranking, cj_diagnosis *out)
{
    const cj__scene *scene = ranking->scene;
    double faulty = out->findings->unexplained;
    for (size_t i = 0; i < out->findings->count; i++)
        faulty += out->findings->items[i].probability;
    if (scene->rows == 0) {
        out->state = CJ_STATE_UNDECIDED;
        snprintf(out->why, sizeof out->why, "nothing that was read can be held against the board");
    } else if (out->healthy >= SURE && is_far(ranking)) {
        out->state = CJ_STATE_UNDECIDED;
        snprintf(out->why, sizeof out->why,
                 "not what a good unit reads, but no fault of its parts explains it better");
    } else if (out->healthy >= SURE) {
        out->state = CJ_STATE_HEALTHY;
        snprintf(out->why, sizeof out->why, "%s",
                 out->open_count == 0 ? "every step reads as a good unit does"
                                      : "what was read is as a good unit reads");
    } else if (out->findings->unexplained >= 0.5) {
        bool possible = out->findings->count > 0 && out->findings->items[0].probability >= 0.3;
        out->state = CJ_STATE_UNDECIDED;
        snprintf(out->why, sizeof out->why, "%s",
                 possible
                     ? "this is no good unit; what stands first would explain the readings, "
                       "but something that the board file does not know may as well"
                     : "this is no good unit, but no fault of its parts explains the readings");
    } else if (faulty >= SURE || 1 - out->healthy >= SURE) {
        out->state = CJ_STATE_FAULT;
        snprintf(out->why, sizeof out->why, "the readings are not those of a good unit");
    } else {
        out->state = CJ_STATE_UNDECIDED;
        snprintf(out->why, sizeof out->why, "the readings fit a good unit and a faulty one");
    }
}

struct job {
    const cj_board *board;
    const cj_observed *observed;
    const cj_diagnose_options *options;
    cj_bench *bench;
    cj__scene *scene;
    cj__suspects *suspects;
    cj__ranking *ranking;
    cj__groups groups;
};

static void job_free(struct job *job)
{
    cj__groups_free(&job->groups);
    cj__ranking_free(job->ranking);
    cj__suspects_free(job->suspects);
    cj__scene_free(job->scene);
    cj_bench_free(job->bench);
}

/* What was repaired before, where that is to count. */
static cj_status remember(struct job *job, cj_diagnosis *out, cj_error *err)
{
    const cj_history *history = job->options != NULL ? job->options->history : NULL;
    if (history == NULL)
        return CJ_OK;
    cj_status status = cj__history_apply(history, job->suspects, &out->repairs, err);
    if (status != CJ_OK || history->from == NULL)
        return status;
    out->repairs_from = cj_copy_text(history->from);
    return out->repairs_from != NULL ? CJ_OK : cj_fail_memory(err);
}

static cj_status find_out(struct job *job, cj_diagnosis *out, cj_error *err)
{
    cj_status status = cj__check_size(job->board, err);
    if (status == CJ_OK)
        status = cj_bench_make(job->board, &job->bench, err);
    if (status == CJ_OK)
        status = cj__scene_make(job->board, job->bench, job->observed, &job->scene, err);
    if (status == CJ_OK)
        status = cj__suspects_make(job->board, &job->suspects, err);
    if (status == CJ_OK)
        status = remember(job, out, err);
    if (status == CJ_OK)
        status = cj__rank(job->scene, job->suspects, HEALTHY_PRIOR, &job->ranking, err);
    if (status == CJ_OK)
        status = cj__rank_pairs(job->ranking, err);
    if (status == CJ_OK)
        status = cj__groups_make(job->ranking, &job->groups, err);
    return status;
}

/* Faults that were not tried take their share, by count, of what the others were given. */
static cj_status own_up(const cj__ranking *ranking, cj_diagnosis *out, cj_error *err)
{
    double tried = 0, missing = (double)ranking->left_out;
    for (size_t i = 0; i < ranking->suspects->count; i++)
        tried += (double)ranking->suspects->items[i].count;
    double share = fmin(missing / fmax(tried, 1), 1);
    for (size_t i = 0; i < out->findings->count; i++) {
        out->findings->unexplained += share * out->findings->items[i].probability;
        out->findings->items[i].probability *= 1 - share;
    }
    if (cj_lines_add(&out->notes,
                     "%zu ways in which a part could fail were left out: on a board of so many "
                     "op-amps not all can be followed; captures of lower level ask for less",
                     ranking->left_out) != CJ_OK)
        return cj_fail_memory(err);
    return CJ_OK;
}

static cj_status answer(struct job *job, cj_diagnosis *out, cj_error *err)
{
    cj_status status = cj__steps(job->board, job->bench, job->observed, out, err);
    for (size_t i = 0; i < job->scene->notes.count && status == CJ_OK; i++)
        if (cj_lines_add(&out->notes, "%s", job->scene->notes.items[i]) != CJ_OK)
            status = cj_fail_memory(err);
    out->healthy = job->groups.healthy;
    out->findings->unexplained = job->ranking->none;
    for (size_t g = 0; g < job->groups.count && status == CJ_OK; g++)
        status = from_group(job->ranking, &job->groups.items[g], out->findings, err);
    if (status == CJ_OK && job->ranking->left_out > 0)
        status = own_up(job->ranking, out, err);
    if (status == CJ_OK && job->options != NULL)
        status = join_rules(job->board, job->options, out, err);
    if (status != CJ_OK)
        return status;
    order_findings(out->findings);
    conclude(job->ranking, out);
    return cj__next(job->ranking, job->observed, &job->groups, out, err);
}

cj_status cj_diagnose(const cj_board *board, const cj_observed *observed,
                      const cj_diagnose_options *options, cj_diagnosis **out, cj_error *err)
{
    struct job job = {.board = board, .observed = observed, .options = options};
    cj_diagnosis *diagnosis = cj_new(1, sizeof *diagnosis);
    if (diagnosis == NULL)
        return cj_fail_memory(err);
    diagnosis->board = board;
    diagnosis->findings = cj_new(1, sizeof *diagnosis->findings);
    cj_status status =
        diagnosis->findings == NULL ? cj_fail_memory(err) : find_out(&job, diagnosis, err);
    if (status == CJ_OK)
        status = answer(&job, diagnosis, err);
    job_free(&job);
    if (status == CJ_OK)
        *out = diagnosis;
    else
        cj_diagnosis_free(diagnosis);
    return status;
}
