/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * transient.c - periods of a sine through a netlist until they repeat, and what the last one holds.
 *
 * The start is the DC point. What is left of the start falls, after a while, by the same factor
 * each period; the difference of two successive periods and that factor tell how much is left, and
 * the run is over when it is less than `settled_part` of the signal. Slow states (coupling
 * capacitors) are taken to where they would end by extrapolation over periods (reduced rank
 * extrapolation: Smith, Ford and Sidi, SIAM Review 29 (1987) 199, from memory), after which the run
 * goes on as before: an extrapolation that was wrong costs time, not truth.
 */
#include <float.h>
#include <math.h>

#include "circuit/transient.h"

enum {
    STEPS_PER_PERIOD = 400,
    PERIODS_MOST = 30,
    PERIODS_LEAST = 3,
    KEPT = 4, /* states at the ends of periods that an extrapolation uses, and one more */
    HARMONICS = 10,
};
static const double settled_part = 1e-4;

typedef struct run {
    cj__stepper *stepper;
    int steps, channels;
    double *sines;         /* [steps] */
    double *wave, *before; /* [channels * steps] */
    double *ends;          /* [KEPT * state_size] states at the ends of periods, oldest first */
    int kept;
} run;

/* Instants lie half a step from where the source crosses zero: what an output that jumps then does
 * within a step is seen half before, half after. */
static double angle_at(int k, int steps)
{
    return 2 * M_PI * (k + 0.5) / steps;
}

static void run_free(run *r)
{
    cj__stepper_free(r->stepper);
    cj_free(r->sines);
    cj_free(r->wave);
    cj_free(r->before);
    cj_free(r->ends);
}

static cj_status run_make(const cj__netlist *netlist, const cj__transient_setup *setup, run *r,
                          cj_error *err)
{
    r->steps = setup->steps_per_period > 0 ? setup->steps_per_period : STEPS_PER_PERIOD;
    r->channels = setup->channels;
    cj_status status = cj__stepper_make(netlist, setup, r->steps, &r->stepper, err);
    if (status)
        return status;
    size_t samples = (size_t)r->steps * (size_t)r->channels;
    r->sines = cj_new((size_t)r->steps, sizeof(double));
    r->wave = cj_new(samples, sizeof(double));
    r->before = cj_new(samples, sizeof(double));
    r->ends = cj_new((size_t)(KEPT * r->stepper->state_size), sizeof(double));
    if (!r->sines || !r->wave || !r->before || !r->ends)
        return cj_fail_memory(err);
    for (int k = 0; k < r->steps; k++)
        r->sines[k] = sin(angle_at(k, r->steps));
    for (int k = 0; k < r->steps && setup->square; k++)
        r->sines[k] = 2 * k < r->steps ? 1 : -1;
    return CJ_OK;
}

static void one_period(run *r)
{
    double *wave = r->before;
    r->before = r->wave;
    r->wave = wave;
    const double *seen = r->stepper->look + r->stepper->ports.looks - r->channels;
    for (int k = 0; k < r->steps; k++) {
        cj__stepper_step(r->stepper, r->sines[k]);
        for (int c = 0; c < r->channels; c++)
            wave[c * r->steps + k] = seen[c];
    }
}

/* The largest difference of the last two periods over what settled is for that channel. A channel's
 * own size counts, its DC left out, and 1 uV. */
static double unrest(const run *r)
{
    double worst = 0;
    for (int c = 0; c < r->channels; c++) {
        const double *now = r->wave + c * r->steps, *then = r->before + c * r->steps;
        double low = INFINITY, high = -INFINITY, apart = 0;
        for (int k = 0; k < r->steps; k++) {
            low = fmin(low, now[k]);
            high = fmax(high, now[k]);
            apart = fmax(apart, fabs(now[k] - then[k]));
        }
        worst = fmax(worst, apart / (settled_part * 0.5 * (high - low) + 1e-6));
    }
    return worst;
}

static void keep_end(run *r)
{
    int size = r->stepper->state_size;
    if (r->kept == KEPT) {
        for (int k = 0; k < (KEPT - 1) * size; k++)
            r->ends[k] = r->ends[k + size];
        r->kept--;
    }
    for (int k = 0; k < size; k++)
        r->ends[r->kept * size + k] = r->stepper->state_now[k];
    r->kept++;
}

/* Weights, adding up to 1, of the first m - 1 differences of successive states that leave least.
 * Differences are scaled by the largest change of that state. False: they cannot be told apart. */
static bool weights_of(const run *r, double *weight)
{
    int size = r->stepper->state_size, m = r->kept - 1;
    double gram[KEPT - 1][KEPT] = {{0}};
    for (int j = 0; j < size; j++) {
        double change[KEPT - 1], most = 0;
        for (int k = 0; k < m; k++) {
            change[k] = r->ends[(k + 1) * size + j] - r->ends[k * size + j];
            most = fmax(most, fabs(change[k]));
        }
        double whole = fabs(r->ends[(r->kept - 1) * size + j]);
        if (most <= 1e-9 * whole || most < 1e-15)
            continue; /* rounding */
        for (int a = 0; a < m; a++)
            for (int b = 0; b < m; b++)
                gram[a][b] += change[a] / most * (change[b] / most);
    }
    for (int a = 0; a < m; a++) {
        gram[a][a] *= 1 + 1e-12;
        gram[a][m] = 1;
    }
    for (int k = 0; k < m; k++) { /* positive definite: no pivoting */
        if (!(gram[k][k] > 0))
            return false;
        for (int i = k + 1; i < m; i++)
            for (int j = m; j >= k; j--)
                gram[i][j] -= gram[i][k] / gram[k][k] * gram[k][j];
    }
    double sum = 0;
    for (int k = m - 1; k >= 0; k--) {
        weight[k] = gram[k][m];
        for (int j = k + 1; j < m; j++)
            weight[k] -= gram[k][j] * weight[j];
        sum += weight[k] /= gram[k][k];
    }
    for (int k = 0; k < m; k++)
        weight[k] /= sum;
    return isfinite(sum) && sum != 0;
}

/* Takes all states to where the periods lead. */
static void extrapolate(run *r)
{
    double weight[KEPT - 1];
    cj__stepper *s = r->stepper;
    if (!weights_of(r, weight))
        return;
    for (int j = 0; j < s->state_size; j++) {
        double end = 0;
        for (int k = 0; k < r->kept - 1; k++)
            end += weight[k] * r->ends[(k + 1) * s->state_size + j];
        s->state_now[j] = end;
    }
    for (int k = 0; k < s->bend_count; k++)
        if (s->bends[k].kind == CJ__BEND_AMP)
            s->inner_before[k] = s->inner[k] =
                fmin(fmax(s->inner[k], s->bends[k].low), s->bends[k].high);
}

/* Runs until what is left of the start is small; false: it was not. */
static bool run_settled(run *r)
{
    double was = INFINITY;
    keep_end(r);
    one_period(r);
    for (int period = 2, since = 1; period <= PERIODS_MOST; period++) {
        keep_end(r);
        one_period(r);
        since++;
        double now = unrest(r), factor = now / was;
        bool falls = since > 2 && factor < 1;
        double left = now < 1e-3 ? 0 : falls ? now * factor / (1 - factor) : INFINITY;
        if (period >= PERIODS_LEAST && fmax(left, now) <= 1)
            return true;
        was = now;
        if (since > KEPT) {
            extrapolate(r);
            r->kept = 0;
            since = 0;
            was = INFINITY;
        }
    }
    return false;
}

static void analyse(const run *r, const double *wave, int channel, cj__transient_answer *out)
{
    double mean = 0, harmonics = 0, first = 0;
    for (int k = 0; k < r->steps; k++)
        mean += wave[k];
    mean /= r->steps;
    for (int h = 1; h <= HARMONICS; h++) {
        double in_phase = 0, ahead = 0;
        for (int k = 0; k < r->steps; k++) {
            double angle = h * angle_at(k, r->steps);
            in_phase += (wave[k] - mean) * sin(angle);
            ahead += (wave[k] - mean) * cos(angle);
        }
        in_phase *= 2.0 / r->steps;
        ahead *= 2.0 / r->steps;
        if (h == 1) {
            out->tone[channel] = (cj_complex){in_phase, ahead};
            first = hypot(in_phase, ahead);
        } else {
            harmonics += in_phase * in_phase + ahead * ahead;
        }
    }
    out->dc_v[channel] = mean;
    out->thd[channel] = first > 0 ? sqrt(harmonics) / first : NAN;
}

cj_status cj__transient(const cj__netlist *netlist, const cj__transient_setup *setup,
                        cj__transient_answer *out, cj_error *err)
{
    run r = {0};
    if (!(setup->hz > 0) || !isfinite(setup->hz) || setup->channels < 1 || setup->channels > 2 ||
        (setup->steps_per_period > 0 && setup->steps_per_period <= 2 * HARMONICS))
        return cj_fail(err, CJ_BUG, "", 0, 0,
                       "a transient of no frequency, no channel or too few steps");
    cj_status status = run_make(netlist, setup, &r, err);
    if (status)
        goto out;
    bool settled = true;
    if (setup->periods > 0)
        for (int k = 0; k < setup->periods; k++)
            one_period(&r);
    else
        settled = run_settled(&r);
    *out = (cj__transient_answer){.steps = r.stepper->steps,
                                  .refactors = r.stepper->refactors,
                                  .settled = settled,
                                  .unsettled_steps = r.stepper->unsettled};
    for (int c = 0; c < setup->channels; c++) {
        analyse(&r, r.wave + c * r.steps, c, out);
        if (!isfinite(out->dc_v[c]))
            status =
                cj_fail(err, CJ_DATA, "", 0, 0, "the circuit runs away in time: no finite voltage");
    }
out:
    run_free(&r);
    return status;
}
