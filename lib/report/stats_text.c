/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The answer of `log stats`: yield, the figures with the least room first, what stands out, faults,
 * proposed limits. */
#include "report/board.h"
#include "report/log.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { FIGURES = 16, POINTS = 12, FAULTS = 10, SERIAL = 24 };

/* ---- figures ---- */

static void write_place(cj_text *out, const cj_logged_values *logged)
{
    cj__write_step_figure(out, logged->step, logged->key);
    if (logged->hz > 0) {
        cj_text_add(out, " at ");
        cj__write_rounded(out, logged->hz, NAN, "Hz");
    }
}

/* The least room first; those without limits last, in their order. */
static int by_room(const void *a, const void *b)
{
    const cj_figure_stats *one = *(const cj_figure_stats *const *)a,
                          *other = *(const cj_figure_stats *const *)b;
    double x = isnan(one->capable.cpk) ? INFINITY : one->capable.cpk,
           y = isnan(other->capable.cpk) ? INFINITY : other->capable.cpk;
    return x != y ? (x < y ? -1 : 1) : (one > other) - (one < other);
}

/* "0.60", with a point whatever the locale. */
static void write_hundredths(cj_text *out, double value)
{
    long cents = lround(100 * fmin(fabs(value), 1e6));
    cj_text_add(out, "%s%ld.%02ld", value < 0 && cents > 0 ? "-" : "", cents / 100, cents % 100);
}

static void write_cpk(cj_text *cells, const cj_capability *capable)
{
    if (isnan(capable->cpk)) {
        cj_text_add(&cells[0], "-");
        return;
    }
    write_hundredths(&cells[0], capable->cpk);
    write_hundredths(&cells[1], capable->cpk_interval.low);
    cj_text_add(&cells[1], " to ");
    write_hundredths(&cells[1], capable->cpk_interval.high);
}

static void put_figure(struct cj__grid *grid, const cj_figure_stats *figure)
{
    cj_text *row = cj__grid_row(grid);
    if (row == NULL)
        return;
    write_place(&row[0], figure->logged);
    cj_text_add(&row[1], "%zu", figure->summary.count);
    if (figure->summary.count == 0) {
        cj_text_add(&row[2], "never measured");
        return;
    }
    cj__write_value(&row[2], figure->summary.mean, figure->summary.spread, figure->logged->unit);
    write_cpk(&row[3], &figure->capable);
}

static void put_heading(struct cj__grid *grid)
{
    static const char *const words[] = {"", "units", "mean ± spread", "Cpk", "95 %"};
    cj_text *row = cj__grid_row(grid);
    for (int i = 0; row != NULL && i < 5; i++)
        cj_text_add(&row[i], "%s", words[i]);
}

static bool is_shown(const cj_batch *batch, const cj_figure_stats *figure)
{
    return figure->logged->limited || batch->proposed_count == 0;
}

static void write_figures(cj_text *out, const cj_batch *batch)
{
    const cj_figure_stats **order = cj_new(batch->figure_count + 1, sizeof *order);
    struct cj__grid grid = {.columns = 5, .right = {false, true, false, true}};
    size_t count = 0;
    if (order == NULL) {
        out->failed = true;
        return;
    }
    for (size_t i = 0; i < batch->figure_count; i++)
        if (is_shown(batch, &batch->figures[i]))
            order[count++] = &batch->figures[i];
    qsort(order, count, sizeof(cj_figure_stats *), by_room);
    if (count > 0) {
        cj_text_add(out, "\nFigures, those with the least room to their limits first\n");
        put_heading(&grid);
    }
    for (size_t i = 0; i < count && i < FIGURES; i++)
        put_figure(&grid, order[i]);
    cj__grid_write(&grid, 2, out);
    if (count > FIGURES)
        cj_text_add(out, "  and %zu more, in the answer of --json\n", count - FIGURES);
    cj__grid_free(&grid);
    cj_free(order);
}

/* ---- what stands out ---- */

static bool is_outlier(const cj_figure_stats *figure, size_t run)
{
    for (size_t i = 0; i < figure->outlier_count; i++)
        if (figure->outliers[i] == run)
            return true;
    return false;
}

static void write_why(cj_text *out, const cj_figure_stats *figure, const cj_out_point *point)
{
    const char *comma = "";
    if (is_outlier(figure, point->run)) {
        cj_text_add(out, "outlier");
        comma = ", ";
    }
    if (point->why & CJ_OUT_LIMITS) {
        cj_text_add(out, "%sbeyond the chart", comma);
        comma = ", ";
    }
    if (point->why & CJ_OUT_RANGE) {
        cj_text_add(out, "%sa jump", comma);
        comma = ", ";
    }
    if (point->why & CJ_OUT_RUN)
        cj_text_add(out, "%seight or more on one side", comma);
}

static void put_point(struct cj__grid *grid, const cj_batch *batch, const cj_figure_stats *figure,
                      const cj_out_point *point)
{
    cj_text *row = cj__grid_row(grid);
    if (row == NULL)
        return;
    cj__write_clean(&row[0], batch->log->runs[point->run].unit);
    cj__clip(&row[0], SERIAL);
    write_place(&row[1], figure->logged);
    cj__write_rounded(&row[2], figure->logged->values[point->run], figure->summary.spread,
                      figure->logged->unit);
    write_why(&row[3], figure, point);
}

/* Outliers within the chart's limits are points too. */
static size_t put_points(struct cj__grid *grid, const cj_batch *batch,
                         const cj_figure_stats *figure, size_t shown)
{
    size_t count = 0;
    for (size_t i = 0; i < figure->out_count; i++)
        if (shown + count++ < POINTS)
            put_point(grid, batch, figure, &figure->out[i]);
    for (size_t i = 0; i < figure->outlier_count; i++) {
        const cj_out_point point = {.run = figure->outliers[i]};
        bool known = false;
        for (size_t k = 0; k < figure->out_count; k++)
            known = known || figure->out[k].run == point.run;
        if (!known && shown + count++ < POINTS)
            put_point(grid, batch, figure, &point);
    }
    return count;
}

static void write_points(cj_text *out, const cj_batch *batch)
{
    struct cj__grid grid = {.columns = 4, .right = {false, false, true}};
    size_t count = 0;
    for (size_t i = 0; i < batch->figure_count; i++)
        if (is_shown(batch, &batch->figures[i]))
            count += put_points(&grid, batch, &batch->figures[i], count);
    if (count > 0)
        cj_text_add(out, "\nUnits that stand out (individuals chart; Grubbs' test at 95 %%)\n");
    cj__grid_write(&grid, 2, out);
    if (count > POINTS)
        cj_text_add(out, "  and %zu more, in the answer of --json\n", count - POINTS);
    cj__grid_free(&grid);
}

/* ---- faults ---- */

static void write_faults(cj_text *out, const cj_batch *batch)
{
    struct cj__grid grid = {.columns = 3, .right = {true, true}};
    if (batch->fault_count == 0)
        return;
    cj_text_add(out, "\nFaults\n");
    cj_text *row = cj__grid_row(&grid);
    if (row != NULL) {
        cj_text_add(&row[0], "repaired");
        cj_text_add(&row[1], "suspected");
    }
    for (size_t i = 0; i < batch->fault_count && i < FAULTS; i++) {
        const cj_fault_count *fault = &batch->faults[i];
        if ((row = cj__grid_row(&grid)) == NULL)
            break;
        cj_text_add(&row[0], "%zu", fault->confirmed);
        cj_text_add(&row[1], "%zu", fault->suspected);
        cj__write_fault_notation(&row[2], fault->fault);
    }
    cj__grid_write(&grid, 2, out);
    if (batch->fault_count > FAULTS)
        cj_text_add(out, "  and %zu more, in the answer of --json\n", batch->fault_count - FAULTS);
    cj__grid_free(&grid);
}

/* ---- proposed limits ---- */

/* A line for the board file. */
static void write_limit(cj_text *out, const cj_proposed *proposed)
{
    const char *key = proposed->logged->key, *net = strchr(key, '@');
    cj_text_add(out, "  - {step: ");
    cj__write_clean(out, proposed->logged->step);
    cj_text_add(out, ", figure: %.*s", (int)strcspn(key, "@"), key);
    if (net != NULL) {
        cj_text_add(out, ", of: ");
        cj__write_clean(out, net + 1);
    }
    if (!isnan(proposed->min)) {
        cj_text_add(out, ", min: ");
        cj__write_plain(out, proposed->min, 6);
    }
    if (!isnan(proposed->max)) {
        cj_text_add(out, ", max: ");
        cj__write_plain(out, proposed->max, 6);
    }
    cj_text_add(out, "}\n");
}

static void write_proposed(cj_text *out, const cj_batch *batch)
{
    if (batch->proposed_count == 0)
        return;
    cj_text_add(out, "\n");
    cj_text text = {0};
    cj_text_add(&text,
                "The board has no limits. From %zu good units: what holds 99 %% of all units with "
                "95 %% confidence, the figures being normal. As measured: a unit passes them only "
                "inside by its own expanded uncertainty.",
                batch->good);
    cj__write_item(out, 0, "", &text);
    out->failed = out->failed || text.failed;
    cj_text_free(&text);
    cj_text_add(out, "limits:\n");
    for (size_t i = 0; i < batch->proposed_count; i++)
        write_limit(out, &batch->proposed[i]);
}

/* ---- the whole ---- */

static void write_head(cj_text *out, const cj_batch *batch, const struct cj__colours *colours)
{
    size_t units = batch->log->run_count;
    cj_text_add(out, "%s", colours->bold);
    cj__write_clean(out, batch->board);
    cj_text_add(out, "%s: %zu unit%s: %zu pass, %zu fail, %zu undecided (the latest run of each)\n",
                colours->off, units, units == 1 ? "" : "s", batch->passed, batch->failed,
                batch->undecided);
    cj_text_add(out, "Yield ");
    cj__write_plain(out, round(1000.0 * (double)batch->passed / (double)units) / 10, 6);
    cj_text_add(out, " %%, with 95 %% confidence ");
    cj__write_plain(out, round(1000 * batch->yield.low) / 10, 6);
    cj_text_add(out, " to ");
    cj__write_plain(out, round(1000 * batch->yield.high) / 10, 6);
    cj_text_add(out, " %%\n");
}

cj_status cj_report_batch_text(const cj_batch *batch, const cj_report_style *style, cj_text *out,
                               cj_error *err)
{
    const struct cj__colours colours = cj__colours_of(style);
    size_t start = out->length;
    write_head(out, batch, &colours);
    write_figures(out, batch);
    write_points(out, batch);
    write_faults(out, batch);
    write_proposed(out, batch);
    return cj__finish(out, start, err);
}
