/* SPDX-License-Identifier: GPL-3.0-or-later */
/* residual.c - what the spectrum of a residual says: power in a band, colour, stray lines. */
#include "signal/internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define NEAR_HARMONIC 1.5
#define LEAST_BINS 8
#define GROUP 64  /* bins whose median is the floor */
#define SEEN 1e-4 /* false alarms that pass for a line */

static double power_at(const cj_complex *spectrum, size_t k)
{
    return spectrum[k].re * spectrum[k].re + spectrum[k].im * spectrum[k].im;
}

/* How often bin k stands for itself and its mirror image. */
static double count_of(size_t k, size_t n)
{
    return k == 0 || 2 * k == n ? 1.0 : 2.0;
}

/* Power of bin k that lies between from and to (in bins). DC and Nyquist have half a bin on this
 * side, which stands for all of theirs. */
static double power_inside(const cj_complex *spectrum, size_t n, size_t k, double from, double to)
{
    double left = k == 0 ? 0.0 : (double)k - 0.5;
    double right = 2 * k == n ? (double)k : (double)k + 0.5;
    double inside = (fmin(right, to) - fmax(left, from)) / (right - left);
    return inside > 0.0 ? inside * count_of(k, n) * power_at(spectrum, k) : 0.0;
}

double cj_band_power(const cj_complex *spectrum, size_t n, double low, double high)
{
    double size = (double)n, from = fmax(low, 0.0) * size, to = fmin(high, 0.5) * size, sum = 0.0;
    if (!(to > from))
        return 0.0;
    size_t first = (size_t)(from + 0.5), last = (size_t)fmin(to + 0.5, (double)(n / 2));
    sum += power_inside(spectrum, n, first, from, to);
    if (last > first)
        sum += power_inside(spectrum, n, last, from, to);
    /* the bins between lie inside whole; running sums that need not wait for each other */
    double lane[4] = {0.0, 0.0, 0.0, 0.0};
    size_t k = first + 1;
    for (; k + 4 <= last; k += 4)
        for (size_t i = 0; i < 4; i++)
            lane[i] += power_at(spectrum, k + i);
    for (; k < last; k++)
        lane[0] += power_at(spectrum, k);
    return (sum + 2.0 * (lane[0] + lane[1] + lane[2] + lane[3])) / (size * size);
}

static bool near_harmonic(double bin, double tone_bins)
{
    double nearest = tone_bins > 0.0 ? rint(bin / tone_bins) * tone_bins : 0.0;
    return fabs(bin - nearest) < NEAR_HARMONIC;
}

static double mean_between(const cj_complex *spectrum, size_t n, double from, double to,
                           double tone_bins, size_t *count)
{
    double sum = 0.0;
    *count = 0;
    size_t last = (n - 1) / 2;
    for (size_t k = (size_t)fmax(ceil(from), 1.0); k <= last && (double)k <= to; k++)
        if (!near_harmonic((double)k, tone_bins)) {
            sum += power_at(spectrum, k);
            ++*count;
        }
    return *count ? sum / (double)*count : 0.0;
}

void cj_noise_near(const cj_complex *spectrum, size_t n, double tone, int harmonics, double reach,
                   double *ratio)
{
    size_t all = 0, here = 0;
    double bins = tone * (double)n;
    double mean = mean_between(spectrum, n, 1.0, 0.5 * (double)n, bins, &all);
    for (int k = 1; k <= harmonics; k++) {
        double local = mean_between(spectrum, n, k * bins - reach, k * bins + reach, bins, &here);
        ratio[k - 1] = here >= LEAST_BINS && mean > 0.0 ? local / mean : 1.0;
    }
}

CJ__CLONES static void add_hann(const cj_complex *spectrum, size_t n, double *power)
{
    double scale = 2 / ((double)n * (double)n);
    for (size_t k = 1; k < n / 2; k++) {
        double re = spectrum[k].re / 2 - (spectrum[k - 1].re + spectrum[k + 1].re) / 4;
        double im = spectrum[k].im / 2 - (spectrum[k - 1].im + spectrum[k + 1].im) / 4;
        power[k] += scale * (re * re + im * im);
    }
}

void cj_hann_power(const cj_complex *spectrum, size_t n, double *power)
{
    add_hann(spectrum, n, power);
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Mean power of the bins from..to by their median, which lines among them do not move. */
static double floor_of(const double *power, size_t from, size_t to, size_t blocks)
{
    double sorted[GROUP], size = (double)blocks;
    memcpy(sorted, power + from, (to - from) * sizeof *power);
    qsort(sorted, to - from, sizeof *sorted, by_size);
    double share = blocks == 1 ? log(2.0) : pow(1 - 1 / (9 * size), 3);
    return sorted[(to - from) / 2] / share;
}

/* Minus the logarithm of the probability that noise exceeds its floor that many times. */
static double score_of(double over, size_t blocks)
{
    return over > 1 ? (double)blocks * (over - 1 - log(over)) : 0;
}

/* The inverse, by Newton's steps from above: the score is convex in `over`. */
static double over_of(double score, size_t blocks)
{
    double want = score / (double)blocks, over = 2 + 2 * want + sqrt(2 * want);
    for (int i = 0; i < 40; i++)
        over -= (over - 1 - log(over) - want) / (1 - 1 / over);
    return over;
}

/* Frequency and level of the lobe about bin k. */
static void measure_line(const double *power, size_t n, size_t blocks, size_t k, cj_stray *out)
{
    size_t beside = power[k + 1] > power[k - 1] ? k + 1 : k - 1;
    double ratio = sqrt(power[beside] / power[k]), off = fmax(0, (2 * ratio - 1) / (1 + ratio));
    out->frequency = ((double)k + (beside > k ? off : -off)) / (double)n;
    /* the lobe of a Hann window, its middle 1/2: sinc(off) / (1 - off^2) of it remains at k */
    double angle = 0.5 * CJ__TWO_PI * off, kept = angle > 0 ? sin(angle) / angle : 1;
    kept /= 1 - off * off;
    out->peak = 2 * sqrt(2 * power[k] / (double)blocks) / kept;
}

/* Mean of the three bins four to six away, on the side where it is larger: a slope of the floor is
 * no line. */
static double sides_of(const double *power, size_t last, size_t k)
{
    double low = 0, high = 0;
    size_t lows = 0, highs = 0;
    for (size_t d = 4; d <= 6; d++) {
        if (k > d) {
            low += power[k - d];
            lows++;
        }
        if (k + d < last) {
            high += power[k + d];
            highs++;
        }
    }
    return fmax(lows ? low / (double)lows : 0, highs ? high / (double)highs : 0);
}

struct best_bin {
    size_t at;
    double floor, score;
};

void cj_strongest_line(const double *power, size_t n, size_t blocks,
                       bool (*accounted)(const void *user, double bin), const void *user,
                       cj_stray *out)
{
    *out = (cj_stray){.false_alarm = 1.0};
    size_t last = n / 2;
    double enough = log((double)n / 2 / SEEN), highest = 0;
    struct best_bin best = {0};
    for (size_t from = 1; from < last; from += GROUP) {
        size_t to = from + GROUP < last ? from + GROUP : last;
        /* the last group reaches back for its floor */
        double floor = floor_of(power, to > GROUP ? to - GROUP : 1, to, blocks);
        highest = fmax(highest, floor);
        for (size_t k = from; k < to; k++) {
            double score = floor > 0 ? score_of(power[k] / floor, blocks) : power[k] > 0 ? 1e9 : 0;
            if (score > enough && score_of(power[k] / sides_of(power, last, k), blocks) < enough)
                continue;
            bool seen = score > enough && best.score > enough;
            bool better = seen ? power[k] > power[best.at] : score > best.score;
            if ((better || best.at == 0) && !accounted(user, (double)k))
                best = (struct best_bin){k, floor, score};
        }
    }
    /* half-way between two bins the larger one has 0.85 of the lobe's height */
    out->floor = 2 * sqrt(2 * highest * over_of(enough, blocks) / (double)blocks) / 0.85;
    if (best.at == 0)
        return;
    measure_line(power, n, blocks, best.at, out);
    out->peak_u = 2 * sqrt(best.floor) / (double)blocks;
    out->false_alarm = fmin(1, (double)n / 2 * exp(-best.score));
}
