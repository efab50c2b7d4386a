/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/log.h"
#include "report/board.h"

#include <math.h>
#include <string.h>

enum { SERIAL_COLUMNS = 24, LEAST_FINDING = 24, MEMBERS = 5 };

/* ---- limits ---- */

static size_t count_of(const cj_run *run, cj_verdict verdict)
{
    size_t count = 0;
    for (size_t i = 0; i < run->limit_count; i++)
        count += run->limits[i].verdict == verdict;
    return count;
}

static void write_counts(cj_text *out, const cj_run *run)
{
    size_t failed = count_of(run, CJ_FAIL), open = count_of(run, CJ_VERDICT_UNDECIDED);
    if (run->limit_count == 0) {
        cj_text_add(out, "the board sets no limits");
        return;
    }
    if (failed == 0 && open == 0) {
        cj_text_add(out,
                    run->limit_count == 1 ? "its one limit is kept" : "all %zu limits are kept",
                    run->limit_count);
        return;
    }
    cj_text_add(out, "of %zu limit%s", run->limit_count, run->limit_count == 1 ? "" : "s");
    if (failed > 0)
        cj_text_add(out, " %zu %s broken", failed, failed == 1 ? "is" : "are");
    if (open > 0)
        cj_text_add(out, "%s %zu %s undecided", failed > 0 ? "," : "", open,
                    open == 1 ? "is" : "are");
}

/* Without a margin: as far from its limit as can be. */
static double margin_of(const cj_judged *limit)
{
    return isnan(limit->margin) ? INFINITY : limit->margin;
}

/* How many limits of one response came out the same way; 0 where another one of them is nearer to
 * its limit, or further beyond: one line stands for all. */
static size_t same_response(const cj_run *run, const cj_judged *limit)
{
    size_t count = 0;
    for (size_t i = 0; i < run->limit_count; i++) {
        const cj_judged *other = &run->limits[i];
        if (!(other->hz > 0) || other->verdict != limit->verdict ||
            strcmp(other->step, limit->step) != 0 || strcmp(other->figure, limit->figure) != 0)
            continue;
        double own = margin_of(limit), its = margin_of(other);
        if (its < own || (its == own && other < limit))
            return 0;
        count++;
    }
    return count;
}

static void put_limit(struct cj__grid *grid, const cj_run *run, const cj_judged *limit)
{
    size_t alike = limit->hz > 0 ? same_response(run, limit) : 1;
    if (alike == 0)
        return;
    const char *unit = cj__limit_unit(run, limit);
    cj_text *row = cj__grid_row(grid);
    if (row == NULL)
        return;
    cj__write_step_figure(&row[0], limit->step, limit->figure);
    if (limit->hz > 0) {
        cj_text_add(&row[0], " at ");
        cj__write_rounded(&row[0], limit->hz, NAN, "Hz");
        if (alike > 1)
            cj_text_add(&row[0], " (%zu such)", alike);
    }
    if (isfinite(limit->value))
        cj__write_value(&row[1], limit->value, limit->u, unit);
    else {
        cj_text_add(&row[1], limit->bound_kind == CJ_BELOW ? "< " : "> ");
        cj__write_bound(&row[1], limit->bound, limit->bound_kind == CJ_BELOW, unit);
    }
    cj__write_range(&row[2], isnan(limit->min) ? -INFINITY : limit->min,
                    isnan(limit->max) ? INFINITY : limit->max, unit);
    cj_text_add(&row[3], "%s", limit->verdict == CJ_FAIL ? "broken" : "undecided");
}

static bool is_read(const cj_judged *limit)
{
    return isfinite(limit->value) || limit->bound_kind != CJ_BOUND_NONE;
}

/* Same step, and undecided for the same reason, as one before. */
static bool is_repeated(const cj_run *run, size_t which, bool same_step)
{
    const cj_judged *limit = &run->limits[which];
    for (size_t i = 0; i < which; i++) {
        const cj_judged *other = &run->limits[i];
        if (other->verdict == CJ_VERDICT_UNDECIDED && !is_read(other) && other->why != NULL &&
            strcmp(other->why, limit->why) == 0 &&
            (!same_step || strcmp(other->step, limit->step) == 0))
            return true;
    }
    return false;
}

/* Limits that nothing was read for: one line for each reason, with the steps. */
static void write_unread(cj_text *out, const cj_run *run, size_t first, size_t indent)
{
    const char *why = run->limits[first].why;
    cj_text steps = {0};
    size_t count = 0, named = 0;
    for (size_t i = first; i < run->limit_count; i++) {
        const cj_judged *limit = &run->limits[i];
        if (limit->verdict != CJ_VERDICT_UNDECIDED || is_read(limit) || limit->why == NULL ||
            strcmp(limit->why, why) != 0)
            continue;
        count++;
        if (is_repeated(run, i, true))
            continue;
        cj_text_add(&steps, named++ > 0 ? ", " : "");
        if (strcmp(limit->step, "*") == 0)
            cj__write_label(&steps, limit->figure, (const char *const[2]){"", ""});
        else
            cj__write_clean(&steps, limit->step);
    }
    cj_text line = {0};
    cj_text_add(&line, "%zu undecided: ", count);
    cj__write_clean(&line, why);
    cj_text_add(&line, " (%s)", steps.bytes != NULL ? steps.bytes : "");
    line.failed = line.failed || steps.failed;
    cj__write_item(out, indent, "", &line);
    cj_text_free(&steps);
    cj_text_free(&line);
}

/* Limits that this capture chain cannot decide. */
static void write_undecidable(cj_text *out, const cj_run *run, size_t indent)
{
    cj_lines lines = {0};
    if (cj__undecidable_lines(run, &lines, NULL) != CJ_OK)
        out->failed = true;
    for (size_t i = 0; i < lines.count && !out->failed; i++) {
        cj_text line = {0};
        cj_text_add(&line, "%s", lines.items[i]);
        cj__write_item(out, indent, "", &line);
        cj_text_free(&line);
    }
    cj_lines_free(&lines);
}

/* Those that are not kept, the broken ones first. */
static void write_limits(cj_text *out, const cj_run *run, size_t indent)
{
    struct cj__grid grid = {.columns = 4};
    const cj_verdict order[] = {CJ_FAIL, CJ_VERDICT_UNDECIDED};
    for (size_t k = 0; k < 2; k++)
        for (size_t i = 0; i < run->limit_count; i++)
            if (run->limits[i].verdict == order[k] && is_read(&run->limits[i]) &&
                !cj__undecidable(&run->limits[i]))
                put_limit(&grid, run, &run->limits[i]);
    cj__grid_write(&grid, indent, out);
    cj__grid_free(&grid);
    for (size_t i = 0; i < run->limit_count; i++)
        if (run->limits[i].verdict == CJ_VERDICT_UNDECIDED && !is_read(&run->limits[i]) &&
            run->limits[i].why != NULL && !is_repeated(run, i, false))
            write_unread(out, run, i, indent);
    write_undecidable(out, run, indent);
}

static void write_figures_of(cj_text *out, double margin)
{
    double size = fabs(margin);
    cj__write_plain(out, size < 10 ? round(size * 10) / 10 : round(size), 15);
    cj_text_add(out, " U");
}

/* How near the worst one is: in expanded uncertainties. */
static void write_nearest(cj_text *out, const cj_run_head *head, size_t indent)
{
    if (isnan(head->margin))
        return;
    bool outside = head->margin < 0;
    cj_text_add(out, "%*s%s its limit: ", (int)indent, "",
                outside ? "Farthest outside" : "Nearest to");
    cj__write_step_figure(out, head->worst_step, head->worst_figure);
    cj_text_add(out, outside ? ", by " : ", inside by ");
    write_figures_of(out, head->margin);
    cj_text_add(out, " (U: expanded uncertainty)\n");
}

/* ---- findings, as they were stored ---- */

static void write_item(cj_text *out, size_t indent, const char *head, const char *text)
{
    cj_text clean = {0};
    cj__write_clean(&clean, text);
    cj__write_item(out, indent, head, &clean);
    cj_text_free(&clean);
}

/* The other faults of the first finding, those that are said alike once. */
static void write_members(cj_text *out, const cj_run *run, size_t indent)
{
    cj_text all = {0}, said[MEMBERS] = {{0}};
    size_t count = 0, left = 0;
    for (size_t i = 0; i < run->fault_count && run->faults[i].rank == run->faults[0].rank; i++) {
        cj_text words = {0};
        bool again = false;
        cj__write_fault_notation(&words, run->faults[i].fault);
        for (size_t k = 0; k < count && !words.failed && !again; k++)
            again = strcmp(said[k].bytes, words.bytes) == 0;
        out->failed = out->failed || words.failed;
        if (again || words.failed || count == MEMBERS) {
            left += !again;
            cj_text_free(&words);
            continue;
        }
        said[count++] = words;
        if (count > 1)
            cj_text_add(&all, "%s%s",
                        count > 2 ? "; or " : "The same readings come of: ", words.bytes);
    }
    if (left > 0)
        cj_text_add(&all, "; and %zu more", left);
    if (count > 1)
        cj__write_item(out, indent, "", &all);
    for (size_t k = 0; k < count; k++)
        cj_text_free(&said[k]);
    cj_text_free(&all);
}

/* The first finding: what it says, and the check. */
static void write_finding(cj_text *out, const cj_run *run, size_t indent)
{
    json_t *list = cj__stored_findings(run);
    json_t *first = json_array_get(list, 0);
    const char *says = json_string_value(json_object_get(first, "says"));
    const char *check = json_string_value(json_object_get(first, "check"));
    if (says != NULL) {
        cj_text head = {0};
        cj__write_probability(&head, json_number_value(json_object_get(first, "probability")));
        cj_text_add(&head, "  ");
        write_item(out, indent, head.bytes != NULL ? head.bytes : "", says);
        out->failed = out->failed || head.failed;
        cj_text_free(&head);
    }
    if (says != NULL)
        write_members(out, run, indent + 6);
    if (says != NULL && check != NULL)
        write_item(out, indent, "Check: ", check);
    out->failed = out->failed || list == NULL;
    json_decref(list);
}

/* ---- add ---- */

static void write_unit(cj_text *out, const char *unit, const char *board)
{
    cj_text_add(out, "unit ");
    cj__write_clean(out, unit);
    cj_text_add(out, " of ");
    cj__write_clean(out, board);
}

cj_status cj_report_added_text(const cj_run *run, const char *log, const cj_report_style *style,
                               cj_text *out, cj_error *err)
{
    const struct cj__colours colours = cj__colours_of(style);
    size_t start = out->length;
    cj__write_verdict(out, run->head.verdict, &colours);
    cj_text_add(out, ": ");
    write_unit(out, run->head.unit, run->head.board);
    cj_text_add(out, ": ");
    write_counts(out, run);
    cj_text_add(out, "\n");
    write_limits(out, run, 2);
    write_nearest(out, &run->head, 0);
    if (run->head.fault[0] != '\0')
        cj_text_add(out, "\n");
    write_finding(out, run, 0);
    cj_text_add(out, "\nRecorded as run ");
    cj__write_number_of(out, run->head.uuid);
    if (run->head.after[0] != '\0') {
        cj_text_add(out, ", retest of repair ");
        cj__write_number_of(out, run->head.after);
    }
    cj_text_add(out, ", in ");
    cj__write_clean(out, log);
    cj_text_add(out, "\n");
    if (run->head.fault[0] != '\0') {
        cj_text_add(out, "\n");
        cj__wrap(out, out->length, 0, cj__caution);
    }
    return cj__finish(out, start, err);
}

cj_status cj_report_label(const cj_run_head *run, cj_text *out, cj_error *err)
{
    static const struct cj__colours plain = {"", "", "", "", ""};
    size_t start = out->length;
    cj__write_clean(out, run->unit);
    cj_text_add(out, "  ");
    cj__write_verdict(out, run->verdict, &plain);
    cj_text_add(out, "  %.10s", run->at);
    if (!isnan(run->margin)) {
        cj_text_add(out, "  margin %s", run->margin < 0 ? "-" : "");
        write_figures_of(out, run->margin);
        cj_text_add(out, " at ");
        cj__write_step_figure(out, run->worst_step, run->worst_figure);
    }
    cj_text_add(out, "\n");
    return cj__finish(out, start, err);
}

/* ---- list ---- */

static bool one_board(const cj_run_head *runs, size_t count)
{
    for (size_t i = 1; i < count; i++)
        if (strcmp(runs[i].board, runs[0].board) != 0)
            return false;
    return true;
}

static void put_run(struct cj__grid *grid, const cj_run_head *run, bool with_board)
{
    cj_text *row = cj__grid_row(grid);
    int column = 3;
    if (row == NULL)
        return;
    cj_text_add(&row[0], "%.10s %.5s", run->at, strlen(run->at) > 11 ? run->at + 11 : "");
    cj__write_number_of(&row[1], run->uuid);
    cj__write_clean(&row[2], run->unit);
    cj__clip(&row[2], SERIAL_COLUMNS);
    if (with_board) {
        cj__write_clean(&row[column], run->board);
        cj__clip(&row[column++], SERIAL_COLUMNS);
    }
    cj_text_add(&row[column++], "%s%s", cj__verdict_word(run->verdict),
                run->voided ? " (void)" : "");
    if (run->fault[0] != '\0')
        cj__write_fault_notation(&row[column], run->fault);
}

/* The last column takes what is left of the page. */
static void clip_last(struct cj__grid *grid)
{
    size_t last = (size_t)grid->columns - 1, most = 0;
    for (size_t row = 0; row < grid->rows; row++) {
        size_t wide = cj__width(grid->cells[row * (size_t)grid->columns + last].bytes != NULL
                                    ? grid->cells[row * (size_t)grid->columns + last].bytes
                                    : "");
        most = wide > most ? wide : most;
    }
    size_t others = cj__grid_width(grid) - most;
    size_t room = others + LEAST_FINDING < CJ__PAGE ? CJ__PAGE - others : LEAST_FINDING;
    for (size_t row = 0; row < grid->rows; row++)
        cj__clip(&grid->cells[row * (size_t)grid->columns + last], room);
}

cj_status cj_report_runs_text(const cj_run_head *runs, size_t count, const cj_report_style *style,
                              cj_text *out, cj_error *err)
{
    const struct cj__colours colours = cj__colours_of(style);
    size_t start = out->length;
    bool single = one_board(runs, count);
    struct cj__grid grid = {.columns = single ? 5 : 6};
    if (count == 0) {
        cj_text_add(out, "No such run.\n");
        return cj__finish(out, start, err);
    }
    cj_text_add(out, "%s%zu run%s%s", colours.bold, count, count == 1 ? "" : "s", colours.off);
    if (single) {
        cj_text_add(out, " of ");
        cj__write_clean(out, runs[0].board);
    }
    cj_text_add(out, "%s (times are UTC)\n", count > 1 ? ", newest first" : "");
    for (size_t i = 0; i < count; i++)
        put_run(&grid, &runs[i], !single);
    if (!grid.failed)
        clip_last(&grid);
    cj__grid_write(&grid, 0, out);
    cj__grid_free(&grid);
    return cj__finish(out, start, err);
}

/* ---- show ---- */

static void write_by(cj_text *out, const char *operator_name, const char *instruments)
{
    if (operator_name[0] != '\0') {
        cj_text_add(out, ", by ");
        cj__write_clean(out, operator_name);
    }
    if (instruments != NULL && instruments[0] != '\0') {
        cj_text_add(out, ", with ");
        cj__write_clean(out, instruments);
    }
}

static void write_note(cj_text *out, const char *head, const char *note)
{
    if (note[0] != '\0')
        write_item(out, 2, head, note);
}

static void write_captures(cj_text *out, const cj_run *run)
{
    size_t kept = 0;
    for (size_t i = 0; i < run->capture_count; i++)
        kept += run->captures[i].kept;
    if (run->capture_count == 0)
        return;
    cj_text_add(out, "  %zu capture%s, ", run->capture_count, run->capture_count == 1 ? "" : "s");
    if (kept == run->capture_count)
        cj_text_add(out, "kept in the log\n");
    else if (kept == 0)
        cj_text_add(out, "known by path and digest\n");
    else
        cj_text_add(out, "%zu of them kept in the log\n", kept);
}

static void write_run(cj_text *out, const cj_run *run, const struct cj__colours *colours)
{
    cj_text_add(out, "\n");
    cj__write_time(out, run->head.at);
    cj_text_add(out, "  ");
    cj__write_verdict(out, run->head.verdict, colours);
    cj_text_add(out, "  run ");
    cj__write_number_of(out, run->head.uuid);
    if (run->head.after[0] != '\0') {
        cj_text_add(out, ", retest of repair ");
        cj__write_number_of(out, run->head.after);
    }
    write_by(out, run->head.operator_name, run->instruments);
    cj_text_add(out, "\n");
    if (run->head.voided) {
        cj_text_add(out, "  VOID since ");
        cj__write_time(out, run->head.voided_at);
        cj_text_add(out, "\n");
        write_note(out, "Reason: ", run->head.void_note);
    }
    cj_text_add(out, "  %zu figures; ", run->figure_count);
    write_counts(out, run);
    cj_text_add(out, "\n");
    write_limits(out, run, 4);
    write_nearest(out, &run->head, 2);
    write_finding(out, run, 2);
    write_captures(out, run);
    write_note(out, "Note: ", run->head.note);
}

static void write_found(cj_text *out, const cj_repair *repair)
{
    if (repair->fault[0] != '\0')
        cj__write_fault_notation(out, repair->fault);
    else
        cj__write_clean(out, repair->words);
}

static void write_repair(cj_text *out, const cj_repair *repair, const struct cj__colours *colours)
{
    cj_text found = {0};
    cj_text_add(out, "\n");
    cj__write_time(out, repair->at);
    cj_text_add(out, "  %sREPAIR%s  ", colours->bold, colours->off);
    cj__write_number_of(out, repair->uuid);
    write_by(out, repair->operator_name, NULL);
    cj_text_add(out, "\n");
    write_found(&found, repair);
    cj__write_item(out, 2, "Found: ", &found);
    out->failed = out->failed || found.failed;
    cj_text_free(&found);
    if (repair->voided) {
        cj_text_add(out, "  VOID since ");
        cj__write_time(out, repair->voided_at);
        cj_text_add(out, "\n");
        write_note(out, "Reason: ", repair->void_note);
    } else if (repair->retested) {
        cj_text_add(out, "  Retest: run ");
        cj__write_number_of(out, repair->retest);
        cj_text_add(out, ", %s\n", cj__verdict_word(repair->retest_verdict));
    } else {
        cj_text_add(out, "  Not retested yet\n");
    }
    write_note(out, "Note: ", repair->note);
}

cj_status cj_report_unit_text(const cj_unit_history *history, const cj_report_style *style,
                              cj_text *out, cj_error *err)
{
    const struct cj__colours colours = cj__colours_of(style);
    size_t start = out->length, repair = 0;
    cj_text_add(out, "%sUnit ", colours.bold);
    cj__write_clean(out, history->unit);
    cj_text_add(out, " of ");
    cj__write_clean(out, history->board);
    cj_text_add(out, "%s", colours.off);
    if (history->run_count > 0 && history->runs[history->run_count - 1]->head.title[0] != '\0') {
        cj_text_add(out, " (");
        cj__write_clean(out, history->runs[history->run_count - 1]->head.title);
        cj_text_add(out, ")");
    }
    cj_text_add(out, "\n");
    /* one after the other as it happened */
    for (size_t i = 0; i <= history->run_count; i++) {
        while (repair < history->repair_count &&
               (i == history->run_count ||
                strcmp(history->repairs[repair].at, history->runs[i]->head.at) < 0))
            write_repair(out, &history->repairs[repair++], &colours);
        if (i < history->run_count)
            write_run(out, history->runs[i], &colours);
    }
    return cj__finish(out, start, err);
}

cj_status cj_report_repair_text(const cj_repair *repair, cj_text *out, cj_error *err)
{
    size_t start = out->length;
    write_unit(out, repair->unit, repair->board);
    cj_text_add(out, ": repair ");
    cj__write_number_of(out, repair->uuid);
    cj_text_add(out, " recorded: ");
    write_found(out, repair);
    cj_text_add(out, "\nThe next run of this unit is its retest.\n");
    return cj__finish(out, start, err);
}
