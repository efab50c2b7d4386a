/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The answer of `board`: what a healthy unit reads, and what the steps can and cannot tell. */
#include "diagnosis/observed.h"
#include "report/board.h"

#include <math.h>
#include <string.h>

enum {
    GROUPS_SHOWN = 12,
    MEMBERS_SHOWN = 8,
    UNSEEN_SHOWN = 40,
};

/* "dc_v@left_out": the name before the @; key too long for one: "". */
static void name_of(const cj_keyed_figure *figure, char name[64])
{
    size_t length = strcspn(figure->key, "@");
    length = length < 64 ? length : 0;
    memcpy(name, figure->key, length);
    name[length] = '\0';
}

bool cj__shows(const cj_board *board, const cj_step_figures *of, const cj_keyed_figure *figure)
{
    const cj_step *step = &board->steps[of->step];
    char name[64], driven[72] = "";
    const char *net = strchr(figure->key, '@');
    name_of(figure, name);
    const struct cj__row *row = cj__row_find(name);
    if (step->drive >= 0)
        cj_board_view_text(board, (cj_view){board->inputs[step->drive].net, CJ_GND}, driven,
                           sizeof driven);
    if (row != NULL && row->kind == CJ__ROW_HIDDEN)
        return false;
    if (net != NULL && strcmp(net + 1, driven) == 0)
        return false;
    return strcmp(name, "tone_peak_v") != 0 || step->see_count < 2;
}

static const cj_keyed_figure *find_figure(const cj_step_figures *step, const char *key)
{
    for (size_t i = 0; i < step->predicted_count; i++)
        if (strcmp(step->predicted[i].key, key) == 0)
            return &step->predicted[i];
    return NULL;
}

/* Gain and phase have columns of their own, the rest stands beside them, a line each. */
static void fill_step(struct cj__grid *grid, const cj_study *study, const cj_step_figures *step)
{
    static const char *const paths[2] = {"channel 1", "channel 2"};
    const cj_keyed_figure *gain = find_figure(step, "gain_db"),
                          *phase = find_figure(step, "phase_deg");
    cj_text *row = cj__grid_row(grid);
    if (row == NULL)
        return;
    cj__write_clean(&row[0], study->board->steps[step->step].name);
    if (gain != NULL)
        cj__write_keyed(&row[1], gain, true);
    if (phase != NULL)
        cj__write_keyed(&row[2], phase, true);
    bool used = false;
    for (size_t i = 0; i < step->predicted_count; i++) {
        const cj_keyed_figure *figure = &step->predicted[i];
        if (figure == gain || figure == phase || !cj__shows(study->board, step, figure))
            continue;
        row = used ? cj__grid_row(grid) : row;
        if (row == NULL)
            return;
        used = true;
        cj__write_label(&row[3], figure->key, paths);
        cj__write_keyed(&row[4], figure, true);
    }
}

static void write_steps(cj_text *out, const cj_study *study, const struct cj__colours *colours)
{
    struct cj__grid grid = {.columns = 5, .right = {false, true, true, false, true}};
    cj_text *head = cj__grid_row(&grid);
    if (head != NULL) {
        cj_text_add(&head[1], "gain");
        cj_text_add(&head[2], "phase");
        cj_text_add(&head[3], "at a net");
    }
    for (size_t i = 0; i < study->step_count; i++)
        fill_step(&grid, study, &study->steps[i]);
    cj_text_add(out, "\n%sWhat a healthy unit reads, and one sigma from unit to unit%s\n",
                colours->bold, colours->off);
    cj__grid_write(&grid, 2, out);
    cj__grid_free(&grid);
}

/* "open-pin:U1:7, bridge:U1:6-7 and 3 more" */
static void write_list(cj_text *out, const cj_fault *faults, size_t count, size_t most)
{
    size_t shown = count < most ? count : most;
    for (size_t i = 0; i < shown; i++) {
        cj_text one = {0};
        cj_fault_text(&faults[i], &one);
        cj_text_add(out, "%s", i ? ", " : "");
        cj__write_clean(out, one.failed || one.bytes == NULL ? "" : one.bytes);
        out->failed = out->failed || one.failed;
        cj_text_free(&one);
    }
    if (count > shown)
        cj_text_add(out, " and %zu more", count - shown);
}

static void write_groups(cj_text *out, const cj_study *study, const struct cj__colours *colours)
{
    if (study->group_count == 0) {
        cj_text_add(out, "\nThese steps tell all %zu faults from each other.\n",
                    study->fault_count);
        return;
    }
    cj_text_add(out, "\n%sFaults that read alike in these steps: %zu group%s%s\n", colours->bold,
                study->group_count, study->group_count == 1 ? "" : "s", colours->off);
    for (size_t i = 0; i < study->group_count && i < GROUPS_SHOWN; i++) {
        cj_text list = {0};
        write_list(&list, study->groups[i].faults, study->groups[i].count, MEMBERS_SHOWN);
        cj__write_item(out, 2, "- ", &list);
        cj_text_free(&list);
    }
    if (study->group_count > GROUPS_SHOWN)
        cj_text_add(out, "  - and %zu groups more, in the answer of --json\n",
                    study->group_count - GROUPS_SHOWN);
}

static void write_unseen(cj_text *out, const cj_study *study, const struct cj__colours *colours)
{
    cj_text list = {0};
    if (study->unseen.count == 0) {
        cj_text_add(out, "\nNo fault would pass every limit.\n");
        return;
    }
    cj_text_add(out, "\n%sFaults that would pass every limit: %zu%s\n", colours->bold,
                study->unseen.count, colours->off);
    write_list(&list, study->unseen.faults, study->unseen.count, UNSEEN_SHOWN);
    cj__write_item(out, 2, "", &list);
    cj_text_free(&list);
}

static void write_limit(cj_text *out, const cj_board *board, const cj_limit *limit)
{
    const struct cj__row *row = cj__row_find(limit->figure);
    char of[72] = "";
    if (limit->from_tolerance) {
        cj_text_add(out, "from tolerance, ");
        cj__write_plain(out, limit->sigmas, 3);
        cj_text_add(out, " sigmas");
        return;
    }
    cj__write_clean(out, strcmp(limit->step, "*") == 0 ? "every step" : limit->step);
    cj_text_add(out, ": ");
    cj__write_clean(out, row != NULL ? row->label : limit->figure);
    if (limit->of.net != CJ_NO_NET) {
        cj_board_view_text(board, limit->of, of, sizeof of);
        cj_text_add(out, ", ");
        cj__write_clean(out, of);
    }
    cj_text_add(out, ", ");
    const cj__readable *figure = cj__readable_find(limit->figure);
    cj__write_range(out, limit->min, limit->max, figure != NULL ? figure->unit : "");
}

static void write_undecidable(cj_text *out, const cj_study *study,
                              const struct cj__colours *colours)
{
    if (study->undecidable_count == 0)
        return;
    cj_text_add(out, "\n%sLimits narrower than the instruments can decide%s\n", colours->bold,
                colours->off);
    for (size_t i = 0; i < study->undecidable_count; i++) {
        cj_text text = {0};
        write_limit(&text, study->board, &study->board->limits[study->undecidable[i]]);
        cj__write_item(out, 2, "- ", &text);
        cj_text_free(&text);
    }
}

/* "61 parts", "1 part" */
static void write_count(cj_text *out, size_t count, const char *what, const char *after)
{
    cj_text_add(out, "%zu %s%s%s", count, what, count == 1 ? "" : "s", after);
}

cj_status cj_report_study_text(const cj_study *study, const cj_report_style *style, cj_text *out,
                               cj_error *err)
{
    size_t start = out->length;
    const cj_board *board = study->board;
    struct cj__colours colours = cj__colours_of(style);
    cj_text title = {0};
    cj__write_clean(&title, board->title);
    cj_text_add(out, "%s", colours.bold);
    cj__write_clean(out, board->name);
    cj_text_add(out, "%s%s%s\n", colours.off, title.length > 0 ? ": " : "",
                title.failed ? "" : title.bytes);
    out->failed = out->failed || title.failed;
    cj_text_free(&title);
    cj_text_add(out, "  ");
    write_count(out, board->part_count, "part", ", ");
    write_count(out, board->net_count, "net", ", ");
    write_count(out, board->step_count, "step", ", ");
    write_count(out, study->fault_count, "single fault", "\n");
    if (!study->too_large) {
        cj_text_add(out, "  of the value%s of ", study->parts == 1 ? "" : "s");
        write_count(out, study->parts, "part", " the steps determine ");
        write_count(out, study->rank, "combination", "\n");
    }
    write_steps(out, study, &colours);
    if (study->too_large) {
        cj_text_add(out, "\n");
        cj__wrap(out, out->length, 0, cj__too_large);
    } else {
        write_groups(out, study, &colours);
        write_unseen(out, study, &colours);
    }
    write_undecidable(out, study, &colours);
    return cj__finish(out, start, err);
}
