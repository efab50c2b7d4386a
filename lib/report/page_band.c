/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a good unit reads over the range of a sweep: prediction and tolerance spread. */
#include "report/page.h"

#include <math.h>

struct point {
    cj_complex ratio; /* channel 2 over channel 1, or the channel over what was played */
    double gain_sigma, phase_sigma;
};

static cj_complex divide(cj_complex a, cj_complex b)
{
    double size = b.re * b.re + b.im * b.im;
    return (cj_complex){(a.re * b.re + a.im * b.im) / size, (a.im * b.re - a.re * b.im) / size};
}

/* First order: d ln(ratio) = d tone2 / tone2 - d tone1 / tone1; its real part is the gain's, its
 * imaginary the phase's. */
static struct point point_of(const cj_prediction *prediction, const cj_parameter *parameters,
                             size_t count, int p, double peak)
{
    int channels = prediction->channels, last = channels - 1;
    const cj_complex *tone = &prediction->tone[p * channels];
    struct point point = {0};
    cj_complex reference = channels == 2 ? tone[0] : (cj_complex){peak, 0};
    point.ratio = divide(tone[last], reference);
    for (size_t k = 0; k < count; k++) {
        cj_complex by[2] = {{0, 0}, {0, 0}};
        for (int c = 0; c < channels; c++)
            by[c] = divide(prediction->tone_by[((size_t)(p * channels + c)) * count + k], tone[c]);
        double re = by[last].re - (channels == 2 ? by[0].re : 0);
        double im = by[last].im - (channels == 2 ? by[0].im : 0);
        double sigma = parameters[k].sigma;
        point.gain_sigma += re * re * sigma * sigma;
        point.phase_sigma += im * im * sigma * sigma;
    }
    point.gain_sigma = 20 / M_LN10 * sqrt(point.gain_sigma);
    point.phase_sigma = 180 / M_PI * sqrt(point.phase_sigma);
    return point;
}

void cj__page_band(const cj_board *board, size_t step, bool of_stimulus, cj__healthy_band *out)
{
    cj_bench *bench = NULL;
    cj_prediction *prediction = NULL;
    cj_step_point points[CJ_STEP_POINTS];
    int count = cj_step_points(&board->steps[step], points);
    *out = (cj__healthy_band){0};
    if (count < 2 || of_stimulus != (board->steps[step].see_count == 1) ||
        cj_bench_make(board, &bench, NULL) != CJ_OK)
        return;
    if (cj_prediction_make(bench, step, &prediction, NULL) == CJ_OK &&
        cj_bench_predict(bench, step, NULL, CJ_SPREAD, prediction, NULL) == CJ_OK) {
        for (int p = 0; p < prediction->points && p < CJ_STEP_POINTS; p++) {
            struct point point = point_of(prediction, cj_bench_parameters(bench),
                                          cj_bench_parameter_count(bench), p, points[p].peak);
            size_t i = out->count++;
            out->hz[i] = prediction->hz[p];
            out->gain_db[i] = 20 * log10(hypot(point.ratio.re, point.ratio.im));
            out->phase_deg[i] = 180 / M_PI * atan2(point.ratio.im, point.ratio.re);
            out->gain_sigma[i] = point.gain_sigma;
            out->phase_sigma[i] = point.phase_sigma;
        }
    }
    cj_prediction_free(prediction);
    cj_bench_free(bench);
}
