/* SPDX-License-Identifier: GPL-3.0-or-later */
/* local_fit.c - a transfer function at one frequency from two spectra about it. */
#include "signal/internal.h"
#include "signal/sweep.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define POLYNOMIAL 3 /* 1, u, u^2 */
#define MOST (POLYNOMIAL + 2)
#define LEAST_BINS 15
#define TURNS 4  /* of weighting down */
#define FAR 30.0 /* |residual|^2 over its mean from which a bin has no weight */
/* What these weights make of the mean |residual|^2 of normal noise (exponentially distributed): the
 * integral of r (1 - r/30)^2 exp(-r) over that of (1 - r/30)^2 exp(-r). */
#define SHRUNK ((1 - 4 / FAR + 6 / FAR / FAR) / (1 - 2 / FAR + 2 / FAR / FAR))
#define NEAR_LINE_BINS 8 /* a mains line reaches this far */

struct problem {
    const cj__bins *bins;
    size_t first, count; /* bins in use */
    double centre, reach, delay;
    double *weight; /* [count] kernel times robustness */
    double *kernel, *square;
    int series;        /* of mains lines, -1: none */
    double line_scale; /* so that columns are of one size */
    int columns;
};

static double square_of(cj_complex a)
{
    return a.re * a.re + a.im * a.im;
}

static cj_complex conj_times(cj_complex a, cj_complex b)
{
    return (cj_complex){a.re * b.re + a.im * b.im, a.re * b.im - a.im * b.re};
}

static double hz_of(const cj__bins *bins, size_t i)
{
    return bins->first_hz + (double)i * bins->step_hz;
}

/* ---- which bins ---- */

static cj_status choose(struct problem *p, double reach_hz, cj_error *err)
{
    const cj__bins *bins = p->bins;
    double at = (p->centre - bins->first_hz) / bins->step_hz;
    /* correlated neighbours count for less */
    double spread = 1;
    for (int m = 0; m < CJ__CORRELATED; m++)
        spread += 2 * square_of(bins->correlated[m]);
    double half = fmax(reach_hz / bins->step_hz, (ceil(LEAST_BINS * spread) + 1) / 2);
    double low = fmax(0, ceil(at - half)), high = fmin((double)bins->count - 1, floor(at + half));
    if (!(high - low + 1 >= 8))
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "too few bins about %g Hz", p->centre);
    p->first = (size_t)low;
    p->count = (size_t)(high - low) + 1;
    p->reach = half * bins->step_hz;
    return CJ_OK;
}

static void set_kernel(struct problem *p)
{
    for (size_t i = 0; i < p->count; i++) {
        double u = fabs(hz_of(p->bins, p->first + i) - p->centre) / (p->reach * (1 + 1e-9));
        double v = u < 1 ? 1 - u * u * u : 0;
        p->kernel[i] = p->weight[i] = v * v * v;
    }
}

/* From the phase between neighbours, weighted by their power. */
static double find_delay(const struct problem *p)
{
    cj_complex sum = {0, 0}, before = {0, 0};
    for (size_t i = 0; i < p->count; i++) {
        size_t k = p->first + i;
        cj_complex cross = conj_times(p->bins->x[k], p->bins->y[k]);
        cj_complex step = conj_times(before, cross);
        sum.re += p->kernel[i] * step.re;
        sum.im += p->kernel[i] * step.im;
        before = cross;
    }
    return -atan2(sum.im, sum.re) / CJ__TWO_PI / p->bins->step_hz;
}

/* ---- least squares ---- */

static void row_of(const struct problem *p, size_t i, cj_complex row[MOST])
{
    size_t k = p->first + i;
    double off = hz_of(p->bins, k) - p->centre, u = off / p->reach,
           angle = -CJ__TWO_PI * off * p->delay;
    row[0] = cj__times(p->bins->x[k], (cj_complex){cos(angle), sin(angle)});
    for (int q = 1; q < POLYNOMIAL; q++)
        row[q] = (cj_complex){row[q - 1].re * u, row[q - 1].im * u};
    if (p->columns > POLYNOMIAL) {
        cj_complex a = p->bins->line[p->series][k], b = p->bins->line_slope[p->series][k];
        row[POLYNOMIAL] = (cj_complex){a.re * p->line_scale, a.im * p->line_scale};
        row[POLYNOMIAL + 1] = (cj_complex){b.re * p->line_scale, b.im * p->line_scale};
    }
}

/* Inverse of a Hermitian positive matrix by Gauss and Jordan with its diagonal scaled to 1; false
 * where it is none. */
static bool invert(cj_complex a[MOST][MOST], int n)
{
    double scale[MOST];
    cj_complex b[MOST][MOST] = {{{0}}};
    for (int i = 0; i < n; i++) {
        if (!(a[i][i].re > 0))
            return false;
        scale[i] = 1 / sqrt(a[i][i].re);
        b[i][i].re = 1;
    }
    for (int i = 0; i < n; i++)
        for (int k = 0; k < n; k++)
            a[i][k] =
                (cj_complex){a[i][k].re * scale[i] * scale[k], a[i][k].im * scale[i] * scale[k]};
    for (int i = 0; i < n; i++) {
        if (!(a[i][i].re > 1e-10))
            return false;
        double by = 1 / a[i][i].re;
        for (int k = 0; k < n; k++) {
            a[i][k] = (cj_complex){a[i][k].re * by, a[i][k].im * by};
            b[i][k] = (cj_complex){b[i][k].re * by, b[i][k].im * by};
        }
        for (int r = 0; r < n; r++) {
            cj_complex f = a[r][i];
            for (int k = 0; k < n && r != i; k++) {
                cj_complex s = cj__times(f, a[i][k]), t = cj__times(f, b[i][k]);
                a[r][k] = (cj_complex){a[r][k].re - s.re, a[r][k].im - s.im};
                b[r][k] = (cj_complex){b[r][k].re - t.re, b[r][k].im - t.im};
            }
        }
    }
    for (int i = 0; i < n; i++)
        for (int k = 0; k < n; k++)
            a[i][k] =
                (cj_complex){b[i][k].re * scale[i] * scale[k], b[i][k].im * scale[i] * scale[k]};
    return true;
}

struct solution {
    cj_complex inverse[MOST][MOST];
    cj_complex beta[MOST];
};

static bool solve(const struct problem *p, struct solution *s)
{
    cj_complex right[MOST] = {{0}}, row[MOST];
    memset(s->inverse, 0, sizeof s->inverse);
    for (size_t i = 0; i < p->count; i++) {
        double w = p->weight[i];
        if (!(w > 0))
            continue;
        row_of(p, i, row);
        for (int a = 0; a < p->columns; a++) {
            for (int b = 0; b < p->columns; b++) {
                cj_complex c = conj_times(row[a], row[b]);
                s->inverse[a][b].re += w * c.re;
                s->inverse[a][b].im += w * c.im;
            }
            cj_complex c = conj_times(row[a], p->bins->y[p->first + i]);
            right[a].re += w * c.re;
            right[a].im += w * c.im;
        }
    }
    if (!invert(s->inverse, p->columns))
        return false;
    for (int a = 0; a < p->columns; a++) {
        s->beta[a] = (cj_complex){0, 0};
        for (int b = 0; b < p->columns; b++) {
            cj_complex c = cj__times(s->inverse[a][b], right[b]);
            s->beta[a].re += c.re;
            s->beta[a].im += c.im;
        }
    }
    return true;
}

static cj_complex residual_at(const struct problem *p, const struct solution *s, size_t i,
                              cj_complex row[MOST])
{
    cj_complex r = p->bins->y[p->first + i];
    row_of(p, i, row);
    for (int a = 0; a < p->columns; a++) {
        cj_complex c = cj__times(row[a], s->beta[a]);
        r.re -= c.re;
        r.im -= c.im;
    }
    return r;
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Bisquare weights about the fit; the scale is the median, ln 2 of the mean of |noise|^2. */
static void weight_down(struct problem *p, const struct solution *s, double *sorted)
{
    cj_complex row[MOST];
    for (size_t i = 0; i < p->count; i++)
        sorted[i] = p->square[i] = square_of(residual_at(p, s, i, row));
    qsort(sorted, p->count, sizeof *sorted, ascending);
    double mean = sorted[p->count / 2] / M_LN2;
    for (size_t i = 0; i < p->count; i++) {
        double far = mean > 0 ? p->square[i] / (FAR * mean) : 0;
        p->weight[i] = far < 1 ? p->kernel[i] * (1 - far) * (1 - far) : 0;
    }
}

/* ---- what came out ---- */

/* Leverage b G b^H of a row. */
static double leverage_of(const struct problem *p, const struct solution *s,
                          const cj_complex row[MOST])
{
    double sum = 0;
    for (int a = 0; a < p->columns; a++)
        for (int b = 0; b < p->columns; b++) {
            cj_complex c =
                cj__times(cj__times(row[a], s->inverse[a][b]), (cj_complex){row[b].re, -row[b].im});
            sum += c.re;
        }
    return sum;
}

static void judge(const struct problem *p, const struct solution *s, cj__local *out)
{
    const cj__bins *bins = p->bins;
    cj_complex row[MOST], last[CJ__CORRELATED] = {{0}};
    double left = 0, power = 0, trace = 0, sum = 0, spread = 1, most = 0, input = 0, mass = 0;
    out->leverage = 0;
    for (int m = 0; m < CJ__CORRELATED; m++)
        spread += 2 * square_of(bins->correlated[m]);
    for (size_t i = 0; i < p->count; i++) {
        double w = p->weight[i];
        cj_complex r = residual_at(p, s, i, row), c = {0, 0};
        left += w * square_of(r);
        power += w * square_of(bins->y[p->first + i]);
        trace += w * w * leverage_of(p, s, row);
        sum += w;
        mass += p->kernel[i];
        input += p->kernel[i] * square_of(bins->x[p->first + i]);
        most += w * w;
        for (int b = 0; b < p->columns; b++) { /* c_i: value = sum c_i y_i */
            cj_complex g = cj__times(s->inverse[0][b], (cj_complex){row[b].re, -row[b].im});
            c.re += w * g.re;
            c.im += w * g.im;
        }
        out->leverage += square_of(c);
        for (int m = 0; m < CJ__CORRELATED; m++) { /* E n_i conj(n_(i-m-1)) */
            cj_complex pair = conj_times(last[m], c);
            out->leverage += 2 * cj__times(pair, bins->correlated[m]).re;
        }
        memmove(last + 1, last, (CJ__CORRELATED - 1) * sizeof *last);
        last[0] = c;
    }
    double freedom = sum - spread * trace;
    out->variance = freedom > 0.05 * sum ? left / freedom / SHRUNK : NAN;
    out->freedom = most > 0 ? fmax(0, freedom / sum) * sum * sum / most / spread : 0;
    out->coherence = power > 0 ? fmax(0, 1 - left / power) : NAN;
    out->leverage = fmax(0, out->leverage);
    out->power = input / mass;
    out->value = s->beta[0];
    /* d/df of (b0 + b1 u) exp(-j 2 pi f delay) */
    cj_complex turn = cj__times(s->beta[0], (cj_complex){0, -CJ__TWO_PI * p->delay});
    out->slope =
        (cj_complex){turn.re + s->beta[1].re / p->reach, turn.im + s->beta[1].im / p->reach};
    out->reach_hz = p->reach;
}

static bool fit_once(struct problem *p, int series, double *sorted, cj__local *out)
{
    struct solution s;
    p->series = series;
    p->columns = series < 0 ? POLYNOMIAL : MOST;
    memcpy(p->weight, p->kernel, p->count * sizeof *p->weight);
    if (!solve(p, &s))
        return false;
    for (int turn = 0; turn < TURNS; turn++) {
        weight_down(p, &s, sorted);
        if (!solve(p, &s))
            return false;
    }
    judge(p, &s, out);
    return isfinite(out->variance);
}

/* A line of the series lies within reach. */
static bool line_near(const struct problem *p, double mains_hz)
{
    double off = fabs(remainder(p->centre, mains_hz));
    return p->centre > mains_hz / 2 && off < p->reach + NEAR_LINE_BINS * p->bins->step_hz;
}

static cj_status fit(struct problem *p, double mains_hz, double *sorted, cj__local *out)
{
    static const double mains[2] = {50, 60};
    bool found = fit_once(p, -1, sorted, out);
    double bound = 0.7; /* two columns more take 2 of some 12 degrees of freedom by chance */
    for (int i = 0; i < 2; i++) {
        cj__local with;
        bool asked = !(mains_hz > 0) || mains_hz == mains[i];
        if (p->bins->line[i] == NULL || !asked || !line_near(p, mains[i]))
            continue;
        if (fit_once(p, i, sorted, &with) && (!found || with.variance < bound * out->variance)) {
            *out = with;
            found = true;
            bound = 1;
        }
    }
    return found ? CJ_OK : CJ_DATA;
}

cj_status cj__local_fit(const cj__bins *bins, double centre_hz, double reach_hz, double mains_hz,
                        cj__local *out, cj_error *err)
{
    struct problem p = {.bins = bins, .centre = centre_hz, .line_scale = 1};
    cj_status status = choose(&p, reach_hz, err);
    if (status != CJ_OK)
        return status;
    double *memory = cj_new(4 * p.count, sizeof *memory);
    if (memory == NULL)
        return cj_fail_memory(err);
    p.weight = memory;
    p.kernel = memory + p.count;
    p.square = memory + 2 * p.count;
    set_kernel(&p);
    p.delay = find_delay(&p);
    status = fit(&p, mains_hz, memory + 3 * p.count, out);
    cj_free(memory);
    if (status != CJ_OK)
        return cj_fail(err, status, NULL, 0, 0, "no response at %g Hz", centre_hz);
    return CJ_OK;
}
