/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Momentary losses and steps of the tone: short stretches in which the model explains nothing. */
#include "figures/internal.h"

#include <math.h>

/* A loss leaves the whole tone in the residual (RMS 0.7 of its peak), a break of a contact at least
 * a good part of it. Noise up to 20 dB below the tone stays out. */
#define LOSS 0.35

size_t cj__drops_window(double frequency, double rate_hz)
{
    return (size_t)fmax(4, ceil(fmax(0.25 / frequency, 0.0002 * rate_hz)));
}

static double window_square(const double *residual, size_t n)
{
    double square = 0;
    for (size_t i = 0; i < n; i++)
        square += residual[i] * residual[i];
    return square;
}

/* A loss is a stretch in which the samples themselves (about dc) hold next to nothing, not one in
 * which something came on top. */
static bool is_empty(const double *x, double dc, size_t n, double limit)
{
    double there = 0;
    for (size_t i = 0; i < n; i++)
        there += isnan(x[i]) ? 0 : (x[i] - dc) * (x[i] - dc);
    return there <= limit;
}

static void fill(double *left, size_t n, double mask)
{
    for (size_t i = 0; i < n; i++)
        left[i] = mask;
}

double cj__drops_add(cj__drops *drops, const double *x, double *left, size_t n,
                     const cj__loss *loss)
{
    const double limit = LOSS * LOSS * loss->peak * loss->peak * (double)loss->window;
    const size_t window = loss->window;
    bool only_losses_yet = true;
    double total = 0;
    size_t run = 0, at = 0; /* run: samples of the loss in progress within this block */
    for (; at + window <= n; at += window) {
        double square = window_square(left + at, window);
        if (square <= limit) {
            only_losses_yet = false;
            drops->in_event = false;
            drops->quiet_square += square;
            drops->quiet_samples += (double)window;
            total += square;
            run = 0;
            continue;
        }
        if (!drops->in_event) {
            drops->count++;
            drops->in_event = true;
            run = 0;
        }
        run += window;
        if (only_losses_yet)
            drops->head = at + window;
        if (is_empty(x + at, loss->dc, window, limit))
            fill(left + at, window, 0);
        else
            total += square;
    }
    drops->tail = drops->in_event ? run + (n - at) : 0;
    return total + window_square(left + at, n - at);
}

size_t cj__drops_mask(const double *x, double *left, size_t n, const cj__loss *loss)
{
    const double limit = LOSS * LOSS * loss->peak * loss->peak * (double)loss->window;
    const size_t window = loss->window;
    size_t lost = 0;
    for (size_t at = 0; at + window <= n; at += window)
        if (window_square(left + at, window) > limit && is_empty(x + at, loss->dc, window, limit)) {
            fill(left + at, window, NAN);
            lost += window;
        }
    return lost;
}
