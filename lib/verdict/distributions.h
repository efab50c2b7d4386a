/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * verdict/distributions.h - distribution functions and quantiles.
 *
 * Those of GSL end in its error handler for arguments they dislike, and the noncentral t is not
 * among them.
 */
#ifndef COLDJOINT_VERDICT_DISTRIBUTIONS_H
#define COLDJOINT_VERDICT_DISTRIBUTIONS_H

/* P(X <= x), chi-squared with nu > 0 degrees of freedom. */
double cj__chi2_below(double x, double nu);
double cj__chi2_quantile(double p, double nu);

/* P(T <= t), Student's t with nu > 0 degrees of freedom and noncentrality delta. */
double cj__t_below(double t, double nu, double delta);
double cj__t_quantile(double p, double nu, double delta);

double cj__normal_below(double x);

/* The zero of a rising function between low and high, by halving until nothing changes. */
double cj__solve(double (*rising)(double x, const void *user), const void *user, double low,
                 double high);

#endif
