/* SPDX-License-Identifier: GPL-3.0-or-later */
/* generator.c - the samples of a test signal, one after the other. */
#include "base/dice.h"
#include "signal/internal.h"
#include "signal/noise_source.h"
#include "signal/stimulus.h"

#include <math.h>

struct cj_generator {
    cj_stimulus stimulus;
    cj_layout layout;
    cj_sweep sweep;
    size_t position; /* in the file */
    double f[2];     /* hz in cycles a sample */
    double marker_peak;
    int level; /* stepped: the level that stands */
    double level_peak;
    uint32_t shift, taps; /* mls */
    double white_cut, white_scale;
    cj__dice dice;
    cj__pink pink;
};

/*
 * Feedback of the shift registers, taps of x^m + ... + 1 as bits m-1..0: primitive polynomials over
 * GF(2) (Peterson and Weldon, "Error-Correcting Codes", 1972; from memory, each period run through
 * by tests/signal).
 */
static const uint32_t mls_taps[CJ__MLS_MOST + 1] = {
    [3] = 0x6,     [4] = 0xc,     [5] = 0x14,     [6] = 0x30,     [7] = 0x60,     [8] = 0xb8,
    [9] = 0x110,   [10] = 0x240,  [11] = 0x500,   [12] = 0x829,   [13] = 0x100d,  [14] = 0x2015,
    [15] = 0x6000, [16] = 0xd008, [17] = 0x12000, [18] = 0x20400, [19] = 0x40023, [20] = 0x90000,
};

/* Standard deviation of a Gaussian of 1 that is cut at +-a. */
static double cut_spread(double a)
{
    double density = exp(-a * a / 2) / sqrt(CJ__TWO_PI);
    return sqrt(1 - 2 * a * density / erf(a / sqrt(2)));
}

static void prepare(cj_generator *g)
{
    const cj_stimulus *s = &g->stimulus;
    g->f[0] = s->hz[0] / s->rate_hz;
    g->f[1] = s->hz[1] / s->rate_hz;
    g->level = -1;
    g->marker_peak = cj_stimulus_peak(s);
    g->dice = (cj__dice){.state = s->seed};
    if (s->signal == CJ_SIG_WHITE || s->signal == CJ_SIG_PINK)
        g->marker_peak = CJ__NOISE_MARKER * s->rms;
    if (s->signal == CJ_SIG_WHITE) {
        g->white_cut = CJ__WHITE_CREST;
        for (int i = 0; i < 5; i++) /* so that the crest is of what is left */
            g->white_cut = CJ__WHITE_CREST * cut_spread(g->white_cut);
        g->white_scale = s->rms * CJ__WHITE_CREST / g->white_cut;
    }
    if (s->signal == CJ_SIG_PINK)
        g->pink = cj__pink_new(s->rate_hz, s->seed);
    if (s->signal == CJ_SIG_MLS) {
        int order = cj__mls_order(s);
        g->taps = mls_taps[order];
        g->shift = 1 + (uint32_t)(cj__dice_bits(&g->dice.state) % ((1u << order) - 1));
    }
}

cj_status cj_generator_new(const cj_stimulus *stimulus, cj_generator **out, cj_error *err)
{
    cj_layout layout;
    cj_status status = cj_stimulus_layout(stimulus, &layout, err);
    if (status != CJ_OK)
        return status;
    cj_generator *g = cj_new(1, sizeof *g);
    if (g == NULL)
        return cj_fail_memory(err);
    g->stimulus = *stimulus;
    g->layout = layout;
    if (stimulus->signal == CJ_SIG_SWEEP)
        status = cj_sweep_make(stimulus, &g->sweep, err);
    if (status != CJ_OK) {
        cj_free(g);
        return status;
    }
    prepare(g);
    *out = g;
    return CJ_OK;
}

void cj_generator_free(cj_generator *generator)
{
    cj_free(generator);
}

static double sine(double f, size_t n)
{
    return sin(CJ__TWO_PI * cj__turns(f, (double)n));
}

/* Rising edges at 0 and at the period's end, a falling one in its middle. */
static double square(double f, size_t n)
{
    double turns = cj__turns(f, (double)n), width = CJ__EDGE_SIGMA * sqrt(2) * f;
    turns -= floor(turns);
    return erf(turns / width) - erf((turns - 0.5) / width) + erf((turns - 1) / width);
}

static double stepped(cj_generator *g, size_t n)
{
    const cj_stimulus *s = &g->stimulus;
    while (g->level < 0 || (g->level + 1 < s->steps && n >= cj__stepped_edge(s, g->level + 1)))
        g->level_peak = cj__stepped_level(s, ++g->level);
    return g->level_peak * sine(g->f[0], n);
}

static double mls(cj_generator *g)
{
    uint32_t bit = g->shift & 1;
    g->shift = (g->shift >> 1) ^ (bit ? g->taps : 0);
    return bit ? g->stimulus.peak[0] : -g->stimulus.peak[0];
}

static double white(cj_generator *g)
{
    double value = cj__dice_gaussian(&g->dice);
    while (fabs(value) >= g->white_cut)
        value = cj__dice_gaussian(&g->dice);
    return value * g->white_scale;
}

static double pink(cj_generator *g)
{
    double value = cj__pink_next(&g->pink);
    return fmin(fmax(value, -CJ__PINK_CREST), CJ__PINK_CREST) * g->stimulus.rms;
}

/* Sample n of the signal; the noises take theirs in order. */
static double signal_at(cj_generator *g, size_t n)
{
    const cj_stimulus *s = &g->stimulus;
    switch (s->signal) {
    case CJ_SIG_SINE:
        return s->peak[0] * sine(g->f[0], n);
    case CJ_SIG_TWO_TONE:
        return s->peak[0] * sine(g->f[0], n) + s->peak[1] * sine(g->f[1], n);
    case CJ_SIG_STEPPED:
        return stepped(g, n);
    case CJ_SIG_SWEEP:
        return cj_sweep_value(&g->sweep, (double)n / s->rate_hz - g->sweep.lead_s);
    case CJ_SIG_SQUARE:
        return s->peak[0] * square(g->f[0], n);
    case CJ_SIG_MLS:
        return mls(g);
    case CJ_SIG_WHITE:
        return white(g);
    case CJ_SIG_PINK:
        return pink(g);
    case CJ_SIG_SILENCE:
        return 0;
    }
    return 0;
}

void cj_generator_read(cj_generator *g, size_t count, double *out)
{
    const cj_layout *layout = &g->layout;
    for (size_t i = 0; i < count; i++, g->position++) {
        size_t n = g->position;
        out[i] = 0;
        if (n >= layout->start && n - layout->start < layout->length)
            out[i] = signal_at(g, n - layout->start);
        else if (n >= layout->marker && n < layout->start)
            out[i] = g->marker_peak *
                     cj_marker_value(g->stimulus.rate_hz,
                                     (double)(n - layout->marker) / g->stimulus.rate_hz -
                                         CJ__MARKER_S / 2);
    }
}
