/* SPDX-License-Identifier: GPL-3.0-or-later */
/* THD along a sweep. */
#include "figures/response.h"

#include <math.h>

#define OVERSAMPLED                                                                                \
    32.0 /* rate over frequency, at least, where the record has it: ten orders below 0.32 */
#define MOST_SAMPLES ((size_t)1 << 16)
#define LEAST_PERIODS 16 /* of a window: half orders apart from each other */
#define MOST_PERIODS 40
#define OF_SCALE 0.2 /* of the sweep's scale */

static int level_of(double rate_hz, double hz)
{
    int level = 0;
    while (level < 20 && rate_hz / (double)(2L << level) >= 2 * OVERSAMPLED * hz)
        level++;
    return level;
}

static double width_of(const cj__sweep *sweep, double hz)
{
    return fmax(LEAST_PERIODS / hz, fmin(MOST_PERIODS / hz, OF_SCALE * sweep->track.scale_s));
}

/* The THD of a point from the output's samples. */
static void measure_point(const cj__sweep *sweep, const cj__frame *frame, const double band[2],
                          cj__point *point)
{
    double rate = frame->rate_hz, top = fmin(band[1], 0.47 * rate);
    int count = (int)fmin(CJ__ORDERS, floor(top / point->hz * (1 + 1e-12)));
    if (count < 2)
        return;
    const double at[4] = {
        [CJ__AT_MIDDLE] = (cj__track_time(&sweep->track, point->hz) - frame->start_s) * rate,
        [CJ__AT_WIDTH] = width_of(sweep, point->hz) * rate,
        [CJ__AT_HZ] = point->hz,
        [CJ__AT_SCALE] = sweep->track.scale_s,
    };
    cj__orders orders;
    cj__orders_of(frame->y, frame->n, rate, at, count, &orders);
    double square = 0, noise = 0, scatter = 0;
    for (int k = 1; k < count; k++) {
        if ((k + 1) * point->hz < band[0])
            continue;
        square += orders.line[k].re * orders.line[k].re + orders.line[k].im * orders.line[k].im;
        noise += orders.noise[k];
        scatter += orders.noise[k] * orders.noise[k];
    }
    double first = orders.line[0].re * orders.line[0].re + orders.line[0].im * orders.line[0].im;
    if (square - noise > 3 * sqrt(scatter) && first > 100 * orders.noise[0])
        point->thd_percent = 100 * sqrt((square - noise) / first);
}

cj_status cj__sweep_orders(cj__sweep_reader *reader, const double band[2], cj__point *points,
                           size_t count, cj_error *err)
{
    const cj__sweep *sweep = reader->sweep;
    cj__frame frame = {0};
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < count;) {
        int level = level_of(reader->about->rate_hz, points[i].hz);
        double rate = reader->about->rate_hz / (double)(1L << level), to = 0;
        double from =
            cj__track_time(&sweep->track, points[i].hz) - 0.55 * width_of(sweep, points[i].hz);
        size_t last = i;
        for (size_t k = i; k < count; k++) {
            double end =
                cj__track_time(&sweep->track, points[k].hz) + 0.55 * width_of(sweep, points[k].hz);
            if (k > i && ((level > 0 && rate < OVERSAMPLED * points[k].hz) ||
                          (fmax(to, end) - from) * rate > (double)MOST_SAMPLES))
                break;
            to = fmax(to, end);
            last = k;
        }
        status =
            cj__frame_read(reader, level, from, (size_t)ceil((to - from) * rate) + 1, &frame, err);
        for (size_t k = i; status == CJ_OK && k <= last; k++)
            measure_point(sweep, &frame, band, &points[k]);
        i = last + 1;
    }
    cj__frame_free(&frame);
    return status;
}
