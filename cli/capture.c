/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

#include <pthread.h>

/* The digest reads the whole file once more: beside the measurement, not after it. */
struct digest_job {
    cj_capture *capture;
    int count;
    cj_digests digests;
    cj_status status;
    cj_error err;
};

static void *make_digests(void *user)
{
    struct digest_job *job = user;
    for (int i = 0; i < job->count && job->status == CJ_OK; i++)
        job->status = cj_capture_digest(job->capture, i, job->digests.hex[i], &job->err);
    job->digests.count = job->count;
    return NULL;
}

cj_status measured_make(const struct request *request, const char *name, int index, int count,
                        struct measured *out, cj_error *err)
{
    *out = (struct measured){0};
    struct progress progress = progress_start(request, index, count);
    cj_measure_options options = request->measure;
    options.progress = progress_show;
    options.user = &progress;
    cj_status status = cj_capture_open(name, &request->capture, &out->capture, err);
    if (status != CJ_OK)
        return status;

    struct digest_job job = {.capture = out->capture,
                             .count =
                                 request->json ? cj_capture_about(out->capture)->file_count : 0};
    pthread_t thread;
    bool beside = job.count > 0 && pthread_create(&thread, NULL, make_digests, &job) == 0;
    status = cj_measure(out->capture, &options, &out->measurement, err);
    if (beside)
        pthread_join(thread, NULL);
    else
        make_digests(&job);
    progress_clear(&progress);
    if (status == CJ_OK && job.status != CJ_OK) {
        status = job.status;
        if (err != NULL)
            *err = job.err;
    }
    if (status != CJ_OK)
        measured_free(out);
    out->digests = job.digests;
    return status;
}

void measured_free(struct measured *measured)
{
    cj_measurement_free(measured->measurement);
    cj_capture_free(measured->capture);
    *measured = (struct measured){0};
}
