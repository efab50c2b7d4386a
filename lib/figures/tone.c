/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The tone of a record from the fits of its blocks (one block: the fit itself). */
#include "figures/internal.h"

#include <math.h>
#include <string.h>

struct channel_sums {
    cj_complex *line;  /* weighted sum of rotated lines */
    double *line_u_sq; /* weighted sum of u squared (weights squared) */
    double magnitude;  /* weighted sum of |fundamental| */
    double peak_u_sq;
    double dc, dc_u_sq;
    double residual;
};

struct block_phase {
    double centre; /* sample index */
    double phase, phase_u;
    double frequency, frequency_u, weight;
};

struct cj__tone_sums {
    int channels, harmonics, reference;
    double weight;
    struct channel_sums channel[2];
    cj_complex product;           /* weighted sum of a2 conj(a1) */
    double square;                /* weighted sum of |a1|^2 */
    double gain_u_sq, phase_u_sq; /* weighted (squared) sums for the ratio, relative */
    struct block_phase *blocks;
    size_t count, capacity;
};

cj__tone_sums *cj__tone_sums_new(int channels, int harmonics, int reference)
{
    cj__tone_sums *sums = cj_new(1, sizeof *sums);
    if (sums == NULL)
        return NULL;
    sums->channels = channels;
    sums->harmonics = harmonics;
    sums->reference = reference;
    for (int c = 0; c < channels; c++) {
        sums->channel[c].line = cj_new((size_t)harmonics, sizeof(cj_complex));
        sums->channel[c].line_u_sq = cj_new((size_t)harmonics, sizeof(double));
        if (!sums->channel[c].line || !sums->channel[c].line_u_sq) {
            cj__tone_sums_free(sums);
            return NULL;
        }
    }
    return sums;
}

void cj__tone_sums_free(cj__tone_sums *sums)
{
    if (sums == NULL)
        return;
    for (int c = 0; c < 2; c++) {
        cj_free(sums->channel[c].line);
        cj_free(sums->channel[c].line_u_sq);
    }
    cj_free(sums->blocks);
    cj_free(sums);
}

static double magnitude(cj_complex a)
{
    return hypot(a.re, a.im);
}

static cj_complex rotated(cj_complex a, double angle)
{
    double c = cos(angle), s = sin(angle);
    return (cj_complex){a.re * c - a.im * s, a.re * s + a.im * c};
}

static void add_channel(struct channel_sums *sums, const cj_tone_channel *channel, int harmonics,
                        double phase, double weight)
{
    for (int k = 0; k < harmonics; k++) {
        cj_complex line = rotated(channel->line[k], -phase * (k + 1));
        sums->line[k].re += weight * line.re;
        sums->line[k].im += weight * line.im;
        sums->line_u_sq[k] += weight * weight * channel->line_u[k] * channel->line_u[k];
    }
    sums->magnitude += weight * magnitude(channel->line[0]);
    sums->peak_u_sq += weight * weight * channel->peak_u[0] * channel->peak_u[0];
    sums->dc += weight * channel->dc;
    sums->dc_u_sq += weight * weight * channel->dc_u * channel->dc_u;
    sums->residual += weight * channel->residual;
}

static void add_ratio(cj__tone_sums *sums, const cj_tone_fit *fit, double weight)
{
    cj_complex a1 = fit->channel[0].line[0], a2 = fit->channel[1].line[0];
    sums->product.re += weight * (a2.re * a1.re + a2.im * a1.im);
    sums->product.im += weight * (a2.im * a1.re - a2.re * a1.im);
    sums->square += weight * (a1.re * a1.re + a1.im * a1.im);
    cj_tone_ratio ratio;
    cj_tone_compare(fit, 1, &ratio);
    if (!isfinite(ratio.gain_u) || !isfinite(ratio.phase_u))
        return;
    sums->gain_u_sq += weight * weight * ratio.gain_u * ratio.gain_u;
    sums->phase_u_sq += weight * weight * ratio.phase_u * ratio.phase_u;
}

cj_status cj__tone_sums_add(cj__tone_sums *sums, const cj_tone_fit *fit, size_t start)
{
    if (!cj_reserve((void **)&sums->blocks, &sums->capacity, sums->count, sizeof *sums->blocks))
        return CJ_NOMEM;
    const cj_tone_channel *reference = &fit->channel[sums->reference];
    double weight = (double)fit->samples;
    double phase = atan2(reference->line[0].im, reference->line[0].re);
    sums->blocks[sums->count++] = (struct block_phase){
        .centre = (double)start + ((double)fit->samples - 1) / 2,
        .phase = phase,
        .phase_u = reference->phase_u[0],
        .frequency = fit->frequency,
        .frequency_u = fit->frequency_u,
        .weight = weight,
    };
    int harmonics = fit->harmonics < sums->harmonics ? fit->harmonics : sums->harmonics;
    for (int c = 0; c < sums->channels; c++)
        add_channel(&sums->channel[c], &fit->channel[c], harmonics, phase, weight);
    if (sums->channels == 2)
        add_ratio(sums, fit, weight);
    sums->weight += weight;
    return CJ_OK;
}

/* Phases of neighbouring blocks differ by whole turns that the blocks' own frequencies fix. */
static void unwrap(struct block_phase *blocks, size_t count, double frequency)
{
    double first = blocks[0].phase;
    blocks[0].phase = 0;
    for (size_t i = 1; i < count; i++) {
        double turns = frequency * (blocks[i].centre - blocks[0].centre);
        double drift = remainder(blocks[i].phase - first - 2 * M_PI * turns, 2 * M_PI);
        /* a slow drift may add up to more than half a turn: follow it from block to block */
        blocks[i].phase = blocks[i - 1].phase + remainder(drift - blocks[i - 1].phase, 2 * M_PI);
    }
}

/* Least-squares line through the phases; fills the frequency, its u, and whether a line is all
 * there is. */
static void frequency_of_blocks(struct block_phase *blocks, size_t count, cj__tone *tone)
{
    double mean = 0, weight = 0, phase_u = 0;
    for (size_t i = 0; i < count; i++) {
        mean += blocks[i].weight * blocks[i].frequency;
        weight += blocks[i].weight;
        phase_u += blocks[i].phase_u / (double)count;
    }
    mean /= weight;
    tone->frequency = mean;
    tone->frequency_u = blocks[0].frequency_u;
    tone->steady = true;
    if (count < 2)
        return;
    unwrap(blocks, count, mean);
    double t = 0, p = 0, tt = 0, tp = 0;
    for (size_t i = 0; i < count; i++) {
        t += blocks[i].centre / (double)count;
        p += blocks[i].phase / (double)count;
    }
    for (size_t i = 0; i < count; i++) {
        double dt = blocks[i].centre - t;
        tt += dt * dt;
        tp += dt * (blocks[i].phase - p);
    }
    double slope = tp / tt, left = 0;
    for (size_t i = 0; i < count; i++) {
        double d = blocks[i].phase - p - slope * (blocks[i].centre - t);
        left += d * d;
    }
    double scatter = count > 2 ? sqrt(left / (double)(count - 2)) : 0;
    tone->frequency = mean + slope / (2 * M_PI);
    tone->frequency_u = fmax(scatter, phase_u) / sqrt(tt) / (2 * M_PI);
    tone->steady = scatter < 5 * phase_u + 1e-6;
}

static cj_status finish_channel(const struct cj__tone_sums *sums, int c, cj__tone *tone)
{
    const struct channel_sums *from = &sums->channel[c];
    cj__tone_channel *to = &tone->channel[c];
    to->line = cj_new((size_t)sums->harmonics, sizeof *to->line);
    to->line_u = cj_new((size_t)sums->harmonics, sizeof *to->line_u);
    if (!to->line || !to->line_u)
        return CJ_NOMEM;
    double weight = sums->weight;
    for (int k = 0; k < sums->harmonics; k++) {
        to->line[k] = (cj_complex){from->line[k].re / weight, from->line[k].im / weight};
        to->line_u[k] = sqrt(from->line_u_sq[k]) / weight;
    }
    to->peak = c == sums->reference ? from->magnitude / weight : magnitude(to->line[0]);
    to->peak_u = sqrt(from->peak_u_sq) / weight;
    to->dc = from->dc / weight;
    to->dc_u = sqrt(from->dc_u_sq) / weight;
    to->residual = from->residual / weight;
    double power = 0;
    for (int k = 0; k < sums->harmonics; k++)
        power += (to->line[k].re * to->line[k].re + to->line[k].im * to->line[k].im) / 2;
    to->explained = power > 0 ? power / (power + to->residual) : 0;
    return CJ_OK;
}

cj_status cj__tone_finish(const cj__tone_sums *sums, cj__tone *tone)
{
    if (sums->count == 0)
        return CJ_OK;
    tone->harmonics = sums->harmonics;
    tone->reference = sums->reference;
    tone->blocks = sums->count;
    for (int c = 0; c < sums->channels; c++)
        if (finish_channel(sums, c, tone) != CJ_OK)
            return CJ_NOMEM;
    frequency_of_blocks(sums->blocks, sums->count, tone);
    if (sums->channels == 2 && sums->square > 0) {
        tone->ratio =
            (cj_complex){sums->product.re / sums->square, sums->product.im / sums->square};
        tone->gain_u = sqrt(sums->gain_u_sq) / sums->weight;
        tone->phase_u = sqrt(sums->phase_u_sq) / sums->weight;
    }
    return CJ_OK;
}

double cj__noise_in_steps(double residual, double step)
{
    return fmax(0, residual / (step * step) - 1.0 / 12);
}

/* A sine of A steps comes out of a converter larger or smaller by up to 2/pi |J1(2 pi A)| steps as
 * its middle lies between two of them: the first term of the Fourier series of the staircase. Noise
 * of variance s (steps squared) shrinks it by exp(-2 pi^2 s). (R. M. Gray, IEEE Trans. Inf. Theory
 * 36 (1990) 1220, from memory; checked against a staircase in tests/figures.) J1 by its envelope.
 */
static double steps_bias(double peak, double residual, double step)
{
    double x = 2 * M_PI * peak / step;
    double bessel = fmin(fmin(x / 2, 0.582), sqrt(2 / (M_PI * x)));
    double noise = exp(-2 * M_PI * M_PI * cj__noise_in_steps(residual, step));
    return 2 / M_PI * bessel * noise * step;
}

void cj__tone_widen(cj__tone *tone, int channel, double step)
{
    cj__tone_channel *to = &tone->channel[channel];
    if (!(step > 0) || !(to->peak > 0))
        return;
    double u = steps_bias(to->peak, to->residual, step) / M_SQRT2; /* wherever its middle lies */
    to->peak_u = hypot(to->peak_u, u);
    tone->gain_u = hypot(tone->gain_u, u / to->peak);
}

void cj__tone_release(cj__tone *tone)
{
    for (int c = 0; c < 2; c++) {
        cj_free(tone->channel[c].line);
        cj_free(tone->channel[c].line_u);
        tone->channel[c].line = NULL;
        tone->channel[c].line_u = NULL;
    }
}
