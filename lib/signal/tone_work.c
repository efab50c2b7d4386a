/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * tone_work.c - the tone fit at one frequency, and its refinement (variable projection: Golub and
 * Pereyra 1973, in Kaufman's simplification 1975; both from memory).
 */
#include "signal/internal.h"

#include <float.h>
#include <math.h>
#include <string.h>

#define MOST_STEPS 60

static void take_in(cj__tone_channel *channel, const double *x, size_t n)
{
    double sum = 0.0, squares = 0.0;
    size_t valid = 0;
    for (size_t i = 0; i < n; i++)
        if (isfinite(x[i])) {
            sum += x[i];
            valid++;
        }
    double mean = valid ? sum / (double)valid : 0.0;
    sum = 0.0;
    for (size_t i = 0; i < n; i++)
        sum += isfinite(x[i]) ? x[i] - mean : 0.0;
    channel->valid = valid;
    /* the second sum takes off what rounding left in the first: a constant channel is to become 0
     */
    channel->offset = valid ? mean + sum / (double)valid : 0.0;
    channel->power = 0.0;
    for (size_t i = 0; i < n; i++) {
        bool good = isfinite(x[i]);
        double y = good ? x[i] - channel->offset : 0.0;
        channel->y[i] = y;
        channel->power += y * y;
        squares += good ? x[i] * x[i] : 0.0;
        if (channel->mask != NULL)
            channel->mask[i] = good ? 1.0 : 0.0;
    }
    channel->floor = squares * (DBL_EPSILON / 2) * (DBL_EPSILON / 2);
    channel->alive = channel->valid >= 6 && channel->power > 1024 * channel->floor;
}

static bool has_gaps(const double *x, size_t n)
{
    for (size_t i = 0; i < n; i++)
        if (!isfinite(x[i]))
            return true;
    return false;
}

cj_status cj__tone_open(cj__tone *tone, cj_spectra *spectra, const double *const x[], int channels,
                        size_t n)
{
    *tone = (cj__tone){.spectra = spectra, .n = n, .channels = channels};
    tone->model = cj_new(n, sizeof(double));
    tone->moved = cj_new(n, sizeof(double));
    if (tone->model == NULL || tone->moved == NULL)
        return CJ_NOMEM;
    for (int c = 0; c < channels; c++) {
        cj__tone_channel *channel = &tone->channel[c];
        channel->y = cj_new(n, sizeof(double));
        if (channel->y == NULL)
            return CJ_NOMEM;
        if (has_gaps(x[c], n) && (channel->mask = cj_new(n, sizeof(double))) == NULL)
            return CJ_NOMEM;
        take_in(channel, x[c], n);
    }
    return CJ_OK;
}

void cj__tone_close(cj__tone *tone)
{
    for (int c = 0; c < tone->channels; c++) {
        cj_free(tone->channel[c].y);
        cj_free(tone->channel[c].mask);
        cj_free(tone->channel[c].rhs);
        cj_free(tone->channel[c].slope);
        cj__gram_free(&tone->channel[c].gram);
    }
    cj__comb_free(&tone->comb);
    cj__comb_free(&tone->mask_comb);
    cj_free(tone->model);
    cj_free(tone->moved);
    cj_free(tone->lines);
    cj_free(tone->e);
}

static bool make_room(cj__tone *tone, int h)
{
    if (h <= tone->room)
        return true;
    size_t want = (size_t)h;
    cj_complex *lines = cj_resize(tone->lines, want, sizeof *lines);
    tone->lines = lines ? lines : tone->lines;
    cj_complex *e = cj_resize(tone->e, 2 * want + 1, sizeof *e);
    tone->e = e ? e : tone->e;
    bool good = lines && e;
    for (int c = 0; c < tone->channels; c++) {
        cj__tone_channel *channel = &tone->channel[c];
        double *rhs = cj_resize(channel->rhs, 2 * want + 1, sizeof *rhs);
        channel->rhs = rhs ? rhs : channel->rhs;
        double *slope = cj_resize(channel->slope, 2 * want + 1, sizeof *slope);
        channel->slope = slope ? slope : channel->slope;
        good = good && rhs && slope;
    }
    tone->room = good ? h : tone->room;
    return good;
}

static cj_status normal_equations(cj__tone *tone, cj__tone_channel *channel)
{
    int h = tone->h;
    if (channel->mask == NULL) {
        for (int m = 0; m <= 2 * h; m++)
            tone->e[m] = (cj_complex){cj__dirichlet(tone->f, m, tone->n), 0.0};
    } else {
        if (!cj__comb_set(&tone->mask_comb, tone->n, tone->f, 2 * h))
            return CJ_NOMEM;
        tone->e[0] = (cj_complex){(double)channel->valid, 0.0};
        cj__comb_sums(&tone->mask_comb, channel->mask, tone->e + 1);
    }
    return cj__gram_set(&channel->gram, h, tone->e, channel->mask != NULL);
}

/* The products of the model's columns with y, whose sum is given, solved for the linear unknowns.
 */
static void project(cj__tone *tone, cj__gram *gram, const double *y, double sum, double *raw,
                    double *solved)
{
    int h = tone->h;
    cj__comb_sums(&tone->comb, y, tone->lines);
    solved[0] = sum;
    for (int k = 1; k <= h; k++) {
        solved[k] = tone->lines[k - 1].re;
        solved[h + k] = -tone->lines[k - 1].im;
    }
    if (raw != NULL)
        memcpy(raw, solved, sizeof(double) * (size_t)(2 * h + 1));
    cj__gram_solve(gram, solved);
}

/* y less DC and lines of the linear unknowns; 0 in gaps */
void cj__tone_residual(cj__tone *tone, int c, double *out)
{
    const cj__tone_channel *channel = &tone->channel[c];
    int h = tone->h;
    for (int k = 1; k <= h; k++)
        tone->lines[k - 1] = (cj_complex){channel->rhs[k], -channel->rhs[h + k]};
    cj__comb_synth(&tone->comb, tone->lines, out);
    for (size_t i = 0; i < tone->n; i++) {
        double weight = channel->mask ? channel->mask[i] : 1.0;
        out[i] = weight * (channel->y[i] - channel->rhs[0] - out[i]);
    }
}

/* The derivative by f, t times the lines turned and scaled, into moved; returns its sum. */
static double derivative(cj__tone *tone, const cj__tone_channel *channel)
{
    int h = tone->h;
    double centre = 0.5 * (double)(tone->n - 1), sum = 0.0;
    for (int k = 1; k <= h; k++)
        tone->lines[k - 1] =
            (cj_complex){CJ__TWO_PI * k * channel->rhs[h + k], CJ__TWO_PI * k * channel->rhs[k]};
    cj__comb_synth(&tone->comb, tone->lines, tone->moved);
    for (size_t i = 0; i < tone->n; i++) {
        double weight = channel->mask ? channel->mask[i] : 1.0;
        tone->moved[i] *= weight * ((double)i - centre);
        sum += tone->moved[i];
    }
    return sum;
}

/* Linear unknowns and residual (in model). */
static cj_status fit_channel(cj__tone *tone, int c)
{
    cj__tone_channel *channel = &tone->channel[c];
    cj_status status = normal_equations(tone, channel);
    if (status != CJ_OK)
        return status;
    double sum = 0.0, rss = 0.0;
    for (size_t i = 0; i < tone->n; i++)
        sum += channel->y[i];
    project(tone, &channel->gram, channel->y, sum, NULL, channel->rhs);
    cj__tone_residual(tone, c, tone->model);
    for (size_t i = 0; i < tone->n; i++)
        rss += tone->model[i] * tone->model[i];
    channel->rss = rss;
    return CJ_OK;
}

static void differentiate_channel(cj__tone *tone, int c)
{
    cj__tone_channel *channel = &tone->channel[c];
    double sum = derivative(tone, channel);
    double *products = (double *)tone->e; /* no longer needed, and large enough */
    project(tone, &channel->gram, tone->moved, sum, products, channel->slope);
    double pull = 0.0, stiff = 0.0;
    for (size_t i = 0; i < tone->n; i++) {
        pull += tone->model[i] * tone->moved[i];
        stiff += tone->moved[i] * tone->moved[i];
    }
    for (int i = 0; i <= 2 * tone->h; i++)
        stiff -= products[i] * channel->slope[i];
    channel->pull = pull;
    channel->stiff = stiff > 0.0 ? stiff : 0.0;
}

static cj_status evaluate(cj__tone *tone, double f, int h, bool differentiate)
{
    if (!make_room(tone, h) || !cj__comb_set(&tone->comb, tone->n, f, h))
        return CJ_NOMEM;
    tone->f = f;
    tone->h = h;
    tone->likelihood = tone->gradient = tone->hessian = 0.0;
    for (int c = 0; c < tone->channels; c++) {
        cj__tone_channel *channel = &tone->channel[c];
        if (!channel->alive)
            continue;
        cj_status status = fit_channel(tone, c);
        if (status != CJ_OK)
            return status;
        double valid = (double)channel->valid, rss = fmax(channel->rss, channel->floor);
        tone->likelihood += valid * log(rss / valid);
        if (!differentiate)
            continue;
        differentiate_channel(tone, c);
        tone->gradient += valid / rss * channel->pull;
        tone->hessian += valid / rss * channel->stiff;
    }
    return CJ_OK;
}

cj_status cj__tone_evaluate(cj__tone *tone, double f, int h)
{
    return evaluate(tone, f, h, true);
}

cj_status cj__tone_likelihood(cj__tone *tone, double f, int h)
{
    return evaluate(tone, f, h, false);
}

/* Gauss-Newton on f with channel weights from the last residual, halved while the likelihood falls.
 */
cj_status cj__tone_refine(cj__tone *tone, double f, int h, bool *converged)
{
    double most = 0.25 / (double)tone->n, step = 0.0, last = f;
    double best = INFINITY;
    *converged = false;
    for (int i = 0; i < MOST_STEPS; i++) {
        cj_status status = cj__tone_evaluate(tone, f, h);
        if (status != CJ_OK)
            return status;
        if (tone->likelihood > best + 1e-9 * (double)tone->n) {
            step *= 0.5;
            f = last + step;
            if (fabs(step) <= 2 * DBL_EPSILON * f)
                return CJ_OK;
            continue;
        }
        best = tone->likelihood;
        last = f;
        if (!(tone->hessian > 0.0))
            return CJ_OK;
        step = tone->gradient / tone->hessian;
        if (fabs(step) <= 4 * DBL_EPSILON * f || fabs(step) * sqrt(tone->hessian) <= 1e-4) {
            *converged = true;
            return CJ_OK;
        }
        step = fmax(-most, fmin(most, step));
        f = fmin(fmax(last + step, 0.5 / (double)tone->n), 0.5 - 1e-3 / (double)tone->n);
        step = f - last;
    }
    return cj__tone_evaluate(tone, last, h);
}

/* Residual variance over the degrees of freedom; the shared frequency takes one from all together.
 */
double cj__tone_variance(const cj__tone *tone, int c, bool fixed)
{
    int alive = 0;
    for (int i = 0; i < tone->channels; i++)
        alive += tone->channel[i].alive;
    double freedom = (double)tone->channel[c].valid - (2.0 * tone->h + 1.0);
    freedom -= fixed || alive == 0 ? 0.0 : 1.0 / alive;
    return tone->channel[c].rss / fmax(freedom, 1.0);
}
