/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

#include <math.h>
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

static bool has_tone(const cj_measurement *measurement)
{
    for (int i = 0; i < measurement->channel_count; i++) {
        const cj_figure *tone = cj_figure_find(&measurement->channel[i], "tone_hz");
        if (tone != NULL && isfinite(tone->value))
            return true;
    }
    return false;
}

/* A generator set by hand is some hertz off what the step says: the tone is found first, and looked
 * for where it should be only when none was. */
static cj_status measure(cj_capture *capture, const struct request *request,
                         const cj_measure_options *options, cj_measurement **out, cj_error *err)
{
    double hz = request->step_hz, rate = cj_capture_about(capture)->rate_hz;
    cj_status status = cj_measure(capture, options, out, err);
    if (status != CJ_OK || !(hz > 0) || options->tone_hz > 0 || !(hz < rate / 2) || has_tone(*out))
        return status;
    cj_measure_options asked = *options;
    cj_measurement *again = NULL;
    asked.tone_hz = hz;
    if (cj_measure(capture, &asked, &again, NULL) == CJ_OK && has_tone(again)) {
        cj_measurement_free(*out);
        *out = again;
    } else {
        cj_measurement_free(again);
    }
    return CJ_OK;
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
                             .count = request->json || request->digests
                                          ? cj_capture_about(out->capture)->file_count
                                          : 0};
    pthread_t thread;
    bool beside = job.count > 0 && pthread_create(&thread, NULL, make_digests, &job) == 0;
    status = measure(out->capture, request, &options, &out->measurement, err);
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
