/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * weighting.c - the curves noise is weighted by, and digital filters that follow them at any rate.
 *
 * A filter keeps the curve's own poles, moved to the z plane by z = exp(s/rate), and its zeros at
 * DC. What is then missing of the curve is smooth and has no pole near the frequencies asked for:
 * its square is a polynomial in cos w, fitted by least squares of the relative error and factored
 * into a short minimum-phase FIR.
 */
#include "signal/internal.h"

#include <math.h>
#include <string.h>

#define POLES 6
#define SECTIONS 3
#define ORDER 10 /* of the correcting FIR */
#define GRID 512
#define REACH 0.45    /* of the rate: up to there the curve is followed */
#define CARELESS 0.01 /* weight of the frequencies above */
#define CHUNK 256

struct cj_weighting_filter {
    double rate;
    double tap[ORDER + 1];
    double b[SECTIONS][2], a[SECTIONS][2]; /* 1 + b0/z + b1/z^2 over 1 + a0/z + a1/z^2 */
    double state[SECTIONS][2];
    double past[ORDER];
};

/* ---- the curves ---- */

/* Poles of the A curve in hertz, all real (IEC 61672-1, Annex E: f1 and f4 double, f2, f3): with
 * fL = 10^1.5, fH = 10^3.9, fA = 10^2.45 and the expressions there, to 14 digits. */
static const double poles_of_a[POLES] = {20.598997057568, 20.598997057568, 107.65264864305,
                                         737.86223073629, 12194.217147998, 12194.217147998};

static double raw_a(double hz)
{
    double s = hz * hz, square = s * s * s * s;
    for (int i = 0; i < POLES; i++)
        square /= s + poles_of_a[i] * poles_of_a[i];
    return sqrt(square);
}

/* The network of ITU-R BS.468-4, Annex 1, as the closed form of its response (from memory; checked
 * against Table 1 of the Recommendation, which it keeps within 0.051 dB). */
static double raw_468(double hz)
{
    double s = hz * hz;
    double even =
        ((-4.737338981378384e-24 * s + 2.043828333606125e-15) * s - 1.363894795463638e-7) * s + 1;
    double odd =
        ((1.306612257412824e-19 * s - 2.118150887518656e-11) * s + 5.559488023498642e-4) * hz;
    return hz / sqrt(even * even + odd * odd);
}

/* Roots of that closed form's denominator, hertz; upper half plane and real axis. */
static const cj_complex poles_of_468[] = {{-2983.15993789067, 9940.84264570954},
                                          {-3758.52916301074, 5790.04233660897},
                                          {-4122.70206613476, 0},
                                          {-9975.06312393021, 0}};

double cj_weighting_gain(cj_weighting weighting, double hz)
{
    if (!(hz > 0))
        return 0;
    return weighting == CJ_WEIGHTING_A ? raw_a(hz) / raw_a(1000) : raw_468(hz) / raw_468(1000);
}

/* ---- design ---- */

/* Two real poles, hertz, and how many zeros at DC stand with them. */
static void set_real(cj_weighting_filter *filter, int i, const double hz[2], int zeros)
{
    double p = exp(-CJ__TWO_PI * hz[0] / filter->rate), q = exp(-CJ__TWO_PI * hz[1] / filter->rate);
    filter->a[i][0] = -(p + q);
    filter->a[i][1] = p * q;
    filter->b[i][0] = -zeros;
    filter->b[i][1] = zeros == 2 ? 1 : 0;
}

/* A pole and its conjugate. One that turns more than the band reaches would come out elsewhere: the
 * FIR does its work then. */
static void set_pair(cj_weighting_filter *filter, int i, cj_complex pole, int zeros)
{
    double turn = CJ__TWO_PI * pole.im / filter->rate;
    double r = pole.im < REACH * filter->rate ? exp(CJ__TWO_PI * pole.re / filter->rate) : 0;
    filter->a[i][0] = -2 * r * cos(turn);
    filter->a[i][1] = r * r;
    filter->b[i][0] = -zeros;
    filter->b[i][1] = 0;
}

static void set_sections(cj_weighting_filter *filter, cj_weighting weighting)
{
    if (weighting == CJ_WEIGHTING_A) {
        for (int i = 0; i < SECTIONS; i++)
            set_real(filter, i, poles_of_a + 2 * i, i < 2 ? 2 : 0);
        return;
    }
    const double real[2] = {-poles_of_468[2].re, -poles_of_468[3].re};
    set_pair(filter, 0, poles_of_468[0], 0);
    set_pair(filter, 1, poles_of_468[1], 0);
    set_real(filter, 2, real, 1);
}

/* |1 + c0 exp(-jw) + c1 exp(-2jw)|^2 */
static double square_of_three(const double c[2], double w)
{
    double re = 1 + c[0] * cos(w) + c[1] * cos(2 * w), im = c[0] * sin(w) + c[1] * sin(2 * w);
    return re * re + im * im;
}

static double sections_square(const cj_weighting_filter *filter, double w)
{
    double square = 1;
    for (int i = 0; i < SECTIONS; i++)
        square *= square_of_three(filter->b[i], w) / square_of_three(filter->a[i], w);
    return square;
}

/* Least squares of sum c[m] cos(m w) against what the sections lack, relative errors alike. */
static bool fit_rest(const cj_weighting_filter *filter, cj_weighting weighting, double c[ORDER + 1])
{
    enum { N = ORDER + 1 };
    double normal[N * N] = {0}, right[N] = {0};
    for (int i = 0; i < GRID; i++) {
        double w = CJ__TWO_PI / 2 * (i + 0.5) / GRID, f = w / CJ__TWO_PI;
        double want = pow(cj_weighting_gain(weighting, f * filter->rate), 2);
        double rest = want / sections_square(filter, w), weight = f <= REACH ? 1 : CARELESS;
        double row[N];
        for (int m = 0; m < N; m++)
            row[m] = weight * cos(m * w) / rest;
        for (int m = 0; m < N; m++) {
            for (int k = m; k < N; k++)
                normal[m * N + k] += row[m] * row[k];
            right[m] += row[m] * weight;
        }
    }
    if (!cj__cholesky(normal, N))
        return false;
    cj__substitute(normal, N, right);
    memcpy(c, right, sizeof right);
    return true;
}

/*
 * The minimum-phase factor of a positive sum c[m] cos(m w): with k[m] the cosine coefficients of
 * its logarithm, the factor is exp(k0/2 + k1/z + k2/z^2 + ...) (Oppenheim and Schafer, the real
 * cepstrum), a polynomial of the same order, so its first coefficients suffice.
 */
static bool factor(const double c[ORDER + 1], double tap[ORDER + 1])
{
    double k[ORDER + 1] = {0};
    for (int i = 0; i < GRID; i++) {
        double w = CJ__TWO_PI / 2 * (i + 0.5) / GRID, sum = 0;
        for (int m = 0; m <= ORDER; m++)
            sum += c[m] * cos(m * w);
        if (!(sum > 0))
            return false;
        for (int m = 0; m <= ORDER; m++)
            k[m] += log(sum) * cos(m * w) / GRID;
    }
    tap[0] = exp(k[0] / 2);
    for (int n = 1; n <= ORDER; n++) {
        tap[n] = 0;
        for (int m = 1; m <= n; m++)
            tap[n] += m * k[m] * tap[n - m] / n;
    }
    return true;
}

cj_status cj_weighting_filter_new(cj_weighting weighting, double rate_hz, cj_weighting_filter **out,
                                  cj_error *err)
{
    double c[ORDER + 1];
    if (!(rate_hz >= 4000) || !(rate_hz <= 1e7))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "noise is weighted at rates from 4 kHz to 10 MHz, not at %g Hz", rate_hz);
    cj_weighting_filter *filter = cj_new(1, sizeof *filter);
    if (filter == NULL)
        return cj_fail_memory(err);
    filter->rate = rate_hz;
    set_sections(filter, weighting);
    if (!fit_rest(filter, weighting, c) || !factor(c, filter->tap)) {
        cj_free(filter);
        return cj_fail(err, CJ_BUG, NULL, 0, 0, "no weighting filter was found for %g Hz", rate_hz);
    }
    double at_1k = cj_weighting_filter_gain(filter, 1000);
    for (int i = 0; i <= ORDER; i++)
        filter->tap[i] /= at_1k;
    *out = filter;
    return CJ_OK;
}

void cj_weighting_filter_free(cj_weighting_filter *filter)
{
    cj_free(filter);
}

double cj_weighting_filter_gain(const cj_weighting_filter *filter, double hz)
{
    double w = CJ__TWO_PI * hz / filter->rate, re = 0, im = 0;
    for (int i = 0; i <= ORDER; i++) {
        re += filter->tap[i] * cos(i * w);
        im -= filter->tap[i] * sin(i * w);
    }
    return hypot(re, im) * sqrt(sections_square(filter, w));
}

/* ---- running it ---- */

void cj_weighting_filter_reset(cj_weighting_filter *filter)
{
    memset(filter->state, 0, sizeof filter->state);
    memset(filter->past, 0, sizeof filter->past);
}

/* out[k] = sum tap[i] x[k - i], x[-ORDER] and later being there; each out[k] stands alone, so the
 * loop goes in vectors, written out so that the sum stays in registers. */
CJ__CLONES static void run_taps(const double *tap, const double *x, size_t n, double *out)
{
    for (size_t k = 0; k < n; k++) {
        const double *at = x + k;
        out[k] = tap[0] * at[10] + tap[1] * at[9] + tap[2] * at[8] + tap[3] * at[7] +
                 tap[4] * at[6] + tap[5] * at[5] + tap[6] * at[4] + tap[7] * at[3] +
                 tap[8] * at[2] + tap[9] * at[1] + tap[10] * at[0];
    }
}
_Static_assert(ORDER == 10, "run_taps has eleven of them");

/* Two filters side by side: each is a chain of additions that wait for each other, and two such
 * chains take the time of one. */
CJ__CLONES static void run_sections(cj_weighting_filter *const filter[2], double *const out[2],
                                    size_t n)
{
    double s[SECTIONS][2][2], a[SECTIONS][2][2], b[SECTIONS][2][2];
    for (int i = 0; i < SECTIONS; i++)
        for (int k = 0; k < 2; k++)
            for (int c = 0; c < 2; c++) {
                s[i][k][c] = filter[c]->state[i][k];
                a[i][k][c] = filter[c]->a[i][k];
                b[i][k][c] = filter[c]->b[i][k];
            }
    for (size_t k = 0; k < n; k++) {
        double v[2] = {out[0][k], out[1][k]};
        for (int i = 0; i < SECTIONS; i++)
            for (int c = 0; c < 2; c++) {
                double y = v[c] + s[i][0][c];
                s[i][0][c] = b[i][0][c] * v[c] - a[i][0][c] * y + s[i][1][c];
                s[i][1][c] = b[i][1][c] * v[c] - a[i][1][c] * y;
                v[c] = y;
            }
        out[0][k] = v[0];
        out[1][k] = v[1];
    }
    for (int i = 0; i < SECTIONS; i++)
        for (int k = 0; k < 2; k++)
            for (int c = 0; c < 2; c++) /* silence ends in nothing, not in denormal numbers */
                filter[c]->state[i][k] = fabs(s[i][k][c]) > 1e-250 ? s[i][k][c] : 0;
}

static void run_fir(cj_weighting_filter *filter, const double *x, size_t n, double *out)
{
    double with[CHUNK + ORDER];
    memcpy(with, filter->past, sizeof filter->past);
    memcpy(with + ORDER, x, n * sizeof *x);
    run_taps(filter->tap, with, n, out);
    memcpy(filter->past, with + n, sizeof filter->past);
}

void cj__weighting_run_two(cj_weighting_filter *const filter[2], const double *const x[2], size_t n,
                           double *const out[2])
{
    for (size_t at = 0; at < n; at += CHUNK) {
        size_t now = n - at < CHUNK ? n - at : CHUNK;
        double *const to[2] = {out[0] + at, out[1] + at};
        for (int c = 0; c < 2; c++)
            run_fir(filter[c], x[c] + at, now, to[c]);
        run_sections(filter, to, now);
    }
}

void cj_weighting_filter_run(cj_weighting_filter *filter, const double *x, size_t n, double *out)
{
    cj_weighting_filter idle = {.rate = filter->rate};
    cj_weighting_filter *const both[2] = {filter, &idle};
    static const double silence[CHUNK];
    double nowhere[CHUNK];
    for (size_t at = 0; at < n; at += CHUNK) {
        size_t now = n - at < CHUNK ? n - at : CHUNK;
        const double *const from[2] = {x + at, silence};
        double *const to[2] = {out + at, nowhere};
        cj__weighting_run_two(both, from, now, to);
    }
}
