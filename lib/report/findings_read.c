/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Findings back from the JSON a log keeps (json_findings.c wrote it). */
#include "report/page.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

static double number_of(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    return json_is_number(value) ? json_number_value(value) : NAN;
}

static const char *text_of(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));
    return text != NULL ? text : "";
}

static void copy_text(char *to, size_t size, const json_t *object, const char *key)
{
    const char *text = text_of(object, key);
    size_t length = strlen(text) < size ? strlen(text) : size - 1;
    memcpy(to, text, length);
    to[length] = '\0';
}

static int pin_of(const json_t *object, const char *key)
{
    double value = number_of(object, key);
    return value >= 1 && value <= 10000 ? (int)value : 0;
}

static bool kind_of(const char *word, cj_fault_kind *kind)
{
    for (int k = 0; k <= CJ_FAULT_OUTSIDE; k++)
        if (strcmp(cj_fault_word((cj_fault_kind)k), word) == 0) {
            *kind = (cj_fault_kind)k;
            return true;
        }
    return false;
}

static bool read_single(const json_t *object, cj_fault *fault)
{
    cj_fault_kind kind;
    if (!kind_of(text_of(object, "fault"), &kind))
        return false;
    *fault = cj_fault_none(kind);
    copy_text(fault->part, sizeof fault->part, object, "part");
    copy_text(fault->nearest, sizeof fault->nearest, object, "nearest");
    copy_text(fault->other, sizeof fault->other, object, "other");
    copy_text(fault->rail, sizeof fault->rail, object, "rail");
    copy_text(fault->figure, sizeof fault->figure, object, "figure");
    copy_text(fault->role, sizeof fault->role, object, "role");
    fault->pin = pin_of(object, "pin");
    fault->pin2 = pin_of(object, "pin2");
    fault->value = number_of(object, "value");
    fault->low = number_of(object, "low");
    fault->high = number_of(object, "high");
    return true;
}

/* A fault, or the first of two at once with the other behind it. */
static bool read_fault(const json_t *object, cj_fault *fault)
{
    const json_t *list = json_object_get(object, "together");
    if (list == NULL)
        return read_single(object, fault);
    if (json_array_size(list) == 0 || !read_single(json_array_get(list, 0), fault))
        return false;
    cj_fault second;
    if (json_array_size(list) > 1 && read_single(json_array_get(list, 1), &second)) {
        fault->with = cj_new(1, sizeof *fault->with);
        if (fault->with == NULL)
            return false;
        *fault->with = second;
    }
    return true;
}

/* The unit's own name: readings borrow theirs, and the JSON goes. */
static const char *unit_of(const char *text)
{
    static const char *const units[] = {"V", "dB",  "deg", "%",   "Hz",     "s", "ohm",
                                        "A", "V/V", "FS",  "V/s", "V/rtHz", "1"};
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++)
        if (strcmp(units[i], text) == 0)
            return units[i];
    return "";
}

static cj_reading read_reading(const json_t *object)
{
    cj_reading reading = {.value = number_of(object, "value"),
                          .u = number_of(object, "u"),
                          .low = number_of(object, "low"),
                          .high = number_of(object, "high"),
                          .unit = unit_of(text_of(object, "unit"))};
    copy_text(reading.word, sizeof reading.word, object, "value");
    if (json_object_get(object, "low") != NULL && isnan(reading.low)) /* null: open */
        reading.low = -INFINITY;
    if (json_object_get(object, "high") != NULL && isnan(reading.high))
        reading.high = INFINITY;
    return reading;
}

static bool read_evidence(const json_t *list, cj_finding *finding)
{
    size_t count = json_array_size(list);
    finding->evidence = cj_new(count + 1, sizeof *finding->evidence);
    for (size_t i = 0; finding->evidence != NULL && i < count; i++) {
        const json_t *object = json_array_get(list, i);
        cj_evidence *evidence = &finding->evidence[finding->evidence_count++];
        double hz = number_of(object, "hz");
        copy_text(evidence->step, sizeof evidence->step, object, "step");
        copy_text(evidence->figure, sizeof evidence->figure, object, "figure");
        evidence->measured = read_reading(json_object_get(object, "measured"));
        evidence->expected = read_reading(json_object_get(object, "expected"));
        evidence->healthy = read_reading(json_object_get(object, "healthy"));
        evidence->hz = hz > 0 ? hz : 0;
    }
    return finding->evidence != NULL;
}

static bool read_finding(const json_t *object, cj_finding *finding)
{
    const json_t *faults = json_object_get(object, "faults");
    double probability = number_of(object, "probability");
    const char *check = json_string_value(json_object_get(object, "check"));
    const char *caution = json_string_value(json_object_get(object, "caution"));
    *finding = (cj_finding){.rank = pin_of(object, "rank"),
                            .probability = probability >= 0 ? probability : 0,
                            .from = strcmp(text_of(object, "from"), "rules") ? "board" : "rules",
                            .touches_board = true};
    copy_text(finding->rule, sizeof finding->rule, object, "rule");
    finding->says = cj_copy_text(text_of(object, "says"));
    finding->check = cj_copy_text(check);
    finding->caution = cj_copy_text(caution);
    finding->faults = cj_new(json_array_size(faults) + 1, sizeof *finding->faults);
    if (finding->says == NULL || (check != NULL && finding->check == NULL) ||
        finding->faults == NULL || (caution != NULL && finding->caution == NULL))
        return false;
    for (size_t i = 0; i < json_array_size(faults); i++)
        if (read_fault(json_array_get(faults, i), &finding->faults[finding->fault_count]))
            finding->fault_count++;
    return read_evidence(json_object_get(object, "evidence"), finding);
}

cj_status cj__findings_read(const char *json, cj_findings **out, cj_error *err)
{
    json_error_t why;
    json_t *list = json_loads(json, 0, &why);
    cj_findings *findings = cj_new(1, sizeof *findings);
    cj_status status = findings == NULL ? cj_fail_memory(err) : CJ_OK;
    if (status == CJ_OK && !json_is_array(list))
        status = cj_fail(err, CJ_DATA, NULL, 0, 0, "the findings in the log are no list: %s",
                         list == NULL ? why.text : "a list was expected");
    for (size_t i = 0; status == CJ_OK && i < json_array_size(list); i++) {
        if (!cj_reserve((void **)&findings->items, &findings->capacity, findings->count,
                        sizeof *findings->items) ||
            !read_finding(json_array_get(list, i), &findings->items[findings->count++]))
            status = cj_fail_memory(err);
    }
    json_decref(list);
    if (status == CJ_OK)
        *out = findings;
    else
        cj_findings_free(findings);
    return status;
}
