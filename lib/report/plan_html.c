/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * The bench sheet as a page: one file, no script, nothing fetched. It is for paper: black on white,
 * a box to tick and a line to write on for each step, no step cut by the end of a sheet, margins
 * that fit A4 and Letter.
 */
#include "report/html.h"
#include "report/plan.h"

static const char style[] =
    ".cautions{border:1.5pt solid #000;padding:1mm 3mm}"
    ".step{border-top:1pt solid #000;padding:2mm 0 1mm;break-inside:avoid;page-break-inside:avoid}"
    ".step h3{font-size:12pt;margin:0 0 1mm}"
    ".box{display:inline-block;width:4mm;height:4mm;border:1pt solid #000;margin-right:2mm;"
    "vertical-align:-0.5mm}"
    "dl{display:grid;grid-template-columns:20mm 1fr;margin:0}dt{font-weight:bold}dd{margin:0}"
    "td.own{width:45mm}"
    "b{border-bottom:1pt solid #000}";

static const cj__mark bold = {"\1", "\2"};

static void write_row(cj_text *out, const char *head, cj_text *text)
{
    if (text->length > 0) {
        cj_text_add(out, "<dt>%s</dt><dd>", head);
        cj__html_moved(out, text);
        cj_text_add(out, "</dd>\n");
    }
    out->failed = out->failed || text->failed;
    cj_text_free(text);
}

static void write_readings(cj_text *out, const cj_plan *plan, const cj_plan_item *item)
{
    const cj_step_figures *figures = &plan->healthy->steps[item->step];
    bool any = false;
    for (size_t i = 0; i < figures->predicted_count; i++) {
        cj_text label = {0}, value = {0};
        if (!cj__shows(plan->board, figures, &figures->predicted[i]))
            continue;
        if (!any)
            cj_text_add(out,
                        "<table><tr><th>a good unit reads</th><th></th><th>this unit</th></tr>\n");
        any = true;
        cj__plan_figure(&label, &value, &figures->predicted[i]);
        cj_text_add(out, "<tr><td>");
        cj__html_moved(out, &label);
        cj_text_add(out, "</td><td>");
        cj__html_moved(out, &value);
        cj_text_add(out, "</td><td class=\"own\"></td></tr>\n");
    }
    if (any)
        cj_text_add(out, "</table>\n");
}

static void write_step(cj_text *out, const cj_plan *plan, size_t i, const cj__stand *before)
{
    const cj_plan_item *item = &plan->items[i];
    const cj_step *step = &plan->board->steps[item->step];
    cj_text row = {0};
    cj_text_add(out, "<div class=\"step\">\n<h3><span class=\"box\"></span>%zu. ", i + 1);
    cj__html_text(out, step->name);
    cj_text_add(out, "</h3>\n<dl>\n");
    if (!before->known || before->power_off != step->power_off)
        cj_text_add(&row, step->power_off ? "\1off\2, and wait until it is discharged"
                                          : "\1on\2, after the cautions above");
    write_row(out, "Power", &row);
    cj__plan_leads(&row, plan, i, before, bold);
    write_row(out, "Leads", &row);
    cj__plan_set(&row, plan, i, before, true, bold);
    write_row(out, "Set", &row);
    if (step->wait_s > 0) {
        cj__write_short(&row, step->wait_s, "s");
        cj_text_add(&row, " before the capture");
    }
    write_row(out, "Wait", &row);
    if (item->plays) {
        cj__write_clean(&row, item->file);
        cj_text_add(&row, ": ");
    }
    cj__plan_signal(&row, plan, item);
    write_row(out, "Play", &row);
    cj__plan_save(&row, plan->board, step);
    write_row(out, "Save", &row);
    cj_text_add(out, "</dl>\n");
    write_readings(out, plan, item);
    cj_text_add(out, "</div>\n");
}

static void write_head(cj_text *out, const cj_board *board)
{
    cj__html_head(out, "Bench sheet: ", board->name, style);
    cj_text_add(out, "<h1>");
    cj__html_text(out, board->name);
    cj_text_add(out, "</h1>\n<p>");
    cj__html_text(out, board->title);
    cj_text_add(out, "</p>\n<p>Unit ____________________ Date ______________ By "
                     "____________________</p>\n");
}

cj_status cj_report_plan_html(const cj_plan *plan, cj_text *out, cj_error *err)
{
    size_t start = out->length;
    cj_lines cautions = {0};
    cj_text level = {0};
    cj__stand stand = {.drive = -1};
    write_head(out, plan->board);
    if (!cj__plan_cautions(plan->board, &cautions))
        out->failed = true;
    cj_text_add(out, "<div class=\"cautions\">\n<h2>Before anything else</h2>\n<ul>\n");
    for (size_t i = 0; i < cautions.count; i++) {
        cj_text_add(out, "<li>");
        cj__html_text(out, cautions.items[i]);
        cj_text_add(out, "</li>\n");
    }
    cj_lines_free(&cautions);
    cj_text_add(out, "</ul>\n</div>\n<h2>Level</h2>\n<p>");
    cj__plan_level(&level, plan);
    cj__html_moved(out, &level);
    cj_text_add(out, "</p>\n<h2>Steps</h2>\n<p>In the order that changes least; what is "
                     "<b>underlined</b> was changed since the step before.</p>\n");
    for (size_t i = 0; i < plan->count; i++) {
        write_step(out, plan, i, &stand);
        stand = cj__stand_after(plan, i, &stand);
    }
    cj_text_add(out, "</body>\n</html>\n");
    return cj__finish(out, start, err);
}
