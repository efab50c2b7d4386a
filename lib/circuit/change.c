/* SPDX-License-Identifier: GPL-3.0-or-later */
/* change.c - the elements that a variant changes in the netlist of a frame. */
#include <math.h>
#include <string.h>

#include "circuit/internal.h"

static bool same_branch(const cj__branch *x, const cj__branch *y)
{
    return x->a == y->a && x->b == y->b && x->conductance == y->conductance &&
           x->capacitance == y->capacitance && x->log_slope == y->log_slope &&
           x->setting_slope == y->setting_slope;
}

static bool same_amp(const cj__amp *x, const cj__amp *y)
{
    return x->out == y->out && x->inverting == y->inverting && x->plus == y->plus &&
           x->gbw_hz == y->gbw_hz && x->slew_v_per_s == y->slew_v_per_s && x->gain == y->gain &&
           x->offset_v == y->offset_v && x->bias_a == y->bias_a && x->output_ohm == y->output_ohm &&
           x->high_v == y->high_v && x->low_v == y->low_v && x->mode == y->mode &&
           x->held_dc_v == y->held_dc_v && x->held_peak_v == y->held_peak_v;
}

static bool same_pair(const cj__winding_pair *x, const cj__winding_pair *y)
{
    bool same = true;
    for (int w = 0; w < 2; w++)
        same = same && x->a[w] == y->a[w] && x->b[w] == y->b[w] && x->ohm[w] == y->ohm[w];
    return same;
}

static bool note_branch(cj__change *change, int index, const cj__branch *now)
{
    if (!cj_reserve((void **)&change->branches, &change->branch_capacity, change->branch_count,
                    sizeof(cj__branch_change)))
        return false;
    change->branches[change->branch_count++] = (cj__branch_change){index, *now};
    return true;
}

static bool note_branches(cj__change *change, int part)
{
    const cj__netlist *netlist = &change->frame->netlist, *scratch = &change->scratch;
    for (size_t k = 0; k < scratch->branch_count; k++) {
        int index = change->frame->places.branch[part] + (int)k;
        const cj__branch *now = &scratch->branches[k];
        if (!same_branch(&netlist->branches[index], now) && !note_branch(change, index, now))
            return false;
    }
    return true;
}

static bool note_amps(cj__change *change, int part, size_t from)
{
    const cj__netlist *netlist = &change->frame->netlist, *scratch = &change->scratch;
    for (size_t k = from; k < scratch->amp_count; k++) {
        int index = change->emission.numbering->first_amp[part] + (int)(k - from);
        if (same_amp(&netlist->amps[index], &scratch->amps[k]))
            continue;
        if (!cj_reserve((void **)&change->amps, &change->amp_capacity, change->amp_count,
                        sizeof(cj__amp_change)))
            return false;
        change->amps[change->amp_count++] = (cj__amp_change){index, (int)k};
    }
    return true;
}

static bool note_pairs(cj__change *change, int part)
{
    const cj__netlist *netlist = &change->frame->netlist, *scratch = &change->scratch;
    for (size_t k = 0; k < scratch->winding_count; k++) {
        int index = change->frame->places.winding[part] + (int)k;
        if (same_pair(&netlist->windings[index], &scratch->windings[k]))
            continue;
        if (!cj_reserve((void **)&change->pairs, &change->pair_capacity, change->pair_count,
                        sizeof(cj__pair_change)))
            return false;
        change->pairs[change->pair_count++] = (cj__pair_change){index, scratch->windings[k]};
    }
    return true;
}

static bool note_junctions(cj__change *change, int part)
{
    const cj__netlist *netlist = &change->frame->netlist, *scratch = &change->scratch;
    for (size_t k = 0; k < scratch->junction_count; k++) {
        int index = change->frame->places.junction[part] + (int)k;
        const cj__junction *now = &scratch->junctions[k], *was = &netlist->junctions[index];
        if (was->anode == now->anode && was->cathode == now->cathode)
            continue;
        if (!cj_reserve((void **)&change->junctions, &change->junction_capacity,
                        change->junction_count, sizeof(cj__junction_change)))
            return false;
        change->junctions[change->junction_count++] = (cj__junction_change){index, *now};
    }
    return true;
}

/* Elements of other kinds than sections are copied; sections stay in scratch until the change ends.
 */
static bool note_part(cj__change *change, int part)
{
    cj__netlist *scratch = &change->scratch;
    size_t amps = scratch->amp_count;
    scratch->branch_count = scratch->winding_count = scratch->junction_count = 0;
    return cj__emit_part(&change->emission, part, scratch) && note_branches(change, part) &&
           note_amps(change, part, amps) && note_pairs(change, part) &&
           note_junctions(change, part);
}

static bool edits_part(const cj_edit *edit)
{
    return edit->kind == CJ_EDIT_VALUE || edit->kind == CJ_EDIT_LIFT ||
           edit->kind == CJ_EDIT_REVERSE || edit->kind == CJ_EDIT_MODE ||
           edit->kind == CJ_EDIT_FIGURE;
}

static bool is_first_of_its_part(const cj_edit *edits, size_t k)
{
    for (size_t i = 0; i < k; i++)
        if (edits_part(&edits[i]) && edits[i].part == edits[k].part)
            return false;
    return true;
}

static void note_rail(cj__change *change, int net, double volts)
{
    const cj__netlist *netlist = &change->frame->netlist;
    for (size_t k = netlist->source_count; net > CJ_GND && k-- > 0;) {
        const cj__source *source = &netlist->sources[k]; /* the rails stand last */
        if (source->node != net - 1)
            continue;
        if (volts != source->dc_v)
            change->injections[change->injection_count++] =
                (cj__injection){source->node, source->conductance * (volts - source->dc_v)};
        return;
    }
}

static bool note_rails(cj__change *change)
{
    const cj_board *board = change->emission.numbering->board;
    if (board->v_plus == CJ_NO_NET || change->frame->step->power_off)
        return true;
    note_rail(change, board->v_plus, change->emission.plus_v);
    note_rail(change, board->v_minus, change->emission.minus_v);
    for (size_t k = 0; k < board->part_count; k++) {
        bool noted = board->parts[k].kind != CJ_OPAMP;
        for (size_t i = 0; !noted && i < change->emission.edit_count; i++)
            noted =
                edits_part(&change->emission.edits[i]) && change->emission.edits[i].part == (int)k;
        if (!noted && !note_part(change, (int)k))
            return false;
    }
    return true;
}

static bool note_edits(cj__change *change)
{
    const cj_edit *edits = change->emission.edits;
    bool rails = false;
    for (size_t k = 0; k < change->emission.edit_count; k++) {
        rails = rails || edits[k].kind == CJ_EDIT_RAIL;
        if (edits_part(&edits[k]) && is_first_of_its_part(edits, k) &&
            !note_part(change, edits[k].part))
            return false;
    }
    if (rails && !note_rails(change))
        return false;
    cj__netlist *scratch = &change->scratch;
    scratch->branch_count = 0;
    if (!cj__emit_edits(&change->emission, scratch))
        return false;
    for (size_t k = 0; k < scratch->branch_count; k++)
        if (!note_branch(change, -1, &scratch->branches[k]))
            return false;
    return true;
}

static void mark_general(cj__change *change, int node)
{
    if (node >= change->frame->nodes)
        change->extra[node - change->frame->nodes].general = true;
}

static bool prepare_extras(cj__change *change)
{
    change->extras = change->emission.nodes - change->frame->nodes;
    while (change->extra_capacity < (size_t)change->extras)
        if (!cj_reserve((void **)&change->extra, &change->extra_capacity, (size_t)change->extras,
                        sizeof(cj__extra)))
            return false;
    for (int e = 0; e < change->extras; e++)
        change->extra[e] = (cj__extra){0};
    for (size_t k = 0; k < change->amp_count; k++) {
        const cj__amp *amp = &change->scratch.amps[change->amps[k].at];
        mark_general(change, amp->out);
        mark_general(change, amp->plus);
        mark_general(change, amp->inverting);
        change->frame->amps[change->amps[k].index] = amp;
    }
    for (size_t k = 0; k < change->pair_count; k++)
        for (int w = 0; w < 2; w++) {
            mark_general(change, change->pairs[k].now.a[w]);
            mark_general(change, change->pairs[k].now.b[w]);
        }
    for (size_t k = 0; k < change->junction_count; k++) {
        mark_general(change, change->junctions[k].now.anode);
        mark_general(change, change->junctions[k].now.cathode);
    }
    return true;
}

cj_status cj__change_make(cj__change *change, cj__frame *frame, const cj_variant *variant,
                          cj_error *err)
{
    change->frame = frame;
    change->branch_count = change->amp_count = change->pair_count = change->junction_count = 0;
    change->injection_count = change->term_count = change->star_count = 0;
    change->extras = 0;
    change->emission.edit_count = 0;
    if (variant == NULL || variant->count == 0)
        return CJ_OK;
    cj__netlist_empty(&change->scratch);
    cj_status status = cj__emission_start(&change->emission, frame->step, variant, err);
    if (status != CJ_OK)
        return status;
    return note_edits(change) && prepare_extras(change) ? CJ_OK : cj_fail_memory(err);
}

void cj__change_end(cj__change *change)
{
    for (size_t k = 0; k < change->amp_count; k++) {
        int index = change->amps[k].index;
        change->frame->amps[index] = &change->frame->netlist.amps[index];
    }
    change->amp_count = 0;
}

void cj__change_clear(cj__change *change)
{
    cj__emission_clear(&change->emission);
    cj__netlist_clear(&change->scratch);
    cj__system_clear(&change->system);
    cj_free(change->branches);
    cj_free(change->amps);
    cj_free(change->pairs);
    cj_free(change->junctions);
    cj_free(change->extra);
    cj_free(change->terms);
    cj_free(change->columns);
    cj_free(change->stars);
    cj_free(change->answer);
    *change = (cj__change){0};
}
