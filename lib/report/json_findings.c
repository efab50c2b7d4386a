/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/json.h"
#include "report/internal.h"

#include <math.h>

/* Fields that do not apply are left out; `part` of an outside fault is null. */
static json_t *single_fault(struct cj__json *json, const cj_fault *fault)
{
    json_t *object = json_object();
    cj__json_set(json, object, "fault", cj__json_text(cj_fault_word(fault->kind)));
    cj__json_set(json, object, "part", cj__json_text(fault->part[0] ? fault->part : NULL));
    if (fault->pin > 0)
        cj__json_set(json, object, "pin", json_integer(fault->pin));
    if (fault->pin2 > 0)
        cj__json_set(json, object, "pin2", json_integer(fault->pin2));
    const struct {
        const char *key, *text;
    } words[] = {{"nearest", fault->nearest},
                 {"other", fault->other},
                 {"rail", fault->rail},
                 {"figure", fault->figure},
                 {"role", fault->role}};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (words[i].text[0])
            cj__json_set(json, object, words[i].key, cj__json_text(words[i].text));
    if (fault->kind == CJ_FAULT_WRONG_VALUE) {
        cj__json_set(json, object, "value", cj__json_number(fault->value));
        cj__json_set(json, object, "low", cj__json_number(fault->low));
        cj__json_set(json, object, "high", cj__json_number(fault->high));
    }
    return object;
}

json_t *cj__json_fault(struct cj__json *json, const cj_fault *fault)
{
    if (fault->with == NULL)
        return single_fault(json, fault);
    json_t *object = json_object(), *list = json_array();
    for (const cj_fault *one = fault; one != NULL; one = one->with)
        cj__json_append(json, list, single_fault(json, one));
    cj__json_set(json, object, "together", list);
    return object;
}

json_t *cj__json_faults(struct cj__json *json, const cj_fault *faults, size_t count)
{
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++)
        cj__json_append(json, list, cj__json_fault(json, &faults[i]));
    return list;
}

/* A figure, a word, or {"low", "high", "unit"} (null: open); null where nothing is known. */
static json_t *reading_value(struct cj__json *json, const cj_reading *reading)
{
    bool range = !isnan(reading->low) || !isnan(reading->high);
    if (!reading->word[0] && !isfinite(reading->value) && !range)
        return json_null();
    json_t *object = json_object();
    if (reading->word[0]) {
        cj__json_set(json, object, "value", cj__json_text(reading->word));
        return object;
    }
    if (isfinite(reading->value)) {
        cj__json_set(json, object, "value", json_real(reading->value));
        cj__json_set(json, object, "u", cj__json_number(reading->u));
    }
    if (range) {
        cj__json_set(json, object, "low", cj__json_number(reading->low));
        cj__json_set(json, object, "high", cj__json_number(reading->high));
    }
    cj__json_set(json, object, "unit", cj__json_text(reading->unit ? reading->unit : "?"));
    return object;
}

static json_t *evidence_value(struct cj__json *json, const cj_evidence *evidence)
{
    json_t *object = json_object();
    cj__json_set(json, object, "step", cj__json_text(evidence->step[0] ? evidence->step : NULL));
    cj__json_set(json, object, "figure", cj__json_text(evidence->figure));
    if (evidence->hz > 0)
        cj__json_set(json, object, "hz", json_real(evidence->hz));
    cj__json_set(json, object, "measured", reading_value(json, &evidence->measured));
    cj__json_set(json, object, "expected", reading_value(json, &evidence->expected));
    cj__json_set(json, object, "healthy", reading_value(json, &evidence->healthy));
    return object;
}

static json_t *finding_value(struct cj__json *json, const cj_finding *finding)
{
    json_t *object = json_object(), *evidence = json_array();
    for (size_t i = 0; i < finding->evidence_count; i++)
        cj__json_append(json, evidence, evidence_value(json, &finding->evidence[i]));
    cj__json_set(json, object, "rank", json_integer(finding->rank));
    cj__json_set(json, object, "probability", cj__json_number(finding->probability));
    cj__json_set(json, object, "faults",
                 cj__json_faults(json, finding->faults, finding->fault_count));
    cj__json_set(json, object, "says", cj__json_text(finding->says));
    cj__json_set(json, object, "evidence", evidence);
    cj__json_set(json, object, "check", cj__json_text(finding->check));
    if (finding->caution != NULL)
        cj__json_set(json, object, "caution", cj__json_text(finding->caution));
    cj__json_set(json, object, "from", cj__json_text(finding->from));
    if (finding->rule[0])
        cj__json_set(json, object, "rule", cj__json_text(finding->rule));
    return object;
}

json_t *cj__json_findings(struct cj__json *json, const cj_findings *findings)
{
    json_t *list = json_array();
    for (size_t i = 0; findings != NULL && i < findings->count; i++)
        cj__json_append(json, list, finding_value(json, &findings->items[i]));
    return list;
}
