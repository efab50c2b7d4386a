/* SPDX-License-Identifier: GPL-3.0-or-later */
/* marker.c - the chirp at the head of a stimulus file. */
#include "signal/internal.h"
#include "signal/stimulus.h"

#include <math.h>

double cj_marker_value(double rate_hz, double t)
{
    double half = CJ__MARKER_S / 2;
    if (!(fabs(t) < half))
        return 0;
    double high = fmin(5000, 0.2 * rate_hz), low = fmin(1000, high / 5);
    double turns = t * ((low + high) / 2 + (high - low) / CJ__MARKER_S * t / 2);
    double window = cos(CJ__TWO_PI / 4 * t / half);
    return window * window * cos(CJ__TWO_PI * turns);
}
