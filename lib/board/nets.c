/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Nets: the rails, what pins are on, what the bench hangs on them, and what a board's nets have to
 * be. */
#include "board/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *const reserved[] = {"gnd", "v+", "v-", "nc", NULL};

static char small(char c)
{
    return c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
}

bool cj__same_letters(const char *a, const char *b)
{
    for (; *a && small(*a) == small(*b); a++)
        b++;
    return *a == '\0' && *b == '\0';
}

/* ---- making ---- */

static int add_net(cj__reader *reader, const char *name, const cj__yaml_node *node)
{
    cj_board *board = reader->board;
    size_t at = board->net_count;
    if (!cj_reserve((void **)&board->nets, &reader->net_capacity, at, sizeof *board->nets) ||
        !cj_reserve((void **)&reader->uses, &reader->use_capacity, at, sizeof *reader->uses) ||
        !cj__names_add(&reader->nets, name, (int)at, node ? node->line : 0)) {
        reader->memory_out = true;
        return CJ_NO_NET;
    }
    snprintf(board->nets[at], sizeof board->nets[at], "%s", name);
    reader->uses[at] = (cj__net_use){.first = node, .input = -1};
    board->net_count++;
    return (int)at;
}

void cj__read_rails(cj__reader *reader, const cj__yaml_node *node)
{
    static const char *const keys[] = {"v+", "v-", NULL};
    static const cj__range plus = {"V", 0.1, 1000, "volts from 0.1 to 1000"};
    static const cj__range minus = {"V", -1000, -0.1,
                                    "volts from -1000 to -0.1, or no v- at all (it is gnd then)"};
    cj_board *board = reader->board;
    board->v_plus = board->v_minus = CJ_NO_NET;
    if (add_net(reader, "gnd", NULL) != CJ_GND || node == NULL)
        return;
    cj__keys(reader, node, keys, "rails");
    if (node->kind != CJ__YAML_MAP)
        return;
    cj__number_needed(reader, node, "v+", &plus, "rails", &board->v_plus_v);
    board->v_plus = add_net(reader, "v+", NULL);
    board->v_minus = CJ_GND;
    if (cj__yaml_get(node, "v-") != NULL) {
        cj__number_at(reader, node, "v-", &minus, &board->v_minus_v);
        board->v_minus = add_net(reader, "v-", NULL);
    } else if (!cj__names_add(&reader->nets, "v-", CJ_GND, 0)) {
        reader->memory_out = true;
    }
}

static bool reserved_but_for_case(const char *text, const char **meant)
{
    for (size_t i = 0; reserved[i] != NULL; i++) {
        if (cj__same_letters(text, reserved[i]) && strcmp(text, reserved[i]) != 0) {
            *meant = reserved[i];
            return true;
        }
    }
    return false;
}

bool cj__pin_net(cj__reader *reader, const cj__yaml_node *node, int *out)
{
    static const cj__naming naming = {"a net", "_./#", sizeof reader->board->nets[0]};
    const char *text = NULL, *meant = NULL;
    char name[sizeof reader->board->nets[0]];
    *out = CJ_NO_NET;
    if (!cj__text_of(reader, node, &text))
        return false;
    if (strcmp(text, "nc") == 0)
        return true;
    const cj__name *known = cj__names_find(&reader->nets, text);
    if (known != NULL) {
        *out = known->index;
        return true;
    }
    if (reserved_but_for_case(text, &meant)) {
        cj__wrong(reader, node, "'%s' given for a net; did you mean '%s'?", text, meant);
        return false;
    }
    if (strcmp(text, "none") == 0) {
        cj__wrong(reader, node, "'none' is no name for a net; expected nc where a pin is free");
        return false;
    }
    bool rail = strcmp(text, "v+") == 0 || strcmp(text, "v-") == 0;
    if (!rail && strchr(text, '-') != NULL) {
        cj__wrong(reader, node,
                  "'%.60s' is no name for a net; expected no dash in it (NET-NET reads across two)",
                  text);
        return false;
    }
    if (!rail && !cj__name_of(reader, node, &naming, name))
        return false;
    *out = add_net(reader, text, node);
    return *out != CJ_NO_NET;
}

/* ---- asking ---- */

static bool unknown_net(cj__reader *reader, const cj__yaml_node *node, const char *word)
{
    cj__hint hint = cj__meant_name(reader, node, word, &reader->nets,
                                   "; expected a net that some part has on a pin");
    cj__wrong(reader, node, "no part is on net '%.60s'%s", word, hint.text);
    return false;
}

bool cj__known_net(cj__reader *reader, const cj__yaml_node *node, int *out)
{
    const char *text = NULL;
    if (!cj__text_of(reader, node, &text))
        return false;
    const cj__name *known = cj__names_find(&reader->nets, text);
    if (known == NULL)
        return unknown_net(reader, node, text);
    *out = known->index;
    return true;
}

static bool split_view(cj__reader *reader, const cj__yaml_node *node, const char *text,
                       cj_view *out)
{
    char first[64], wrong[64];
    snprintf(wrong, sizeof wrong, "%.63s", text);
    for (const char *dash = strchr(text, '-'); dash != NULL; dash = strchr(dash + 1, '-')) {
        if ((size_t)(dash - text) >= sizeof first || dash == text || dash[1] == '\0')
            continue;
        snprintf(first, sizeof first, "%.*s", (int)(dash - text), text);
        const cj__name *net = cj__names_find(&reader->nets, first);
        const cj__name *against = cj__names_find(&reader->nets, dash + 1);
        if (net != NULL && against != NULL) {
            *out = (cj_view){net->index, against->index};
            return true;
        }
        snprintf(wrong, sizeof wrong, "%.63s", net ? dash + 1 : first);
    }
    return unknown_net(reader, node, wrong);
}

bool cj__known_view(cj__reader *reader, const cj__yaml_node *node, cj_view *out)
{
    const char *text = NULL;
    if (!cj__text_of(reader, node, &text))
        return false;
    const cj__name *known = cj__names_find(&reader->nets, text);
    if (known != NULL)
        *out = (cj_view){known->index, CJ_GND};
    else if (!split_view(reader, node, text, out))
        return false;
    if (out->net == out->against) {
        cj__wrong(reader, node, "'%.60s' reads nothing; expected a net other than %s", text,
                  reader->board->nets[out->against]);
        return false;
    }
    return true;
}

/* ---- the bench ---- */

/* Source and load may be 0 in what is written ("ideal"), but not in an equation: 1 mohm then. */
static double at_least_1m(double ohm)
{
    return ohm < 1e-3 ? 1e-3 : ohm;
}

/* The net of an input or output: known, no supply, and not there twice. */
static bool bench_net(cj__reader *reader, const cj__yaml_node *map, const char *what, int *net)
{
    const cj__yaml_node *node = cj__need(reader, map, "net", what);
    if (node == NULL || !cj__known_net(reader, node, net))
        return false;
    if (*net == CJ_GND || *net == reader->board->v_plus || *net == reader->board->v_minus) {
        cj__wrong(reader, node, "'%s' given for %s; expected a net that carries the signal",
                  node->text, what);
        return false;
    }
    reader->uses[*net].bench = true;
    return true;
}

static void read_input(cj__reader *reader, const cj__yaml_node *map)
{
    static const char *const keys[] = {"net", "source", "idle", NULL};
    static const char *const ways[] = {"ground", "open", NULL};
    static const cj__range source = {"ohm", 0, 1e9, "a resistance from 0 to 1G ohm"};
    cj_board *board = reader->board;
    cj_input input = {.source_ohm = 50};
    int way = 0;
    cj__keys(reader, map, keys, "an input");
    if (map->kind != CJ__YAML_MAP)
        return;
    bool known = bench_net(reader, map, "an input", &input.net);
    cj__number_needed(reader, map, "source", &source, "an input", &input.source_ohm);
    const cj__yaml_node *idle = cj__yaml_get(map, "idle");
    if (idle != NULL)
        cj__word(reader, idle, ways, &way);
    if (!known)
        return;
    if (reader->uses[input.net].input >= 0) {
        cj__wrong(reader, cj__yaml_get(map, "net"), "net '%s' is an input already",
                  board->nets[input.net]);
        return;
    }
    input.source_ohm = at_least_1m(input.source_ohm);
    input.idle_open = way == 1;
    reader->uses[input.net].input = (int)board->input_count;
    board->inputs[board->input_count++] = input;
}

void cj__read_inputs(cj__reader *reader, const cj__yaml_node *node)
{
    if (node == NULL || !cj__is(reader, node, CJ__YAML_LIST, "the list of inputs"))
        return;
    reader->board->inputs = cj_new(node->count, sizeof *reader->board->inputs);
    if (reader->board->inputs == NULL) {
        reader->memory_out = true;
        return;
    }
    for (const cj__yaml_node *map = node->child; map && !reader->memory_out; map = map->next)
        read_input(reader, map);
}

void cj__read_outputs(cj__reader *reader, const cj__yaml_node *node)
{
    static const char *const keys[] = {"net", "load", NULL};
    static const cj__range load = {"ohm", 1e-3, 1e12, "a resistance from 1m to 1T ohm"};
    cj_board *board = reader->board;
    if (node == NULL || !cj__is(reader, node, CJ__YAML_LIST, "the list of outputs"))
        return;
    board->outputs = cj_new(node->count, sizeof *board->outputs);
    if (board->outputs == NULL)
        reader->memory_out = true;
    for (const cj__yaml_node *map = node->child; map && !reader->memory_out; map = map->next) {
        cj_output output = {.load_ohm = 1e6};
        cj__keys(reader, map, keys, "an output");
        if (map->kind != CJ__YAML_MAP)
            continue;
        bool known = bench_net(reader, map, "an output", &output.net);
        cj__number_needed(reader, map, "load", &load, "an output", &output.load_ohm);
        if (known)
            board->outputs[board->output_count++] = output;
    }
}

/* ---- what the nets of a board have to be ---- */

/* A part whose pins are all on one net does nothing; most often a net is mistyped. */
static void check_one_net(cj__reader *reader, size_t at)
{
    const cj_part *part = &reader->board->parts[at];
    for (size_t i = 1; i < part->pin_count; i++)
        if (part->pins[i] != part->pins[0])
            return;
    if (part->pins[0] == CJ_NO_NET)
        cj__wrong(reader, reader->nodes[at], "no pin of %s is connected; expected nets, or no %s",
                  part->ref, part->ref);
    else
        cj__wrong(reader, reader->nodes[at],
                  "all pins of %s are on net %s, where it does nothing; expected two nets",
                  part->ref, reader->board->nets[part->pins[0]]);
}

static void check_winding(cj__reader *reader, size_t at, int first, const char *which)
{
    const cj_part *part = &reader->board->parts[at];
    int net = part->pins[first];
    if (net != CJ_NO_NET && net == part->pins[first + 1])
        cj__wrong(reader, reader->nodes[at],
                  "both ends of the %s of %s are on net %s; expected two nets", which, part->ref,
                  reader->board->nets[net]);
}

/* One supply pin of a section: on a net, and not on the rail of the other sign. */
static void check_supply(cj__reader *reader, size_t at, int pin, int opposite, const char *sign)
{
    const cj_part *part = &reader->board->parts[at];
    const cj_board *board = reader->board;
    int net = pin > 0 ? part->pins[pin - 1] : CJ_NO_NET;
    if (pin > 0 && board->v_plus != CJ_NO_NET && net == CJ_NO_NET)
        cj__wrong(reader, reader->nodes[at], "pin %d of %s is its V%s, but is not connected", pin,
                  part->ref, sign);
    else if (net != CJ_NO_NET && net == opposite)
        cj__wrong(reader, reader->nodes[at], "pin %d of %s is its V%s, but is on %s", pin,
                  part->ref, sign, board->nets[net]);
}

static void check_opamp(cj__reader *reader, size_t at)
{
    const cj_part *part = &reader->board->parts[at];
    const cj_board *board = reader->board;
    for (int i = 0; i < part->section_count; i++) {
        int net = part->pins[part->sections[i].out - 1];
        if (net == CJ_GND || (net != CJ_NO_NET && (net == board->v_plus || net == board->v_minus)))
            cj__wrong(reader, reader->nodes[at], "output pin %d of %s is on %s",
                      part->sections[i].out, part->ref, board->nets[net]);
    }
    if (part->section_count == 0 || part->sections[0].v_plus == 0)
        return;
    /* with a single supply V+ must not be on gnd, the net of V- */
    check_supply(reader, at, part->sections[0].v_plus, board->v_minus, "+");
    check_supply(reader, at, part->sections[0].v_minus, board->v_plus, "-");
    int plus = part->pins[part->sections[0].v_plus - 1];
    if (plus != CJ_NO_NET && plus == part->pins[part->sections[0].v_minus - 1] &&
        plus != board->v_plus && plus != board->v_minus)
        cj__wrong(reader, reader->nodes[at], "V+ and V- of %s are both on %s; expected two nets",
                  part->ref, board->nets[plus]);
}

/* Without rails a supply pin may be left free: the section is supplied as a bare one is. */
static void drop_supply(cj_part *part)
{
    for (int i = 0; i < part->section_count; i++) {
        cj_section *section = &part->sections[i];
        if (section->v_plus > 0 && part->pins[section->v_plus - 1] == CJ_NO_NET)
            section->v_plus = 0;
        if (section->v_minus > 0 && part->pins[section->v_minus - 1] == CJ_NO_NET)
            section->v_minus = 0;
    }
}

static void check_part(cj__reader *reader, size_t at)
{
    cj_part *part = &reader->board->parts[at];
    long before = reader->wrong;
    if (reader->spoiled[at])
        return;
    check_one_net(reader, at);
    if (reader->wrong == before && part->kind == CJ_TRANSFORMER) {
        check_winding(reader, at, 0, "primary");
        check_winding(reader, at, 2, "secondary");
    }
    if (reader->wrong == before && part->kind == CJ_OPAMP) {
        check_opamp(reader, at);
        drop_supply(part);
    }
}

void cj__check_nets(cj__reader *reader, const cj__yaml_node *parts)
{
    cj_board *board = reader->board;
    size_t spoiled = 0;
    for (size_t i = 0; i < board->part_count; i++) {
        check_part(reader, i);
        spoiled += reader->spoiled[i];
    }
    /* a part that was not understood may be the one */
    if (reader->uses[CJ_GND].pins == 0 && spoiled == 0)
        cj__wrong_key(reader, parts,
                      "no pin is on gnd; expected the reference net gnd on one pin at least");
    for (size_t i = 1; i < board->net_count && !reader->memory_out; i++) {
        const cj__net_use *use = &reader->uses[i];
        if (use->first != NULL && use->pins == 1 && !use->bench)
            cj__warn(reader, use->first, "net %s has one pin only", board->nets[i]);
        bool rail = strcmp(board->nets[i], "v+") == 0 || strcmp(board->nets[i], "v-") == 0;
        if (rail && use->first != NULL)
            cj__warn(reader, use->first, "net %s has no voltage: no rails are given, nothing clips",
                     board->nets[i]);
    }
}
