/* SPDX-License-Identifier: GPL-3.0-or-later */
/* halve.c - half the sample rate, again and again. */
#include "signal/internal.h"
#include "signal/sweep.h"

#include <math.h>

/* Modified Bessel function I0 by its power series. */
static double bessel_i0(double x)
{
    double term = 1, sum = 1;
    for (int k = 1; k < 60; k++) {
        term *= (x / 2 / k) * (x / 2 / k);
        sum += term;
    }
    return sum;
}

/* Kaiser window of beta 8 on the ideal half-band filter (Kaiser 1974). */
void cj__half_filter(double taps[CJ__HALF_TAPS])
{
    const int middle = CJ__HALF_TAPS / 2;
    double sum = 0;
    for (int i = 0; i < CJ__HALF_TAPS; i++) {
        int k = i - middle;
        double place = (double)k / (middle + 1);
        double window = bessel_i0(8 * sqrt(1 - place * place)) / bessel_i0(8);
        double ideal = k == 0       ? 0.5
                       : k % 2 == 0 ? 0
                                    : sin(CJ__TWO_PI / 4 * k) / (CJ__TWO_PI / 2 * k);
        taps[i] = ideal * window;
        sum += taps[i];
    }
    for (int i = 0; i < CJ__HALF_TAPS; i++)
        taps[i] /= sum;
}

size_t cj__halve_input(size_t n, int levels)
{
    for (int i = 0; i < levels; i++)
        n = 2 * n + CJ__HALF_TAPS - 2;
    return n;
}

size_t cj__halve_lead(int levels)
{
    return (CJ__HALF_TAPS / 2) * (((size_t)1 << levels) - 1);
}

CJ__CLONES static void filter(const double *restrict taps, const double *in, size_t count,
                              double *out)
{
    for (size_t m = 0; m < count; m++) {
        const double *at = in + 2 * m;
        double sum = taps[CJ__HALF_TAPS / 2] * at[CJ__HALF_TAPS / 2];
        for (int k = 0; k < CJ__HALF_TAPS / 2; k += 2) /* every other tap is 0 */
            sum += taps[k] * (at[k] + at[CJ__HALF_TAPS - 1 - k]);
        out[m] = sum;
    }
}

size_t cj__halve(const double taps[CJ__HALF_TAPS], const double *in, size_t n, double *out)
{
    if (n < CJ__HALF_TAPS)
        return 0;
    size_t count = (n - CJ__HALF_TAPS) / 2 + 1;
    filter(taps, in, count, out);
    return count;
}
