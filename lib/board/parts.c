/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The parts of the board file. */
#include "board/internal.h"

#include <math.h>
#include <string.h>

static const cj__range tolerance_range = {"", 0, 0.9, "a tolerance from 0% to 90%"};

static void read_tolerance(cj__reader *reader, const cj__yaml_node *map, cj_part *part)
{
    cj__number_at(reader, map, "tolerance", &tolerance_range, &part->tolerance);
}

static void read_resistor(cj__reader *reader, const cj__yaml_node *map, cj_part *part)
{
    static const cj__range range = {"ohm", 1e-3, 1e12, "a resistance from 1m to 1T ohm"};
    cj__number_needed(reader, map, "value", &range, "a resistor", &part->value);
    read_tolerance(reader, map, part);
}

static void read_capacitor(cj__reader *reader, const cj__yaml_node *map, cj_part *part)
{
    static const cj__range range = {"F", 1e-15, 10, "a capacitance from 0.001p to 10 F"};
    const cj__yaml_node *polarised = cj__yaml_get(map, "polarised");
    cj__number_needed(reader, map, "value", &range, "a capacitor", &part->value);
    read_tolerance(reader, map, part);
    if (polarised != NULL)
        cj__truth(reader, polarised, &part->polarised);
}

static void read_potentiometer(cj__reader *reader, const cj__yaml_node *map, cj_part *part)
{
    static const cj__range range = {"ohm", 1, 1e9, "a resistance from 1 to 1G ohm"};
    static const char *const tapers[] = {"linear", "audio", NULL};
    const cj__yaml_node *node = cj__yaml_get(map, "taper");
    int taper = 0;
    cj__number_needed(reader, map, "value", &range, "a potentiometer", &part->value);
    read_tolerance(reader, map, part);
    if (node != NULL)
        cj__word(reader, node, tapers, &taper);
    part->audio_taper = taper == 1;
}

static void read_transformer(cj__reader *reader, const cj__yaml_node *map, cj_part *part)
{
    static const cj__range ratio = {"", 1e-3, 1e3,
                                    "turns of the secondary over the primary, "
                                    "from 0.001 to 1000"};
    static const cj__range henry = {"H", 1e-6, 1e5, "an inductance from 1u to 100k H"};
    static const cj__range winding = {"ohm", 1e-3, 1e6, "a resistance from 1m to 1M ohm"};
    static const cj__range coupling = {"", 0.01, 0.999999, "a coupling from 0.01 to 0.999999"};
    const cj__yaml_node *ohms = cj__yaml_get(map, "resistance");
    part->inductance_h = 20;
    part->winding_ohm[0] = part->winding_ohm[1] = 50;
    part->coupling = 0.999;
    cj__number_needed(reader, map, "ratio", &ratio, "a transformer", &part->ratio);
    cj__number_at(reader, map, "inductance", &henry, &part->inductance_h);
    cj__number_at(reader, map, "coupling", &coupling, &part->coupling);
    if (ohms == NULL || !cj__is(reader, ohms, CJ__YAML_LIST, "resistance"))
        return;
    if (ohms->count != 2) {
        cj__wrong(reader, ohms, "%zu given for resistance; expected two, primary and secondary",
                  ohms->count);
        return;
    }
    cj__number(reader, ohms->child, &winding, &part->winding_ohm[0]);
    cj__number(reader, ohms->child->next, &winding, &part->winding_ohm[1]);
}

static void read_diode(cj__reader *reader, const cj__yaml_node *map, cj_part *part)
{
    const char *known[64], *text = NULL;
    size_t count = 0;
    const cj__yaml_node *node = cj__need(reader, map, "type", "a diode");
    if (node == NULL || !cj__text_of(reader, node, &text))
        return;
    for (const cj_diode *diode = cj__diode_types; diode->type[0]; diode++) {
        if (cj__same_letters(diode->type, text)) {
            part->diode = *diode;
            return;
        }
        if (count < 63)
            known[count++] = diode->type;
    }
    known[count] = NULL;
    cj__hint hint =
        cj__meant(text, known, "; expected a type of the parts table, like 1N4148 or 1N4001");
    cj__wrong(reader, node, "unknown diode '%.40s'%s", text, hint.text);
}

/* What each kind may say, how many pins it has (0: its own reader tells) and how the rest of it is
 * read. */
static const struct kind {
    const char *what;
    const char *keys[9];
    size_t pins;
    void (*read)(cj__reader *, const cj__yaml_node *, cj_part *);
} kinds[] = {
    [CJ_RESISTOR] = {"a resistor", {"ref", "kind", "value", "tolerance", "pins"}, 2, read_resistor},
    [CJ_CAPACITOR] = {"a capacitor",
                      {"ref", "kind", "value", "tolerance", "polarised", "pins"},
                      2,
                      read_capacitor},
    [CJ_POTENTIOMETER] = {"a potentiometer",
                          {"ref", "kind", "value", "tolerance", "taper", "pins"},
                          3,
                          read_potentiometer},
    [CJ_SWITCH] = {"a switch", {"ref", "kind", "positions", "pins", "closes"}, 0, cj__read_switch},
    [CJ_TRANSFORMER] = {"a transformer",
                        {"ref", "kind", "ratio", "inductance", "resistance", "coupling", "pins"},
                        4,
                        read_transformer},
    [CJ_DIODE] = {"a diode", {"ref", "kind", "type", "pins"}, 2, read_diode},
    [CJ_OPAMP] = {"an op-amp", {NULL}, 0, cj__read_opamp},
};

static const char *const kind_words[] = {
#define CJ_PART_WORD(name, word) [name] = word,
    CJ_PART_LIST(CJ_PART_WORD)
#undef CJ_PART_WORD
        NULL,
};

static void read_ref(cj__reader *reader, const cj__yaml_node *map, size_t at)
{
    static const cj__naming naming = {"ref", "_.", sizeof reader->board->parts->ref};
    cj_part *part = &reader->board->parts[at];
    const cj__yaml_node *node = cj__need(reader, map, "ref", "a part");
    if (node == NULL || !cj__name_of(reader, node, &naming, part->ref))
        return;
    reader->nodes[at] = node;
    const cj__name *first = cj__names_find(&reader->parts, node->text);
    if (first != NULL)
        cj__wrong(reader, node, "part '%s' is given twice; the first is in line %ld", part->ref,
                  first->line);
    else if (!cj__names_add(&reader->parts, node->text, (int)at, node->line))
        reader->memory_out = true;
}

/* The nets are noted even where the count is wrong, so that other entries are not called wrong for
 * it. */
static void read_pins(cj__reader *reader, const cj__yaml_node *map, cj_part *part,
                      const struct kind *kind)
{
    const cj__yaml_node *list = cj__need(reader, map, "pins", kind ? kind->what : "a part");
    if (list == NULL || !cj__is(reader, list, CJ__YAML_LIST, "the list of pins"))
        return;
    bool fits = list->count >= 1 && list->count <= CJ__SWITCH_PINS;
    if (kind != NULL && kind->pins > 0 && list->count != kind->pins)
        cj__wrong(reader, list, "%zu pins given for %s; expected %zu", list->count, kind->what,
                  kind->pins);
    else if (!fits || (kind == &kinds[CJ_SWITCH] && list->count < 2))
        cj__wrong(reader, list, "%zu pins given; expected 2 to %d", list->count, CJ__SWITCH_PINS);
    if (!fits)
        return;
    part->pins = cj_new(list->count, sizeof *part->pins);
    if (part->pins == NULL) {
        reader->memory_out = true;
        return;
    }
    for (const cj__yaml_node *node = list->child; node != NULL; node = node->next) {
        int *net = &part->pins[part->pin_count++];
        if (cj__pin_net(reader, node, net) && *net != CJ_NO_NET)
            reader->uses[*net].pins++;
    }
}

static void read_part(cj__reader *reader, const cj__yaml_node *map, size_t at)
{
    cj_part *part = &reader->board->parts[at];
    const struct kind *kind = NULL;
    int word = -1;
    part->line = map->line;
    part->value = NAN;
    reader->nodes[at] = map;
    if (!cj__is(reader, map, CJ__YAML_MAP, "a part"))
        return;
    read_ref(reader, map, at);
    const cj__yaml_node *node = cj__need(reader, map, "kind", "a part");
    if (node != NULL && cj__word(reader, node, kind_words, &word)) {
        kind = &kinds[word];
        part->kind = (cj_part_kind)word;
        cj__keys(reader, map, part->kind == CJ_OPAMP ? cj__opamp_keys : kind->keys, kind->what);
    }
    read_pins(reader, map, part, kind);
    if (kind != NULL && !reader->memory_out)
        kind->read(reader, map, part);
}

void cj__read_parts(cj__reader *reader, const cj__yaml_node *node)
{
    cj_board *board = reader->board;
    if (node == NULL || !cj__is(reader, node, CJ__YAML_LIST, "the list of parts"))
        return;
    if (node->count == 0 || node->count > CJ__BOARD_PARTS) {
        cj__wrong(reader, node, "%zu parts given; expected 1 to %d", node->count, CJ__BOARD_PARTS);
        return;
    }
    board->parts = cj_new(node->count, sizeof *board->parts);
    reader->spoiled = cj_new(node->count, sizeof *reader->spoiled);
    reader->nodes = cj_new(node->count, sizeof *reader->nodes);
    if (board->parts == NULL || reader->spoiled == NULL || reader->nodes == NULL) {
        reader->memory_out = true;
        return;
    }
    for (const cj__yaml_node *map = node->child; map && !reader->memory_out; map = map->next) {
        size_t at = board->part_count++;
        long before = reader->wrong;
        read_part(reader, map, at);
        reader->spoiled[at] = reader->wrong != before;
    }
}
