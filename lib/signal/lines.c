/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lines.c - lines at given frequencies by linear least squares. */
#include "signal/internal.h"

#include <math.h>
#include <string.h>

typedef struct line_work {
    cj__comb comb;
    double *y, *mask; /* mask NULL without gaps */
    double *a;        /* [2 count]^2, upper triangle */
    double *b;        /* [2 count] cosines, then sines */
    double *products;
    double *unit;
    size_t valid;
    double power;
} line_work;

static cj_status open_work(line_work *work, const double *x, size_t n, int count)
{
    size_t wide = 2 * (size_t)count;
    bool gaps = false;
    work->y = cj_new(n, sizeof(double));
    work->a = cj_new(wide * wide, sizeof(double));
    work->b = cj_new(wide, sizeof(double));
    work->products = cj_new(wide, sizeof(double));
    work->unit = cj_new(wide, sizeof(double));
    for (size_t i = 0; i < n; i++)
        gaps = gaps || !isfinite(x[i]);
    work->mask = gaps ? cj_new(n, sizeof(double)) : NULL;
    if (!work->y || !work->a || !work->b || !work->products || !work->unit || (gaps && !work->mask))
        return CJ_NOMEM;
    for (size_t i = 0; i < n; i++) {
        bool good = isfinite(x[i]);
        work->y[i] = good ? x[i] : 0.0;
        work->power += work->y[i] * work->y[i];
        work->valid += good;
        if (gaps)
            work->mask[i] = good ? 1.0 : 0.0;
    }
    return work->valid > wide ? CJ_OK : CJ_DATA;
}

static void close_work(line_work *work)
{
    cj__comb_free(&work->comb);
    cj_free(work->y);
    cj_free(work->mask);
    cj_free(work->a);
    cj_free(work->b);
    cj_free(work->products);
    cj_free(work->unit);
}

/* Sum over the valid samples of exp(-j 2 pi f t), f of either sign. */
static cj_status kernel(line_work *work, double f, size_t n, cj_complex *out)
{
    *out = (cj_complex){cj__dirichlet(f, 1, n), 0.0};
    if (work->mask == NULL)
        return CJ_OK;
    if (!cj__comb_set(&work->comb, n, f, 1))
        return CJ_NOMEM;
    cj__comb_sums(&work->comb, work->mask, out);
    return CJ_OK;
}

static cj_status fill_row(line_work *work, size_t n, const double *f, int count, int i)
{
    size_t wide = 2 * (size_t)count, p = (size_t)i, c = (size_t)count;
    if (!cj__comb_set(&work->comb, n, f[i], 1))
        return CJ_NOMEM;
    cj_complex sum;
    cj__comb_sums(&work->comb, work->y, &sum);
    work->products[i] = sum.re;
    work->products[count + i] = -sum.im;
    for (int j = 0; j < count; j++) {
        cj_complex d, s;
        size_t q = (size_t)j;
        if (kernel(work, f[i] - f[j], n, &d) != CJ_OK || kernel(work, f[i] + f[j], n, &s) != CJ_OK)
            return CJ_NOMEM;
        work->a[p * wide + q] = 0.5 * (d.re + s.re);
        work->a[(c + p) * wide + c + q] = 0.5 * (d.re - s.re);
        work->a[p * wide + c + q] = 0.5 * (d.im - s.im); /* cos i, sin j */
    }
    return CJ_OK;
}

static void report(line_work *work, int count, double variance, cj_line *out)
{
    size_t wide = 2 * (size_t)count;
    for (int i = 0; i < count; i++) {
        double both = 0.0;
        for (int part = 0; part < 2; part++) {
            size_t at = (size_t)(i + part * count);
            memset(work->unit, 0, wide * sizeof(double));
            work->unit[at] = 1.0;
            cj__substitute(work->a, (int)wide, work->unit);
            both += work->unit[at];
        }
        out[i] =
            (cj_line){.line = {work->b[i], -work->b[count + i]}, .u = sqrt(0.5 * both * variance)};
    }
}

static cj_status solve(line_work *work, size_t n, const double *f, int count, double *left)
{
    size_t wide = 2 * (size_t)count;
    cj_status status = CJ_OK;
    for (int i = 0; i < count && status == CJ_OK; i++)
        status = fill_row(work, n, f, count, i);
    if (status != CJ_OK)
        return status;
    if (!cj__cholesky(work->a, (int)wide))
        return CJ_DATA;
    memcpy(work->b, work->products, wide * sizeof(double));
    cj__substitute(work->a, (int)wide, work->b);
    *left = work->power;
    for (size_t i = 0; i < wide; i++)
        *left -= work->products[i] * work->b[i];
    *left = fmax(*left, 0.0);
    return CJ_OK;
}

cj_status cj_lines_fit(const double *x, size_t n, const double *frequencies, int count,
                       cj_line *out, double *residual, cj_error *err)
{
    if (count < 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "a fit of lines takes one line or more");
    for (int i = 0; i < count; i++)
        if (!(frequencies[i] > 0.0 && frequencies[i] < 0.5))
            return cj_fail(err, CJ_USAGE, NULL, 0, 0, "a line lies between 0 and 0.5, not at %g",
                           frequencies[i]);
    line_work work = {0};
    double left = 0.0;
    cj_status status = open_work(&work, x, n, count);
    if (status == CJ_OK)
        status = solve(&work, n, frequencies, count, &left);
    if (status == CJ_OK) {
        double variance = left / (double)(work.valid - 2 * (size_t)count);
        report(&work, count, variance, out);
        if (residual != NULL)
            *residual = variance;
    }
    close_work(&work);
    return status == CJ_OK      ? CJ_OK
           : status == CJ_NOMEM ? cj_fail_memory(err)
                                : cj_fail(err, status, NULL, 0, 0,
                                          "%d lines cannot be told apart in %zu samples", count, n);
}
