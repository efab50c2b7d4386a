/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * internal.h - what the files of the signal room share.
 *
 * Time runs as t = n - c with c = (N-1)/2, so that the cosines and sines of a record without gaps
 * are orthogonal to each other. A channel's linear unknowns stand in the order [DC, cos 1..H,
 * sin 1..H], and line k is (cos k) - j (sin k).
 */
#ifndef CJ_SIGNAL_INTERNAL_H
#define CJ_SIGNAL_INTERNAL_H

#include "coldjoint/signal.h"

#include "base/clones.h"

#include <fftw3.h>
#include <stdint.h>

#define CJ__TWO_PI 6.283185307179586476925286766559

/* f * m less whole turns, exact to a rounding of the result however many turns there are. */
double cj__turns(double f, double m);
/* exp(j 2 pi f m) */
cj_complex cj__phasor(double f, double m);
static inline cj_complex cj__times(cj_complex a, cj_complex b)
{
    return (cj_complex){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}
/* sum over the record of exp(-j 2 pi f m t): real, the Dirichlet kernel */
double cj__dirichlet(double f, int m, size_t n);

/* ---- combs: harmonics 1..h of f over n samples, in blocks that share one table ---- */

typedef struct cj__comb {
    size_t n;
    double f;
    int h;
    int length;        /* samples of a block */
    int stride;        /* doubles of a table row: 2 h, rounded up */
    double *rows;      /* [length][stride]: cos, -sin of harmonic k about the block's centre */
    double *turned;    /* the same table, [stride][length] */
    double *work;      /* 4 blocks: samples, then coefficients */
    cj_complex *turns; /* [CJ__GROUP][h] exp(j k w t) of a block's centre about its group's */
    cj_complex *lines; /* [h] */
    size_t rows_size, work_size, turns_size;
} cj__comb;

#define CJ__GROUP 16 /* blocks to a group, which share one fresh phasor per harmonic */

bool cj__comb_set(cj__comb *comb, size_t n, double f, int h); /* false: out of memory */
void cj__comb_free(cj__comb *comb);
/* out[k-1] = sum y[n] exp(-j 2 pi k f t) */
void cj__comb_sums(cj__comb *comb, const double *y, cj_complex *out);
/* The same of each group of blocks by itself, t counted from the group's centre: out[group][h]. */
void cj__comb_groups(cj__comb *comb, const double *y, cj_complex *out);
size_t cj__comb_group_count(const cj__comb *comb);
double cj__comb_group_time(const cj__comb *comb,
                           size_t group); /* of the centre, from the record's */
/* out[n] = Re sum_k a[k-1] exp(j 2 pi k f t) */
void cj__comb_synth(cj__comb *comb, const cj_complex *a, double *out);
/* out[n] = x[n] - dc - that; out may be x */
void cj__comb_subtract(cj__comb *comb, const cj_complex *a, double dc, const double *x,
                       double *out);

/* ---- normal equations of DC and a comb ---- */

typedef struct cj__gram {
    int h;
    bool coupled;   /* gaps: cosines and sines do not part */
    bool iterative; /* many harmonics: conjugate gradients instead of a factor */
    double *memory; /* the factor (coupled: (2h+1)^2 upper triangle; else (h+1)^2, then h^2), or
                       what the iteration needs */
    size_t size;
} cj__gram;

/* e[m] = sum over the valid samples of exp(-j 2 pi m f t), m = 0..2h. */
cj_status cj__gram_set(cj__gram *gram, int h, const cj_complex *e, bool coupled);
void cj__gram_free(cj__gram *gram);
/* On an upper triangle, row by row; false: not positive definite. */
bool cj__cholesky(double *a, int n);
void cj__substitute(const double *a, int n, double *b); /* in place */
void cj__gram_solve(cj__gram *gram, double *b);         /* in place, [2h+1] */

/* ---- spectra ---- */

/* The spectrum of x followed by zeros; *out lives in the spectra's memory until its next use. */
cj_status cj__spectrum_padded(cj_spectra *spectra, const double *x, size_t n, size_t padded,
                              const cj_complex **out);
/* z becomes its transform, or the inverse one without its 1/n; false: out of memory */
bool cj__transform(cj_spectra *spectra, cj_complex *z, size_t n, bool inverse);
/* out[m] = sum x[i] y[i+m], circular over the padded size */
cj_status cj__cross(cj_spectra *spectra, const double *x, const double *y, size_t n, size_t padded,
                    cj_complex *out);

/* ---- the tone fit at work ---- */

typedef struct cj__tone_channel {
    double *y;     /* the samples less offset; gaps are 0 */
    double *mask;  /* 1 valid, 0 gap; NULL without gaps */
    double offset; /* mean of the valid samples */
    size_t valid;
    double power; /* sum of y^2 */
    double floor; /* sum of squares that rounding of the samples alone makes */
    bool alive;   /* carries a signal and enough samples: takes part in the search for f */
    /* at the frequency evaluated last: */
    cj__gram gram;
    double *rhs;   /* [2h+1] linear unknowns */
    double *slope; /* [2h+1] minus their derivative by f: (B'B)^-1 B'd, d the model's derivative */
    double rss;    /* sum of squares of the residual */
    double pull, stiff; /* d'r, and d'd less what the linear unknowns take up */
    double hold;        /* stiff of the fit that settled the frequency */
} cj__tone_channel;

typedef struct cj__tone {
    cj_spectra *spectra;
    size_t n;
    int channels;
    cj__tone_channel channel[CJ_TONE_CHANNELS];
    cj__comb comb, mask_comb;
    double *model, *moved; /* [n] */
    cj_complex *lines, *e; /* [room], [2 room + 1] */
    int room;              /* harmonics there is room for */
    double f;
    int h;
    double likelihood;        /* sum of valid log(rss / valid): to be small */
    double gradient, hessian; /* descent along f; the step is their ratio */
} cj__tone;

cj_status cj__tone_open(cj__tone *tone, cj_spectra *spectra, const double *const x[], int channels,
                        size_t n);
void cj__tone_close(cj__tone *tone);
cj_status cj__tone_evaluate(cj__tone *tone, double f, int h);
cj_status cj__tone_likelihood(cj__tone *tone, double f, int h); /* the same without derivatives */
cj_status cj__tone_refine(cj__tone *tone, double f, int h, bool *converged);
/* residual of a channel at the frequency evaluated last, into out */
void cj__tone_residual(cj__tone *tone, int channel, double *out);
cj_status cj__tone_start(cj__tone *tone, double *f);
/* Few periods: frequency and order together from a thinned record, f within 0.6 bins of *f. *h > 0:
 * that many harmonics; else chosen. */
#define CJ__FEW_PERIODS 6.0
#define CJ__FEW_HARMONICS 64
cj_status cj__tone_few(const cj__tone *tone, bool fixed, double *f, int *h);
/* Keeps what the frequency's uncertainty needs of the fit evaluated last; more lines may be fitted
 * after. */
void cj__tone_hold(cj__tone *tone);
cj_status cj__tone_report(cj__tone *tone, bool fixed, cj_tone_fit **out);
/* One pass over the samples from a frequency all but known; not done: the long way is needed, and
 * the tone is to be closed and opened first. */
cj_status cj__tone_polish(cj__tone *tone, const double *const x[], double f, int h, bool *done);
double cj__tone_variance(const cj__tone *tone, int channel, bool fixed);

/* ---- weighting ---- */

/* Two different filters, each over n samples of its own, in the time of one. */
void cj__weighting_run_two(cj_weighting_filter *const filter[2], const double *const x[2], size_t n,
                           double *const out[2]);

#endif
