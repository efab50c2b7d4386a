/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The limits of a board against what was read. */
#include "coldjoint/verdict.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define NOT_CAPTURED "the step was not captured"

struct judging {
    const cj_diagnosis *diagnosis;
    const cj_board *board;
    cj_study
        *healthy; /* what a good unit reads in steps that were not captured; NULL until needed */
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

/* ---- one row ---- */

static const cj_keyed_figure *find(const cj_keyed_figure *figures, size_t count, const char *key,
                                   double hz)
{
    for (size_t i = 0; i < count; i++)
        if (figures[i].hz == hz && strcmp(figures[i].key, key) == 0)
            return &figures[i];
    return NULL;
}

static const char *reason(const cj_step_figures *step, const char *key)
{
    for (size_t i = 0; i < step->unread_count; i++)
        if (strcmp(step->unread[i].key, key) == 0 && step->unread[i].why[0] != '\0')
            return step->unread[i].why;
    return "it was not read";
}

static const char *why_undecided(const cj_judged *judged)
{
    if (!isfinite(judged->value))
        return "only a bound is known, which does not decide";
    return cj_judged_too_wide(judged) ? "its uncertainty is wider than the limits"
                                      : "nearer to the limit than its uncertainty";
}

/* What a row is about. */
struct place {
    const char *step, *key;
    double hz;
    const cj_keyed_figure *seen; /* NULL: not read */
    const char *why;             /* the reason then */
};

static cj_status add(struct judging *judging, const struct place *place, const cj_limit *limit,
                     cj_error *err)
{
    cj_judgement *out = judging->out;
    const cj_keyed_figure *seen = place->seen;
    if (!cj_reserve((void **)&out->limits, &judging->capacity, out->limit_count,
                    sizeof *out->limits))
        return cj_fail_memory(err);
    cj_judged *judged = &out->limits[out->limit_count++];
    *judged = (cj_judged){.hz = place->hz,
                          .value = seen != NULL ? seen->value : NAN,
                          .u = seen != NULL && isfinite(seen->value) ? seen->u : NAN,
                          .bound_kind = seen != NULL ? seen->bound_kind : CJ_BOUND_NONE,
                          .bound = seen != NULL ? seen->bound : NAN,
                          .min = isfinite(limit->min) ? limit->min : NAN,
                          .max = isfinite(limit->max) ? limit->max : NAN,
                          .derived = limit->from_tolerance};
    judged->step = cj_copy_text(place->step);
    judged->figure = cj_copy_text(place->key);
    if (judged->step == NULL || judged->figure == NULL)
        return cj_fail_memory(err);
    cj_judged_decide(judged);
    if (judged->verdict != CJ_VERDICT_UNDECIDED)
        return CJ_OK;
    judged->why = cj_copy_text(seen != NULL ? why_undecided(judged) : place->why);
    return judged->why != NULL ? CJ_OK : cj_fail_memory(err);
}

/* ---- limits that are written ---- */

static void limit_key(const cj_board *board, const cj_limit *limit, char *key, size_t size)
{
    char net[72] = "";
    if (limit->of.net != CJ_NO_NET)
        cj_board_view_text(board, limit->of, net, sizeof net);
    snprintf(key, size, "%s%s%s", limit->figure, net[0] ? "@" : "", net);
}

static bool is_everywhere(const cj_limit *limit)
{
    return strcmp(limit->step, "*") == 0;
}

static cj_status judge_written(struct judging *judging, const cj_limit *limit, cj_error *err)
{
    const cj_diagnosis *diagnosis = judging->diagnosis;
    char key[104];
    bool any = false;
    cj_status status = CJ_OK;
    limit_key(judging->board, limit, key, sizeof key);
    struct place nowhere = {.step = limit->step, .key = key, .why = NOT_CAPTURED};
    if (is_everywhere(limit))
        nowhere.why = "no step that was captured shows it";
    for (size_t i = 0; status == CJ_OK && i < diagnosis->step_count; i++) {
        const cj_step_figures *step = &diagnosis->steps[i];
        struct place place = {.step = judging->board->steps[step->step].name,
                              .key = key,
                              .seen = find(step->measured, step->measured_count, key, 0),
                              .why = reason(step, key)};
        if (is_everywhere(limit) ? place.seen == NULL : strcmp(place.step, limit->step) != 0)
            continue;
        any = true;
        status = add(judging, &place, limit, err);
    }
    return status == CJ_OK && !any ? add(judging, &nowhere, limit, err) : status;
}

/* ---- limits from tolerances ---- */

/* gain and gain_db are one figure in two units. */
static bool same_figure(const char *a, const char *b)
{
    bool gains = (strcmp(a, "gain") == 0 || strcmp(a, "gain_db") == 0) &&
                 (strcmp(b, "gain") == 0 || strcmp(b, "gain_db") == 0);
    return gains || strcmp(a, b) == 0;
}

static bool is_written(const cj_board *board, const char *step, const char *key)
{
    for (size_t i = 0; i < board->limit_count; i++) {
        const cj_limit *limit = &board->limits[i];
        char own[104];
        if (limit->from_tolerance || !(is_everywhere(limit) || strcmp(limit->step, step) == 0))
            continue;
        limit_key(board, limit, own, sizeof own);
        if (same_figure(own, key))
            return true;
    }
    return false;
}

/* Gain and phase of the step itself are of one frequency, or of the stronger of two tones. */
static bool has_own_gain(const cj_step *step)
{
    return step->shape == CJ_TONE || step->shape == CJ_SQUARE ||
           (step->shape == CJ_TWO_TONE && step->peak[0] > step->peak[1]);
}

/* The driven net is held by the source: its DC says nothing of the board. */
static bool is_of_source(const cj_board *board, const cj_step *step, const char *key)
{
    if (step->drive < 0)
        return false;
    return strcmp(key + strlen("dc_v@"), board->nets[board->inputs[step->drive].net]) == 0;
}

static bool is_derived(const cj_board *board, const cj_step *step, const cj_keyed_figure *good)
{
    bool own = strncmp(good->key, "dc_v@", 5) == 0
                   ? !is_of_source(board, step, good->key)
                   : has_own_gain(step) &&
                         (strcmp(good->key, "gain_db") == 0 || strcmp(good->key, "phase_deg") == 0);
    return own && isfinite(good->value) && good->u > 0;
}

static cj_status add_derived(struct judging *judging, const cj_limit *limit,
                             const struct place *place, const cj_keyed_figure *good, cj_error *err)
{
    cj_limit own = *limit;
    if (is_written(judging->board, place->step, place->key))
        return CJ_OK;
    own.min = good->value - limit->sigmas * good->u;
    own.max = good->value + limit->sigmas * good->u;
    return add(judging, place, &own, err);
}

static bool has_response(const cj_step *step)
{
    return step->shape == CJ_SWEEP || step->shape == CJ_NOISE;
}

/* seen: what was read in that step, NULL where it was not captured. */
static cj_status derive_step(struct judging *judging, const cj_limit *limit,
                             const cj_step_figures *good, const cj_step_figures *seen,
                             cj_error *err)
{
    const cj_step *step = &judging->board->steps[good->step];
    cj_status status = CJ_OK;
    for (size_t k = 0; status == CJ_OK && k < good->predicted_count; k++) {
        const cj_keyed_figure *figure = &good->predicted[k];
        struct place place = {.step = step->name, .key = figure->key, .why = NOT_CAPTURED};
        if (!is_derived(judging->board, step, figure))
            continue;
        if (seen != NULL) {
            place.seen = find(seen->measured, seen->measured_count, figure->key, 0);
            place.why = reason(seen, figure->key);
        }
        status = add_derived(judging, limit, &place, figure, err);
    }
    for (size_t k = 0; status == CJ_OK && k < good->predicted_response_count; k++) {
        const cj_keyed_figure *figure = &good->predicted_response[k];
        struct place place = {
            .step = step->name, .key = figure->key, .hz = figure->hz, .why = NOT_CAPTURED};
        if (!has_response(step) || !(figure->u > 0))
            continue;
        if (seen != NULL) {
            place.seen = find(seen->response, seen->response_count, figure->key, figure->hz);
            place.why = "the response does not reach that frequency";
        }
        status = add_derived(judging, limit, &place, figure, err);
    }
    return status;
}

static cj_status judge_derived(struct judging *judging, const cj_limit *limit, cj_error *err)
{
    const cj_diagnosis *diagnosis = judging->diagnosis;
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < diagnosis->step_count; i++)
        status = derive_step(judging, limit, &diagnosis->steps[i], &diagnosis->steps[i], err);
    if (status == CJ_OK && diagnosis->open_count > 0 && judging->healthy == NULL)
        status = cj_study_healthy(judging->board, &judging->healthy, err);
    for (size_t i = 0; status == CJ_OK && i < diagnosis->open_count; i++)
        status = derive_step(judging, limit, &judging->healthy->steps[diagnosis->open_steps[i]],
                             NULL, err);
    return status;
}

/* ---- the unit ---- */

static int badness(cj_verdict verdict)
{
    return verdict == CJ_FAIL ? 2 : verdict == CJ_VERDICT_UNDECIDED ? 1 : 0;
}

static void sum_up(cj_judgement *out)
{
    out->worst = 0;
    for (size_t i = 1; i < out->limit_count; i++) {
        const cj_judged *row = &out->limits[i], *worst = &out->limits[out->worst];
        int worse = badness(row->verdict) - badness(worst->verdict);
        bool nearer = row->margin < worst->margin || isnan(worst->margin);
        if (worse > 0 || (worse == 0 && !isnan(row->margin) && nearer))
            out->worst = i;
    }
    out->verdict = out->limit_count > 0 ? out->limits[out->worst].verdict : CJ_VERDICT_UNDECIDED;
}

cj_status cj_judge(const cj_diagnosis *diagnosis, cj_judgement **out, cj_error *err)
{
    const cj_board *board = diagnosis->board;
    struct judging judging = {
        .diagnosis = diagnosis, .board = board, .out = cj_new(1, sizeof *judging.out)};
    cj_status status = judging.out == NULL ? cj_fail_memory(err) : CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < board->limit_count; i++)
        status = board->limits[i].from_tolerance ? judge_derived(&judging, &board->limits[i], err)
                                                 : judge_written(&judging, &board->limits[i], err);
    cj_study_free(judging.healthy);
    if (status != CJ_OK) {
        cj_judgement_free(judging.out);
        return status;
    }
    sum_up(judging.out);
    *out = judging.out;
    return CJ_OK;
}
