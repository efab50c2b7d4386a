/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Which suspects what was seen cannot tell apart. */
#include <math.h>
#include <string.h>

#include "diagnosis/answer.h"

/* Two predictions this close (in standard deviations of what may vary from unit to unit and reading
 * to reading) are one: the readings would choose between them wrongly in a sixth of all cases or
 * more. */
#define APART 2.0
#define BY_CHANCE 6.0 /* nats: ln of a few hundred */
/* Less likely than this beside the likeliest of a group, a suspect is not listed in it. */
#define LISTED 7.0 /* nats of evidence */

void cj__groups_free(cj__groups *groups)
{
    for (size_t i = 0; i < groups->count; i++)
        cj_free(groups->items[i].members);
    cj_free(groups->items);
    memset(groups, 0, sizeof *groups);
}

static const cj__trial *best_of(const cj__ranking *ranking, size_t suspect)
{
    return &ranking->trials[ranking->best[suspect]];
}

/* Nothing wrong, or nothing that shows: what the suspect predicts is what a good unit reads, or the
 * readings prefer it to a good unit by no more than the best of a few hundred suspects gains by
 * chance. */
static bool looks_healthy(const cj__ranking *ranking, size_t suspect)
{
    if (suspect == 0 || ranking->suspects->items[suspect].silent)
        return true;
    const cj__trial *trial = best_of(ranking, suspect);
    if (!isfinite(trial->log))
        return false;
    return cj__apart(ranking->good, ranking->healthy, trial->mean) < 1.5 ||
           trial->density < best_of(ranking, 0)->density + BY_CHANCE;
}

/* Suspects by probability, those that read like a good unit left out (their probability goes to
 * healthy). */
static size_t sort_suspects(const cj__ranking *ranking, size_t *order, double *healthy)
{
    size_t count = 0;
    for (size_t i = 0; i < ranking->known; i++) {
        if (looks_healthy(ranking, i)) {
            *healthy += ranking->probability[i];
            continue;
        }
        if (!(ranking->probability[i] > 1e-9))
            continue;
        size_t at = count++;
        for (; at > 0 && ranking->probability[order[at - 1]] < ranking->probability[i]; at--)
            order[at] = order[at - 1];
        order[at] = i;
    }
    return count;
}

static cj_status add_group(cj__groups *groups, size_t capacity, cj_error *err)
{
    cj__group_of *items = cj_resize(groups->items, groups->count + 1, sizeof *items);
    if (items == NULL)
        return cj_fail_memory(err);
    groups->items = items;
    items[groups->count] = (cj__group_of){.members = cj_new(capacity, sizeof(size_t))};
    if (items[groups->count].members == NULL)
        return cj_fail_memory(err);
    groups->count++;
    return CJ_OK;
}

/* Whether one of the ways in which the suspect explains the readings well predicts what the lead
 * does; the metric is the lead's. */
static bool alike(const cj__ranking *ranking, size_t suspect, const cj__trial *lead)
{
    const cj__trial *best = best_of(ranking, suspect);
    for (size_t t = 0; t < ranking->trial_count; t++) {
        const cj__trial *trial = &ranking->trials[t];
        if (trial->suspect == suspect && trial->log > best->log - 4 &&
            trial->density > lead->density - LISTED &&
            cj__apart(ranking->normal, lead->mean, trial->mean) < APART)
            return true;
    }
    return false;
}

/* Takes the first of `order` and all that cannot be told from it. */
static cj_status take_group(cj__ranking *ranking, size_t *order, size_t *count, cj__groups *groups,
                            cj_error *err)
{
    cj_status status = add_group(groups, *count, err);
    if (status != CJ_OK)
        return status;
    cj__group_of *group = &groups->items[groups->count - 1];
    size_t lead = order[0], left = 0;
    const cj__trial *first = best_of(ranking, lead);
    status = cj__trial_metric(ranking, first, CJ_TRANSIENT, err);
    if (status != CJ_OK)
        return status;
    for (size_t i = 0; i < *count; i++) {
        size_t suspect = order[i];
        bool same = suspect == lead || alike(ranking, suspect, first);
        if (same) {
            group->members[group->count++] = suspect;
            group->probability += ranking->probability[suspect];
        } else {
            order[left++] = suspect;
        }
    }
    *count = left;
    return CJ_OK;
}

enum { GROUPS_MOST = 8 };

cj_status cj__groups_make(cj__ranking *ranking, cj__groups *out, cj_error *err)
{
    memset(out, 0, sizeof *out);
    size_t *order = cj_new(ranking->known + 1, sizeof *order);
    if (order == NULL)
        return cj_fail_memory(err);
    cj__groups groups = {0};
    size_t count = sort_suspects(ranking, order, &groups.healthy);
    cj_status status = CJ_OK;
    /* where none of them explains the readings, the one that comes closest is still told */
    while (count > 0 && groups.count < GROUPS_MOST && status == CJ_OK &&
           (ranking->probability[order[0]] > 0.002 || (groups.count == 0 && ranking->none > 0.5)))
        status = take_group(ranking, order, &count, &groups, err);
    cj_free(order);
    if (status != CJ_OK) {
        cj__groups_free(&groups);
        return status;
    }
    /* a group can outweigh the one of a likelier lead */
    for (size_t i = 1; i < groups.count; i++)
        for (size_t j = i; j > 0 && groups.items[j - 1].probability < groups.items[j].probability;
             j--) {
            cj__group_of swap = groups.items[j];
            groups.items[j] = groups.items[j - 1];
            groups.items[j - 1] = swap;
        }
    *out = groups;
    return CJ_OK;
}

/* ---- a fault as found ---- */

/* What may be written on the part: the fit, and the part's own tolerance, nine tenths of it. */
static void set_value(const cj_part *part, double value, double low, double high, cj_fault *fault)
{
    double half = hypot(log(high / low) / 2, 0.9 * part->tolerance), middle = sqrt(low * high);
    fault->value = value;
    fault->low = middle * exp(-half);
    fault->high = middle * exp(half);
    cj_value_text(cj_preferred(value, 24), fault->nearest, sizeof fault->nearest);
}

/* Of a pair one value is searched for beside the other one as it was found. */
static void find_value(const cj__ranking *ranking, const cj__trial *trial, cj_fault *fault)
{
    const cj_board *board = ranking->scene->board;
    const cj__manner *manner = &ranking->suspects->items[trial->suspect].manners[trial->manner];
    int part = cj_board_part(board, fault->part);
    for (size_t i = 0; i < manner->edit_count; i++) {
        const cj_edit *edit = &manner->edits[i];
        if (edit->kind != CJ_EDIT_VALUE || edit->part != part)
            continue;
        if (manner->prior != CJ__FIXED && manner->free_edit == i && !manner->free_b)
            set_value(&board->parts[part], trial->free_value, trial->low, trial->high, fault);
        else
            set_value(&board->parts[part], edit->a, edit->a, edit->a, fault);
        return;
    }
}

bool cj__fault_found(const cj__ranking *ranking, size_t suspect, int pin, cj_fault *out)
{
    const cj__suspect *of = &ranking->suspects->items[suspect];
    const cj__trial *trial = best_of(ranking, suspect);
    if (!cj_fault_copy(out, &of->fault))
        return false;
    if (of->both_pins)
        out->pin = pin;
    for (cj_fault *fault = out; fault != NULL; fault = fault->with)
        if (fault->kind == CJ_FAULT_WRONG_VALUE && isfinite(trial->log))
            find_value(ranking, trial, fault);
    return true;
}
