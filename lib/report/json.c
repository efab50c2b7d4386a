/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/json.h"
#include "report/internal.h"

#include <math.h>
#include <string.h>

void cj__json_set(struct cj__json *json, json_t *object, const char *key, json_t *value)
{
    /* json_object_set_new takes value over in every case, NULL included */
    if (json_object_set_new(object, key, value) != 0)
        json->failed = true;
}

void cj__json_append(struct cj__json *json, json_t *list, json_t *value)
{
    if (json_array_append_new(list, value) != 0)
        json->failed = true;
}

json_t *cj__json_text(const char *text)
{
    if (text == NULL)
        return json_null();
    cj_text clean = {0};
    cj__write_clean(&clean, text);
    json_t *value = clean.failed ? NULL : json_stringn(clean.bytes, clean.length);
    cj_text_free(&clean);
    return value;
}

json_t *cj__json_number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

void cj__json_start(struct cj__json *json, const char *kind)
{
    *json = (struct cj__json){.root = json_object()};
    cj__json_set(json, json->root, "coldjoint", json_string(kind));
    cj__json_set(json, json->root, "version", json_integer(1));
}

static int append(const char *bytes, size_t size, void *user)
{
    cj_text *out = user;
    cj_text_add_n(out, bytes, size);
    return out->failed ? -1 : 0;
}

cj_status cj__json_end(struct cj__json *json, cj_text *out, cj_error *err)
{
    size_t start = out->length;
    /* 15 digits: every decimal number of a file comes back as it stood there, 0.1 and not
     * 0.10000000000000001 */
    if (json->failed ||
        json_dump_callback(json->root, append, out, JSON_INDENT(2) | JSON_REAL_PRECISION(15)) != 0)
        out->failed = true;
    cj_text_add(out, "\n");
    json_decref(json->root);
    json->root = NULL;
    return cj__finish(out, start, err);
}

static const char *unit_of(const char *unit)
{
    return unit != NULL ? unit : "?";
}

static void set_bound(struct cj__json *json, json_t *object, const cj_figure *figure)
{
    if (figure->bound_kind == CJ_BOUND_NONE || !isfinite(figure->bound))
        return;
    cj__json_set(json, object, figure->bound_kind == CJ_BELOW ? "below" : "above",
                 json_real(figure->bound));
    cj__json_set(json, object, "unit", cj__json_text(unit_of(figure->unit)));
}

json_t *cj__json_figure(struct cj__json *json, const cj_figure *figure)
{
    json_t *object = json_object();
    if (figure->word != NULL) {
        cj__json_set(json, object, "value", cj__json_text(figure->word));
    } else if (isfinite(figure->value)) {
        cj__json_set(json, object, "value", json_real(figure->value));
        cj__json_set(json, object, "u", cj__json_number(figure->u));
        cj__json_set(json, object, "unit", cj__json_text(unit_of(figure->unit)));
    } else {
        cj__json_set(json, object, "value", json_null());
        cj__json_set(json, object, "why",
                     cj__json_text(figure->why[0] ? figure->why : "it could not be worked out"));
        set_bound(json, object, figure);
    }
    return object;
}

json_t *cj__json_figures(struct cj__json *json, const cj_figure_set *set)
{
    json_t *object = json_object();
    for (size_t i = 0; i < set->count; i++)
        cj__json_set(json, object, set->items[i].name, cj__json_figure(json, &set->items[i]));
    return object;
}

json_t *cj__json_lines(struct cj__json *json, const cj_lines *lines)
{
    json_t *list = json_array();
    for (size_t i = 0; lines != NULL && i < lines->count; i++)
        cj__json_append(json, list, cj__json_text(lines->items[i]));
    return list;
}

/* One digest is text, those of FILE+FILE are a list. */
static json_t *digests_value(struct cj__json *json, const cj_digests *digests)
{
    if (digests->count == 1)
        return json_string(digests->hex[0]);
    json_t *list = json_array();
    for (int i = 0; i < digests->count; i++)
        cj__json_append(json, list, json_string(digests->hex[i]));
    return list;
}

json_t *cj__json_capture(struct cj__json *json, const cj_measurement *measurement,
                         const cj_digests *digests)
{
    const cj_capture_info *capture = measurement->capture;
    json_t *object = json_object();
    cj__json_set(json, object, "file", cj__json_text(capture->name));
    cj__json_set(json, object, "kind",
                 json_string(capture->kind == CJ_KIND_AUDIO ? "audio" : "scope"));
    cj__json_set(json, object, "rate_hz",
                 capture->rate_hz > 0 ? json_real(capture->rate_hz) : json_null());
    cj__json_set(json, object, "samples", json_integer((json_int_t)capture->samples));
    cj__json_set(json, object, "channels", json_integer(capture->channel_count));
    cj__json_set(json, object, "coupling",
                 json_string(capture->coupling == CJ_COUPLING_AC ? "ac" : "dc"));
    if (digests != NULL && digests->count > 0)
        cj__json_set(json, object, "sha256", digests_value(json, digests));
    cj__json_set(json, object, "notes", cj__json_lines(json, capture->notes));
    cj__json_set(json, object, "advice", cj__json_lines(json, &measurement->advice));
    return object;
}

/* When the signal was lost, and for how long. */
static json_t *losses_value(struct cj__json *json, const cj_measurement *measurement, int channel)
{
    json_t *list = json_array();
    for (size_t i = 0; i < measurement->loss_count[channel]; i++) {
        const cj_loss *loss = &measurement->losses[channel][i];
        json_t *object = json_object();
        cj__json_set(json, object, "at_s", cj__json_number(loss->at_s));
        cj__json_set(json, object, "seconds", cj__json_number(loss->seconds));
        cj__json_append(json, list, object);
    }
    return list;
}

json_t *cj__json_channels(struct cj__json *json, const cj_measurement *measurement)
{
    const cj_capture_info *capture = measurement->capture;
    json_t *list = json_array();
    for (int i = 0; i < measurement->channel_count; i++) {
        const cj_channel_info *channel = &capture->channels[capture->selected[i]];
        json_t *object = json_object();
        cj__json_set(json, object, "channel", json_integer(capture->selected[i] + 1));
        cj__json_set(json, object, "name", cj__json_text(channel->name));
        cj__json_set(json, object, "unit", cj__json_text(unit_of(channel->unit)));
        cj__json_set(json, object, "figures", cj__json_figures(json, &measurement->channel[i]));
        if (measurement->loss_count[i] > 0)
            cj__json_set(json, object, "losses", losses_value(json, measurement, i));
        cj__json_append(json, list, object);
    }
    return list;
}

static json_t *pair_value(struct cj__json *json, const cj_figure_set *pair)
{
    json_t *object = json_object();
    cj__json_set(json, object, "figures", cj__json_figures(json, pair));
    return object;
}

cj_status cj_report_measure_json(const cj_measurement *measurement, const cj_digests *digests,
                                 cj_text *out, cj_error *err)
{
    struct cj__json json;
    cj__json_start(&json, "measure");
    cj__json_set(&json, json.root, "capture", cj__json_capture(&json, measurement, digests));
    cj__json_set(&json, json.root, "channels", cj__json_channels(&json, measurement));
    cj__json_set(&json, json.root, "pair", pair_value(&json, &measurement->pair));
    if (measurement->response != NULL)
        cj__json_set(&json, json.root, "response", cj__json_response(&json, measurement->response));
    return cj__json_end(&json, out, err);
}

void cj__json_set_findings(struct cj__json *json, const cj_findings *findings)
{
    cj__json_set(json, json->root, "findings", cj__json_findings(json, findings));
    cj__json_set(json, json->root, "unexplained",
                 findings != NULL ? cj__json_number(findings->unexplained) : json_null());
    if (findings != NULL && cj__findings_touch(findings))
        cj__json_set(json, json->root, "caution", json_string(cj__caution));
    if (findings != NULL && findings->explained.count > 0)
        cj__json_set(json, json->root, "explained", cj__json_lines(json, &findings->explained));
}

cj_status cj_report_compare_json(const cj_comparison *comparison, const cj_findings *findings,
                                 const cj_digests digests[2], cj_text *out, cj_error *err)
{
    static const char *const matches[] = {
        [CJ_MATCH] = "match", [CJ_DIFFER] = "differ", [CJ_UNDECIDED] = "undecided"};
    struct cj__json json;
    cj__json_start(&json, "compare");
    json_t *captures = json_array();
    for (int i = 0; i < 2 && comparison->captures[i] != NULL; i++) {
        json_t *capture =
            cj__json_capture(&json, comparison->captures[i], digests ? &digests[i] : NULL);
        cj__json_set(&json, capture, "selected", cj__json_channels(&json, comparison->captures[i]));
        cj__json_append(&json, captures, capture);
    }
    cj__json_set(&json, json.root, "captures", captures);
    cj__json_set(&json, json.root, "pair", pair_value(&json, &comparison->pair));
    if (comparison->response != NULL)
        cj__json_set(&json, json.root, "response", cj__json_response(&json, comparison->response));
    cj__json_set(&json, json.root, "match", json_string(matches[comparison->match]));
    cj__json_set(&json, json.root, "why", cj__json_text(comparison->why));
    cj__json_set_findings(&json, findings);
    return cj__json_end(&json, out, err);
}

cj_status cj_report_scale_json(const cj_measurement *measurement, const cj_digests *digests,
                               const cj_scale *scale, cj_text *out, cj_error *err)
{
    const cj_figure full = {
        .name = "full_scale_v", .unit = "V", .value = scale->full_scale_v, .u = scale->u};
    const cj_figure reads = {.name = "reads_v", .unit = "V", .value = scale->reads_v, .u = NAN};
    struct cj__json json;
    cj__json_start(&json, "scale");
    cj__json_set(&json, json.root, "capture", cj__json_capture(&json, measurement, digests));
    cj__json_set(&json, json.root, "reads_v", cj__json_figure(&json, &reads));
    cj__json_set(&json, json.root, "full_scale_v", cj__json_figure(&json, &full));
    return cj__json_end(&json, out, err);
}
