/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A switch: its positions, and the pins each of them joins. */
#include "board/internal.h"

#include <string.h>

static bool read_positions(cj__reader *reader, const cj__yaml_node *list, cj_part *part)
{
    static const cj__naming naming = {"a position", "_-.+", sizeof part->positions->name};
    long before = reader->wrong;
    if (list == NULL || !cj__is(reader, list, CJ__YAML_LIST, "the list of positions"))
        return false;
    if (list->count == 0 || list->count > CJ__SWITCH_POSITIONS) {
        cj__wrong(reader, list, "%zu positions given; expected 1 to %d", list->count,
                  CJ__SWITCH_POSITIONS);
        return false;
    }
    part->positions = cj_new(list->count, sizeof *part->positions);
    if (part->positions == NULL) {
        reader->memory_out = true;
        return false;
    }
    for (const cj__yaml_node *node = list->child; node != NULL; node = node->next) {
        cj_position *position = &part->positions[part->position_count];
        if (!cj__name_of(reader, node, &naming, position->name))
            continue;
        for (size_t i = 0; i < part->position_count; i++)
            if (strcmp(part->positions[i].name, position->name) == 0)
                cj__wrong(reader, node, "position '%s' is given twice", position->name);
        part->position_count++;
    }
    return reader->wrong == before;
}

/* One [a, b] of a position. */
static bool read_pair(cj__reader *reader, const cj__yaml_node *node, const cj_part *part,
                      int pair[2])
{
    if (!cj__is(reader, node, CJ__YAML_LIST, "two pins"))
        return false;
    if (node->count != 2) {
        cj__wrong(reader, node, "%zu pins given; expected the two that are joined, like [1, 2]",
                  node->count);
        return false;
    }
    const int pins[2] = {1, (int)part->pin_count};
    if (!cj__count(reader, node->child, "a pin", pins, &pair[0]) ||
        !cj__count(reader, node->child->next, "a pin", pins, &pair[1]))
        return false;
    if (pair[0] == pair[1])
        cj__wrong(reader, node, "pin %d is joined to itself; expected two pins", pair[0]);
    return pair[0] != pair[1];
}

static void read_closes(cj__reader *reader, const cj__yaml_node *list, const cj_part *part,
                        cj_position *position)
{
    bool joined[CJ__SWITCH_PINS + 1][CJ__SWITCH_PINS + 1] = {{false}};
    if (!cj__is(reader, list, CJ__YAML_LIST, "the list of joined pins"))
        return;
    position->pairs = cj_new(list->count, sizeof *position->pairs);
    if (position->pairs == NULL) {
        reader->memory_out = true;
        return;
    }
    for (const cj__yaml_node *node = list->child; node != NULL; node = node->next) {
        int pair[2];
        if (!read_pair(reader, node, part, pair))
            continue;
        if (joined[pair[0]][pair[1]]) {
            cj__wrong(reader, node, "pins %d and %d are joined twice", pair[0], pair[1]);
            continue;
        }
        joined[pair[0]][pair[1]] = joined[pair[1]][pair[0]] = true;
        position->pairs[position->pair_count][0] = pair[0];
        position->pairs[position->pair_count++][1] = pair[1];
    }
}

void cj__read_switch(cj__reader *reader, const cj__yaml_node *map, cj_part *part)
{
    const char *names[CJ__SWITCH_POSITIONS + 1] = {NULL};
    bool good = read_positions(reader, cj__need(reader, map, "positions", "a switch"), part);
    const cj__yaml_node *closes = cj__need(reader, map, "closes", "a switch");
    if (closes == NULL || !cj__is(reader, closes, CJ__YAML_MAP, "closes") || !good ||
        part->pin_count < 2)
        return;
    for (size_t i = 0; i < part->position_count; i++)
        names[i] = part->positions[i].name;
    cj__keys(reader, closes, names, "closes");
    for (size_t i = 0; i < part->position_count; i++) {
        const cj__yaml_node *list = cj__yaml_get(closes, names[i]);
        if (list == NULL)
            cj__wrong(reader, closes, "position '%s' is missing in closes; [] joins nothing",
                      names[i]);
        else
            read_closes(reader, list, part, &part->positions[i]);
    }
}
