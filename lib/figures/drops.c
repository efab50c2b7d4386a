/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Momentary losses and steps of the tone: short stretches in which the model does not hold.
 *
 * A stretch is looked at in pieces of a tenth of a millisecond, so that a loss of 0.2 ms fills one
 * wherever it begins. Within a piece the samples less DC are y = g m + noise, m the model less DC;
 * g is 1 where the tone is there and 0 where it is lost. A piece is lost where least squares put g
 * at 0.6 or lower, by more than CERTAIN standard deviations of the noise squared, where that change
 * of g explains half of what the model leaves, and where the tone has something to lose: an RMS of
 * LOUD of its peak (near a zero crossing of a slow tone nothing is seen to be lost). A break that
 * leaves something else in place of the tone (an open input's hum, a rail) is seen by its power
 * over a window of a quarter of a period.
 */
#include "figures/internal.h"

#include <math.h>
#include <stdlib.h>

/* A loss leaves the whole tone in the residual (RMS 0.7 of its peak), a break of a contact at least
 * a good part of it. Noise up to 20 dB below the tone stays out. */
#define LOSS 0.35
#define LOUD 0.15
#define GONE 0.4 /* of the tone, or more */
/* 7.7 standard deviations: once in 1e14 pieces, and 3.6e7 pieces make an hour */
#define CERTAIN 60.0
#define ASKED 255 /* windows that tell the noise of a block */

size_t cj__drops_window(double frequency, double rate_hz)
{
    return (size_t)fmax(4, ceil(fmax(0.25 / frequency, 0.0002 * rate_hz)));
}

size_t cj__drops_piece(size_t window, double rate_hz)
{
    size_t piece = rate_hz > 0 ? (size_t)(0.0001 * rate_hz) : window / 2;
    return piece < 2 ? 2 : piece > window ? window : piece;
}

static double sum_of_squares(const double *left, size_t n)
{
    double square = 0;
    for (size_t i = 0; i < n; i++)
        square += left[i] * left[i];
    return square;
}

static int by_size(const void *a, const void *b)
{
    double one = *(const double *)a, two = *(const double *)b;
    return (one > two) - (one < two);
}

/* Variance of the residual between the losses: the median of some windows. */
static double noise_between(const double *left, size_t n, const cj__loss *loss)
{
    size_t windows = n / loss->window, asked = windows < ASKED ? windows : ASKED;
    double power[ASKED], floor = 1e-8 * loss->peak * loss->peak;
    for (size_t i = 0; i < asked; i++)
        power[i] = sum_of_squares(left + windows * i / asked * loss->window, loss->window) /
                   (double)loss->window;
    if (asked == 0)
        return floor;
    qsort(power, asked, sizeof *power, by_size);
    return fmax(floor, power[asked / 2]);
}

enum state { THERE, LOST, UNKNOWN };

/* The state of a piece of n samples, of which `square` is the residual's. */
static enum state look(const double *x, const double *left, size_t n, const cj__loss *loss,
                       double noise, double square)
{
    double product = 0, model = 0;
    for (size_t i = 0; i < n; i++) {
        double m = isnan(x[i]) ? 0 : x[i] - left[i] - loss->dc;
        product += left[i] * m;
        model += m * m;
    }
    if (model < LOUD * LOUD * loss->peak * loss->peak * (double)n)
        return UNKNOWN;
    double explained = product * product / model;
    bool lost = product < -GONE * model && explained > CERTAIN * noise && explained > 0.5 * square;
    return lost ? LOST : THERE;
}

/* A loss is a stretch in which the samples themselves (about dc) hold next to nothing, not one in
 * which something came on top. */
static bool is_empty(const double *x, double dc, size_t n, double limit)
{
    double there = 0;
    for (size_t i = 0; i < n; i++)
        there += isnan(x[i]) ? 0 : (x[i] - dc) * (x[i] - dc);
    return there <= limit;
}

/* ---- the walk along a block ---- */

struct walk {
    cj__drops *drops; /* NULL: mask only */
    const double *x;
    double *left;
    const cj__loss *loss;
    double noise; /* variance */
    double mask;  /* what a lost sample becomes */
    size_t masked;
    double total; /* residual power that is no loss */
    /* the piece before */
    size_t before_at, before_n;
    double before_square;
    bool before_lost;
};

void cj__drops_note(cj__drops *drops, size_t at, size_t n)
{
    if (!drops->in_event) {
        drops->in_event = true;
        if (drops->count < CJ_LOSSES)
            drops->at[drops->count] = at;
        drops->count++;
    }
    if (drops->count <= CJ_LOSSES)
        drops->length[drops->count - 1] = at + n - drops->at[drops->count - 1];
    drops->since = 0;
}

static void fill(struct walk *w, size_t at, size_t n)
{
    for (size_t i = 0; i < n; i++)
        w->left[at + i] = w->mask;
    w->masked += n;
}

static void take_piece(struct walk *w, size_t at, size_t n, enum state state, bool empty)
{
    double square = sum_of_squares(w->left + at, n), edge = 16 * w->noise * (double)n;
    bool lost = state == LOST && empty;
    if (lost && !w->before_lost && w->before_n > 0 &&
        w->before_square > 16 * w->noise * (double)w->before_n) {
        fill(w, w->before_at, w->before_n); /* where it began, within the piece before */
        w->total -= w->before_square;
    }
    if (w->drops && state == LOST)
        cj__drops_note(w->drops, w->loss->at + at, n);
    else if (w->drops && state == THERE) {
        w->drops->since += n;
        w->drops->in_event = w->drops->in_event && w->drops->since < w->loss->window;
    }
    w->before_at = at;
    w->before_n = n;
    w->before_square = square;
    if (lost || (w->before_lost && square > edge)) {
        fill(w, at, n);
        w->before_n = 0;
    } else {
        w->total += square;
    }
    w->before_lost = lost;
}

/* Samples of the piece at `from`; the last takes the rest. */
static size_t piece_length(const struct walk *w, size_t from, size_t end)
{
    return end - from < 2 * w->loss->piece ? end - from : w->loss->piece;
}

static enum state look_at(const struct walk *w, size_t from, size_t n, bool closely)
{
    const cj__loss *loss = w->loss;
    double square = sum_of_squares(w->left + from, n);
    /* what any loss leaves at least */
    double least = GONE * LOUD * loss->peak;
    if (!closely && square < fmax(CERTAIN * w->noise, least * least * (double)n))
        return THERE;
    return look(w->x + from, w->left + from, n, loss, w->noise, square);
}

/* Whether a broken window holds something else in the tone's place, all along and not in one piece:
 * then no piece of it shows a mere loss, and it is broken without its worst piece too. */
static bool is_replaced(const struct walk *w, size_t at, size_t end)
{
    double worst = 0, square = 0;
    size_t worst_n = 0;
    for (size_t from = at, n; from < end; from += n) {
        n = piece_length(w, from, end);
        if (look_at(w, from, n, true) == LOST)
            return false;
        double here = sum_of_squares(w->left + from, n);
        square += here;
        worst_n = here > worst ? n : worst_n;
        worst = fmax(worst, here);
    }
    double limit = LOSS * w->loss->peak;
    return square - worst > limit * limit * (double)(end - at - worst_n);
}

/* A broken window without a lost piece holds something else in the tone's place: all of it counts.
 */
static void take_window(struct walk *w, size_t at, size_t n, bool broken)
{
    const cj__loss *loss = w->loss;
    double limit = LOSS * LOSS * loss->peak * loss->peak * (double)n;
    bool all = broken && is_replaced(w, at, at + n);
    bool empty = !all || is_empty(w->x + at, loss->dc, n, limit);
    for (size_t from = at, m; from < at + n; from += m) {
        m = piece_length(w, from, at + n);
        bool closely = broken || (w->drops && w->drops->in_event);
        take_piece(w, from, m, all ? LOST : look_at(w, from, m, closely), empty);
    }
}

static void walk_along(struct walk *w, size_t n)
{
    const size_t window = w->loss->window;
    const double limit = LOSS * LOSS * w->loss->peak * w->loss->peak * (double)window;
    bool only_losses_yet = true;
    size_t at = 0, run = 0; /* run: samples of the break in progress */
    w->noise = noise_between(w->left, n, w->loss);
    for (; at + window <= n; at += window) {
        double square = sum_of_squares(w->left + at, window);
        bool broken = square > limit;
        only_losses_yet = only_losses_yet && broken;
        run = broken ? run + window : 0;
        if (w->drops && only_losses_yet)
            w->drops->head = at + window;
        if (w->drops && !broken && square < CERTAIN * w->noise * (double)window) {
            w->drops->quiet_square += square;
            w->drops->quiet_samples += (double)window;
        }
        take_window(w, at, window, broken);
    }
    if (w->drops)
        w->drops->tail = run > 0 ? run + (n - at) : 0;
    if (at < n)
        take_window(w, at, n - at, false);
}

double cj__drops_add(cj__drops *drops, const double *x, double *left, size_t n,
                     const cj__loss *loss)
{
    struct walk w = {.drops = drops, .x = x, .left = left, .loss = loss, .mask = 0};
    walk_along(&w, n);
    return fmax(0, w.total);
}

size_t cj__drops_mask(const double *x, double *left, size_t n, const cj__loss *loss)
{
    struct walk w = {.x = x, .left = left, .loss = loss, .mask = NAN};
    walk_along(&w, n);
    return w.masked;
}
