/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Two faults at once, where no single one explains what was seen.
 *
 * The suspects that explain most of it, a few readings left aside, are each joined with every other
 * one; the pairs that come closest are judged like any suspect.
 */
#include <math.h>
#include <string.h>

#include "diagnosis/rank.h"

enum { LEADS = 5, PAIRS = 12 };

/* How often two independent faults meet in one unit, beside one (judgement). */
#define PAIR_SHARE 0.04
/* Pairs are looked for where "none of these" is at least this likely. */
#define NEEDED 0.2
#define LIKELY 0.1

/* What a row without a prediction costs a pair when it is screened. */
#define SKIPPED 3.0

struct candidate {
    size_t lead, other, manner; /* suspects; the other's manner */
    double score;
};

struct pairing {
    cj__ranking *ranking;
    size_t leads[LEADS];
    size_t lead_count;
    struct candidate best[PAIRS];
    size_t best_count;
};

static double lead_score(const cj__ranking *ranking, size_t suspect)
{
    double best = -INFINITY;
    for (size_t t = 0; t < ranking->trial_count; t++)
        if (ranking->trials[t].suspect == suspect && !ranking->trials[t].rough)
            best = fmax(best, ranking->trials[t].robust);
    return best + log(ranking->suspects->items[suspect].prior);
}

static void choose_leads(struct pairing *pairing)
{
    double scores[LEADS];
    for (size_t i = 1; i < pairing->ranking->known; i++) {
        double score = lead_score(pairing->ranking, i);
        size_t at = pairing->lead_count;
        while (at > 0 && scores[at - 1] < score)
            at--;
        if (at == LEADS || !isfinite(score) || pairing->ranking->suspects->items[i].silent)
            continue;
        if (pairing->lead_count < LEADS)
            pairing->lead_count++;
        for (size_t k = pairing->lead_count - 1; k > at; k--) {
            pairing->leads[k] = pairing->leads[k - 1];
            scores[k] = scores[k - 1];
        }
        pairing->leads[at] = i;
        scores[at] = score;
    }
}

/* A suspect of one manner: the lead as it was found, or one manner of the other. */
static cj_status alone(cj__suspects *list, const cj__suspect *from, const cj__manner *manner,
                       cj_error *err)
{
    cj__suspect *suspect = cj__suspects_add(list, &from->fault, from->prior);
    cj__manner *copy =
        suspect != NULL ? cj__suspect_manner(suspect, manner->edit_count, manner->weight) : NULL;
    if (copy == NULL)
        return cj_fail_memory(err);
    cj_edit *edits = copy->edits;
    *copy = *manner;
    copy->edits = edits;
    memcpy(edits, manner->edits, manner->edit_count * sizeof *edits);
    return CJ_OK;
}

/* A list of three: healthy, the lead fixed as it was found, the other's manner; then their pair. */
static cj_status make_pair(const cj__ranking *ranking, size_t lead, size_t other, size_t manner,
                           cj__suspects **out, cj_error *err)
{
    cj_edit edits[CJ__TRIAL_EDITS];
    cj__manner fixed;
    cj__suspects *list = NULL;
    const cj__suspects *all = ranking->suspects;
    if (!cj__trial_fixed(ranking, &ranking->trials[ranking->best[lead]], edits, &fixed))
        return cj_fail(err, CJ_BUG, "", 0, 0, "too many edits at once");
    cj_status status = cj__suspects_new(&list, err);
    if (status == CJ_OK)
        status = alone(list, &all->items[lead], &fixed, err);
    if (status == CJ_OK)
        status = alone(list, &all->items[other], &all->items[other].manners[manner], err);
    double prior = PAIR_SHARE * all->items[lead].prior * all->items[other].prior;
    if (status == CJ_OK &&
        cj__suspects_add_pair(list, &list->items[1], &list->items[2], prior) == NULL)
        status = cj_fail_memory(err);
    if (status == CJ_OK)
        *out = list;
    else
        cj__suspects_free(list);
    return status;
}

static void offer(struct pairing *pairing, struct candidate candidate)
{
    size_t at = pairing->best_count;
    while (at > 0 && pairing->best[at - 1].score < candidate.score)
        at--;
    if (at == PAIRS)
        return;
    if (pairing->best_count < PAIRS)
        pairing->best_count++;
    for (size_t k = pairing->best_count - 1; k > at; k--)
        pairing->best[k] = pairing->best[k - 1];
    pairing->best[at] = candidate;
}

/* How near the pair comes, with the lead's own spread as the measure. */
static cj_status screen(struct pairing *pairing, size_t lead, size_t other, size_t manner,
                        cj_error *err)
{
    cj__ranking *ranking = pairing->ranking;
    cj__suspects *list = NULL;
    cj_status status = make_pair(ranking, lead, other, manner, &list, err);
    if (status != CJ_OK)
        return status;
    const cj__manner *both = &list->items[3].manners[0];
    double found[CJ__MINIMA] = {NAN};
    int count = 1;
    cj__reference reference = {ranking->unit, ranking->active};
    /* what the other one changes alone, it changes beside the lead */
    memcpy(ranking->active, ranking->touches + other * ranking->scene->look_count,
           ranking->scene->look_count * sizeof *ranking->active);
    if (both->prior != CJ__FIXED) {
        status = cj__search(ranking, both, ranking->normal, found, &count, err);
    }
    if (status == CJ_OK)
        status =
            cj__outlook_fill(ranking->scene, both, found[0], 0, &reference, ranking->outlook, err);
    if (status == CJ_OK) {
        double distance = cj__normal_distance(ranking->scene, ranking->outlook, ranking->normal);
        struct candidate candidate = {lead, other, manner,
                                      -0.5 * distance - ranking->normal->half_log_det};
        for (size_t f = 0; f < ranking->scene->count; f++)
            if (ranking->outlook->skip[f])
                candidate.score -= SKIPPED * ranking->scene->features[f].rows;
        candidate.score += log(both->weight * ranking->suspects->items[other].prior);
        offer(pairing, candidate);
    }
    cj__suspects_free(list);
    return status;
}

/* What a whole part is: it cannot be open, or shorted, and of another value too. */
static bool of_whole_part(const cj__suspect *suspect)
{
    cj_fault_kind kind = suspect->fault.kind;
    return suspect->both_pins || kind == CJ_FAULT_WRONG_VALUE || kind == CJ_FAULT_SHORTED;
}

static bool same_part(const cj__suspect *a, const cj__suspect *b)
{
    return a->fault.part[0] != '\0' && strcmp(a->fault.part, b->fault.part) == 0 &&
           (a->fault.pin == b->fault.pin || of_whole_part(a) || of_whole_part(b));
}

/* Looks that the lead leaves unexplained; its whitened residual stands in ranking->normal. */
static void find_open(const cj__ranking *ranking, bool *open)
{
    const cj__scene *scene = ranking->scene;
    for (size_t l = 0; l < scene->look_count; l++) {
        open[l] = false;
        for (size_t f = 0; f < scene->count; f++)
            for (int r = 0;
                 scene->features[f].look == scene->looks[l] && r < scene->features[f].rows; r++)
                open[l] = open[l] || fabs(ranking->normal->white[scene->features[f].row + r]) > 3.5;
    }
}

static bool reaches(const cj__ranking *ranking, size_t suspect, const bool *open)
{
    size_t looks = ranking->scene->look_count;
    for (size_t l = 0; l < looks; l++)
        if (open[l] && ranking->touches[suspect * looks + l])
            return true;
    return false;
}

static cj_status screen_others(struct pairing *pairing, size_t lead, const bool *open,
                               cj_error *err)
{
    const cj__suspects *all = pairing->ranking->suspects;
    cj_status status = CJ_OK;
    for (size_t i = 1; i < pairing->ranking->known && status == CJ_OK; i++) {
        if (i == lead || all->items[i].silent || same_part(&all->items[lead], &all->items[i]) ||
            !reaches(pairing->ranking, i, open))
            continue;
        for (size_t m = 0; m < all->items[i].count && status == CJ_OK; m++)
            if (all->items[i].manners[m].weight > 0.1) /* the likely ones: there are many pairs */
                status = screen(pairing, lead, i, m, err);
    }
    return status;
}

/* With the lead's own prediction in place of a good unit's: only what the other one changes is
 * solved anew. */
static cj_status screen_lead(struct pairing *pairing, size_t lead, cj_error *err)
{
    cj__ranking *ranking = pairing->ranking;
    cj__outlook *scratch = NULL, *unit = ranking->unit;
    bool *open = cj_new(ranking->scene->look_count + 1, sizeof *open);
    if (open == NULL)
        return cj_fail_memory(err);
    cj_status status = cj__trial_metric(ranking, &ranking->trials[ranking->best[lead]], 0, err);
    if (status == CJ_OK)
        status = cj__outlook_make(ranking->scene, &scratch, err);
    if (status == CJ_OK) {
        cj__normal_distance(ranking->scene, ranking->outlook, ranking->normal);
        find_open(ranking, open);
        ranking->unit = ranking->outlook;
        ranking->outlook = scratch;
        status = screen_others(pairing, lead, open, err);
        ranking->outlook = ranking->unit;
        ranking->unit = unit;
    }
    cj__outlook_free(scratch);
    cj_free(open);
    return status;
}

/* The pair itself into the ranking's list. */
static cj_status take(cj__ranking *ranking, const struct candidate *candidate, cj_error *err)
{
    cj__suspects *list = NULL;
    cj_status status =
        make_pair(ranking, candidate->lead, candidate->other, candidate->manner, &list, err);
    if (status != CJ_OK)
        return status;
    if (cj__suspects_add_pair(ranking->suspects, &list->items[1], &list->items[2],
                              list->items[3].prior) == NULL)
        status = cj_fail_memory(err);
    cj__suspects_free(list);
    return status;
}

static bool taken(const struct pairing *pairing, size_t index)
{
    const struct candidate *c = &pairing->best[index];
    for (size_t i = 0; i < index; i++) {
        const struct candidate *d = &pairing->best[i];
        if (d->manner == c->manner && d->lead == c->other && d->other == c->lead)
            return true;
    }
    return false;
}

/* The other one as it was found with the lead; what was searched for in the lead alone is searched
 * for again. */
static cj_status polish(cj__ranking *ranking, size_t pair, size_t lead, cj_error *err)
{
    cj_edit edits[CJ__TRIAL_EDITS];
    cj__manner fixed;
    const cj__trial *found = &ranking->trials[ranking->best[pair]];
    const cj__trial *alone_found = &ranking->trials[ranking->best[lead]];
    const cj__manner *searched = &ranking->suspects->items[lead].manners[alone_found->manner];
    if (searched->prior == CJ__FIXED || !cj__trial_fixed(ranking, found, edits, &fixed))
        return CJ_OK;
    cj__manner *manner =
        cj__suspect_manner(&ranking->suspects->items[pair], fixed.edit_count, searched->weight);
    if (manner == NULL)
        return cj_fail_memory(err);
    cj_edit *own = manner->edits;
    *manner = *searched;
    manner->edits = own;
    manner->edit_count = fixed.edit_count;
    memcpy(own, edits, fixed.edit_count * sizeof *own);
    return cj__rank_manner(ranking, pair, ranking->suspects->items[pair].count - 1, err);
}

/* ---- what reads like the pair found ---- */

enum { ALIKE_MOST = 8 };
#define ALIKE 3.0 /* standard deviations */

/* Single suspects that read like that one. */
static cj_status find_alike(cj__ranking *ranking, size_t suspect, size_t alike[ALIKE_MOST],
                            size_t *count, cj_error *err)
{
    const cj__trial *of = &ranking->trials[ranking->best[suspect]];
    cj_status status = cj__trial_metric(ranking, of, 0, err);
    *count = 0;
    for (size_t i = 1; i < ranking->singles && *count < ALIKE_MOST && status == CJ_OK; i++) {
        const cj__trial *trial = &ranking->trials[ranking->best[i]];
        if (ranking->suspects->items[i].silent || !isfinite(trial->log))
            continue;
        if (i == suspect || cj__apart(ranking->normal, of->mean, trial->mean) < ALIKE)
            alike[(*count)++] = i;
    }
    return status;
}

static bool known_pair(const struct candidate *pairs, size_t count, size_t a, size_t b)
{
    for (size_t i = 0; i < count; i++)
        if ((pairs[i].lead == a && pairs[i].other == b) ||
            (pairs[i].lead == b && pairs[i].other == a))
            return true;
    return false;
}

/* Every combination of what reads like one half and what reads like the other, beside those judged
 * already. */
static cj_status add_alike(cj__ranking *ranking, const struct candidate *pairs, size_t count,
                           const struct candidate *found, size_t *lead_of, size_t *added,
                           cj_error *err)
{
    size_t leads[ALIKE_MOST], others[ALIKE_MOST], lead_count = 0, other_count = 0;
    cj_status status = find_alike(ranking, found->lead, leads, &lead_count, err);
    if (status == CJ_OK)
        status = find_alike(ranking, found->other, others, &other_count, err);
    for (size_t i = 0; i < lead_count && status == CJ_OK; i++)
        for (size_t j = 0; j < other_count && status == CJ_OK; j++) {
            size_t a = leads[i], b = others[j];
            if (a == b || known_pair(pairs, count, a, b) ||
                same_part(&ranking->suspects->items[a], &ranking->suspects->items[b]))
                continue;
            struct candidate candidate = {a, b, ranking->trials[ranking->best[b]].manner, 0};
            lead_of[(*added)++] = a;
            status = take(ranking, &candidate, err);
        }
    return status;
}

/* ---- pairs ---- */

static cj_status judge_pairs(struct pairing *pairing, cj_error *err)
{
    cj__ranking *ranking = pairing->ranking;
    struct candidate pairs[PAIRS];
    size_t from = ranking->suspects->count, count = 0, best = 0;
    cj_status status = CJ_OK;
    for (size_t i = 0; i < pairing->best_count && status == CJ_OK; i++)
        if (!taken(pairing, i)) {
            pairs[count++] = pairing->best[i];
            status = take(ranking, &pairing->best[i], err);
        }
    if (status == CJ_OK)
        status = cj__rank_more(ranking, from, err);
    for (size_t i = 0; i < count && status == CJ_OK; i++)
        if (ranking->probability[from + i] > 1e-6 || ranking->none > NEEDED)
            status = polish(ranking, from + i, pairs[i].lead, err);
    for (size_t i = 1; i < count && status == CJ_OK; i++)
        if (ranking->log[from + i] > ranking->log[from + best])
            best = i;
    if (status != CJ_OK || count == 0 || ranking->probability[from + best] < 0.02)
        return status;
    size_t more = ranking->suspects->count, lead_of[ALIKE_MOST * ALIKE_MOST], added = 0;
    status = add_alike(ranking, pairs, count, &pairs[best], lead_of, &added, err);
    if (status == CJ_OK)
        status = cj__rank_more(ranking, more, err);
    for (size_t i = 0; i < added && status == CJ_OK; i++)
        status = polish(ranking, more + i, lead_of[i], err);
    return status;
}

/* Where none of these is likely; and where a fault asks for a hand at the generator's knob besides:
 * a second fault may load it. */
static bool needed(const cj__ranking *ranking)
{
    if (ranking->scene->rows == 0)
        return false;
    for (size_t i = 1; i < ranking->known; i++)
        if (ranking->probability[i] > LIKELY && ranking->trials[ranking->best[i]].moved)
            return true;
    return ranking->none >= NEEDED;
}

cj_status cj__rank_pairs(cj__ranking *ranking, cj_error *err)
{
    struct pairing pairing = {.ranking = ranking};
    if (!needed(ranking))
        return CJ_OK;
    choose_leads(&pairing);
    cj_status status = CJ_OK;
    for (size_t i = 0; i < pairing.lead_count && status == CJ_OK; i++)
        status = screen_lead(&pairing, pairing.leads[i], err);
    return status == CJ_OK ? judge_pairs(&pairing, err) : status;
}
