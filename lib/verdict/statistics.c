/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Statistics of many units. Sections are those of the NIST/SEMATECH e-Handbook. */
#include "coldjoint/verdict.h"
#include "verdict/distributions.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

static const cj_interval unknown = {NAN, NAN};

cj_interval cj_wilson(size_t good, size_t count, double confidence)
{
    if (count == 0)
        return (cj_interval){0, 1};
    double z = gsl_cdf_ugaussian_Pinv(0.5 + confidence / 2), n = (double)count;
    double p = (double)good / n, share = z * z / n;
    double middle = (p + share / 2) / (1 + share);
    double half = z / (1 + share) * sqrt(p * (1 - p) / n + share / (4 * n));
    return (cj_interval){good == 0 ? 0 : middle - half, good == count ? 1 : middle + half};
}

/* Two passes: the mean first, so that large values lose no digits of their spread. */
cj_summary cj_summarise(const double *values, size_t count)
{
    cj_summary out = {count, NAN, NAN, NAN, NAN};
    double sum = 0, squares = 0, rest = 0;
    for (size_t i = 0; i < count; i++) {
        sum += values[i];
        out.lowest = i == 0 || values[i] < out.lowest ? values[i] : out.lowest;
        out.highest = i == 0 || values[i] > out.highest ? values[i] : out.highest;
    }
    if (count == 0)
        return out;
    out.mean = sum / (double)count;
    for (size_t i = 0; i < count; i++) {
        squares += (values[i] - out.mean) * (values[i] - out.mean);
        rest += values[i] - out.mean;
    }
    if (count > 1)
        out.spread = sqrt(fmax(0, squares - rest * rest / (double)count) / (double)(count - 1));
    return out;
}

void cj_unwrap_degrees(double *values, size_t count)
{
    double x = 0, y = 0;
    for (size_t i = 0; i < count; i++) {
        x += cos(values[i] * M_PI / 180);
        y += sin(values[i] * M_PI / 180);
    }
    double middle = atan2(y, x) * 180 / M_PI;
    for (size_t i = 0; i < count; i++)
        values[i] = middle + remainder(values[i] - middle, 360);
}

/* ---- capability ---- */

cj_capability cj_capable(const cj_summary *summary, double min, double max)
{
    cj_capability out = {NAN, NAN, unknown, unknown};
    double s = summary->spread, n = (double)summary->count, degrees = n - 1;
    double above = isnan(min) ? INFINITY : summary->mean - min;
    double below = isnan(max) ? INFINITY : max - summary->mean;
    if (!(s > 0) || isinf(fmin(above, below)))
        return out;
    out.cpk = fmin(above, below) / (3 * s);
    double half =
        gsl_cdf_ugaussian_Pinv(0.975) * sqrt(1 / (9 * n) + out.cpk * out.cpk / (2 * degrees));
    out.cpk_interval = (cj_interval){out.cpk - half, out.cpk + half};
    if (isnan(min) || isnan(max))
        return out;
    out.cp = (max - min) / (6 * s);
    out.cp_interval = (cj_interval){out.cp * sqrt(cj__chi2_quantile(0.025, degrees) / degrees),
                                    out.cp * sqrt(cj__chi2_quantile(0.975, degrees) / degrees)};
    return out;
}

/* ---- individuals chart ---- */

#define D2 1.128 /* mean range of two, in sigmas */
#define D4 3.267
enum { RUN = 8 };

cj_chart cj_chart_make(const double *values, size_t count)
{
    cj_chart out = {NAN, NAN, NAN, NAN, NAN};
    double ranges = 0;
    if (count < 2)
        return out;
    for (size_t i = 1; i < count; i++)
        ranges += fabs(values[i] - values[i - 1]);
    out.centre = cj_summarise(values, count).mean;
    out.range_mean = ranges / (double)(count - 1);
    out.range_upper = D4 * out.range_mean;
    out.lower = out.centre - 3 * out.range_mean / D2;
    out.upper = out.centre + 3 * out.range_mean / D2;
    return out;
}

size_t cj_chart_check(const cj_chart *chart, const double *values, size_t count, unsigned char *out)
{
    size_t bad = 0, row = 0;
    int side = 0;
    for (size_t i = 0; i < count; i++) {
        unsigned why = CJ_IN_CONTROL;
        int own = (values[i] > chart->centre) - (values[i] < chart->centre);
        row = own != 0 && own == side ? row + 1 : 1;
        side = own;
        if (values[i] > chart->upper || values[i] < chart->lower)
            why |= CJ_OUT_LIMITS;
        if (i > 0 && fabs(values[i] - values[i - 1]) > chart->range_upper)
            why |= CJ_OUT_RANGE;
        if (row >= RUN)
            why |= CJ_OUT_RUN;
        out[i] = (unsigned char)why;
        bad += why != CJ_IN_CONTROL;
    }
    return bad;
}

/* ---- outliers ---- */

cj_outlier cj_grubbs(const double *values, size_t count, double confidence)
{
    cj_outlier out = {0, NAN, NAN};
    cj_summary summary = cj_summarise(values, count);
    if (count < 3 || !(summary.spread > 0))
        return out;
    for (size_t i = 1; i < count; i++)
        if (fabs(values[i] - summary.mean) > fabs(values[out.index] - summary.mean))
            out.index = i;
    double n = (double)count, alpha = 1 - confidence;
    double t = cj__t_quantile(1 - alpha / (2 * n), n - 2, 0);
    out.g = fabs(values[out.index] - summary.mean) / summary.spread;
    out.critical = (n - 1) / sqrt(n) * sqrt(t * t / (n - 2 + t * t));
    return out;
}
