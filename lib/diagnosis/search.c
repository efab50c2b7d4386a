/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A quantity that is not known: found by the misfit over its logarithm, and what it was worth
 * before. */
#include <math.h>

#include "diagnosis/rank.h"

/* ---- prior ---- */

static double normal_part(double x, double sigma)
{
    return exp(-0.5 * x * x / (sigma * sigma)) / (sigma * sqrt(2 * M_PI));
}

static double below(double z)
{
    return 0.5 * erfc(-z / M_SQRT2);
}

/* Share of a normal (t, s) that lies outside -zone..zone and inside low..high. */
static double outside(double t, double s, double zone, double low, double high)
{
    double all = below((high - t) / s) - below((low - t) / s);
    double in = below((zone - t) / s) - below((-zone - t) / s);
    return fmax(all - in, 0);
}

/* A wrong part: mostly a slipped decade; then a neighbour of the E12 or E24 series (IEC 60063),
 * half or double; else anything. How often which, is judgement. */
static double value_mass(double t, double s, double tolerance, double low, double high)
{
    static const struct {
        double at, weight;
    } usual[] = {
        {2.302585, 0.17}, {-2.302585, 0.17}, {4.60517, 0.05},  {-4.60517, 0.05},
        {6.907755, 0.01}, {-6.907755, 0.01}, {0.693147, 0.03}, {-0.693147, 0.03},
        {0.0953, 0.02},   {-0.0953, 0.02},   {0.19, 0.04},     {-0.19, 0.04},
        {0.405, 0.02},    {-0.405, 0.02},    {0.77, 0.02},     {-0.77, 0.02},
    };
    double zone = 1.15 * tolerance + 0.002, sum = 0, left = 1;
    double spread = tolerance / sqrt(3) + 0.012;
    for (size_t i = 0; i < sizeof usual / sizeof usual[0]; i++) {
        left -= usual[i].weight;
        if (fabs(usual[i].at) > zone)
            sum += usual[i].weight * normal_part(t - usual[i].at, hypot(spread, s));
    }
    /* what is a misfit within the tolerance is no wrong part; the best value may lie inside all the
     * same */
    sum *= fmin(outside(t, s, zone, -20, 20), 1);
    return sum + left * outside(t, s, zone, low, high) / (high - low - 2 * zone);
}

double cj__search_mass(const cj__manner *manner, double t, double s)
{
    double low = log(manner->low), high = log(manner->high), density;
    s = fmin(s, (high - low) / 2);
    if (manner->prior == CJ__PART_VALUE) {
        double middle = log(manner->middle);
        density = value_mass(t - middle, s, manner->width, low - middle, high - middle);
    } else if (manner->prior == CJ__AROUND) {
        density = normal_part(t - log(manner->middle), hypot(manner->width, s));
    } else {
        density = outside(t - low + 1, s, 0, 1, high - low + 1) / (high - low);
    }
    return log(fmax(density, 1e-300)) + log(s * sqrt(2 * M_PI));
}

/* ---- search ---- */

#define UNPREDICTED 6.0 /* in the square of standard deviations, a row */

struct misfit {
    cj__ranking *ranking;
    const cj__manner *manner;
    cj__normal *metric;
    unsigned want;
};

static cj_status misfit_at(const struct misfit *misfit, double t, double *value, cj_error *err)
{
    cj__outlook *outlook = misfit->ranking->outlook;
    cj__reference reference = {misfit->ranking->unit, misfit->ranking->active};
    cj_status status = cj__outlook_fill(misfit->ranking->scene, misfit->manner, exp(t), 0,
                                        &reference, outlook, err);
    if (status != CJ_OK)
        return status;
    *value = cj__normal_distance(misfit->ranking->scene, outlook, misfit->metric);
    /* what is not predicted is no match: a value that predicts more rows well is the better one */
    for (size_t f = 0; f < misfit->ranking->scene->count; f++)
        if (outlook->skip[f])
            *value += UNPREDICTED * misfit->ranking->scene->features[f].rows;
    return CJ_OK;
}

/* Golden section between a and b, the middle known to be lower. */
static cj_status narrow(const struct misfit *misfit, double a, double b, double width, double *best,
                        double *value, cj_error *err)
{
    const double share = 0.6180339887498949;
    double x = b - share * (b - a), y = a + share * (b - a), fx, fy;
    cj_status status = misfit_at(misfit, x, &fx, err);
    if (status == CJ_OK)
        status = misfit_at(misfit, y, &fy, err);
    while (status == CJ_OK && b - a > width) {
        if (fx < fy) {
            b = y;
            y = x;
            fy = fx;
            x = b - share * (b - a);
            status = misfit_at(misfit, x, &fx, err);
        } else {
            a = x;
            x = y;
            fx = fy;
            y = a + share * (b - a);
            status = misfit_at(misfit, y, &fy, err);
        }
    }
    if (status == CJ_OK) {
        *best = fx < fy ? x : y;
        *value = fmin(fx, fy);
    }
    return status;
}

enum { GRID_MOST = 40 };

/* Keeps found[] ordered, the least misfit first. */
static void keep(double found[CJ__MINIMA], double values[CJ__MINIMA], int *count, double t,
                 double value)
{
    int at = *count;
    while (at > 0 && value < values[at - 1])
        at--;
    if (at == CJ__MINIMA)
        return;
    if (*count < CJ__MINIMA)
        ++*count;
    for (int i = *count - 1; i > at; i--) {
        found[i] = found[i - 1];
        values[i] = values[i - 1];
    }
    found[at] = t;
    values[at] = value;
}

cj_status cj__search(cj__ranking *ranking, const cj__manner *manner, cj__normal *metric,
                     double found[CJ__MINIMA], int *count, cj_error *err)
{
    struct misfit misfit = {ranking, manner, metric, 0};
    double low = log(manner->low), high = log(manner->high), grid[GRID_MOST];
    int points = (int)fmin(fmax(ceil((high - low) / 0.6), 6), GRID_MOST - 1) + 1;
    double step = (high - low) / (points - 1);
    cj_status status = CJ_OK;
    bool any = false;
    for (size_t i = 0; i < ranking->scene->look_count; i++)
        any = any || ranking->active[i];
    if (!any) { /* nothing shows, whatever the value */
        found[0] = exp((low + high) / 2);
        *count = 1;
        return CJ_OK;
    }
    for (int i = 0; i < points && status == CJ_OK; i++)
        status = misfit_at(&misfit, low + i * step, &grid[i], err);
    if (status != CJ_OK)
        return status;
    double coarse[CJ__MINIMA], values[CJ__MINIMA];
    int coarse_count = 0;
    for (int i = 0; i < points; i++)
        if ((i == 0 || grid[i] <= grid[i - 1]) && (i == points - 1 || grid[i] < grid[i + 1]))
            keep(coarse, values, &coarse_count, low + i * step, grid[i]);
    *count = 0;
    double kept[CJ__MINIMA];
    for (int i = 0; i < coarse_count && status == CJ_OK; i++) {
        double t, value;
        if (i > 0 && values[i] > 4 * (values[0] + ranking->scene->rows))
            break; /* hopeless beside the best */
        status = narrow(&misfit, fmax(coarse[i] - step, low), fmin(coarse[i] + step, high), 0.004,
                        &t, &value, err);
        if (status == CJ_OK)
            keep(found, kept, count, t, value);
    }
    for (int i = 0; i < *count; i++)
        found[i] = exp(found[i]);
    return status;
}

cj_status cj__search_in_time(cj__ranking *ranking, const cj__manner *manner, cj__normal *metric,
                             double *value, cj_error *err)
{
    enum { POINTS = 7 };
    struct misfit misfit = {ranking, manner, metric, CJ_TRANSIENT};
    double low = fmax(log(*value) - 2.1, log(manner->low)),
           high = fmin(log(*value) + 2.1, log(manner->high));
    double step = (high - low) / (POINTS - 1), best = low, least = INFINITY, found = low;
    cj_status status = CJ_OK;
    for (int i = 0; i < POINTS && status == CJ_OK; i++) {
        status = misfit_at(&misfit, low + i * step, &found, err);
        if (status == CJ_OK && found < least) {
            least = found;
            best = low + i * step;
        }
    }
    if (status == CJ_OK)
        status = narrow(&misfit, fmax(best - step, low), fmin(best + step, high), 0.04, &best,
                        &least, err);
    if (status == CJ_OK)
        *value = exp(best);
    return status;
}
