/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The drawing as part of a page: the suspected stages first, then the others, then the rest in
 * words. */
#include "report/drawing.h"
#include "report/html.h"

#include <string.h>

/* "U1 B, right_bus to right_sum" */
static void write_caption(cj_text *out, const cj_board *board, const cj__stage *stage)
{
    cj_text text = {0};
    const cj_part *part = &board->parts[stage->part];
    cj_text_add(&text, "\1%s", part->ref);
    if (part->section_count > 1)
        cj_text_add(&text, " %c", 'A' + stage->section);
    cj_text_add(&text, "\2");
    if (stage->out >= 0)
        cj_text_add(&text, " makes %s", board->nets[stage->out]);
    if (part->opamp.type[0])
        cj_text_add(&text, " (%s)", part->opamp.type);
    cj__html_moved(out, &text);
}

/* "Not drawn, alike: in2 (R3 SW2 RV2), ..." */
static void write_alike(cj_text *out, const cj_board *board, const cj__stage *stage,
                        const cj__marks *marks)
{
    cj_text list = {0};
    size_t named = 0;
    for (size_t i = 0; i < stage->count; i++) {
        const cj__branch *branch = &stage->branches[i];
        if (cj__branch_drawn(stage, marks, board, i))
            continue;
        cj_text_add(&list, "%s%s (", named++ ? ", " : "Alike and not drawn: from ",
                    branch->to >= 0 ? board->nets[branch->to] : "");
        for (int k = branch->hop_count - 1; k >= 0; k--) {
            const cj__hop *hop = &branch->hops[k];
            for (int j = 0; j < hop->shunt_count; j++)
                cj_text_add(&list, "%s ", board->parts[hop->shunts[j]].ref);
            cj_text_add(&list, "%s%s", board->parts[hop->part].ref, k > 0 ? " " : "");
        }
        cj_text_add(&list, ")");
    }
    if (named > 0) {
        cj_text_add(out, "<br><small>");
        cj__html_moved(out, &list);
        cj_text_add(out, "</small>");
    }
    out->failed = out->failed || list.failed;
    cj_text_free(&list);
}

enum group { FIRST_SUSPECT, SUSPECTED, OTHERS };

/* The stage of the likeliest fault comes first: of all suspects that one alone is asked for. */
static enum group group_of(const cj__drawing *drawing, const cj__marks *marks,
                           const cj__stage *stage)
{
    cj__marks first = *marks;
    first.count = marks->count > 0 ? 1 : 0;
    if (cj__stage_suspected(&first, drawing->board, stage))
        return FIRST_SUSPECT;
    return cj__stage_suspected(marks, drawing->board, stage) ? SUSPECTED : OTHERS;
}

static void write_stages(cj_text *out, const cj__drawing *drawing, const cj__marks *marks,
                         enum group group)
{
    for (size_t i = 0; i < drawing->count; i++) {
        const cj__stage *stage = &drawing->stages[i];
        if (group_of(drawing, marks, stage) != group)
            continue;
        cj_text_add(out, "<figure class=\"stage\">\n");
        cj__draw_stage(out, drawing->board, stage, marks);
        cj_text_add(out, "<figcaption>");
        write_caption(out, drawing->board, stage);
        write_alike(out, drawing->board, stage, marks);
        cj_text_add(out, "</figcaption>\n</figure>\n");
    }
}

/* "C7 100n (v+, gnd)" */
static void write_part(cj_text *out, const cj_board *board, size_t index)
{
    const cj_part *part = &board->parts[index];
    cj_text text = {0};
    cj_text_add(&text, "%s (", part->ref);
    for (size_t p = 0; p < part->pin_count; p++)
        cj_text_add(&text, "%s%s", p ? ", " : "",
                    part->pins[p] >= 0 ? board->nets[part->pins[p]] : "nc");
    cj_text_add(&text, ")");
    cj__html_moved(out, &text);
}

static void write_rest(cj_text *out, const cj__drawing *drawing, const cj__marks *marks)
{
    size_t named = 0;
    for (size_t i = 0; i < drawing->board->part_count; i++) {
        const cj__suspect *one = cj__suspected(marks, (int)i, 0);
        if (drawing->drawn[i])
            continue;
        cj_text_add(out, "%s", named++ ? ", " : "<p class=\"small\">In no stage: ");
        if (one != NULL)
            cj_text_add(out, "<strong>");
        write_part(out, drawing->board, i);
        if (one != NULL)
            cj_text_add(out, " \xe2\x80\x93 suspected, number %d</strong>", one->number);
    }
    cj_text_add(out, named ? "</p>\n" : "");
}

/* What the marks mean, and which finding a number is. */
static void write_legend(cj_text *out, const cj__drawing *drawing, const cj__marks *marks,
                         const cj_observed *observed, const cj_findings *findings)
{
    enum { NAMED = 4 };
    int last = 0;
    cj_text_add(out, "<p class=\"legend\">");
    for (size_t i = 0; i < marks->count; i++) {
        int number = marks->suspects[i].number;
        if (number == last)
            continue;
        last = number;
        const cj_finding *finding = &findings->items[number - 1];
        cj_text text = {0};
        cj_text_add(out, "<span class=\"badge\">%d</span> ", number);
        cj__write_alternatives(&text, drawing->board, finding, 0, NAMED);
        cj_text_add(&text, " (");
        cj__write_probability(&text, finding->probability);
        cj_text_add(&text, ")");
        cj__html_moved(out, &text);
        cj_text_add(out, ". ");
    }
    if (observed != NULL)
        cj_text_add(out, "<span class=\"band\">Shaded</span>: a path that was measured. "
                         "<svg class=\"key\" viewBox=\"0 0 12 12\" aria-hidden=\"true\"><path "
                         "class=\"pr\" d=\"M1 6l5 -6l5 6l-5 6z\"/></svg> A probe was on this net.");
    cj_text_add(out, "</p>\n");
}

void cj__write_drawing(cj_text *out, const cj_board *board, const cj_observed *observed,
                       const cj_findings *findings)
{
    cj__drawing drawing = {0};
    cj__marks marks = {0};
    if (!cj__drawing_make(board, &drawing) || !cj__marks_make(board, observed, findings, &marks)) {
        out->failed = true;
    } else {
        size_t suspected = 0;
        for (size_t i = 0; i < drawing.count; i++)
            suspected += cj__stage_suspected(&marks, board, &drawing.stages[i]);
        write_legend(out, &drawing, &marks, observed, findings);
        write_stages(out, &drawing, &marks, FIRST_SUSPECT);
        write_stages(out, &drawing, &marks, SUSPECTED);
        if (suspected > 0 && suspected < drawing.count)
            cj_text_add(out, "<h3>The other stages</h3>\n");
        write_stages(out, &drawing, &marks, OTHERS);
        write_rest(out, &drawing, &marks);
    }
    cj__marks_free(&marks);
    cj__drawing_free(&drawing);
}
