/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Gain and phase against frequency, with what a good unit may read behind them. */
#include "report/plot.h"

#include <math.h>

enum { WIDE = 680, COLUMNS = 300 };

static const double SIGMAS = 3; /* of the healthy spread */

static void write_range(cj__plots *plots, const char *axis, double low, double high)
{
    cj_text_add(&plots->script, "set %srange [", axis);
    cj__plot_number(plots, low);
    cj_text_add(&plots->script, ":");
    cj__plot_number(plots, high);
    cj_text_add(&plots->script, "]\n");
}

/* Phases run on from the first one by the shortest way, so that a curve does not leap at half a
 * turn. */
static double unwrap(double phase, double before)
{
    return isfinite(before) ? phase - 360 * round((phase - before) / 360) : phase;
}

struct curve {
    const cj_response *response;
    const cj__healthy_band *band;
    bool phase;
};

static double band_middle(const cj__healthy_band *band, size_t i, bool phase, double before)
{
    return phase ? unwrap(band->phase_deg[i], before) : band->gain_db[i];
}

static double band_sigma(const cj__healthy_band *band, size_t i, bool phase)
{
    return phase ? band->phase_sigma[i] : band->gain_sigma[i];
}

static void note(double value, double *low, double *high)
{
    if (isfinite(value)) {
        *low = fmin(*low, value);
        *high = fmax(*high, value);
    }
}

static double curve_value(const struct curve *curve, size_t i, double before)
{
    return curve->phase ? unwrap(curve->response->phase_deg[i], before)
                        : curve->response->gain_db[i];
}

static void find_reach(const struct curve *curve, double *low, double *high)
{
    double before = NAN;
    *low = INFINITY;
    *high = -INFINITY;
    for (size_t i = 0; i < curve->response->count; i++) {
        double value = curve_value(curve, i, before);
        before = isfinite(value) ? value : before;
        note(value, low, high);
    }
    before = *low <= *high ? (*low + *high) / 2 : NAN;
    for (size_t i = 0; curve->band != NULL && i < curve->band->count; i++) {
        double middle = band_middle(curve->band, i, curve->phase, before);
        double sigma = SIGMAS * band_sigma(curve->band, i, curve->phase);
        before = middle;
        note(middle - sigma, low, high);
        note(middle + sigma, low, high);
    }
    if (!(*low <= *high))
        *low = *high = 0;
    double least = curve->phase ? 10 : 2, room = fmax((*high - *low) * 0.08, least / 2);
    *low -= room;
    *high += room;
}

static void write_band(cj__plots *plots, const struct curve *curve, double start)
{
    double before = start;
    for (size_t i = 0; i < curve->band->count; i++) {
        double middle = band_middle(curve->band, i, curve->phase, before);
        double sigma = SIGMAS * band_sigma(curve->band, i, curve->phase);
        before = middle;
        cj__plot_number(plots, curve->band->hz[i]);
        cj__plot_number(plots, middle - sigma);
        cj__plot_number(plots, middle + sigma);
        cj_text_add(&plots->script, "\n");
    }
    cj_text_add(&plots->script, "e\n");
}

static void write_curve(cj__plots *plots, const struct curve *curve)
{
    const cj_response *response = curve->response;
    size_t step = response->count / COLUMNS + 1;
    double before = NAN;
    for (size_t i = 0; i < response->count; i++) {
        double value = curve_value(curve, i, before);
        before = isfinite(value) ? value : before;
        if (i % step != 0 && i + 1 < response->count)
            continue;
        cj__plot_number(plots, response->hz[i]);
        cj__plot_number(plots, value);
        cj_text_add(&plots->script, "\n");
    }
    cj_text_add(&plots->script, "e\n");
}

static int plot_one(cj__plots *plots, const struct curve *curve)
{
    const cj_response *response = curve->response;
    double low, high;
    int plot = cj__plot_begin(plots, WIDE, curve->phase ? 190 : 240);
    cj_text *script = &plots->script;
    find_reach(curve, &low, &high);
    write_range(plots, "x", response->hz[0], response->hz[response->count - 1]);
    write_range(plots, "y", low, high);
    cj_text_add(script,
                "set logscale x\nset xlabel 'frequency, Hz'\nset ylabel '%s'\n"
                "set xtics format '%%.0s%%c'\nset mxtics 10\n"
                "set key above left horizontal samplen 3\n"
                "set grid y lw 0.4 lc rgb " CJ__INK_GRID "\nplot ",
                curve->phase ? "phase, \xc2\xb0" : "gain, dB");
    if (curve->band != NULL)
        cj_text_add(script,
                    "'-' title 'a good unit, three sigma' with filledcurves fc rgb " CJ__INK_BAND
                    " fs solid noborder, ");
    cj_text_add(script, "'-' title 'this unit' with lines lw 1.7 lc rgb " CJ__INK_SECOND "\n");
    if (curve->band != NULL)
        write_band(plots, curve, response->count > 0 ? curve_value(curve, 0, NAN) : NAN);
    write_curve(plots, curve);
    return plot;
}

void cj__plot_response(cj__plots *plots, const cj_response *response, const cj__healthy_band *band,
                       int plot[2])
{
    plot[0] = plot[1] = CJ__NO_PLOT;
    if (response == NULL || response->count < 2)
        return;
    for (int k = 0; k < 2; k++) {
        struct curve curve = {.response = response, .band = band, .phase = k == 1};
        plot[k] = plot_one(plots, &curve);
    }
}
