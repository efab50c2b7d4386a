/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Limits and figures in tables. */
#include "report/page.h"

#include <math.h>
#include <string.h>

static const char *const verdict_words[] = {
    [CJ_PASS] = "pass", [CJ_FAIL] = "fail", [CJ_VERDICT_UNDECIDED] = "undecided"};

static void cell(cj_text *out, cj_text *text, const char *class)
{
    cj_text_add(out, "<td%s>", class);
    cj__html_moved(out, text);
    cj_text_add(out, "</td>");
}

static void write_limit_range(cj_text *out, const cj_judged *limit, const char *unit)
{
    cj__write_range(out, isnan(limit->min) ? -INFINITY : limit->min,
                    isnan(limit->max) ? INFINITY : limit->max, unit);
}

/* ---- what is not kept ---- */

static void write_limit_row(cj_text *out, const cj__sheet *sheet, const cj_judged *limit)
{
    const char *unit = cj__key_unit(sheet, limit->step, limit->figure);
    cj_text text = {0};
    cj_text_add(out, limit->verdict == CJ_FAIL ? "<tr class=\"bad\">" : "<tr>");
    cj__write_clean(&text, limit->step);
    cell(out, &text, "");
    cj__page_label(&text, limit->figure);
    cj__page_at(&text, limit->hz);
    cell(out, &text, "");
    if (isfinite(limit->value))
        cj__write_value(&text, limit->value, limit->u, unit);
    else
        cj_text_add(&text, "\xe2\x80\x93");
    cell(out, &text, " class=\"n\"");
    write_limit_range(&text, limit, unit);
    cell(out, &text, " class=\"n\"");
    cj_text_add(&text, "%s", verdict_words[limit->verdict]);
    if (limit->why != NULL) {
        cj_text_add(&text, ": ");
        cj__write_clean(&text, limit->why);
    }
    cell(out, &text, "");
    cj_text_add(out, "</tr>\n");
}

static bool was_read(const cj__sheet *sheet, const char *step)
{
    for (size_t i = 0; i < sheet->step_count; i++)
        if (sheet->steps[i].measured_count > 0 &&
            strcmp(sheet->page->board->steps[sheet->steps[i].step].name, step) == 0)
            return true;
    return false;
}

/* Limits of steps that nobody captured: the steps, once each. */
static void write_open_steps(cj_text *out, const cj__sheet *sheet)
{
    const cj_judgement *judgement = sheet->page->judgement;
    cj_text list = {0};
    size_t named = 0;
    for (size_t i = 0; i < judgement->limit_count; i++) {
        const char *step = judgement->limits[i].step;
        bool before = was_read(sheet, step) || strcmp(step, "*") == 0;
        for (size_t k = 0; k < i && !before; k++)
            before = strcmp(judgement->limits[k].step, step) == 0;
        if (before)
            continue;
        cj_text_add(&list, "%s", named++ ? ", " : "Not captured, so their limits are undecided: ");
        cj__write_clean(&list, step);
    }
    if (named > 0) {
        cj_text_add(out, "<p>");
        cj__html_moved(out, &list);
        cj_text_add(out, ".</p>\n");
    }
    out->failed = out->failed || list.failed;
    cj_text_free(&list);
}

/* Has a row of its own: not kept, or open though its step was captured. */
static bool has_row(const cj__sheet *sheet, const cj_judged *limit, cj_verdict wanted)
{
    return limit->verdict == wanted &&
           (wanted == CJ_FAIL || was_read(sheet, limit->step) || strcmp(limit->step, "*") == 0);
}

void cj__page_limits(cj_text *out, const cj__sheet *sheet)
{
    enum { MOST = 24 };
    const cj_judgement *judgement = sheet->page->judgement;
    size_t counts[3] = {0}, shown = 0;
    if (judgement == NULL || judgement->limit_count == 0)
        return;
    for (size_t i = 0; i < judgement->limit_count; i++)
        counts[judgement->limits[i].verdict]++;
    cj_text_add(out,
                "<h2>Limits</h2>\n<p>%zu kept, %zu not kept, %zu undecided. A reading keeps a "
                "limit when it lies inside it by its expanded uncertainty, twice what stands "
                "behind \xc2\xb1; it fails when it lies outside by as much.</p>\n",
                counts[CJ_PASS], counts[CJ_FAIL], counts[CJ_VERDICT_UNDECIDED]);
    if (counts[CJ_FAIL] + counts[CJ_VERDICT_UNDECIDED] == 0)
        return;
    size_t rows = 0;
    for (size_t i = 0; i < judgement->limit_count; i++)
        rows += has_row(sheet, &judgement->limits[i], CJ_FAIL) ||
                has_row(sheet, &judgement->limits[i], CJ_VERDICT_UNDECIDED);
    write_open_steps(out, sheet);
    if (rows == 0)
        return;
    cj_text_add(out, "<table><tr><th>step</th><th>figure</th><th>measured</th><th>limits</th>"
                     "<th></th></tr>\n");
    for (int pass = 0; pass < 2; pass++)
        for (size_t i = 0; i < judgement->limit_count; i++) {
            cj_verdict wanted = pass == 0 ? CJ_FAIL : CJ_VERDICT_UNDECIDED;
            if (has_row(sheet, &judgement->limits[i], wanted) && shown++ < MOST)
                write_limit_row(out, sheet, &judgement->limits[i]);
        }
    cj_text_add(out, "</table>\n");
    if (shown > MOST)
        cj_text_add(out, "<p class=\"small\">And %d more; they stand with their steps below.</p>\n",
                    (int)(shown - MOST));
}

/* ---- the figures of a step ---- */

static const cj_keyed_figure *find(const cj_keyed_figure *figures, size_t count, const char *key)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(figures[i].key, key) == 0)
            return &figures[i];
    return NULL;
}

static const cj_judged *limit_of(const cj__sheet *sheet, size_t step, const char *key)
{
    const cj_judgement *judgement = sheet->page->judgement;
    const cj_judged *found = NULL;
    for (size_t i = 0; judgement != NULL && i < judgement->limit_count; i++) {
        const cj_judged *one = &judgement->limits[i];
        if (strcmp(one->step, sheet->page->board->steps[step].name) == 0 &&
            strcmp(one->figure, key) == 0 && !(one->hz > 0) &&
            (found == NULL || (found->verdict == CJ_PASS && one->verdict != CJ_PASS)))
            found = one;
    }
    return found;
}

static void write_step_row(cj_text *out, const cj__sheet *sheet, const cj_step_figures *of,
                           const cj_keyed_figure *figure)
{
    const cj_keyed_figure *good = find(of->predicted, of->predicted_count, figure->key);
    const cj_judged *limit = limit_of(sheet, of->step, figure->key);
    cj_text text = {0};
    cj_text_add(out, limit != NULL && limit->verdict == CJ_FAIL ? "<tr class=\"bad\">" : "<tr>");
    cj__page_label(&text, figure->key);
    cell(out, &text, "");
    if (figure->word == NULL && isfinite(figure->value))
        cj__write_value(&text, figure->value, figure->u, figure->unit);
    else
        cj__write_keyed(&text, figure, true);
    cell(out, &text, " class=\"n\"");
    if (good != NULL)
        cj__write_keyed(&text, good, true);
    cell(out, &text, " class=\"n\"");
    if (limit != NULL) {
        write_limit_range(&text, limit, figure->unit);
        cj_text_add(&text, ": %s", verdict_words[limit->verdict]);
    }
    cell(out, &text, "");
    cj_text_add(out, "</tr>\n");
}

/* Whether a person reads it: not what is hidden or said by its absence. */
static bool is_shown(const cj_board *board, const cj_step_figures *of,
                     const cj_keyed_figure *figure)
{
    if (strncmp(figure->key, "gain_db@", 8) == 0 || strchr(figure->key, '/') != NULL)
        return false;
    char name[64] = "";
    size_t length = strcspn(figure->key, "@");
    memcpy(name, figure->key, length < sizeof name ? length : 0);
    const struct cj__row *row = cj__row_find(name);
    if (row != NULL && row->quiet && !isfinite(figure->value))
        return false;
    return cj__shows(board, of, figure);
}

void cj__page_step(cj_text *out, const cj__sheet *sheet, size_t step)
{
    const cj_step_figures *of = NULL;
    for (size_t i = 0; i < sheet->step_count; i++)
        if (sheet->steps[i].step == step)
            of = &sheet->steps[i];
    if (of == NULL || of->measured_count == 0)
        return;
    cj_text_add(out,
                "<table><tr><th>figure</th><th>measured</th><th>a good unit</th>"
                "<th>%s</th></tr>\n",
                sheet->page->judgement != NULL ? "limits" : "");
    for (size_t i = 0; i < of->measured_count; i++)
        if (is_shown(sheet->page->board, of, &of->measured[i]))
            write_step_row(out, sheet, of, &of->measured[i]);
    cj_text_add(out, "</table>\n");
}

/* ---- a capture without a board ---- */

static bool has_value(const cj_figure *figure)
{
    return figure != NULL &&
           (isfinite(figure->value) || figure->word != NULL || figure->bound_kind != CJ_BOUND_NONE);
}

static void write_figure(cj_text *out, const cj_figure *figure)
{
    if (figure == NULL || !has_value(figure))
        cj_text_add(out, "\xe2\x80\x93");
    else if (figure->word != NULL)
        cj__write_clean(out, figure->word);
    else if (isfinite(figure->value))
        cj__write_value(out, figure->value, figure->u, figure->unit);
    else {
        cj_text_add(out, figure->bound_kind == CJ_BELOW ? "< " : "> ");
        cj__write_bound(out, figure->bound, figure->bound_kind == CJ_BELOW, figure->unit);
    }
}

static void write_rows(cj_text *out, const cj_figure_set *const sets[2], int count)
{
    for (size_t i = 0; i < cj__row_count; i++) {
        const struct cj__row *row = &cj__rows[i];
        bool any = false;
        for (int c = 0; c < count; c++)
            any = any || has_value(cj_figure_find(sets[c], row->figure));
        if (!any || row->kind == CJ__ROW_HIDDEN)
            continue;
        cj_text_add(out, "<tr><td>%s</td>", row->label);
        for (int c = 0; c < count; c++) {
            cj_text text = {0};
            write_figure(&text, cj_figure_find(sets[c], row->figure));
            cell(out, &text, " class=\"n\"");
        }
        cj_text_add(out, "</tr>\n");
    }
}

void cj__page_measurement(cj_text *out, const cj_measurement *measurement, bool paired)
{
    const cj_figure_set *const sets[2] = {&measurement->channel[0], &measurement->channel[1]};
    const cj_capture_info *info = measurement->capture;
    cj_text_add(out, "<table><tr><th>figure</th>");
    for (int c = 0; c < measurement->channel_count; c++) {
        cj_text_add(out, "<th>channel %d, ", info->selected[c] + 1);
        cj__html_text(out, info->channels[info->selected[c]].name);
        cj_text_add(out, "</th>");
    }
    cj_text_add(out, "</tr>\n");
    write_rows(out, sets, measurement->channel_count);
    cj_text_add(out, "</table>\n");
    if (paired && measurement->channel_count == 2)
        cj__page_pair(out, &measurement->pair);
}

void cj__page_pair(cj_text *out, const cj_figure_set *pair)
{
    const cj_figure_set *const sets[2] = {pair, NULL};
    cj_text_add(out, "<table><tr><th>second against first</th><th></th></tr>\n");
    write_rows(out, sets, 1);
    cj_text_add(out, "</table>\n");
}
