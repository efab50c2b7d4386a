/* SPDX-License-Identifier: GPL-3.0-or-later */
/* noise_source.c - seeded noise, white and pink. */
#include "signal/noise_source.h"

#include "coldjoint/signal.h"
#include "base/dice.h"
#include "signal/internal.h"

#include <math.h>

#define LOWEST_POLE_HZ 2.0

static const double taps[CJ__PINK_TAPS / 2 + 1] = {1,         0.0430018,  -0.0099510,
                                                   0.0038437, -0.0019198, 0.0009983};

/* Box and Muller 1958 */
double cj__dice_gaussian(cj__dice *dice)
{
    if (dice->kept) {
        dice->kept = false;
        return dice->spare;
    }
    double size = sqrt(-2 * log(cj__dice_uniform(&dice->state)));
    double angle = CJ__TWO_PI * cj__dice_uniform(&dice->state);
    dice->spare = size * sin(angle);
    dice->kept = true;
    return size * cos(angle);
}

double cj__pink_power(const cj__pink *pink, double f)
{
    double power = 1, c = cos(CJ__TWO_PI * f), fir = taps[0];
    for (int i = 0; i < pink->sections; i++) {
        double p = pink->pole[i], z = pink->zero[i];
        power *= (1 + z * z - 2 * z * c) / (1 + p * p - 2 * p * c);
    }
    for (int k = 1; k <= CJ__PINK_TAPS / 2; k++)
        fir += 2 * taps[k] * cos(CJ__TWO_PI * k * f);
    return power * fir * fir;
}

/* The integral of the power over all frequencies, 2 integral from 0 to 1/2 df, by Simpson's rule in
 * ln f; below the lowest, the power is constant. */
static double whole_power(const cj__pink *pink, double lowest)
{
    enum { STEPS = 4000 };
    double span = log(0.5 / lowest), sum = 0;
    for (int i = 0; i <= STEPS; i++) {
        double f = lowest * exp(span * i / STEPS);
        double weight = i == 0 || i == STEPS ? 1 : i % 2 ? 4 : 2;
        sum += weight * f * cj__pink_power(pink, f);
    }
    return 2 * (sum * span / STEPS / 3 + lowest * cj__pink_power(pink, lowest));
}

static cj__pink make_filter(double rate_hz)
{
    cj__pink pink = {0};
    for (double q = 1; q > LOWEST_POLE_HZ / rate_hz && pink.sections < CJ__PINK_MOST; q /= 2) {
        pink.pole[pink.sections] = exp(-CJ__TWO_PI * q);
        pink.zero[pink.sections++] = exp(-CJ__TWO_PI * q * sqrt(2));
    }
    return pink;
}

cj__pink cj__pink_new(double rate_hz, uint64_t seed)
{
    cj__pink pink = make_filter(rate_hz);
    pink.gain = 1 / sqrt(whole_power(&pink, 0.01 * LOWEST_POLE_HZ / rate_hz));
    pink.dice = (cj__dice){.state = seed};
    /* five time constants of the lowest pole, 1/(2 pi 2 Hz) at most: as if it had always run */
    double settle = 5 / -log(pink.pole[pink.sections - 1]);
    for (double i = 0; i < settle; i++)
        cj__pink_next(&pink);
    return pink;
}

double cj__pink_next(cj__pink *pink)
{
    double in = cj__dice_gaussian(&pink->dice), before = pink->before, out = 0;
    pink->before = in;
    for (int i = 0; i < pink->sections; i++) {
        double made = in - pink->zero[i] * before + pink->pole[i] * pink->last[i];
        before = pink->last[i];
        pink->last[i] = in = made;
    }
    for (int k = CJ__PINK_TAPS - 1; k > 0; k--)
        pink->recent[k] = pink->recent[k - 1];
    pink->recent[0] = in;
    for (int k = 0; k < CJ__PINK_TAPS; k++)
        out += taps[k < CJ__PINK_TAPS / 2 ? CJ__PINK_TAPS / 2 - k : k - CJ__PINK_TAPS / 2] *
               pink->recent[k];
    return out * pink->gain;
}

double cj_pink_deviation(double rate_hz, double hz)
{
    enum { POINTS = 1000 };
    cj__pink pink = make_filter(rate_hz);
    double low = 20 / rate_hz, span = log(0.45 / low), mean = 0;
    if (!(rate_hz > 100) || !(hz > 0 && hz <= rate_hz / 2))
        return NAN;
    for (int i = 0; i < POINTS; i++) {
        double f = low * exp(span * (i + 0.5) / POINTS);
        mean += log(f * cj__pink_power(&pink, f)) / POINTS;
    }
    double f = hz / rate_hz;
    return 10 / log(10) * (log(f * cj__pink_power(&pink, f)) - mean);
}
