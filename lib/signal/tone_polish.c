/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * tone_polish.c - the tone fit in one pass over the samples, for long records without gaps whose
 * frequency is known to a few parts per million already (the next block of a stream).
 *
 * The samples are first reduced to each harmonic's sums over groups of 1024 samples at the start
 * frequency; what the model contributes to these sums is known exactly at any frequency, so
 * Gauss-Newton on them costs next to nothing. What it loses against the long way: inside a group,
 * lines are compared with the start frequency instead of the fitted one, and time counts as the
 * group's centre. Either costs less than a thousandth of the uncertainty at the 64 groups asked for
 * here.
 */
#include "signal/internal.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_GROUPS 64
#define LEAST_PERIODS 100.0
#define MOST_STEPS 8
#define MOST_PASSES 3
#define REFINEMENTS 3
#define LEAST_LEFT 1e-12 /* of the power, as residual: under it its digits are gone */
#define MOST_TURN                                                                                  \
    3e-3 /* radians the highest harmonic may turn in a group, from what was assumed                \
          */

typedef struct polish {
    cj__tone *tone;
    cj__comb *comb;
    size_t groups, length;
    double start;                          /* frequency of the reduction */
    cj_complex *reduced[CJ_TONE_CHANNELS]; /* [groups][h] */
    cj_complex *sums, *moments;            /* [h]: of x, of t x */
    /* Sums over the groups' centres: of exp(-j m w t), and of t exp(-j m w t) over j; [2h+1]. */
    double *turns, *times;
    double *below, *above; /* [h][h+1] one group's sum of exp(j (m w -+ k w0) t) */
    double *products;      /* [2h+1] */
    double sum[CJ_TONE_CHANNELS];
} polish;

typedef double four __attribute__((vector_size(32), aligned(8), may_alias));

CJ__CLONES
static void total(const double *x, size_t n, double *sum, double *squares)
{
    four s = {0}, q = {0}, s2 = {0}, q2 = {0};
    for (size_t i = 0; i < n; i += 8) { /* n is a multiple of 1024 */
        four a = *(const four *)(x + i), b = *(const four *)(x + i + 4);
        s += a;
        s2 += b;
        q += a * a;
        q2 += b * b;
    }
    s += s2;
    q += q2;
    *sum = (s[0] + s[1]) + (s[2] + s[3]);
    *squares = (q[0] + q[1]) + (q[2] + q[3]);
}

static bool take_in(polish *of, const double *const x[])
{
    cj__tone *tone = of->tone;
    for (int c = 0; c < tone->channels; c++) {
        cj__tone_channel *channel = &tone->channel[c];
        double squares = 0.0, n = (double)tone->n;
        total(x[c], tone->n, &of->sum[c], &squares);
        if (!isfinite(squares))
            return false; /* gaps: the long way */
        channel->valid = tone->n;
        channel->power = squares;
        channel->floor = squares * (DBL_EPSILON / 2) * (DBL_EPSILON / 2);
        channel->alive = squares - of->sum[c] * of->sum[c] / n > 1e-6 * squares;
        if (!channel->alive)
            return false; /* silent, or all but: the long way has the digits for it */
    }
    return true;
}

static bool reduce(polish *of, const double *const x[], double f)
{
    of->start = f;
    if (!cj__comb_set(of->comb, of->tone->n, f, of->tone->h))
        return false;
    for (int c = 0; c < of->tone->channels; c++)
        cj__comb_groups(of->comb, x[c], of->reduced[c]);
    return true;
}

/* sums and moments of a channel at f, from its groups */
static void sums_at(polish *of, int c, double f)
{
    int h = of->tone->h;
    memset(of->sums, 0, sizeof *of->sums * (size_t)h);
    memset(of->moments, 0, sizeof *of->moments * (size_t)h);
    for (size_t g = 0; g < of->groups; g++) {
        const cj_complex *from = of->reduced[c] + g * (size_t)h;
        double t = cj__comb_group_time(of->comb, g);
        cj_complex first = cj__phasor(f, -t), turn = first;
        for (int k = 0; k < h; k++) {
            cj_complex part = cj__times(from[k], turn);
            of->sums[k].re += part.re;
            of->sums[k].im += part.im;
            of->moments[k].re += t * part.re;
            of->moments[k].im += t * part.im;
            turn = cj__times(turn, first);
        }
    }
}

/* The derivative of the sum of exp(-j q g) over the groups, g about their middle, at q = 2 pi m f
 * L. */
static double group_slope(const polish *of, double f, int m)
{
    double groups = (double)of->groups, length = (double)of->length;
    double half = 0.5 * CJ__TWO_PI * cj__turns(f, (double)m * length);
    bool flips = of->groups % 2 == 0 && fmod(fabs(rint(f * m * length)), 2.0) != 0.0;
    double s = sin(half), slope = 0.0;
    if (fabs(groups * half) < 1e-3)
        slope = -groups * (groups * groups - 1.0) / 6.0 * half;
    else
        slope = (0.5 * groups * cos(groups * half) * s - 0.5 * sin(groups * half) * cos(half)) /
                (s * s);
    return flips ? -slope : slope;
}

static void set_kernels(polish *of, double f)
{
    int h = of->tone->h;
    double length = (double)of->length;
    for (int m = 0; m <= 2 * h; m++) {
        of->tone->e[m] = (cj_complex){cj__dirichlet(f, m, of->tone->n), 0.0};
        of->turns[m] = cj__dirichlet(f * length, m, of->groups);
        of->times[m] = m ? length * group_slope(of, f, m) : 0.0;
    }
    for (int k = 1; k <= h; k++)
        for (int m = 0; m <= h; m++) {
            size_t at = (size_t)(k - 1) * (size_t)(h + 1) + (size_t)m;
            of->below[at] = cj__dirichlet(k * of->start - m * f, 1, of->length);
            of->above[at] = cj__dirichlet(k * of->start + m * f, 1, of->length);
        }
}

/* What DC and lines contribute to harmonic k's sum over the groups, and to the sum times t. */
static void contribution(const polish *of, double dc, const cj_complex *a, int k, cj_complex *sum,
                         cj_complex *moment)
{
    const double *below = of->below + (size_t)(k - 1) * (size_t)(of->tone->h + 1);
    const double *above = of->above + (size_t)(k - 1) * (size_t)(of->tone->h + 1);
    *sum = (cj_complex){dc * below[0] * of->turns[k], 0.0};
    *moment = (cj_complex){0.0, dc * below[0] * of->times[k]};
    for (int m = 1; m <= of->tone->h; m++) {
        int apart = k < m ? m - k : k - m;
        cj_complex line = {0.5 * a[m - 1].re, 0.5 * a[m - 1].im};
        double minus = below[m] * of->turns[apart], plus = above[m] * of->turns[k + m];
        sum->re += line.re * (minus + plus);
        sum->im += line.im * (minus - plus);
        minus = below[m] * (k < m ? -of->times[apart] : of->times[apart]);
        plus = above[m] * of->times[k + m];
        moment->re -= line.im * (minus - plus);
        moment->im += line.re * (minus + plus);
    }
}

static void lines_of(const double *rhs, int h, cj_complex *lines, cj_complex *turned)
{
    for (int k = 1; k <= h; k++) {
        lines[k - 1] = (cj_complex){rhs[k], -rhs[h + k]};
        turned[k - 1] = (cj_complex){CJ__TWO_PI * k * rhs[h + k], CJ__TWO_PI * k * rhs[k]};
    }
}

/* The linear unknowns whose contributions are the sums that were found: started with the normal
 * equations, which belong to sums at f, and refined. */
static void solve_sums(polish *of, int c)
{
    cj__tone *tone = of->tone;
    cj__tone_channel *channel = &tone->channel[c];
    int h = tone->h, count = 2 * h + 1;
    memset(channel->rhs, 0, sizeof(double) * (size_t)count);
    for (int round = 0; round < REFINEMENTS; round++) {
        lines_of(channel->rhs, h, tone->lines, tone->lines + h);
        of->products[0] = of->sum[c] - channel->rhs[0] * tone->e[0].re;
        for (int k = 1; k <= h; k++) {
            cj_complex sum, moment;
            contribution(of, channel->rhs[0], tone->lines, k, &sum, &moment);
            of->products[0] -= tone->lines[k - 1].re * tone->e[k].re;
            of->products[k] = of->sums[k - 1].re - sum.re;
            of->products[h + k] = -(of->sums[k - 1].im - sum.im);
        }
        cj__gram_solve(&channel->gram, of->products);
        for (int i = 0; i < count; i++)
            channel->rhs[i] += of->products[i];
    }
}

/* The power of the model: the unknowns through the normal equations. */
static double model_power(const cj__tone *tone, const double *rhs)
{
    int h = tone->h;
    double power = rhs[0] * rhs[0] * tone->e[0].re;
    for (int k = 1; k <= h; k++) {
        double cosines = 2.0 * rhs[0] * tone->e[k].re, sines = 0.0;
        for (int m = 1; m <= h; m++) {
            double minus = 0.5 * tone->e[abs(k - m)].re, plus = 0.5 * tone->e[k + m].re;
            cosines += rhs[m] * (minus + plus);
            sines += rhs[h + m] * (minus - plus);
        }
        power += rhs[k] * cosines + rhs[h + k] * sines;
    }
    return power;
}

static cj_status solve(polish *of, int c, double f)
{
    cj__tone *tone = of->tone;
    cj__tone_channel *channel = &tone->channel[c];
    cj_status status = cj__gram_set(&channel->gram, tone->h, tone->e, false);
    if (status != CJ_OK)
        return status;
    sums_at(of, c, f);
    solve_sums(of, c);
    channel->rss = channel->power - model_power(tone, channel->rhs);
    return channel->rss > LEAST_LEFT * channel->power ? CJ_OK : CJ_DATA;
}

static void differentiate(polish *of, int c)
{
    cj__tone *tone = of->tone;
    cj__tone_channel *channel = &tone->channel[c];
    int h = tone->h;
    double n = (double)tone->n;
    cj_complex *lines = tone->lines, *turned = tone->lines + h;
    lines_of(channel->rhs, h, lines, turned);
    channel->pull = channel->stiff = 0.0;
    of->products[0] = 0.0;
    for (int k = 1; k <= h; k++) {
        cj_complex sum, model, moved, d = turned[k - 1];
        contribution(of, channel->rhs[0], lines, k, &sum, &model);
        contribution(of, 0.0, turned, k, &sum, &moved);
        channel->pull +=
            d.re * (of->moments[k - 1].re - model.re) + d.im * (of->moments[k - 1].im - model.im);
        channel->stiff += 0.5 * (d.re * d.re + d.im * d.im) * n * (n * n - 1.0) / 12.0;
        of->products[0] += d.im * of->times[k] * of->below[(size_t)(k - 1) * (size_t)(h + 1)];
        of->products[k] = moved.re;
        of->products[h + k] = -moved.im;
    }
    memcpy(channel->slope, of->products, sizeof(double) * (size_t)(2 * h + 1));
    cj__gram_solve(&channel->gram, channel->slope);
    for (int i = 0; i <= 2 * h; i++)
        channel->stiff -= of->products[i] * channel->slope[i];
    channel->hold = channel->stiff;
}

static cj_status evaluate(polish *of, double f)
{
    cj__tone *tone = of->tone;
    tone->f = f;
    tone->gradient = tone->hessian = 0.0;
    set_kernels(of, f);
    for (int c = 0; c < tone->channels; c++) {
        cj__tone_channel *channel = &tone->channel[c];
        cj_status status = solve(of, c, f);
        if (status != CJ_OK)
            return status;
        differentiate(of, c);
        double weight = (double)channel->valid / channel->rss;
        tone->gradient += weight * channel->pull;
        tone->hessian += weight * channel->stiff;
    }
    return tone->hessian > 0.0 ? CJ_OK : CJ_DATA;
}

/* CJ_DATA: this way does not lead there. */
static cj_status descend(polish *of, double f)
{
    double reach = 0.25 / (double)of->tone->n;
    for (int i = 0; i < MOST_STEPS; i++) {
        cj_status status = evaluate(of, f);
        if (status != CJ_OK)
            return status;
        double step = of->tone->gradient / of->tone->hessian;
        if (fabs(step) * sqrt(of->tone->hessian) <= 1e-4 || fabs(step) <= 4 * DBL_EPSILON * f)
            return CJ_OK;
        f += step;
        if (!(fabs(f - of->start) <= reach))
            return CJ_DATA;
    }
    return CJ_DATA;
}

static bool open_polish(polish *of, cj__tone *tone)
{
    size_t h = (size_t)tone->h, groups = of->groups;
    bool good = true;
    for (int c = 0; c < tone->channels; c++) {
        cj__tone_channel *channel = &tone->channel[c];
        of->reduced[c] = cj_new(groups * h, sizeof(cj_complex));
        channel->rhs = cj_new(2 * h + 1, sizeof(double));
        channel->slope = cj_new(2 * h + 1, sizeof(double));
        good = good && of->reduced[c] && channel->rhs && channel->slope;
    }
    of->sums = cj_new(2 * h, sizeof(cj_complex));
    of->times = cj_new(3 * (2 * h + 1) + 2 * h * (h + 1), sizeof(double));
    tone->lines = cj_new(2 * h, sizeof(cj_complex));
    tone->e = cj_new(2 * h + 1, sizeof(cj_complex));
    if (!good || !of->sums || !of->times || !tone->lines || !tone->e)
        return false;
    of->moments = of->sums + h;
    of->turns = of->times + 2 * h + 1;
    of->products = of->turns + 2 * h + 1;
    of->below = of->products + 2 * h + 1;
    of->above = of->below + h * (h + 1);
    return true;
}

static bool worth_trying(const cj__tone *tone, double f, int h, size_t length)
{
    double n = (double)tone->n;
    return tone->n % length == 0 && tone->n / length >= LEAST_GROUPS && f * n >= LEAST_PERIODS &&
           h <= 64 && h * f <= 0.5 - 1.0 / n;
}

cj_status cj__tone_polish(cj__tone *tone, const double *const x[], double f, int h, bool *done)
{
    polish of = {.tone = tone, .comb = &tone->comb, .length = 64 * CJ__GROUP};
    *done = false;
    if (!worth_trying(tone, f, h, of.length))
        return CJ_OK;
    of.groups = tone->n / of.length;
    tone->h = h;
    cj_status status = open_polish(&of, tone) ? CJ_OK : CJ_NOMEM;
    bool fine = status == CJ_OK && take_in(&of, x);
    for (int pass = 0; fine && !*done && pass < MOST_PASSES; pass++) {
        cj_status way = reduce(&of, x, f) ? descend(&of, f) : CJ_NOMEM;
        status = way == CJ_NOMEM ? CJ_NOMEM : status;
        fine = way == CJ_OK;
        f = tone->f;
        *done = fine && fabs(f - of.start) * h * (double)of.length * 0.5 * CJ__TWO_PI <= MOST_TURN;
    }
    for (int c = 0; c < tone->channels; c++)
        cj_free(of.reduced[c]);
    cj_free(of.sums);
    cj_free(of.times);
    return status;
}
