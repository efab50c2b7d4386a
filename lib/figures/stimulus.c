/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A file that was played: which sweep is in it? */
#include "figures/response.h"

#include <math.h>

#define HALF_LEVEL 6.0205999132796239 /* dB: 20 log10 2 */

/* Where the level falls to half of the usual, going from the middle down (or up). */
static double edge_of(const cj__point *points, size_t count, double usual, int way)
{
    size_t k = count / 2;
    while (k + 1 < count && k > 0) {
        size_t next = way > 0 ? k + 1 : k - 1;
        double here = cj__to_db(hypot(points[k].value.re, points[k].value.im) / usual);
        double there = cj__to_db(hypot(points[next].value.re, points[next].value.im) / usual);
        if (there < -HALF_LEVEL)
            return points[k].hz *
                   pow(points[next].hz / points[k].hz, (here + HALF_LEVEL) / (here - there));
        k = next;
    }
    return points[k].hz;
}

static double usual_level(const cj__point *points, size_t count)
{
    double sum = 0, n = 0;
    for (size_t i = count / 4; i < 3 * count / 4; i++)
        if (points[i].there) {
            sum += hypot(points[i].value.re, points[i].value.im);
            n++;
        }
    return n > 0 ? sum / n : 0;
}

/* A sweep's fades are half an octave below its start and a quarter above its end, half the level in
 * their middles (cj_sweep). Its scale L is a whole number over its start. */
static void describe(const cj__sweep *sweep, const cj__point *points, size_t count, double rate_hz,
                     cj_stimulus *out)
{
    double scale = sweep->reference.scale_s / sweep->clock, usual = usual_level(points, count);
    double from = edge_of(points, count, usual, -1) * exp2(0.25);
    double to = edge_of(points, count, usual, 1);
    to = to * exp2(0.25) > 0.49 * rate_hz ? to * to / (0.49 * rate_hz) : to / exp2(0.125);
    double whole = fmax(1, round(from * scale));
    from = whole / scale;
    *out = (cj_stimulus){.signal = CJ_SIG_SWEEP,
                         .rate_hz = rate_hz,
                         .from_hz = from,
                         .to_hz = fmin(to, 0.474 * rate_hz),
                         .peak = {usual}};
    out->seconds = scale * log(out->to_hz / from);
}

static cj_status recognise(cj_capture *capture, cj_spectra *spectra, cj__sweep *sweep,
                           cj_stimulus *out, cj_error *err)
{
    cj__sweep_reader reader;
    const cj_capture_info *about = cj_capture_about(capture);
    size_t count = 0;
    double low = cj__track_hz(&sweep->track, sweep->track.first_s) / M_SQRT2;
    double high =
        fmin(0.485 * about->rate_hz, 1.3 * cj__track_hz(&sweep->track, sweep->track.last_s));
    cj__point *points = cj__points_new(low, high, &count);
    cj_status status =
        points ? cj__reader_start(&reader, capture, sweep, err) : cj_fail_memory(err);
    if (status == CJ_OK)
        status = cj__sweep_align(&reader, spectra, NULL, sweep, err);
    if (status == CJ_OK)
        status = cj__sweep_linear(&reader, spectra, NULL, points, count, err);
    if (status == CJ_OK)
        describe(sweep, points, count, about->rate_hz, out);
    if (points)
        cj__reader_stop(&reader);
    cj_free(points);
    return status;
}

cj_status cj_stimulus_recognise(cj_capture *capture, cj_stimulus *out, cj_error *err)
{
    cj_spectra *spectra = cj_spectra_new();
    cj__sweep *sweep = cj_new(1, sizeof *sweep);
    cj_stimulus made = {0};
    bool found = false;
    cj_status status = spectra && sweep ? cj__sweep_find(capture, NULL, spectra, sweep, &found, err)
                                        : cj_fail_memory(err);
    if (status == CJ_OK && !found)
        status = cj_fail(err, CJ_DATA, cj_capture_about(capture)->name, 0, 0,
                         "no sweep in this file; a file that was played helps where it is a sweep, "
                         "a tone needs none");
    if (status == CJ_OK)
        status = recognise(capture, spectra, sweep, &made, err);
    if (status == CJ_OK)
        status = cj_stimulus_check(&made, err);
    if (status == CJ_OK)
        *out = made;
    cj_free(sweep);
    cj_spectra_free(spectra);
    return status;
}
