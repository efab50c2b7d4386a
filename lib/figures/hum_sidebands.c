/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Sidebands of the tone at the mains rate: ripple that gets into the signal modulates the tone,
 * hum that is added does not. The residual is turned back by the tone's own phase: its real part
 * is then what modulates the amplitude, its imaginary part what modulates the phase, both relative
 * to the tone, and a mains series is fitted to the two. Where the tone stands on a multiple of the
 * mains, added lines fall on the sidebands: they are told apart by what hum puts into lines farther
 * from the tone.
 */
#include "figures/hum.h"

#include <math.h>

#define LOWEST_TONE_HZ 320.0 /* sidebands of 4 x 60 Hz stay clear of 0 Hz */
#define SHORTEST_S 0.1
#define SLOW_HZ 1000.0
#define ABOVE_HUM 3 /* times what hum has in lines farther off: more is no hum */

double cj__tone_on_mains(double tone, double mains, size_t n)
{
    double on = mains > 0 && tone > 0 ? nearbyint(tone / mains) : 0;
    return on > 0 && fabs(tone - on * mains) * (double)n < CJ__HUM_NEAR ? on : 0;
}

/* One channel of one block. */
struct side_task {
    const double *left;
    int channel;
    const cj_tone_fit *tone, *hum; /* hum: NULL where there is none */
    double rate, on;               /* on: multiple of the mains the tone stands on, 0: none */
    size_t by, count;              /* means of so many samples; how many of them */
    double *clean;                 /* [n] */
    double *turned[2];             /* [count] of the amplitude and of the phase, relative */
};

/* Residual less the added hum; lines that may be sidebands stay in it. */
static void take_hum_out(const struct side_task *task)
{
    size_t n = task->tone->samples;
    if (task->hum == NULL) {
        for (size_t i = 0; i < n; i++)
            task->clean[i] = task->left[i];
        return;
    }
    cj_tone_fit part = *task->hum;
    cj_tone_channel *channel = &part.channel[task->channel];
    cj_complex lines[CJ__HUM_LINES];
    part.harmonics = part.harmonics < CJ__HUM_LINES ? part.harmonics : CJ__HUM_LINES;
    for (int k = 1; k <= part.harmonics; k++) {
        bool stays = cj__at_tone(task->tone->frequency, k * part.frequency, n) ||
                     (task->on > 0 && fabs(k - task->on) <= CJ__HUM_SIDES);
        lines[k - 1] = stays ? (cj_complex){0, 0} : channel->line[k - 1];
    }
    channel->line = lines;
    channel->dc = 0;
    cj_tone_subtract(&part, task->channel, task->left, n, 1, part.harmonics, task->clean);
}

/* clean / tone: 2 x conj(a exp(jwt)) / |a|^2, its parts averaged over `by` samples. The phasor is
 * set anew for each mean and turned step by step within. */
static void turn_back(const struct side_task *task)
{
    cj_complex a = task->tone->channel[task->channel].line[0];
    double centre = 0.5 * (double)(task->tone->samples - 1), w = 2 * M_PI * task->tone->frequency;
    double square = a.re * a.re + a.im * a.im, phase = atan2(a.im, a.re);
    cj_complex step = {cos(w), -sin(w)};
    for (size_t i = 0; i < task->count; i++) {
        double angle = -w * ((double)(i * task->by) - centre) - phase;
        cj_complex turn = {cos(angle), sin(angle)}, sum = {0, 0};
        for (size_t k = 0; k < task->by; k++) {
            double x = task->clean[i * task->by + k];
            sum.re += x * turn.re;
            sum.im += x * turn.im;
            turn = (cj_complex){turn.re * step.re - turn.im * step.im,
                                turn.re * step.im + turn.im * step.re};
        }
        task->turned[0][i] = 2 * sum.re / (double)task->by / sqrt(square);
        task->turned[1][i] = 2 * sum.im / (double)task->by / sqrt(square);
    }
}

/* Largest mains line of the channel that is no sideband, in the order of the tone or, where the
 * tone is higher than the lines that were fitted, among the upper ones; peak value. */
static double hum_farther_off(const struct side_task *task)
{
    double largest = 0, lowest = fmin(task->on / 2, CJ__HUM_LINES - 5);
    for (int k = (int)fmax(1, lowest); task->hum && k <= task->hum->harmonics; k++) {
        cj_complex a = task->hum->channel[task->channel].line[k - 1];
        if (fabs(k - task->on) > CJ__HUM_SIDES)
            largest = fmax(largest, hypot(a.re, a.im));
    }
    return largest;
}

static void add_fit(cj__hum_sums *sums, const struct side_task *task, const cj_tone_fit *fit,
                    bool real)
{
    struct cj__sidebands *side = &sums->side;
    int c = task->channel;
    double square = 0, variance = 0, largest = 0, weight = (double)task->tone->samples;
    bool clear = false;
    for (int k = 1; k <= fit->harmonics && k <= CJ__HUM_SIDES; k++) {
        double kept = cj__kept_by_means(k * fit->frequency, task->by), both = 0;
        for (int part = 0; part < 2; part++) {
            cj_complex a = fit->channel[part].line[k - 1];
            double power = (a.re * a.re + a.im * a.im) / (kept * kept);
            double u = fit->channel[part].line_u[k - 1] / kept;
            both += power / 2 - u * u;
            variance += power * u * u + u * u * u * u;
            clear = clear || (real && power > 25 * u * u && u > 0);
            largest = fmax(largest, sqrt(power));
        }
        square += both;
        side->each[c][k - 1] += weight * both;
    }
    side->square[c] += weight * square;
    side->u_sq[c] += weight * weight * variance;
    if (!clear)
        return;
    double rate = task->rate / (double)task->by, hz = fit->frequency * rate;
    double u = fit->frequency_u > 0 ? fit->frequency_u * rate : rate / (double)task->count / 2;
    side->weighted_hz += hz / fmax(u * u, 1e-18);
    side->frequency_weight += 1 / fmax(u * u, 1e-18);
    cj_complex tone = task->tone->channel[c].line[0];
    double each = largest / 2 * hypot(tone.re, tone.im); /* of one sideband, peak */
    if (task->on > 0 && each < ABOVE_HUM * hum_farther_off(task))
        side->shared[c] = true;
    else
        side->stands_out[c] = true;
    side->own[c] = side->own[c] || (task->on > 0 && !side->shared[c]);
}

static cj_status look_at(cj__hum_sums *sums, cj_spectra *spectra, const struct side_task *task,
                         cj_error *err)
{
    take_hum_out(task);
    turn_back(task);
    const double *const x[2] = {task->turned[0], task->turned[1]};
    const struct cj__mains_task mains = {.x = x,
                                         .channels = 2,
                                         .n = task->count,
                                         .rate = task->rate / (double)task->by,
                                         .harmonics = CJ__HUM_SIDES};
    cj_tone_fit *fit = NULL;
    double false_alarm = 1;
    cj_status status = cj__fit_mains(sums, spectra, &mains, &fit, &false_alarm, err);
    if (status == CJ_OK && fit)
        add_fit(sums, task, fit, false_alarm < CJ__HUM_REAL);
    cj_tone_fit_free(fit);
    return status;
}

cj_status cj__sidebands_add(cj__hum_sums *sums, cj_spectra *spectra, const double *const left[2],
                            const cj_tone_fit *tone, const cj_tone_fit *hum, cj_error *err)
{
    double rate = sums->all->about->rate_hz;
    size_t n = tone->samples, by = 1;
    if (!(rate > 0) || tone->frequency * rate < LOWEST_TONE_HZ || (double)n < SHORTEST_S * rate)
        return CJ_OK;
    while (by < n && rate / (double)(2 * by) >= SLOW_HZ)
        by *= 2;
    struct side_task task = {.tone = tone, .hum = hum, .rate = rate, .by = by, .count = n / by};
    if (hum)
        task.on = cj__tone_on_mains(tone->frequency, hum->frequency, n);
    task.clean = cj_new(n, sizeof(double));
    task.turned[0] = cj_new(task.count, sizeof(double));
    task.turned[1] = cj_new(task.count, sizeof(double));
    cj_status status = task.clean && task.turned[0] && task.turned[1] ? CJ_OK : cj_fail_memory(err);
    for (int c = 0; c < sums->all->channels && status == CJ_OK; c++) {
        task.channel = c;
        task.left = left[c];
        if (sums->all->tone.channel[c].seen)
            status = look_at(sums, spectra, &task, err);
    }
    if (status == CJ_OK)
        sums->side.weight += (double)n;
    cj_free(task.clean);
    cj_free(task.turned[0]);
    cj_free(task.turned[1]);
    return status;
}

void cj__sidebands_finish(const cj__hum_sums *sums, int c, cj__noise *noise)
{
    const struct cj__sidebands *side = &sums->side;
    noise->side_possible = side->weight > 0;
    if (!noise->side_possible)
        return;
    double square = fmax(0, side->square[c] / side->weight);
    double square_u = sqrt(side->u_sq[c]) / side->weight;
    noise->side = sqrt(square);
    noise->side_u = square > square_u ? square_u / (2 * sqrt(square)) : sqrt(square_u);
    noise->side_seen = side->stands_out[c] && !side->shared[c];
    noise->side_shared = side->shared[c];
    if (!(side->frequency_weight > 0))
        return;
    int strongest = 0;
    for (int k = 1; k < CJ__HUM_SIDES; k++)
        strongest = side->each[c][k] > side->each[c][strongest] ? k : strongest;
    noise->mains_hz = side->weighted_hz / side->frequency_weight;
    noise->side_hz = (strongest + 1) * noise->mains_hz;
    noise->side_hz_u = (strongest + 1) / sqrt(side->frequency_weight);
}
