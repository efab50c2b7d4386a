/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Figures as a table: one row a figure, one column a channel; beneath, what cannot be told and why.
 */
#include "report/internal.h"

#include <math.h>
#include <string.h>

enum {
    LABEL_COLUMN = 2,
    FIRST_COLUMN = 21,
    COLUMN_WIDTH = 30,
    MOST_REASONS = 26 /* a letter each */
};

/* 0 dBu: the voltage that gives 1 mW in 600 ohm, sqrt(0.6) V; 0 dBV: 1 V (IEC 60027-3). */
static const double DBU_V = 0.7745966692414834;
/* 0 dBFS: the RMS of a sine that just reaches full scale (AES17). */
static const double DBFS = 0.7071067811865476;

struct reasons {
    const char *items[MOST_REASONS];
    int count;
};

static bool has_value(const cj_figure *figure)
{
    return figure != NULL && (figure->word != NULL || isfinite(figure->value));
}

static bool has_bound(const cj_figure *figure)
{
    return figure != NULL && figure->bound_kind != CJ_BOUND_NONE && isfinite(figure->bound);
}

static const char *why_of(const cj_figure *figure)
{
    return figure->why[0] ? figure->why : "it could not be worked out";
}

/* Equal reasons share a letter. Past the last letter the mark is left out, the dash stays. */
static void write_mark(cj_text *out, struct reasons *reasons, const char *why)
{
    int at = 0;
    while (at < reasons->count && strcmp(reasons->items[at], why) != 0)
        at++;
    if (at == MOST_REASONS)
        return;
    reasons->items[at] = why;
    if (at == reasons->count)
        reasons->count++;
    cj_text_add(out, " (%c)", 'a' + at);
}

static void write_fraction(cj_text *out, double fraction)
{
    if (fraction <= 0) {
        cj_text_add(out, "no");
        return;
    }
    if (100 * fraction < 0.1)
        cj_text_add(out, "< 0.1");
    else
        cj__write_value(out, round(1e3 * fraction) / 10, NAN, "1");
    cj_text_add(out, " %% of samples");
}

/* "0.120 ± 0.012 %  -58.4 dB"; the second part only where it fits. */
static void write_ratio(cj_text *out, const cj_figure_set *set, const cj_figure *figure)
{
    char name[48];
    cj_text cell = {0}, beside = {0};
    size_t stem = strlen(figure->name) - strlen("_percent");
    cj__write_value(&cell, figure->value, figure->u, "%");
    memcpy(name, figure->name, stem);
    strcpy(name + stem, "_db");
    const cj_figure *db = cj_figure_find(set, name);
    cj_text_add(&beside, "  ");
    if (db != NULL && isfinite(db->value))
        cj__write_value(&beside, round(10 * db->value) / 10, NAN, "dB");
    if (cell.failed || beside.failed)
        out->failed = true;
    else
        cj_text_add(out, "%s%s", cell.bytes,
                    cj__width(cell.bytes) + cj__width(beside.bytes) < COLUMN_WIDTH ? beside.bytes
                                                                                   : "");
    cj_text_free(&cell);
    cj_text_free(&beside);
}

/* "-20.00 ± 0.10 dB  (0.1000 ± 0.0012 V/V)" */
static void write_gain(cj_text *out, const cj_figure_set *set, const cj_figure *figure)
{
    const cj_figure *gain = cj_figure_find(set, "gain");
    cj__write_value(out, figure->value, figure->u, figure->unit);
    if (gain == NULL || !isfinite(gain->value))
        return;
    cj_text_add(out, "  (");
    cj__write_value(out, gain->value, gain->u, gain->unit);
    cj_text_add(out, ")");
}

static void write_cell(cj_text *out, const cj_figure_set *set, const cj_figure *figure,
                       enum cj__row_kind kind, struct reasons *reasons)
{
    if (figure == NULL)
        return;
    if (figure->word != NULL) {
        cj_text_add(out, "%s", figure->word);
    } else if (isfinite(figure->value)) {
        if (kind == CJ__ROW_FRACTION)
            write_fraction(out, figure->value);
        else if (kind == CJ__ROW_COUNT && figure->value <= 0)
            cj_text_add(out, "none");
        else if (kind == CJ__ROW_RATIO)
            write_ratio(out, set, figure);
        else if (kind == CJ__ROW_GAIN)
            write_gain(out, set, figure);
        else
            cj__write_value(out, figure->value, figure->u, figure->unit);
    } else if (has_bound(figure)) {
        bool upper = figure->bound_kind == CJ_BELOW;
        cj_text_add(out, upper ? "< " : "> ");
        cj__write_bound(out, figure->bound, upper, figure->unit);
    } else {
        cj_text_add(out, "\xe2\x80\x93");
        write_mark(out, reasons, why_of(figure));
    }
}

static void write_levels(cj_text *out, const cj_figure *figure)
{
    if (figure == NULL || !isfinite(figure->value) || figure->unit == NULL)
        return;
    if (strcmp(figure->unit, "V") == 0) {
        cj__write_level(out, figure->value, figure->u, DBU_V, "dBu");
        cj_text_add(out, "  ");
        cj__write_level(out, figure->value, figure->u, 1, "dBV");
    } else if (strcmp(figure->unit, "FS") == 0) {
        cj__write_level(out, figure->value, figure->u, DBFS, "dBFS");
    }
}

/* Ends the line and takes blanks at its end away. */
static void end_line(cj_text *out)
{
    while (!out->failed && out->length > 0 && out->bytes[out->length - 1] == ' ')
        out->bytes[--out->length] = '\0';
    cj_text_add(out, "\n");
}

static size_t column_of(int cell)
{
    return (size_t)(FIRST_COLUMN + cell * COLUMN_WIDTH);
}

static void write_row(cj_text *out, const cj_figure_set *const sets[2], int count,
                      const char *label, const char *name, enum cj__row_kind kind,
                      struct reasons *reasons)
{
    size_t start = out->length;
    cj_text_add(out, "%*s%s", LABEL_COLUMN, "", label);
    for (int i = 0; i < count; i++) {
        cj__pad(out, start, column_of(i));
        write_cell(out, sets[i], cj_figure_find(sets[i], name), kind, reasons);
    }
    end_line(out);
    if (kind != CJ__ROW_RMS)
        return;
    bool any = false;
    for (int i = 0; i < count; i++) {
        const cj_figure *figure = cj_figure_find(sets[i], name);
        any = any || (has_value(figure) && figure->unit != NULL &&
                      (strcmp(figure->unit, "V") == 0 || strcmp(figure->unit, "FS") == 0));
    }
    if (!any)
        return;
    start = out->length;
    for (int i = 0; i < count; i++) {
        cj__pad(out, start, column_of(i));
        write_levels(out, cj_figure_find(sets[i], name));
    }
    end_line(out);
}

/* ---- what no channel shows ---- */

struct gap {
    const char *label, *why;
};

struct gaps {
    struct gap items[64];
    size_t count;
};

static void note_gap(struct gaps *gaps, const char *label, const cj_figure *figure)
{
    if (gaps->count < sizeof gaps->items / sizeof gaps->items[0])
        gaps->items[gaps->count++] = (struct gap){label, why_of(figure)};
}

/* "THD; SINAD: noise, no tone": figures with one reason stand together; labels have commas. */
static void write_gaps(cj_text *out, const struct gaps *gaps)
{
    if (gaps->count == 0)
        return;
    cj_text_add(out, "  Not to be told from this capture:\n");
    for (size_t i = 0; i < gaps->count; i++) {
        const char *why = gaps->items[i].why;
        bool said = false;
        for (size_t j = 0; j < i; j++)
            said = said || strcmp(gaps->items[j].why, why) == 0;
        if (said)
            continue;
        cj_text line = {0};
        size_t start = out->length;
        for (size_t j = i; j < gaps->count; j++)
            if (strcmp(gaps->items[j].why, why) == 0)
                cj_text_add(&line, "%s%s", j == i ? "" : "; ", gaps->items[j].label);
        cj_text_add(&line, ": ");
        cj__write_clean(&line, why);
        cj_text_add(out, "    ");
        out->failed = out->failed || line.failed;
        cj__wrap(out, start, 6, line.failed ? "" : line.bytes);
        cj_text_free(&line);
    }
}

static void write_reasons(cj_text *out, const struct reasons *reasons)
{
    for (int i = 0; i < reasons->count; i++) {
        cj_text clean = {0};
        size_t start = out->length;
        cj__write_clean(&clean, reasons->items[i]);
        cj_text_add(out, "  (%c) ", 'a' + i);
        out->failed = out->failed || clean.failed;
        cj__wrap(out, start, 6, clean.failed ? "" : clean.bytes);
        cj_text_free(&clean);
    }
}

/* One figure: a row where some set has it, a gap where none has a value. */
static void write_figure(cj_text *out, const cj_figure_set *const sets[2], int count,
                         const char *name, struct reasons *reasons, struct gaps *gaps)
{
    const struct cj__row *row = cj__row_find(name);
    const char *label = row ? row->label : name;
    const cj_figure *missing = NULL;
    bool any = false, quiet = row != NULL && row->quiet;
    if (row != NULL && row->kind == CJ__ROW_HIDDEN)
        return;
    for (int i = 0; i < count; i++) {
        const cj_figure *figure = cj_figure_find(sets[i], name);
        any = any || has_value(figure) || (has_bound(figure) && !quiet);
        if (figure != NULL && missing == NULL && !has_value(figure))
            missing = figure;
    }
    /* channels that lack a figure for different reasons keep their row, with a letter each */
    const cj_figure *second = count == 2 ? cj_figure_find(sets[1], name) : NULL;
    bool differ =
        !any && missing != NULL && second != NULL && strcmp(why_of(missing), why_of(second)) != 0;
    if (any || (differ && row != NULL && !quiet))
        write_row(out, sets, count, label, name, row ? row->kind : CJ__ROW_PLAIN, reasons);
    else if (missing != NULL && row != NULL && !quiet)
        note_gap(gaps, label, missing);
}

/* Known figures in the order of cj__rows, then those a later version of the figures brings. */
static void write_all(cj_text *out, const cj_figure_set *const sets[2], int count)
{
    struct reasons reasons = {0};
    struct gaps gaps = {0};
    for (size_t i = 0; i < cj__row_count; i++)
        write_figure(out, sets, count, cj__rows[i].figure, &reasons, &gaps);
    for (int s = 0; s < count; s++)
        for (size_t i = 0; i < sets[s]->count; i++) {
            const char *name = sets[s]->items[i].name;
            bool before = s == 1 && cj_figure_find(sets[0], name) != NULL;
            if (cj__row_find(name) == NULL && !before)
                write_figure(out, sets, count, name, &reasons, &gaps);
        }
    write_reasons(out, &reasons);
    write_gaps(out, &gaps);
}

/* A title no wider than its column, its middle left out where it is too long. */
static void write_title(cj_text *out, const char *title)
{
    cj_text clean = {0};
    cj__write_clean(&clean, title);
    if (clean.failed) {
        out->failed = true;
    } else if (cj__width(clean.bytes) < COLUMN_WIDTH) {
        cj_text_add_n(out, clean.bytes, clean.length);
    } else {
        size_t bytes = 0, width = 0;
        while (width < COLUMN_WIDTH - 4) {
            bytes++;
            while (((unsigned char)clean.bytes[bytes] & 0xc0) == 0x80)
                bytes++;
            width++;
        }
        cj_text_add_n(out, clean.bytes, bytes);
        cj_text_add(out, "...");
    }
    cj_text_free(&clean);
}

void cj__write_channels(cj_text *out, const cj_figure_set *const sets[2],
                        const char *const titles[2], int count)
{
    size_t start = out->length;
    for (int i = 0; i < count; i++) {
        cj__pad(out, start, column_of(i));
        write_title(out, titles[i]);
    }
    end_line(out);
    write_all(out, sets, count);
}

void cj__write_pair(cj_text *out, const cj_figure_set *pair)
{
    const cj_figure_set *const sets[2] = {pair, NULL};
    write_all(out, sets, 1);
}
