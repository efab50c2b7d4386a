/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The answer of `plan` as text. */
#include "report/plan.h"

#include <string.h>

static const cj__mark arrow = {"\xe2\x86\x92 ", ""};

enum { INDENT = 4, HEAD = 8, CONTROLS_SHOWN = 6 };

static void write_row(cj_text *out, const char *head, cj_text *text)
{
    size_t start = out->length;
    if (text->length > 0) {
        cj_text_add(out, "%*s%-*s", INDENT, "", HEAD, head);
        cj__wrap(out, start, INDENT + HEAD, text->bytes);
    }
    out->failed = out->failed || text->failed;
    cj_text_free(text);
}

static void write_readings(cj_text *out, const cj_plan *plan, const cj_plan_item *item)
{
    const cj_step_figures *figures = &plan->healthy->steps[item->step];
    cj_text row = {0};
    for (size_t i = 0; i < figures->predicted_count; i++) {
        cj_text label = {0}, value = {0};
        if (!cj__shows(plan->board, figures, &figures->predicted[i]))
            continue;
        cj__plan_figure(&label, &value, &figures->predicted[i]);
        if (label.bytes != NULL && value.bytes != NULL)
            cj_text_add(&row, "%s%s: %s", row.length ? "; " : "", label.bytes, value.bytes);
        row.failed = row.failed || label.failed || value.failed;
        cj_text_free(&label);
        cj_text_free(&value);
    }
    write_row(out, "reads", &row);
}

static size_t control_count(const cj_board *board)
{
    size_t count = 0;
    for (size_t i = 0; i < board->part_count; i++)
        count += board->parts[i].kind == CJ_SWITCH || board->parts[i].kind == CJ_POTENTIOMETER;
    return count;
}

static void write_step(cj_text *out, const cj_plan *plan, size_t i, const cj__stand *before,
                       const struct cj__colours *colours)
{
    const cj_plan_item *item = &plan->items[i];
    const cj_step *step = &plan->board->steps[item->step];
    bool all = control_count(plan->board) <= CONTROLS_SHOWN;
    cj_text row = {0};
    cj_text_add(out, "\n%3zu %s", i + 1, colours->bold);
    cj__write_clean(out, step->name);
    cj_text_add(out, "%s\n", colours->off);
    if (!before->known || before->power_off != step->power_off)
        cj_text_add(&row, step->power_off ? "off, and wait until it is discharged"
                                          : "on, after the cautions above");
    write_row(out, "power", &row);
    cj__plan_leads(&row, plan, i, before, arrow);
    write_row(out, "leads", &row);
    cj__plan_set(&row, plan, i, before, all, arrow);
    write_row(out, "set", &row);
    if (step->wait_s > 0) {
        cj__write_short(&row, step->wait_s, "s");
        cj_text_add(&row, " before the capture");
    }
    write_row(out, "wait", &row);
    if (item->plays) {
        cj__write_clean(&row, item->file);
        cj_text_add(&row, ": ");
    }
    cj__plan_signal(&row, plan, item);
    write_row(out, "play", &row);
    cj__plan_save(&row, plan->board, step);
    write_row(out, "save", &row);
    write_readings(out, plan, item);
}

cj_status cj_report_plan_text(const cj_plan *plan, const cj_report_style *style, cj_text *out,
                              cj_error *err)
{
    size_t start = out->length;
    const cj_board *board = plan->board;
    struct cj__colours colours = cj__colours_of(style);
    cj_lines cautions = {0};
    cj_text level = {0};
    cj__stand stand = {.drive = -1};
    cj_text_add(out, "%s", colours.bold);
    cj__write_clean(out, board->name);
    cj_text_add(out, "%s", colours.off);
    if (board->title[0] != '\0') {
        cj_text_add(out, ": ");
        cj__write_clean(out, board->title);
    }
    cj_text_add(out, "\n\n%sBefore anything else%s\n", colours.bold, colours.off);
    if (!cj__plan_cautions(board, &cautions))
        out->failed = true;
    cj__write_bullets(out, &cautions);
    cj_lines_free(&cautions);
    cj_text_add(out, "\n%sLevel%s\n", colours.bold, colours.off);
    cj__plan_level(&level, plan);
    cj__write_item(out, 2, "", &level);
    cj_text_free(&level);
    cj_text_add(out,
                "\n%sSteps, in the order that changes least (\xe2\x86\x92: changed since the step "
                "before)%s\n",
                colours.bold, colours.off);
    for (size_t i = 0; i < plan->count; i++) {
        write_step(out, plan, i, &stand, &colours);
        stand = cj__stand_after(plan, i, &stand);
    }
    return cj__finish(out, start, err);
}
