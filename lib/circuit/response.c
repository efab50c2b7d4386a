/* SPDX-License-Identifier: GPL-3.0-or-later */
/* response.c - phasors of a look at any frequencies. */
#include <math.h>

#include "circuit/internal.h"

/* At one frequency of a frame that holds the variant and is at rest. */
static cj_status respond(cj_bench *bench, const cj__look *look, cj__frame *frame, double hz,
                         cj_complex *out, cj_error *err)
{
    cj__plane *plane;
    cj_status status = cj__plane_of(frame, 2 * M_PI * hz, &plane, err);
    if (status != CJ_OK)
        return status;
    if (!cj__drive_phasor(bench, look, plane, look->peak[0], bench->vector))
        return cj_fail_memory(err);
    for (int c = 0; c < look->see_count; c++) {
        cj__c value = bench->vector[look->see[c].net] - bench->vector[look->see[c].against];
        out[c] = (cj_complex){creal(value), cimag(value)};
    }
    return CJ_OK;
}

cj_status cj_bench_response(cj_bench *bench, size_t look, const cj_variant *variant,
                            const double *hz, size_t count, cj_complex *out, cj_error *err)
{
    if (look >= bench->look_count || bench->looks[look].points == 0)
        return cj_fail(err, CJ_USAGE, "", 0, 0, "no such look, or one in which nothing is driven");
    const cj__look *at = &bench->looks[look];
    cj__frame *frame = NULL;
    cj_status status = cj__own_frame(bench, &bench->board->steps[at->step], variant, &frame, err);
    if (status != CJ_OK)
        return status;
    if (!cj__vectors_reserve(bench, (size_t)frame->nodes))
        status = cj_fail_memory(err);
    for (size_t f = 0; status == CJ_OK && f < count; f++) {
        if (!(hz[f] > 0) || !isfinite(hz[f]))
            status = cj_fail(err, CJ_USAGE, "", 0, 0, "a response at %g Hz", hz[f]);
        else
            status = respond(bench, at, frame, hz[f], out + f * (size_t)at->see_count, err);
        cj__planes_keep_first(frame);
    }
    cj__frame_clear(frame);
    cj_free(frame);
    return status;
}
