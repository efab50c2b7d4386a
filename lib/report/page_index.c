/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The index of a folder of pages: the units of each board with their verdicts, and how the figures
 * ran. */
#include "report/log.h"
#include "report/page.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { CHARTS = 6, LEAST_VALUES = 5 };

/* ---- charts ---- */

struct candidate {
    const cj_logged_values *figure;
    cj__chart chart;
    double room; /* Cpk of the good ones: the least first */
    int plot;
};

struct sheet {
    const cj_index *index;
    const char **names; /* [runs of the batch] serial numbers */
    struct candidate *chosen;
    size_t count;
    cj__plots *plots;
};

/* Lines come from the units that keep the limit: a broken unit says nothing about how good ones
 * scatter. */
static bool is_inside(const cj_logged_values *figure, double value)
{
    return isfinite(value) && !(value < figure->min) && !(value > figure->max);
}

/* good: room for as many values as there are runs. */
static bool judge(const cj_logged_values *figure, size_t runs, double *good, struct candidate *out)
{
    size_t count = 0;
    for (size_t i = 0; i < runs; i++)
        if (is_inside(figure, figure->values[i]))
            good[count++] = figure->values[i];
    if (count < LEAST_VALUES)
        return false;
    cj_chart chart = cj_chart_make(good, count);
    cj_summary summary = cj_summarise(good, count);
    double cpk = cj_capable(&summary, figure->min, figure->max).cpk;
    *out = (struct candidate){.figure = figure,
                              .chart = {.values = figure->values,
                                        .count = runs,
                                        .centre = chart.centre,
                                        .lower = chart.lower,
                                        .upper = chart.upper,
                                        .min = figure->min,
                                        .max = figure->max},
                              .room = isnan(cpk) ? INFINITY : cpk};
    return true;
}

static int by_room(const void *one, const void *other)
{
    double a = ((const struct candidate *)one)->room, b = ((const struct candidate *)other)->room;
    return a < b ? -1 : a > b;
}

static bool choose(struct sheet *sheet)
{
    const cj_batch_log *batch = sheet->index->batch;
    size_t figures = batch != NULL ? batch->figure_count : 0;
    size_t runs = batch != NULL ? batch->run_count : 0;
    sheet->chosen = cj_new(figures + 1, sizeof *sheet->chosen);
    sheet->names = cj_new(runs + 1, sizeof *sheet->names);
    double *good = cj_new(runs + 1, sizeof *good);
    if (sheet->chosen == NULL || sheet->names == NULL || good == NULL) {
        cj_free(good);
        return false;
    }
    for (size_t i = 0; i < runs; i++)
        sheet->names[i] = batch->runs[i].unit;
    for (size_t i = 0; i < figures; i++)
        if (batch->figures[i].limited && !(batch->figures[i].hz > 0) &&
            judge(&batch->figures[i], runs, good, &sheet->chosen[sheet->count]))
            sheet->count++;
    cj_free(good);
    qsort(sheet->chosen, sheet->count, sizeof *sheet->chosen, by_room);
    sheet->count = sheet->count < CHARTS ? sheet->count : CHARTS;
    for (size_t i = 0; i < sheet->count; i++) {
        sheet->chosen[i].chart.names = sheet->names;
        sheet->chosen[i].chart.unit = sheet->chosen[i].figure->unit;
        sheet->chosen[i].plot = cj__plot_chart(sheet->plots, &sheet->chosen[i].chart);
    }
    return true;
}

static void write_charts(cj_text *out, const struct sheet *sheet)
{
    if (sheet->count == 0)
        return;
    cj_text_add(out,
                "<h3>How the figures ran</h3>\n<p>Of the figures with limits those that have the "
                "least room. The mean and the thin lines three sigma from it are of the units "
                "within the limits; sigma comes from the step from each unit to the next. A ringed "
                "unit lies beyond these lines; one far off stands at the edge, with its "
                "value.</p>\n");
    for (size_t i = 0; i < sheet->count; i++) {
        cj_text caption = {0};
        cj__write_step_figure(&caption, sheet->chosen[i].figure->step,
                              sheet->chosen[i].figure->key);
        cj__plot_write(out, sheet->plots, sheet->chosen[i].plot,
                       caption.failed ? "" : caption.bytes);
        out->failed = out->failed || caption.failed;
        cj_text_free(&caption);
    }
}

/* ---- units ---- */

static void write_row(cj_text *out, const cj_index_row *row)
{
    const cj_run_head *head = row->head;
    cj_text text = {0};
    cj_text_add(out, head->verdict == CJ_FAIL ? "<tr class=\"bad\"><td>" : "<tr><td>");
    if (row->file != NULL) {
        cj_text_add(out, "<a href=\"");
        cj__html_text(out, row->file);
        cj_text_add(out, "\">");
    }
    cj__html_text(out, head->unit);
    cj_text_add(out, "%s</td><td>%s</td><td class=\"n\">", row->file != NULL ? "</a>" : "",
                cj__verdict_word(head->verdict));
    cj__write_time(&text, head->at);
    cj__html_moved(out, &text);
    cj_text_add(out, "</td><td>");
    if (head->worst_step[0])
        cj__write_step_figure(&text, head->worst_step, head->worst_figure);
    cj__html_moved(out, &text);
    cj_text_add(out, "</td><td>");
    if (head->fault[0] && head->verdict != CJ_PASS) {
        cj__write_fault_notation(&text, head->fault);
        cj_text_add(&text, " (");
        cj__write_probability(&text, head->probability);
        cj_text_add(&text, ")");
    }
    cj__html_moved(out, &text);
    cj_text_add(out, "</td></tr>\n");
}

static void write_board(cj_text *out, const struct sheet *sheet)
{
    const cj_index *index = sheet->index;
    size_t counts[3] = {0};
    for (size_t i = 0; i < index->row_count; i++)
        counts[index->rows[i].head->verdict]++;
    cj_text_add(out, "<h2>");
    cj__html_text(out, index->title[0] ? index->title : index->board);
    cj_text_add(out,
                "</h2>\n<p class=\"verdict\">%zu unit%s: <b>%zu pass</b>, <b>%zu fail</b>, %zu "
                "undecided.</p>\n",
                index->row_count, index->row_count == 1 ? "" : "s", counts[CJ_PASS],
                counts[CJ_FAIL], counts[CJ_VERDICT_UNDECIDED]);
    cj_interval yield = cj_wilson(counts[CJ_PASS], index->row_count, 0.95);
    if (index->row_count > 0)
        cj_text_add(
            out,
            "<p>Yield %.0f %%; from so many units alone it may lie anywhere between %.0f %% and "
            "%.0f %% (Wilson's interval, 95 %%).</p>\n",
            100 * (double)counts[CJ_PASS] / (double)index->row_count, 100 * yield.low,
            100 * yield.high);
    cj_text_add(out, "<table><tr><th>unit</th><th>verdict</th><th>measured</th><th>least room "
                     "to a limit</th><th>first finding</th></tr>\n");
    for (size_t i = 0; i < index->row_count; i++)
        write_row(out, &index->rows[i]);
    cj_text_add(out, "</table>\n");
    write_charts(out, sheet);
}

/* What gnuplot's points refer to; once a page. */
static const char points[] =
    "<svg style=\"position:absolute;width:0;height:0\" aria-hidden=\"true\"><defs>"
    "<circle id=\"gpPt5\" stroke-width=\"0.222\" stroke=\"currentColor\" fill=\"none\" r=\"1\"/>"
    "<circle id=\"gpPt6\" fill=\"currentColor\" stroke=\"none\" r=\"1\"/></defs></svg>\n";

cj_status cj_report_index(const cj_index *boards, size_t count, cj_text *out, cj_error *err)
{
    size_t start = out->length;
    cj__plots plots = {0};
    struct sheet *sheets = cj_new(count + 1, sizeof *sheets);
    bool good = sheets != NULL;
    for (size_t i = 0; good && i < count; i++) {
        sheets[i] = (struct sheet){.index = &boards[i], .plots = &plots};
        good = choose(&sheets[i]);
    }
    good = good && cj__plots_run(&plots);
    if (good) {
        cj__html_head(out, "Units", "", cj__page_style);
        cj_text_add(out, "<h1>Units measured, each with its latest run</h1>\n%s", points);
        if (plots.why[0]) {
            cj_text_add(out, "<p class=\"caution\">No curves: ");
            cj__html_text(out, plots.why);
            cj_text_add(out, ".</p>\n");
        }
        for (size_t i = 0; i < count; i++)
            write_board(out, &sheets[i]);
        cj_text_add(out, "<p class=\"small\">coldjoint %s.</p>\n</body>\n</html>\n", cj_version());
    }
    for (size_t i = 0; sheets != NULL && i < count; i++) {
        cj_free(sheets[i].chosen);
        cj_free(sheets[i].names);
    }
    cj_free(sheets);
    cj__plots_free(&plots);
    return good ? cj__finish(out, start, err) : cj_fail_memory(err);
}
