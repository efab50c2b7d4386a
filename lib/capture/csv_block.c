/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_block.c - where the samples start.
 *
 * Not told by words but by form: the first long run of lines with numbers in the same columns,
 * without a column of words among them (a block of keys and numbers has one), extended upward as
 * far as each line still has numbers there and nothing else. Keys and values may stand to the left
 * or right of the rows.
 */
#include "capture/csv_layout.h"

#include <string.h>

#define LONG_RUN 8 /* lines that make a run sure */

struct run {
    int first, end;
    bool words; /* some column holds words in most lines */
};

/* Lines from `first` on that go together: no column has a number in one and a word in another, and
 * each line has at least one number in a column that held one before. */
static int run_end(const cj__table *table, int first, char *state)
{
    memset(state, CJ__CELL_EMPTY, CJ__MAX_COLUMNS);
    for (int line = first; line < table->count; line++) {
        bool shared = line == first, clash = false;
        for (int c = 0; c < table->lines[line].count && !clash; c++) {
            cj__cell_kind kind = cj__cell_at(table, line, c).kind;
            if (kind == CJ__CELL_MISSING)
                kind = CJ__CELL_NUMBER;
            clash = kind != CJ__CELL_EMPTY && state[c] != CJ__CELL_EMPTY && state[c] != (char)kind;
            shared = shared || (kind == CJ__CELL_NUMBER && state[c] == CJ__CELL_NUMBER);
        }
        if (clash || !shared)
            return line;
        for (int c = 0; c < table->lines[line].count; c++) {
            cj__cell_kind kind = cj__cell_at(table, line, c).kind;
            if (kind != CJ__CELL_EMPTY)
                state[c] = (char)(kind == CJ__CELL_MISSING ? CJ__CELL_NUMBER : kind);
        }
    }
    return table->count;
}

/* In how many lines of the run the column is of that kind. */
static int count_kind(const cj__table *table, const struct run *run, int column, cj__cell_kind kind)
{
    int count = 0;
    for (int line = run->first; line < run->end; line++)
        count += cj__cell_at(table, line, column).kind == kind;
    return count;
}

static bool has_number(const cj__table *table, int line)
{
    for (int c = 0; c < table->lines[line].count; c++)
        if (cj__cell_at(table, line, c).kind == CJ__CELL_NUMBER)
            return true;
    return false;
}

static bool has_word_column(const cj__table *table, const struct run *run, const char *state)
{
    for (int c = 0; c < CJ__MAX_COLUMNS; c++)
        if (state[c] == CJ__CELL_TEXT &&
            2 * count_kind(table, run, c, CJ__CELL_TEXT) >= run->end - run->first)
            return true;
    return false;
}

static struct run find_run(const cj__table *table)
{
    char state[CJ__MAX_COLUMNS];
    struct run best = {0, 0, true};
    for (int line = 0; line < table->count;) {
        if (!has_number(table, line)) {
            line++;
            continue;
        }
        struct run run = {line, run_end(table, line, state), false};
        run.words = has_word_column(table, &run, state);
        int length = run.end - run.first;
        if (!run.words && length >= LONG_RUN)
            return run;
        if (length > best.end - best.first)
            best = run;
        line = run.end > line ? run.end : line + 1;
    }
    return best;
}

/* The key of a line of per-channel values: the one thing left of the samples, and next to them.
 * (Beside rows of samples a key has its value between itself and them.) */
static bool is_key_of_columns(const cj__table *table, int line, int first)
{
    if (first == 0 || cj__cell_at(table, line, first - 1).kind != CJ__CELL_TEXT)
        return false;
    for (int c = 0; c < first - 1; c++)
        if (cj__cell_at(table, line, c).kind != CJ__CELL_EMPTY)
            return false;
    return true;
}

/* A row of samples: numbers (or nothing) in the columns of the samples, a number in the first of
 * them. */
static bool is_sample_row(const cj__table *table, const cj__layout *layout, int line, bool words)
{
    int first = layout->columns[0].at;
    cj__cell_kind kind = cj__cell_at(table, line, first).kind;
    if (kind != CJ__CELL_NUMBER && kind != CJ__CELL_MISSING)
        return false;
    if (!words && is_key_of_columns(table, line, first))
        return false;
    for (int i = 0; i < layout->count; i++)
        if (cj__cell_at(table, line, layout->columns[i].at).kind == CJ__CELL_TEXT)
            return false;
    return true;
}

static bool has_first_number(const cj__table *table, const cj__layout *layout, int line)
{
    return cj__cell_at(table, line, layout->columns[0].at).kind == CJ__CELL_NUMBER;
}

static cj_status take_columns(const cj__table *table, const struct run *run, cj__layout *layout,
                              cj_error *err)
{
    int width = 0, lines = run->end - run->first;
    for (int line = run->first; line < run->end; line++)
        if (table->lines[line].count > width)
            width = table->lines[line].count;
    layout->columns = cj_new((size_t)width + 1, sizeof *layout->columns);
    if (layout->columns == NULL)
        return cj_fail_memory(err);
    for (int c = 0; c < width; c++)
        if (2 * count_kind(table, run, c, CJ__CELL_NUMBER) >= lines)
            layout->columns[layout->count++] = (cj__column){.at = c, .peak = -1};
    return CJ_OK;
}

/* The word that stands in every row behind the numbers: "Vdc". */
static void find_token(const cj__table *table, const struct run *run, cj__layout *layout)
{
    int middle = (run->first + run->end) / 2;
    for (int c = 0; c < table->lines[middle].count; c++) {
        cj__span token = cj__cell_at(table, middle, c).text;
        if (cj__cell_at(table, middle, c).kind != CJ__CELL_TEXT)
            continue;
        int same = 0;
        for (int line = run->first; line < run->end; line++) {
            cj__span text = cj__cell_at(table, line, c).text;
            same += text.length == token.length && memcmp(text.at, token.at, text.length) == 0;
        }
        if (10 * same >= 9 * (run->end - run->first) && layout->token.length == 0)
            layout->token = token;
    }
}

/* ---- titles and units ---- */

static bool is_key_line(const cj__table *table, int line)
{
    for (int c = 0; c < table->lines[line].count; c++) {
        cj__cell cell = cj__cell_at(table, line, c);
        if (cell.kind == CJ__CELL_EMPTY)
            continue;
        cj__key_id id = cj__key_find(cell.text);
        return id != CJ__KEY_NONE && id != CJ__KEY_SOURCE;
    }
    return false;
}

static bool is_unit_line(const cj__table *table, const cj__layout *layout, int line)
{
    int units = 0, cells = 0;
    if (is_key_line(table, line))
        return false;
    for (int i = 0; i < layout->count; i++) {
        cj__cell cell = cj__cell_at(table, line, layout->columns[i].at);
        cells += cell.kind != CJ__CELL_EMPTY;
        units += cell.kind == CJ__CELL_TEXT && cell.text.length > 0 &&
                 cj__unit_read(cell.text, false).meaning != CJ__UNIT_NONE;
    }
    return units > 0 && 5 * units >= 3 * cells && 2 * units >= layout->count;
}

static bool is_title_line(const cj__table *table, const cj__layout *layout, int line)
{
    int titled = 0, cells = 0;
    for (int i = 0; i < layout->count; i++) {
        cj__cell cell = cj__cell_at(table, line, layout->columns[i].at);
        titled += cell.kind == CJ__CELL_TEXT && (i > 0 || layout->count == 1);
        /* "x-axis,1,4": numbers are titles where a word stands before them */
        titled += cell.kind == CJ__CELL_NUMBER && i > 0 &&
                  cj__cell_at(table, line, layout->columns[0].at).kind == CJ__CELL_TEXT;
        cells += i > 0 || layout->count == 1;
    }
    /* a number is no title of a time column */
    if (titled == 0 || 2 * titled < cells || has_first_number(table, layout, line))
        return false;
    cj__cell first = cj__cell_at(table, line, 0);
    if (first.text.length > 1 && *first.text.at == '#' &&
        memchr(first.text.at, ':', first.text.length) != NULL)
        return false; /* "#Channel 1: ..." */
    return !is_key_line(table, line);
}

static void find_titles(const cj__table *table, cj__layout *layout)
{
    int line = layout->first_line - 1;
    layout->title_line = layout->unit_line = -1;
    while (line >= 0 && table->lines[line].count == 0)
        line--;
    if (line >= 0 && is_unit_line(table, layout, line)) {
        layout->unit_line = line--;
        while (line >= 0 && table->lines[line].count == 0)
            line--;
    }
    if (line >= 0 && is_title_line(table, layout, line))
        layout->title_line = line;
}

cj_status cj__block_find(const char *name, const cj__table *table, cj__layout *layout,
                         cj_error *err)
{
    struct run run = find_run(table);
    if (run.end - run.first < 2)
        return cj_fail(err, CJ_DATA, name,
                       table->count > 0 ? table->lines[table->count - 1].number : 1, 0,
                       "no rows of numbers found; a capture has one sample of each channel a line, "
                       "under at most %d lines of header",
                       CJ__HEAD_LINES - LONG_RUN);
    cj_status status = take_columns(table, &run, layout, err);
    if (status != CJ_OK)
        return status;
    if (layout->count == 0)
        return cj_fail(
            err, CJ_DATA, name, table->lines[run.first].number, 0,
            "no column of numbers found; a capture has one sample of each channel a line");
    while (run.first < run.end - 1 && !is_sample_row(table, layout, run.first, run.words))
        run.first++;
    /* upward, and over a single bad row between good ones (its first cell still a number) */
    while (run.first > 0 && (is_sample_row(table, layout, run.first - 1, run.words) ||
                             (run.first > 1 && has_first_number(table, layout, run.first - 1) &&
                              is_sample_row(table, layout, run.first - 2, run.words))))
        run.first--;
    layout->first_line = run.first;
    layout->last_line = run.end;
    if (run.words)
        find_token(table, &run, layout);
    find_titles(table, layout);
    return CJ_OK;
}
