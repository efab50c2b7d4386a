/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The instruments file: what the capture chain itself gets wrong. */
#include "figures/instruments.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

#include "base/yaml.h"

void cj_instruments_default(cj_instruments *instruments)
{
    *instruments = (cj_instruments){
        .gain = NAN,
        .match = NAN,
        .skew_s = NAN,
        .offset_v = NAN,
        .noise_v = NAN,
        .full_scale_v = NAN,
        .coupling = CJ_COUPLING_DEFAULT,
    };
}

/* The numbers of `capture:`, and what each has to lie in: from 0 (or above it) to below `most`. */
static const struct number {
    const char *key, *unit;
    size_t offset;
    double most;
    bool above_zero;
    const char *expected;
} numbers[] = {
    {"gain", "", offsetof(cj_instruments, gain), 1, false,
     "a standard uncertainty from 0 to below 100 %, like 1%"},
    {"match", "", offsetof(cj_instruments, match), 1, false,
     "a standard uncertainty from 0 to below 100 %, like 0.5%"},
    {"skew", "s", offsetof(cj_instruments, skew_s), 1, false,
     "a time from 0 to below 1 s, like 20n"},
    {"offset", "V", offsetof(cj_instruments, offset_v), 1000, false,
     "volts from 0 to below 1000, like 5m"},
    {"noise", "V", offsetof(cj_instruments, noise_v), 1000, false,
     "volts RMS from 0 to below 1000, like 0.2m"},
    {"full_scale", "V", offsetof(cj_instruments, full_scale_v), 1e6, true,
     "volts peak above 0, like 5.2"},
};

enum { NUMBER_COUNT = sizeof numbers / sizeof numbers[0] };

static cj_status read_coupling(const cj__yaml *yaml, const cj__yaml_node *node,
                               cj_coupling *coupling, cj_error *err)
{
    const char *text = NULL;
    cj_status status = cj__yaml_text(yaml, node, &text, err);
    if (status != CJ_OK)
        return status;
    bool ac = strcmp(text, "ac") == 0;
    if (!ac && strcmp(text, "dc") != 0)
        return cj__yaml_fail(yaml, node, err, "'%.40s' is no coupling; expected ac or dc", text);
    *coupling = ac ? CJ_COUPLING_AC : CJ_COUPLING_DC;
    return CJ_OK;
}

static cj_status read_number(const cj__yaml *yaml, const cj__yaml_node *node,
                             const struct number *number, double *value, cj_error *err)
{
    cj_status status = cj__yaml_quantity(yaml, node, number->unit, value, err);
    if (status != CJ_OK)
        return status;
    if (*value < 0 || *value >= number->most || (number->above_zero && *value <= 0))
        return cj__yaml_fail(yaml, node, err, "'%.40s' given for %s; expected %s", node->text,
                             number->key, number->expected);
    return CJ_OK;
}

static cj_status read_capture(const cj__yaml *yaml, const cj__yaml_node *map, cj_instruments *out,
                              cj_error *err)
{
    const char *keys[NUMBER_COUNT + 2] = {"coupling"};
    for (size_t i = 0; i < NUMBER_COUNT; i++)
        keys[i + 1] = numbers[i].key;
    cj_status status = cj__yaml_keys(yaml, map, keys, "capture", err);
    const cj__yaml_node *node = cj__yaml_get(map, "coupling");
    if (status == CJ_OK && node != NULL)
        status = read_coupling(yaml, node, &out->coupling, err);
    for (size_t i = 0; status == CJ_OK && i < NUMBER_COUNT; i++) {
        node = cj__yaml_get(map, numbers[i].key);
        if (node != NULL)
            status = read_number(yaml, node, &numbers[i],
                                 (double *)((char *)out + numbers[i].offset), err);
    }
    return status;
}

static cj_status read_name(const cj__yaml *yaml, const cj__yaml_node *node, cj_instruments *out,
                           cj_error *err)
{
    const char *text = NULL;
    cj_status status = cj__yaml_text(yaml, node, &text, err);
    if (status != CJ_OK)
        return status;
    if (strlen(text) >= sizeof out->name)
        return cj__yaml_fail(yaml, node, err,
                             "the name is longer than %zu bytes; expected a short one",
                             sizeof out->name - 1);
    memcpy(out->name, text, strlen(text) + 1);
    return CJ_OK;
}

static cj_status read_tree(const cj__yaml *yaml, cj_instruments *out, cj_error *err)
{
    static const char *const keys[] = {"instruments", "capture", NULL};
    cj_instruments made;
    cj_instruments_default(&made);
    cj_status status = cj__yaml_keys(yaml, yaml->root, keys, "an instruments file", err);
    if (status != CJ_OK)
        return status;
    const cj__yaml_node *name = cj__yaml_get(yaml->root, "instruments");
    const cj__yaml_node *capture = cj__yaml_get(yaml->root, "capture");
    if (name != NULL)
        status = read_name(yaml, name, &made, err);
    if (status == CJ_OK && capture != NULL)
        status = read_capture(yaml, capture, &made, err);
    if (status == CJ_OK)
        *out = made;
    return status;
}

cj_status cj__instruments_read_text(const char *name, const char *text, size_t length,
                                    cj_instruments *out, cj_error *err)
{
    cj__yaml *yaml = NULL;
    cj_status status = cj__yaml_read_text(name, text, length, &yaml, err);
    if (status == CJ_OK)
        status = read_tree(yaml, out, err);
    cj__yaml_free(yaml);
    return status;
}

cj_status cj_instruments_read(const char *path, cj_instruments *out, cj_error *err)
{
    cj__yaml *yaml = NULL;
    cj_status status = cj__yaml_read(path, &yaml, err);
    if (status == CJ_OK)
        status = read_tree(yaml, out, err);
    cj__yaml_free(yaml);
    return status;
}
