/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The answers of `diagnose` and `board` as JSON. */
#include "report/json.h"
#include "report/board.h"
#include "report/internal.h"

#include <math.h>

/* {"value", u_key, "unit"}, a word, or null with a reason and the bound where one is known. */
static json_t *keyed_value(struct cj__json *json, const cj_keyed_figure *figure, const char *u_key,
                           const char *why)
{
    json_t *object = json_object();
    const char *unit = figure->unit != NULL ? figure->unit : "?";
    if (figure->word != NULL) {
        cj__json_set(json, object, "value", cj__json_text(figure->word));
        return object;
    }
    bool told = isfinite(figure->value);
    bool bound = !told && figure->bound_kind != CJ_BOUND_NONE && isfinite(figure->bound);
    cj__json_set(json, object, "value", cj__json_number(figure->value));
    if (told)
        cj__json_set(json, object, u_key, cj__json_number(figure->u));
    else
        cj__json_set(json, object, "why", cj__json_text(bound ? "only a bound is known" : why));
    if (bound)
        cj__json_set(json, object, figure->bound_kind == CJ_BELOW ? "below" : "above",
                     json_real(figure->bound));
    cj__json_set(json, object, "unit", cj__json_text(unit));
    return object;
}

json_t *cj__json_keyed(struct cj__json *json, const cj_keyed_figure *figures, size_t count,
                       const char *u_key, const char *why)
{
    json_t *object = json_object();
    for (size_t i = 0; i < count; i++) {
        cj_text key = {0};
        cj__write_clean(&key, figures[i].key);
        json_t *value = keyed_value(json, &figures[i], u_key, why);
        if (key.failed) {
            json_decref(value);
            json->failed = true;
        } else {
            cj__json_set(json, object, key.bytes, value);
        }
        cj_text_free(&key);
    }
    return object;
}

/* ---- diagnose ---- */

static json_t *steps_value(struct cj__json *json, const cj_diagnosis *diagnosis,
                           const cj_observed *observed)
{
    json_t *list = json_array();
    for (size_t i = 0; i < diagnosis->step_count; i++) {
        const cj_step_figures *step = &diagnosis->steps[i];
        const char *file = observed != NULL ? observed->files[step->step] : NULL;
        json_t *object = json_object();
        cj__json_set(json, object, "step", cj__json_text(diagnosis->board->steps[step->step].name));
        cj__json_set(json, object, "file", cj__json_text(file));
        cj__json_set(json, object, "measured",
                     cj__json_keyed(json, step->measured, step->measured_count, "u",
                                    "it could not be told"));
        cj__json_set(json, object, "predicted_healthy",
                     cj__json_keyed(json, step->predicted, step->predicted_count, "u",
                                    "it is not predicted"));
        cj__json_append(json, list, object);
    }
    return list;
}

static json_t *expect_value(struct cj__json *json, const cj_expectation *expect)
{
    json_t *object = json_object();
    cj__json_set(json, object, "if",
                 expect->healthy ? json_null() : cj__json_fault(json, &expect->fault));
    if (expect->healthy)
        cj__json_set(json, object, "healthy", json_true());
    cj__json_set(
        json, object, "reads",
        cj__json_keyed(json, expect->reads, expect->read_count, "u", "it is not predicted"));
    return object;
}

static json_t *next_value(struct cj__json *json, const cj_board *board, const cj_next *next)
{
    json_t *object = json_object(), *expect = json_array();
    const char *step = board->steps[next->step].name;
    if (next->probe) {
        char look[72];
        cj_board_view_text(board, next->look, look, sizeof look);
        cj__json_set(json, object, "probe", cj__json_text(look));
        cj__json_set(json, object, "during", cj__json_text(step));
    } else {
        cj__json_set(json, object, "step", cj__json_text(step));
    }
    cj__json_set(json, object, "bits", cj__json_number(next->bits));
    for (size_t i = 0; i < next->expect_count; i++)
        cj__json_append(json, expect, expect_value(json, &next->expect[i]));
    cj__json_set(json, object, "expect", expect);
    return object;
}

/* The repairs that weigh in, where there are any. */
static void set_history(struct cj__json *json, const cj_diagnosis *diagnosis)
{
    if (!(diagnosis->repairs > 0))
        return;
    json_t *object = json_object();
    cj__json_set(json, object, "repairs", cj__json_number(diagnosis->repairs));
    cj__json_set(json, object, "log", cj__json_text(diagnosis->repairs_from));
    cj__json_set(json, object, "prior_worth", json_integer(CJ_HISTORY_UNITS));
    cj__json_set(json, json->root, "history", object);
}

cj_status cj_report_diagnosis_json(const cj_diagnosis *diagnosis, const cj_observed *observed,
                                   cj_text *out, cj_error *err)
{
    static const char *const words[] = {[CJ_STATE_HEALTHY] = "healthy",
                                        [CJ_STATE_FAULT] = "fault",
                                        [CJ_STATE_UNDECIDED] = "undecided"};
    const cj_board *board = diagnosis->board;
    struct cj__json json;
    cj__json_start(&json, "diagnose");
    cj__json_set(&json, json.root, "board", cj__json_text(board->name));
    cj__json_set(&json, json.root, "steps", steps_value(&json, diagnosis, observed));
    cj__json_set(&json, json.root, "verdict", json_string(words[diagnosis->state]));
    cj__json_set(&json, json.root, "why", cj__json_text(diagnosis->why));
    cj__json_set(&json, json.root, "healthy", cj__json_number(diagnosis->healthy));
    cj__json_set_findings(&json, diagnosis->findings);
    set_history(&json, diagnosis);
    json_t *next = json_array(), *open = json_array();
    for (size_t i = 0; i < diagnosis->next_count; i++)
        cj__json_append(&json, next, next_value(&json, board, &diagnosis->next[i]));
    cj__json_set(&json, json.root, "next", next);
    for (size_t i = 0; i < diagnosis->open_count; i++)
        cj__json_append(&json, open, cj__json_text(board->steps[diagnosis->open_steps[i]].name));
    cj__json_set(&json, json.root, "open_steps", open);
    cj__json_set(&json, json.root, "notes", cj__json_lines(&json, &diagnosis->notes));
    return cj__json_end(&json, out, err);
}

/* ---- board ---- */

static json_t *limit_value(struct cj__json *json, const cj_board *board, const cj_limit *limit)
{
    json_t *object = json_object();
    if (limit->from_tolerance) {
        cj__json_set(json, object, "from", json_string("tolerance"));
        cj__json_set(json, object, "sigmas", cj__json_number(limit->sigmas));
        return object;
    }
    cj__json_set(json, object, "step", cj__json_text(limit->step));
    cj__json_set(json, object, "figure", cj__json_text(limit->figure));
    if (limit->of.net != CJ_NO_NET) {
        char of[72];
        cj_board_view_text(board, limit->of, of, sizeof of);
        cj__json_set(json, object, "of", cj__json_text(of));
    }
    cj__json_set(json, object, "min", cj__json_number(limit->min));
    cj__json_set(json, object, "max", cj__json_number(limit->max));
    return object;
}

static json_t *study_steps(struct cj__json *json, const cj_study *study)
{
    json_t *list = json_array();
    for (size_t i = 0; i < study->step_count; i++) {
        const cj_step_figures *step = &study->steps[i];
        json_t *object = json_object();
        cj__json_set(json, object, "step", cj__json_text(study->board->steps[step->step].name));
        cj__json_set(json, object, "figures",
                     cj__json_keyed(json, step->predicted, step->predicted_count, "spread",
                                    "it is not predicted"));
        cj__json_append(json, list, object);
    }
    return list;
}

static json_t *rank_value(struct cj__json *json, const cj_study *study)
{
    json_t *object = json_object();
    cj__json_set(json, object, "parts", json_integer((json_int_t)study->parts));
    cj__json_set(json, object, "rank", json_integer((json_int_t)study->rank));
    return object;
}

cj_status cj_report_study_json(const cj_study *study, cj_text *out, cj_error *err)
{
    const cj_board *board = study->board;
    struct cj__json json;
    cj__json_start(&json, "board");
    cj__json_set(&json, json.root, "board", cj__json_text(board->name));
    cj__json_set(&json, json.root, "title", cj__json_text(board->title));
    cj__json_set(&json, json.root, "steps", study_steps(&json, study));
    cj__json_set(&json, json.root, "faults", json_integer((json_int_t)study->fault_count));
    json_t *groups = json_array(), *limits = json_array();
    for (size_t i = 0; i < study->group_count; i++)
        cj__json_append(&json, groups,
                        cj__json_faults(&json, study->groups[i].faults, study->groups[i].count));
    cj__json_set(&json, json.root, "groups", groups);
    cj__json_set(&json, json.root, "rank", rank_value(&json, study));
    cj__json_set(&json, json.root, "unseen",
                 cj__json_faults(&json, study->unseen.faults, study->unseen.count));
    for (size_t i = 0; i < study->undecidable_count; i++)
        cj__json_append(&json, limits,
                        limit_value(&json, board, &board->limits[study->undecidable[i]]));
    cj__json_set(&json, json.root, "undecidable", limits);
    if (study->too_large)
        cj__json_set(&json, json.root, "why", json_string(cj__too_large));
    cj__json_set(&json, json.root, "warnings", cj__json_lines(&json, &board->warnings));
    return cj__json_end(&json, out, err);
}
