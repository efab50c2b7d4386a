/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Faults of a board's units by frequency. */
#include "unitlog/stats.h"

#include <stdlib.h>
#include <string.h>

/* The place of a fault: a wrong value whatever the value. NULL: out of memory. */
static char *place_of(const char *fault)
{
    bool value = strncmp(fault, "wrong-value:", strlen("wrong-value:")) == 0;
    return cj_copy_text_n(fault, value ? strcspn(fault, "=") : strlen(fault));
}

static int by_name(const void *a, const void *b)
{
    return strcmp(((const cj_fault_count *)a)->fault, ((const cj_fault_count *)b)->fault);
}

static int by_times(const void *a, const void *b)
{
    const cj_fault_count *one = a, *other = b;
    size_t first = one->confirmed + one->suspected, second = other->confirmed + other->suspected;
    return first != second ? (first < second ? 1 : -1) : by_name(a, b);
}

/* The same in one, sorted. */
static void join(cj_batch *batch)
{
    size_t kept = 0;
    qsort(batch->faults, batch->fault_count, sizeof *batch->faults, by_name);
    for (size_t i = 0; i < batch->fault_count; i++) {
        cj_fault_count *one = &batch->faults[i];
        cj_fault_count *last = kept > 0 ? &batch->faults[kept - 1] : NULL;
        if (last != NULL && by_name(last, one) == 0) {
            last->confirmed += one->confirmed;
            last->suspected += one->suspected;
            cj_free(one->fault);
        } else {
            batch->faults[kept++] = *one;
        }
    }
    batch->fault_count = kept;
    qsort(batch->faults, batch->fault_count, sizeof *batch->faults, by_times);
}

static cj_status add(cj_batch *batch, const char *fault, size_t confirmed, size_t suspected,
                     cj_error *err)
{
    char *place = place_of(fault);
    if (place == NULL)
        return cj_fail_memory(err);
    batch->faults[batch->fault_count++] = (cj_fault_count){place, confirmed, suspected};
    return CJ_OK;
}

bool cj__is_suspect(const cj_run_head *run)
{
    return run->fault[0] != '\0' && run->probability >= CJ__SUSPECTED;
}

cj_status cj__count_faults(cj_log *log, cj_batch *batch, cj_error *err)
{
    cj_history history;
    cj_status status = cj_log_history(log, batch->board, &history, err);
    if (status != CJ_OK)
        return status;
    size_t runs = batch->log->run_count;
    batch->faults = cj_new(history.count + runs + 1, sizeof *batch->faults);
    if (batch->faults == NULL)
        status = cj_fail_memory(err);
    for (size_t i = 0; status == CJ_OK && i < history.count; i++) {
        cj_text text = {0};
        cj_fault_text(&history.items[i].fault, &text);
        status = text.failed ? cj_fail_memory(err)
                             : add(batch, text.bytes, (size_t)history.items[i].times, 0, err);
        cj_text_free(&text);
    }
    for (size_t i = 0; status == CJ_OK && i < runs; i++) {
        const cj_run_head *run = &batch->log->runs[i];
        if (run->verdict != CJ_PASS && cj__is_suspect(run))
            status = add(batch, run->fault, 0, 1, err);
    }
    if (status == CJ_OK)
        join(batch);
    cj_history_free(&history);
    return status;
}
