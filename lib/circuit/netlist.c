/* SPDX-License-Identifier: GPL-3.0-or-later */
/* netlist.c - one step of one board with one variant, flattened. */
#include <math.h>

#include "circuit/internal.h"

static bool add_source(cj__netlist *into, int net, double ohm, double volts, bool drives)
{
    if (net <= CJ_GND)
        return true;
    if (!cj_reserve((void **)&into->sources, &into->source_capacity, into->source_count,
                    sizeof(cj__source)))
        return false;
    into->sources[into->source_count++] =
        (cj__source){net - 1, 1 / fmax(ohm, CJ__CONTACT_OHM), volts, drives};
    return true;
}

/* Jacks, rails and loads: what the bench hangs on the board. */
static bool emit_bench(const cj__emission *emission, cj__netlist *into)
{
    const cj_board *board = emission->numbering->board;
    const cj_step *step = emission->step;
    bool on = !step->power_off;
    for (size_t k = 0; k < board->input_count; k++) {
        const cj_input *input = &board->inputs[k];
        bool driven = on && step->drive == (int)k;
        if ((driven || !input->idle_open) &&
            !add_source(into, input->net, input->source_ohm, 0, driven))
            return false;
    }
    if (on && board->v_plus != CJ_NO_NET &&
        (!add_source(into, board->v_plus, CJ__CONTACT_OHM, emission->plus_v, false) ||
         !add_source(into, board->v_minus, CJ__CONTACT_OHM, emission->minus_v, false)))
        return false;
    for (size_t k = 0; k < board->output_count; k++) {
        const cj_output *output = &board->outputs[k];
        if (output->net > CJ_GND && isfinite(output->load_ohm) &&
            !cj__add_branch(into, output->net - 1, CJ__EARTH,
                            1 / fmax(output->load_ohm, CJ__CONTACT_OHM), 0))
            return false;
    }
    return true;
}

cj_status cj__netlist_fill(const cj__emission *emission, cj__netlist *into, cj__places *places)
{
    size_t parts = emission->numbering->board->part_count;
    cj__netlist_empty(into);
    into->nodes = emission->nodes;
    into->leak = CJ__LEAK;
    for (size_t k = 0; k < parts; k++) {
        if (places) {
            places->branch[k] = (int)into->branch_count;
            places->winding[k] = (int)into->winding_count;
            places->junction[k] = (int)into->junction_count;
        }
        if (!cj__emit_part(emission, (int)k, into))
            return CJ_NOMEM;
    }
    if (places)
        places->branches = into->branch_count;
    return emit_bench(emission, into) && cj__emit_edits(emission, into) ? CJ_OK : CJ_NOMEM;
}

cj_status cj__netlist_make(const cj_board *board, const cj_step *step, const cj_variant *variant,
                           cj__netlist **out, cj_error *err)
{
    cj__numbering numbering = {0};
    cj__emission emission = {.numbering = &numbering};
    cj__netlist *made = NULL;
    cj_status status = cj__numbering_make(board, &numbering, err);
    if (status == CJ_OK)
        status = cj__emission_start(&emission, step, variant, err);
    if (status != CJ_OK)
        goto out;
    made = cj_new(1, sizeof(cj__netlist));
    if (made == NULL || cj__netlist_fill(&emission, made, NULL) != CJ_OK) {
        status = cj_fail_memory(err);
        goto out;
    }
    *out = made;
    made = NULL;
out:
    cj__netlist_free(made);
    cj__emission_clear(&emission);
    cj__numbering_clear(&numbering);
    return status;
}

void cj__netlist_empty(cj__netlist *netlist)
{
    netlist->branch_count = netlist->source_count = netlist->amp_count = 0;
    netlist->winding_count = netlist->junction_count = 0;
}

void cj__netlist_clear(cj__netlist *netlist)
{
    cj_free(netlist->branches);
    cj_free(netlist->sources);
    cj_free(netlist->amps);
    cj_free(netlist->windings);
    cj_free(netlist->junctions);
    *netlist = (cj__netlist){0};
}

void cj__netlist_free(cj__netlist *netlist)
{
    if (netlist)
        cj__netlist_clear(netlist);
    cj_free(netlist);
}
