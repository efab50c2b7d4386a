/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Guarded acceptance (JCGM 106): pass inside a limit by U = 2u, fail outside by it, undecided
 * between. */
#include "coldjoint/verdict.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

struct judging {
    const cj_diagnosis *diagnosis;
    cj_judgement *out;
    size_t capacity;
};

void cj_judgement_free(cj_judgement *judgement)
{
    if (judgement == NULL)
        return;
    for (size_t i = 0; i < judgement->limit_count; i++) {
        cj_free(judgement->limits[i].step);
        cj_free(judgement->limits[i].figure);
        cj_free(judgement->limits[i].why);
    }
    cj_free(judgement->limits);
    cj_free(judgement);
}

static cj_verdict worse(cj_verdict one, cj_verdict other)
{
    if (one == CJ_FAIL || other == CJ_FAIL)
        return CJ_FAIL;
    return one == CJ_PASS ? other : one;
}

static void decide(cj_judged *judged)
{
    double expanded = 2 * judged->u;
    double room = fmin(isnan(judged->min) ? INFINITY : judged->value - judged->min,
                       isnan(judged->max) ? INFINITY : judged->max - judged->value);
    judged->margin = expanded > 0 ? room / expanded : NAN;
    judged->verdict = room >= expanded   ? CJ_PASS
                      : room < -expanded ? CJ_FAIL
                                         : CJ_VERDICT_UNDECIDED;
}

static cj_status add(struct judging *judging, const char *step, const char *key,
                     const cj_keyed_figure *seen, const cj_limit *limit, cj_error *err)
{
    cj_judgement *out = judging->out;
    const char *why = NULL;
    if (!cj_reserve((void **)&out->limits, &judging->capacity, out->limit_count,
                    sizeof *out->limits))
        return cj_fail_memory(err);
    cj_judged *judged = &out->limits[out->limit_count++];
    *judged = (cj_judged){.value = seen != NULL ? seen->value : NAN,
                          .u = seen != NULL ? seen->u : NAN,
                          .min = isfinite(limit->min) ? limit->min : NAN,
                          .max = isfinite(limit->max) ? limit->max : NAN,
                          .derived = limit->from_tolerance,
                          .verdict = CJ_VERDICT_UNDECIDED,
                          .margin = NAN};
    if (isfinite(judged->value))
        decide(judged);
    else if (seen != NULL && seen->bound_kind == CJ_BELOW && seen->bound <= limit->max &&
             !isfinite(limit->min))
        judged->verdict = CJ_PASS;
    else
        why = "not measured";
    if (judged->verdict == CJ_VERDICT_UNDECIDED && why == NULL)
        why = "within the uncertainty of the limit";
    judged->step = cj_copy_text(step);
    judged->figure = cj_copy_text(key);
    judged->why = cj_copy_text(why);
    if (judged->step == NULL || judged->figure == NULL || (why != NULL && judged->why == NULL))
        return cj_fail_memory(err);
    out->verdict = worse(out->verdict, judged->verdict);
    return CJ_OK;
}

static const cj_keyed_figure *find(const cj_keyed_figure *figures, size_t count, const char *key)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(figures[i].key, key) == 0)
            return &figures[i];
    return NULL;
}

static cj_status judge_explicit(struct judging *judging, const cj_limit *limit, cj_error *err)
{
    const cj_diagnosis *diagnosis = judging->diagnosis;
    const cj_board *board = diagnosis->board;
    bool any = false, everywhere = strcmp(limit->step, "*") == 0;
    char net[72] = "", key[104];
    cj_status status = CJ_OK;
    if (limit->of.net != CJ_NO_NET)
        cj_board_view_text(board, limit->of, net, sizeof net);
    snprintf(key, sizeof key, "%s%s%s", limit->figure, net[0] ? "@" : "", net);
    for (size_t i = 0; status == CJ_OK && i < diagnosis->step_count; i++) {
        const cj_step_figures *step = &diagnosis->steps[i];
        const char *name = board->steps[step->step].name;
        const cj_keyed_figure *seen = find(step->measured, step->measured_count, key);
        if (everywhere ? seen == NULL : strcmp(name, limit->step) != 0)
            continue;
        any = true;
        status = add(judging, name, key, seen, limit, err);
    }
    if (status == CJ_OK && !any)
        status = add(judging, limit->step, key, NULL, limit, err);
    return status;
}

static bool is_derived(const char *key)
{
    return strcmp(key, "gain_db") == 0 || strncmp(key, "dc_v@", 5) == 0;
}

static cj_status judge_derived(struct judging *judging, const cj_limit *limit, cj_error *err)
{
    const cj_diagnosis *diagnosis = judging->diagnosis;
    cj_status status = CJ_OK;
    for (size_t i = 0; i < diagnosis->step_count; i++) {
        const cj_step_figures *step = &diagnosis->steps[i];
        for (size_t k = 0; status == CJ_OK && k < step->predicted_count; k++) {
            const cj_keyed_figure *good = &step->predicted[k];
            const cj_keyed_figure *seen = find(step->measured, step->measured_count, good->key);
            cj_limit own = *limit;
            if (!is_derived(good->key) || seen == NULL || !(good->u > 0))
                continue;
            own.min = good->value - limit->sigmas * good->u;
            own.max = good->value + limit->sigmas * good->u;
            status =
                add(judging, diagnosis->board->steps[step->step].name, good->key, seen, &own, err);
        }
    }
    return status;
}

cj_status cj_judge(const cj_diagnosis *diagnosis, cj_judgement **out, cj_error *err)
{
    const cj_board *board = diagnosis->board;
    struct judging judging = {.diagnosis = diagnosis, .out = cj_new(1, sizeof *judging.out)};
    if (judging.out == NULL)
        return cj_fail_memory(err);
    cj_status status = CJ_OK;
    judging.out->verdict = board->limit_count > 0 ? CJ_PASS : CJ_VERDICT_UNDECIDED;
    for (size_t i = 0; status == CJ_OK && i < board->limit_count; i++)
        status = board->limits[i].from_tolerance ? judge_derived(&judging, &board->limits[i], err)
                                                 : judge_explicit(&judging, &board->limits[i], err);
    if (status == CJ_OK)
        *out = judging.out;
    else
        cj_judgement_free(judging.out);
    return status;
}
