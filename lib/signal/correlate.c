/* SPDX-License-Identifier: GPL-3.0-or-later */
/* correlate.c - two channels against each other without a tone. */
#include "signal/internal.h"

#include <math.h>

static double mean_of(const double *x, size_t n)
{
    double sum = 0.0;
    size_t count = 0;
    for (size_t i = 0; i < n; i++)
        if (isfinite(x[i])) {
            sum += x[i];
            count++;
        }
    return count ? sum / (double)count : 0.0;
}

static void centre(const double *x, size_t n, double *out)
{
    double mean = mean_of(x, n);
    for (size_t i = 0; i < n; i++)
        out[i] = isfinite(x[i]) ? x[i] - mean : 0.0;
}

static double dot(const double *a, const double *b, size_t n)
{
    double sum = 0.0;
    for (size_t i = 0; i < n; i++)
        sum += a[i] * b[i];
    return sum;
}

/* The correlation at a lag, from the circular one. */
static double at_lag(const cj_complex *circular, size_t padded, long lag)
{
    return circular[lag < 0 ? (size_t)((long)padded + lag) : (size_t)lag].re;
}

static void find_peak(const cj_complex *circular, size_t padded, long most, double scale,
                      cj_correlation *out)
{
    long best = 0;
    for (long i = 1; i <= most; i++) /* nearer lags first: they win a draw */
        for (int side = -1; side <= 1; side += 2)
            if (fabs(at_lag(circular, padded, side * i)) >
                fabs(at_lag(circular, padded, best)) * (1.0 + 1e-12))
                best = side * i;
    double b = at_lag(circular, padded, best);
    double a = at_lag(circular, padded, best - 1), c = at_lag(circular, padded, best + 1);
    double bend = a - 2.0 * b + c, offset = bend != 0.0 ? 0.5 * (a - c) / bend : 0.0;
    offset = fmax(-0.5, fmin(0.5, offset));
    out->lag = (double)best + offset;
    out->peak = fmax(-1.0, fmin(1.0, (b - 0.25 * (a - c) * offset) * scale));
}

cj_status cj_correlate(cj_spectra *spectra, const double *x, const double *y, size_t n, size_t most,
                       cj_correlation *out, cj_error *err)
{
    *out = (cj_correlation){.gain = NAN, .gain_u = NAN};
    if (n < 4)
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "a correlation takes 4 samples or more, not %zu",
                       n);
    size_t padded = 8;
    while (padded < 2 * n)
        padded *= 2;
    most = most == 0 ? n / 4 : most < n - 2 ? most : n - 2;
    double *a = cj_new(n, sizeof(double)), *b = cj_new(n, sizeof(double));
    cj_complex *cross = cj_new(padded, sizeof *cross);
    cj_status status = a && b && cross ? CJ_OK : CJ_NOMEM;
    if (status != CJ_OK)
        goto out;
    centre(x, n, a);
    centre(y, n, b);
    double xx = dot(a, a, n), yy = dot(b, b, n), xy = dot(a, b, n);
    if (xx > 0.0) {
        out->gain = xy / xx;
        out->gain_u = sqrt(fmax(yy - xy * xy / xx, 0.0) / (double)(n - 2) / xx);
    }
    if (!(xx > 0.0) || !(yy > 0.0))
        goto out;
    out->zero = xy / sqrt(xx * yy);
    status = cj__cross(spectra, a, b, n, padded, cross);
    if (status == CJ_OK)
        find_peak(cross, padded, (long)most, 1.0 / sqrt(xx * yy), out);
out:
    cj_free(a);
    cj_free(b);
    cj_free(cross);
    return status == CJ_OK ? CJ_OK : cj_fail_memory(err);
}
