/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "failing.h"
#include "check.h"

void *__real_malloc(size_t size);
void *__real_calloc(size_t count, size_t size);
void *__real_realloc(void *old, size_t size);
void __real_free(void *memory);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t count, size_t size);
void *__wrap_realloc(void *old, size_t size);
void __wrap_free(void *memory);

static struct {
    bool watching, for_good;
    long fails_at, seen, live;
} state;

/* Counts an allocation; true where it is to fail. */
static bool refused(void)
{
    if (!state.watching)
        return false;
    state.seen++;
    return state.seen == state.fails_at || (state.for_good && state.seen > state.fails_at);
}

static void *counted(void *made)
{
    if (state.watching && made != NULL)
        state.live++;
    return made;
}

void *__wrap_malloc(size_t size)
{
    return refused() ? NULL : counted(__real_malloc(size));
}

void *__wrap_calloc(size_t count, size_t size)
{
    return refused() ? NULL : counted(__real_calloc(count, size));
}

void *__wrap_realloc(void *old, size_t size)
{
    if (refused())
        return NULL;
    void *made = __real_realloc(old, size);
    return old == NULL ? counted(made) : made;
}

void __wrap_free(void *memory)
{
    if (state.watching && memory != NULL)
        state.live--;
    __real_free(memory);
}

static void judge(const char *label, cj_status status, const cj_error *err, bool hit)
{
    bool told = status == CJ_OK || (err->message[0] != '\0' && err->status == status);
    if (status == (hit ? CJ_NOMEM : CJ_OK) && state.live == 0 && told)
        return;
    fail_msg("%s: allocation %ld failing%s: status %d (%s), %ld blocks not given back", label,
             state.fails_at, state.for_good ? " and all after it" : "", (int)status, err->message,
             state.live);
}

long failing_each(const char *label, failing_job *job, void *user)
{
    long total = 0;
    for (int for_good = 0; for_good < 2; for_good++) {
        bool hit = true;
        for (long nth = 1; hit; nth++) {
            cj_error err = {0};
            state.for_good = for_good;
            state.fails_at = nth;
            state.seen = state.live = 0;
            state.watching = true;
            cj_status status = job(user, &err);
            state.watching = false;
            hit = state.seen >= nth;
            judge(label, status, &err, hit);
            total = state.seen;
        }
    }
    return total;
}
