/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Factors of normal tolerance intervals (NIST/SEMATECH e-Handbook 7.2.6.3). */
#include "coldjoint/verdict.h"
#include "verdict/distributions.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

double cj_tolerance_one_sided(size_t count, double coverage, double confidence)
{
    double n = (double)count;
    if (count < 2)
        return NAN;
    double delta = gsl_cdf_ugaussian_Pinv(coverage) * sqrt(n);
    return cj__t_quantile(confidence, n - 1, delta) / sqrt(n);
}

/*
 * Two-sided: with the mean x off by a normal of variance 1 / n, x +- r holds the share p where
 * Phi(x + r) - Phi(x - r) = p; mean +- k s holds it where s >= r / k. k is that at which the mean
 * over x of P(s >= r(x) / k) is the confidence.
 */
enum { POINTS = 64 };

struct two_sided {
    double degrees, confidence;
    double weight[POINTS + 1], half[POINTS + 1];
};

struct cover {
    double x, share;
};

static double covered_off(double r, const void *user)
{
    const struct cover *of = user;
    return cj__normal_below(of->x + r) - cj__normal_below(of->x - r) - of->share;
}

static double confidence_off(double k, const void *user)
{
    const struct two_sided *of = user;
    double sum = 0;
    for (int i = 0; i <= POINTS; i++) {
        double least = of->half[i] / k;
        sum += of->weight[i] * (1 - cj__chi2_below(of->degrees * least * least, of->degrees));
    }
    return sum - of->confidence;
}

double cj_tolerance_two_sided(size_t count, double coverage, double confidence)
{
    struct two_sided of = {.degrees = (double)count - 1, .confidence = confidence};
    double sum = 0, high = 10;
    if (count < 2)
        return NAN;
    for (int i = 0; i <= POINTS; i++) { /* one side: the other is its mirror */
        double z = 9.0 * i / POINTS;
        struct cover cover = {z / sqrt((double)count), coverage};
        of.weight[i] = exp(-z * z / 2) * (i == 0 ? 0.5 : 1);
        of.half[i] = cj__solve(covered_off, &cover, 0, cover.x + 40);
        sum += of.weight[i];
    }
    for (int i = 0; i <= POINTS; i++)
        of.weight[i] /= sum;
    while (confidence_off(high, &of) < 0 && high < 1e300)
        high *= 4;
    return cj__solve(confidence_off, &of, 0, high);
}
