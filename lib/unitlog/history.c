/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Repairs of a board as counts of faults, for the next diagnosis. */
#include "unitlog/internal.h"

#include <stdlib.h>
#include <string.h>

/* A repair after which the unit failed again did not find it, or not all of it. */
static bool is_confirmed(const cj_repair *repair)
{
    return !repair->voided && repair->fault[0] != '\0' &&
           !(repair->retested && repair->retest_verdict == CJ_FAIL);
}

static int by_fault(const void *a, const void *b)
{
    const cj_repair *one = *(cj_repair *const *)a, *other = *(cj_repair *const *)b;
    return strcmp(one->fault, other->fault);
}

/* A notation that this version cannot read is left out: it was written by a later one. */
static cj_status add(const char *fault, double times, cj_history *out, cj_error *err)
{
    cj_confirmed *item = &out->items[out->count];
    cj_status status = cj_fault_read(fault, &item->fault, err);
    if (status == CJ_DATA || status == CJ_USAGE)
        return CJ_OK;
    item->times = times;
    out->count += status == CJ_OK;
    return status;
}

static cj_status count_repairs(cj_repair **repairs, size_t count, cj_history *out, cj_error *err)
{
    cj_status status = CJ_OK;
    out->items = cj_new(count + 1, sizeof *out->items);
    if (out->items == NULL)
        return cj_fail_memory(err);
    qsort(repairs, count, sizeof(cj_repair *), by_fault);
    for (size_t i = 0, next; status == CJ_OK && i < count; i = next) {
        for (next = i + 1; next < count && by_fault(&repairs[i], &repairs[next]) == 0;)
            next++;
        status = add(repairs[i]->fault, (double)(next - i), out, err);
    }
    return status;
}

cj_status cj_log_history(cj_log *log, const char *board, cj_history *out, cj_error *err)
{
    cj_repair *repairs = NULL, **confirmed = NULL;
    size_t count = 0, kept = 0;
    *out = (cj_history){0};
    cj_status status = cj_log_repairs(log, board, NULL, &repairs, &count, err);
    if (status != CJ_OK)
        return status;
    confirmed = cj_new(count + 1, sizeof(cj_repair *));
    if (confirmed == NULL)
        status = cj_fail_memory(err);
    for (size_t i = 0; status == CJ_OK && i < count; i++)
        if (is_confirmed(&repairs[i]))
            confirmed[kept++] = &repairs[i];
    if (status == CJ_OK)
        status = count_repairs(confirmed, kept, out, err);
    if (status != CJ_OK)
        cj_history_free(out);
    cj_free(confirmed);
    cj_repairs_free(repairs, count);
    return status;
}
