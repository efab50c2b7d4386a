/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Noise as the ear weighs it. A-weighting and density are read from the Hann power of the residual,
 * bin by bin with the curve's exact gain; the quasi-peak meter of BS.468 runs over the residual
 * itself, block after block.
 */
#include "figures/spectral.h"
#include "figures/work.h"

#include <math.h>

#define HANN_SQUARE 0.375 /* mean square of the window */
#define HANN_SHARED                                                                                \
    (35 / 18.)  /* variance of a sum of bins, which share noise, over that of                      \
                   independent ones: 1 + 2 ((2/3)^2 + (1/6)^2) */
#define LINE 12 /* times the floor: what stands out so far is no noise */
#define DENSITY_HZ 1000.0
#define FEWEST_BINS 8

/* ---- from the spectrum ---- */

/* Power of bin k; where the fit of the tone took the noise with it, that of the bins beside. */
static double mended(const cj__spectral *s, const struct cj__owners *of, size_t k)
{
    size_t last = s->n / 2;
    if (!cj__of_tone(of, (double)k))
        return s->power[k];
    double sum = 0;
    int count = 0;
    for (int side = -1; side <= 1; side += 2) {
        size_t from = k, steps = 0, most = (size_t)(4 * of->beside);
        while (steps < most && from > 1 && from + 1 < last && cj__of_tone(of, (double)from)) {
            from = side < 0 ? from - 1 : from + 1;
            steps++;
        }
        if (cj__of_tone(of, (double)from))
            continue;
        sum += s->power[from];
        count++;
    }
    return count ? sum / count : s->power[k];
}

/* A curve's gains squared, bin after bin, less what the window's width adds where the gain bends: a
 * Hann lobe is 1/3 bin^2 wide (second moment of its power). */
struct curve {
    cj_weighting weighting;
    double hz;                 /* of a bin */
    double below, here, above; /* at the bin before, at bin, at the one after */
    double bin;
};

static double square_of_gain(const struct curve *curve, double bin)
{
    double gain = cj_weighting_gain(curve->weighting, bin * curve->hz);
    return gain * gain;
}

static double next_gain(struct curve *curve, double bin)
{
    bool next = bin == curve->bin + 1;
    curve->below = next ? curve->here : square_of_gain(curve, bin - 1);
    curve->here = next ? curve->above : square_of_gain(curve, bin);
    curve->above = square_of_gain(curve, bin + 1);
    curve->bin = bin;
    return fmax(0, curve->here - (curve->below + curve->above - 2 * curve->here) / 6);
}

static void weigh_band(const cj__spectral *s, const struct cj__owners *of, const double band[2],
                       cj__noise *noise)
{
    double n = (double)s->n, hz = of->all->about->rate_hz / n, blocks = (double)s->blocks;
    double low = fmax(0.5, band[0] * n), high = fmin(n / 2 - 0.5, band[1] * n), floor = INFINITY;
    double sum = 0, other = 0, white = 0, other_white = 0, variance = 0;
    struct curve a = {.weighting = CJ_WEIGHTING_A, .hz = hz};
    struct curve q = {.weighting = CJ_WEIGHTING_468, .hz = hz};
    for (size_t k = 1; (double)k < high + 0.5 && k < s->n / 2; k++) {
        double inside = fmin(high, (double)k + 0.5) - fmax(low, (double)k - 0.5);
        if (!(inside > 0))
            continue;
        double gain = inside * next_gain(&a, (double)k), q_gain = inside * next_gain(&q, (double)k);
        double power = mended(s, of, k) / blocks;
        sum += gain * power;
        white += gain / (high - low);
        other += q_gain * power;
        other_white += q_gain / (high - low);
        /* the floor follows the bins slowly; a line's own power does not scatter, but by the noise
         * under it */
        floor = isinf(floor) ? power : floor + 0.05 * (fmin(power, 4 * floor) - floor);
        bool line = power > LINE * floor;
        variance += gain * gain * (line ? 2 * power * floor : power * power / (1 + 1 / blocks));
    }
    noise->a_square = sum / HANN_SQUARE;
    noise->a_square_u = sqrt(variance * HANN_SHARED / blocks) / HANN_SQUARE;
    noise->a_of_white = white;
    noise->q_square = other / HANN_SQUARE;
    noise->q_of_white = other_white;
}

/* Mean density of the third octave about 1 kHz, lines left out. */
static void measure_density(const cj__spectral *s, const struct cj__owners *of, cj__noise *noise)
{
    double n = (double)s->n, hz = of->all->about->rate_hz / n, blocks = (double)s->blocks, sum = 0;
    double half = pow(10, 0.05), first = ceil(DENSITY_HZ / half / hz);
    size_t count = 0;
    for (double k = fmax(first, 1); k <= DENSITY_HZ * half / hz && k < n / 2; k++)
        if (!cj__of_tone(of, k) && !cj__of_mains(of, k)) {
            sum += s->power[(size_t)k] / blocks;
            count++;
        }
    if (count < FEWEST_BINS || DENSITY_HZ * half / hz >= n / 2)
        return;
    noise->density_square = sum / (double)count / HANN_SQUARE / hz;
    noise->density_square_u = noise->density_square * sqrt(HANN_SHARED / ((double)count * blocks));
}

void cj__weigh_spectrum(const cj__spectral *s, const struct cj__owners *of, const double band[2],
                        cj__noise *noise)
{
    if (!(of->all->about->rate_hz > 0))
        return;
    weigh_band(s, of, band, noise);
    measure_density(s, of, noise);
    if (s->seen_square > 0 && s->all > s->seen) {
        double more = s->all_square / s->all / (s->seen_square / s->seen);
        noise->a_square *= more;
        noise->a_square_u *= more;
        noise->q_square *= more;
        noise->density_square *= more;
        noise->density_square_u *= more;
    }
}

/* ---- the meter over the record ---- */

#define METER_S 1.0 /* the pointer needs that long to come up */
/* In a long record with a tone the meter sees runs of RUN blocks in every EVERY: its readings, and
 * not the tone's, are the costly ones there. */
#define RUN 8
#define EVERY 64

cj_status cj__meter_start(struct cj__work *w, cj_error *err)
{
    const cj__analysis *all = w->all;
    double rate = all->about->rate_hz;
    if (!(rate >= 8000) || rate > 10e6 || (double)all->samples < METER_S * rate ||
        all->about->envelope)
        return CJ_OK; /* no meter: the figure says why */
    for (int c = 0; c < all->channels; c++)
        if ((w->weigh[c] = cj_new(w->room, sizeof(double))) == NULL)
            return cj_fail_memory(err);
    return cj_quasi_peak_new(rate, all->channels, &w->meter, err);
}

void cj__meter_stop(struct cj__work *w)
{
    cj_quasi_peak_free(w->meter);
    for (int c = 0; c < 2; c++)
        cj_free(w->weigh[c]);
}

/* What is noise of a block (DC and harmonics 1..10 out) into w->weigh, without steps of the level
 * that is taken for DC from block to block. */
static void noise_of_block(struct cj__work *w, int c, size_t n, const cj_tone_fit *fit)
{
    double *out = w->weigh[c], dc = fit ? fit->channel[c].dc : cj__level_mean(&w->all->level[c]);
    if (!w->metered)
        w->meter_dc[c] = dc;
    double step = dc - w->meter_dc[c];
    const double *left = w->left[c];
    bool upper = fit && fit->harmonics > CJ__THD_HARMONICS;
    if (upper)
        cj_tone_subtract(fit, c, w->x[c], n, 1, CJ__THD_HARMONICS, out);
    for (size_t i = 0; i < n; i++) {
        double rest = upper ? out[i] : left[i];
        out[i] = left[i] == 0 ? 0 : rest + step; /* 0: a gap, or the tone was lost */
    }
}

void cj__meter_add(struct cj__work *w, size_t start, size_t n, const cj_tone_fit *fit)
{
    size_t blocks = cj__block_count(w), index = start / w->block;
    if (w->meter == NULL || (fit && blocks > CJ__SPARSE && index % EVERY >= RUN))
        return;
    for (int c = 0; c < w->all->channels; c++)
        noise_of_block(w, c, n, fit);
    const double *const x[2] = {w->weigh[0], w->weigh[1]};
    cj_quasi_peak_add(w->meter, x, n, w->metered && w->meter_next == start);
    w->meter_next = start + n;
    w->metered = true;
}

/*
 * The figure is the largest reading. Of k independent ones it scatters by pi/sqrt(6)/sqrt(2 ln k)
 * of their own deviation (Gumbel's limit for normal deviates), never by more than that; the pointer
 * forgets a reading in some 0.2 s.
 */
void cj__meter_finish(const struct cj__work *w, int c, cj__noise *noise)
{
    if (w->meter == NULL || !w->metered)
        return;
    cj_quasi_peak_reading reading;
    cj_quasi_peak_read(w->meter, c, &reading);
    double independent = (reading.seconds - METER_S) / 0.2;
    double share = independent > 3 ? M_PI / sqrt(6) / sqrt(2 * log(independent)) : 1;
    noise->meter_seen = true;
    noise->meter = reading.largest;
    noise->meter_u = fmin(1, share) * reading.deviation;
}
