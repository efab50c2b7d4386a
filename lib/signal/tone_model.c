/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tone_model.c - what a fit says of the samples, and of one channel against another. */
#include "signal/internal.h"

#include <math.h>
#include <string.h>

/* Sample by sample: for the odd call that finds no memory for a table. */
static void subtract_slowly(const cj_tone_fit *fit, const cj_complex *lines, double dc,
                            const double *x, size_t n, double *out)
{
    for (size_t i = 0; i < n; i++) {
        double t = (double)i - 0.5 * (double)(n - 1), model = dc;
        cj_complex step = cj__phasor(fit->frequency, t), turn = step;
        for (int k = 0; k < fit->harmonics; k++, turn = cj__times(turn, step))
            model += lines[k].re * turn.re - lines[k].im * turn.im;
        out[i] = x[i] - model;
    }
}

static void clear_gaps(double *out, size_t n)
{
    for (size_t i = 0; i < n; i++)
        out[i] = isfinite(out[i]) ? out[i] : 0.0;
}

void cj_tone_subtract(const cj_tone_fit *fit, int channel, const double *x, size_t n, int first,
                      int last, double *out)
{
    const cj_tone_channel *from = &fit->channel[channel];
    double dc = isnan(from->dc) ? 0.0 : from->dc;
    cj__comb comb = {0};
    cj_complex *lines = cj_new((size_t)fit->harmonics, sizeof *lines);
    last = last > fit->harmonics ? fit->harmonics : last;
    first = first < 1 ? 1 : first;
    for (int k = first; k <= last && lines != NULL; k++)
        lines[k - 1] = from->line[k - 1];
    if (lines != NULL && cj__comb_set(&comb, n, fit->frequency, last < 1 ? 1 : last))
        cj__comb_subtract(&comb, lines, dc, x, out);
    else
        subtract_slowly(fit, from->line, dc, x, n, out);
    clear_gaps(out, n);
    cj__comb_free(&comb);
    cj_free(lines);
}
