/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * The edges of a square: rise and fall time (10 % to 90 %), overshoot, slew rate.
 *
 * All edges of one direction are laid over each other at the times a straight line through their
 * crossings of the middle gives (equivalent-time sampling), and averaged in cells of a fraction of
 * a sample. Levels before and after the edge are means of the settled parts (as IEC 60469 and IEEE
 * 181 have base and top; here by place instead of by histogram).
 */
#include "figures/internal.h"

#include <math.h>
#include <stdlib.h>

#define ADD(call)                                                                                  \
    do {                                                                                           \
        if ((call) != CJ_OK)                                                                       \
            return CJ_NOMEM;                                                                       \
    } while (0)

#define MOST_EDGES 4096
#define FINEST 16 /* cells a sample at most */
#define CELLS ((size_t)65536)

struct crossings {
    double at[MOST_EDGES]; /* samples */
    size_t count;
};

struct profile {
    double *sum, *when, *weight; /* [cells] of values, of their times, and how many */
    size_t cells;
    double first, cell; /* time of the middle of cell 0 from the crossing, and the width: samples */
};

static int by_size(const void *a, const void *b)
{
    double one = *(const double *)a, two = *(const double *)b;
    return (one > two) - (one < two);
}

/* The outer levels: means of the samples between the 2nd and the 10th percentile, and mirrored;
 * room: n. */
static bool outer_levels(const double *x, size_t n, double *room, double level[2])
{
    size_t valid = 0;
    for (size_t i = 0; i < n; i++)
        if (!isnan(x[i]))
            room[valid++] = x[i];
    if (valid < 64)
        return false;
    qsort(room, valid, sizeof *room, by_size);
    size_t from = valid / 50, to = valid / 10;
    level[0] = level[1] = 0;
    for (size_t i = from; i < to; i++) {
        level[0] += room[i] / (double)(to - from);
        level[1] += room[valid - 1 - i] / (double)(to - from);
    }
    return level[1] > level[0];
}

/* Crossings of the middle, upwards and downwards, each after the signal was beyond 20 % on one side
 * and before it is beyond 80 %. */
static void find_crossings(const double *x, size_t n, const double level[2],
                           struct crossings found[2])
{
    double step = level[1] - level[0], middle = (level[0] + level[1]) / 2;
    int side = 0;
    double last[2] = {NAN, NAN}; /* latest crossing downwards, upwards */
    for (size_t i = 0; i < n; i++) {
        double y = x[i] - middle;
        if (isnan(y)) {
            side = 0;
            continue;
        }
        if (i > 0 && (y > 0) != (x[i - 1] - middle > 0)) {
            double before = x[i - 1] - middle;
            last[y > 0] = (double)i - y / (y - before);
        }
        int now = y > 0.3 * step ? 1 : y < -0.3 * step ? -1 : 0;
        if (now != 0 && side == -now) {
            struct crossings *to = &found[now > 0];
            if (!isnan(last[now > 0]) && to->count < MOST_EDGES)
                to->at[to->count++] = last[now > 0];
        }
        side = now != 0 ? now : side;
    }
}

/* Puts the crossings on the straight line through them, where there are three or more at equal
 * distance. */
static void straighten(struct crossings *c)
{
    if (c->count < 3)
        return;
    double n = (double)c->count, sk = 0, st = 0, skk = 0, skt = 0;
    for (size_t i = 0; i < c->count; i++) {
        double k = (double)i - (n - 1) / 2;
        sk += k;
        st += c->at[i];
        skk += k * k;
        skt += k * c->at[i];
    }
    double slope = skt / skk, middle = st / n;
    for (size_t i = 0; i < c->count; i++)
        if (fabs(c->at[i] - middle - slope * ((double)i - (n - 1) / 2)) > 1)
            return; /* not periodic to a sample: each by itself */
    for (size_t i = 0; i < c->count; i++)
        c->at[i] = middle + slope * ((double)i - (n - 1) / 2);
}

/* Median distance from a crossing of one direction to the next of the other; 0: there is none. */
static double distance_to_next(const struct crossings *from, const struct crossings *to)
{
    double *distances = cj_new(from->count + 1, sizeof *distances), median = 0;
    size_t count = 0, j = 0;
    if (distances == NULL)
        return 0;
    for (size_t i = 0; i < from->count; i++) {
        while (j < to->count && to->at[j] <= from->at[i])
            j++;
        if (j < to->count)
            distances[count++] = to->at[j] - from->at[i];
    }
    if (count > 0) {
        qsort(distances, count, sizeof *distances, by_size);
        median = distances[count / 2];
    }
    cj_free(distances);
    return median;
}

static bool lay_over(const double *x, size_t n, const struct crossings *edges,
                     const double reach[2], struct profile *p)
{
    double per_sample = fmin(FINEST, fmax(1, (double)edges->count / 2));
    double span = reach[0] + reach[1];
    per_sample = fmin(per_sample, fmax(1, (double)CELLS / span));
    if (!(span >= 8) || !(span * per_sample <= 4 * (double)CELLS))
        return false;
    p->cell = 1 / per_sample;
    p->cells = (size_t)(span * per_sample);
    p->first = -reach[0];
    p->sum = cj_new(p->cells, sizeof *p->sum);
    p->when = cj_new(p->cells, sizeof *p->when);
    p->weight = cj_new(p->cells, sizeof *p->weight);
    if (!p->sum || !p->when || !p->weight)
        return false;
    for (size_t e = 0; e < edges->count; e++) {
        double from = ceil(fmax(0, edges->at[e] - reach[0]));
        for (size_t i = (size_t)from; i < n; i++) {
            double at = ((double)i - edges->at[e] - p->first) * per_sample + 0.5;
            if (at >= (double)p->cells)
                break;
            if (at < 0 || isnan(x[i]))
                continue;
            p->sum[(size_t)at] += x[i];
            p->when[(size_t)at] += (double)i - edges->at[e];
            p->weight[(size_t)at] += 1;
        }
    }
    return true;
}

/* NaN where the cell is empty. */
static double time_of(const struct profile *p, size_t i)
{
    return p->weight[i] > 0 ? p->when[i] / p->weight[i] : NAN;
}

static double value_of(const struct profile *p, size_t i)
{
    return p->sum[i] / p->weight[i];
}

struct stretch {
    double mean, scatter, slope; /* of the cells; slope: change over the stretch */
    double cells;
};

static struct stretch measure_stretch(const struct profile *p, double from, double to)
{
    struct stretch s = {0};
    double sum = 0, square = 0, t1 = 0, tt = 0, tv = 0, shift = NAN;
    for (size_t i = 0; i < p->cells; i++) {
        double t = time_of(p, i);
        if (!(t >= from && t <= to))
            continue;
        double v = value_of(p, i);
        shift = isnan(shift) ? v : shift;
        v -= shift;
        t -= (from + to) / 2;
        sum += v;
        square += v * v;
        t1 += t;
        tt += t * t;
        tv += t * v;
        s.cells++;
    }
    if (s.cells < 3)
        return (struct stretch){.mean = NAN};
    double n = s.cells, var = (square - sum * sum / n) / (n - 1);
    double stt = tt - t1 * t1 / n, stv = tv - t1 * sum / n;
    double slope = stt > 0 ? stv / stt : 0;
    s.mean = shift + sum / n;
    s.slope = slope * (to - from);
    s.scatter = sqrt(fmax(0, var - slope * slope * stt / (n - 1)));
    if (fabs(slope) < 4 * s.scatter / sqrt(fmax(stt, 1e-300)))
        s.slope = 0; /* noise alone */
    return s;
}

struct reach {
    double at, u; /* time of a level */
    double gap;   /* distance of the cells about it */
};

/* The first time the profile passes `level` on its way from the crossing towards `way`. */
static bool pass(const struct profile *p, double level, double sign, int way, struct reach *out)
{
    long cells = (long)p->cells, at = (long)(-p->first / p->cell + 0.5);
    /* begin where the other side of the level is */
    for (; at >= 0 && at < cells; at -= way)
        if (p->weight[at] > 0 && (sign * value_of(p, (size_t)at) - level) * way < 0)
            break;
    double last_t = NAN, last_v = NAN;
    for (long i = at; i >= 0 && i < cells; i += way) {
        if (!(p->weight[i] > 0))
            continue;
        double t = time_of(p, (size_t)i), v = sign * value_of(p, (size_t)i);
        if (!isnan(last_v) && (v - level) * way >= 0) {
            out->at = last_t + (level - last_v) / (v - last_v) * (t - last_t);
            out->gap = fabs(t - last_t);
            return true;
        }
        last_t = t;
        last_v = v;
    }
    return false;
}

/* Where a parabola through the cells within `width` of a passage passes the level: noise counts
 * less, and the edge may bend. Left alone where there are too few cells. */
static void smooth(const struct profile *p, double level, double sign, double width, double scatter,
                   struct reach *at)
{
    double m[5] = {0}, b[3] = {0};
    for (size_t i = 0; i < p->cells; i++) {
        double t = (time_of(p, i) - at->at) / width;
        if (!(fabs(t) <= 1))
            continue;
        double v = sign * value_of(p, i) - level, power = 1;
        for (int k = 0; k < 5; k++, power *= t) {
            m[k] += power;
            if (k < 3)
                b[k] += power * v;
        }
    }
    if (m[0] < 6)
        return;
    double c0 = m[2] * m[4] - m[3] * m[3], c1 = m[2] * m[3] - m[1] * m[4],
           c2 = m[1] * m[3] - m[2] * m[2];
    double det = m[0] * c0 + m[1] * c1 + m[2] * c2;
    if (!(det > 0))
        return;
    double value = (b[0] * c0 + b[1] * c1 + b[2] * c2) / det;
    double slope =
        (b[0] * c1 + b[1] * (m[0] * m[4] - m[2] * m[2]) + b[2] * (m[1] * m[2] - m[0] * m[3])) / det;
    if (!(slope > 0) || fabs(value / slope) > 2)
        return;
    at->at -= value / slope * width;
    at->u = scatter * sqrt(c0 / det) / slope * width;
}

/* ---- one direction ---- */

static const char unsettled[] = "the square does not settle between its edges";

static void time_edge(const struct profile *p, const double level[2], double scatter,
                      cj__edge *edge)
{
    static const double shares[] = {0.1, 0.9, 0.2, 0.8};
    double step = level[1] - level[0], sign = step > 0 ? 1 : -1, size = fabs(step);
    struct reach at[4];
    for (int i = 0; i < 4; i++)
        if (!pass(p, sign * level[0] + shares[i] * size, sign, i % 2 ? 1 : -1, &at[i])) {
            edge->why = unsettled;
            return;
        }
    double rough = at[1].at - at[0].at;
    for (int i = 0; i < 4; i++) {
        /* a bend between two cells, and noise */
        at[i].u = hypot(at[i].gap * at[i].gap / (4 * fmax(rough, at[i].gap)),
                        scatter * rough / (0.4 * size));
        /* narrow, so that a corner stays outside; wider where noise asks for it */
        for (double width = 0.1; width < 0.31; width += 0.1)
            for (int turn = 0; turn < 2 && (width < 0.11 || at[i].u > 0.01 * rough); turn++)
                smooth(p, sign * level[0] + shares[i] * size, sign, width * rough, scatter, &at[i]);
    }
    double span = at[1].at - at[0].at, inner = at[3].at - at[2].at,
           gap = fmax(at[0].gap, at[1].gap);
    edge->measured = true;
    edge->seconds = span;
    edge->u = hypot(at[0].u, at[1].u);
    edge->coarse = span < 2 * gap;
    edge->bound = span + 2 * gap;
    edge->slope = 0.6 * size / fmax(inner, gap / 2);
    edge->slope_u = edge->slope * hypot(at[2].u, at[3].u) / fmax(inner, gap / 2);
    /* 20..80 % over 10..90 %: 0.75 for a straight edge, 0.63 for one pole (ln 4 / ln 9), 0.69 to
     * 0.715 for two poles of damping 0.7 to 0.2 (computed) */
    edge->straight = !edge->coarse && inner / span > 0.732 && edge->u < 0.03 * span;
}

static void overshoot(const struct profile *p, const double level[2], double until, double scatter,
                      cj__edge *edge)
{
    double step = level[1] - level[0], sign = step > 0 ? 1 : -1, most = -INFINITY;
    for (size_t i = 0; i < p->cells; i++) {
        double t = p->first + (double)i * p->cell;
        if (t > 0 && t < until && p->weight[i] > 0)
            most = fmax(most, sign * (p->sum[i] / p->weight[i] - level[1]));
    }
    edge->over = fmax(0, most / fabs(step));
    edge->over_u = scatter / fabs(step);
}

static void measure_edge(const double *x, size_t n, const struct crossings found[2], int up,
                         double quantum, cj__edge *edge)
{
    const struct crossings *edges = &found[up];
    double after = distance_to_next(edges, &found[!up]),
           before = distance_to_next(&found[!up], edges);
    edge->why = "the record holds no whole period of the square";
    if (edges->count == 0 || !(fmax(after, before) > 0))
        return;
    after = after > 0 ? after : before;
    before = before > 0 ? before : after;
    struct profile p = {0};
    const double reach[2] = {0.45 * before, 0.9 * after};
    if (lay_over(x, n, edges, reach, &p)) {
        struct stretch low = measure_stretch(&p, -0.45 * before, -0.2 * before);
        struct stretch high = measure_stretch(&p, 0.5 * after, 0.9 * after);
        double step = high.mean - low.mean, level[2] = {low.mean, high.mean};
        double scatter = hypot(fmax(low.scatter, high.scatter), quantum / sqrt(12));
        edge->why = unsettled;
        /* drawn back to the edge, a slope (a coupling capacitor's) is no part of the step */
        level[1] -= high.slope / 0.4 * 0.7;
        level[0] += low.slope / 0.25 * 0.325;
        if (fabs(high.slope) < 0.2 * fabs(step) && scatter < 0.1 * fabs(step)) {
            time_edge(&p, level, scatter, edge);
            overshoot(&p, level, 0.5 * after, scatter, edge);
        }
    }
    cj_free(p.sum);
    cj_free(p.when);
    cj_free(p.weight);
}

cj_status cj__edges_measure(cj_capture *capture, cj__analysis *all, cj_error *err)
{
    size_t n = all->samples < CJ__WHOLE ? all->samples : CJ__WHOLE;
    double *x[2] = {cj_new(n, sizeof(double)), cj_new(n, sizeof(double))};
    double *room = cj_new(n, sizeof *room);
    struct crossings *found = cj_new(2, sizeof *found);
    cj_status status = x[0] && x[1] && room && found ? CJ_OK : cj_fail_memory(err);
    if (status == CJ_OK)
        status = cj_capture_read(capture, all->first, n, x, err);
    for (int c = 0; c < all->channels && status == CJ_OK; c++) {
        double level[2];
        if (all->signal[c] != CJ__SIGNAL_SQUARE || !outer_levels(x[c], n, room, level))
            continue;
        all->edges[c].present = true;
        found[0].count = found[1].count = 0;
        find_crossings(x[c], n, level, found);
        for (int up = 0; up < 2; up++)
            straighten(&found[up]);
        double quantum = all->about->channels[all->about->selected[c]].step;
        measure_edge(x[c], n, found, 1, quantum, &all->edges[c].rise);
        measure_edge(x[c], n, found, 0, quantum, &all->edges[c].fall);
    }
    cj_free(x[0]);
    cj_free(x[1]);
    cj_free(room);
    cj_free(found);
    return status;
}

/* ---- wording ---- */

static const char no_rate[] = "the file states no sample rate";
static const char too_fast[] = "the edge is faster than the samples show";

static cj_status add_time(cj_figure_set *set, const char *name, const cj__edge *edge, double rate)
{
    if (!(rate > 0) || !edge->measured)
        return cj__add_missing(set, name, "s", rate > 0 ? edge->why : no_rate);
    if (edge->coarse)
        return cj__add_bound(set, name, "s", CJ_BELOW, edge->bound / rate, too_fast);
    return cj__add_value(set, name, "s", edge->seconds / rate, edge->u / rate);
}

static cj_status add_slew(const cj__analysis *all, const cj__edges *edges, const char *unit,
                          cj_figure_set *set)
{
    double rate = all->about->rate_hz;
    const cj__edge *slow =
        edges->rise.measured && (!edges->fall.measured || edges->rise.slope < edges->fall.slope)
            ? &edges->rise
            : &edges->fall;
    if (!(rate > 0) || !slow->measured)
        return cj__add_missing(set, "slew_v_per_s", unit, rate > 0 ? slow->why : no_rate);
    double slope = slow->slope * rate;
    if (slow->coarse || !slow->straight)
        return cj__add_bound(
            set, "slew_v_per_s", unit, CJ_ABOVE, slow->coarse ? 0.5 * slope : slope,
            slow->coarse ? too_fast
                         : "the edge is round: bandwidth limits it, or noise hides which");
    return cj__add_value(set, "slew_v_per_s", unit, slope,
                         hypot(slow->slope_u * rate, all->chain.gain * slope));
}

static cj_status add_overshoot(const cj__analysis *all, const cj__edges *edges, cj_figure_set *set)
{
    const cj__edge *more =
        edges->rise.measured && (!edges->fall.measured || edges->rise.over > edges->fall.over)
            ? &edges->rise
            : &edges->fall;
    static const char name[] = "overshoot_percent";
    if (!more->measured)
        return cj__add_missing(set, name, "%", more->why);
    if (more->coarse && all->about->kind == CJ_KIND_AUDIO)
        return cj__add_missing(set, name, "%",
                               "the edge is as fast as the recorder: its own filter rings");
    /* the largest of many cells: noise alone reaches some four of its standard deviations */
    if (more->over < fmax(1e-6, 4 * more->over_u))
        return cj__add_bound(set, name, "%", CJ_BELOW, 100 * (more->over + more->over_u),
                             "no overshoot stands out of the noise");
    return cj__add_value(set, name, "%", 100 * more->over, 100 * more->over_u);
}

cj_status cj__edge_figures(const cj__analysis *all, int channel, cj_figure_set *set)
{
    const cj__edges *edges = &all->edges[channel];
    if (!edges->present)
        return CJ_OK;
    const char *volts = all->about->channels[all->about->selected[channel]].unit;
    /* units live as long as the capture: only the usual ones have a rate of change */
    const char *unit = volts[0] == 'V' ? "V/s" : volts[0] == 'F' ? "FS/s" : "?";
    ADD(add_time(set, "rise_s", &edges->rise, all->about->rate_hz));
    ADD(add_time(set, "fall_s", &edges->fall, all->about->rate_hz));
    ADD(add_slew(all, edges, unit, set));
    return add_overshoot(all, edges, set);
}
