/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * DC drift: the means of some 64 stretches of the record, a tone taken out. drift_v_per_s is the
 * slope of the straight line through them; settled_v what an exponential through them runs to,
 * where the record shows enough of it.
 */
#include "figures/internal.h"

#include <math.h>

#define ADD(call)                                                                                  \
    do {                                                                                           \
        if ((call) != CJ_OK)                                                                       \
            return CJ_NOMEM;                                                                       \
    } while (0)

void cj__drift_add(cj__drift *drift, const double *left, size_t n, const cj__stretch *where)
{
    size_t total = where->total;
    for (size_t i = 0; i < n;) {
        size_t s = (where->start + i) * CJ__STRETCHES / total;
        size_t end = ((s + 1) * total + CJ__STRETCHES - 1) / CJ__STRETCHES - where->start;
        end = end > n || end <= i ? n : end;
        double sum = 0;
        for (size_t k = i; k < end; k++)
            sum += left[k];
        double count = (double)(end - i);
        drift->weight[s] += count;
        drift->sum[s] += sum + count * where->base;
        drift->time[s] += count * ((double)(where->start + i) + (count - 1) / 2);
        i = end;
    }
}

struct points {
    double t[CJ__STRETCHES], v[CJ__STRETCHES];
    int count;
    double span;
};

/* Straight line v = a + b z: returns the sum of squares it leaves. */
static double line_through(const struct points *p, const double *z, double *a, double *b,
                           double *bu, double *au)
{
    double n = p->count, sz = 0, sv = 0, szz = 0, szv = 0, rss = 0;
    for (int i = 0; i < p->count; i++) {
        sz += z[i];
        sv += p->v[i];
    }
    for (int i = 0; i < p->count; i++) {
        szz += (z[i] - sz / n) * (z[i] - sz / n);
        szv += (z[i] - sz / n) * (p->v[i] - sv / n);
    }
    *b = szz > 0 ? szv / szz : 0;
    *a = sv / n - *b * sz / n;
    for (int i = 0; i < p->count; i++)
        rss += pow(p->v[i] - *a - *b * z[i], 2);
    double s2 = rss / (n - 2);
    *bu = szz > 0 ? sqrt(s2 / szz) : INFINITY;
    *au = sqrt(s2 * (1 / n + (szz > 0 ? sz * sz / n / n / szz : 0)));
    return rss;
}

struct settling {
    double rss, level, level_u;
};

/* The best exponential of a time constant between a 30th of the record and twice it. */
static struct settling exponential(const struct points *p)
{
    struct settling best = {INFINITY, NAN, NAN};
    double z[CJ__STRETCHES];
    for (int k = 0; k < 60; k++) {
        double tau = p->span / 30 * pow(60, k / 59.0), a, b, bu, au;
        for (int i = 0; i < p->count; i++)
            z[i] = exp(-p->t[i] / tau);
        double rss = line_through(p, z, &a, &b, &bu, &au);
        if (rss < best.rss)
            best = (struct settling){rss, a, au};
    }
    /* neighbouring time constants that fit as well (F of one more unknown) widen the answer */
    double low = best.level, high = best.level;
    for (int k = 0; k < 60; k++) {
        double tau = p->span / 30 * pow(60, k / 59.0), a, b, bu, au;
        for (int i = 0; i < p->count; i++)
            z[i] = exp(-p->t[i] / tau);
        if (line_through(p, z, &a, &b, &bu, &au) < best.rss * (1 + 1.0 / (p->count - 3))) {
            low = fmin(low, a);
            high = fmax(high, a);
        }
    }
    best.level_u = hypot(best.level_u, (high - low) / 2);
    return best;
}

cj_status cj__drift_figures(const cj__analysis *all, int channel, cj_figure_set *set)
{
    const cj__drift *drift = &all->drift[channel];
    const cj_capture_info *about = all->about;
    const char *volts = about->channels[about->selected[channel]].unit;
    const char *unit = volts[0] == 'V' ? "V/s" : volts[0] == 'F' ? "FS/s" : "?";
    static const char name[] = "drift_v_per_s";
    struct points p = {0};
    for (int i = 0; i < CJ__STRETCHES; i++)
        if (drift->weight[i] > 0) {
            p.t[p.count] =
                drift->time[i] / drift->weight[i] / (about->rate_hz > 0 ? about->rate_hz : 1);
            p.v[p.count++] = drift->sum[i] / drift->weight[i];
        }
    if (about->coupling == CJ_COUPLING_AC || !(about->rate_hz > 0) || p.count < 16)
        return cj__add_missing(set, name, unit,
                               about->coupling == CJ_COUPLING_AC
                                   ? "AC-coupled input: DC does not get through"
                               : about->rate_hz > 0 ? "the record is too short"
                                                    : "the file states no sample rate");
    for (int i = p.count - 1; i >= 0; i--)
        p.t[i] -= p.t[0];
    p.span = p.t[p.count - 1];
    double a, b, bu, au, rss = line_through(&p, p.t, &a, &b, &bu, &au);
    struct settling settled = exponential(&p);
    /* bent beyond doubt: a third of what the line leaves is gone, with noise to spare */
    bool bent = settled.rss < 0.6 * rss && p.span >= 0.1;
    if (bent)
        bu *= sqrt(settled.rss / rss);
    if (!(fabs(b) > 4 * bu) || p.span < 0.1)
        return cj__add_bound(set, name, unit, CJ_BELOW, fabs(b) + 2 * bu,
                             p.span < 0.1 ? "a tenth of a second or more shows drift"
                                          : "no drift stands out of the noise");
    ADD(cj__add_value(set, name, unit, b, hypot(bu, all->chain.gain * b)));
    double moved = fabs(b) * p.span;
    if (!bent || !(settled.level_u < 0.5 * moved))
        return cj__add_missing(set, "settled_v", volts,
                               "the drift has not slowed enough to tell where it ends");
    return cj__add_value(
        set, "settled_v", volts, settled.level,
        hypot(settled.level_u, hypot(all->chain.gain * settled.level, all->chain.offset_v)));
}
