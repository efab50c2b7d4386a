/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * The linear response along a sweep. A frequency f is swept through within some sqrt(L/f) about one
 * moment (stationary phase; L: the sweep's scale). A window of time that is flat around it, and
 * falls off smoothly further out, holds all of X(f) and, where the response has died away within
 * it, all of Y(f); hum, noise and harmonics (which come when the sweep is an octave or more lower)
 * outside it are left out.
 */
#include "figures/response.h"

#include <math.h>
#include <string.h>

#define MOST_SAMPLES ((size_t)1 << 18) /* of a window */
/* Points that share a window: a third of an octave, so that harmonic 2 of lower ones stays outside.
 */
#define MOST_POINTS 16
#define OVERSAMPLED 3.2    /* rate over frequency, at least: below 0.32 the filter is flat */
#define MARGIN 5.0         /* of sqrt(L/f) to both sides */
#define TAPER 3.0          /* of it, the outer part that falls off */
#define TAIL_PERIODS 20    /* more behind, for what rings on */
#define FINE_PERIODS 440   /* length of a window that resolves 2 per cent with 15 bins */
#define FINE_S 3.0         /* but no longer than this for it */
#define LINES_UP_TO 1050.0 /* Hz: where mains lines are looked for */

struct group {
    size_t first, count; /* points */
    int level;
    double from_s, to_s; /* of the window */
    double rise_s, fall_s;
};

struct work {
    cj__sweep_reader *reader;
    cj_spectra *spectra;
    cj__frame frame;
    size_t room, padded;
    double *window, *line[2];
    cj_complex *bins[6]; /* x, y, and lines of 50 Hz with slope, of 60 Hz with slope */
    double energy;       /* sum of window^2 */
    double mains_hz;
};

static int level_of(double rate_hz, double hz)
{
    int level = 0;
    while (level < 20 && rate_hz / (double)(2L << level) >= 2 * OVERSAMPLED * hz)
        level++;
    return level;
}

/* The window of points first..last. */
static void set_window(const cj__sweep *sweep, const cj__point *points, size_t last,
                       struct group *g)
{
    double scale = sweep->track.scale_s, low = points[g->first].hz, high = points[last].hz;
    double before = sqrt(scale / low), behind = sqrt(scale / high);
    /* the kernel reaches further than the points: to bins of 1 / length */
    double length = 2 * MARGIN * before + scale * log(high / low);
    low = fmax(low / 2, low - fmax(0.03 * low, 12 / length));
    high += fmax(0.03 * high, fmin(high / 2, 12 / length));
    double tail = TAIL_PERIODS / points[last].hz;
    /* long enough to have the kernel's bins within a few per cent of the frequency; what comes
     * behind is of higher frequency, harmonics too */
    double wanted = fmin(FINE_PERIODS / points[last].hz, FINE_S) - (length + tail);
    tail += fmax(0, wanted);
    g->from_s = cj__track_time(&sweep->track, low) - MARGIN * before;
    g->to_s = cj__track_time(&sweep->track, high) + MARGIN * behind + tail;
    g->rise_s = TAPER * before;
    g->fall_s = TAPER * behind + fmin(tail, TAIL_PERIODS / points[last].hz) / 2;
}

/* The next group of points from `first` on: as many as fit into one window. */
static struct group next_group(const cj__sweep_reader *reader, const cj__point *points,
                               size_t count, size_t first)
{
    double rate = reader->about->rate_hz;
    struct group g = {.first = first, .count = 1, .level = level_of(rate, points[first].hz)};
    double at = rate / (double)(1L << g.level);
    set_window(reader->sweep, points, first, &g);
    for (size_t last = first + 1; last < count && last - first < MOST_POINTS; last++) {
        struct group more = g;
        set_window(reader->sweep, points, last, &more);
        if ((g.level > 0 && at < OVERSAMPLED * points[last].hz) ||
            (more.to_s - more.from_s) * at > (double)MOST_SAMPLES)
            break;
        g = more;
        g.count = last - first + 1;
    }
    return g;
}

/* ---- one window ---- */

/* A length FFTW likes: 2^a times 1, 3/2 or 5/4. */
static size_t padded_length(size_t n)
{
    size_t power = 64;
    while (power < n)
        power *= 2;
    if (power / 8 * 5 >= n)
        return power / 8 * 5;
    return power / 4 * 3 >= n ? power / 4 * 3 : power;
}

static bool make_room(struct work *w, size_t n)
{
    w->padded = padded_length(n);
    if (w->padded <= w->room)
        return true;
    for (int i = 0; i < 6; i++) {
        cj_free(w->bins[i]);
        w->bins[i] = NULL;
    }
    cj_free(w->window);
    cj_free(w->line[0]);
    cj_free(w->line[1]);
    w->line[0] = cj_new(w->padded, sizeof(double));
    w->line[1] = cj_new(w->padded, sizeof(double));
    w->window = cj_new(w->padded, sizeof(double));
    bool fine = w->window && w->line[0] && w->line[1];
    for (int i = 0; i < 6; i++)
        fine = (w->bins[i] = cj_new(w->padded / 2 + 1, sizeof **w->bins)) != NULL && fine;
    w->room = fine ? w->padded : 0;
    return fine;
}

#define RISE_STEPS 2048

/* From 0 to 1 as the integral of a Gaussian: smooth enough that its spectrum dies as fast. */
static void fill_rise(double rise[RISE_STEPS + 2])
{
    for (int i = 0; i < RISE_STEPS + 2; i++)
        rise[i] = 0.5 * erfc(3.5 * (1 - 2 * (double)i / RISE_STEPS));
}

static double rise_at(const double *rise, double at)
{
    double place = at * RISE_STEPS;
    int i = (int)place;
    return rise[i] + (place - i) * (rise[i + 1] - rise[i]);
}

static void fill_window(struct work *w, const struct group *g)
{
    size_t n = w->frame.n;
    double rate = w->frame.rate_hz, up = g->rise_s * rate, down = g->fall_s * rate;
    double rise[RISE_STEPS + 2];
    fill_rise(rise);
    w->energy = 0;
    for (size_t i = 0; i < w->padded; i++) {
        double ahead = (double)n - 1 - (double)i, v = i < n;
        if ((double)i < up)
            v *= rise_at(rise, (double)i / up);
        if (ahead >= 0 && ahead < down)
            v *= rise_at(rise, ahead / down);
        w->window[i] = v;
        w->energy += v * v;
    }
}

/* Correlation of white noise between bins m + 1 apart, under the window. */
static void correlate(const struct work *w, cj_complex out[CJ__CORRELATED])
{
    size_t stride = w->frame.n / 8192 + 1; /* the window is smooth */
    double energy = 0;
    for (size_t i = 0; i < w->frame.n; i += stride)
        energy += w->window[i] * w->window[i];
    for (int m = 0; m < CJ__CORRELATED; m++) {
        double angle = -2 * M_PI * (m + 1) * (double)stride / (double)w->padded;
        cj_complex step = {cos(angle), sin(angle)}, at = {1, 0}, sum = {0, 0};
        for (size_t i = 0; i < w->frame.n; i += stride) {
            double v = w->window[i] * w->window[i];
            sum.re += v * at.re;
            sum.im += v * at.im;
            at = (cj_complex){at.re * step.re - at.im * step.im, at.re * step.im + at.im * step.re};
        }
        out[m] = (cj_complex){sum.re / energy, sum.im / energy};
    }
}

/* sum of cos k a, k = 1..lines, of a = 2 half */
static double cosines(int lines, double half)
{
    double below = sin(half);
    return fabs(below) > 1e-9 ? sin(lines * half) * cos((lines + 1) * half) / below : lines;
}

/* exp(j angle), and by how much it turns from sample to sample. */
struct turning {
    double co, si, step_co, step_si;
};

static struct turning turning_from(double angle, double step)
{
    return (struct turning){cos(angle), sin(angle), cos(step), sin(step)};
}

static void turn(struct turning *t)
{
    double co = t->co * t->step_co - t->si * t->step_si;
    t->si = t->co * t->step_si + t->si * t->step_co;
    t->co = co;
}

/* All lines of one mains at once, under the window; and times t. */
static cj_status fill_lines(struct work *w, int which, cj_error *err)
{
    double rate = w->frame.rate_hz, step = M_PI * (which ? 60 : 50) / rate;
    int lines = (int)fmin(LINES_UP_TO / (which ? 60 : 50), 0.45 * rate / (which ? 60 : 50));
    double middle = (double)(w->frame.n - 1) / 2;
    memset(w->line[0], 0, w->padded * sizeof(double));
    memset(w->line[1], 0, w->padded * sizeof(double));
    for (size_t i = 0; i < w->frame.n;) {
        /* turned for a while, 1e-13 off at most; then afresh */
        double half = step * ((double)i - middle);
        struct turning one = turning_from(half, step),
                       all = turning_from(lines * half, lines * step);
        for (size_t end = i + 256; i < end && i < w->frame.n; i++) {
            double at = (double)i - middle, sum;
            /* sin L h cos (L + 1) h over sin h; exactly where that is small over small */
            if (fabs(one.si) > 1e-2)
                sum = all.si * (all.co * one.co - all.si * one.si) / one.si;
            else
                sum = cosines(lines, step * at);
            w->line[0][i] = w->window[i] * sum;
            w->line[1][i] = w->line[0][i] * at / middle;
            turn(&one);
            turn(&all);
        }
    }
    return cj_spectrum_two(w->spectra, w->line[0], w->line[1], w->padded, w->bins[2 + 2 * which],
                           w->bins[3 + 2 * which], err);
}

static cj_status transform(struct work *w, const cj__frame *frame, cj_error *err)
{
    size_t rest = (w->padded - frame->n) * sizeof(double);
    for (size_t i = 0; i < frame->n; i++) {
        w->line[0][i] = w->window[i] * frame->x[i];
        w->line[1][i] = w->window[i] * frame->y[i];
    }
    memset(w->line[0] + frame->n, 0, rest);
    memset(w->line[1] + frame->n, 0, rest);
    return cj_spectrum_two(w->spectra, w->line[0], w->line[1], w->padded, w->bins[0], w->bins[1],
                           err);
}

static void store(const struct work *w, const cj__local *local, cj__point *point)
{
    double rate = w->frame.rate_hz, later = w->reader->sweep->later_s;
    double density = 1 / (rate * w->energy), angle = -2 * M_PI * point->hz * later;
    cj_complex turn = {cos(angle), sin(angle)}, h = local->value, s = local->slope;
    /* H exp(-j 2 pi f later), and its slope */
    s = (cj_complex){s.re + 2 * M_PI * later * h.im, s.im - 2 * M_PI * later * h.re};
    point->value = (cj_complex){h.re * turn.re - h.im * turn.im, h.re * turn.im + h.im * turn.re};
    point->slope = (cj_complex){s.re * turn.re - s.im * turn.im, s.re * turn.im + s.im * turn.re};
    point->variance = local->variance * density;
    point->leverage = local->leverage / density;
    point->freedom = local->freedom;
    point->coherence = local->coherence;
    point->power = local->power * point->hz / (rate * rate);
    point->there = true;
}

static cj_status fit_points(struct work *w, const struct group *g, cj__point *points, cj_error *err)
{
    double step = w->frame.rate_hz / (double)w->padded;
    cj__bins bins = {.count = w->padded / 2,
                     .first_hz = step,
                     .step_hz = step,
                     .x = w->bins[0] + 1,
                     .y = w->bins[1] + 1};
    correlate(w, bins.correlated);
    for (int which = 0; which < 2 && points[g->first].hz < LINES_UP_TO; which++) {
        cj_status status = fill_lines(w, which, err);
        if (status != CJ_OK)
            return status;
        bins.line[which] = w->bins[2 + 2 * which] + 1;
        bins.line_slope[which] = w->bins[3 + 2 * which] + 1;
    }
    cj_status status = transform(w, &w->frame, err);
    for (size_t i = g->first; status == CJ_OK && i < g->first + g->count; i++) {
        cj__local local;
        double reach = points[i].hz * (exp2(1.5 / CJ__PER_OCTAVE) - 1);
        status = cj__local_fit(&bins, points[i].hz, reach, w->mains_hz, &local, err);
        if (status == CJ_OK)
            store(w, &local, &points[i]);
        else if (status == CJ_DATA)
            status = CJ_OK; /* no point there */
    }
    return status;
}

static void work_free(struct work *w)
{
    for (int i = 0; i < 6; i++)
        cj_free(w->bins[i]);
    cj_free(w->window);
    cj_free(w->line[0]);
    cj_free(w->line[1]);
    cj__frame_free(&w->frame);
}

cj_status cj__sweep_linear(cj__sweep_reader *reader, cj_spectra *spectra,
                           const cj_measure_options *options, cj__point *points, size_t count,
                           cj_error *err)
{
    struct work w = {
        .reader = reader, .spectra = spectra, .mains_hz = options ? options->mains_hz : 0};
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < count;) {
        struct group g = next_group(reader, points, count, i);
        double rate = reader->about->rate_hz / (double)(1L << g.level);
        size_t n = (size_t)fmax(64, ceil((g.to_s - g.from_s) * rate));
        i += g.count;
        if (n > 8 * MOST_SAMPLES) /* slower than any sweep can sensibly be */
            continue;
        status = make_room(&w, n) ? CJ_OK : cj_fail_memory(err);
        if (status == CJ_OK)
            status = cj__frame_read(reader, g.level, g.from_s, n, &w.frame, err);
        if (status != CJ_OK)
            break;
        fill_window(&w, &g);
        status = fit_points(&w, &g, points, err);
    }
    work_free(&w);
    return status;
}
