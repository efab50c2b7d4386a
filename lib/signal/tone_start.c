/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tone_start.c - where the fit starts: the likeliest single line on a fine grid of frequencies. */
#include "signal/internal.h"

#include <math.h>

#define EDGE                                                                                       \
    8.0 /* bins from DC and from Nyquist within which a line leans on its own mirror image */

static size_t padded_size(size_t n)
{
    size_t size = 64;
    while (size < 4 * n && size < ((size_t)1 << 19))
        size *= 2;
    while (size < n)
        size *= 2;
    return size;
}

/* What DC and one line at f take from the power of y, whose sum is 0; x is the transform there. */
static double taken(const cj__tone *tone, cj_complex x, double f, double valid)
{
    double n = (double)tone->n, bins = fmin(f, 0.5 - f) * n;
    if (bins > EDGE)
        return 2.0 * (x.re * x.re + x.im * x.im) / valid;
    cj_complex s = cj__times(x, cj__phasor(f, 0.5 * (n - 1.0)));
    double e1 = cj__dirichlet(f, 1, tone->n) * valid / n;
    double e2 = cj__dirichlet(f, 2, tone->n) * valid / n;
    double cosines = 0.5 * (valid + e2) - e1 * e1 / valid, sines = 0.5 * (valid - e2);
    return s.re * s.re / cosines + s.im * s.im / sines;
}

cj_status cj__tone_start(cj__tone *tone, double *f)
{
    double n = (double)tone->n;
    size_t padded = padded_size(tone->n);
    size_t first = (size_t)ceil((double)padded / n),
           end = (size_t)((0.5 - 0.5 / n) * (double)padded);
    double *likelihood = cj_new(end + 1, sizeof(double)), best = INFINITY;
    if (likelihood == NULL)
        return CJ_NOMEM;
    cj_status status = CJ_OK;
    for (int c = 0; c < tone->channels && status == CJ_OK; c++) {
        const cj__tone_channel *channel = &tone->channel[c];
        const cj_complex *x = NULL;
        if (!channel->alive)
            continue;
        status = cj__spectrum_padded(tone->spectra, channel->y, tone->n, padded, &x);
        double valid = (double)channel->valid;
        for (size_t i = first; i <= end && status == CJ_OK; i++) {
            double rss = channel->power - taken(tone, x[i], (double)i / (double)padded, valid);
            likelihood[i] += valid * log(fmax(rss, channel->floor) / valid);
        }
    }
    *f = 0.25;
    for (size_t i = first; i <= end && status == CJ_OK; i++)
        if (likelihood[i] < best) {
            best = likelihood[i];
            *f = (double)i / (double)padded;
        }
    cj_free(likelihood);
    return status;
}
