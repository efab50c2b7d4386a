/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log merge: what another bench has recorded. */
#include "cli.h"

static cj_status write_answer(const struct request *request, const cj_merged *merged,
                              cj_text *answer, cj_error *err)
{
    if (request->json)
        cj_text_add(
            answer,
            "{\"coldjoint\": \"log merge\", \"version\": 1, \"runs\": %zu, \"repairs\": %zu, "
            "\"voids\": %zu, \"known\": %zu}\n",
            merged->runs, merged->repairs, merged->voids, merged->known);
    else
        cj_text_add(answer, "Taken in: %zu run%s and %zu repair%s; %zu were known already%s.\n",
                    merged->runs, merged->runs == 1 ? "" : "s", merged->repairs,
                    merged->repairs == 1 ? "" : "s", merged->known,
                    merged->voids > 0 ? ", and some of them are void now" : "");
    return answer->failed ? cj_fail_memory(err) : CJ_OK;
}

static int run_merge(const struct request *request, cj_error *err)
{
    cj_log *log = NULL, *other = NULL;
    cj_merged merged = {0};
    cj_text answer = {0};
    if (request->name_count != 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "log merge wants one FILE, not %d",
                       request->name_count);
    cj_status status = cj_log_open(request->names[0], CJ_LOG_READ, &other, err);
    if (status == CJ_OK)
        status = log_open(request, CJ_LOG_CREATE, &log, err);
    if (status == CJ_OK)
        status = cj_log_merge(log, other, &merged, err);
    cj_log_close(log);
    cj_log_close(other);
    if (status == CJ_OK)
        status = write_answer(request, &merged, &answer, err);
    if (status == CJ_OK)
        status = output_write(request, &answer, err);
    cj_text_free(&answer);
    return status;
}

const struct command command_log_merge = {
    .name = "log merge",
    .arguments = "FILE",
    .does = "take in the log of another bench",
    .run = run_merge,
};
