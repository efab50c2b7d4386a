/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The stages of a board, found from its nets. */
#include "report/drawing.h"

bool cj__is_supply(const cj_board *board, int net)
{
    return net == CJ_GND || (net >= 0 && (net == board->v_plus || net == board->v_minus));
}

static bool is_amplifier(const cj_part *part)
{
    return part->kind == CJ_OPAMP;
}

static int net_of(const cj_part *part, int pin)
{
    return pin >= 1 && (size_t)pin <= part->pin_count ? part->pins[pin - 1] : CJ_NO_NET;
}

/* A net that has a name in the drawing: a jack, an output, a pin of an op-amp. */
static bool is_landmark(const cj_board *board, int net)
{
    if (net < 0 || cj__is_supply(board, net))
        return true;
    for (size_t i = 0; i < board->input_count; i++)
        if (board->inputs[i].net == net)
            return true;
    for (size_t i = 0; i < board->output_count; i++)
        if (board->outputs[i].net == net)
            return true;
    for (size_t i = 0; i < board->part_count; i++)
        for (size_t p = 0; is_amplifier(&board->parts[i]) && p < board->parts[i].pin_count; p++)
            if (board->parts[i].pins[p] == net)
                return true;
    return false;
}

/* The one pin that a switch joins with this one in some position; 0: none or several. */
static int across_switch(const cj_part *part, int pin)
{
    int other = 0;
    for (size_t i = 0; i < part->position_count; i++)
        for (size_t k = 0; k < part->positions[i].pair_count; k++) {
            const int *pair = part->positions[i].pairs[k];
            int found = pair[0] == pin ? pair[1] : pair[1] == pin ? pair[0] : 0;
            if (found != 0 && other != 0 && found != other)
                return 0;
            other = found != 0 ? found : other;
        }
    return other;
}

/* Through a part from one of its pins; false: no way. */
static bool pass(const cj_board *board, int index, int pin, cj__hop *hop)
{
    const cj_part *part = &board->parts[index];
    *hop = (cj__hop){.part = index, .near = pin};
    switch (part->kind) {
    case CJ_RESISTOR:
    case CJ_CAPACITOR:
    case CJ_DIODE:
        hop->far = pin == 1 ? 2 : 1;
        break;
    case CJ_POTENTIOMETER:
        if (pin == 2) {
            bool from_top = !cj__is_supply(board, net_of(part, 3));
            hop->far = from_top ? 3 : 1;
            hop->third = from_top ? 1 : 3;
        } else {
            hop->far = 2;
            hop->third = pin == 1 ? 3 : 1;
        }
        break;
    case CJ_SWITCH:
        hop->far = across_switch(part, pin);
        break;
    case CJ_TRANSFORMER:
    case CJ_OPAMP:
        break;
    }
    hop->net = net_of(part, hop->far);
    return hop->far != 0 && hop->net != CJ_NO_NET && hop->net != net_of(part, pin);
}

/* A two-pin part with its other end on ground or on a rail. */
static bool is_shunt(const cj_board *board, int index, int pin)
{
    const cj_part *part = &board->parts[index];
    bool two = part->pin_count == 2 && !is_amplifier(part) && part->kind != CJ_SWITCH;
    return two && cj__is_supply(board, net_of(part, pin == 1 ? 2 : 1));
}

/* Notes what hangs on the net behind the hop; returns how many ways lead on, the last in *on. */
static int look_round(const cj_board *board, cj__hop *hop, cj__hop *on)
{
    int ways = 0;
    for (size_t i = 0; i < board->part_count; i++)
        for (int pin = 1; (size_t)pin <= board->parts[i].pin_count; pin++) {
            cj__hop next;
            if ((int)i == hop->part || net_of(&board->parts[i], pin) != hop->net)
                continue;
            if (is_shunt(board, (int)i, pin)) {
                if (hop->shunt_count < CJ__SHUNTS)
                    hop->shunts[hop->shunt_count++] = (int)i;
            } else if (pass(board, (int)i, pin, &next)) {
                *on = next;
                ways++;
            } else {
                ways += 2; /* something the way cannot follow: it ends here, with the net's name */
            }
        }
    return ways;
}

static void trace(const cj_board *board, cj__hop first, cj__branch *branch)
{
    cj__hop hop = first;
    for (;;) {
        cj__hop on = {0};
        int ways = cj__is_supply(board, hop.net) ? 0 : look_round(board, &hop, &on);
        branch->hops[branch->hop_count++] = hop;
        branch->to = hop.net;
        if (is_landmark(board, hop.net) || ways != 1 || branch->hop_count == CJ__HOPS)
            return;
        for (int i = 0; i < branch->hop_count; i++)
            if (branch->hops[i].part == on.part)
                return;
        hop = on;
    }
}

static cj__branch *add_branch(cj__stage *stage)
{
    if (!cj_reserve((void **)&stage->branches, &stage->capacity, stage->count,
                    sizeof *stage->branches))
        return NULL;
    stage->branches[stage->count] = (cj__branch){0};
    return &stage->branches[stage->count++];
}

static void note_drawn(cj__drawing *drawing, const cj__branch *branch)
{
    for (int i = 0; i < branch->hop_count; i++) {
        drawing->drawn[branch->hops[i].part] = true;
        for (int k = 0; k < branch->hops[i].shunt_count; k++)
            drawing->drawn[branch->hops[i].shunts[k]] = true;
    }
}

/* Every branch that begins at a net; fresh: only with parts that are not drawn yet. */
static bool add_branches(cj__drawing *drawing, cj__stage *stage, int net, cj__place place,
                         bool fresh)
{
    const cj_board *board = drawing->board;
    if (net < 0 || cj__is_supply(board, net))
        return true;
    for (size_t i = 0; i < board->part_count; i++)
        for (int pin = 1; (size_t)pin <= board->parts[i].pin_count; pin++) {
            cj__hop hop;
            if (net_of(&board->parts[i], pin) != net || (fresh && drawing->drawn[i]) ||
                !pass(board, (int)i, pin, &hop))
                continue;
            cj__branch *branch = add_branch(stage);
            if (branch == NULL)
                return false;
            branch->place = place;
            branch->from = net;
            trace(board, hop, branch);
            if (place == CJ__AT_INVERTING && branch->to == stage->out)
                branch->place = CJ__FEEDBACK;
            if (place != CJ__AT_INVERTING && place != CJ__AT_PLUS)
                note_drawn(drawing, branch);
        }
    return true;
}

static bool add_inputs(cj__drawing *drawing, cj__stage *stage)
{
    bool follower = stage->inverting == stage->out;
    bool good = follower || add_branches(drawing, stage, stage->inverting, CJ__AT_INVERTING, false);
    good = good && add_branches(drawing, stage, stage->plus, CJ__AT_PLUS, false);
    for (size_t i = 0; good && i < stage->count; i++)
        note_drawn(drawing, &stage->branches[i]);
    return good;
}

/* From junctions inside the stage on: a filter's inner nets. */
static bool add_between(cj__drawing *drawing, cj__stage *stage)
{
    bool good = true;
    for (size_t i = 0; good && i < stage->count; i++) {
        int net = stage->branches[i].to;
        if (!is_landmark(drawing->board, net))
            good = add_branches(drawing, stage, net, CJ__BETWEEN, true);
    }
    return good;
}

bool cj__drawing_make(const cj_board *board, cj__drawing *out)
{
    size_t sections = 0;
    bool good = true;
    *out = (cj__drawing){.board = board};
    for (size_t i = 0; i < board->part_count; i++)
        sections += is_amplifier(&board->parts[i]) ? (size_t)board->parts[i].section_count : 0;
    out->stages = cj_new(sections + 1, sizeof *out->stages);
    out->drawn = cj_new(board->part_count + 1, sizeof *out->drawn);
    if (out->stages == NULL || out->drawn == NULL)
        return false;
    for (size_t i = 0; i < board->part_count; i++) {
        const cj_part *part = &board->parts[i];
        out->drawn[i] = is_amplifier(part);
        for (int k = 0; is_amplifier(part) && k < part->section_count; k++)
            out->stages[out->count++] =
                (cj__stage){.part = (int)i,
                            .section = k,
                            .out = net_of(part, part->sections[k].out),
                            .inverting = net_of(part, part->sections[k].inverting),
                            .plus = net_of(part, part->sections[k].plus)};
    }
    for (size_t i = 0; good && i < out->count; i++)
        good = add_inputs(out, &out->stages[i]);
    for (size_t i = 0; good && i < out->count; i++)
        good = add_branches(out, &out->stages[i], out->stages[i].out, CJ__AT_OUT, true);
    for (size_t i = 0; good && i < out->count; i++)
        good = add_between(out, &out->stages[i]);
    return good;
}

void cj__drawing_free(cj__drawing *drawing)
{
    for (size_t i = 0; i < drawing->count; i++)
        cj_free(drawing->stages[i].branches);
    cj_free(drawing->stages);
    cj_free(drawing->drawn);
    *drawing = (cj__drawing){0};
}
