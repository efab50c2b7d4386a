/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * A page to look at: one file, no script, nothing fetched. A sentence first, the drawing second,
 * figures third.
 */
#include "report/page.h"
#include "report/drawing.h"
#include "report/signals.h"

#include <math.h>
#include <string.h>

/* A step that the first finding rests on comes first. */
static bool is_evidence(const cj__sheet *sheet, size_t step)
{
    const cj_findings *findings = sheet->findings;
    if (findings == NULL || findings->count == 0)
        return false;
    for (size_t i = 0; i < findings->items[0].evidence_count; i++)
        if (strcmp(findings->items[0].evidence[i].step, sheet->page->board->steps[step].name) == 0)
            return true;
    return false;
}

/* ---- plots ---- */

static cj_status plot_capture(cj__sheet *sheet, size_t index, cj_error *err)
{
    const cj_page_capture *capture = &sheet->page->captures[index];
    const cj_board *board = sheet->page->board;
    char names[2][72] = {"", ""};
    cj__plotted of = {.capture = capture->capture, .measurement = capture->measurement};
    cj__page_plots *plots = &sheet->of[index];
    *plots = (cj__page_plots){CJ__NO_PLOT, CJ__NO_PLOT, {CJ__NO_PLOT, CJ__NO_PLOT}};
    if (capture->measurement == NULL)
        return CJ_OK;
    const cj_step *step = board != NULL ? &board->steps[capture->step] : NULL;
    for (int c = 0; step != NULL && c < step->see_count; c++) {
        cj_board_view_text(board, step->see[c], names[c], sizeof names[c]);
        of.names[c] = names[c];
    }
    of.compact = step != NULL && !is_evidence(sheet, capture->step);
    cj_status status = CJ_OK;
    if (capture->capture != NULL)
        status = cj__plot_trace(&sheet->plots, &of, &plots->trace, err);
    if (status == CJ_OK && capture->capture != NULL)
        status = cj__plot_spectrum(&sheet->plots, &of, &plots->spectrum, err);
    const cj_response *response = capture->measurement->response;
    if (status == CJ_OK && response != NULL) {
        cj__healthy_band *band = cj_new(1, sizeof *band);
        if (band == NULL)
            return cj_fail_memory(err);
        if (step != NULL)
            cj__page_band(board, capture->step, response->of_stimulus, band);
        cj__plot_response(&sheet->plots, response, band->count > 1 ? band : NULL, plots->response);
        cj_free(band);
    }
    return status;
}

/* A comparison of two captures has a response of its own. */
static bool own_response(const cj_page *page)
{
    return page->comparison != NULL && page->comparison->quotient != NULL;
}

static cj_status make_plots(cj__sheet *sheet, int quotient[2], cj_error *err)
{
    const cj_page *page = sheet->page;
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < page->capture_count; i++)
        status = plot_capture(sheet, i, err);
    quotient[0] = quotient[1] = CJ__NO_PLOT;
    if (status == CJ_OK && own_response(page))
        cj__plot_response(&sheet->plots, page->comparison->quotient, NULL, quotient);
    if (status == CJ_OK && !cj__plots_run(&sheet->plots))
        status = cj_fail_memory(err);
    return status;
}

static void write_plots(cj_text *out, const cj__sheet *sheet, size_t index)
{
    const cj__page_plots *plots = &sheet->of[index];
    bool pair =
        sheet->page->board != NULL && !is_evidence(sheet, sheet->page->captures[index].step);
    cj_text_add(out, pair ? "<div class=\"pair\">" : "");
    cj__plot_write(out, &sheet->plots, plots->trace, "");
    cj__plot_write(out, &sheet->plots, plots->spectrum, "");
    cj_text_add(out, pair ? "</div>\n" : "");
    cj__plot_write(out, &sheet->plots, plots->response[0], "");
    cj__plot_write(out, &sheet->plots, plots->response[1], "");
}

/* ---- captures, one after the other ---- */

/* "in1-left: in1 to left_out, tone of 1 kHz" */
static void write_step_head(cj_text *out, const cj_board *board, const cj_step *step)
{
    static const char *const shapes[] = {
        [CJ_QUIET] = "nothing driven", [CJ_TONE] = "tone",     [CJ_SWEEP] = "sweep",
        [CJ_TWO_TONE] = "two tones",   [CJ_SQUARE] = "square", [CJ_STEPPED] = "level in steps",
        [CJ_NOISE] = "noise",
    };
    cj_text text = {0};
    cj__write_clean(&text, step->name);
    cj_text_add(&text, ": ");
    if (step->power_off)
        cj_text_add(&text, "power off");
    else if (step->drive < 0)
        cj_text_add(&text, "%s", shapes[CJ_QUIET]);
    else {
        cj_text_add(&text, "%s into ", shapes[step->shape]);
        cj__write_clean(&text, board->nets[board->inputs[step->drive].net]);
        if (step->shape == CJ_TONE || step->shape == CJ_SQUARE) {
            cj_text_add(&text, ", ");
            cj__write_short(&text, step->hz[0], "Hz");
            cj_text_add(&text, " at ");
            cj__write_short(&text, step->peak[0], "V");
            cj_text_add(&text, " peak");
        }
    }
    cj_text_add(out, "<h3>");
    cj__html_moved(out, &text);
    cj_text_add(out, "</h3>\n");
}

/* Without the folders: who reads the page has no use for them. */
static void write_file_names(cj_text *out, const char *names)
{
    while (*names) {
        size_t length = strcspn(names, "+");
        size_t from = length;
        while (from > 0 && names[from - 1] != '/')
            from--;
        cj_text name = {0};
        cj_text_add_n(&name, names + from, length - from);
        cj_text_add_n(&name, "+", names[length] == '+');
        cj__html_text(out, name.failed ? "" : name.bytes);
        out->failed = out->failed || name.failed;
        cj_text_free(&name);
        names += length + (names[length] == '+');
    }
}

static void write_step(cj_text *out, const cj__sheet *sheet, size_t step)
{
    const cj_page *page = sheet->page;
    cj_text_add(out, "<section>\n");
    write_step_head(out, page->board, &page->board->steps[step]);
    for (size_t i = 0; i < page->capture_count; i++)
        if (page->captures[i].step == step) {
            if (page->captures[i].name != NULL) {
                cj_text_add(out, "<p class=\"small\">");
                write_file_names(out, page->captures[i].name);
                cj_text_add(out, "</p>\n");
            }
            write_plots(out, sheet, i);
        }
    cj__page_step(out, sheet, step);
    cj_text_add(out, "</section>\n");
}

static bool was_read(const cj__sheet *sheet, size_t step)
{
    for (size_t i = 0; i < sheet->step_count; i++)
        if (sheet->steps[i].step == step && sheet->steps[i].measured_count > 0)
            return true;
    for (size_t i = 0; i < sheet->page->capture_count; i++)
        if (sheet->page->captures[i].step == step)
            return true;
    return false;
}

static void write_steps(cj_text *out, const cj__sheet *sheet)
{
    const cj_board *board = sheet->page->board;
    bool any = false;
    for (size_t i = 0; i < board->step_count; i++)
        any = any || is_evidence(sheet, i);
    cj_text_add(out, any ? "<h2>The steps it rests on</h2>\n" : "<h2>Step by step</h2>\n");
    for (int pass = any ? 0 : 1; pass < 2; pass++) {
        bool headed = pass == 0 || !any;
        for (size_t i = 0; i < board->step_count; i++) {
            if (!was_read(sheet, i) || (any && is_evidence(sheet, i) != (pass == 0)))
                continue;
            if (!headed)
                cj_text_add(out, "<h2>The other steps</h2>\n");
            headed = true;
            write_step(out, sheet, i);
        }
    }
}

static void write_captures(cj_text *out, const cj__sheet *sheet, const int quotient[2])
{
    const cj_page *page = sheet->page;
    for (int k = 0; k < 2; k++)
        cj__plot_write(out, &sheet->plots, quotient[k],
                       k == 0 ? "Second path against the first" : "");
    if (page->comparison != NULL) {
        cj_text_add(out, "<h2>Second path against the first</h2>\n");
        cj__page_pair(out, &page->comparison->pair);
    }
    for (size_t i = 0; i < page->capture_count; i++) {
        cj_text_add(out, "<h2>");
        cj__html_text(out, page->captures[i].name);
        cj_text_add(out, "</h2>\n");
        write_plots(out, sheet, i);
        cj__page_measurement(out, page->captures[i].measurement, page->comparison == NULL);
    }
}

/* ---- the whole ---- */

static void write_list(cj_text *out, const char *head, const cj_lines *lines)
{
    if (lines == NULL || lines->count == 0)
        return;
    cj_text_add(out, "<h2>%s</h2>\n<ul>\n", head);
    for (size_t i = 0; i < lines->count; i++) {
        cj_text_add(out, "<li>");
        cj__html_text(out, lines->items[i]);
        cj_text_add(out, "</li>\n");
    }
    cj_text_add(out, "</ul>\n");
}

static void write_advice(cj_text *out, const cj_page *page)
{
    for (size_t i = 0; i < page->capture_count; i++)
        if (page->captures[i].measurement != NULL &&
            page->captures[i].measurement->advice.count > 0) {
            cj_text head = {0}, safe = {0};
            cj_text_add(&head, "Before you trust the figures of ");
            cj__write_clean(&head, page->captures[i].name);
            cj__html_moved(&safe, &head);
            if (!safe.failed)
                write_list(out, safe.bytes, &page->captures[i].measurement->advice);
            out->failed = out->failed || safe.failed;
            cj_text_free(&safe);
        }
}

static void write_page(cj_text *out, cj__sheet *sheet, const int quotient[2])
{
    const cj_page *page = sheet->page;
    const char *name = page->unit != NULL    ? page->unit
                       : page->board != NULL ? page->board->name
                       : page->capture_count ? page->captures[0].name
                                             : "";
    cj__html_head(out, page->unit != NULL ? "Unit " : "", name, cj__page_style);
    cj_text_add(out, "<h1>");
    cj__html_text(out, page->board != NULL && page->board->title[0] ? page->board->title : name);
    cj_text_add(out, "</h1>\n");
    cj__page_sentence(out, sheet);
    if (page->board != NULL) {
        cj_text_add(out, "<h2>The stages</h2>\n");
        cj__write_drawing(out, page->board, page->observed, sheet->findings);
    }
    cj__page_findings(out, sheet);
    cj__page_limits(out, sheet);
    if (sheet->plots.why[0]) {
        cj_text_add(out, "<p class=\"caution\">No curves: ");
        cj__html_text(out, sheet->plots.why);
        cj_text_add(out, ".</p>\n");
    }
    if (page->board != NULL)
        write_steps(out, sheet);
    else
        write_captures(out, sheet, quotient);
    write_advice(out, page);
    write_list(out, "Repairs", page->history);
    write_list(out, "Remarks", page->remarks);
    cj_text_add(out, "<h2>Where this comes from</h2>\n");
    cj__page_origin(out, sheet);
    cj_text_add(out,
                "<p class=\"small\">Behind \xc2\xb1 stands the standard uncertainty. coldjoint "
                "%s.</p>\n</body>\n</html>\n",
                cj_version());
}

cj_status cj_report_page(const cj_page *page, cj_text *out, cj_error *err)
{
    size_t start = out->length;
    int quotient[2];
    const cj_diagnosis *diagnosis = page->diagnosis;
    cj__sheet sheet = {.page = page,
                       .findings = page->findings != NULL ? page->findings
                                   : diagnosis != NULL    ? diagnosis->findings
                                                          : NULL,
                       .steps = page->steps,
                       .step_count = page->step_count};
    if (diagnosis != NULL && page->steps == NULL) {
        sheet.steps = diagnosis->steps;
        sheet.step_count = diagnosis->step_count;
    }
    sheet.of = cj_new(page->capture_count + 1, sizeof *sheet.of);
    if (sheet.of == NULL)
        return cj_fail_memory(err);
    cj_status status = make_plots(&sheet, quotient, err);
    if (status == CJ_OK) {
        write_page(out, &sheet, quotient);
        status = cj__finish(out, start, err);
    }
    cj__plots_free(&sheet.plots);
    cj_free(sheet.of);
    return status;
}
