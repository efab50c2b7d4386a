/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * plot.h - curves on paper, drawn by gnuplot as SVG within the page.
 *
 * All plots of a page are one script, in memory, and one run: data stand in it as numbers, text in single
 * quotes, and no name of a file ever. Colours are those of the page's style (light, dark, print).
 */
#ifndef COLDJOINT_REPORT_PLOT_H
#define COLDJOINT_REPORT_PLOT_H

#include "coldjoint/circuit.h"
#include "report/internal.h"

enum { CJ__NO_PLOT = -1, CJ__PLOT_WIDE = 680, CJ__PLOT_HALF = 336 };

/* Colours by their role; Okabe and Ito 2008, "Color Universal Design", from memory, and grey. */
#define CJ__INK_FIRST "'#010101'"  /* the first channel, dashed, grey */
#define CJ__INK_SECOND "'#020202'" /* the second channel, blue */
#define CJ__INK_MARK "'#030303'"   /* what is pointed at, vermillion */
#define CJ__INK_BAND "'#040404'"   /* what a good unit may read, pale */
#define CJ__INK_GRID "'#050505'"

typedef struct cj__plots {
    cj_text script;
    int count;
    cj_text *drawn;   /* [count] after cj__plots_run, empty where a plot was not made */
    char why[160];    /* why there are none; "" */
} cj__plots;

/* Begins one more plot of that size (in CSS pixels) with plain axes; its number, CJ__NO_PLOT: out of memory. What is
 * added to ->script afterwards is its own. */
int cj__plot_begin(cj__plots *plots, int wide, int high);
/* 'text', cleaned, with quotes doubled. */
void cj__plot_text(cj__plots *plots, const char *text);
/* " VALUE" with six digits; NaN as gnuplot reads it. */
void cj__plot_number(cj__plots *plots, double value);
/* Runs gnuplot; whatever goes wrong is said in ->why. False: out of memory. */
bool cj__plots_run(cj__plots *plots);
/* The plot as a figure with its caption; nothing for CJ__NO_PLOT. */
void cj__plot_write(cj_text *out, const cj__plots *plots, int plot, const char *caption);
void cj__plots_free(cj__plots *plots);

/* ---- plot_trace.c, plot_spectrum.c, plot_response.c ---- */

/* What a plot is made of. names: of the channels, as the page calls them; may be NULL. */
typedef struct cj__plotted {
    cj_capture *capture;
    const cj_measurement *measurement;
    const char *names[2];
    bool compact; /* half as wide: two stand side by side */
} cj__plotted;

/* Both channels over two or three periods, or about a momentary loss. CJ__NO_PLOT where there is nothing to see. */
cj_status cj__plot_trace(cj__plots *plots, const cj__plotted *of, int *plot, cj_error *err);
/* Levels against frequency with harmonics, hum and stray line marked. */
cj_status cj__plot_spectrum(cj__plots *plots, const cj__plotted *of, int *plot, cj_error *err);

/* What a good unit reads over a range of frequencies: `count` values each; sigma its spread. */
typedef struct cj__healthy_band {
    size_t count;
    double hz[CJ_STEP_POINTS];
    double gain_db[CJ_STEP_POINTS], gain_sigma[CJ_STEP_POINTS];
    double phase_deg[CJ_STEP_POINTS], phase_sigma[CJ_STEP_POINTS];
} cj__healthy_band;

/* The channel's name, else its number. */
const char *cj__plot_channel(const cj__plotted *of, int channel);

/* One figure over the units of a batch. lower, upper: what the scatter explains; min, max: its limits (NaN: none). */
typedef struct cj__chart {
    const double *values; /* NaN: not measured */
    const char *const *names;
    size_t count;
    double centre, lower, upper, min, max;
    const char *unit;
} cj__chart;

int cj__plot_chart(cj__plots *plots, const cj__chart *chart);

/* Gain and phase, two plots; band may be NULL. */
void cj__plot_response(cj__plots *plots, const cj_response *response, const cj__healthy_band *band,
                       int plot[2]);

#endif
