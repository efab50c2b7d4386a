/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Raw levels, and flat tops. */
#include "figures/internal.h"

#include "base/clones.h"

#include <math.h>

#define LANES 4 /* independent running sums, so that the next sample need not wait for the last */

struct lanes {
    double sum[LANES], square[LANES], low[LANES], high[LANES];
};

/* The sums of whole groups of LANES samples without gaps; a gap makes the sums NaN. */
CJ__CLONES static void add_lanes(struct lanes *lanes, const double *x, size_t groups, double shift)
{
    for (size_t i = 0; i < groups; i++)
        for (size_t k = 0; k < LANES; k++) {
            double v = x[i * LANES + k], d = v - shift;
            lanes->low[k] = v < lanes->low[k] ? v : lanes->low[k];
            lanes->high[k] = v > lanes->high[k] ? v : lanes->high[k];
            lanes->sum[k] += d;
            lanes->square[k] += d * d;
        }
}

static void add_one_by_one(cj__level *level, const double *x, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        if (isnan(x[i]))
            continue;
        double d = x[i] - level->shift;
        level->low = fmin(level->low, x[i]);
        level->high = fmax(level->high, x[i]);
        level->sum += d;
        level->square += d * d;
        level->valid++;
    }
}

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
    struct lanes lanes = {0};
    for (size_t k = 0; k < LANES; k++)
        lanes.low[k] = lanes.high[k] = level->shift;
    size_t groups = n / LANES;
    add_lanes(&lanes, x, groups, level->shift);
    double sum = 0, square = 0;
    for (size_t k = 0; k < LANES; k++) {
        sum += lanes.sum[k];
        square += lanes.square[k];
    }
    if (isnan(sum)) {
        add_one_by_one(level, x, n);
        return;
    }
    for (size_t k = 0; k < LANES; k++) {
        level->low = fmin(level->low, lanes.low[k]);
        level->high = fmax(level->high, lanes.high[k]);
    }
    level->sum += sum;
    level->square += square;
    level->valid += groups * LANES;
    add_one_by_one(level, x + groups * LANES, n - groups * LANES);
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

/* What lies within `near` of a level and within four times that. */
struct top {
    double near_count, far_count, near_sum;
};

/* Counts at the top (sign 1) or at the bottom (-1). */
CJ__CLONES static struct top count_all(const double *x, size_t n, double sign, double level,
                                       double near)
{
    double count[LANES] = {0}, far_count[LANES] = {0}, sum[LANES] = {0};
    double far = 4 * near;
    for (size_t i = 0; i + LANES <= n; i += LANES)
        for (size_t k = 0; k < LANES; k++) {
            double below = level - sign * x[i + k];
            count[k] += below <= near ? 1.0 : 0.0;
            sum[k] += below <= near ? below : 0.0;
            far_count[k] += below <= far ? 1.0 : 0.0;
        }
    struct top top = {0};
    for (size_t k = 0; k < LANES; k++) {
        top.near_count += count[k];
        top.far_count += far_count[k];
        top.near_sum += sum[k];
    }
    return top;
}

/* Counts a sample in SPARSE first: most tops are round beyond doubt. */
#define SPARSE 7

static bool round_beyond_doubt(const double *x, size_t n, double sign, double level, double near)
{
    size_t near_count = 0, far_count = 0;
    for (size_t i = 0; i < n; i += SPARSE) {
        double below = level - sign * x[i];
        near_count += below <= near;
        far_count += below <= 4 * near;
    }
    /* a flat top holds a hundredth of all samples: of 50 expected there are not so few by chance */
    if (n > 5000 * SPARSE && near_count < n / SPARSE / 250)
        return true;
    /* 200 samples know the ratio to a few per cent */
    return near_count > 200 && (double)far_count > 1.85 * (double)near_count;
}

/*
 * The top of a sine is round: the share of time within d of its peak grows as the root of d, so
 * four times the distance holds twice the samples. A flat top holds most of them at once. Below a
 * ratio of 1.6 the top is called flat, which an overdrive of about 1 % reaches (closed form: acos(1
 * - 4d)/acos(1 - d) against the same with the flat part).
 */
static double flat_share(const double *x, size_t n, double sign, const struct cj__flat *flat,
                         double *level)
{
    double high = sign > 0 ? flat->high : -flat->low, amplitude = (flat->high - flat->low) / 2;
    double near = fmax(0.01 * amplitude, fmax(1.01 * flat->step, 2.5 * flat->noise));
    if (!(amplitude > 0) || near > amplitude / 5)
        return 0;
    double from = high - 2 * flat->noise;
    if (round_beyond_doubt(x, n, sign, from, near))
        return 0;
    struct top top = count_all(x, n, sign, from, near);
    if (top.near_count < 5 || top.near_count < 0.01 * (double)n ||
        top.far_count > 1.6 * top.near_count)
        return 0;
    *level = sign * (from - top.near_sum / top.near_count);
    return top.near_count;
}

void cj__clip_add(cj__clip *clip, const double *x, size_t n, const struct cj__flat *flat)
{
    double level = NAN;
    double high = flat_share(x, n, 1, flat, &level);
    if (high > 0)
        clip->high_level = clip->high > 0 ? fmax(clip->high_level, level) : level;
    clip->high += high;
    double low = flat_share(x, n, -1, flat, &level);
    if (low > 0)
        clip->low_level = clip->low > 0 ? fmin(clip->low_level, level) : level;
    clip->low += low;
    clip->counted += (double)n;
}
