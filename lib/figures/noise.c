/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a channel holds beside its tone: noise in the band, and the strongest line that has no
 * business there. Sums over blocks; frequencies in cycles a sample. */
#include "figures/spectral.h"

#include "base/clones.h"

#include <math.h>
#include <stdlib.h>

#define STRAY 1e-4 /* false alarms that pass for a line */

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
    if (n == s->n) {
        cj_hann_power(bins, n, s->power);
        s->blocks++;
    }
}

static bool near_multiple(double bin, double base, int most, double margin)
{
    if (!(base > 0))
        return false;
    double order = nearbyint(bin / base);
    return order >= 1 && order <= most && fabs(bin - order * base) <= margin;
}

struct cj__owners cj__owners_of(const cj__spectral *s, const cj__analysis *all,
                                const cj__noise *noise)
{
    double n = (double)s->n, rate = all->about->rate_hz;
    return (struct cj__owners){.all = all,
                               .noise = noise,
                               .n = n,
                               .tone = all->tone.present ? all->tone.frequency * n : 0,
                               .mains = noise->hum_seen && rate > 0 ? noise->hum_hz / rate * n : 0,
                               .side = noise->side_seen ? noise->mains_hz / rate * n : 0,
                               .beside = s->blocks > 1 ? 6 : 3};
}

bool cj__of_tone(const struct cj__owners *of, double bin)
{
    /* harmonics beyond the fitted ones are distortion too; those beyond Nyquist fold back */
    double tone = of->tone, half = of->n / 2;
    double folded = tone > 0 ? fabs(remainder(ceil(half / tone) * tone, of->n)) : 0;
    return near_multiple(bin, tone, 1 << 20, of->beside) ||
           (tone > 0 && fabs(bin - folded) <= of->beside);
}

bool cj__of_mains(const struct cj__owners *of, double bin)
{
    double margin = 3 + 0.5 * of->n / fmax(of->all->about->rate_hz, 1);
    return near_multiple(bin, of->mains, 40, margin);
}

static bool accounted_for(const void *user, double bin)
{
    const struct cj__owners *of = user;
    double off = of->tone > 0 ? fabs(bin - nearbyint(bin / of->tone) * of->tone) : 0;
    return bin < 3 || cj__of_tone(of, bin) || cj__of_mains(of, bin) ||
           near_multiple(off, of->side, 8, of->beside);
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
    struct cj__owners owners = cj__owners_of(s, all, noise);
    if (s->blocks == 0 || s->n < 256)
        return;
    noise->flatness = flatness(s, band);
    cj__weigh_spectrum(s, &owners, band, noise);
    cj_stray stray;
    cj_strongest_line(s->power, s->n, s->blocks, accounted_for, &owners, &stray);
    noise->stray_seen = stray.false_alarm < STRAY;
    noise->stray_hz = stray.frequency;
    noise->stray_peak = stray.peak;
    noise->stray_u = stray.peak_u;
    noise->stray_floor = stray.floor;
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
