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

static bool cholesky(double *a, int n)
{
    for (int i = 0; i < n; i++) {
        double *row = a + (size_t)i * (size_t)n;
        for (int j = 0; j <= i; j++) {
            const double *other = a + (size_t)j * (size_t)n;
            double sum = row[j];
            for (int k = 0; k < j; k++) {
                sum -= row[k] * other[k];
            }
            if (i != j) {
                row[j] = sum / other[j];
            } else if (sum > 1e-13 * row[i] && isfinite(sum)) {
                row[i] = sqrt(sum);
            } else {
                return false;
            }
        }
    }
    return true;
}

static void substitute(const double *a, int n, double *b)
{
    for (int i = 0; i < n; i++) {
        const double *row = a + (size_t)i * (size_t)n;
        for (int k = 0; k < i; k++) {
            b[i] -= row[k] * b[k];
        }
        b[i] /= row[i];
    }
    for (int i = n - 1; i >= 0; i--) {
        const double *row = a + (size_t)i * (size_t)n;
        b[i] /= row[i];
        for (int k = 0; k < i; k++) {
            b[k] -= row[k] * b[i];
        }
    }
}

/* The lower triangle for model columns first..first+count-1. */
static void fill(double *a, const cj_complex *e, int h, int first, int count)
{
    for (int i = 0; i < count; i++) {
        int u = first + i;
        bool u_sine = u > h;
        for (int j = 0; j <= i; j++) {
            int v = first + j;
            bool v_sine = v > h;
            a[(size_t)i * (size_t)count + (size_t)j] =
                product(e, u_sine ? u - h : u, u_sine, v_sine ? v - h : v, v_sine);
        }
    }
}

cj_status cj__gram_set(cj__gram *gram, int h, const cj_complex *e, bool coupled)
{
    size_t m = (size_t)h, want = coupled ? (2 * m + 1) * (2 * m + 1) : (m + 1) * (m + 1) + m * m;
    if (want > gram->size) {
        double *more = cj_resize(gram->factor, want, sizeof(double));
        if (more == NULL) {
            return CJ_NOMEM;
        }
        gram->factor = more;
        gram->size = want;
    }
    gram->h = h;
    gram->coupled = coupled;
    if (coupled) {
        fill(gram->factor, e, h, 0, 2 * h + 1);
        return cholesky(gram->factor, 2 * h + 1) ? CJ_OK : CJ_DATA;
    }
    double *sines = gram->factor + (m + 1) * (m + 1);
    fill(gram->factor, e, h, 0, h + 1);
    fill(sines, e, h, h + 1, h);
    return cholesky(gram->factor, h + 1) && cholesky(sines, h) ? CJ_OK : CJ_DATA;
}

void cj__gram_free(cj__gram *gram)
{
    cj_free(gram->factor);
    *gram = (cj__gram){0};
}

void cj__gram_solve(const cj__gram *gram, double *b)
{
    size_t m = (size_t)gram->h;
    if (gram->coupled) {
        substitute(gram->factor, 2 * gram->h + 1, b);
        return;
    }
    substitute(gram->factor, gram->h + 1, b);
    substitute(gram->factor + (m + 1) * (m + 1), gram->h, b + m + 1);
}
