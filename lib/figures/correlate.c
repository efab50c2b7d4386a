/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What two channels without a tone have in common: the largest correlation, its lag, and the gain
 * there. */
#include "figures/internal.h"

#include <math.h>

#define PIECES 4 /* a block is looked at in pieces, whose scatter gives the uncertainty */

/* Gain of two on one by regression with two taken `lag` samples later. */
static double gain_at(const double *one, const double *two, size_t n, long lag)
{
    double square = 0, product = 0;
    size_t first = lag < 0 ? (size_t)-lag : 0, last = lag > 0 ? n - (size_t)lag : n;
    for (size_t i = first; i < last; i++) {
        square += one[i] * one[i];
        product += one[i] * two[(size_t)((long)i + lag)];
    }
    return square > 0 ? fabs(product) / square : 0;
}

/* Adds one piece to running sums: corr, gain, lag hold sums; the _u fields sums of squares. */
static cj_status add_piece(cj__pair_sums *pair, cj_spectra *spectra, const double *one,
                           const double *two, size_t n, cj_error *err)
{
    cj_correlation found;
    cj_status status = cj_correlate(spectra, one, two, n, 0, &found, err);
    if (status != CJ_OK)
        return status;
    double gain = gain_at(one, two, n, lround(found.lag));
    pair->segments++;
    pair->corr += found.peak;
    pair->gain += gain;
    pair->gain_u += gain * gain;
    pair->lag += found.lag;
    pair->lag_u += found.lag * found.lag;
    return CJ_OK;
}

cj_status cj__pair_correlate(cj__pair_sums *pair, cj_spectra *spectra, const double *one,
                             const double *two, size_t n, cj_error *err)
{
    size_t piece = n / PIECES;
    cj_status status = CJ_OK;
    for (size_t i = 0; i < PIECES && piece >= 16 && status == CJ_OK; i++)
        status = add_piece(pair, spectra, one + i * piece, two + i * piece, piece, err);
    return status;
}

static double scatter(double sum, double squares, double count)
{
    double mean = sum / count;
    return sqrt(fmax(0, squares / count - mean * mean) / (count > 1 ? count - 1 : 1));
}

void cj__pair_finish(cj__pair_sums *pair)
{
    if (pair->segments == 0)
        return;
    double count = (double)pair->segments;
    pair->gain_u = scatter(pair->gain, pair->gain_u, count);
    pair->lag_u = scatter(pair->lag, pair->lag_u, count);
    pair->corr /= count;
    pair->gain /= count;
    pair->lag /= count;
}
