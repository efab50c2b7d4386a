/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * signal.h - numeric kernels without a notion of a bench.
 *
 * Conventions, once: samples are x[n], n = 0..N-1; frequencies are in cycles a sample (multiply by the
 * rate for hertz); a line of frequency f is Re( a exp(j 2 pi f (n - c)) ) with c = (N-1)/2, so |a| is its
 * peak value and arg a its phase at the centre of the record. NaN samples are gaps: they carry no weight.
 */
#ifndef COLDJOINT_SIGNAL_H
#define COLDJOINT_SIGNAL_H

#include "coldjoint/base.h"
#include "coldjoint/capture.h"

#ifdef __cplusplus
extern "C" {
#endif

/* A complex number that C and C++ lay out alike. */
typedef struct cj_complex {
    double re, im;
} cj_complex;

/* ---- spectra ---- */

/* Keeps FFTW plans, made once per size, and scratch memory. Not for two threads at once. */
typedef struct cj_spectra cj_spectra;

CJ_API cj_spectra *cj_spectra_new(void); /* NULL: out of memory */
CJ_API void cj_spectra_free(cj_spectra *spectra);

/* X[k] = sum x[n] exp(-j 2 pi k n / N), k = 0..N/2 (N/2+1 values into out). x is not changed. */
CJ_API CJ_MUST_CHECK cj_status cj_spectrum(cj_spectra *spectra, const double *x, size_t n,
                                           cj_complex *out, cj_error *err);

/* The same for two real records at once (one complex transform of x + jy): 2/3 of the time of two. A value
 * that is small beside the other record's at the same frequency has that one's rounding, 1e-16 of it. */
CJ_API CJ_MUST_CHECK cj_status cj_spectrum_two(cj_spectra *spectra, const double *x, const double *y,
                                               size_t n, cj_complex *x_out, cj_complex *y_out,
                                               cj_error *err);

/*
 * What follows reads the plain (rectangular) spectrum X[0..n/2] of a record of n samples from which DC and
 * the tone were subtracted.
 */

/* Mean square of the record between two frequencies (cycles a sample). Parseval: bin k stands for
 * (k -+ 1/2)/n and counts twice but for k = 0 and n/2; bins on an edge count by the part inside. */
CJ_API double cj_band_power(const cj_complex *spectrum, size_t n, double low, double high);

/*
 * How coloured noise deviates at the tone's harmonics: ratio[k-1], k = 1..harmonics, is the mean power of the
 * bins within `reach` bins of k*tone over the mean power of all bins, bins closer than 1.5 to any of the
 * tone's harmonics (where the fit took the noise away) left out of both. 1 where fewer than 8 bins
 * remain. A line's uncertainty under coloured noise is its line_u times sqrt(ratio).
 */
CJ_API void cj_noise_near(const cj_complex *spectrum, size_t n, double tone, int harmonics, double reach,
                          double *ratio);

/* Adds the power of the bins under a Hann window: power[k] += 2/n^2 |sum of -X[k-1]/4 + X[k]/2 - X[k+1]/4|^2,
 * k = 1..n/2-1 (power has n/2+1 values). A line of peak A puts 3/16 A^2 into the bins about it; white noise of
 * density S (one-sided, mean square a hertz) 3/8 S rate/n into each. */
CJ_API void cj_hann_power(const cj_complex *spectrum, size_t n, double *power);

typedef struct cj_stray {
    double frequency;   /* of the strongest line, cycles a sample; 0: no bin left to look at */
    double peak;        /* its peak value */
    double peak_u;      /* from the floor */
    double floor;       /* peak value a line needs to stand out (1e-4 below) where the floor is highest */
    double false_alarm; /* probability that noise of the floor there shows a line as strong anywhere */
} cj_stray;

/*
 * The strongest line in the Hann power of `blocks` (1 or more) records of n samples, among the bins that
 * stand out of their floor and for which accounted(user, bin) is false; where none stands out, the
 * bin that does most. A bin stands out where white noise of its floor exceeds it anywhere with a
 * probability under 1e-4 (Chernoff bound of the gamma distribution, times the bins looked at), and as far out
 * of the three bins four to six away on either side: a slope is no line. The floor is the median of its group
 * of 64 bins over that of the gamma distribution (ln 2 for one block; Wilson and Hilferty's cube for more). Frequency by the ratio of the two largest bins of a Hann lobe (Rife and Vincent 1970, from memory).
 */
CJ_API void cj_strongest_line(const double *power, size_t n, size_t blocks,
                              bool (*accounted)(const void *user, double bin), const void *user,
                              cj_stray *out);

/* ---- weighting of noise ---- */

typedef enum cj_weighting {
    CJ_WEIGHTING_A,  /* IEC 61672-1, Annex E */
    CJ_WEIGHTING_468 /* ITU-R BS.468-4, Annex 1: the recommended network */
} cj_weighting;

/* Gain of the curve itself, 1 at 1 kHz; 0 at and below 0 Hz. */
CJ_API double cj_weighting_gain(cj_weighting weighting, double hz);

/* A digital filter that follows the curve: within 0.01 dB up to 0.45 of the rate, for rates from 4 kHz to
 * 10 MHz (CJ_USAGE outside); minimum phase but for the curve's own zeros. One record at a time. */
typedef struct cj_weighting_filter cj_weighting_filter;

CJ_API CJ_MUST_CHECK cj_status cj_weighting_filter_new(cj_weighting weighting, double rate_hz,
                                                       cj_weighting_filter **out, cj_error *err);
CJ_API void cj_weighting_filter_free(cj_weighting_filter *filter);
CJ_API double cj_weighting_filter_gain(const cj_weighting_filter *filter, double hz);
/* The next n samples of the record (no gaps) through the filter; out may be x. */
CJ_API void cj_weighting_filter_run(cj_weighting_filter *filter, const double *x, size_t n, double *out);
CJ_API void cj_weighting_filter_reset(cj_weighting_filter *filter); /* to rest */

/*
 * The quasi-peak meter of ITU-R BS.468-4 with its weighting network before it; a steady 1 kHz tone reads
 * its RMS. The Recommendation gives the readings of tone bursts (Tables 2 and 3; from memory), not a
 * circuit. Ours, with y the rectified weighted signal (interpolated to twice the rate below 80 kHz):
 *     a' = max(0, y - a)/1.4 ms - a/227 ms,   b' = (a - b)/(206 ms rising, 112 ms falling),
 *     p' = (0.49 a + 0.51 b - p)/3 ms,        p is the reading;
 * the time constants are the least-squares fit to those tables, which they keep within 0.7 % of full deflection.
 */
typedef struct cj_quasi_peak cj_quasi_peak;

typedef struct cj_quasi_peak_reading {
    double largest;         /* largest reading since the start */
    double mean, deviation; /* of the readings after the first second; 0 before */
    double seconds;         /* signal seen */
} cj_quasi_peak_reading;

/* channels: 1 or 2. Rates as for cj_weighting_filter_new. */
CJ_API CJ_MUST_CHECK cj_status cj_quasi_peak_new(double rate_hz, int channels, cj_quasi_peak **out,
                                                 cj_error *err);
CJ_API void cj_quasi_peak_free(cj_quasi_peak *meter);
/* The next n samples of each channel (no gaps, mean taken out). joined: they follow the samples added before;
 * else the network starts on them as if the record, turned over about its first sample, had come before, which
 * spares it a click; the meter stands where it stood. */
CJ_API void cj_quasi_peak_add(cj_quasi_peak *meter, const double *const x[], size_t n, bool joined);
CJ_API void cj_quasi_peak_read(const cj_quasi_peak *meter, int channel, cj_quasi_peak_reading *out);

/* ---- the tone fit: maximum likelihood, one frequency shared by all channels ---- */

#define CJ_TONE_CHANNELS 2

typedef struct cj_tone_options {
    double start;     /* frequency to start from; 0: the strongest line of the spectra */
    bool fixed;       /* keep the frequency exactly at start: linear fit only */
    int harmonics;    /* model harmonics 1..this; 0: decided as written above cj_tone_fit_make */
    bool close;       /* start is right to some parts per million (the next block of a stream): with
                         harmonics given, long blocks (a multiple of 1024 from 65536 samples up,
                         without gaps) are fitted in one pass; elsewhere no effect */
} cj_tone_options;

/* Covariance of a line's real and imaginary part. */
typedef struct cj_tone_noise {
    double re_re, re_im, im_im;
} cj_tone_noise;

typedef struct cj_tone_channel {
    double dc, dc_u;       /* mean of the model (DC term), and its standard uncertainty */
    cj_complex *line;      /* [harmonics] complex amplitude of harmonic k at [k-1], at the record's centre */
    double *line_u;        /* [harmonics] standard uncertainty of the real and of the imaginary part
                              (root mean of both variances), the frequency's share included */
    double *peak_u;        /* [harmonics] standard uncertainty of |line|, the frequency's share included */
    double *phase_u;       /* [harmonics] of arg line, radians; at most pi/sqrt(3), the whole circle */
    cj_complex *slope;     /* [harmonics] d line / d frequency along the fit: how an error of the frequency,
                              common to the channels, moves the line */
    cj_tone_noise *own;    /* [harmonics] covariance from the channel's own noise, frequency held */
    double residual;       /* variance of what the model leaves, divided by degrees of freedom */
    size_t valid;          /* samples that are no gaps */
} cj_tone_channel;

typedef struct cj_tone_fit {
    double frequency, frequency_u; /* cycles a sample; u 0 where it was fixed */
    int harmonics;
    int channels;
    size_t samples;
    bool converged;
    cj_tone_channel channel[CJ_TONE_CHANNELS];
} cj_tone_fit;

/*
 * The estimator, exactly, so that an independent program can be the same one.
 *
 * Model of channel c at its valid samples, t = n - (N-1)/2:
 *     x_c(t) = dc_c + sum over k = 1..H of Re( line_ck exp(j 2 pi k f t) ) + white noise of unknown variance,
 * f shared by the channels. It is the maximum-likelihood fit: f makes
 *     L_H(f) = sum over c of N_c ln( RSS_c(f) / N_c )
 * least, N_c the valid samples and RSS_c the residual sum of squares of the linear least-squares fit
 * of DC and lines at f (variable projection; IEEE Std 1057 sine fit generalised to harmonics, weights
 * N_c / RSS_c found with the fit). RSS_c counts no less than N_c (2^-53 rms_c)^2, what the rounding of
 * the samples makes. A channel whose samples less their mean have no more power than 1024 times that, or of
 * fewer than 6 valid samples, takes no part in finding f and H and gets lines of 0.
 *
 * Minimum: the one reached by Gauss-Newton steps from the start, a step taken back by halves where L
 * rises, to within 1e-4 of f's own uncertainty.
 *
 * Start, where none is given: the least L_1 on the grid i/M, 1/N <= i/M <= 1/2 - 1/(2N), M the first power of
 * two that is at least 4N (at least N, where 4N is over 2^19). Farther than 8/N from 0 and 1/2, the cross
 * products of the columns count as 0 there.
 *
 * Order H and frequency with `harmonics` given, P = f N the periods at the start:
 *   P >= 6: H = 1, then doubled up to the given number, each fit starting from the one before.
 *   P < 6:  the start is improved first, on the record thinned to the means of q = floor(N/512)
 *           neighbours where N >= 1024: the least L_H for the given H on the grid f + 0.05 i/N', |i| <= 12,
 *           f >= 1/N' (N' samples after thinning), then Gauss-Newton; then the whole record from there.
 *           (Where H is too many for the thinned record the start stands.)
 *   The given number counts as M (step 2 below), taken at the start, where it is more.
 * With `harmonics` 0 (P is that of the last f):
 *   1. P >= 6: fit H = 1. P < 6: on the thinned record fit H = 1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 15, ... (a quarter
 *      more each time, ending on the most that lie below 1/2 - 1/N', leave 3 degrees of freedom,
 *      and are no more than 64), H = 1, 2, 3, 5 and 10 from the best of the grid above, the others from the fit
 *      before, and keep the order of least L_H + sum over c of 2 H ln N_c (Schwarz's criterion).
 *   2. Extend, as long as something is found: let M be the most harmonics with M f <= 1/2 - 0.01/N,
 *      2 M + 3 <= every N_c, M <= 2048 and M <= max(10, 2^25/N). With r the residual and
 *      s_c^2 = RSS_c / (N_c - 2H - 1 - 1/channels), add up z_k = sum over c of |sum r exp(-j 2 pi k f t)|^2 /
 *      (N_c s_c^2) from k = M down to H+1 (channels with RSS_c under 1e4 times the rounding floor
 *      left out; C channels remain). The first k, from above, at which the total T of m = C (M-k+1)
 *      terms has T > m and T - m - m ln(T/m) > ln( (M-H) / 0.001 ) is significant (Chernoff bound
 *      of the gamma distribution white noise would give): H becomes min(k, 2H), fitted from the last f.
 *   3. P >= 6 and H < B, B = min(10, the most with B f <= 1/2 - 1/N): if the noise of B - H empty harmonics could
 *      hardly move f, sum over c, H < k <= B of 4 k^2 <= 0.01 sum over c, k <= H of N_c k^2 |line_ck|^2 / s_c^2,
 *      fit H = B (doubling on the way) and extend again.
 *   4. f stands. If P >= 3 and H < B still, lines and DC are fitted anew at f with H = B.
 *
 * Uncertainties: s_c^2 as above with the final H (and without the share of f where that was fixed);
 * with B the matrix of the columns, d_c = d model / d f, v_c = (B'B)^-1 B'd_c, all of the model that f was
 * settled with: var f = 1 / sum over c of (d_c'd_c - d_c'B v_c) / s_c^2; of the final model: cov(DC, lines of
 * c) = s_c^2 (B'B)^-1 + v_c v_c' var f. Over 128 harmonics the diagonal of (B'B)^-1 is taken as its limit for
 * very many: (P/N_c) ((1-p)/m + p/(m+1)) for DC, twice that for a line, m + p = P, m whole.
 *
 * Without any channel that carries a signal the fit is DC alone: frequency 0, one harmonic of 0, not converged.
 * CJ_DATA: fewer than 6 samples, or too few (too many gaps) for the harmonics asked for. CJ_USAGE: options out
 * of range. x[c] are the channels, n samples each; out is to be freed with cj_tone_fit_free.
 */
CJ_API CJ_MUST_CHECK cj_status cj_tone_fit_make(cj_spectra *spectra, const double *const x[], int channels,
                                                size_t n, const cj_tone_options *options,
                                                cj_tone_fit **out, cj_error *err);
CJ_API void cj_tone_fit_free(cj_tone_fit *fit);

/* Channel 2 against channel 1 at one harmonic. */
typedef struct cj_tone_ratio {
    double gain;    /* |line 2| / |line 1|; NaN where channel 1 has no line */
    double gain_u;  /* standard uncertainty relative to gain */
    double phase;   /* radians, positive where channel 2 leads, -pi < phase <= pi */
    double phase_u; /* radians */
} cj_tone_ratio;

/* Noise of the channels is independent; the error of the common frequency moves both lines and is taken in
 * with its sign (it cancels where both have the same shape). First order: holds where both lines
 * are several times their uncertainty. */
CJ_API void cj_tone_compare(const cj_tone_fit *fit, int harmonic, cj_tone_ratio *out);

typedef struct cj_presence {
    bool present;
    double snr;         /* power of the fundamental over the residual variance (everything but DC and lines) */
    double false_alarm; /* probability that white noise alone gives a line as strong, searched for over
                           all frequencies where the fit did so */
} cj_presence;

/*
 * Whether a channel's fundamental is more than noise: false_alarm under 1e-6. With z = |line|^2 / (var re +
 * var im) and nu degrees of freedom, white noise exceeds z with probability p = (1 + 2z/nu)^(-nu/2) (F
 * distribution) at one frequency, and at most N sqrt(pi z/12) p at the frequency that was sought out
 * (Baluev 2008, Mon. Not. R. Astron. Soc. 385, 1279: upcrossings of a periodogram over all frequencies; from
 * memory). In a joint fit the frequency counts as sought in the channel of the larger z alone.
 */
CJ_API void cj_tone_present(const cj_tone_fit *fit, int channel, cj_presence *out);

/* out[n] = x[n] minus the model's DC and its harmonics first..last (first > last: DC only). A gap gives 0.
 * out may be x. */
CJ_API void cj_tone_subtract(const cj_tone_fit *fit, int channel, const double *x, size_t n, int first,
                             int last, double *out);

/* ---- lines whose frequencies are given ---- */

typedef struct cj_line {
    cj_complex line; /* complex amplitude at the record's centre */
    double u;        /* standard uncertainty of its real and imaginary part (root mean of both variances) */
} cj_line;

/*
 * Least squares of DC-free lines at the given frequencies (0 < f < 0.5, two thirds of a bin or more
 * apart) on x. residual (may be NULL) is the variance they leave, over the degrees of freedom. CJ_DATA where
 * samples are too few or lines too close together. NaN samples are gaps.
 */
CJ_API CJ_MUST_CHECK cj_status cj_lines_fit(const double *x, size_t n, const double *frequencies,
                                            int count, cj_line *out, double *residual, cj_error *err);

typedef struct cj_mains_options {
    const double *nominal; /* cycles a sample: candidates, as 50 and 60 Hz over the rate */
    int nominals;
    double within;         /* relative deviation looked at to either side; 0: 0.01 */
    int harmonics;         /* lines k = 1..this, fewer where Nyquist is lower; 0: 20 */
    double tone;           /* 0, or the tone that was subtracted: lines within a bin of one of its
                              harmonics say nothing about the mains */
} cj_mains_options;

/*
 * Mains hum in residuals (DC and tone subtracted): the candidate and the frequency near it that make the
 * first lines 1..j (any j up to 6) stand out most in all channels together, on a grid of a sixteenth of a bin,
 * then refined on those lines as the tone fit is, and again with higher ones where they stand out there. *out is a fit as cj_tone_fit_make returns
 * (frequency and its u, lines and their u); *false_alarm is the probability that white noise alone gives lines
 * as strong (Chernoff bound of a gamma distribution, times the frequencies looked at). Under three
 * periods of the candidate the frequency is held at nominal; over a false alarm of 0.01, at the grid's best (its u is
 * 0 then, and the lines are what noise puts there). CJ_DATA where no candidate fits into the record.
 */
CJ_API CJ_MUST_CHECK cj_status cj_mains_fit(cj_spectra *spectra, const double *const x[], int channels,
                                            size_t n, const cj_mains_options *options,
                                            cj_tone_fit **out, double *false_alarm, cj_error *err);

/* ---- two tones and what they make of each other ---- */

#define CJ_PRODUCTS 30 /* lines m f1 + n f2 of orders |m| + |n| up to 5 */

typedef struct cj_two_tone_channel {
    double dc;
    cj_line line[CJ_PRODUCTS]; /* of the lines of the fit, in their order; u of white noise */
    double residual;           /* variance of what the model leaves, over the degrees of freedom */
    bool alive;                /* carries a signal */
} cj_two_tone_channel;

typedef struct cj_two_tone_fit {
    double frequency[2], frequency_u[2]; /* f1 < f2, cycles a sample */
    int count;                           /* lines fitted; the first two are the tones */
    int m[CJ_PRODUCTS], n[CJ_PRODUCTS];  /* line k lies at m[k] f1 + n[k] f2, which is positive */
    int channels;
    bool converged;
    cj_two_tone_channel channel[CJ_TONE_CHANNELS];
} cj_two_tone_fit;

/*
 * Joint least squares of DC and all lines m f1 + n f2, |m| + |n| <= 5, both frequencies shared by the channels
 * (weighted by the inverse of what the model leaves) and refined by Gauss-Newton steps on the tones' own lines
 * from start[0] < start[1], which must be right to half a bin. Lines below a bin, closer than a bin to
 * Nyquist, or closer than a bin to a line of lower order are left out. NaN samples are gaps. CJ_DATA: too few
 * samples, or tones that cannot be told apart.
 */
CJ_API CJ_MUST_CHECK cj_status cj_two_tone_fit_make(const double *const x[], int channels, size_t n,
                                                    const double start[2], cj_two_tone_fit *out,
                                                    cj_error *err);

/* Index of the line m f1 + n f2 (or of its mirror -m, -n); -1 where it was not fitted. */
CJ_API int cj_two_tone_line(const cj_two_tone_fit *fit, int m, int n);

/* ---- two channels without a tone ---- */

typedef struct cj_correlation {
    double peak;   /* normalised cross-correlation of largest size, with its sign: -1..1 */
    double lag;    /* samples; positive where y is later than x */
    double gain;   /* of y on x at lag 0 by regression: sum xy / sum xx; NaN where x is constant */
    double gain_u; /* standard uncertainty for white noise on y alone */
    double zero;   /* normalised cross-correlation at lag 0 */
} cj_correlation;

/*
 * Means are taken off, gaps (NaN) count as the mean. Lags up to `most` samples either way (0: a quarter of
 * the record), between samples by a parabola through the largest three. All zero where a channel is constant.
 */
CJ_API CJ_MUST_CHECK cj_status cj_correlate(cj_spectra *spectra, const double *x, const double *y, size_t n,
                                            size_t most, cj_correlation *out, cj_error *err);

/* ---- test signals: one definition, for those who write them and for those who analyse them ---- */

/* The one list of signals: enumerator, word. */
#define CJ_SIGNAL_LIST(X)                                                                          \
    X(CJ_SIG_SINE, "tone")                                                                         \
    X(CJ_SIG_STEPPED, "stepped")                                                                   \
    X(CJ_SIG_TWO_TONE, "two-tone")                                                                 \
    X(CJ_SIG_SWEEP, "sweep")                                                                       \
    X(CJ_SIG_SQUARE, "square")                                                                     \
    X(CJ_SIG_MLS, "mls")                                                                           \
    X(CJ_SIG_WHITE, "white")                                                                       \
    X(CJ_SIG_PINK, "pink")                                                                         \
    X(CJ_SIG_SILENCE, "silence")

typedef enum cj_signal {
#define CJ_SIGNAL_ENUM(name, word) name,
    CJ_SIGNAL_LIST(CJ_SIGNAL_ENUM)
#undef CJ_SIGNAL_ENUM
} cj_signal;

CJ_API const char *cj_signal_word(cj_signal signal);

/*
 * A test signal. Levels are volts or parts of full scale alike: whatever `peak` is in, the samples are in.
 * Fields that a signal does not name below are ignored. t runs from 0 at the first sample of the signal.
 *
 * tone       peak[0] sin(2 pi hz[0] t). Its length is rounded to whole periods (so are stepped and
 *            square; a two-tone to whole periods of hz[0]), so that it ends where it began.
 * stepped    the same with hz[0] at `steps` levels from from_v to to_v (peak, both > 0), each the same ratio
 *            above the one before, each for the whole periods nearest to seconds / steps; changes at zero crossings.
 * two-tone   the sum of both: hz[0] at peak[0] and hz[1] at peak[1].
 * sweep      see cj_sweep; hz from_hz to to_hz at peak[0], in about `seconds`.
 * square     +-peak[0] at hz[0], starting in the middle of a rising edge. Band-limited: each edge is the
 *            integral of a Gaussian of 1.366 samples standard deviation (10 to 90 % in 3.50 samples), monotone
 *            and so without any overshoot of its own, and what aliases is below -80 dB of the harmonic it came
 *            from. (Harmonics cut off at Nyquist would ring by 9 %, and overshoot is what a square is for; a
 *            square of whole samples would alias and jitter.) hz[0] at most rate / 20.
 * mls        +-peak[0], maximum-length sequence (Golomb 1967; a shift register): whole periods of 2^m - 1 samples,
 *            m the most, 3..20, of which three periods fit into `seconds`. A sequence starts at a place that
 *            the seed says.
 * white      Gaussian, standard deviation rms, cut at 4 rms (drawn anew: it stays white and its RMS is rms).
 * pink       1/f power: see cj_pink_deviation; RMS rms over the whole band up to half the rate, limited at 4.5 rms.
 * silence    zeros; no marker unless peak[0] > 0, which is then the marker's level.
 */
typedef struct cj_stimulus {
    cj_signal signal;
    double rate_hz, seconds;
    double hz[2], peak[2];
    double from_hz, to_hz; /* sweep */
    double from_v, to_v;   /* stepped */
    int steps;             /* stepped */
    double rms;            /* white, pink */
    unsigned seed;         /* white, pink, mls: the same seed gives the same samples */
    bool marker;           /* with head and tail, as cj_stimulus_layout has them */
} cj_stimulus;

/* How a stimulus lies in its file, in samples: 0 .. total-1. Without a marker head and tail are 0. */
typedef struct cj_layout {
    size_t marker; /* where the marker's first sample is: 100 ms of silence come before it */
    size_t start;  /* the signal's first sample: the marker's 80 ms and 100 ms of silence after `marker` */
    size_t length; /* of the signal */
    size_t total;  /* with the 100 ms of silence behind the signal */
} cj_layout;

/* CJ_USAGE: a field is out of range; the message says which and what would be right. */
CJ_API CJ_MUST_CHECK cj_status cj_stimulus_check(const cj_stimulus *stimulus, cj_error *err);
/* The same errors. */
CJ_API CJ_MUST_CHECK cj_status cj_stimulus_layout(const cj_stimulus *stimulus, cj_layout *out,
                                                  cj_error *err);
/* The largest |sample| there can be (two-tone: the sum of both; noise: the limit). It is the marker's level too, but for
 * noise, whose marker has twice its RMS. */
CJ_API double cj_stimulus_peak(const cj_stimulus *stimulus);

/*
 * The logarithmic sweep (Farina 2000, "Simultaneous measurement of impulse response and distortion with a
 * swept-sine technique", AES preprint 5093), phase-closed (Novak, Lotton, Simon 2015, "Synchronized swept-sine",
 * J. Audio Eng. Soc. 63; from memory):
 *     x(t) = peak sin(2 pi from L (exp(t/L) - 1)),   0 <= t <= T = L ln(to/from),
 * with L = round(from L0) / from, at least 1 / from, L0 = seconds / ln(to/from): from L is a whole number, so
 * that harmonic k is the sweep itself t_k = L ln k earlier, phase included. The frequency at t is from exp(t/L).
 * Fades lie outside 0..T: the same formula runs on from t = -lead, half an octave below `from`, and to T + trail, a quarter octave above `to` or to 0.49 of the rate where that is lower; raised cosines over these.
 * The first sample of the signal (cj_layout.start) is at t = -lead, sample n at t = n / rate - lead.
 */
typedef struct cj_sweep {
    double from_hz, to_hz, peak;
    double scale_s; /* L */
    double seconds; /* T, of from..to without the fades */
    double lead_s, trail_s;
} cj_sweep;

/* Of a stimulus that is a sweep. CJ_USAGE as cj_stimulus_check. */
CJ_API CJ_MUST_CHECK cj_status cj_sweep_make(const cj_stimulus *stimulus, cj_sweep *out, cj_error *err);
CJ_API double cj_sweep_turns(const cj_sweep *sweep, double t);     /* phase over 2 pi; 0 at t = 0 */
CJ_API double cj_sweep_frequency(const cj_sweep *sweep, double t); /* hertz */
CJ_API double cj_sweep_time(const cj_sweep *sweep, double hz);     /* t at which it passes hz */
CJ_API double cj_sweep_value(const cj_sweep *sweep, double t);     /* with the fades; 0 outside */

/* The samples of a stimulus file, in order, in blocks of any size; memory does not depend on the length. */
typedef struct cj_generator cj_generator;
CJ_API CJ_MUST_CHECK cj_status cj_generator_new(const cj_stimulus *stimulus, cj_generator **out,
                                                cj_error *err);
CJ_API void cj_generator_free(cj_generator *generator);
/* The next count samples into out; zeros behind the end. */
CJ_API void cj_generator_read(cj_generator *generator, size_t count, double *out);

/* Writes a stimulus as cj_audio_write does; the rate is the stimulus' own, format->full_scale in the unit of its
 * levels. CJ_USAGE: what cj_stimulus_check or cj_audio_check refuse, or a peak above full scale. */
CJ_API CJ_MUST_CHECK cj_status cj_stimulus_write(const char *path, const cj_stimulus *stimulus,
                                                 const cj_audio_format *format, cj_error *err);

/*
 * The marker: a linear chirp of 40 ms from 1 kHz up to 5 kHz and at once another down again (5 kHz: 0.2 of the rate
 * where that is lower; 1 kHz: a fifth of that where that is lower), each under a Hann window, cosine phase 0 at each
 * one's middle. With s = t + 20 ms, |s| < 20 ms:
 *     m(t) = peak cos^2(pi s / 0.04) cos(2 pi (fc s + k s^2 / 2)), fc the middle frequency, k the frequency's slope,
 * and with s = t - 20 ms the same with -k. t = 0 is 40 ms behind sample cj_layout.marker. (One chirp alone cannot tell
 * a late start from a slow clock; a pair can.)
 */
CJ_API double cj_marker_value(double rate_hz, double t); /* of peak 1 */

typedef struct cj_marker {
    bool found;
    double at, at_u;       /* the marker's centre, in samples of the record, a fraction included; standard uncertainty */
    double clock, clock_u; /* the recorder's rate over the player's (1.0001: 100 ppm more samples than were played) */
    double start, start_u; /* the signal's first sample, the clock's ratio reckoned with */
    double peak;  /* the marker's peak value, and its phase (radians; 0 or pi where the path is flat) */
    double phase;
    double match; /* correlation coefficient in the marker's band, 0..1: found from 0.5 on */
} cj_marker;

/*
 * Finds the first marker in a record (matched filter in blocks, then least squares of delay, clock ratio, level and
 * phase). NaN samples count as 0. Nothing found is no error. CJ_NOMEM; CJ_USAGE: a rate that is not positive.
 */
CJ_API CJ_MUST_CHECK cj_status cj_marker_find(cj_spectra *spectra, const double *x, size_t n,
                                              double rate_hz, cj_marker *out, cj_error *err);

/* By how much the pink noise's power times f lies above its mean from 20 Hz to 0.45 of the rate, in dB. */
CJ_API double cj_pink_deviation(double rate_hz, double hz);

#ifdef __cplusplus
}
#endif
#endif
