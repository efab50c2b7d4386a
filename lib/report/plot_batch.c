/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One figure over the units of a batch: a chart of individuals. */
#include "report/plot.h"

#include <math.h>
#include <string.h>

enum { NAMED = 30 /* units whose serial numbers stand under the axis */ };

static bool finds(const double *values, size_t i)
{
    return isfinite(values[i]);
}

static void write_line(cj__plots *plots, double y, const char *style, const char *name)
{
    if (!isfinite(y))
        return;
    cj_text_add(&plots->script, "set arrow from graph 0, first");
    cj__plot_number(plots, y);
    cj_text_add(&plots->script, " to graph 1, first");
    cj__plot_number(plots, y);
    cj_text_add(&plots->script, " nohead %s\nset label ", style);
    cj__plot_text(plots, name);
    cj_text_add(&plots->script, " at graph 1.01, first");
    cj__plot_number(plots, y);
    cj_text_add(&plots->script, " font 'sans-serif,11'\n");
}

static bool is_inside(const cj__chart *chart, double value)
{
    return isfinite(value) && !(value < chart->min) && !(value > chart->max);
}

/* A value beyond the picture stands just inside its edge. */
static double at_edge(double value, const double edge[2])
{
    double room = 0.04 * (edge[1] - edge[0]);
    return fmin(fmax(value, edge[0] + room), edge[1] - room);
}

/* The edges of the picture. */
static void find_reach(const cj__chart *chart, double edge[2])
{
    double low = chart->lower, high = chart->upper;
    for (size_t i = 0; i < chart->count; i++)
        if (is_inside(chart, chart->values[i])) {
            low = fmin(low, chart->values[i]); /* fmin passes over NaN */
            high = fmax(high, chart->values[i]);
        }
    double span = high - low > 0 ? high - low : fmax(fabs(high), 1e-9);
    /* a limit that is near belongs into the picture; one far away would press all points flat */
    if (chart->min > low - 1.5 * span)
        low = fmin(low, chart->min);
    if (chart->max < high + 1.5 * span)
        high = fmax(high, chart->max);
    span = high - low > 0 ? high - low : span;
    edge[0] = low - 0.12 * span;
    edge[1] = high + 0.14 * span;
}

static void write_ranges(cj__plots *plots, const cj__chart *chart, const double edge[2])
{
    cj_text_add(&plots->script, "set xrange [0.5:");
    cj__plot_number(plots, (double)chart->count + 0.5);
    cj_text_add(&plots->script, "]\nset yrange [");
    cj__plot_number(plots, edge[0]);
    cj_text_add(&plots->script, ":");
    cj__plot_number(plots, edge[1]);
    cj_text_add(&plots->script, "]\n");
    for (size_t i = 0; i < chart->count; i++) {
        double value = chart->values[i];
        if (!(value < edge[0]) && !(value > edge[1]))
            continue;
        cj_text label = {0};
        cj__write_rounded(&label, value, NAN, chart->unit);
        cj_text_add(&plots->script, "set label ");
        cj__plot_text(plots, label.failed ? "" : label.bytes);
        cj_text_add(&plots->script, " at %zu,", i + 1);
        cj__plot_number(plots, at_edge(value, edge));
        cj_text_add(&plots->script, " %s offset %d,0 font 'sans-serif,11'\n",
                    2 * i < chart->count ? "left" : "right", 2 * i < chart->count ? 1 : -1);
        cj_text_free(&label);
    }
}

static void write_names(cj__plots *plots, const cj__chart *chart)
{
    if (chart->count > NAMED) {
        cj_text_add(&plots->script, "set xlabel 'unit, in the order measured'\n");
        return;
    }
    cj_text_add(&plots->script,
                "set bmargin 4\nset xtics rotate by 50 right font 'sans-serif,11' (");
    for (size_t i = 0; i < chart->count; i++) {
        cj_text name = {0};
        cj__write_clean(&name, chart->names[i]);
        if (!name.failed && cj__width(name.bytes) > 12) {
            name.length = 0;
            cj_text_add(&name, "%zu", i + 1);
        }
        cj_text_add(&plots->script, "%s", i ? ", " : "");
        cj__plot_text(plots, name.failed ? "" : name.bytes);
        cj_text_add(&plots->script, " %zu", i + 1);
        cj_text_free(&name);
    }
    cj_text_add(&plots->script, ")\n");
}

static void write_points(cj__plots *plots, const cj__chart *chart, const double edge[2],
                         bool out_alone)
{
    for (size_t i = 0; i < chart->count; i++) {
        bool out = chart->values[i] < chart->lower || chart->values[i] > chart->upper;
        if (!finds(chart->values, i) || (out_alone && !out))
            continue;
        cj_text_add(&plots->script, " %zu", i + 1);
        cj__plot_number(plots, at_edge(chart->values[i], edge));
        cj_text_add(&plots->script, "\n");
    }
    cj_text_add(&plots->script, "e\n");
}

static int plot_scaled(cj__plots *plots, const cj__chart *chart)
{
    int plot = cj__plot_begin(plots, CJ__PLOT_WIDE, 220);
    bool any_out = false;
    double edge[2];
    for (size_t i = 0; i < chart->count; i++)
        any_out = any_out || chart->values[i] < chart->lower || chart->values[i] > chart->upper;
    cj_text_add(&plots->script, "set rmargin 14\nset lmargin 11\nset ytics autofreq\nset ylabel ");
    cj__plot_text(plots, chart->unit);
    cj_text_add(&plots->script, "\n");
    find_reach(chart, edge);
    write_ranges(plots, chart, edge);
    write_names(plots, chart);
    write_line(plots, chart->centre, "lw 0.8 lc rgb " CJ__INK_FIRST, "mean");
    write_line(plots, chart->lower, "lw 0.8 dt (5,4) lc rgb " CJ__INK_FIRST, "lower line");
    write_line(plots, chart->upper, "lw 0.8 dt (5,4) lc rgb " CJ__INK_FIRST, "upper line");
    write_line(plots, chart->min, "lw 1.6 lc rgb " CJ__INK_MARK, "limit");
    write_line(plots, chart->max, "lw 1.6 lc rgb " CJ__INK_MARK, "limit");
    cj_text_add(&plots->script,
                "plot '-' with lines lw 0.8 lc rgb " CJ__INK_SECOND
                ", '-' with points pt 7 ps 0.5 lc rgb " CJ__INK_SECOND "%s\n",
                any_out ? ", '-' with points pt 6 ps 1.4 lw 2 lc rgb " CJ__INK_MARK : "");
    write_points(plots, chart, edge, false);
    write_points(plots, chart, edge, false);
    if (any_out)
        write_points(plots, chart, edge, true);
    return plot;
}

/* Small volts are read in millivolts. */
int cj__plot_chart(cj__plots *plots, const cj__chart *chart)
{
    cj__chart scaled = *chart;
    double *values = NULL, size = fmax(fabs(chart->lower), fabs(chart->upper));
    if (strcmp(chart->unit, "V") == 0 && size < 0.3)
        values = cj_new(chart->count + 1, sizeof *values);
    if (values != NULL) {
        for (size_t i = 0; i < chart->count; i++)
            values[i] = 1e3 * chart->values[i];
        scaled.values = values;
        scaled.unit = "mV";
        double *const marks[] = {&scaled.centre, &scaled.lower, &scaled.upper, &scaled.min,
                                 &scaled.max};
        for (size_t i = 0; i < sizeof marks / sizeof marks[0]; i++)
            *marks[i] *= 1e3;
    }
    int plot = plot_scaled(plots, &scaled);
    cj_free(values);
    return plot;
}
