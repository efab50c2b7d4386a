/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tone_start.c - where the fit starts: the likeliest single line on a fine grid of frequencies. */
#include "signal/internal.h"

#include <math.h>

static size_t padded_size(size_t n)
{
    size_t factor = n <= 16384 ? 16 : n <= 131072 ? 4 : 2, size = 64;
    while (size < factor * n)
        size *= 2;
    return size;
}

/* What DC and one line of frequency f take from the power of y, whose sum is 0; s is the line's
 * sum. */
static double taken(cj_complex s, double f, size_t n, double valid)
{
    double e1 = cj__dirichlet(f, 1, n) * valid / (double)n;
    double e2 = cj__dirichlet(f, 2, n) * valid / (double)n;
    double cosines = 0.5 * (valid + e2) - e1 * e1 / valid, sines = 0.5 * (valid - e2);
    return s.re * s.re / cosines + s.im * s.im / sines;
}

cj_status cj__tone_start(cj__tone *tone, double *f)
{
    size_t padded = padded_size(tone->n), last = padded / 2;
    double *likelihood = cj_new(last, sizeof(double));
    if (likelihood == NULL)
        return CJ_NOMEM;
    cj_status status = CJ_OK;
    double least = 1.0 / (double)tone->n, most = 0.5 - 0.5 / (double)tone->n;
    for (int c = 0; c < tone->channels && status == CJ_OK; c++) {
        const cj__tone_channel *channel = &tone->channel[c];
        const cj_complex *x = NULL;
        if (!channel->alive)
            continue;
        status = cj__spectrum_padded(tone->spectra, channel->y, tone->n, padded, &x);
        double valid = (double)channel->valid;
        for (size_t i = 1; i < last && status == CJ_OK; i++) {
            double at = (double)i / (double)padded;
            if (at < least || at > most)
                continue;
            cj_complex s = cj__times(x[i], cj__phasor(at, 0.5 * (double)(tone->n - 1)));
            double rss = fmax(channel->power - taken(s, at, tone->n, valid), channel->floor);
            likelihood[i] += valid * log(rss / valid);
        }
    }
    double best = INFINITY;
    *f = 0.25;
    for (size_t i = 1; i < last && status == CJ_OK; i++) {
        double at = (double)i / (double)padded;
        if (at >= least && at <= most && likelihood[i] < best) {
            best = likelihood[i];
            *f = at;
        }
    }
    cj_free(likelihood);
    return status;
}
