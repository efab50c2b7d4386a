/* SPDX-License-Identifier: GPL-3.0-or-later */
/* orders.c - the harmonics of a tone that glides. */
#include "signal/internal.h"
#include "signal/sweep.h"

#include <math.h>
#include <string.h>

#define MAINS_LINES 6
#define MAINS_UP_TO 330.0
#define VARYING 3 /* order 1 may vary along the window beyond what x does, as through a filter */
#define COLUMNS (1 + 2 * CJ__ORDERS + 2 * VARYING + 2 * MAINS_LINES)
#define TURNS 3

struct window {
    const cj__glide *glide;
    long first, count;
    double hz;
    double *weight, *turns, *level; /* [count] */
};

/* ---- the tone itself ---- */

static void set_turns(struct window *w)
{
    const cj__glide *g = w->glide;
    for (long i = 0; i < w->count; i++) {
        double t = ((double)(w->first + i) - g->middle) / g->rate_hz;
        w->turns[i] = g->scale_s * w->hz * expm1(t / g->scale_s);
    }
}

/* What hz is off by, from the phase of x in both halves of the window. */
static double hz_error(const struct window *w)
{
    const cj__glide *g = w->glide;
    cj_complex sum[2] = {{0, 0}, {0, 0}};
    double time[2] = {0, 0}, mass[2] = {0, 0};
    for (long i = 0; i < w->count; i++) {
        double at = ((double)(w->first + i) - g->middle) / (g->width / 2);
        double p = -CJ__TWO_PI * remainder(w->turns[i], 1), s = sin(CJ__TWO_PI / 2 * fabs(at));
        int side = at > 0;
        double v = s * s; /* each half under a Hann window of its own */
        sum[side].re += v * g->x[w->first + i] * cos(p);
        sum[side].im += v * g->x[w->first + i] * sin(p);
        time[side] += v * at;
        mass[side] += v;
    }
    if (!(mass[0] > 0) || !(mass[1] > 0))
        return 0;
    double apart = (time[1] / mass[1] - time[0] / mass[0]) * g->width / 2 / g->rate_hz;
    double re = sum[0].re * sum[1].re + sum[0].im * sum[1].im;
    double im = sum[0].re * sum[1].im - sum[0].im * sum[1].re;
    return atan2(im, re) / CJ__TWO_PI / apart;
}

#define SMOOTH 5 /* coefficients of the level along the window */

/* The solution of a symmetric positive system by elimination; a and right are changed. */
static void eliminate(double a[2 * SMOOTH][2 * SMOOTH], double right[2 * SMOOTH])
{
    const int n = 2 * SMOOTH;
    for (int i = 0; i < n; i++)
        for (int r = i + 1; r < n; r++) {
            double f = a[i][i] > 0 ? a[r][i] / a[i][i] : 0;
            for (int k = i; k < n; k++)
                a[r][k] -= f * a[i][k];
            right[r] -= f * right[i];
        }
    for (int i = n - 1; i >= 0; i--) {
        for (int k = i + 1; k < n; k++)
            right[i] -= a[i][k] * right[k];
        right[i] = a[i][i] > 0 ? right[i] / a[i][i] : 0;
    }
}

/* Level and phase of x along the window relative to the middle: x = Re(e(t) exp(j phase)) by least
 * squares, e a complex polynomial. */
static void set_level(struct window *w)
{
    const cj__glide *g = w->glide;
    double a[2 * SMOOTH][2 * SMOOTH] = {{0}}, right[2 * SMOOTH] = {0};
    for (long i = 0; i < w->count; i++) {
        double at = ((double)(w->first + i) - g->middle) / (g->width / 2), row[2 * SMOOTH];
        double p = CJ__TWO_PI * remainder(w->turns[i], 1), power = 1;
        for (int k = 0; k < SMOOTH; k++, power *= at) {
            row[2 * k] = power * cos(p);
            row[2 * k + 1] = -power * sin(p);
        }
        for (int r = 0; r < 2 * SMOOTH; r++) {
            double v = w->weight[i] * row[r];
            for (int k = 0; k < 2 * SMOOTH; k++)
                a[r][k] += v * row[k];
            right[r] += v * g->x[w->first + i];
        }
    }
    eliminate(a, right);
    cj_complex here = {right[0], right[1]};
    double size = here.re * here.re + here.im * here.im;
    for (long i = 0; i < w->count; i++) {
        double at = ((double)(w->first + i) - g->middle) / (g->width / 2);
        cj_complex e = {0, 0};
        for (int k = SMOOTH - 1; k >= 0; k--)
            e = (cj_complex){e.re * at + right[2 * k], e.im * at + right[2 * k + 1]};
        e = size > 0 ? (cj_complex){(e.re * here.re + e.im * here.im) / size,
                                    (e.im * here.re - e.re * here.im) / size}
                     : (cj_complex){1, 0};
        w->level[i] = hypot(e.re, e.im);
        w->turns[i] += atan2(e.im, e.re) / CJ__TWO_PI;
    }
}

static bool set_up(struct window *w, double *memory)
{
    const cj__glide *g = w->glide;
    w->weight = memory;
    w->turns = memory + w->count;
    w->level = memory + 2 * w->count;
    w->hz = g->hz;
    for (long i = 0; i < w->count; i++) {
        double c = cos(CJ__TWO_PI / 4 * ((double)(w->first + i) - g->middle) / (g->width / 2));
        w->weight[i] = c * c;
    }
    set_turns(w);
    for (int turn = 0; turn < TURNS; turn++) {
        w->hz += hz_error(w);
        if (!(w->hz > 0.5 * g->hz && w->hz < 2 * g->hz))
            return false;
        set_turns(w);
    }
    set_level(w);
    return true;
}

/* ---- least squares ---- */

struct normal {
    int columns;
    double matrix[COLUMNS][COLUMNS], right[COLUMNS], square; /* of weighted y */
    double mass, mass2;
};

/* DC; cos and sin of each order; of each mains line. */
static void row_of(const struct window *w, long i, double mains_hz, double row[COLUMNS])
{
    const cj__glide *g = w->glide;
    double p = CJ__TWO_PI * remainder(w->turns[i], 1), level = w->level[i];
    cj_complex step = {level * cos(p), level * sin(p)}, power = step;
    int at = 0;
    row[at++] = 1;
    for (int k = 0; k < g->orders; k++) {
        row[at++] = power.re;
        row[at++] = power.im;
        power = cj__times(power, step);
    }
    double along = ((double)(w->first + i) - g->middle) / (g->width / 2);
    for (int k = 0; k < VARYING; k++) {
        step = (cj_complex){step.re * along, step.im * along};
        row[at++] = step.re;
        row[at++] = step.im;
    }
    if (!(mains_hz > 0))
        return;
    double q = CJ__TWO_PI * mains_hz * ((double)(w->first + i) - g->middle) / g->rate_hz;
    step = power = (cj_complex){cos(q), sin(q)};
    for (int k = 0; k < MAINS_LINES; k++) {
        row[at++] = power.re;
        row[at++] = power.im;
        power = cj__times(power, step);
    }
}

static void fill(const struct window *w, const double *y, double mains_hz, struct normal *m)
{
    double row[COLUMNS];
    memset(m, 0, sizeof *m);
    m->columns = 1 + 2 * w->glide->orders + 2 * VARYING + (mains_hz > 0 ? 2 * MAINS_LINES : 0);
    for (long i = 0; i < w->count; i++) {
        double v = w->weight[i], value = y[w->first + i];
        row_of(w, i, mains_hz, row);
        for (int a = 0; a < m->columns; a++) {
            double va = v * row[a];
            for (int b = 0; b <= a; b++)
                m->matrix[a][b] += va * row[b];
            m->right[a] += va * value;
        }
        m->square += v * value * value;
        m->mass += v;
        m->mass2 += v * v;
    }
}

/* Cholesky in place (lower half) with the diagonal scaled to 1; false where it is not positive. */
static bool factor(struct normal *m, double scale[COLUMNS])
{
    int n = m->columns;
    for (int a = 0; a < n; a++) {
        if (!(m->matrix[a][a] > 0))
            return false;
        scale[a] = 1 / sqrt(m->matrix[a][a]);
    }
    for (int a = 0; a < n; a++)
        for (int b = 0; b <= a; b++) {
            double sum = m->matrix[a][b] * scale[a] * scale[b];
            for (int k = 0; k < b; k++)
                sum -= m->matrix[a][k] * m->matrix[b][k];
            if (a == b && !(sum > 1e-9))
                return false;
            m->matrix[a][b] = a == b ? sqrt(sum) : sum / m->matrix[b][b];
        }
    return true;
}

static void solve(const struct normal *m, const double scale[COLUMNS], const double *right,
                  double *out)
{
    int n = m->columns;
    for (int a = 0; a < n; a++) {
        out[a] = right[a] * scale[a];
        for (int k = 0; k < a; k++)
            out[a] -= m->matrix[a][k] * out[k];
        out[a] /= m->matrix[a][a];
    }
    for (int a = n - 1; a >= 0; a--) {
        for (int k = a + 1; k < n; k++)
            out[a] -= m->matrix[k][a] * out[k];
        out[a] /= m->matrix[a][a];
    }
    for (int a = 0; a < n; a++)
        out[a] *= scale[a];
}

/* Weighted mean square of what is left, over the degrees of freedom; NaN: no fit. */
static double fit_with(const struct window *w, const double *y, double mains_hz, cj__orders *out)
{
    struct normal m;
    double scale[COLUMNS] = {0}, beta[COLUMNS], row[COLUMNS], left = 0;
    fill(w, y, mains_hz, &m);
    if (!factor(&m, scale))
        return NAN;
    solve(&m, scale, m.right, beta);
    for (long i = 0; i < w->count; i++) {
        double r = y[w->first + i];
        row_of(w, i, mains_hz, row);
        for (int a = 0; a < m.columns; a++)
            r -= row[a] * beta[a];
        left += w->weight[i] * r * r;
    }
    double free = m.mass - m.columns * m.mass2 / m.mass;
    if (!(free > 0))
        return NAN;
    double variance = left / free;
    for (int k = 0; k < w->glide->orders; k++) {
        int a = 1 + 2 * k;
        double unit[COLUMNS] = {0}, column[COLUMNS];
        out->line[k] = (cj_complex){beta[a], -beta[a + 1]};
        unit[a] = 1;
        solve(&m, scale, unit, column);
        /* the inverse's diagonal, twice; weights count squared in the noise */
        out->noise[k] = 2 * column[a] * variance * m.mass2 / m.mass;
    }
    return variance;
}

cj_status cj__orders_fit(const double *y, size_t n, const cj__glide *glide, cj__orders *out,
                         cj_error *err)
{
    static const double mains[2] = {50, 60};
    struct window w = {.glide = glide};
    double low = fmax(0, ceil(glide->middle - glide->width / 2 + 0.01));
    double high = fmin((double)n - 1, floor(glide->middle + glide->width / 2 - 0.01));
    if (!(high - low > 3 * (1 + 2 * glide->orders + 2 * VARYING)) || glide->orders < 1)
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "too few samples for orders");
    w.first = (long)low;
    w.count = (long)(high - low) + 1;
    double *memory = cj_new(3 * (size_t)w.count, sizeof *memory);
    if (memory == NULL)
        return cj_fail_memory(err);
    double best = set_up(&w, memory) ? fit_with(&w, y, 0, out) : NAN;
    for (int i = 0; i < 2 && isfinite(best) && glide->hz < MAINS_UP_TO; i++) {
        cj__orders with;
        if (glide->mains_hz > 0 && glide->mains_hz != mains[i])
            continue;
        if (w.count < 3 * COLUMNS)
            continue;
        double left = fit_with(&w, y, mains[i], &with);
        if (left < 0.7 * best) {
            *out = with;
            best = left;
        }
    }
    cj_free(memory);
    return isfinite(best) ? CJ_OK : cj_fail(err, CJ_DATA, NULL, 0, 0, "no orders to be told apart");
}
