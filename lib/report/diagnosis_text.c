/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The answer of `diagnose` on one screen: verdict, the first finding with its evidence, what to do
 * next. */
#include "report/board.h"

#include <math.h>
#include <string.h>

enum { SCREEN_LINES = 39 /* of 40: one is the prompt's */, INDENT = 4 };

/* How many of each part are shown; what does not fit on the screen is left to --json. */
struct room {
    size_t evidence, members, others, next, expect, notes;
};

struct scene {
    const cj_diagnosis *diagnosis;
    const cj_observed *observed;
    const struct cj__colours *colours;
    struct room room;
};

static size_t least(size_t a, size_t b)
{
    return a < b ? a : b;
}

static void write_text(cj_text *out, const char *text)
{
    cj__write_clean(out, text != NULL ? text : "");
}

/* ---- verdict ---- */

static void write_verdict(cj_text *out, const struct scene *scene)
{
    static const char *const words[] = {[CJ_STATE_HEALTHY] = "HEALTHY",
                                        [CJ_STATE_FAULT] = "FAULT",
                                        [CJ_STATE_UNDECIDED] = "UNDECIDED"};
    const cj_diagnosis *diagnosis = scene->diagnosis;
    const struct cj__colours *colours = scene->colours;
    const char *colour = diagnosis->state == CJ_STATE_HEALTHY ? colours->good
                         : diagnosis->state == CJ_STATE_FAULT ? colours->bad
                                                              : colours->open;
    cj_text why = {0};
    write_text(&why, diagnosis->why[0] ? diagnosis->why : "nothing was read");
    cj_text_add(out, "%s%s%s", colour, words[diagnosis->state], colours->off);
    size_t start = out->length - strlen(words[diagnosis->state]);
    cj_text_add(out, ": ");
    out->failed = out->failed || why.failed;
    cj__wrap(out, start, 2, why.failed ? "" : why.bytes);
    cj_text_free(&why);
}

/* One more name of `all` on the line; where it would leave no room, "and 13 more" and false. */
static bool add_name(cj_text *line, const char *name, size_t *named, size_t all)
{
    size_t rest = *named + 1 < all ? strlen(" and 1000 more") : 0;
    cj_text more = {0};
    cj_text_add(&more, "%s", *named ? ", " : ": ");
    write_text(&more, name);
    bool fits = !more.failed && cj__width(line->bytes) + cj__width(more.bytes) + rest <= CJ__PAGE;
    line->failed = line->failed || more.failed;
    if (fits || *named == 0)
        cj_text_add(line, "%s", more.failed ? "" : more.bytes);
    else
        cj_text_add(line, " and %zu more", all - *named);
    cj_text_free(&more);
    ++*named;
    return fits;
}

/* "hall-mixer: read in1-left, quiet; 16 of 18 steps not read" on one line. */
static void write_read(cj_text *out, const struct scene *scene)
{
    const cj_board *board = scene->diagnosis->board;
    cj_text line = {0};
    size_t read = 0, named = 0;
    for (size_t i = 0; scene->observed != NULL && i < board->step_count; i++)
        read += scene->observed->seen[i];
    cj__write_clean(&line, board->name);
    cj_text_add(&line, ", %zu of %zu step%s read", read, board->step_count,
                board->step_count == 1 ? "" : "s");
    for (size_t i = 0; read > 0 && i < board->step_count && !line.failed; i++)
        if (scene->observed->seen[i] && !add_name(&line, board->steps[i].name, &named, read))
            break;
    cj__clip(&line, CJ__PAGE);
    out->failed = out->failed || line.failed;
    cj_text_add(out, "%s\n", line.failed ? "" : line.bytes);
    cj_text_free(&line);
}

/* ---- the first finding ---- */

/* Without an uncertainty no more digits than a meter shows. */
static void write_cell(cj_text *cell, const cj_reading *reading, bool with_u)
{
    cj__write_reading(cell, reading, with_u && isfinite(reading->u) && reading->u > 0);
}

static void fill_grid(struct cj__grid *grid, const cj_finding *finding, size_t rows, int pass)
{
    static const char *const paths[2] = {"channel 1", "channel 2"};
    static const char *const heads[] = {"", "measured", "with this fault", "healthy"};
    *grid = (struct cj__grid){.columns = 4};
    cj_text *row = cj__grid_row(grid);
    for (int i = 0; row != NULL && i < 4; i++)
        cj_text_add(&row[i], "%s", heads[i]);
    for (size_t i = 0; i < rows; i++) {
        const cj_evidence *evidence = &finding->evidence[i];
        row = cj__grid_row(grid);
        if (row == NULL)
            return;
        if (evidence->step[0]) {
            write_text(&row[0], evidence->step);
            cj_text_add(&row[0], ": ");
        }
        cj__write_label(&row[0], evidence->figure, paths);
        if (evidence->hz > 0) {
            cj_text_add(&row[0], " at ");
            cj__write_value(&row[0], evidence->hz, NAN, "Hz");
        }
        write_cell(&row[1], &evidence->measured, pass < 2);
        write_cell(&row[2], &evidence->expected, pass < 1);
        write_cell(&row[3], &evidence->healthy, pass < 1);
    }
}

/* Where the page is too narrow the uncertainties go first, then the ends of the labels. */
static void write_evidence(cj_text *out, const cj_finding *finding, size_t most)
{
    size_t rows = least(finding->evidence_count, most);
    struct cj__grid grid;
    if (rows == 0)
        return;
    for (int pass = 0;; pass++) {
        fill_grid(&grid, finding, rows, pass);
        if (grid.failed || pass == 2 || cj__grid_width(&grid) + INDENT <= CJ__PAGE)
            break;
        cj__grid_free(&grid);
    }
    for (size_t columns = CJ__PAGE / 2;
         !grid.failed && columns > 12 && cj__grid_width(&grid) + INDENT > CJ__PAGE; columns--)
        for (size_t row = 0; row < grid.rows; row++)
            cj__clip(&grid.cells[row * 4], columns);
    cj__grid_write(&grid, INDENT, out);
    cj__grid_free(&grid);
}

/* The members of a group that are said differently from those before. */
static void write_members(cj_text *out, const cj_board *board, const cj_finding *finding,
                          size_t most)
{
    cj_text list = {0};
    size_t written = 0, left = 0;
    cj_text_add(&list, "The same readings come of: ");
    for (size_t i = 1; i < finding->fault_count; i++) {
        bool again = false;
        for (size_t k = 0; k < i && !again; k++)
            again = cj__same_words(board, &finding->faults[k], &finding->faults[i]);
        if (again)
            continue;
        if (written == most) {
            left++;
            continue;
        }
        cj_text_add(&list, "%s", written++ ? "; or " : "");
        cj__write_fault(&list, board, &finding->faults[i]);
    }
    if (left > 0)
        cj_text_add(&list, "%s%zu more", written ? "; or " : "", left);
    if (written + left > 0)
        cj__write_item(out, INDENT, "", &list);
    out->failed = out->failed || list.failed;
    cj_text_free(&list);
}

static void write_first(cj_text *out, const struct scene *scene, const cj_finding *finding)
{
    const struct cj__colours *colours = scene->colours;
    cj_text says = {0}, check = {0};
    cj_text_add(out, "\n");
    size_t start = out->length;
    write_text(&says, finding->says);
    cj_text_add(out, "%2d. ", finding->rank);
    cj__write_probability(out, finding->probability);
    cj_text_add(out, "  %s", colours->bold);
    out->failed = out->failed || says.failed;
    cj__wrap(out, start, INDENT, says.failed ? "" : says.bytes);
    cj_text_add(out, "%s", colours->off);
    write_members(out, scene->diagnosis->board, finding, scene->room.members);
    write_evidence(out, finding, scene->room.evidence);
    if (finding->check != NULL) {
        write_text(&check, finding->check);
        cj__write_item(out, INDENT, "Check: ", &check);
    }
    cj_text_free(&says);
    cj_text_free(&check);
}

/* ---- the others ---- */

static void write_others(cj_text *out, size_t count)
{
    if (count == 1)
        cj_text_add(out, ", or one other that reads like it");
    else
        cj_text_add(out, ", or one of %zu that read like it", count);
}

/* The rules' sentences are long: a line has to do. */
static void write_other(cj_text *out, const cj_board *board, const cj_finding *finding)
{
    enum { SHARE = 6 /* "> 99 %" */, HEAD = 4 + SHARE + 2 };
    cj_text line = {0}, share = {0}, head = {0};
    cj__write_probability(&share, finding->probability);
    cj_text_add(&head, "%2d. %*s  ", finding->rank, SHARE, share.failed ? "" : share.bytes);
    if (finding->fault_count == 0 || strcmp(finding->from, "rules") == 0) {
        write_text(&line, finding->says);
        cj__clip(&line, CJ__PAGE - HEAD);
    } else {
        cj__write_fault(&line, board, &finding->faults[0]);
        if (finding->fault_count > 1 &&
            !(finding->fault_count == 2 &&
              cj__same_words(board, &finding->faults[0], &finding->faults[1])))
            write_others(&line, finding->fault_count - 1);
    }
    out->failed = out->failed || share.failed || head.failed;
    cj__write_item(out, 0, head.failed ? "" : head.bytes, &line);
    cj_text_free(&line);
    cj_text_free(&share);
    cj_text_free(&head);
}

static void write_findings(cj_text *out, const struct scene *scene)
{
    const cj_diagnosis *diagnosis = scene->diagnosis;
    const cj_findings *findings = diagnosis->findings;
    size_t from = 0;
    if (findings == NULL || findings->count == 0)
        return;
    if (diagnosis->state != CJ_STATE_HEALTHY) {
        if (findings->unexplained >= 0.5)
            cj_text_add(out, "\nWhat comes closest\n");
        write_first(out, scene, &findings->items[0]);
        from = 1;
    }
    size_t shown = least(findings->count - from, scene->room.others);
    cj_text_add(out, "%s", shown > 0 ? "\n" : "");
    if (from == 0 && shown > 0)
        cj_text_add(out, "What these readings do not rule out\n");
    for (size_t i = from; i < from + shown; i++)
        write_other(out, diagnosis->board, &findings->items[i]);
    if (findings->count > from + shown)
        cj_text_add(out, "    and %zu less likely, in the answer of --json\n",
                    findings->count - from - shown);
    if (findings->unexplained >= 0.005) {
        cj_text_add(out, "    None of these: ");
        cj__write_probability(out, findings->unexplained);
        cj_text_add(out, "\n");
    }
}

static const char elsewhere[] =
    "Look beyond single parts: switches, levels and rails as each step has them; cables and "
    "probes; "
    "a unit built otherwise than the board file says; several faults at once";
static const char above[] =
    "Do the check of what stands first: no reading left on this board would decide";

/* Where nothing is decided: the steps still open; then the check of what stands first, or, where no
 * fault explains the readings, everything but the parts. */
static void write_ways_out(cj_text *out, const cj_diagnosis *diagnosis)
{
    enum { NAMED = 6 };
    const cj_findings *findings = diagnosis->findings;
    cj_text text = {0};
    if (diagnosis->next_count == 0 && diagnosis->open_count > 0) {
        for (size_t i = 0; i < diagnosis->open_count && i < NAMED; i++) {
            cj_text_add(&text, "%s", i ? ", " : "Capture what is still open: ");
            write_text(&text, diagnosis->board->steps[diagnosis->open_steps[i]].name);
        }
        if (diagnosis->open_count > NAMED)
            cj_text_add(&text, " and %zu more", diagnosis->open_count - NAMED);
        cj__write_item(out, 2, "- ", &text);
        cj_text_free(&text);
    }
    bool explained = findings != NULL && findings->unexplained < 0.5 &&
                     (findings->count > 0 || diagnosis->healthy < 0.5);
    if (explained && (diagnosis->next_count > 0 || diagnosis->open_count > 0))
        return;
    cj_text_add(&text, "%s", explained && findings->count > 0 ? above : elsewhere);
    cj__write_item(out, 2, "- ", &text);
    cj_text_free(&text);
}

static void write_next(cj_text *out, const struct scene *scene)
{
    const cj_diagnosis *diagnosis = scene->diagnosis;
    bool undecided = diagnosis->state == CJ_STATE_UNDECIDED;
    if (diagnosis->next_count == 0 && !undecided)
        return;
    cj_text_add(out, "\n%sWhat to do next%s\n", scene->colours->bold, scene->colours->off);
    cj__write_next(out, diagnosis, scene->room.next, scene->room.expect);
    if (undecided)
        write_ways_out(out, diagnosis);
}

/* Repairs that weigh in. */
static void write_history(cj_text *out, const cj_diagnosis *diagnosis)
{
    cj_text text = {0};
    if (!(diagnosis->repairs > 0))
        return;
    cj_text_add(&text, "%.0f repair%s of this board", diagnosis->repairs,
                diagnosis->repairs == 1 ? "" : "s");
    if (diagnosis->repairs_from != NULL) {
        cj_text_add(&text, " in ");
        write_text(&text, diagnosis->repairs_from);
    }
    cj_text_add(&text, " weigh%s in how likely each fault is; --no-history leaves %s out.",
                diagnosis->repairs == 1 ? "s" : "", diagnosis->repairs == 1 ? "it" : "them");
    cj_text_add(out, "\n");
    cj__write_item(out, 0, "", &text);
    out->failed = out->failed || text.failed;
    cj_text_free(&text);
}

/* ---- cautions and notes ---- */

static void write_cautions(cj_text *out, const cj_diagnosis *diagnosis)
{
    const cj_findings *findings = diagnosis->findings;
    cj_text text = {0};
    bool probes = false;
    for (size_t i = 0; i < diagnosis->next_count; i++)
        probes = probes || diagnosis->next[i].probe;
    if (findings != NULL && (probes || cj__findings_touch(findings)))
        cj_text_add(&text, "%s", cj__caution);
    if (findings != NULL && findings->count > 0 && findings->items[0].caution != NULL) {
        cj_text_add(&text, "%s", text.length ? " " : "");
        write_text(&text, findings->items[0].caution);
    }
    if (text.length > 0) {
        cj_text_add(out, "\n");
        cj__write_item(out, 0, "", &text);
    }
    out->failed = out->failed || text.failed;
    cj_text_free(&text);
}

static void write_notes(cj_text *out, const struct scene *scene)
{
    const cj_lines *notes = &scene->diagnosis->notes;
    size_t shown = least(notes->count, scene->room.notes);
    if (shown == 0)
        return;
    cj_text_add(out, "\nNotes\n");
    for (size_t i = 0; i < shown; i++) {
        cj_text text = {0};
        write_text(&text, notes->items[i]);
        cj__write_item(out, 2, "- ", &text);
        cj_text_free(&text);
    }
    if (notes->count > shown)
        cj_text_add(out, "  - and %zu more, in the answer of --json\n", notes->count - shown);
}

/* ---- the whole ---- */

static void write_all(cj_text *out, const struct scene *scene)
{
    write_verdict(out, scene);
    write_read(out, scene);
    write_findings(out, scene);
    write_next(out, scene);
    write_history(out, scene->diagnosis);
    write_cautions(out, scene->diagnosis);
    write_notes(out, scene);
}

static size_t count_lines(const cj_text *text)
{
    size_t lines = 0;
    for (size_t i = 0; i < text->length; i++)
        lines += text->bytes[i] == '\n';
    return lines;
}

/* Gives up a little of what matters least; false: nothing is left to give up. */
static bool shrink(struct room *room)
{
    size_t *const order[] = {&room->notes,  &room->others,   &room->next,
                             &room->expect, &room->evidence, &room->members};
    static const size_t keep[] = {1, 2, 1, 2, 3, 2};
    size_t widest = 0, best = 0;
    for (size_t i = 0; i < sizeof order / sizeof order[0]; i++)
        if (*order[i] > keep[i] && *order[i] - keep[i] > widest) {
            widest = *order[i] - keep[i];
            best = i;
        }
    if (widest == 0)
        return false;
    --*order[best];
    return true;
}

static void write_explained(cj_text *out, const cj_diagnosis *diagnosis)
{
    if (diagnosis->findings == NULL || diagnosis->findings->explained.count == 0)
        return;
    cj_text_add(out, "\nHow this came about\n");
    cj__write_bullets(out, &diagnosis->findings->explained);
}

cj_status cj_report_diagnosis_text(const cj_diagnosis *diagnosis, const cj_observed *observed,
                                   const cj_report_style *style, cj_text *out, cj_error *err)
{
    size_t start = out->length;
    struct cj__colours colours = cj__colours_of(style);
    struct scene scene = {.diagnosis = diagnosis, .observed = observed, .colours = &colours};
    scene.room =
        (struct room){.evidence = 6, .members = 6, .others = 6, .next = 3, .expect = 4, .notes = 4};
    cj_text page = {0};
    bool explain = style != NULL && style->explain;
    for (;;) {
        write_all(&page, &scene);
        if (page.failed || explain || count_lines(&page) <= SCREEN_LINES || !shrink(&scene.room))
            break;
        cj_text_free(&page);
    }
    out->failed = out->failed || page.failed;
    if (!page.failed)
        cj_text_add_n(out, page.bytes, page.length);
    cj_text_free(&page);
    if (explain)
        write_explained(out, diagnosis);
    return cj__finish(out, start, err);
}
