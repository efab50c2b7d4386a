/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Where switches and potentiometers rest, and the steps of the bench. */
#include "board/internal.h"

#include <math.h>
#include <string.h>

/* ---- settings ---- */

static void set_switch(cj__reader *reader, const cj__yaml_node *node, const cj_part *part,
                       double *setting)
{
    const char *names[CJ__SWITCH_POSITIONS + 1] = {NULL};
    int position = 0;
    for (size_t i = 0; i < part->position_count; i++)
        names[i] = part->positions[i].name;
    *setting = 0; /* told, if wrongly: not called missing as well */
    if (cj__word(reader, node, names, &position))
        *setting = position;
}

/* One REF: WHERE of rest or set. */
static void set_part(cj__reader *reader, const cj__yaml_node *node, double *settings)
{
    static const cj__range rotation = {"", 0, 1, "a rotation from 0% to 100%"};
    const cj__name *known = cj__names_find(&reader->parts, node->key);
    if (known == NULL) {
        cj__hint hint = cj__meant_name(reader, node, node->key, &reader->parts,
                                       "; expected a switch or a potentiometer of the parts");
        cj__wrong_key(reader, node, "no part is called '%.60s'%s", node->key, hint.text);
        return;
    }
    const cj_part *part = &reader->board->parts[known->index];
    if (reader->spoiled[known->index]) {
        settings[known->index] = 0;
    } else if (part->kind == CJ_SWITCH) {
        set_switch(reader, node, part, &settings[known->index]);
    } else if (part->kind == CJ_POTENTIOMETER) {
        settings[known->index] = 0;
        cj__number(reader, node, &rotation, &settings[known->index]);
    } else {
        cj__wrong_key(reader, node,
                      "'%.60s' is a %s, which cannot be set; expected a switch or a potentiometer",
                      node->key, cj_part_word(part->kind));
    }
}

static void read_settings(cj__reader *reader, const cj__yaml_node *map, const char *what,
                          double *settings)
{
    if (map == NULL || !cj__is(reader, map, CJ__YAML_MAP, what))
        return;
    for (const cj__yaml_node *node = map->child; node != NULL; node = node->next)
        set_part(reader, node, settings);
}

void cj__read_rest(cj__reader *reader, const cj__yaml_node *node)
{
    size_t count = reader->board->part_count;
    reader->rest = cj_new(count, sizeof *reader->rest);
    if (reader->rest == NULL) {
        reader->memory_out = true;
        return;
    }
    for (size_t i = 0; i < count; i++)
        reader->rest[i] = NAN;
    read_settings(reader, node, "rest", reader->rest);
}

/* Each switch and potentiometer stands somewhere in each step; said once of a part. */
static void check_settings(cj__reader *reader)
{
    const cj_board *board = reader->board;
    for (size_t i = 0; i < board->part_count; i++) {
        cj_part_kind kind = board->parts[i].kind;
        if (reader->spoiled[i] || (kind != CJ_SWITCH && kind != CJ_POTENTIOMETER))
            continue;
        for (size_t k = 0; k < board->step_count; k++) {
            if (!isnan(board->steps[k].settings[i]))
                continue;
            cj__wrong(reader, reader->nodes[i],
                      "%s '%s' stands nowhere in step '%s'; expected it in rest, or in the step's "
                      "set",
                      cj_part_word(kind), board->parts[i].ref, board->steps[k].name);
            break;
        }
    }
}

/* ---- one step ---- */

static void read_name(cj__reader *reader, const cj__yaml_node *map, int at, cj_step *step)
{
    static const cj__naming naming = {"step", "_-", sizeof step->name};
    const cj__yaml_node *node = cj__need(reader, map, "step", "a step");
    /* no dot: the captures of step x are x.csv, or x.1.csv and x.2.csv */
    if (node == NULL || !cj__name_of(reader, node, &naming, step->name))
        return;
    const cj__name *first = cj__names_find(&reader->steps, node->text);
    if (first != NULL)
        cj__wrong(reader, node, "step '%s' is given twice; the first is in line %ld", step->name,
                  first->line);
    else if (!cj__names_add(&reader->steps, node->text, at, node->line))
        reader->memory_out = true;
}

static void read_drive(cj__reader *reader, const cj__yaml_node *map, cj_step *step)
{
    const cj_board *board = reader->board;
    const char *text = NULL;
    step->drive = -1;
    const cj__yaml_node *node = cj__need(reader, map, "drive", "a step");
    if (node == NULL || !cj__text_of(reader, node, &text) || strcmp(text, "none") == 0)
        return;
    const cj__name *net = cj__names_find(&reader->nets, text);
    if (net != NULL && reader->uses[net->index].input >= 0) {
        step->drive = reader->uses[net->index].input;
        return;
    }
    const char **known = cj_new(board->input_count + 2, sizeof *known);
    if (known == NULL) {
        reader->memory_out = true;
        return;
    }
    known[board->input_count] = "none";
    for (size_t i = 0; i < board->input_count; i++)
        known[i] = board->nets[board->inputs[i].net];
    cj__hint hint = {""};
    if (cj__kept(reader, node))
        hint = cj__meant(text, known, "; expected one of the inputs, or none");
    cj__wrong(reader, node, "'%.60s' is no input%s", text, hint.text);
    cj_free(known);
}

/* Drive, shape and power go together. */
static void read_signal(cj__reader *reader, const cj__yaml_node *map, cj_step *step)
{
    static const char *const states[] = {"on", "off", NULL};
    long before = reader->wrong;
    const cj__yaml_node *power = cj__yaml_get(map, "power");
    const cj__yaml_node *drive = cj__yaml_get(map, "drive");
    int state = 0;
    read_drive(reader, map, step);
    if (power != NULL)
        cj__word(reader, power, states, &state);
    step->power_off = state == 1;
    const cj__yaml_node *shape = cj__shape_of(reader, map, step);
    if (shape != NULL)
        cj__read_shape(reader, shape, step);
    if (reader->wrong != before)
        return;
    if (step->power_off && step->drive >= 0)
        cj__wrong(reader, drive, "'%.60s' is driven with the power off; expected drive: none",
                  drive->text);
    else if (step->drive < 0 && shape != NULL)
        cj__wrong_key(reader, shape, "'%s' with nothing driven; expected an input to drive",
                      shape->key);
    else if (step->drive >= 0 && shape == NULL)
        cj__wrong(reader, map,
                  "'%.60s' is driven, but with nothing; expected one of: tone, sweep, two-tone, "
                  "square, stepped, noise",
                  drive->text);
}

static void read_see(cj__reader *reader, const cj__yaml_node *map, cj_step *step)
{
    const cj__yaml_node *list = cj__need(reader, map, "see", "a step");
    if (list == NULL || !cj__is(reader, list, CJ__YAML_LIST, "see"))
        return;
    if (list->count < 1 || list->count > 2) {
        cj__wrong(reader, list, "%zu nets given for see; expected one for each channel, 1 or 2",
                  list->count);
        return;
    }
    for (const cj__yaml_node *node = list->child; node != NULL; node = node->next)
        cj__known_view(reader, node, &step->see[step->see_count++]);
}

static void read_step(cj__reader *reader, const cj__yaml_node *map, size_t at)
{
    static const char *const keys[] = {"step",   "drive",   "tone",  "sweep", "two-tone",
                                       "square", "stepped", "noise", "set",   "see",
                                       "wait",   "power",   NULL};
    static const cj__range wait = {"s", 0, 3600, "seconds from 0 to 3600"};
    cj_step *step = &reader->board->steps[at];
    step->line = map->line;
    step->drive = -1;
    if (!cj__is(reader, map, CJ__YAML_MAP, "a step"))
        return;
    cj__keys(reader, map, keys, "a step");
    read_name(reader, map, (int)at, step);
    read_signal(reader, map, step);
    read_settings(reader, cj__yaml_get(map, "set"), "set", step->settings);
    read_see(reader, map, step);
    cj__number_at(reader, map, "wait", &wait, &step->wait_s);
}

void cj__read_steps(cj__reader *reader, const cj__yaml_node *node)
{
    cj_board *board = reader->board;
    if (node == NULL || !cj__is(reader, node, CJ__YAML_LIST, "the list of steps"))
        return;
    if (node->count == 0 || node->count > CJ__BOARD_STEPS) {
        cj__wrong(reader, node, "%zu steps given; expected 1 to %d", node->count, CJ__BOARD_STEPS);
        return;
    }
    board->steps = cj_new(node->count, sizeof *board->steps);
    if (board->steps == NULL) {
        reader->memory_out = true;
        return;
    }
    for (const cj__yaml_node *map = node->child; map && !reader->memory_out; map = map->next) {
        size_t at = board->step_count;
        double *settings = cj_new(board->part_count, sizeof *settings);
        if (settings == NULL) {
            reader->memory_out = true;
            return;
        }
        memcpy(settings, reader->rest, board->part_count * sizeof *settings);
        board->steps[at].settings = settings;
        board->step_count++;
        read_step(reader, map, at);
    }
    if (!reader->memory_out)
        check_settings(reader);
}
