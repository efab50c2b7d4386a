/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * tone_few.c - frequency and order of a tone of few periods.
 *
 * Under some six periods the lines of the model, their mirror images and DC all lean on each other:
 * the likeliest single line can be off by a quarter of a bin, and each harmonic that is not there
 * costs certainty of those that are. So frequency and order are searched together, on a record
 * thinned to some hundreds of samples (means of neighbours), and judged by Schwarz's criterion
 * (Annals of Statistics 6, 1978, 461-464; from memory).
 */
#include "signal/internal.h"

#include <math.h>

#define THINNED 512
#define GRID_REACH 12  /* steps to either side of the start */
#define GRID_STEP 0.05 /* bins */

static void thin(const cj__tone_channel *from, size_t n, size_t q, double *to)
{
    for (size_t i = 0; i < n; i++) {
        double sum = 0.0, weight = 0.0;
        for (size_t j = i * q; j < (i + 1) * q; j++) {
            double valid = from->mask ? from->mask[j] : 1.0;
            sum += from->y[j] * valid;
            weight += valid;
        }
        to[i] = weight > 0.0 ? sum / weight : NAN;
    }
}

static cj_status open_thinned(const cj__tone *tone, size_t q, cj__tone *small)
{
    double *x[CJ_TONE_CHANNELS] = {NULL};
    size_t n = tone->n / q;
    cj_status status = CJ_OK;
    for (int c = 0; c < tone->channels && status == CJ_OK; c++) {
        x[c] = cj_new(n, sizeof(double));
        if (x[c] == NULL)
            status = CJ_NOMEM;
        else
            thin(&tone->channel[c], n, q, x[c]);
    }
    *small = (cj__tone){0};
    if (status == CJ_OK)
        status = cj__tone_open(small, tone->spectra, (const double *const *)x, tone->channels, n);
    for (int c = 0; c < tone->channels; c++) {
        small->channel[c].alive = small->channel[c].alive && tone->channel[c].alive;
        small->channel[c].floor = fmax(small->channel[c].floor, tone->channel[c].floor);
        cj_free(x[c]);
    }
    return status;
}

static double criterion(const cj__tone *tone)
{
    double penalty = 0.0;
    for (int c = 0; c < tone->channels; c++)
        if (tone->channel[c].alive)
            penalty += 2.0 * tone->h * log((double)tone->channel[c].valid);
    return tone->likelihood + penalty;
}

static bool fits(const cj__tone *tone, double f, int h)
{
    for (int c = 0; c < tone->channels; c++)
        if (tone->channel[c].alive && 2.0 * h + 3.0 > (double)tone->channel[c].valid)
            return false;
    return h == 1 || h * f <= 0.5 - 1.0 / (double)tone->n;
}

/* The likeliest frequency for h harmonics on the grid about f. */
static cj_status scan(cj__tone *tone, double about, int h, double *f)
{
    double best = INFINITY, step = GRID_STEP / (double)tone->n;
    *f = about;
    for (int i = -GRID_REACH; i <= GRID_REACH; i++) {
        double at = about + i * step;
        if (at * (double)tone->n < 1.0 || !fits(tone, at, h))
            continue;
        cj_status status = cj__tone_likelihood(tone, at, h);
        if (status == CJ_NOMEM)
            return status;
        if (status == CJ_OK && tone->likelihood < best) {
            best = tone->likelihood;
            *f = at;
        }
    }
    return CJ_OK;
}

/* Orders in between start from the fit before them. */
static cj_status fit_one(cj__tone *tone, double about, int h, bool fixed, double *f)
{
    bool converged = false;
    if (fixed)
        return cj__tone_evaluate(tone, *f, h);
    if (h <= 3 || h == 5 || h == 10) {
        cj_status status = scan(tone, about, h, f);
        if (status != CJ_OK)
            return status;
    }
    cj_status status = cj__tone_refine(tone, *f, h, &converged);
    *f = tone->f;
    return status;
}

/* 1..6, then steps of a quarter, ending on the most that fit; 0 after them. */
static int next_order(const cj__tone *tone, double f, int h)
{
    int next = h < 6 ? h + 1 : h + h / 4;
    while (next > h && (next > CJ__FEW_HARMONICS || !fits(tone, f, next)))
        next--;
    return next > h ? next : 0;
}

static cj_status choose(cj__tone *tone, double about, bool fixed, double *f, int *h)
{
    double best = INFINITY, at = about;
    for (int order = 1; order > 0; order = next_order(tone, at, order)) {
        cj_status status = fit_one(tone, about, order, fixed, &at);
        if (status == CJ_NOMEM)
            return status;
        if (status == CJ_OK && criterion(tone) < best) {
            best = criterion(tone);
            *f = at;
            *h = order;
        }
    }
    return CJ_OK;
}

cj_status cj__tone_few(const cj__tone *tone, bool fixed, double *f, int *h)
{
    size_t q = tone->n > THINNED ? tone->n / THINNED : 1;
    cj__tone small;
    cj_status status = open_thinned(tone, q, &small);
    double at = *f * (double)q;
    if (status == CJ_OK && *h > 0) {
        status = fits(&small, at, *h) ? fit_one(&small, at, *h, fixed, &at) : CJ_OK;
        status = status == CJ_NOMEM ? status : CJ_OK;
    } else if (status == CJ_OK) {
        *h = 1;
        status = choose(&small, at, fixed, &at, h);
    }
    *f = fixed ? *f : at / (double)q;
    cj__tone_close(&small);
    return status;
}
