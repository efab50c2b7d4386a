/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What to do next: the step to capture or the net to touch, and what it will read under each fault
 * left. */
#include "report/board.h"

#include <math.h>
#include <string.h>

enum { READS_SHOWN = 3, PROBES_NAMED = 4 };

/* ---- which readings tell ---- */

static const cj_keyed_figure *read_of(const cj_expectation *expect, const char *key)
{
    for (size_t i = 0; i < expect->read_count; i++)
        if (strcmp(expect->reads[i].key, key) == 0)
            return &expect->reads[i];
    return NULL;
}

/* What a bench tells apart at a glance, whatever the spread. */
static double least_step(const char *unit)
{
    static const struct {
        const char *unit;
        double step;
    } steps[] = {{"V", 1e-3}, {"dB", 0.1}, {"deg", 1}, {"%", 0.01}};
    for (size_t i = 0; unit != NULL && i < sizeof steps / sizeof steps[0]; i++)
        if (strcmp(unit, steps[i].unit) == 0)
            return steps[i].step;
    return 0;
}

static bool differ(const cj_keyed_figure *one, const cj_keyed_figure *other)
{
    bool told = isfinite(one->value), other_told = isfinite(other->value);
    if ((one->word != NULL) != (other->word != NULL) || told != other_told)
        return true;
    if (one->word != NULL)
        return strcmp(one->word, other->word) != 0;
    if (!told)
        return one->bound_kind != other->bound_kind;
    double u = hypot(isfinite(one->u) ? one->u : 0, isfinite(other->u) ? other->u : 0);
    return fabs(one->value - other->value) > fmax(2 * u, least_step(one->unit));
}

/* Whether this reading separates any two of what is left. */
static bool tells(const cj_next *next, const char *key)
{
    for (size_t i = 0; i < next->expect_count; i++)
        for (size_t k = i + 1; k < next->expect_count; k++) {
            const cj_keyed_figure *one = read_of(&next->expect[i], key),
                                  *other = read_of(&next->expect[k], key);
            if ((one != NULL) != (other != NULL) || (one != NULL && differ(one, other)))
                return true;
        }
    return false;
}

static void write_reads(cj_text *out, const cj_next *next, const cj_expectation *expect)
{
    static const char *const paths[2] = {"channel 1", "channel 2"};
    size_t written = 0;
    for (int pass = 0; pass < 2 && written == 0; pass++) /* where none tells, the first is shown */
        for (size_t i = 0; i < expect->read_count && written < READS_SHOWN; i++) {
            const cj_keyed_figure *read = &expect->reads[i];
            if (pass == 0 ? !tells(next, read->key) : i > 0)
                continue;
            cj_text_add(out, "%s", written++ ? "; " : "");
            cj__write_label(out, read->key, paths);
            cj_text_add(out, " ");
            cj__write_keyed(out, read, false);
        }
}

/* ---- one thing to do ---- */

static void write_if(cj_text *out, const cj_board *board, const cj_expectation *expect)
{
    if (expect->healthy)
        cj_text_add(out, "nothing is wrong");
    else
        cj__write_fault(out, board, &expect->fault);
}

/* A comparison that ran out of memory fails out: an item said twice would be no answer. */
static bool same_reads(cj_text *out, const cj_next *next, size_t one, size_t other)
{
    cj_text reads[2] = {0};
    write_reads(&reads[0], next, &next->expect[one]);
    write_reads(&reads[1], next, &next->expect[other]);
    bool same = !reads[0].failed && !reads[1].failed && reads[0].bytes != NULL &&
                reads[1].bytes != NULL && strcmp(reads[0].bytes, reads[1].bytes) == 0;
    out->failed = out->failed || reads[0].failed || reads[1].failed;
    cj_text_free(&reads[0]);
    cj_text_free(&reads[1]);
    return same;
}

/* "if U1 pin 5 makes no contact, or U1 pin 6 makes no contact: DC, b1 -10.28 V" */
static void write_expectations(cj_text *out, const cj_board *board, const cj_next *next,
                               size_t most)
{
    size_t written = 0;
    for (size_t i = 0; i < next->expect_count && written < most; i++) {
        cj_text line = {0};
        bool before = false;
        for (size_t k = 0; k < i && !before; k++)
            before = same_reads(out, next, k, i);
        if (before)
            continue;
        cj_text_add(&line, "if ");
        write_if(&line, board, &next->expect[i]);
        for (size_t k = i + 1; k < next->expect_count; k++)
            if (same_reads(out, next, i, k)) {
                cj_text_add(&line, ", or ");
                write_if(&line, board, &next->expect[k]);
            }
        cj_text_add(&line, ": ");
        write_reads(&line, next, &next->expect[i]);
        cj__write_item(out, 4, "", &line);
        cj_text_free(&line);
        written++;
    }
}

/* Two nets at which the probe would read the same of everything. */
static bool alike(const cj_next *one, const cj_next *other)
{
    if (!one->probe || !other->probe || one->step != other->step ||
        one->expect_count != other->expect_count)
        return false;
    for (size_t i = 0; i < one->expect_count; i++) {
        const cj_expectation *a = &one->expect[i], *b = &other->expect[i];
        if (a->read_count != b->read_count)
            return false;
        for (size_t k = 0; k < a->read_count; k++)
            if (differ(&a->reads[k], &b->reads[k]))
                return false;
    }
    return true;
}

static void write_probe(cj_text *out, const cj_diagnosis *diagnosis, size_t index)
{
    const cj_next *next = &diagnosis->next[index];
    char look[72];
    size_t named = 0;
    cj_board_view_text(diagnosis->board, next->look, look, sizeof look);
    cj_text_add(out, "Put the second probe on %s", look);
    for (size_t i = index + 1; i < diagnosis->next_count && named < PROBES_NAMED; i++)
        if (alike(next, &diagnosis->next[i])) {
            cj_board_view_text(diagnosis->board, diagnosis->next[i].look, look, sizeof look);
            cj_text_add(out, "%s%s", named++ ? ", " : " (or on ", look);
        }
    cj_text_add(out, "%s during step %s", named ? ")" : "",
                diagnosis->board->steps[next->step].name);
}

static void write_capture(cj_text *out, const cj_diagnosis *diagnosis, const cj_next *next)
{
    const cj_step *step = &diagnosis->board->steps[next->step];
    char views[2][72] = {"", ""};
    for (int i = 0; i < step->see_count; i++)
        cj_board_view_text(diagnosis->board, step->see[i], views[i], sizeof views[i]);
    cj_text_add(out, "Capture step %s (%s%s%s)", step->name, views[0],
                step->see_count > 1 ? ", " : "", views[1]);
}

void cj__write_next(cj_text *out, const cj_diagnosis *diagnosis, size_t most, size_t expect)
{
    size_t written = 0;
    for (size_t i = 0; i < diagnosis->next_count && written < most; i++) {
        const cj_next *next = &diagnosis->next[i];
        cj_text what = {0};
        bool before = false;
        for (size_t k = 0; k < i && !before; k++)
            before = alike(&diagnosis->next[k], next);
        if (before)
            continue;
        if (next->probe)
            write_probe(&what, diagnosis, i);
        else
            write_capture(&what, diagnosis, next);
        cj_text_add(&what, "%s", next->expect_count > 0 ? ":" : "");
        cj__write_item(out, 2, "- ", &what);
        cj_text_free(&what);
        write_expectations(out, diagnosis->board, next, expect);
        written++;
    }
}
