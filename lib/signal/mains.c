/* SPDX-License-Identifier: GPL-3.0-or-later */
/* mains.c - mains hum: which mains, at which frequency exactly, and its lines. */
#include "signal/internal.h"

#include <math.h>
#include <string.h>

#define FEWEST_PERIODS 3.0 /* under which the frequency is taken as nominal */
#define STEPS_PER_BIN 16.0
#define MOST_STEPS 4000
#define CHANCE 0.01 /* of a false alarm: from there on no frequency is worth being refined */
#define SEEK 6      /* lines that tell which mains it is; a high line alone is somebody else's */

typedef struct hunt {
    cj__tone tone;
    const cj_mains_options *options;
    cj_complex *reduced[CJ_TONE_CHANNELS]; /* [groups][h] */
    double *z;    /* [h] power of line k over what noise puts there, all channels */
    int voices;   /* channels that count */
    double start; /* frequency of the reduction */
    /* the best so far */
    double f, score;
    int h, lines; /* lines there are, and the first lines whose score it is */
    bool held;
    double looks;
} hunt;

static int order_at(const hunt *of, double f)
{
    double n = (double)of->tone.n, most = (0.5 - 1.0 / n) / (f * 1.02);
    int wanted = of->options->harmonics > 0 ? of->options->harmonics : 20;
    for (int c = 0; c < of->tone.channels; c++)
        if (of->tone.channel[c].alive)
            most = fmin(most, ((double)of->tone.channel[c].valid - 3.0) / 2.0);
    return (int)fmin(wanted, floor(most));
}

static bool beside_tone(const hunt *of, double f)
{
    double tone = of->options->tone, nearest = tone > 0.0 ? rint(f / tone) * tone : 0.0;
    return nearest > 0.0 && fabs(f - nearest) * (double)of->tone.n < 1.0;
}

static cj_status reduce(hunt *of, double f, int h)
{
    cj__tone *tone = &of->tone;
    of->start = f;
    if (!cj__comb_set(&tone->comb, tone->n, f, h))
        return CJ_NOMEM;
    size_t size = cj__comb_group_count(&tone->comb) * (size_t)h;
    double *z = cj_resize(of->z, (size_t)h, sizeof *z);
    of->z = z ? z : of->z;
    bool good = z != NULL;
    for (int c = 0; c < tone->channels; c++) {
        cj_complex *more = cj_resize(of->reduced[c], size, sizeof *more);
        of->reduced[c] = more ? more : of->reduced[c];
        good = good && more != NULL;
    }
    for (int c = 0; c < tone->channels && good; c++)
        cj__comb_groups(&tone->comb, tone->channel[c].y, of->reduced[c]);
    return good ? CJ_OK : CJ_NOMEM;
}

/* Power of line k about the record's centre. Groups are equally far apart, so one phasor turns by
 * one step from group to group. */
static double power_of_line(const hunt *of, int c, double f, int k, size_t stride)
{
    const cj__comb *comb = &of->tone.comb;
    double first = cj__comb_group_time(comb, 0), apart = cj__comb_group_time(comb, 1) - first;
    cj_complex turn = cj__phasor(f, -first * k), step = cj__phasor(f, -apart * k), sum = {0.0, 0.0};
    for (size_t g = 0; g < cj__comb_group_count(comb); g++) {
        cj_complex part = cj__times(of->reduced[c][g * stride + (size_t)(k - 1)], turn);
        sum.re += part.re;
        sum.im += part.im;
        turn = cj__times(turn, step);
    }
    return sum.re * sum.re + sum.im * sum.im;
}

static void powers_at(hunt *of, double f, int h)
{
    cj__tone *tone = &of->tone;
    memset(of->z, 0, sizeof *of->z * (size_t)h);
    for (int c = 0; c < tone->channels; c++)
        for (int k = 1; tone->channel[c].alive && k <= h; k++)
            if (!beside_tone(of, k * f))
                of->z[k - 1] += power_of_line(of, c, f, k, (size_t)h) / tone->channel[c].power;
}

/* The first of `seek` lines that stand out most, by the Chernoff bound of a gamma distribution; h:
 * lines there are. */
static void judge(hunt *of, double f, int seek, int h)
{
    double total = 0.0, expected = 0.0;
    for (int k = 1; k <= seek; k++) {
        if (beside_tone(of, k * f))
            continue;
        total += of->z[k - 1];
        expected += of->voices;
        double score = total > expected ? total - expected - expected * log(total / expected) : 0.0;
        if (score > of->score || of->lines == 0) {
            of->score = score;
            of->f = f;
            of->h = h;
            of->lines = k;
        }
    }
}

static cj_status look_about(hunt *of, double nominal)
{
    double n = (double)of->tone.n, within = of->options->within > 0.0 ? of->options->within : 0.01;
    bool held = nominal * n < FEWEST_PERIODS;
    int h = nominal > 0.0 ? order_at(of, nominal) : 0;
    double reach = held ? 0.0 : fmin(ceil(within * nominal * n * STEPS_PER_BIN), MOST_STEPS);
    if (h < 1 || nominal * n < 1.0)
        return CJ_OK;
    int seek = h < SEEK ? h : SEEK;
    cj_status status = reduce(of, nominal, seek);
    for (double i = -reach; i <= reach && status == CJ_OK; i++) {
        double before = of->score, f = nominal + i / (STEPS_PER_BIN * n);
        bool first = of->lines == 0;
        powers_at(of, f, seek);
        judge(of, f, seek, h);
        of->held = first || of->score > before ? held : of->held;
    }
    of->looks += (2.0 * reach + 1.0) * seek;
    return status;
}

/* Higher lines too where they stand out at the frequency the first ones gave: they tell it better.
 */
static cj_status extend(hunt *of, bool *converged)
{
    double f = of->tone.f, total = 0.0, expected = 0.0, best = 0.0;
    int lines = 0;
    cj_status status = reduce(of, f, of->h);
    if (status != CJ_OK)
        return status;
    powers_at(of, f, of->h);
    for (int k = 1; k <= of->h; k++) {
        total += beside_tone(of, k * f) ? 0.0 : of->z[k - 1];
        expected += beside_tone(of, k * f) ? 0.0 : of->voices;
        double score = total > expected ? total - expected - expected * log(total / expected) : 0.0;
        if (score > best) {
            best = score;
            lines = k;
        }
    }
    if (lines <= of->lines)
        return CJ_OK;
    of->lines = lines;
    return cj__tone_refine(&of->tone, f, lines, converged);
}

/* The frequency from the lines that stand out; then all lines at it. */
static cj_status settle(hunt *of, bool *converged)
{
    cj__tone *tone = &of->tone;
    *converged = true;
    cj_status status = of->held ? cj__tone_evaluate(tone, of->f, of->lines)
                                : cj__tone_refine(tone, of->f, of->lines, converged);
    if (status == CJ_OK && !of->held && of->h > SEEK)
        status = extend(of, converged);
    cj__tone_hold(tone);
    return status == CJ_OK && of->lines < of->h ? cj__tone_evaluate(tone, tone->f, of->h) : status;
}

static cj_status run(hunt *of, cj_tone_fit **out, bool *converged)
{
    cj_status status = CJ_OK;
    for (int c = 0; c < of->tone.channels; c++)
        of->voices += of->tone.channel[c].alive;
    for (int i = 0; i < of->options->nominals && status == CJ_OK && of->voices > 0; i++)
        status = look_about(of, of->options->nominal[i]);
    if (status == CJ_OK && of->lines == 0)
        return CJ_DATA;
    of->held = of->held || of->looks * exp(-of->score) > CHANCE;
    if (status == CJ_OK)
        status = settle(of, converged);
    return status == CJ_OK ? cj__tone_report(&of->tone, of->held, out) : status;
}

cj_status cj_mains_fit(cj_spectra *spectra, const double *const x[], int channels, size_t n,
                       const cj_mains_options *options, cj_tone_fit **out, double *false_alarm,
                       cj_error *err)
{
    *out = NULL;
    *false_alarm = 1.0;
    if (channels < 1 || channels > CJ_TONE_CHANNELS || options->nominals < 1 || n < 6)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "hum is looked for in 1 to %d channels at one mains frequency or more",
                       CJ_TONE_CHANNELS);
    hunt of = {.options = options};
    bool converged = false;
    cj_status status = cj__tone_open(&of.tone, spectra, x, channels, n);
    if (status == CJ_OK)
        status = run(&of, out, &converged);
    if (status == CJ_OK) {
        (*out)->converged = converged;
        *false_alarm = fmin(1.0, of.looks * exp(-of.score));
    }
    for (int c = 0; c < channels; c++)
        cj_free(of.reduced[c]);
    cj_free(of.z);
    cj__tone_close(&of.tone);
    return status == CJ_OK      ? CJ_OK
           : status == CJ_NOMEM ? cj_fail_memory(err)
                                : cj_fail(err, CJ_DATA, NULL, 0, 0,
                                          "no period of the mains fits into %zu samples", n);
}
