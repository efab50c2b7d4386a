/* SPDX-License-Identifier: GPL-3.0-or-later */
/* THD along a sweep. */
#include "figures/response.h"

#include <math.h>

/* Rate over frequency, at least, where the record has it: ten orders below 0.32 of it. */
#define OVERSAMPLED 32.0
#define MOST_SAMPLES ((size_t)1 << 16)
#define LEAST_PERIODS 12 /* of a window */
#define MOST_PERIODS 24
#define OF_SCALE 0.2 /* of the sweep's scale */

static int level_of(double rate_hz, double hz)
{
    int level = 0;
    while (level < 20 && rate_hz / (double)(2L << level) >= 2 * OVERSAMPLED * hz)
        level++;
    return level;
}

/* The window of a point: about the moment of its frequency, but not before the sweep has its level.
 */
static void window_of(const cj__sweep_reader *reader, double hz, double *from_s, double *to_s)
{
    const cj__track *track = &reader->sweep->track;
    double at = cj__track_time(track, hz);
    double periods = fmax(LEAST_PERIODS, fmin(MOST_PERIODS, OF_SCALE * track->scale_s * hz));
    *from_s = fmax(at - periods / hz / 2, cj__track_time(track, reader->full_hz));
    *to_s = at + periods / hz / 2;
}

/* Root sum of squares of orders 2.. over order 1, noise taken out; NaN where noise could be all of
 * it. */
static double thd_of(const cj__orders *orders, int count, double hz, const double band[2])
{
    double square = 0, noise = 0, scatter = 0;
    for (int k = 1; k < count; k++) {
        if ((k + 1) * hz < band[0])
            continue;
        square += orders->line[k].re * orders->line[k].re + orders->line[k].im * orders->line[k].im;
        noise += orders->noise[k];
        scatter += orders->noise[k] * orders->noise[k];
    }
    double first =
        orders->line[0].re * orders->line[0].re + orders->line[0].im * orders->line[0].im;
    bool seen = square - noise > 3 * sqrt(scatter) && first > 100 * orders->noise[0];
    return seen ? 100 * sqrt((square - noise) / first) : NAN;
}

static cj_status measure_point(const cj__sweep_reader *reader, const cj__frame *frame,
                               double mains_hz, cj__point *point, cj_error *err)
{
    const cj__track *track = &reader->sweep->track;
    double rate = frame->rate_hz, top = fmin(reader->band[1], 0.47 * rate), from, to;
    int count = (int)fmin(CJ__ORDERS, floor(top / point->hz * (1 + 1e-12)));
    if (count < 2 || point->hz < reader->full_hz * (1 - 1e-9))
        return CJ_OK;
    window_of(reader, point->hz, &from, &to);
    const cj__glide glide = {.rate_hz = rate,
                             .middle = ((from + to) / 2 - frame->start_s) * rate,
                             .width = (to - from) * rate,
                             .hz = cj__track_hz(track, (from + to) / 2),
                             .scale_s = track->scale_s,
                             .mains_hz = mains_hz,
                             .x = frame->x,
                             .orders = count};
    cj__orders orders;
    cj_status status = cj__orders_fit(frame->y, frame->n, &glide, &orders, err);
    if (status == CJ_OK)
        point->thd_percent = thd_of(&orders, count, point->hz, reader->band);
    return status == CJ_DATA ? CJ_OK : status;
}

/* The last of the points from `first` on that share one frame, and the frame's ends. */
static size_t last_of_frame(const cj__sweep_reader *reader, const cj__point *points, size_t count,
                            size_t first, double ends[2])
{
    int level = level_of(reader->about->rate_hz, points[first].hz);
    double rate = reader->about->rate_hz / (double)(1L << level);
    size_t last = first;
    window_of(reader, points[first].hz, &ends[0], &ends[1]);
    for (size_t k = first + 1; k < count; k++) {
        double from, to;
        window_of(reader, points[k].hz, &from, &to);
        if ((level > 0 && rate < OVERSAMPLED * points[k].hz) ||
            (to - fmin(ends[0], from)) * rate > (double)MOST_SAMPLES)
            break;
        ends[0] = fmin(ends[0], from);
        ends[1] = fmax(ends[1], to);
        last = k;
    }
    ends[0] -= 2 / rate;
    ends[1] = fmax(ends[0], ends[1]) + 2 / rate;
    return last;
}

cj_status cj__sweep_orders(cj__sweep_reader *reader, double mains_hz, cj__point *points,
                           size_t count, cj_error *err)
{
    cj__frame frame = {0};
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < count;) {
        double ends[2];
        size_t last = last_of_frame(reader, points, count, i, ends);
        int level = level_of(reader->about->rate_hz, points[i].hz);
        double rate = reader->about->rate_hz / (double)(1L << level);
        size_t n = (size_t)ceil((ends[1] - ends[0]) * rate) + 1;
        if (points[last].hz >= reader->full_hz * (1 - 1e-9))
            status = cj__frame_read(reader, level, ends[0], n, &frame, err);
        for (size_t k = i; status == CJ_OK && k <= last; k++)
            status = measure_point(reader, &frame, mains_hz, &points[k], err);
        i = last + 1;
    }
    cj__frame_free(&frame);
    return status;
}
