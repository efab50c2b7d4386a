/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Any bytes as scope CSV: read or refused with one line, and what was read keeps its promises. */
#include "capture/scope.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void need(int condition)
{
    if (!condition)
        abort();
}

static void check_scope(const cj__scope *scope)
{
    need(scope->channel_count >= 1 && scope->selected_count >= 1 && scope->selected_count <= 2);
    need(scope->samples >= 16);
    need(isfinite(scope->rate_hz) && scope->rate_hz >= 0 && scope->rate_u >= 0);
    need(isfinite(scope->start_s) && isfinite(scope->rate_u));
    for (int k = 0; k < scope->selected_count; k++) {
        need(scope->selected[k] >= 0 && scope->selected[k] < scope->channel_count);
        const cj_channel_info *info = &scope->channels[scope->selected[k]];
        size_t gaps = 0;
        for (size_t i = 0; i < scope->samples; i++)
            gaps += isnan(scope->values[k][i]);
        need(gaps == info->gaps && isfinite(info->step) && info->step >= 0);
    }
    for (int i = 0; i < scope->channel_count; i++)
        need(scope->channels[i].name[0] != '\0' && scope->channels[i].unit[0] != '\0');
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    cj_error error = {0};
    cj__scope *scope = NULL;
    cj_status status = cj__scope_read("input", (const char *)data, size, NULL, &scope, &error);
    if (status == CJ_OK)
        check_scope(scope);
    else
        need(scope == NULL && status == CJ_DATA && error.message[0] &&
             !strchr(error.message, '\n'));
    cj__scope_free(scope);
    return 0;
}
