/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sweep_track.c - a logarithmic sweep is a straight line of ln f over time. */
#include "signal/internal.h"
#include "signal/sweep.h"

#include <math.h>

#define MAIN_LOBE                                                                                  \
    3 /* bins to either side of the strongest that are the line, under a Hann window */

cj_status cj__glimpse_take(cj_spectra *spectra, double *x, size_t n, double rate_hz,
                           cj__glimpse *out, cj_error *err)
{
    double mean = 0, square = 0;
    cj_complex *bins = cj_new(n / 2 + 1, sizeof *bins);
    if (bins == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < n; i++)
        mean += x[i] / (double)n;
    for (size_t i = 0; i < n; i++) {
        x[i] -= mean;
        square += x[i] * x[i];
        double s = sin(CJ__TWO_PI / 2 * ((double)i + 0.5) / (double)n);
        x[i] *= s * s;
    }
    *out = (cj__glimpse){.rms = sqrt(square / (double)n)};
    cj_status status = cj_spectrum(spectra, x, n, bins, err);
    double total = 0, best = 0, line = 0, moment = 0;
    size_t at = 0;
    for (size_t k = 1; status == CJ_OK && k < n / 2; k++) {
        double power = bins[k].re * bins[k].re + bins[k].im * bins[k].im;
        total += power;
        if (power > best) {
            best = power;
            at = k;
        }
    }
    /* a glide widens the line: what is within a third of its height to both sides */
    size_t low = at, high = at;
    for (; low > 1 && (bins[low].re * bins[low].re + bins[low].im * bins[low].im > best / 30 ||
                       at - low < MAIN_LOBE);
         low--)
        continue;
    for (; high + 1 < n / 2 &&
           (bins[high].re * bins[high].re + bins[high].im * bins[high].im > best / 30 ||
            high - at < MAIN_LOBE);
         high++)
        continue;
    for (size_t k = low; at > 0 && k <= high; k++) {
        double power = bins[k].re * bins[k].re + bins[k].im * bins[k].im;
        line += power;
        moment += power * (double)k;
    }
    if (line > 0) {
        double place = moment / line;
        out->hz = place * rate_hz / (double)n;
        out->ln_hz = log(out->hz);
        out->blur = 1 / place;
        out->share = line / total;
    }
    cj_free(bins);
    return status;
}

double cj__track_hz(const cj__track *track, double time_s)
{
    return 1000 * exp((time_s - track->at_1k_s) / track->scale_s);
}

double cj__track_time(const cj__track *track, double hz)
{
    return track->at_1k_s + track->scale_s * log(hz / 1000);
}

/* ---- the line through most glimpses ---- */

#define WINDOWS_APART 0.03 /* of ln hz: what counts as on the line, beside the blur */

static bool usable(const cj__glimpse *g, double loud)
{
    return g->hz > 0 && g->share > 0.5 && g->rms > loud / 30 && g->blur < 0.2;
}

static double loudest(const cj__glimpse *g, size_t count)
{
    double loud = 0;
    for (size_t i = 0; i < count; i++)
        loud = fmax(loud, g[i].share > 0.5 ? g[i].rms : 0);
    return loud;
}

struct line {
    double slope, at; /* ln hz = at + slope time */
};

static bool on(const struct line *line, const cj__glimpse *g)
{
    double off = g->ln_hz - line->at - line->slope * g->time_s;
    return fabs(off) < WINDOWS_APART + g->blur;
}

static size_t count_on(const struct line *line, const cj__glimpse *g, size_t count, double loud)
{
    size_t found = 0;
    for (size_t i = 0; i < count; i++)
        found += usable(&g[i], loud) && on(line, &g[i]);
    return found;
}

static size_t best_line(const cj__glimpse *g, size_t count, double loud, struct line *best)
{
    size_t most = 0;
    for (size_t i = 0; i < count; i++)
        for (size_t k = i + 3; k < count && usable(&g[i], loud); k++) {
            if (!usable(&g[k], loud) || !(g[k].hz > 1.05 * g[i].hz))
                continue;
            struct line line = {.slope = (g[k].ln_hz - g[i].ln_hz) / (g[k].time_s - g[i].time_s)};
            line.at = g[i].ln_hz - line.slope * g[i].time_s;
            size_t found = count_on(&line, g, count, loud);
            if (found > most) {
                most = found;
                *best = line;
            }
        }
    return most;
}

/* Least squares over the glimpses on the line. */
static void refine(const cj__glimpse *g, size_t count, double loud, struct line *line,
                   double *scatter)
{
    double w = 0, t = 0, f = 0, tt = 0, tf = 0, left = 0;
    for (size_t i = 0; i < count; i++)
        if (usable(&g[i], loud) && on(line, &g[i])) {
            double weight = 1 / (1e-6 + g[i].blur * g[i].blur);
            w += weight;
            t += weight * g[i].time_s;
            f += weight * g[i].ln_hz;
        }
    t /= w;
    f /= w;
    for (size_t i = 0; i < count; i++)
        if (usable(&g[i], loud) && on(line, &g[i])) {
            double weight = 1 / (1e-6 + g[i].blur * g[i].blur);
            tt += weight * (g[i].time_s - t) * (g[i].time_s - t);
            tf += weight * (g[i].time_s - t) * (g[i].ln_hz - f);
        }
    struct line was = *line;
    line->slope = tf / tt;
    line->at = f - line->slope * t;
    for (size_t i = 0; i < count; i++)
        if (usable(&g[i], loud) && on(&was, &g[i])) {
            double off = g[i].ln_hz - line->at - line->slope * g[i].time_s;
            left += off * off / (1e-6 + g[i].blur * g[i].blur) / w;
        }
    *scatter = sqrt(left) / line->slope;
}

bool cj__track_fit(const cj__glimpse *g, size_t count, cj__track *out)
{
    double loud = loudest(g, count), scatter = 0;
    struct line line = {0, 0};
    if (best_line(g, count, loud, &line) < 8)
        return false;
    for (int turn = 0; turn < 3; turn++)
        refine(g, count, loud, &line, &scatter);
    size_t first = count, last = 0, within = 0, hits = 0;
    for (size_t i = 0; i < count; i++)
        if (usable(&g[i], loud) && on(&line, &g[i])) {
            first = first == count ? i : first;
            last = i;
            hits++;
        }
    if (hits < 8 || !(line.slope > 0))
        return false;
    for (size_t i = first; i <= last; i++)
        within += g[i].rms > loud / 30 && g[i].blur < 0.2;
    *out = (cj__track){.scale_s = 1 / line.slope,
                       .at_1k_s = (log(1000) - line.at) / line.slope,
                       .first_s = g[first].time_s,
                       .last_s = g[last].time_s,
                       .at_u = scatter};
    return 4 * hits >= 3 * within && line.slope * (out->last_s - out->first_s) > M_LN2;
}
