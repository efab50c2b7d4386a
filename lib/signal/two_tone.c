/* SPDX-License-Identifier: GPL-3.0-or-later */
/* two_tone.c - two tones and their products, fitted together. */
#include "signal/internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WIDE (2 * CJ_PRODUCTS + 1)
#define TURNS 40 /* Gauss-Newton steps at most; five are usual */

struct two_tone {
    size_t n;
    cj_two_tone_fit *fit;
    const double *x[CJ_TONE_CHANNELS];
    double *y[CJ_TONE_CHANNELS]; /* samples less offset, gaps 0 */
    double offset[CJ_TONE_CHANNELS], power[CJ_TONE_CHANNELS];
    size_t valid[CJ_TONE_CHANNELS];
    double *left, *model;
    double *a; /* [WIDE]^2, upper triangle: DC, cosines, sines */
    cj__comb comb;
    double pull[2], stiff[2]; /* of both frequencies, over the channels */
};

static double frequency_of(const cj_two_tone_fit *fit, int k)
{
    return fit->m[k] * fit->frequency[0] + fit->n[k] * fit->frequency[1];
}

int cj_two_tone_line(const cj_two_tone_fit *fit, int m, int n)
{
    for (int k = 0; k < fit->count; k++)
        if ((fit->m[k] == m && fit->n[k] == n) || (fit->m[k] == -m && fit->n[k] == -n))
            return k;
    return -1;
}

static bool has_room(const cj_two_tone_fit *fit, double f, double bin)
{
    if (f < bin || f > 0.5 - bin)
        return false;
    for (int k = 0; k < fit->count; k++)
        if (fabs(frequency_of(fit, k) - f) < bin)
            return false;
    return true;
}

/* Lower orders first: of two lines at one place the lower order is meant. */
static void choose_lines(cj_two_tone_fit *fit, size_t samples)
{
    double bin = 1.0 / (double)samples;
    fit->count = 0;
    for (int order = 1; order <= 5; order++)
        for (int m = order; m >= -order; m--)
            for (int sign = 1; sign >= -1; sign -= 2) {
                int n = sign * (order - abs(m));
                double f = m * fit->frequency[0] + n * fit->frequency[1];
                if ((n == 0 && sign < 0) || fit->count == CJ_PRODUCTS || !has_room(fit, f, bin))
                    continue;
                fit->m[fit->count] = m;
                fit->n[fit->count++] = n;
            }
}

static cj_status open_work(struct two_tone *w, int channels)
{
    w->left = cj_new(w->n, sizeof(double));
    w->model = cj_new(w->n, sizeof(double));
    w->a = cj_new((size_t)WIDE * WIDE, sizeof(double));
    if (!w->left || !w->model || !w->a)
        return CJ_NOMEM;
    bool any = false;
    for (int c = 0; c < channels; c++) {
        if ((w->y[c] = cj_new(w->n, sizeof(double))) == NULL)
            return CJ_NOMEM;
        double sum = 0, raw = 0;
        for (size_t i = 0; i < w->n; i++)
            if (isfinite(w->x[c][i])) {
                sum += w->x[c][i];
                w->valid[c]++;
            }
        w->offset[c] = w->valid[c] ? sum / (double)w->valid[c] : 0;
        for (size_t i = 0; i < w->n; i++)
            if (isfinite(w->x[c][i])) {
                double y = w->x[c][i] - w->offset[c];
                w->y[c][i] = y;
                w->power[c] += y * y;
                raw += w->x[c][i] * w->x[c][i];
            }
        bool enough = w->valid[c] > (size_t)(2 * w->fit->count + 2);
        w->fit->channel[c].alive = enough && w->power[c] > raw * 0x1p-90;
        any = any || w->fit->channel[c].alive;
    }
    return any ? CJ_OK : CJ_DATA;
}

static void close_work(struct two_tone *w)
{
    for (int c = 0; c < CJ_TONE_CHANNELS; c++)
        cj_free(w->y[c]);
    cj_free(w->left);
    cj_free(w->model);
    cj_free(w->a);
    cj__comb_free(&w->comb);
}

/* The columns at one sample. */
static void columns_at(const struct two_tone *w, size_t i, double *row)
{
    int count = w->fit->count;
    double t = (double)i - 0.5 * (double)(w->n - 1);
    row[0] = 1;
    for (int k = 0; k < count; k++) {
        cj_complex turn = cj__phasor(frequency_of(w->fit, k), t);
        row[1 + k] = turn.re;
        row[1 + count + k] = turn.im;
    }
}

/* Normal equations in closed form (cosines and sines do not couple about the centre), less the rows
 * of the gaps. */
static bool set_normal(struct two_tone *w, int c)
{
    int count = w->fit->count, wide = 2 * count + 1;
    memset(w->a, 0, (size_t)(wide * wide) * sizeof(double));
    w->a[0] = (double)w->n;
    for (int i = 0; i < count; i++) {
        double f = frequency_of(w->fit, i);
        w->a[1 + i] = cj__dirichlet(f, 1, w->n);
        for (int j = i; j < count; j++) {
            double g = frequency_of(w->fit, j);
            double less = cj__dirichlet(f - g, 1, w->n), more = cj__dirichlet(f + g, 1, w->n);
            w->a[(1 + i) * wide + 1 + j] = 0.5 * (less + more);
            w->a[(1 + count + i) * wide + 1 + count + j] = 0.5 * (less - more);
        }
    }
    double row[WIDE];
    for (size_t s = 0; w->valid[c] < w->n && s < w->n; s++) {
        if (isfinite(w->x[c][s]))
            continue;
        columns_at(w, s, row);
        for (int i = 0; i < wide; i++)
            for (int j = i; j < wide; j++)
                w->a[i * wide + j] -= row[i] * row[j];
    }
    return cj__cholesky(w->a, wide);
}

/* DC and lines of a channel at the present frequencies, and what they leave. */
static cj_status solve(struct two_tone *w, int c)
{
    cj_two_tone_channel *channel = &w->fit->channel[c];
    int count = w->fit->count;
    double b[WIDE] = {0};
    if (!set_normal(w, c))
        return CJ_DATA;
    for (size_t i = 0; i < w->n; i++)
        b[0] += w->y[c][i];
    for (int k = 0; k < count; k++) {
        cj_complex sum;
        if (!cj__comb_set(&w->comb, w->n, frequency_of(w->fit, k), 1))
            return CJ_NOMEM;
        cj__comb_sums(&w->comb, w->y[c], &sum);
        b[1 + k] = sum.re;
        b[1 + count + k] = -sum.im;
    }
    cj__substitute(w->a, 2 * count + 1, b);
    channel->dc = w->offset[c] + b[0];
    for (size_t i = 0; i < w->n; i++)
        w->left[i] = w->y[c][i] - b[0];
    for (int k = 0; k < count; k++) {
        channel->line[k].line = (cj_complex){b[1 + k], -b[1 + count + k]};
        if (!cj__comb_set(&w->comb, w->n, frequency_of(w->fit, k), 1))
            return CJ_NOMEM;
        cj__comb_subtract(&w->comb, &channel->line[k].line, 0, w->left, w->left);
    }
    double rss = 0;
    for (size_t i = 0; i < w->n; i++) {
        w->left[i] = isfinite(w->x[c][i]) ? w->left[i] : 0;
        rss += w->left[i] * w->left[i];
    }
    channel->residual = rss / (double)(w->valid[c] - 2 * (size_t)count - 1);
    return CJ_OK;
}

/* How the channel's residual pulls at both frequencies. The tone's derivative is Re(j 2 pi t a e);
 * its square sums to (2 pi |a|)^2 / 2 times that of t. */
static cj_status add_pull(struct two_tone *w, int c)
{
    const cj_two_tone_channel *channel = &w->fit->channel[c];
    double n = (double)w->n, times = n * (n * n - 1) / 12;
    double floor = w->power[c] / (double)w->valid[c] * 0x1p-100;
    double weight = 1 / fmax(channel->residual, floor);
    for (size_t i = 0; i < w->n; i++)
        w->model[i] = w->left[i] * ((double)i - 0.5 * (n - 1));
    for (int i = 0; i < 2; i++) {
        cj_complex a = channel->line[i].line, sum;
        if (!cj__comb_set(&w->comb, w->n, frequency_of(w->fit, i), 1))
            return CJ_NOMEM;
        cj__comb_sums(&w->comb, w->model, &sum);
        /* Re(j a conj(sum)) */
        w->pull[i] += weight * CJ__TWO_PI * (a.re * sum.im - a.im * sum.re);
        w->stiff[i] += weight * CJ__TWO_PI * CJ__TWO_PI * (a.re * a.re + a.im * a.im) / 2 * times;
    }
    return CJ_OK;
}

static cj_status evaluate(struct two_tone *w)
{
    cj_status status = CJ_OK;
    w->pull[0] = w->pull[1] = w->stiff[0] = w->stiff[1] = 0;
    for (int c = 0; c < w->fit->channels && status == CJ_OK; c++) {
        if (!w->fit->channel[c].alive)
            continue;
        status = solve(w, c);
        if (status == CJ_OK)
            status = add_pull(w, c);
    }
    return status;
}

static cj_status refine(struct two_tone *w, const double start[2])
{
    double bin = 1.0 / (double)w->n;
    for (int turn = 0; turn < TURNS; turn++) {
        cj_status status = evaluate(w);
        if (status != CJ_OK)
            return status;
        bool done = true;
        for (int i = 0; i < 2; i++) {
            if (!(w->stiff[i] > 0))
                return CJ_DATA;
            double step = w->pull[i] / w->stiff[i], u = 1 / sqrt(w->stiff[i]);
            step = fmax(-bin / 4, fmin(bin / 4, step));
            w->fit->frequency_u[i] = u;
            /* a step of 1e-9 of a bin moves a product by 1e-9 of the tone at most */
            if (fabs(step) > fmax(1e-4 * u, 1e-11 * bin)) {
                done = false;
                w->fit->frequency[i] += step;
            }
            if (!(fabs(w->fit->frequency[i] - start[i]) < 2 * bin))
                return CJ_DATA;
        }
        if (done) {
            w->fit->converged = true;
            return CJ_OK;
        }
    }
    return CJ_OK;
}

static cj_status report(struct two_tone *w)
{
    int count = w->fit->count, wide = 2 * count + 1;
    for (int c = 0; c < w->fit->channels; c++) {
        cj_two_tone_channel *channel = &w->fit->channel[c];
        if (!channel->alive)
            continue;
        if (!set_normal(w, c))
            return CJ_DATA;
        for (int k = 0; k < count; k++) {
            double both = 0;
            for (int part = 0; part < 2; part++) {
                double unit[WIDE] = {0};
                int at = 1 + k + part * count;
                unit[at] = 1;
                cj__substitute(w->a, wide, unit);
                both += unit[at];
            }
            channel->line[k].u = sqrt(both / 2 * channel->residual);
        }
    }
    return CJ_OK;
}

cj_status cj_two_tone_fit_make(const double *const x[], int channels, size_t n,
                               const double start[2], cj_two_tone_fit *out, cj_error *err)
{
    double bin = n > 0 ? 1.0 / (double)n : 1;
    if (channels < 1 || channels > CJ_TONE_CHANNELS)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "a fit of two tones takes one or two channels");
    if (!(start[0] >= bin && start[1] - start[0] >= 1.5 * bin && start[1] <= 0.5 - bin))
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "two tones cannot be told apart in %zu samples",
                       n);
    cj_two_tone_fit fit = {.frequency = {start[0], start[1]}, .channels = channels};
    choose_lines(&fit, n);
    struct two_tone w = {.n = n, .fit = &fit};
    for (int c = 0; c < channels; c++)
        w.x[c] = x[c];
    cj_status status = open_work(&w, channels);
    if (status == CJ_OK)
        status = refine(&w, start);
    if (status == CJ_OK)
        status = report(&w);
    close_work(&w);
    if (status == CJ_OK)
        *out = fit;
    return status == CJ_OK      ? CJ_OK
           : status == CJ_NOMEM ? cj_fail_memory(err)
                                : cj_fail(err, status, NULL, 0, 0,
                                          "two tones cannot be told apart in %zu samples", n);
}
