/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stimulus_file.c - a test signal becomes an audio file. */
#include "coldjoint/signal.h"

#include <math.h>

static cj_status next_samples(void *user, size_t count, double *out, cj_error *err)
{
    (void)err;
    cj_generator_read(user, count, out);
    return CJ_OK;
}

/* Full scale itself is allowed: a last step too high is held. */
static cj_status check_level(const cj_stimulus *stimulus, double full_scale, cj_error *err)
{
    double part = cj_stimulus_peak(stimulus) / full_scale;
    if (part <= 1 + 1e-9)
        return CJ_OK;
    return cj_fail(
        err, CJ_USAGE, NULL, 0, 0,
        "peaks at %.4g of full scale: a level %.2f dB lower, or more volts at full scale", part,
        ceil(2000 * log10(part)) / 100);
}

cj_status cj_stimulus_write(const char *path, const cj_stimulus *stimulus,
                            const cj_audio_format *format, cj_error *err)
{
    cj_layout layout;
    cj_generator *generator = NULL;
    cj_audio_format own = *format;
    own.rate_hz = stimulus->rate_hz;
    if (!(own.full_scale > 0))
        own.full_scale = 1;
    cj_status status = cj_stimulus_layout(stimulus, &layout, err);
    if (status == CJ_OK)
        status = check_level(stimulus, own.full_scale, err);
    if (status == CJ_OK)
        status = cj_audio_check(path, &own, layout.total, err);
    if (status == CJ_OK)
        status = cj_generator_new(stimulus, &generator, err);
    if (status == CJ_OK)
        status = cj_audio_write(path, &own, layout.total, next_samples, generator, err);
    cj_generator_free(generator);
    return status;
}
