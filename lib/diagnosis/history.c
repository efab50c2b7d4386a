/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * What was repaired on units of this board before makes the same likelier again.
 *
 * Dirichlet counts at three levels: which kind of fault, on which part, where on it. At each the
 * built-in shares count like CJ_HISTORY_UNITS repairs, so the expected share of the kind k is
 * (units * share + repairs of the kind) / (units + all repairs), and so on down (Dirichlet and
 * multinomial are conjugate; Gelman et al., Bayesian Data Analysis, 3.4; from memory).
 */
#include <math.h>
#include <string.h>

#include "diagnosis/suspects.h"

void cj_history_free(cj_history *history)
{
    for (size_t i = 0; i < history->count; i++)
        cj_fault_clear(&history->items[i].fault);
    cj_free(history->items);
    *history = (cj_history){0};
}

enum { KINDS = CJ_FAULT_OUTSIDE + 1 };

struct counts {
    double *own;         /* [suspects] repairs of just this */
    double kind[KINDS];  /* repairs of the kind */
    double share[KINDS]; /* built-in share of the kind */
    double total;
};

static bool same_pins(const cj__suspect *suspect, const cj_fault *found)
{
    const cj_fault *fault = &suspect->fault;
    if (found->pin == 0 || suspect->both_pins)
        return true;
    bool straight = fault->pin == found->pin && fault->pin2 == found->pin2;
    return straight || (fault->kind == CJ_FAULT_BRIDGE && fault->pin == found->pin2 &&
                        fault->pin2 == found->pin);
}

/* Empty where it was not said. */
static bool same_word(const char *word, const char *found)
{
    return found[0] == '\0' || strcmp(word, found) == 0;
}

static bool is_same(const cj__suspect *suspect, const cj_fault *found)
{
    const cj_fault *fault = &suspect->fault;
    if (fault->kind != found->kind)
        return false;
    if (fault->kind == CJ_FAULT_SWAPPED)
        return (strcmp(fault->part, found->part) == 0 && strcmp(fault->other, found->other) == 0) ||
               (strcmp(fault->part, found->other) == 0 && strcmp(fault->other, found->part) == 0);
    return strcmp(fault->part, found->part) == 0 && same_pins(suspect, found) &&
           same_word(fault->rail, found->rail) && same_word(fault->figure, found->figure);
}

/* A repair goes to the suspects it means, by their built-in shares where it means several. */
static bool count_one(const cj__suspects *suspects, const cj_fault *found, double times,
                      struct counts *counts)
{
    double meant = 0;
    for (size_t i = 1; i < suspects->count; i++)
        meant += is_same(&suspects->items[i], found) ? suspects->items[i].prior : 0;
    if (!(meant > 0))
        return false;
    for (size_t i = 1; i < suspects->count; i++)
        if (is_same(&suspects->items[i], found))
            counts->own[i] += times * suspects->items[i].prior / meant;
    counts->kind[found->kind] += times;
    counts->total += times;
    return true;
}

/* Two faults at once are one of each. */
static double count_all(const cj__suspects *suspects, const cj_history *history,
                        struct counts *counts)
{
    double used = 0;
    for (size_t i = 0; i < history->count; i++) {
        const cj_confirmed *repair = &history->items[i];
        bool any = false;
        for (const cj_fault *found = &repair->fault; found != NULL; found = found->with)
            any = count_one(suspects, found, repair->times, counts) || any;
        used += any ? repair->times : 0;
    }
    return used;
}

static bool same_part(const cj__suspect *a, const cj__suspect *b)
{
    return a->fault.kind == b->fault.kind && strcmp(a->fault.part, b->fault.part) == 0;
}

/* The expected share of a part's fault of one kind among all faults. */
static double expected(const struct counts *counts, int kind, double share, double repairs)
{
    const double units = CJ_HISTORY_UNITS;
    double of_kind = (units * counts->share[kind] + counts->kind[kind]) / (units + counts->total);
    return of_kind * (units * share / counts->share[kind] + repairs) / (units + counts->kind[kind]);
}

/* Suspects of one kind on one part, of which one was repaired. */
static void learn_part(cj__suspects *suspects, const struct counts *counts, size_t first,
                       double *prior)
{
    const double units = CJ_HISTORY_UNITS;
    const cj__suspect *of = &suspects->items[first];
    double share = 0, repairs = 0;
    for (size_t i = first; i < suspects->count; i++)
        if (same_part(&suspects->items[i], of)) {
            share += suspects->items[i].prior;
            repairs += counts->own[i];
        }
    double whole = expected(counts, (int)of->fault.kind, share, repairs);
    for (size_t i = first; i < suspects->count; i++)
        if (same_part(&suspects->items[i], of))
            prior[i] = whole * (units * suspects->items[i].prior / share + counts->own[i]) /
                       (units + repairs);
}

static void learn(cj__suspects *suspects, const struct counts *counts, double *prior)
{
    for (size_t i = 1; i < suspects->count; i++) {
        const cj__suspect *suspect = &suspects->items[i];
        if (suspect->prior > 0 && !(prior[i] > 0))
            prior[i] = expected(counts, (int)suspect->fault.kind, suspect->prior, 0);
        if (!(counts->own[i] > 0))
            continue;
        size_t first = 1;
        while (!same_part(&suspects->items[first], suspect))
            first++;
        learn_part(suspects, counts, first, prior);
    }
    for (size_t i = 1; i < suspects->count; i++)
        suspects->items[i].prior = prior[i];
}

cj_status cj__history_apply(const cj_history *history, cj__suspects *suspects, double *used,
                            cj_error *err)
{
    struct counts counts = {.own = cj_new(suspects->count, sizeof *counts.own)};
    double *prior = cj_new(suspects->count, sizeof *prior), total = 0;
    cj_status status = counts.own == NULL || prior == NULL ? cj_fail_memory(err) : CJ_OK;
    for (size_t i = 1; status == CJ_OK && i < suspects->count; i++)
        total += suspects->items[i].prior;
    for (size_t i = 1; status == CJ_OK && total > 0 && i < suspects->count; i++) {
        suspects->items[i].prior /= total;
        counts.share[suspects->items[i].fault.kind] += suspects->items[i].prior;
    }
    if (status == CJ_OK) {
        *used = count_all(suspects, history, &counts);
        if (*used > 0)
            learn(suspects, &counts, prior);
    }
    cj_free(counts.own);
    cj_free(prior);
    return status;
}
