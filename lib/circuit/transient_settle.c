/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * transient_settle.c - periods until they repeat.
 *
 * What is left of the start falls, after a while, by the same factor each period; the difference of
 * two successive periods and that factor tell how much is left, and the run is over when that is
 * less than `settled_part` of the signal. Where a coupling capacitor or a winding would take long,
 * its voltage or current is solved for: that at which a period ends as it began (shooting: T. J.
 * Aprille and T. N. Trick, Proc. IEEE 60 (1972) 108, from memory), by Newton steps with one further
 * period for each slow state; all others settle by themselves. After that the run goes on as
 * before, so that a bad step costs time, not truth.
 */
#include <math.h>
#include <string.h>

#include "circuit/transient.h"

enum {
    PERIODS_LEAST = 3,
    PERIODS_PLAIN = 6, /* between two rounds */
    PERIODS_MOST = 120,
    ROUNDS = 5,
    SLOW_MOST = 16,
};
static const double settled_part = 1e-4;
static const double slow_periods = 0.2; /* time constant of a state that is solved for */

void cj__run_period(cj__run *r)
{
    double *wave = r->before;
    r->before = r->wave;
    r->wave = wave;
    const double *seen = r->stepper->look + r->stepper->ports.looks - r->channels;
    for (int k = 0; k < r->steps; k++) {
        cj__stepper_step(r->stepper, r->drive[k]);
        for (int c = 0; c < r->channels; c++)
            wave[c * r->steps + k] = seen[c];
    }
    r->periods++;
}

/* ---- what is left ---- */

/* The largest difference of the last two periods over what settled is for that channel. A channel's
 * own size counts, its DC left out, and 1 uV. */
static double unrest(const cj__run *r)
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

/* The factor by which two successive periods' difference falls counts once it has stopped rising:
 * what falls slowest comes last. */
typedef struct decay {
    double unrest, factor;
    int periods; /* seen */
} decay;

static double what_is_left(decay *d, double now)
{
    double factor = now / d->unrest, left = INFINITY;
    if (now < 1e-3) /* less than 1 while no time constant is longer than a thousand periods */
        left = now;
    else if (d->periods >= 3 && factor < 1 && factor <= 1.2 * d->factor + 0.02)
        left = fmax(now, now * factor / (1 - factor));
    *d = (decay){now, factor, d->periods + 1};
    return left;
}

/* Plain periods, at most `most`. True: settled. */
static bool run_plain(cj__run *r, int most)
{
    decay d = {INFINITY, INFINITY, 0};
    cj__run_period(r);
    for (int k = 1; k < most; k++) {
        cj__run_period(r);
        if (what_is_left(&d, unrest(r)) <= 1 && k + 1 >= PERIODS_LEAST)
            return true;
    }
    return false;
}

/* ---- slow states ---- */

/* A slow quantity: a capacitor's voltage; the integrator of a section that runs open loop; of a
 * transformer the current that magnetizes the core (primary's, and secondary's as seen from there:
 * the two alone follow the load at once). It is set through the first of them. */
typedef struct slow_state {
    int place, second; /* in state_now: now, and one step before */
    int other;         /* the secondary's */
    double share;      /* of the secondary's; 0: a capacitor */
    double least;      /* what is a small change of it */
} slow_state;

typedef struct slow {
    int count;
    slow_state of[SLOW_MOST];
    double *base, *end; /* [state_size] */
    double *rates;      /* [bends] */
    double matrix[SLOW_MOST * SLOW_MOST], right[SLOW_MOST];
} slow;

static void add_slow(slow *s, slow_state state)
{
    if (s->count < SLOW_MOST)
        s->of[s->count++] = state;
}

static void find_slow(const cj__run *r, slow *s)
{
    const cj__stepper *stepper = r->stepper;
    int n = stepper->capacitor_count, windings = stepper->ports.windings;
    double shortest = slow_periods * r->steps * stepper->step_s;
    for (int k = 0; k < windings; k += 2) {
        const cj__winding_pair *pair = &stepper->netlist->windings[k / 2];
        int place = 2 * n + k;
        add_slow(s, (slow_state){place, place + windings, place + 1,
                                 pair->henry[0] > 0 ? pair->mutual_h / pair->henry[0] : 0, 1e-9});
    }
    for (int k = 0; k < stepper->bend_count; k++)
        if (stepper->open_seconds[k] > shortest)
            add_slow(s, (slow_state){2 * (n + windings) + k,
                                     2 * (n + windings) + stepper->bend_count + k, k, 0,
                                     1e-4 * stepper->setup->peak_v + 1e-6});
    for (int k = 0; k < n; k++) {
        if (stepper->seconds[k] > shortest)
            add_slow(s, (slow_state){k, n + k, k, 0, 1e-4 * stepper->setup->peak_v + 1e-6});
    }
}

static double slow_value(const slow_state *of, const double *state)
{
    return state[of->place] + of->share * state[of->other];
}

static void put_back(cj__run *r, const slow *s, const double *state)
{
    memcpy(r->stepper->state_now, state, (size_t)r->stepper->state_size * sizeof(double));
    memcpy(r->stepper->rate, s->rates, (size_t)r->stepper->bend_count * sizeof(double));
}

/* Its slope stays. */
static void shift_slow(cj__run *r, const slow_state *of, double by)
{
    r->stepper->state_now[of->place] += by;
    r->stepper->state_now[of->second] += by;
}

/* One Newton step: the state from which the slow ones come back to where they began. */
static void shoot(cj__run *r, slow *s)
{
    const double *now = r->stepper->state_now;
    size_t bytes = (size_t)r->stepper->state_size * sizeof(double);
    int n = s->count, pivot[SLOW_MOST];
    memcpy(s->rates, r->stepper->rate, (size_t)r->stepper->bend_count * sizeof(double));
    memcpy(s->base, now, bytes);
    cj__run_period(r);
    memcpy(s->end, now, bytes);
    for (int k = 0; k < n; k++)
        s->right[k] = slow_value(&s->of[k], s->end) - slow_value(&s->of[k], s->base);
    for (int j = 0; j < n; j++) {
        double by = fmax(10 * fabs(s->right[j]), s->of[j].least);
        put_back(r, s, s->base);
        shift_slow(r, &s->of[j], by);
        cj__run_period(r);
        for (int k = 0; k < n; k++)
            s->matrix[k * n + j] =
                (k == j) - (slow_value(&s->of[k], now) - slow_value(&s->of[k], s->end)) / by;
    }
    cj__lu_factor(s->matrix, n, pivot);
    cj__lu_solve(s->matrix, n, pivot, s->right);
    put_back(r, s, s->base);
    for (int k = 0; k < n; k++)
        if (isfinite(s->right[k]))
            shift_slow(r, &s->of[k], s->right[k]);
}

cj_status cj__run_settled(cj__run *r, bool *settled, cj_error *err)
{
    cj_status status = CJ_OK;
    slow s = {.count = 0};
    find_slow(r, &s);
    s.base = cj_new((size_t)r->stepper->state_size, sizeof(double));
    s.end = cj_new((size_t)r->stepper->state_size, sizeof(double));
    s.rates = cj_new((size_t)r->stepper->bend_count, sizeof(double));
    if (!s.base || !s.end || !s.rates) {
        status = cj_fail_memory(err);
        goto out;
    }
    *settled = run_plain(r, PERIODS_PLAIN);
    for (int round = 0; !*settled && round < ROUNDS && r->periods < PERIODS_MOST; round++) {
        if (s.count > 0)
            shoot(r, &s);
        *settled = run_plain(r, PERIODS_PLAIN);
    }
out:
    cj_free(s.base);
    cj_free(s.end);
    cj_free(s.rates);
    return status;
}
