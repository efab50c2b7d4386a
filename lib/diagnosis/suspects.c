/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Lists of suspects: making, copying, pairing. What is in them: dictionary.c and pins.c. */
#include <string.h>

#include "diagnosis/suspects.h"

cj_status cj__suspects_new(cj__suspects **out, cj_error *err)
{
    cj__suspects *suspects = cj_new(1, sizeof *suspects);
    if (suspects == NULL)
        return cj_fail_memory(err);
    cj_fault none = cj_fault_none(CJ_FAULT_OUTSIDE);
    cj__suspect *healthy = cj__suspects_add(suspects, &none, 1);
    if (healthy == NULL || cj__suspect_manner(healthy, 0, 1) == NULL) {
        cj__suspects_free(suspects);
        return cj_fail_memory(err);
    }
    *out = suspects;
    return CJ_OK;
}

void cj__suspects_free(cj__suspects *suspects)
{
    if (suspects == NULL)
        return;
    for (size_t i = 0; i < suspects->count; i++) {
        cj__suspect *suspect = &suspects->items[i];
        for (size_t m = 0; m < suspect->count; m++)
            cj_free(suspect->manners[m].edits);
        cj_free(suspect->manners);
        cj_fault_clear(&suspect->fault);
    }
    cj_free(suspects->items);
    cj_free(suspects);
}

cj__suspect *cj__suspects_add(cj__suspects *suspects, const cj_fault *fault, double prior)
{
    if (!cj_reserve((void **)&suspects->items, &suspects->capacity, suspects->count,
                    sizeof *suspects->items))
        return NULL;
    cj__suspect *suspect = &suspects->items[suspects->count];
    memset(suspect, 0, sizeof *suspect);
    if (!cj_fault_copy(&suspect->fault, fault))
        return NULL;
    suspect->prior = prior;
    suspects->count++;
    return suspect;
}

cj__manner *cj__suspect_manner(cj__suspect *suspect, size_t edits, double weight)
{
    cj__manner *manners = cj_resize(suspect->manners, suspect->count + 1, sizeof *manners);
    if (manners == NULL)
        return NULL;
    suspect->manners = manners;
    cj__manner *manner = &manners[suspect->count];
    memset(manner, 0, sizeof *manner);
    manner->edits = cj_new(edits > 0 ? edits : 1, sizeof *manner->edits);
    if (manner->edits == NULL)
        return NULL;
    manner->edit_count = edits;
    manner->weight = weight;
    suspect->count++;
    return manner;
}

static double larger(double a, double b)
{
    return a > b ? a : b;
}

/* One quantity at most is searched for: a part's value before strays; the second one's before the
 * first's. The other is fixed by its edits as they stand. */
static cj__manner *join(cj__suspect *pair, const cj__manner *a, const cj__manner *b)
{
    cj__manner *manner =
        cj__suspect_manner(pair, a->edit_count + b->edit_count, a->weight * b->weight);
    if (manner == NULL)
        return NULL;
    cj_edit *edits = manner->edits;
    size_t count = manner->edit_count;
    bool first =
        b->prior == CJ__FIXED || (a->prior == CJ__PART_VALUE && b->prior != CJ__PART_VALUE);
    const cj__manner *searched = first ? a : b, *also = a->also_sigma > 0 ? a : b;
    double weight = manner->weight;
    *manner = *searched;
    manner->edits = edits;
    manner->edit_count = count;
    manner->weight = weight;
    for (size_t i = 0; i < a->edit_count; i++)
        edits[i] = a->edits[i];
    for (size_t i = 0; i < b->edit_count; i++)
        edits[a->edit_count + i] = b->edits[i];
    if (searched == b)
        manner->free_edit += a->edit_count;
    manner->also_edit = also->also_edit + (also == b ? a->edit_count : 0);
    manner->also_b = also->also_b;
    manner->also_sigma = also->also_sigma;
    manner->held_v = larger(a->held_v, b->held_v);
    manner->residue = larger(a->residue, b->residue);
    manner->bias = larger(a->bias, b->bias);
    manner->loose_db = larger(a->loose_db, b->loose_db);
    manner->slams = a->residue > b->residue ? a->slams : b->slams;
    manner->thd_unknown = a->thd_unknown || b->thd_unknown;
    manner->tolerant = a->tolerant || b->tolerant;
    return manner;
}

cj__suspect *cj__suspects_add_pair(cj__suspects *suspects, const cj__suspect *a,
                                   const cj__suspect *b, double prior)
{
    cj_fault second, fault = cj_fault_none(CJ_FAULT_OUTSIDE);
    if (!cj_fault_copy(&second, &b->fault))
        return NULL;
    if (!cj_fault_copy(&fault, &a->fault)) {
        cj_fault_clear(&second);
        return NULL;
    }
    /* a and b may live in the list that grows here */
    cj__suspect first = *a, other = *b;
    fault.with = &second;
    cj__suspect *pair = cj__suspects_add(suspects, &fault, prior);
    fault.with = NULL;
    cj_fault_clear(&fault);
    cj_fault_clear(&second);
    if (pair == NULL)
        return NULL;
    for (size_t i = 0; i < first.count; i++)
        for (size_t j = 0; j < other.count; j++)
            if (join(pair, &first.manners[i], &other.manners[j]) == NULL)
                return NULL;
    return pair;
}

cj_status cj__check_size(const cj_board *board, cj_error *err)
{
    int sections = 0;
    for (size_t i = 0; i < board->part_count; i++)
        sections += board->parts[i].section_count;
    return sections <= CJ__SECTIONS_MOST
               ? CJ_OK
               : cj_fail(err, CJ_DATA, "", 0, 0,
                         "%d op-amp sections; expected at most %d, or the board in several files",
                         sections, (int)CJ__SECTIONS_MOST);
}
