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

void cj__drops_add(cj__drops *drops, const double *residual, size_t n, double peak, size_t window)
{
    bool only_losses_yet = true;
    size_t run = 0; /* samples of the loss in progress within this block */
    size_t at = 0;
    for (; at + window <= n; at += window) {
        double square = window_square(residual + at, window);
        if (square > LOSS * LOSS * peak * peak * (double)window) {
            if (!drops->in_event) {
                drops->count++;
                drops->in_event = true;
                run = 0;
            }
            run += window;
            if (only_losses_yet)
                drops->head = at + window;
        } else {
            only_losses_yet = false;
            drops->in_event = false;
            drops->quiet_square += square;
            drops->quiet_samples += (double)window;
            run = 0;
        }
    }
    drops->tail = drops->in_event ? run + (n - at) : 0;
}

size_t cj__drops_mask(const double *x, double dc, double *left, size_t n, double peak,
                      size_t window, double mask)
{
    size_t lost = 0;
    for (size_t at = 0; at + window <= n; at += window) {
        double limit = LOSS * LOSS * peak * peak * (double)window, there = 0;
        if (window_square(left + at, window) <= limit)
            continue;
        for (size_t i = at; i < at + window; i++)
            there += isnan(x[i]) ? 0 : (x[i] - dc) * (x[i] - dc);
        if (there > limit)
            continue;
        for (size_t i = at; i < at + window; i++)
            left[i] = mask;
        lost += window;
    }
    return lost;
}
