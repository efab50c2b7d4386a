/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Stretches of a record at a lower rate. */
#include "figures/response.h"

#include <math.h>
#include <string.h>

#define CHUNK ((size_t)32768)

cj_status cj__reader_start(cj__sweep_reader *reader, cj_capture *capture, const cj__sweep *sweep,
                           cj_error *err)
{
    *reader =
        (cj__sweep_reader){.capture = capture, .about = cj_capture_about(capture), .sweep = sweep};
    cj__half_filter(reader->taps);
    (void)err;
    return CJ_OK;
}

void cj__reader_stop(cj__sweep_reader *reader)
{
    cj_free(reader->chunk[0]);
    cj_free(reader->chunk[1]);
}

static bool make_room(cj__sweep_reader *reader, size_t n)
{
    if (n <= reader->chunk_room)
        return true;
    for (int c = 0; c < 2; c++) {
        cj_free(reader->chunk[c]);
        reader->chunk[c] = NULL;
    }
    reader->chunk_room = 0;
    for (int c = 0; c < 2; c++)
        if ((reader->chunk[c] = cj_new(n, sizeof(double))) == NULL)
            return false;
    reader->chunk_room = n;
    return true;
}

/* Samples start.. of the wanted channels, 0 outside the record and for gaps; losses filled in. */
static cj_status read_padded(cj__sweep_reader *reader, long start, size_t n, double *const x[2],
                             cj_error *err)
{
    const cj__sweep *sweep = reader->sweep;
    long samples = (long)reader->about->samples, end = start + (long)n;
    long first = start < 0 ? 0 : start, last = end > samples ? samples : end;
    double *at[2] = {NULL, NULL};
    for (int c = 0; c < 2; c++)
        if (x[c] != NULL) {
            memset(x[c], 0, n * sizeof *x[c]);
            at[c] = x[c] + (first - start);
        }
    if (first >= last)
        return CJ_OK;
    cj_status status =
        cj_capture_read(reader->capture, (size_t)first, (size_t)(last - first), at, err);
    for (int c = 0; c < 2 && status == CJ_OK; c++)
        for (long i = 0; at[c] != NULL && i < last - first; i++)
            at[c][i] = isnan(at[c][i]) ? 0 : at[c][i];
    for (size_t i = 0; status == CJ_OK && i < sweep->gap_count; i++)
        if (at[sweep->gaps[i].channel] != NULL)
            status = cj__gap_fill(reader->capture, &sweep->gaps[i], (size_t)first,
                                  (size_t)(last - first), at[sweep->gaps[i].channel], err);
    return status;
}

/* n samples of the wanted channels at rate / 2^level, the first at sample `start` of the record. */
static cj_status read_channels(cj__sweep_reader *reader, int level, long start, size_t n,
                               double *const out[2], cj_error *err)
{
    size_t step = CHUNK >> level > 64 ? CHUNK >> level : 64;
    long lead = (long)cj__halve_lead(level);
    for (size_t done = 0; done < n; done += step) {
        size_t count = n - done < step ? n - done : step, need = cj__halve_input(count, level);
        if (!make_room(reader, need))
            return cj_fail_memory(err);
        double *const x[2] = {out[0] ? reader->chunk[0] : NULL, out[1] ? reader->chunk[1] : NULL};
        cj_status status = read_padded(reader, start + ((long)done << level) - lead, need, x, err);
        if (status != CJ_OK)
            return status;
        for (int c = 0; c < 2; c++) {
            size_t have = need;
            for (int i = 0; i < level && x[c] != NULL; i++)
                have = cj__halve(reader->taps, x[c], have, x[c]);
            if (x[c] != NULL)
                memcpy(out[c] + done, x[c], count * sizeof *x[c]);
        }
    }
    return CJ_OK;
}

static bool frame_room(cj__frame *frame, size_t n)
{
    if (n <= frame->room)
        return true;
    cj__frame_free(frame);
    frame->x = cj_new(n, sizeof(double));
    frame->y = cj_new(n, sizeof(double));
    frame->room = frame->x && frame->y ? n : 0;
    return frame->room > 0;
}

/* The reference is made at the frame's rate: what lies above half of it fades out, as a filter
 * would have it. */
static double below_nyquist(const cj__sweep *sweep, double t, double rate_hz)
{
    double share = cj_sweep_frequency(&sweep->reference, t * sweep->clock) / rate_hz;
    double c = cos(M_PI / 2 * (share - 0.3) / 0.18);
    return share < 0.3 ? 1 : share < 0.48 ? c * c : 0;
}

cj_status cj__frame_read(cj__sweep_reader *reader, int level, double from_s, size_t n,
                         cj__frame *frame, cj_error *err)
{
    const cj__sweep *sweep = reader->sweep;
    double rate = reader->about->rate_hz;
    long start = lround(from_s * rate), later = lround(sweep->later_s * rate);
    if (!frame_room(frame, n))
        return cj_fail_memory(err);
    frame->n = n;
    frame->rate_hz = rate / (double)(1L << level);
    frame->start_s = (double)start / rate;
    double *out[2] = {NULL, NULL};
    bool alone = sweep->input == sweep->output;
    out[sweep->output] = frame->y;
    if (!alone && later == 0)
        out[sweep->input] = frame->x;
    cj_status status = read_channels(reader, level, start + later, n, out, err);
    if (status == CJ_OK && !alone && later != 0) {
        out[sweep->output] = NULL;
        out[sweep->input] = frame->x;
        status = read_channels(reader, level, start, n, out, err);
    }
    if (status != CJ_OK || !alone)
        return status;
    for (size_t i = 0; i < n; i++) {
        double t = frame->start_s + (double)i / frame->rate_hz - sweep->start_s;
        double keep = level > 0 ? below_nyquist(sweep, t, frame->rate_hz) : 1;
        frame->x[i] = keep > 0 ? keep * cj_sweep_value(&sweep->reference, t * sweep->clock) : 0;
    }
    return CJ_OK;
}

void cj__frame_free(cj__frame *frame)
{
    cj_free(frame->x);
    cj_free(frame->y);
    *frame = (cj__frame){0};
}
