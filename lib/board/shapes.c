/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a step drives its input with. */
#include "board/internal.h"

#include <string.h>

const char *const cj__shape_keys[] = {"tone",    "sweep", "two-tone", "square",
                                      "stepped", "noise", NULL};

static const cj__range hz_range = {"Hz", 0.01, 1e7, "a frequency from 0.01 to 10M Hz"};
static const cj__range peak_range = {"V", 1e-6, 1000, "volts peak from 1u to 1000"};
static const cj__range seconds_range = {"s", 1e-4, 3600, "seconds from 0.0001 to 3600"};

const cj__yaml_node *cj__shape_of(cj__reader *reader, const cj__yaml_node *map, cj_step *step)
{
    const cj__yaml_node *shape = NULL;
    for (int i = 0; cj__shape_keys[i] != NULL; i++) {
        const cj__yaml_node *node = cj__yaml_get(map, cj__shape_keys[i]);
        if (node != NULL && shape != NULL)
            cj__wrong_key(reader, node, "'%s' stands beside '%s'; expected one of them", node->key,
                          shape->key);
        if (node != NULL && shape == NULL) {
            shape = node;
            step->shape = (cj_shape)(CJ_TONE + i);
        }
    }
    return shape;
}

static void read_tone(cj__reader *reader, const cj__yaml_node *map, cj_step *step)
{
    static const char *const keys[] = {"hz", "peak", NULL};
    const char *what = step->shape == CJ_TONE ? "a tone" : "a square";
    if (!cj__is(reader, map, CJ__YAML_MAP, what))
        return;
    cj__keys(reader, map, keys, what);
    cj__number_needed(reader, map, "hz", &hz_range, what, &step->hz[0]);
    cj__number_needed(reader, map, "peak", &peak_range, what, &step->peak[0]);
}

static void read_sweep(cj__reader *reader, const cj__yaml_node *map, cj_step *step)
{
    static const char *const keys[] = {"from", "to", "seconds", "peak", NULL};
    if (!cj__is(reader, map, CJ__YAML_MAP, "a sweep"))
        return;
    cj__keys(reader, map, keys, "a sweep");
    bool from = cj__number_needed(reader, map, "from", &hz_range, "a sweep", &step->from);
    bool to = cj__number_needed(reader, map, "to", &hz_range, "a sweep", &step->to);
    if (from && to && !(step->from < step->to))
        cj__wrong(reader, cj__yaml_get(map, "to"),
                  "the sweep ends at '%.40s'; expected a frequency above the one it begins at",
                  cj__yaml_get(map, "to")->text);
    cj__number_needed(reader, map, "seconds", &seconds_range, "a sweep", &step->seconds);
    cj__number_needed(reader, map, "peak", &peak_range, "a sweep", &step->peak[0]);
}

static bool read_pair(cj__reader *reader, const cj__yaml_node *map, const char *key,
                      const cj__range *range, double pair[2])
{
    const cj__yaml_node *list = cj__need(reader, map, key, "a two-tone");
    if (list == NULL || !cj__is(reader, list, CJ__YAML_LIST, key))
        return false;
    if (list->count != 2) {
        cj__wrong(reader, list, "%zu given for %s of a two-tone; expected two, like [60, 7000]",
                  list->count, key);
        return false;
    }
    bool first = cj__number(reader, list->child, range, &pair[0]);
    return cj__number(reader, list->child->next, range, &pair[1]) && first;
}

static void read_two_tone(cj__reader *reader, const cj__yaml_node *map, cj_step *step)
{
    static const char *const keys[] = {"hz", "peak", NULL};
    if (!cj__is(reader, map, CJ__YAML_MAP, "a two-tone"))
        return;
    cj__keys(reader, map, keys, "a two-tone");
    if (read_pair(reader, map, "hz", &hz_range, step->hz) && step->hz[0] == step->hz[1])
        cj__wrong(reader, cj__yaml_get(map, "hz"),
                  "both tones have one frequency; expected two, like [60, 7000]");
    read_pair(reader, map, "peak", &peak_range, step->peak);
}

static void read_stepped(cj__reader *reader, const cj__yaml_node *map, cj_step *step)
{
    static const char *const keys[] = {"hz", "from", "to", "steps", "seconds", NULL};
    static const int levels[2] = {2, 1000};
    if (!cj__is(reader, map, CJ__YAML_MAP, "a stepped tone"))
        return;
    cj__keys(reader, map, keys, "a stepped tone");
    cj__number_needed(reader, map, "hz", &hz_range, "a stepped tone", &step->hz[0]);
    bool from = cj__number_needed(reader, map, "from", &peak_range, "a stepped tone", &step->from);
    bool to = cj__number_needed(reader, map, "to", &peak_range, "a stepped tone", &step->to);
    if (from && to && step->from == step->to)
        cj__wrong(reader, cj__yaml_get(map, "to"),
                  "the levels end where they begin; expected another level");
    const cj__yaml_node *steps = cj__need(reader, map, "steps", "a stepped tone");
    if (steps != NULL)
        cj__count(reader, steps, "steps", levels, &step->level_steps);
    cj__number_needed(reader, map, "seconds", &seconds_range, "a stepped tone", &step->seconds);
    step->peak[0] = step->from > step->to ? step->from : step->to;
}

static void read_noise(cj__reader *reader, const cj__yaml_node *map, cj_step *step)
{
    static const char *const keys[] = {"rms", "colour", "seconds", NULL};
    static const char *const colours[] = {"white", "pink", NULL};
    static const cj__range rms = {"V", 1e-6, 1000, "volts RMS from 1u to 1000"};
    int colour = 0;
    if (!cj__is(reader, map, CJ__YAML_MAP, "noise"))
        return;
    cj__keys(reader, map, keys, "noise");
    cj__number_needed(reader, map, "rms", &rms, "noise", &step->rms);
    const cj__yaml_node *node = cj__need(reader, map, "colour", "noise");
    if (node != NULL)
        cj__word(reader, node, colours, &colour);
    step->pink = colour == 1;
    cj__number_needed(reader, map, "seconds", &seconds_range, "noise", &step->seconds);
}

void cj__read_shape(cj__reader *reader, const cj__yaml_node *node, cj_step *step)
{
    switch (step->shape) {
    case CJ_TONE:
    case CJ_SQUARE:
        read_tone(reader, node, step);
        break;
    case CJ_SWEEP:
        read_sweep(reader, node, step);
        break;
    case CJ_TWO_TONE:
        read_two_tone(reader, node, step);
        break;
    case CJ_STEPPED:
        read_stepped(reader, node, step);
        break;
    case CJ_NOISE:
        read_noise(reader, node, step);
        break;
    case CJ_QUIET:
        break;
    }
}
