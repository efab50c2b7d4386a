/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What two channels without a tone have in common: the largest correlation, its lag, and the gain
 * there. */
#include "figures/internal.h"

#include <math.h>

#define PIECES 4 /* a block is looked at in pieces, whose scatter gives the uncertainty */
#define MOST_LAG 256

struct common {
    double one, two, product;
};

/* Sums of squares and of products with channel 2 taken `lag` samples later. */
static struct common common_at(const double *one, const double *two, size_t n, long lag)
{
    struct common sums = {0};
    size_t first = lag < 0 ? (size_t)-lag : 0, last = lag > 0 ? n - (size_t)lag : n;
    for (size_t i = first; i < last; i++) {
        double a = one[i], b = two[(size_t)((long)i + lag)];
        sums.one += a * a;
        sums.two += b * b;
        sums.product += a * b;
    }
    return sums;
}

static double correlation(struct common sums)
{
    double scale = sqrt(sums.one) * sqrt(sums.two);
    return scale > 0 ? sums.product / scale : 0;
}

/* Adds one piece to running sums: corr, gain, lag hold sums; the _u fields sums of squares. */
static void add_piece(cj__pair_sums *pair, const double *one, const double *two, size_t n)
{
    long most = (long)(n / 4 < MOST_LAG ? n / 4 : MOST_LAG), best = 0;
    double corr = 0;
    for (long lag = -most; lag <= most; lag++) {
        double here = correlation(common_at(one, two, n, lag));
        if (fabs(here) > fabs(corr)) {
            corr = here;
            best = lag;
        }
    }
    struct common sums = common_at(one, two, n, best);
    double gain = sums.one > 0 ? fabs(sums.product) / sums.one : 0;
    double before = correlation(common_at(one, two, n, best - (best > -most)));
    double after = correlation(common_at(one, two, n, best + (best < most)));
    double bend = before - 2 * corr + after, part = bend != 0 ? 0.5 * (before - after) / bend : 0;
    double lag = (double)best + (fabs(part) < 1 ? part : 0);
    pair->segments++;
    pair->corr += corr;
    pair->gain += gain;
    pair->gain_u += gain * gain;
    pair->lag += lag;
    pair->lag_u += lag * lag;
}

cj_status cj__pair_correlate(cj__pair_sums *pair, const double *one, const double *two, size_t n)
{
    /* pieces of 4096 are enough: more would only cost time */
    size_t piece = n / PIECES < 4096 ? n / PIECES : 4096;
    if (piece < 16)
        return CJ_OK;
    for (size_t i = 0; i < PIECES; i++)
        add_piece(pair, one + i * (n / PIECES), two + i * (n / PIECES), piece);
    return CJ_OK;
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
