/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Is there a sweep, and where? */
#include "figures/response.h"

#include <math.h>

#define GLIMPSES 192
#define LEAST_SAMPLES ((size_t)4096)
#define LONGER 8 /* times the window, where the first holds too few periods */

/* Gaps count as 0. */
static cj_status read_window(cj_capture *capture, int channel, double middle, size_t n, double *x,
                             cj_error *err)
{
    const cj_capture_info *about = cj_capture_about(capture);
    double start = fmin(fmax(0, middle - (double)n / 2), (double)(about->samples - n));
    double *out[2] = {channel == 0 ? x : NULL, channel == 1 ? x : NULL};
    cj_status status = cj_capture_read(capture, (size_t)start, n, out, err);
    for (size_t i = 0; status == CJ_OK && i < n; i++)
        x[i] = isnan(x[i]) ? 0 : x[i];
    return status;
}

static cj_status glimpse_at(cj_capture *capture, cj_spectra *spectra, int channel, double middle,
                            size_t n, double *x, cj__glimpse *out, cj_error *err)
{
    const cj_capture_info *about = cj_capture_about(capture);
    for (size_t length = n; length <= LONGER * n; length *= LONGER) {
        if (length > about->samples / 4)
            break;
        cj_status status = read_window(capture, channel, middle, length, x, err);
        if (status == CJ_OK)
            status = cj__glimpse_take(spectra, x, length, about->rate_hz, out, err);
        if (status != CJ_OK)
            return status;
        double start =
            fmin(fmax(0, middle - (double)length / 2), (double)(about->samples - length));
        out->time_s = (floor(start) + (double)(length - 1) / 2) / about->rate_hz;
        if (out->blur < 1.0 / 20)
            break;
    }
    return CJ_OK;
}

static cj_status track_of(cj_capture *capture, cj_spectra *spectra, int channel, cj__track *track,
                          bool *found, cj_error *err)
{
    const cj_capture_info *about = cj_capture_about(capture);
    cj__glimpse *glimpses = cj_new(GLIMPSES, sizeof *glimpses);
    size_t most = (size_t)fmax(256, 2048 * about->rate_hz / 48000);
    size_t n = about->samples / 64 < most ? about->samples / 64 : most;
    double *x = cj_new(LONGER * n, sizeof *x);
    cj_status status = glimpses && x ? CJ_OK : cj_fail_memory(err);
    for (size_t i = 0; status == CJ_OK && i < GLIMPSES; i++)
        status = glimpse_at(capture, spectra, channel,
                            ((double)i + 0.5) / GLIMPSES * (double)about->samples, n, x,
                            &glimpses[i], err);
    *found = status == CJ_OK && cj__track_fit(glimpses, GLIMPSES, track);
    cj_free(glimpses);
    cj_free(x);
    return status;
}

/* The sweep that stands for the input where there is one channel: as it was played, or of the
 * track's own rate and of level 1. */
static cj_status make_reference(const cj_measure_options *options, const cj_capture_info *about,
                                cj__sweep *out, cj_error *err)
{
    const cj_stimulus *played = options ? options->played : NULL;
    out->clock = 1;
    out->known = played && played->signal == CJ_SIG_SWEEP;
    if (out->known) {
        cj_status status = cj_sweep_make(played, &out->reference, err);
        if (status != CJ_OK)
            return status;
    } else {
        /* it runs on beyond both ends of what was seen, so that its own fades are elsewhere */
        double from = cj__track_hz(&out->track, out->track.first_s) / 2;
        double most = 0.48 * about->rate_hz, scale = out->track.scale_s;
        double to = fmin(most, 2 * cj__track_hz(&out->track, out->track.last_s));
        out->reference = (cj_sweep){.from_hz = from,
                                    .to_hz = to,
                                    .peak = 1,
                                    .scale_s = scale,
                                    .seconds = scale * log(to / from),
                                    .lead_s = scale * M_LN2 / 2};
        out->reference.trail_s = fmin(scale * M_LN2 / 4, scale * log(fmax(1, most / to)));
    }
    out->start_s = cj__track_time(&out->track, out->reference.from_hz);
    return CJ_OK;
}

cj_status cj__sweep_find(cj_capture *capture, const cj_measure_options *options,
                         cj_spectra *spectra, cj__sweep *out, bool *found, cj_error *err)
{
    const cj_capture_info *about = cj_capture_about(capture);
    *out = (cj__sweep){.clock = 1};
    *found = false;
    if (!(about->rate_hz > 0) || about->samples < LEAST_SAMPLES || about->envelope)
        return CJ_OK;
    cj_status status = track_of(capture, spectra, 0, &out->track, found, err);
    if (status != CJ_OK || !*found)
        return status;
    if (about->selected_count == 1)
        return make_reference(options, about, out, err);
    out->output = 1;
    cj__track other;
    bool both = false;
    status = track_of(capture, spectra, 1, &other, &both, err);
    out->output_seen = both;
    if (status != CJ_OK || !both)
        return status;
    /* a late output, as from a unit that holds samples: its window has to be there */
    double later = other.at_1k_s - out->track.at_1k_s;
    if (fabs(later) > 0.002 + 3 * hypot(other.at_u, out->track.at_u))
        out->later_s = round(later * about->rate_hz) / about->rate_hz;
    return CJ_OK;
}
