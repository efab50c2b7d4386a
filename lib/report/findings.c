/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the figures point at, for a person with a soldering iron in one hand. */
#include "report/internal.h"

#include <math.h>
#include <string.h>

const char cj__caution[] = "Power off and let the supply discharge before the meter touches the "
                           "board. Do not probe parts that "
                           "carry mains. Local rules, and work that needs a licence, come first.";

enum { INDENT = 4, MEASURED_COLUMN = 27, FAULT_COLUMN = 47, HEALTHY_COLUMN = 64 };

bool cj__findings_touch(const cj_findings *findings)
{
    for (size_t i = 0; i < findings->count; i++)
        if (findings->items[i].touches_board)
            return true;
    return false;
}

/* "head text" wrapped, further lines under the text */
static void write_block(cj_text *out, const char *head, const char *text)
{
    cj_text clean = {0};
    size_t start = out->length;
    cj__write_clean(&clean, text);
    cj_text_add(out, "%*s%s", INDENT, "", head);
    out->failed = out->failed || clean.failed;
    cj__wrap(out, start, INDENT + cj__width(head), clean.failed ? "" : clean.bytes);
    cj_text_free(&clean);
}

void cj__write_reading(cj_text *out, const cj_reading *reading, bool with_u)
{
    if (reading->word[0])
        cj__write_clean(out, reading->word);
    else if (isfinite(reading->value) && with_u)
        cj__write_value(out, reading->value, reading->u, reading->unit);
    else if (isfinite(reading->value))
        cj__write_rounded(out, reading->value, reading->u, reading->unit);
    else if (!isnan(reading->low) || !isnan(reading->high))
        cj__write_range(out, reading->low, reading->high, reading->unit);
    else
        cj_text_add(out, "\xe2\x80\x93");
}

static void write_evidence(cj_text *out, const cj_finding *finding, const char *const paths[2])
{
    size_t start = out->length;
    if (finding->evidence_count == 0)
        return;
    cj__pad(out, start, MEASURED_COLUMN);
    cj_text_add(out, "measured");
    cj__pad(out, start, FAULT_COLUMN);
    cj_text_add(out, "with this fault");
    cj__pad(out, start, HEALTHY_COLUMN);
    cj_text_add(out, "healthy\n");
    for (size_t i = 0; i < finding->evidence_count; i++) {
        const cj_evidence *evidence = &finding->evidence[i];
        start = out->length;
        cj_text_add(out, "%*s", INDENT, "");
        if (evidence->step[0]) {
            cj__write_clean(out, evidence->step);
            cj_text_add(out, ": ");
        }
        cj__write_label(out, evidence->figure, paths);
        cj__pad(out, start, MEASURED_COLUMN);
        cj__write_reading(out, &evidence->measured, true);
        cj__pad(out, start, FAULT_COLUMN);
        cj__write_reading(out, &evidence->expected, true);
        cj__pad(out, start, HEALTHY_COLUMN);
        cj__write_reading(out, &evidence->healthy, true);
        cj_text_add(out, "\n");
    }
}

/* Where to look; alternatives that these captures cannot tell apart stand in one line. */
static void write_places(cj_text *out, const cj_finding *finding)
{
    cj_text places = {0};
    size_t written = 0;
    for (size_t i = 0; i < finding->fault_count; i++) {
        const cj_fault *fault = &finding->faults[i];
        const char *place = fault->part[0] ? fault->part : fault->role;
        if (place[0] == '\0')
            continue;
        cj_text_add(&places, "%s%s", written++ ? "; or: " : "", place);
        if (fault->part[0] && fault->pin > 0)
            cj_text_add(&places, " pin %d", fault->pin);
        if (fault->part[0] && fault->pin2 > 0)
            cj_text_add(&places, "-%d", fault->pin2);
    }
    if (places.failed)
        out->failed = true;
    else if (written > 0)
        write_block(out, "Where: ", places.bytes);
    cj_text_free(&places);
}

static void write_finding(cj_text *out, const cj_finding *finding, const char *const paths[2],
                          const struct cj__colours *colours)
{
    cj_text says = {0};
    size_t start = out->length;
    cj__write_clean(&says, finding->says);
    cj_text_add(out, "\n%2d. ", finding->rank);
    start++; /* behind the empty line */
    cj__write_probability(out, finding->probability);
    cj_text_add(out, "  ");
    out->failed = out->failed || says.failed;
    cj_text_add(out, "%s", colours->bold);
    cj__wrap(out, start, INDENT, says.failed ? "" : says.bytes);
    cj_text_add(out, "%s", colours->off);
    cj_text_free(&says);

    write_places(out, finding);
    write_evidence(out, finding, paths);
    if (finding->check != NULL)
        write_block(out, "Next:  ", finding->check);
    if (finding->caution != NULL)
        write_block(out, "Take care: ", finding->caution);
}

void cj__write_findings(cj_text *out, const cj_findings *findings, const char *const paths[2],
                        const struct cj__colours *colours)
{
    if (findings->count == 0)
        return;
    cj_text_add(out, "\n%sWhat this points at%s\n", colours->bold, colours->off);
    if (cj__findings_touch(findings))
        write_block(out, "", cj__caution);
    for (size_t i = 0; i < findings->count; i++)
        write_finding(out, &findings->items[i], paths, colours);
    if (findings->unexplained >= 0.005) {
        cj_text_add(out, "\n    None of these: ");
        cj__write_probability(out, findings->unexplained);
        cj_text_add(out, "\n");
    }
}
