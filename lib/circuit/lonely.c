/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * lonely.c - nets on which one part hangs alone.
 *
 * Where such a part's pin is lifted nothing is parted: the part stays as it was, an empty net is
 * beside it. To the equations it is the worst case (all that a node has is taken away), to the
 * readings it is no change.
 */
#include "circuit/internal.h"

enum { SEVERAL = -1, NONE = -2 };

static void claim(cj__frame *frame, int node, int part)
{
    if (node < 0)
        return;
    int *only = &frame->only_part[node];
    *only = *only == NONE || *only == part ? part : SEVERAL;
}

static void claim_branches(cj__frame *frame, const cj_board *board)
{
    const cj__netlist *netlist = &frame->netlist;
    size_t part = 0;
    for (size_t k = 0; k < netlist->branch_count; k++) {
        const cj__branch *branch = &netlist->branches[k];
        while (part + 1 < board->part_count && frame->places.branch[part + 1] <= (int)k)
            part++;
        if (branch->conductance == 0 && branch->capacitance == 0)
            continue;
        /* loads stand behind the parts' branches, and none of them is a part's */
        int owner = k < frame->places.branches ? (int)part : SEVERAL;
        claim(frame, branch->a, owner);
        claim(frame, branch->b, owner);
    }
}

bool cj__frame_find_lonely(cj__frame *frame, const cj__numbering *numbering)
{
    const cj__netlist *netlist = &frame->netlist;
    frame->only_part = cj_new((size_t)netlist->nodes, sizeof(int));
    if (frame->only_part == NULL)
        return false;
    for (int n = 0; n < netlist->nodes; n++)
        frame->only_part[n] = NONE;
    claim_branches(frame, numbering->board);
    for (size_t k = 0; k < netlist->source_count; k++)
        claim(frame, netlist->sources[k].node, SEVERAL);
    for (size_t k = 0; k < netlist->amp_count; k++) {
        claim(frame, netlist->amps[k].out, SEVERAL);
        claim(frame, netlist->amps[k].plus, SEVERAL);
        claim(frame, netlist->amps[k].inverting, SEVERAL);
    }
    for (size_t k = 0; k < netlist->winding_count; k++)
        for (int w = 0; w < 2; w++) {
            claim(frame, netlist->windings[k].a[w], SEVERAL);
            claim(frame, netlist->windings[k].b[w], SEVERAL);
        }
    for (size_t k = 0; k < netlist->junction_count; k++) {
        claim(frame, netlist->junctions[k].anode, SEVERAL);
        claim(frame, netlist->junctions[k].cathode, SEVERAL);
    }
    return true;
}

bool cj__parts_nothing(const cj__frame *frame, const cj_board *board, const cj__look *look,
                       const cj_variant *variant)
{
    if (variant == NULL || variant->count != 1 || variant->edits[0].kind != CJ_EDIT_LIFT)
        return false;
    const cj_edit *edit = &variant->edits[0];
    if (edit->part < 0 || (size_t)edit->part >= board->part_count)
        return false;
    const cj_part *part = &board->parts[edit->part];
    if (edit->pin < 1 || (size_t)edit->pin > part->pin_count || !(edit->a >= 0) || !(edit->b >= 0))
        return false;
    int net = part->pins[edit->pin - 1];
    for (int c = 0; c < look->see_count; c++)
        if (look->see[c].net == net || look->see[c].against == net)
            return false;
    return net > CJ_GND && frame->only_part[net - 1] == edit->part;
}
