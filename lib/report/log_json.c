/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/log.h"

#include <math.h>
#include <string.h>

static json_t *text_or_null(const char *text)
{
    return text != NULL && text[0] != '\0' ? cj__json_text(text) : json_null();
}

/* {"fault", ...}; text where it is none of ours */
static json_t *fault_value(struct cj__json *json, const char *text)
{
    cj_fault fault = cj_fault_none(CJ_FAULT_OUTSIDE);
    if (text[0] == '\0')
        return json_null();
    cj_status status = cj_fault_read(text, &fault, NULL);
    if (status != CJ_OK)
        return status == CJ_NOMEM ? NULL : cj__json_text(text);
    json_t *value = cj__json_fault(json, &fault);
    cj_fault_clear(&fault);
    return value;
}

static void set_void(struct cj__json *json, json_t *object, bool voided, const char *at,
                     const char *note)
{
    cj__json_set(json, object, "void", json_boolean(voided));
    if (voided) {
        cj__json_set(json, object, "void_at", cj__json_text(at));
        cj__json_set(json, object, "void_note", text_or_null(note));
    }
}

json_t *cj__json_head(struct cj__json *json, const cj_run_head *head)
{
    json_t *object = json_object(), *worst = json_null();
    if (head->worst_step[0] != '\0') {
        worst = json_object();
        cj__json_set(json, worst, "step", cj__json_text(head->worst_step));
        cj__json_set(json, worst, "figure", cj__json_text(head->worst_figure));
        cj__json_set(json, worst, "margin", cj__json_number(head->margin));
    }
    cj__json_set(json, object, "run", cj__json_text(head->uuid));
    cj__json_set(json, object, "unit", cj__json_text(head->unit));
    cj__json_set(json, object, "board", cj__json_text(head->board));
    cj__json_set(json, object, "title", text_or_null(head->title));
    cj__json_set(json, object, "at", cj__json_text(head->at));
    cj__json_set(json, object, "operator", text_or_null(head->operator_name));
    cj__json_set(json, object, "verdict", json_string(cj__verdict_word(head->verdict)));
    cj__json_set(json, object, "worst", worst);
    cj__json_set(json, object, "fault", fault_value(json, head->fault));
    cj__json_set(json, object, "probability", cj__json_number(head->probability));
    cj__json_set(json, object, "retest_of", text_or_null(head->after));
    cj__json_set(json, object, "note", text_or_null(head->note));
    set_void(json, object, head->voided, head->voided_at, head->void_note);
    return object;
}

/* ---- a whole run ---- */

static json_t *limits_value(struct cj__json *json, const cj_run *run)
{
    json_t *list = json_array();
    for (size_t i = 0; i < run->limit_count; i++) {
        const cj_judged *limit = &run->limits[i];
        json_t *object = json_object();
        cj__json_set(json, object, "step", cj__json_text(limit->step));
        cj__json_set(json, object, "figure", cj__json_text(limit->figure));
        if (limit->hz > 0)
            cj__json_set(json, object, "hz", cj__json_number(limit->hz));
        cj__json_set(json, object, "value", cj__json_number(limit->value));
        cj__json_set(json, object, "u", cj__json_number(limit->u));
        if (limit->bound_kind != CJ_BOUND_NONE && isfinite(limit->bound))
            cj__json_set(json, object, limit->bound_kind == CJ_BELOW ? "below" : "above",
                         cj__json_number(limit->bound));
        cj__json_set(json, object, "unit", text_or_null(cj__limit_unit(run, limit)));
        cj__json_set(json, object, "min", cj__json_number(limit->min));
        cj__json_set(json, object, "max", cj__json_number(limit->max));
        cj__json_set(json, object, "from", json_string(limit->derived ? "tolerance" : "board"));
        cj__json_set(json, object, "verdict", json_string(cj__verdict_word(limit->verdict)));
        cj__json_set(json, object, "conforms", cj__json_number(cj_judged_conforms(limit)));
        cj__json_set(json, object, "margin", cj__json_number(limit->margin));
        if (limit->why != NULL)
            cj__json_set(json, object, "why", cj__json_text(limit->why));
        cj__json_append(json, list, object);
    }
    return list;
}

static json_t *figure_value(struct cj__json *json, const cj_logged_figure *logged)
{
    const cj_figure figure = {.unit = logged->unit,
                              .value = logged->value,
                              .u = logged->u,
                              .bound_kind = logged->bound_kind,
                              .bound = logged->bound};
    json_t *object = cj__json_figure(json, &figure);
    if (logged->hz > 0)
        cj__json_set(json, object, "hz", cj__json_number(logged->hz));
    return object;
}

/* What stands under a key that comes from outside, which has to be text; made by `make` where there
 * is nothing yet. */
static json_t *under(struct cj__json *json, json_t *object, const char *key, json_t *(*make)(void))
{
    cj_text clean = {0};
    json_t *value = NULL;
    cj__write_clean(&clean, key);
    if (!clean.failed) {
        value = json_object_get(object, clean.bytes);
        if (value == NULL) {
            cj__json_set(json, object, clean.bytes, make());
            value = json_object_get(object, clean.bytes);
        }
    }
    json->failed = json->failed || value == NULL;
    cj_text_free(&clean);
    return value;
}

/* Points of a response are a list under their figure's name; the step's own figures stand by
 * themselves. */
static void put_figure(struct cj__json *json, json_t *step, const cj_logged_figure *figure)
{
    json_t *value = figure_value(json, figure);
    if (figure->hz > 0) {
        json_t *response = under(json, step, "response", json_object);
        cj__json_append(json, under(json, response, figure->key, json_array), value);
        return;
    }
    json_t *place = under(json, json_object_get(step, "figures"), figure->key, json_object);
    if (json_object_update(place, value) != 0)
        json->failed = true;
    json_decref(value);
}

static json_t *steps_value(struct cj__json *json, const cj_run *run)
{
    json_t *list = json_array(), *by_name = json_object();
    for (size_t i = 0; i < run->figure_count; i++) {
        const cj_logged_figure *figure = &run->figures[i];
        json_t *step = under(json, by_name, figure->step, json_object);
        if (step != NULL && json_object_size(step) == 0) {
            cj__json_set(json, step, "step", cj__json_text(figure->step));
            cj__json_set(json, step, "figures", json_object());
            cj__json_append(json, list, json_incref(step));
        }
        put_figure(json, step, figure);
    }
    json_decref(by_name);
    return list;
}

static json_t *captures_value(struct cj__json *json, const cj_run *run)
{
    json_t *list = json_array();
    for (size_t i = 0; i < run->capture_count; i++) {
        const cj_logged_capture *capture = &run->captures[i];
        json_t *object = json_object();
        cj__json_set(json, object, "step", cj__json_text(capture->step));
        cj__json_set(json, object, "file", cj__json_text(capture->path));
        cj__json_set(json, object, "sha256", cj__json_text(capture->sha256));
        cj__json_set(json, object, "bytes", json_integer((json_int_t)capture->bytes));
        cj__json_set(json, object, "kept", json_boolean(capture->kept));
        cj__json_append(json, list, object);
    }
    return list;
}

json_t *cj__json_run(struct cj__json *json, const cj_run *run)
{
    json_t *object = cj__json_head(json, &run->head);
    cj_lines advice = {0};
    if (cj__undecidable_lines(run, &advice, NULL) != CJ_OK)
        json->failed = true;
    cj__json_set(json, object, "advice", cj__json_lines(json, &advice));
    cj_lines_free(&advice);
    cj__json_set(json, object, "board_sha256", text_or_null(run->board_sha256));
    cj__json_set(json, object, "instruments", text_or_null(run->instruments));
    cj__json_set(json, object, "limits", limits_value(json, run));
    cj__json_set(json, object, "steps", steps_value(json, run));
    cj__json_set(json, object, "findings", cj__stored_findings(run));
    cj__json_set(json, object, "captures", captures_value(json, run));
    return object;
}

json_t *cj__json_repair(struct cj__json *json, const cj_repair *repair)
{
    json_t *object = json_object();
    cj__json_set(json, object, "repair", cj__json_text(repair->uuid));
    cj__json_set(json, object, "unit", cj__json_text(repair->unit));
    cj__json_set(json, object, "board", cj__json_text(repair->board));
    cj__json_set(json, object, "at", cj__json_text(repair->at));
    cj__json_set(json, object, "operator", text_or_null(repair->operator_name));
    cj__json_set(json, object, "fault", fault_value(json, repair->fault));
    cj__json_set(json, object, "words", text_or_null(repair->words));
    cj__json_set(json, object, "note", text_or_null(repair->note));
    cj__json_set(json, object, "retest", text_or_null(repair->retest));
    cj__json_set(json, object, "retest_verdict",
                 repair->retested ? json_string(cj__verdict_word(repair->retest_verdict))
                                  : json_null());
    set_void(json, object, repair->voided, repair->voided_at, repair->void_note);
    return object;
}

/* ---- answers ---- */

/* The keys of `object` into the answer itself. */
static void merge(struct cj__json *json, json_t *object)
{
    if (json_object_update_missing(json->root, object) != 0)
        json->failed = true;
    json_decref(object);
}

cj_status cj_report_added_json(const cj_run *run, const char *log, cj_text *out, cj_error *err)
{
    struct cj__json json;
    cj__json_start(&json, "log add");
    merge(&json, cj__json_run(&json, run));
    cj__json_set(&json, json.root, "log", cj__json_text(log));
    return cj__json_end(&json, out, err);
}

cj_status cj_report_runs_json(const cj_run_head *runs, size_t count, cj_text *out, cj_error *err)
{
    struct cj__json json;
    json_t *list = json_array();
    cj__json_start(&json, "log list");
    for (size_t i = 0; i < count; i++)
        cj__json_append(&json, list, cj__json_head(&json, &runs[i]));
    cj__json_set(&json, json.root, "runs", list);
    return cj__json_end(&json, out, err);
}

cj_status cj_report_unit_json(const cj_unit_history *history, cj_text *out, cj_error *err)
{
    struct cj__json json;
    json_t *runs = json_array(), *repairs = json_array();
    cj__json_start(&json, "log show");
    for (size_t i = 0; i < history->run_count; i++)
        cj__json_append(&json, runs, cj__json_run(&json, history->runs[i]));
    for (size_t i = 0; i < history->repair_count; i++)
        cj__json_append(&json, repairs, cj__json_repair(&json, &history->repairs[i]));
    cj__json_set(&json, json.root, "unit", cj__json_text(history->unit));
    cj__json_set(&json, json.root, "board", cj__json_text(history->board));
    cj__json_set(&json, json.root, "runs", runs);
    cj__json_set(&json, json.root, "repairs", repairs);
    return cj__json_end(&json, out, err);
}

cj_status cj_report_repair_json(const cj_repair *repair, cj_text *out, cj_error *err)
{
    struct cj__json json;
    cj__json_start(&json, "log repair");
    merge(&json, cj__json_repair(&json, repair));
    return cj__json_end(&json, out, err);
}

static int append(const char *bytes, size_t size, void *user)
{
    cj_text_add_n(user, bytes, size);
    return ((cj_text *)user)->failed ? -1 : 0;
}

/* One value on one line, without a newline; frees it. */
static cj_status dump(struct cj__json *json, json_t *value, cj_text *out, cj_error *err)
{
    size_t start = out->length;
    if (json->failed ||
        json_dump_callback(value, append, out, JSON_COMPACT | JSON_REAL_PRECISION(15)) != 0)
        out->failed = true;
    json_decref(value);
    return cj__finish(out, start, err);
}

cj_status cj_report_findings_json(const cj_findings *findings, cj_text *out, cj_error *err)
{
    struct cj__json json = {0};
    return dump(&json, cj__json_findings(&json, findings), out, err);
}

cj_status cj_report_export_json(const cj_run *run, bool first, cj_text *out, cj_error *err)
{
    struct cj__json json = {0};
    size_t start = out->length;
    if (run == NULL) {
        cj_text_add(out, "{\"coldjoint\":\"log export\",\"version\":1,\"runs\":[");
        return cj__finish(out, start, err);
    }
    cj_text_add(out, first ? "\n" : ",\n");
    if (dump(&json, cj__json_run(&json, run), out, err) != CJ_OK)
        out->failed = true;
    return cj__finish(out, start, err);
}

cj_status cj_report_export_json_end(const cj_repair *repairs, size_t count, cj_text *out,
                                    cj_error *err)
{
    struct cj__json json = {0};
    size_t start = out->length;
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++)
        cj__json_append(&json, list, cj__json_repair(&json, &repairs[i]));
    cj_text_add(out, "\n],\"repairs\":");
    if (dump(&json, list, out, err) != CJ_OK)
        out->failed = true;
    cj_text_add(out, "}\n");
    return cj__finish(out, start, err);
}
