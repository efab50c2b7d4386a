/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Moments of a sweep in which one channel is lost: a contact that opens, a recorder that skips.
 * There the lost channel is what the other makes it: its gain and phase at that frequency, from the
 * time about the gap.
 */
#include "figures/response.h"

#include <math.h>

#define QUIET 0.1     /* of the level: a sine is below it for 3 % of a period at each zero */
#define OF_PERIOD 0.1 /* a loss is longer than this */
#define LEAST_S 0.0002
#define MEMORY_S 0.02 /* of the level, or two periods */
#define LONGEST_S 0.25
#define ABOUT_GAPS 3
#define ABOUT_PERIODS 8

static void note(cj__sweep *sweep, int c, size_t end, double rate_hz)
{
    struct cj__watch *watch = &sweep->watch[c];
    double from = (double)(end - watch->run) / rate_hz, length = (double)watch->run / rate_hz;
    double hz = cj__track_hz(&sweep->track, from);
    bool within = from > sweep->track.first_s && from + length < sweep->track.last_s;
    if (!within || length < fmax(LEAST_S, OF_PERIOD / hz) || length > LONGEST_S ||
        sweep->gap_count == CJ__MOST_GAPS)
        return;
    sweep->gaps[sweep->gap_count++] =
        (cj__gap){.channel = c, .start = end - watch->run, .count = watch->run};
}

void cj__sweep_watch(cj__sweep *sweep, int c, const double *x, size_t n, double rate_hz)
{
    struct cj__watch *watch = &sweep->watch[c];
    double hz = cj__track_hz(&sweep->track, (double)(watch->at + n / 2) / rate_hz);
    double keep = exp(-1 / (rate_hz * fmax(MEMORY_S, 2 / hz)));
    double level = watch->level; /* in registers: each sample waits for the one before */
    size_t run = watch->run;
    for (size_t i = 0; i < n; i++) {
        double size = isnan(x[i]) ? 0 : fabs(x[i]);
        if (size <= QUIET * level) {
            run++;
            continue; /* the level is remembered through a gap */
        }
        if (run > 0) {
            watch->run = run;
            if ((double)run > LEAST_S * rate_hz)
                note(sweep, c, watch->at + i, rate_hz);
            if ((double)run > LONGEST_S * rate_hz)
                level = 0;
            run = 0;
        }
        double faded = level * keep;
        level = size > faded ? size : faded;
    }
    watch->level = level;
    watch->run = run;
    watch->at += n;
}

/* ---- what stands in for the lost samples ---- */

struct stretch {
    size_t start, n;
    double *own, *other;
};

/* Least squares of the lost channel on the other and on the other a quarter of a period before. */
static bool fit_gap(cj__gap *gap, const struct stretch *s)
{
    double aa = 0, ab = 0, bb = 0, ay = 0, by = 0, inside = 0, outside = 0, far = 0;
    for (size_t i = (size_t)gap->quarter; i < s->n; i++) {
        double a = s->other[i], b = s->other[i - (size_t)gap->quarter], y = s->own[i];
        bool lost = s->start + i >= gap->start && s->start + i < gap->start + gap->count;
        if (lost) {
            inside += a * a / (double)gap->count;
            continue;
        }
        outside += a * a;
        far++;
        aa += a * a;
        ab += a * b;
        bb += b * b;
        ay += a * y;
        by += b * y;
    }
    double det = aa * bb - ab * ab;
    if (!(det > 1e-6 * aa * bb) || !(inside > 0.25 * outside / far))
        return false; /* the other is lost too: then nothing is wrong between them */
    gap->now = (ay * bb - by * ab) / det;
    gap->before = (by * aa - ay * ab) / det;
    return true;
}

static cj_status read_stretch(cj_capture *capture, const cj__gap *gap, struct stretch *s,
                              cj_error *err)
{
    double *out[2] = {gap->channel == 0 ? s->own : s->other, gap->channel == 0 ? s->other : s->own};
    cj_status status = cj_capture_read(capture, s->start, s->n, out, err);
    for (size_t i = 0; status == CJ_OK && i < s->n; i++)
        for (int c = 0; c < 2; c++)
            out[c][i] = isnan(out[c][i]) ? 0 : out[c][i];
    return status;
}

cj_status cj__sweep_gaps(cj_capture *capture, cj__sweep *sweep, cj_error *err)
{
    const cj_capture_info *about = cj_capture_about(capture);
    size_t kept = 0;
    cj_status status = CJ_OK;
    if (sweep->input == sweep->output || sweep->later_s != 0)
        sweep->gap_count = 0;
    for (size_t i = 0; i < sweep->gap_count && status == CJ_OK; i++) {
        cj__gap gap = sweep->gaps[i];
        double hz = cj__track_hz(&sweep->track, (double)gap.start / about->rate_hz);
        double period = about->rate_hz / hz;
        size_t beside = (size_t)fmax(ABOUT_GAPS * (double)gap.count, ABOUT_PERIODS * period);
        struct stretch s = {.start = gap.start > beside ? gap.start - beside : 0};
        size_t end = gap.start + gap.count + beside;
        s.n = (end < about->samples ? end : about->samples) - s.start;
        s.own = cj_new(s.n, sizeof(double));
        s.other = cj_new(s.n, sizeof(double));
        gap.quarter = (long)fmax(1, round(period / 4));
        status = s.own && s.other ? read_stretch(capture, &gap, &s, err) : cj_fail_memory(err);
        if (status == CJ_OK && (size_t)gap.quarter < s.n && fit_gap(&gap, &s))
            sweep->gaps[kept++] = gap;
        cj_free(s.own);
        cj_free(s.other);
    }
    sweep->gap_count = status == CJ_OK ? kept : 0;
    return status;
}

cj_status cj__gap_fill(cj_capture *capture, const cj__gap *gap, size_t start, size_t n, double *x,
                       cj_error *err)
{
    size_t first = gap->start > start ? gap->start : start;
    size_t end = gap->start + gap->count < start + n ? gap->start + gap->count : start + n;
    size_t quarter = (size_t)gap->quarter;
    if (first >= end || first < quarter)
        return CJ_OK;
    size_t length = end - first + quarter;
    double *other = cj_new(length, sizeof *other);
    if (other == NULL)
        return cj_fail_memory(err);
    double *out[2] = {gap->channel == 0 ? NULL : other, gap->channel == 0 ? other : NULL};
    cj_status status = cj_capture_read(capture, first - quarter, length, out, err);
    for (size_t i = first; status == CJ_OK && i < end; i++) {
        double value = gap->now * other[i - first + quarter] + gap->before * other[i - first];
        x[i - start] = isnan(value) ? 0 : value;
    }
    cj_free(other);
    return status;
}
