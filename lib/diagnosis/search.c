/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A quantity that is not known: found by the misfit over its logarithm, and what it was worth
 * before. */
#include <limits.h>
#include <math.h>
#include <string.h>

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

#define NEAR 3.45      /* ln: a decade and a half either way ... */
#define NEAR_SHARE 0.8 /* ... has most values that are no usual slip; judged */

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
    double near = fmax(low, -NEAR), far = fmin(high, NEAR);
    return sum +
           left * (NEAR_SHARE * outside(t, s, zone, near, far) / (far - near - 2 * zone) +
                   (1 - NEAR_SHARE) * outside(t, s, zone, low, high) / (high - low - 2 * zone));
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
    int skipped_most; /* rows without a prediction that are put up with */
    int skipped;      /* of the last value */
};

static const double *recall(const cj__known *known, int rows, double t, int *skipped)
{
    for (size_t i = known->count; i-- > 0;)
        if (known->t[i] == t) {
            *skipped = known->skipped[i];
            return known->mean + i * (size_t)rows;
        }
    return NULL;
}

static void remember(cj__known *known, int rows, double t, int skipped, const double *mean)
{
    if (known->count == CJ__KNOWN_MOST)
        return;
    known->t[known->count] = t;
    known->skipped[known->count] = skipped;
    memcpy(known->mean + known->count++ * (size_t)rows, mean, (size_t)rows * sizeof *mean);
}

/* Means into the outlook, and the rows that are not predicted. */
static cj_status predict_at(struct misfit *misfit, double t, cj_error *err)
{
    cj__ranking *ranking = misfit->ranking;
    const cj__scene *scene = ranking->scene;
    const double *mean = recall(&ranking->found, scene->rows, t, &misfit->skipped);
    if (mean != NULL) {
        memcpy(ranking->outlook->mean, mean, (size_t)scene->rows * sizeof *mean);
        return CJ_OK;
    }
    cj__reference reference = {ranking->unit, ranking->active};
    cj_status status = cj__outlook_fill(scene, misfit->manner, exp(t), misfit->want | CJ_BARE,
                                        &reference, ranking->outlook, err);
    if (status != CJ_OK)
        return status;
    misfit->skipped = 0;
    for (size_t f = 0; f < scene->count; f++)
        if (ranking->outlook->skip[f])
            misfit->skipped += scene->features[f].rows;
    remember(&ranking->found, scene->rows, t, misfit->skipped, ranking->outlook->mean);
    return CJ_OK;
}

static cj_status misfit_at(struct misfit *misfit, double t, double *value, cj_error *err)
{
    cj_status status = predict_at(misfit, t, err);
    if (status != CJ_OK)
        return status;
    *value = cj__normal_distance(misfit->ranking->scene, misfit->ranking->outlook, misfit->metric);
    /* what is not predicted is no match: a value that predicts more rows well is the better one */
    *value += UNPREDICTED * misfit->skipped;
    if (misfit->skipped > misfit->skipped_most)
        *value += 1e12; /* a search that began where more is predicted stays there */
    return CJ_OK;
}

/* Golden section between a and b, the middle known to be lower. */
static cj_status narrow(struct misfit *misfit, double a, double b, double width, double *best,
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

enum {
    GRID_MOST = 40,
    COARSE = 6, /* places on the grid that are looked into: where most rows are not predicted,
                   several that say nothing may stand before the one that does */
};

/* Keeps found[most] ordered, the least misfit first. */
static void keep(double *found, double *values, int most, int *count, double t, double value)
{
    int at = *count;
    while (at > 0 && value < values[at - 1])
        at--;
    if (at == most)
        return;
    if (*count < most)
        ++*count;
    for (int i = *count - 1; i > at; i--) {
        found[i] = found[i - 1];
        values[i] = values[i - 1];
    }
    found[at] = t;
    values[at] = value;
}

struct point {
    double t, value;
    int skipped;
};

/* Not above its neighbour; one that predicts more than its neighbour is a place of its own. */
static bool below_neighbour(const struct point *point, const struct point *other, bool strictly)
{
    if (other->skipped > point->skipped)
        return true;
    return strictly ? point->value < other->value : point->value <= other->value;
}

static cj_status look_over(struct misfit *misfit, struct point *grid, int points, cj_error *err)
{
    double low = log(misfit->manner->low), high = log(misfit->manner->high);
    cj_status status = CJ_OK;
    for (int i = 0; i < points && status == CJ_OK; i++) {
        grid[i].t = low + i * (high - low) / (points - 1);
        status = misfit_at(misfit, grid[i].t, &grid[i].value, err);
        grid[i].skipped = misfit->skipped;
    }
    return status;
}

bool cj__any_active(const cj__ranking *ranking)
{
    for (size_t i = 0; i < ranking->scene->look_count; i++)
        if (ranking->active[i])
            return true;
    return false;
}

static cj_status refine_minima(struct misfit *misfit, const struct point *grid, int points,
                               double found[CJ__MINIMA], int *count, cj_error *err)
{
    double low = grid[0].t, high = grid[points - 1].t, step = (high - low) / (points - 1);
    double coarse[COARSE], values[COARSE], kept[CJ__MINIMA];
    int coarse_count = 0;
    for (int i = 0; i < points; i++)
        if ((i == 0 || below_neighbour(&grid[i], &grid[i - 1], false)) &&
            (i == points - 1 || below_neighbour(&grid[i], &grid[i + 1], true)))
            keep(coarse, values, COARSE, &coarse_count, i, grid[i].value);
    cj_status status = CJ_OK;
    *count = 0;
    for (int i = 0; i < coarse_count && status == CJ_OK; i++) {
        const struct point *at = &grid[(int)coarse[i]];
        double t, value;
        misfit->skipped_most = at->skipped;
        status = narrow(misfit, fmax(at->t - step, low), fmin(at->t + step, high), 0.004, &t,
                        &value, err);
        if (status == CJ_OK)
            keep(found, kept, CJ__MINIMA, count, t, value);
    }
    for (int i = 0; i < *count; i++)
        found[i] = exp(found[i]);
    return status;
}

cj_status cj__search_again(cj__ranking *ranking, const cj__manner *manner, cj__normal *metric,
                           double found[CJ__MINIMA], int *count, cj_error *err)
{
    struct misfit misfit = {ranking, manner, metric, 0, INT_MAX, 0};
    struct point grid[GRID_MOST];
    double range = log(manner->high / manner->low);
    int points = (int)fmin(fmax(ceil(range / 0.6), 6), GRID_MOST - 1) + 1;
    if (!cj__any_active(ranking)) { /* whatever the value */
        found[0] = sqrt(manner->low * manner->high);
        *count = 1;
        return CJ_OK;
    }
    cj_status status = look_over(&misfit, grid, points, err);
    return status == CJ_OK ? refine_minima(&misfit, grid, points, found, count, err) : status;
}

cj_status cj__search(cj__ranking *ranking, const cj__manner *manner, cj__normal *metric,
                     double found[CJ__MINIMA], int *count, cj_error *err)
{
    ranking->found.count = 0;
    return cj__search_again(ranking, manner, metric, found, count, err);
}

/* These are judged. */
#define FLAT 2.0        /* in the square of standard deviations: the quantity does not matter */
#define NEAR_ENOUGH 3.0 /* a row: what was found without stepping is as good as it gets */
#define FAR                                                                                        \
    1e3 /* a row: beyond what the errors of a transient excuse; no nearby value mends it           \
         */

#define BESIDE 0.3 /* ln: the rows that are predicted without stepping had it that near */

/* The best on a grid over the whole range. */
static cj_status grid_in_time(struct misfit *misfit, int points, double *best, double *least,
                              double *most, cj_error *err)
{
    double low = log(misfit->manner->low), high = log(misfit->manner->high),
           step = (high - low) / (points - 1);
    cj_status status = CJ_OK;
    for (int i = 0; i < points && status == CJ_OK; i++) {
        double here;
        if (i > 0 && cj__worked_enough(misfit->ranking))
            break;
        status = misfit_at(misfit, low + i * step, &here, err);
        if (status == CJ_OK && here < *least) {
            *least = here;
            *best = low + i * step;
        }
        *most = status == CJ_OK ? fmax(*most, here) : *most;
    }
    return status;
}

cj_status cj__search_in_time(cj__ranking *ranking, const cj__manner *manner, cj__normal *metric,
                             bool everywhere, double *value, cj_error *err)
{
    struct misfit misfit = {ranking, manner, metric, CJ_TRANSIENT, INT_MAX, 0};
    double low = log(manner->low), high = log(manner->high), start = log(*value), best = start,
           least = INFINITY, beside = BESIDE, most;
    /* a joint of any size hardly matters there: twice as coarse */
    double apart = manner->prior == CJ__ANY ? 2.6 : 1.3, exact = 0.05 * apart / 1.3;
    int points = (int)fmin(fmax(ceil((high - low) / apart), 3), 11);
    ranking->found.count = 0;
    cj_status status = misfit_at(&misfit, start, &least, err);
    most = least;
    if (status == CJ_OK && everywhere && least > NEAR_ENOUGH * ranking->scene->rows)
        status = grid_in_time(&misfit, points, &best, &least, &most, err);
    if (best != start)
        beside = (high - low) / (points - 1);
    bool hopeless = least > FAR * ranking->scene->rows,
         flat = everywhere && most - least <= FLAT && best != start;
    if (status == CJ_OK && !flat && !hopeless)
        status = narrow(&misfit, fmax(best - beside, low), fmin(best + beside, high), exact, &best,
                        &least, err);
    if (status == CJ_OK)
        *value = exp(best);
    return status;
}
