/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The sentence at the top of a page: verdict and why. */
#include "report/page.h"

#include <math.h>
#include <string.h>

void cj__page_label(cj_text *out, const char *key)
{
    static const char *const paths[2] = {"channel 1", "channel 2"};
    cj__write_label(out, key, paths);
}

void cj__page_at(cj_text *out, double hz)
{
    if (!(hz > 0))
        return;
    cj_text_add(out, " at ");
    cj__write_rounded(out, hz, NAN, "Hz");
}

const char *cj__key_unit(const cj__sheet *sheet, const char *step, const char *key)
{
    const cj_board *board = sheet->page->board;
    for (size_t i = 0; board != NULL && i < sheet->step_count; i++) {
        const cj_step_figures *of = &sheet->steps[i];
        if (strcmp(board->steps[of->step].name, step) != 0)
            continue;
        for (size_t k = 0; k < of->measured_count; k++)
            if (strcmp(of->measured[k].key, key) == 0 && of->measured[k].unit != NULL)
                return of->measured[k].unit;
        for (size_t k = 0; k < of->predicted_count; k++)
            if (strcmp(of->predicted[k].key, key) == 0 && of->predicted[k].unit != NULL)
                return of->predicted[k].unit;
    }
    return "";
}

/* The limit to speak of: of the worst verdict the one with the least margin. */
static const cj_judged *worst_limit(const cj_judgement *judgement)
{
    const cj_judged *worst = NULL;
    for (size_t i = 0; i < judgement->limit_count; i++) {
        const cj_judged *one = &judgement->limits[i];
        if (one->verdict != judgement->verdict)
            continue;
        bool less = worst != NULL && isfinite(one->margin) &&
                    !(isfinite(worst->margin) && worst->margin <= one->margin);
        if (worst == NULL || less)
            worst = one;
    }
    return worst;
}

/* "DC, right_out, in quiet reads 10.31 ± 0.02 V where 0.002 to 0.02 V is allowed" */
static void write_limit(cj_text *out, const cj__sheet *sheet, const cj_judged *one)
{
    const char *unit = cj__key_unit(sheet, one->step, one->figure);
    cj__page_label(out, one->figure);
    cj__page_at(out, one->hz);
    cj_text_add(out, " in step ");
    cj__write_clean(out, one->step);
    if (isfinite(one->value)) {
        cj_text_add(out, " reads ");
        cj__write_value(out, one->value, one->u, unit);
        cj_text_add(out, " where ");
        cj__write_range(out, isnan(one->min) ? -INFINITY : one->min,
                        isnan(one->max) ? INFINITY : one->max, unit);
        cj_text_add(out, " is allowed");
    } else {
        cj_text_add(out, " is not known");
    }
    if (one->why != NULL) {
        cj_text_add(out, " (");
        cj__write_clean(out, one->why);
        cj_text_add(out, ")");
    }
}

static void write_judgement(cj_text *out, const cj__sheet *sheet)
{
    static const char *const words[] = {
        [CJ_PASS] = "passes", [CJ_FAIL] = "fails", [CJ_VERDICT_UNDECIDED] = "is undecided"};
    const cj_judgement *judgement = sheet->page->judgement;
    const cj_judged *worst = worst_limit(judgement);
    size_t same = 0;
    for (size_t i = 0; i < judgement->limit_count; i++)
        same += judgement->limits[i].verdict == judgement->verdict;
    cj_text_add(out, " \1%s\2", words[judgement->verdict]);
    if (judgement->limit_count == 0) {
        cj_text_add(out, ": no limit could be held against it.");
    } else if (judgement->verdict == CJ_PASS) {
        cj_text_add(out, ": all %zu readings with a limit lie inside it by their uncertainty",
                    judgement->limit_count);
        if (worst != NULL) {
            cj_text_add(out, "; the nearest to its limit is ");
            cj__page_label(out, worst->figure);
            cj_text_add(out, " in step ");
            cj__write_clean(out, worst->step);
        }
        cj_text_add(out, ".");
    } else {
        cj_text_add(out, ": %zu of %zu limits are %s. ", same, judgement->limit_count,
                    judgement->verdict == CJ_FAIL ? "not kept" : "open");
        if (worst != NULL) {
            cj_text_add(out, same > 1 ? "The worst: " : "It is this one: ");
            write_limit(out, sheet, worst);
            cj_text_add(out, ".");
        }
    }
}

#define WORTH_SAYING 0.3 /* as in the verdict of a diagnosis */

static void write_suspicion(cj_text *out, const cj__sheet *sheet)
{
    const cj_finding *first =
        sheet->findings != NULL && sheet->findings->count > 0 ? &sheet->findings->items[0] : NULL;
    /* a pair stands just below "none of these", and is worth saying */
    if (first == NULL || first->probability < fmin(sheet->findings->unexplained, WORTH_SAYING))
        return;
    cj_text_add(out, first->probability >= 0.5 ? " Most likely: " : " It may be this: ");
    if (first->fault_count > 0 && strcmp(first->from, "board") == 0)
        cj__write_fault(out, sheet->page->board, &first->faults[0]);
    else {
        cj__write_clean(out, first->says);
        if (!out->failed && out->length > 0 && out->bytes[out->length - 1] == '.')
            out->bytes[--out->length] = '\0';
    }
    cj_text_add(out, " (");
    cj__write_probability(out, first->probability);
    cj_text_add(out, ").");
}

static void write_state(cj_text *out, const cj_diagnosis *diagnosis)
{
    static const char *const words[] = {[CJ_STATE_HEALTHY] = "shows \1no fault\2",
                                        [CJ_STATE_FAULT] = "has \1a fault\2",
                                        [CJ_STATE_UNDECIDED] = "is \1undecided\2"};
    cj_text_add(out, " %s", words[diagnosis->state]);
    if (diagnosis->why[0]) {
        cj_text_add(out, ": ");
        cj__write_clean(out, diagnosis->why);
    }
    cj_text_add(out, ".");
}

static void write_comparison(cj_text *out, const cj_comparison *comparison)
{
    static const char *const words[] = {[CJ_MATCH] = "The two paths \1match\2",
                                        [CJ_DIFFER] = "The two paths \1differ\2",
                                        [CJ_UNDECIDED] = "Whether the two paths match is "
                                                         "\1undecided\2"};
    cj_text_add(out, "%s: ", words[comparison->match]);
    cj__write_clean(out, comparison->why[0] ? comparison->why : "level and phase agree");
    cj_text_add(out, ".");
}

/* "gain -0.02 dB, phase 0.1°, THD 0.01 %" of a capture nobody judged */
static void write_figures(cj_text *out, const cj_measurement *measurement)
{
    static const char *const pair[] = {"gain_db", "phase_deg"}, *const own[] = {"tone_hz", "rms_v",
                                                                                "thd_percent"};
    int last = measurement->channel_count - 1;
    size_t written = 0;
    cj_text_add(out, "\1Measured\2, not judged");
    for (size_t i = 0; i < 5; i++) {
        const char *name = i < 2 ? pair[i] : own[i - 2];
        const cj_figure *figure =
            cj_figure_find(i < 2 ? &measurement->pair : &measurement->channel[last], name);
        if (figure == NULL || !isfinite(figure->value))
            continue;
        cj_text_add(out, "%s", written++ ? ", " : ": ");
        cj__page_label(out, name);
        cj_text_add(out, " ");
        cj__write_value(out, figure->value, figure->u, figure->unit);
    }
    cj_text_add(out, ".");
}

void cj__page_sentence(cj_text *out, const cj__sheet *sheet)
{
    const cj_page *page = sheet->page;
    cj_text text = {0};
    if (page->board != NULL) {
        cj_text_add(&text, page->unit != NULL ? "Unit " : "This unit");
        if (page->unit != NULL)
            cj__write_clean(&text, page->unit);
        if (page->judgement != NULL &&
            (page->judgement->limit_count > 0 || page->diagnosis == NULL))
            write_judgement(&text, sheet);
        else if (page->diagnosis != NULL)
            write_state(&text, page->diagnosis);
        else
            cj_text_add(&text, " was measured, not judged.");
        bool healthy = page->diagnosis != NULL && page->diagnosis->state == CJ_STATE_HEALTHY;
        bool passes = page->judgement != NULL && page->judgement->verdict == CJ_PASS;
        if (!healthy && !(passes && page->diagnosis == NULL))
            write_suspicion(&text, sheet);
    } else if (page->comparison != NULL) {
        write_comparison(&text, page->comparison);
        write_suspicion(&text, sheet);
    } else if (page->capture_count > 0) {
        write_figures(&text, page->captures[0].measurement);
    }
    cj_text_add(out, "<p class=\"verdict\">");
    cj__html_moved(out, &text);
    cj_text_add(out, "</p>\n");
}

static void write_fact(cj_text *out, const char *what, const char *text)
{
    if (text == NULL || text[0] == '\0')
        return;
    cj_text_add(out, "<dt>%s</dt><dd>", what);
    cj__html_text(out, text);
    cj_text_add(out, "</dd>\n");
}

void cj__page_origin(cj_text *out, const cj__sheet *sheet)
{
    const cj_page *page = sheet->page;
    cj_text_add(out, "<dl class=\"origin\">\n");
    if (page->board != NULL)
        write_fact(out, "Board", page->board->title[0] ? page->board->title : page->board->name);
    write_fact(out, "Unit", page->unit);
    write_fact(out, "Measured", page->when);
    write_fact(out, "By", page->operator_name);
    write_fact(out, "Instruments", page->instruments);
    write_fact(out, "Run", page->run);
    write_fact(out, "Note", page->note);
    if (page->board == NULL)
        for (size_t i = 0; i < page->capture_count; i++)
            write_fact(out, "Capture", page->captures[i].name);
    cj_text_add(out, "</dl>\n");
}
