/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The finding, its evidence, the next check. */
#include "report/page.h"

#include <math.h>
#include <string.h>

enum { FINDINGS_SHOWN = 4, NEXT_SHOWN = 3, EXPECT_SHOWN = 4 };

static void write_evidence(cj_text *out, const cj_finding *finding)
{
    if (finding->evidence_count == 0)
        return;
    cj_text_add(out, "<table><tr><th>evidence</th><th>measured</th><th>with this fault</th>"
                     "<th>a good unit</th></tr>\n");
    for (size_t i = 0; i < finding->evidence_count; i++) {
        const cj_evidence *evidence = &finding->evidence[i];
        const cj_reading *const readings[] = {&evidence->measured, &evidence->expected,
                                              &evidence->healthy};
        cj_text label = {0};
        if (evidence->step[0]) {
            cj__write_clean(&label, evidence->step);
            cj_text_add(&label, ": ");
        }
        cj__page_label(&label, evidence->figure);
        if (evidence->hz > 0) {
            cj_text_add(&label, " at ");
            cj__write_value(&label, evidence->hz, NAN, "Hz");
        }
        cj_text_add(out, "<tr><td>");
        cj__html_moved(out, &label);
        for (int k = 0; k < 3; k++) {
            cj_text cell = {0};
            cj__write_reading(&cell, readings[k], isfinite(readings[k]->u) && readings[k]->u > 0);
            cj_text_add(out, "</td><td class=\"n\">");
            cj__html_moved(out, &cell);
        }
        cj_text_add(out, "</td></tr>\n");
    }
    cj_text_add(out, "</table>\n");
}

/* What reads the same, once each. */
static void write_members(cj_text *out, const cj_board *board, const cj_finding *finding)
{
    cj_text list = {0};
    cj__write_alternatives(&list, board, finding, 1, finding->fault_count);
    if (list.length > 0) {
        cj_text_add(out, "<p>The same readings come of: ");
        cj__html_moved(out, &list);
        cj_text_add(out, ".</p>\n");
    }
    out->failed = out->failed || list.failed;
    cj_text_free(&list);
}

static void write_share(cj_text *out, double probability)
{
    cj_text share = {0};
    cj__write_probability(&share, probability);
    cj__html_moved(out, &share);
}

static void write_finding(cj_text *out, const cj_board *board, const cj_finding *finding,
                          bool whole)
{
    cj_text_add(out, "<p class=\"finding\"><span class=\"badge\">%d</span> ", finding->rank);
    cj_text_add(out, whole ? "<strong>" : "");
    cj__html_text(out, finding->says);
    cj_text_add(out, whole ? "</strong> (" : " (");
    write_share(out, finding->probability);
    cj_text_add(out, ")</p>\n");
    if (!whole)
        return;
    if (strcmp(finding->from, "rules") != 0)
        write_members(out, board, finding);
    write_evidence(out, finding);
    if (finding->check != NULL) {
        cj_text_add(out, "<p><strong>Next check:</strong> ");
        cj__html_text(out, finding->check);
        cj_text_add(out, "</p>\n");
    }
    if (finding->caution != NULL) {
        cj_text_add(out, "<p class=\"caution\">");
        cj__html_text(out, finding->caution);
        cj_text_add(out, "</p>\n");
    }
}

static void write_next(cj_text *out, const cj_diagnosis *diagnosis)
{
    cj_text text = {0};
    if (diagnosis == NULL || diagnosis->next_count == 0)
        return;
    cj_text_add(out, "<h3>What a further capture would tell</h3>\n<ul>\n");
    cj__write_next(&text, diagnosis, NEXT_SHOWN, EXPECT_SHOWN);
    /* lines of a text answer: "  - " begins an item, deeper lines go on with it */
    char *at = text.failed || text.bytes == NULL ? NULL : text.bytes;
    bool open = false;
    while (at != NULL && *at) {
        size_t length = strcspn(at, "\n");
        bool item = strncmp(at, "  - ", 4) == 0, branch = strncmp(at, "    if ", 7) == 0;
        cj_text line = {0};
        size_t skip = item ? 4 : strspn(at, " ");
        skip = skip < length ? skip : length;
        cj_text_add_n(&line, at + skip, length - skip);
        cj_text_add(out, item ? (open ? "</li>\n<li>" : "<li>") : branch ? "<br>" : " ");
        open = open || item;
        cj__html_moved(out, &line);
        at += length + (at[length] == '\n');
    }
    cj_text_add(out, open ? "</li>\n</ul>\n" : "</ul>\n");
    out->failed = out->failed || text.failed;
    cj_text_free(&text);
}

void cj__page_findings(cj_text *out, const cj__sheet *sheet)
{
    const cj_findings *findings = sheet->findings;
    const cj_page *page = sheet->page;
    bool healthy = page->diagnosis != NULL && page->diagnosis->state == CJ_STATE_HEALTHY;
    bool probes = page->diagnosis != NULL && page->diagnosis->next_count > 0;
    if (findings == NULL || (findings->count == 0 && !probes))
        return;
    cj_text_add(out, healthy ? "<h2>What these readings do not rule out</h2>\n"
                             : "<h2>What it points at</h2>\n");
    if (findings->count > 0 && cj__findings_touch(findings))
        cj_text_add(out, "<p class=\"caution\">%s</p>\n", cj__caution);
    for (size_t i = 0; i < findings->count && i < FINDINGS_SHOWN; i++)
        write_finding(out, page->board, &findings->items[i], i == 0 && !healthy);
    if (findings->count > FINDINGS_SHOWN)
        cj_text_add(out, "<p class=\"small\">And %zu less likely.</p>\n",
                    findings->count - FINDINGS_SHOWN);
    if (findings->unexplained >= 0.005) {
        cj_text_add(out, "<p>None of these: ");
        write_share(out, findings->unexplained);
        cj_text_add(out, "</p>\n");
    }
    write_next(out, page->diagnosis);
}
