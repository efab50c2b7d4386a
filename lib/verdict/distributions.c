/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Why not GSL's: its chi-squared and t distributions end the process through its error handler
 * where a series does not converge (DEVELOPERS.md, convention 10), and it has no noncentral t.
 */
#include "verdict/distributions.h"

#include <math.h>

double cj__normal_below(double x)
{
    return 0.5 * erfc(-x / M_SQRT2);
}

double cj__solve(double (*rising)(double x, const void *user), const void *user, double low,
                 double high)
{
    for (;;) {
        double middle = low + (high - low) / 2;
        if (!(middle > low && middle < high))
            return middle;
        *(rising(middle, user) < 0 ? &low : &high) = middle;
    }
}

/* ---- chi-squared ---- */

/* x^a e^-x / Gamma(a + 1); for a large from the difference of both logarithms near x = a, which
 * keeps the digits. */
static double front(double a, double x)
{
    int sign;
    if (a < 100)
        return exp(a * log(x) - x - lgamma_r(a + 1, &sign));
    double off = (x - a) / a, by = 1 / a;
    double stirling = by / 12 - by * by * by / 360 + by * by * by * by * by / 1260;
    return exp(a * (log1p(off) - off) - stirling) / sqrt(2 * M_PI * a);
}

/* The regularised incomplete gamma function: DLMF 8.11.4 (series) below a + 1. */
static double gamma_series(double a, double x)
{
    double term = 1, sum = 1;
    for (int n = 1; n < 1000000 && term > sum * 1e-17; n++) {
        term *= x / (a + n);
        sum += term;
    }
    return front(a, x) * sum;
}

/* The complement: DLMF 8.9.2 (continued fraction), by Lentz's method as modified by Thompson and
 * Barnett 1986. */
static double gamma_fraction(double a, double x)
{
    double b = x + 1 - a, c = 1e300, d = 1 / b, h = d;
    for (int n = 1; n < 1000000; n++) {
        double k = -n * (n - a);
        b += 2;
        d = 1 / (k * d + b);
        c = b + k / c;
        h *= c * d;
        if (fabs(c * d - 1) < 1e-16)
            break;
    }
    return front(a, x) * a * h;
}

double cj__chi2_below(double x, double nu)
{
    double a = nu / 2, half = x / 2;
    if (!(half > 0))
        return 0;
    return half < a + 1 ? gamma_series(a, half) : 1 - gamma_fraction(a, half);
}

struct chi2 {
    double p, nu;
};

static double chi2_off(double x, const void *user)
{
    const struct chi2 *of = user;
    return cj__chi2_below(x, of->nu) - of->p;
}

double cj__chi2_quantile(double p, double nu)
{
    const struct chi2 of = {p, nu};
    return cj__solve(chi2_off, &of, 0, nu + 20 * sqrt(2 * nu) + 100);
}

/* ---- t ---- */

/*
 * T = (Z + delta) / S with S^2 = chi-squared / nu, so P(T <= t) is the mean of Phi(t S - delta)
 * over S. With S = e^y the density is nu^(nu/2) / (2^(nu/2 - 1) Gamma(nu/2)) e^(nu y - nu e^(2y) /
 * 2), smooth and falling fast both ways: the trapezium rule. The sum of the weights replaces the
 * constant in front.
 */
double cj__t_below(double t, double nu, double delta)
{
    double step = fmin(0.1, 0.25 / sqrt(2 * nu)), sum = 0, weights = 0;
    for (int way = -1; way <= 1; way += 2)
        for (int k = way < 0 ? -1 : 0;; k += way) {
            double y = k * step;
            double weight = exp(nu * (y - expm1(2 * y) / 2));
            if (weight < 1e-20)
                break;
            weights += weight;
            sum += weight * cj__normal_below(t * exp(y) - delta);
        }
    return sum / weights;
}

struct noncentral {
    double p, nu, delta;
};

static double t_off(double t, const void *user)
{
    const struct noncentral *of = user;
    return cj__t_below(t, of->nu, of->delta) - of->p;
}

double cj__t_quantile(double p, double nu, double delta)
{
    const struct noncentral of = {p, nu, delta};
    double low = -10, high = 10;
    while (t_off(low, &of) > 0 && low > -1e300)
        low *= 4;
    while (t_off(high, &of) < 0 && high < 1e300)
        high *= 4;
    return cj__solve(t_off, &of, low, high);
}
