/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Raw levels, and flat tops. */
#include "figures/internal.h"

#include <math.h>

void cj__level_add(cj__level *level, const double *x, size_t n)
{
    if (level->valid == 0) {
        size_t i = 0;
        while (i < n && isnan(x[i]))
            i++;
        if (i == n)
            return;
        level->shift = level->low = level->high = x[i];
    }
    double sum = 0, square = 0, low = level->low, high = level->high;
    const double shift = level->shift;
    size_t gaps = 0;
    for (size_t i = 0; i < n; i++) {
        double v = x[i];
        if (isnan(v)) {
            gaps++;
            continue;
        }
        low = v < low ? v : low;
        high = v > high ? v : high;
        sum += v - shift;
        square += (v - shift) * (v - shift);
    }
    level->low = low;
    level->high = high;
    level->sum += sum;
    level->square += square;
    level->valid += n - gaps;
}

double cj__level_mean(const cj__level *level)
{
    return level->valid ? level->shift + level->sum / (double)level->valid : NAN;
}

double cj__level_variance(const cj__level *level)
{
    if (level->valid == 0)
        return NAN;
    double mean = level->sum / (double)level->valid;
    return fmax(0, level->square / (double)level->valid - mean * mean);
}

/* What lies within `near` of the top and within four times that; sign -1 looks at the bottom. */
struct top {
    double near_count, far_count, near_sum;
};

static struct top count_top(const double *x, size_t n, double sign, double level, double near)
{
    struct top top = {0};
    for (size_t i = 0; i < n; i++) {
        double below = level - sign * x[i];
        if (below <= near) {
            top.near_count++;
            top.near_sum += x[i];
        }
        if (below <= 4 * near)
            top.far_count++;
    }
    return top;
}

/*
 * The top of a sine is round: the share of time within d of its peak grows as the root of d, so
 * four times the distance holds twice the samples. A flat top holds most of them at once. Below a
 * ratio of 1.6 the top is called flat, which an overdrive of about 1 % reaches (closed form: acos(1
 * - 4d)/acos(1 - d) against the same with the flat part).
 */
static double flat_share(const double *x, size_t n, double sign, double noise, double step,
                         double *level)
{
    double low = INFINITY, high = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        double v = sign * x[i];
        low = v < low ? v : low;
        high = v > high ? v : high;
    }
    double amplitude = (high - low) / 2;
    double near = fmax(0.01 * amplitude, fmax(1.01 * step, 2.5 * noise));
    if (!(amplitude > 0) || near > amplitude / 5)
        return 0;
    struct top top = count_top(x, n, sign, high - 2 * noise, near);
    if (top.near_count < 5 || top.near_count < 0.01 * (double)n ||
        top.far_count > 1.6 * top.near_count)
        return 0;
    *level = top.near_sum / top.near_count;
    return top.near_count;
}

void cj__clip_add(cj__clip *clip, const double *x, size_t n, double noise, double step)
{
    double level = NAN;
    double high = flat_share(x, n, 1, noise, step, &level);
    if (high > 0)
        clip->high_level = clip->high > 0 ? fmax(clip->high_level, level) : level;
    clip->high += high;
    double low = flat_share(x, n, -1, noise, step, &level);
    if (low > 0)
        clip->low_level = clip->low > 0 ? fmin(clip->low_level, level) : level;
    clip->low += low;
    clip->counted += (double)n;
}
