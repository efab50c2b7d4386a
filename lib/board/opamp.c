/* SPDX-License-Identifier: GPL-3.0-or-later */
/* An op-amp of the board file: type, figures beside it, pins of its sections. */
#include "board/internal.h"

#include <stddef.h>
#include <stdio.h>
#include <string.h>

const char *const cj__opamp_keys[] = {"ref",   "kind",   "type",  "pins",   "sections",
                                      "gbw",   "slew",   "gain",  "offset", "bias",
                                      "swing", "output", "input", NULL};

/* Figures that can stand beside the type. Those an ideal op-amp is free of end its being one. */
static const struct figure {
    const char *key;
    cj__range range;
    size_t offset;
    double factor;
    bool ends_ideal;
} figures[] = {
    {"gbw", {"Hz", 1e3, 1e12, "a frequency from 1k to 1T Hz"}, offsetof(cj_opamp, gbw_hz), 1, true},
    {"slew",
     {"V/s", 1e2, 1e12, "volts per second from 100 to 1T, like 13M for 13 V/us"},
     offsetof(cj_opamp, slew_v_per_s),
     1,
     true},
    {"gain", {"", 10, 1e9, "a gain (V/V) from 10 to 1G"}, offsetof(cj_opamp, gain), 1, true},
    {"offset",
     {"V", 0, 1, "the typical input offset from 0 to 1 V"},
     offsetof(cj_opamp, offset_v),
     1 / CJ__TYPICAL_OFFSET,
     true},
    {"bias",
     {"A", 0, 1e-3, "the typical input bias current from 0 to 1m A"},
     offsetof(cj_opamp, bias_a),
     1,
     true},
    {"swing",
     {"V", 0, 100, "volts short of the rail from 0 to 100"},
     offsetof(cj_opamp, swing_v),
     1,
     false},
    {"output",
     {"ohm", 1e-3, 1e6, "a resistance from 1m to 1M ohm"},
     offsetof(cj_opamp, output_ohm),
     1,
     false},
    {"input",
     {"ohm", 1e3, 1e15, "a resistance from 1k to 1e15 ohm"},
     offsetof(cj_opamp, input_ohm),
     1,
     false},
};

static const cj__opamp_type *find_type(cj__reader *reader, const cj__yaml_node *node)
{
    const char *known[64], *text = NULL;
    size_t count = 0;
    if (node == NULL || !cj__text_of(reader, node, &text))
        return NULL;
    for (const cj__opamp_type *type = cj__opamp_types; type->figures.type[0]; type++) {
        if (cj__same_letters(type->figures.type, text))
            return type;
        if (count < 63)
            known[count++] = type->figures.type;
    }
    known[count] = NULL;
    cj__hint hint = cj__meant(text, known,
                              "; expected a type of the parts table, like TL072, or "
                              "ideal with figures beside it");
    cj__wrong(reader, node, "unknown op-amp '%.40s'%s", text, hint.text);
    return NULL;
}

/* ---- pins ---- */

static const cj_section bare = {1, 2, 3, 0, 0};
static const cj_section single = {6, 2, 3, 7, 4};
static const cj_section dual[2] = {{1, 2, 3, 8, 4}, {7, 6, 5, 8, 4}};
static const cj_section quad[4] = {
    {1, 2, 3, 4, 11}, {7, 6, 5, 4, 11}, {8, 9, 10, 4, 11}, {14, 13, 12, 4, 11}};

static bool set_sections(cj_part *part, int sections)
{
    size_t pins = part->pin_count;
    if (pins == 3 && sections <= 1) {
        part->section_count = 1;
        part->sections[0] = bare;
    } else if (pins == 8 && sections == 1) {
        part->section_count = 1;
        part->sections[0] = single;
    } else if (pins == 8 && (sections == 2 || sections == 0)) {
        part->section_count = 2;
        memcpy(part->sections, dual, sizeof dual);
    } else if (pins == 14 && (sections == 4 || sections == 0)) {
        part->section_count = 4;
        memcpy(part->sections, quad, sizeof quad);
    }
    return part->section_count > 0;
}

static void read_sections(cj__reader *reader, const cj__yaml_node *map, cj_part *part,
                          const cj__opamp_type *type)
{
    static const char *const words[] = {"1", "2", "4", NULL};
    static const char *const wanted[] = {"3 (a bare section), 8 (a dual) or 14 (a quad)",
                                         "3 (a bare section) or 8 (a single)", "8 (a dual)", NULL,
                                         "14 (a quad)"};
    const cj__yaml_node *given = cj__yaml_get(map, "sections");
    const cj__yaml_node *pins = cj__yaml_get(map, "pins");
    int word = -1, sections = type->sections;
    if (given != NULL) {
        if (!cj__word(reader, given, words, &word))
            return;
        sections = word == 2 ? 4 : word + 1;
    } else if (part->pin_count == 3) {
        sections = 1; /* one section of whatever package, drawn alone */
    }
    if (!set_sections(part, sections) && pins != NULL)
        cj__wrong(reader, pins, "%zu pins given for %s; expected %s%s", part->pin_count,
                  part->opamp.type, wanted[sections],
                  sections > 1 && given == NULL ? ", or 3 (a bare section)" : "");
}

void cj__read_opamp(cj__reader *reader, const cj__yaml_node *map, cj_part *part)
{
    const cj__opamp_type *type = find_type(reader, cj__need(reader, map, "type", "an op-amp"));
    if (type == NULL)
        return;
    part->opamp = type->figures;
    for (size_t i = 0; i < sizeof figures / sizeof figures[0]; i++) {
        const struct figure *figure = &figures[i];
        double value = 0;
        if (cj__yaml_get(map, figure->key) == NULL ||
            !cj__number_at(reader, map, figure->key, &figure->range, &value))
            continue;
        value *= figure->factor;
        memcpy((char *)&part->opamp + figure->offset, &value, sizeof value);
        if (figure->ends_ideal)
            part->opamp.ideal = false;
    }
    if (part->pin_count > 0)
        read_sections(reader, map, part, type);
}
