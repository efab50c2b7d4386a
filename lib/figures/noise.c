/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a channel holds beside its tone: noise in the band, and the strongest line that has no
 * business there. Sums over blocks; frequencies in cycles a sample. */
#include "figures/internal.h"

#include "base/clones.h"

#include <math.h>
#include <stdlib.h>

#define GROUP 64 /* bins whose median is the local floor */

struct cj__spectral {
    size_t n; /* block length of the summed spectrum */
    size_t blocks;
    double *power; /* [n/2+1] mean-square density a bin, Hann-windowed, summed over the blocks */
    double band_square, band_bins, weight;
    double seen_square,
        seen;               /* sum of squares and samples of the blocks whose spectrum was taken */
    double all_square, all; /* and of all blocks */
};

cj__spectral *cj__spectral_new(size_t n)
{
    cj__spectral *spectral = cj_new(1, sizeof *spectral);
    if (spectral == NULL)
        return NULL;
    spectral->n = n;
    spectral->power = cj_new(n / 2 + 1, sizeof(double));
    if (spectral->power == NULL) {
        cj__spectral_free(spectral);
        return NULL;
    }
    return spectral;
}

void cj__spectral_free(cj__spectral *spectral)
{
    if (spectral == NULL)
        return;
    cj_free(spectral->power);
    cj_free(spectral);
}

static double square_of(cj_complex a)
{
    return a.re * a.re + a.im * a.im;
}

static double power_of_bin(const cj_complex *bins, size_t n, size_t k)
{
    return (k == 0 || 2 * k == n ? 1 : 2) * square_of(bins[k]);
}

/* Takes the bins at the fitted lines out of the sum; returns how many bins' worth of noise went
 * with them. */
static double leave_out_lines(const cj_complex *bins, size_t n, const double edge[2],
                              const cj__lines *lines, double *sum)
{
    double gone = 0;
    for (int h = 1; h <= lines->harmonics; h++) {
        double centre = h * lines->frequency * (double)n;
        if (centre < edge[0] || centre > edge[1])
            continue;
        if (lines->beside == 0)
            gone += 1; /* the fit took one complex line's worth */
        for (int d = -lines->beside; lines->beside > 0 && d <= lines->beside; d++) {
            double k = nearbyint(centre) + d;
            if (k < edge[0] + 1 || k > edge[1] - 1)
                continue;
            *sum -= power_of_bin(bins, n, (size_t)k);
            gone += 1;
        }
    }
    return gone;
}

/*
 * Mean square inside the band by Parseval, edge bins in part. The fit took complex lines out of the
 * band, and the noise under them with it: the rest stands for it.
 */
static void add_band(cj__spectral *s, const cj_complex *bins, size_t n, const double band[2],
                     const cj__lines *lines)
{
    double edge[2] = {fmax(0, band[0] * (double)n), fmin(0.5, band[1]) * (double)n};
    double sum =
        cj_band_power(bins, n, edge[0] / (double)n, edge[1] / (double)n) * (double)n * (double)n;
    double wide = edge[1] - edge[0];
    if (wide < 1)
        return; /* not one bin: nothing can be said of this band */
    double left = wide - leave_out_lines(bins, n, edge, lines, &sum);
    double factor = left > wide / 4 ? wide / left : 1;
    s->band_square += factor * fmax(0, sum) / (double)n;
    s->band_bins += fmax(1, left);
    s->weight += (double)n;
}

/* Adds the Hann-windowed power: windowing is a convolution with (-1/4, 1/2, -1/4) of the bins. */
CJ__CLONES static void add_power(cj__spectral *s, const cj_complex *bins)
{
    size_t last = s->n / 2;
    double scale = 2 / ((double)s->n * (double)s->n);
    for (size_t k = 1; k < last; k++) {
        double re = bins[k].re / 2 - (bins[k - 1].re + bins[k + 1].re) / 4;
        double im = bins[k].im / 2 - (bins[k - 1].im + bins[k + 1].im) / 4;
        s->power[k] += scale * (re * re + im * im);
    }
    s->blocks++;
}

double cj__sum_of_squares(const double *x, size_t n)
{
    double lane[4] = {0};
    size_t i = 0;
    for (; i + 4 <= n; i += 4)
        for (size_t k = 0; k < 4; k++)
            lane[k] += x[i + k] * x[i + k];
    for (; i < n; i++)
        lane[0] += x[i] * x[i];
    return lane[0] + lane[1] + lane[2] + lane[3];
}

void cj__spectral_level(cj__spectral *s, double square, size_t n, bool spectrum_taken)
{
    s->all_square += square;
    s->all += (double)n;
    if (spectrum_taken) {
        s->seen_square += square;
        s->seen += (double)n;
    }
}

void cj__spectral_add(cj__spectral *s, const cj_complex *bins, size_t n, const double band[2],
                      const cj__lines *lines)
{
    add_band(s, bins, n, band, lines);
    if (n == s->n)
        add_power(s, bins);
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double median_of_group(const double *power, size_t from, size_t to)
{
    double sorted[GROUP];
    size_t count = 0;
    for (size_t k = from; k < to && count < GROUP; k++)
        sorted[count++] = power[k];
    qsort(sorted, count, sizeof sorted[0], by_size);
    return count ? sorted[count / 2] : 0;
}

static bool near_multiple(double bin, double base, int most, double margin)
{
    if (!(base > 0))
        return false;
    double order = nearbyint(bin / base);
    return order >= 1 && order <= most && fabs(bin - order * base) <= margin;
}

static bool accounted_for(const cj__analysis *all, const cj__noise *noise, double bin, double n)
{
    double tone = all->tone.present ? all->tone.frequency * n : 0;
    /* harmonics beyond the fitted ones are distortion too; those beyond Nyquist fold back */
    double folded = tone > 0 ? fabs(remainder(ceil(n / 2 / tone) * tone, n)) : 0;
    double rate = all->about->rate_hz;
    double mains = noise->hum_seen && rate > 0 ? noise->hum_hz / rate * n : 0;
    return bin < 3 || near_multiple(bin, tone, 1 << 20, 3) ||
           (tone > 0 && fabs(bin - folded) <= 3) ||
           near_multiple(bin, mains, 40, 3 + 0.5 * n / fmax(rate, 1));
}

/* The strongest bin above its floor that nothing accounts for; 0: none. *floor is what the
 * strongest would have needed. */
static size_t find_stray(const cj__spectral *s, const cj__analysis *all, cj__noise *noise)
{
    size_t last = s->n / 2, best = 0;
    /* exponential bins over their median: chance of a false line below 1e-4 for 1e6 bins; fewer for
     * sums */
    double factor = 1.44 * (1 + 26 / sqrt((double)s->blocks));
    double highest_floor = 0;
    for (size_t from = 1; from < last; from += GROUP) {
        size_t to = from + GROUP < last ? from + GROUP : last;
        double floor = factor * median_of_group(s->power, from, to);
        highest_floor = fmax(highest_floor, floor);
        for (size_t k = from; k < to; k++)
            if (s->power[k] > floor && (best == 0 || s->power[k] > s->power[best]) &&
                !accounted_for(all, noise, (double)k, (double)s->n))
                best = k;
    }
    /* 0.375 / 4 of a line's square lands in the bins around it, at least half of that in the
     * largest */
    noise->stray_floor = sqrt(highest_floor / (double)s->blocks / (0.5 * 0.375 / 2));
    return best;
}

static void measure_stray(const cj__spectral *s, size_t peak, cj__noise *noise)
{
    double sum = 0, moment = 0;
    size_t from = peak > 3 ? peak - 2 : 1, to = peak + 2 < s->n / 2 ? peak + 2 : s->n / 2 - 1;
    for (size_t k = from; k <= to; k++) {
        sum += s->power[k];
        moment += s->power[k] * (double)k;
    }
    noise->stray_seen = true;
    noise->stray_hz = moment / sum / (double)s->n;
    /* 2/N^2 |y|^2 summed over the lobe is A^2/2 times 0.375 */
    noise->stray_peak = sqrt(sum / (double)s->blocks / 0.375 * 2);
    noise->stray_u = 0.05 * noise->stray_peak;
}

static double flatness(const cj__spectral *s, const double band[2])
{
    size_t first = (size_t)fmax(3, ceil(band[0] * (double)s->n));
    size_t last = (size_t)fmin((double)(s->n / 2), floor(band[1] * (double)s->n));
    double logs = 0, sum = 0;
    size_t count = 0;
    for (size_t k = first; k < last; k++) {
        if (!(s->power[k] > 0))
            continue;
        logs += log(s->power[k]);
        sum += s->power[k];
        count++;
    }
    return count > 4 ? exp(logs / (double)count) / (sum / (double)count) : 1;
}

void cj__spectral_finish(const cj__spectral *s, const cj__analysis *all, const double band[2],
                         cj__noise *noise)
{
    if (s->weight > 0)
        noise->band_square = s->band_square / s->weight;
    /* the spectra tell the band's share of the residual, all blocks tell the residual */
    if (s->seen_square > 0 && s->all > s->seen)
        noise->band_square *= s->all_square / s->all / (s->seen_square / s->seen);
    noise->band_bins = s->band_bins;
    noise->flatness = 1;
    if (s->blocks == 0 || s->n < 256)
        return;
    noise->flatness = flatness(s, band);
    size_t stray = find_stray(s, all, noise);
    if (stray > 0)
        measure_stray(s, stray, noise);
}

/* Mean power of the bins beside the tone (one to four bins off), from one block's residual
 * spectrum. */
double cj__beside(const cj_complex *bins, size_t n, double frequency)
{
    double sum = 0, centre = frequency * (double)n;
    int count = 0;
    for (int d = -4; d <= 4; d++) {
        double k = nearbyint(centre) + d;
        if (abs(d) < 1 || k < 1 || k >= (double)(n / 2))
            continue;
        sum += 2 * square_of(bins[(size_t)k]) / ((double)n * (double)n);
        count++;
    }
    return count ? sum / count : 0;
}
