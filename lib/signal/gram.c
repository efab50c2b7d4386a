/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * gram.c - normal equations of DC and harmonics.
 *
 * The products of the columns are sums and differences of e[|k-m|] and e[k+m] (a Toeplitz plus a
 * Hankel matrix), known in closed form for a record without gaps. Over one period or more the
 * matrix is well conditioned (its eigenvalues lie between the numbers of times the record covers
 * each phase of the period), so the normal equations lose no digits that matter and Cholesky is
 * enough.
 */
#include "signal/internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MOST_FACTORED 128
#define MOST_ITERATIONS 200

/* Column i of the model is (DC), a cosine or a sine of harmonic k. */
static double product(const cj_complex *e, int k, bool k_sine, int m, bool m_sine)
{
    int below = k > m ? k - m : m - k;
    double sign = k >= m ? 1.0 : -1.0;
    cj_complex d = e[below], s = e[k + m];
    if (!k_sine && !m_sine) {
        return 0.5 * (d.re + s.re);
    }
    if (k_sine && m_sine) {
        return 0.5 * (d.re - s.re);
    }
    /* e holds minus the sine sums: sin a cos b = (sin(a+b) + sin(a-b)) / 2 */
    return k_sine ? 0.5 * (-s.im - sign * d.im) : 0.5 * (-s.im + sign * d.im);
}

/* Upper triangle in, its Cholesky factor out, row by row so that the inner loop vectorises in
 * order. */
bool cj__cholesky(double *a, int n)
{
    double least = 1e-13 * a[0]; /* a[0]: DC's or the first sine's square sum, the scale of all */
    for (int j = 0; j < n; j++) {
        double *row = a + (size_t)j * (size_t)n;
        double pivot = row[j];
        if (!(pivot > least) || !isfinite(pivot))
            return false;
        double scale = 1.0 / sqrt(pivot);
        for (int k = j; k < n; k++)
            row[k] *= scale;
        for (int i = j + 1; i < n; i++) {
            double *below = a + (size_t)i * (size_t)n, factor = row[i];
            for (int k = i; k < n; k++)
                below[k] -= factor * row[k];
        }
    }
    return true;
}

void cj__substitute(const double *a, int n, double *b)
{
    for (int i = 0; i < n; i++) {
        const double *row = a + (size_t)i * (size_t)n;
        b[i] /= row[i];
        for (int k = i + 1; k < n; k++)
            b[k] -= row[k] * b[i];
    }
    for (int i = n - 1; i >= 0; i--) {
        const double *row = a + (size_t)i * (size_t)n;
        for (int k = i + 1; k < n; k++)
            b[i] -= row[k] * b[k];
        b[i] /= row[i];
    }
}

/* The upper triangle for model columns first..first+count-1. */
static void fill(double *a, const cj_complex *e, int h, int first, int count)
{
    for (int i = 0; i < count; i++) {
        int u = first + i;
        bool u_sine = u > h;
        for (int j = i; j < count; j++) {
            int v = first + j;
            bool v_sine = v > h;
            a[(size_t)i * (size_t)count + (size_t)j] =
                product(e, u_sine ? u - h : u, u_sine, v_sine ? v - h : v, v_sine);
        }
    }
}

/* The iteration keeps e as two arrays over -h..2h, even and odd, the diagonal, and four vectors. */
typedef struct iteration {
    double *even, *odd; /* point at index 0 */
    double *diagonal, *residual, *direction, *product;
} iteration;

static iteration parts_of(const cj__gram *gram)
{
    size_t h = (size_t)gram->h, wide = 3 * h + 1, dim = 2 * h + 1;
    double *at = gram->memory;
    iteration it = {.even = at + h, .odd = at + wide + h};
    at += 2 * wide;
    it.diagonal = at;
    it.residual = at + dim;
    it.direction = at + 2 * dim;
    it.product = at + 3 * dim;
    return it;
}

static size_t memory_of(int h, bool coupled, bool iterative)
{
    size_t m = (size_t)h;
    if (iterative)
        return 2 * (3 * m + 1) + 4 * (2 * m + 1);
    return coupled ? (2 * m + 1) * (2 * m + 1) : (m + 1) * (m + 1) + m * m;
}

static cj_status set_iteration(cj__gram *gram, const cj_complex *e)
{
    iteration it = parts_of(gram);
    int h = gram->h;
    for (int i = -h; i <= 2 * h; i++) {
        it.even[i] = e[abs(i)].re;
        it.odd[i] = i < 0 ? -e[-i].im : e[i].im;
    }
    for (int i = 0; i <= 2 * h; i++) {
        int k = i > h ? i - h : i;
        it.diagonal[i] = product(e, k, i > h, k, i > h);
        if (!(it.diagonal[i] > 0.0))
            return CJ_DATA;
    }
    return CJ_OK;
}

cj_status cj__gram_set(cj__gram *gram, int h, const cj_complex *e, bool coupled)
{
    gram->h = h;
    gram->coupled = coupled;
    gram->iterative = h > MOST_FACTORED;
    size_t m = (size_t)h, want = memory_of(h, coupled, gram->iterative);
    if (want > gram->size) {
        double *more = cj_resize(gram->memory, want, sizeof(double));
        if (more == NULL)
            return CJ_NOMEM;
        gram->memory = more;
        gram->size = want;
    }
    if (gram->iterative)
        return set_iteration(gram, e);
    if (coupled) {
        fill(gram->memory, e, h, 0, 2 * h + 1);
        return cj__cholesky(gram->memory, 2 * h + 1) ? CJ_OK : CJ_DATA;
    }
    double *sines = gram->memory + (m + 1) * (m + 1);
    fill(gram->memory, e, h, 0, h + 1);
    fill(sines, e, h, h + 1, h);
    return cj__cholesky(gram->memory, h + 1) && cj__cholesky(sines, h) ? CJ_OK : CJ_DATA;
}

void cj__gram_free(cj__gram *gram)
{
    cj_free(gram->memory);
    *gram = (cj__gram){0};
}

/* Column by column, so that the inner loop vectorises in order. */
static void multiply(const iteration *it, int h, bool coupled, const double *u, double *out)
{
    double *cosines = out, *sines = out + h;
    memset(out, 0, sizeof *out * (size_t)(2 * h + 1));
    for (int m = 0; m <= h; m++) {
        const double *below = it->even - m, *above = it->even + m;
        double a = 0.5 * u[m], b = m ? 0.5 * u[h + m] : 0.0;
        for (int k = 0; k <= h; k++)
            cosines[k] += (below[k] + above[k]) * a;
        for (int k = 1; k <= h; k++)
            sines[k] += (below[k] - above[k]) * b;
        if (!coupled)
            continue;
        below = it->odd - m, above = it->odd + m;
        for (int k = 0; k <= h; k++)
            cosines[k] += (below[k] - above[k]) * b;
        for (int k = 1; k <= h; k++)
            sines[k] -= (below[k] + above[k]) * a;
    }
}

static double scaled_dot(const double *a, const double *b, const double *scale, int count)
{
    double sum = 0.0;
    for (int i = 0; i < count; i++)
        sum += a[i] * b[i] / (scale ? scale[i] : 1.0);
    return sum;
}

/* Conjugate gradients with the diagonal as preconditioner (Hestenes and Stiefel 1952): the
 * condition of 3 or less makes it gain a digit in every second step. */
static void iterate(cj__gram *gram, double *b)
{
    iteration it = parts_of(gram);
    int count = 2 * gram->h + 1;
    for (int i = 0; i < count; i++) {
        it.residual[i] = b[i];
        it.direction[i] = b[i] / it.diagonal[i];
        b[i] = 0.0;
    }
    double size = scaled_dot(it.residual, it.residual, it.diagonal, count);
    double enough = size * 1e-32;
    for (int step = 0; step < MOST_ITERATIONS && size > enough; step++) {
        multiply(&it, gram->h, gram->coupled, it.direction, it.product);
        double length = size / scaled_dot(it.direction, it.product, NULL, count), last = size;
        for (int i = 0; i < count; i++) {
            b[i] += length * it.direction[i];
            it.residual[i] -= length * it.product[i];
        }
        size = scaled_dot(it.residual, it.residual, it.diagonal, count);
        for (int i = 0; i < count; i++)
            it.direction[i] = it.residual[i] / it.diagonal[i] + size / last * it.direction[i];
    }
}

void cj__gram_solve(cj__gram *gram, double *b)
{
    size_t m = (size_t)gram->h;
    if (gram->iterative) {
        iterate(gram, b);
    } else if (gram->coupled) {
        cj__substitute(gram->memory, 2 * gram->h + 1, b);
    } else {
        cj__substitute(gram->memory, gram->h + 1, b);
        cj__substitute(gram->memory + (m + 1) * (m + 1), gram->h, b + m + 1);
    }
}
