/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_rows.c - the samples. A row in which every wanted cell is a plain number takes the short way;
 * any other is cut into cells and looked at: empty cells and words for "no value" are gaps, a line
 * without samples is passed over, a line of words either ends the block or, where the time goes on
 * as before behind it, is a bad row.
 */
#include "capture/csv_rows.h"

#include <math.h>
#include <stdint.h>
#include <string.h>
#include <sys/mman.h>

#define BAD_IN_A_ROW 10 /* more than that is no slip of a pen */

typedef enum row_kind { ROW_GOOD, ROW_NOTHING, ROW_BAD, ROW_ERROR_WORD } row_kind;

struct row {
    double time;
    double values[4];
    int column;      /* where a bad one went wrong, 1-based */
    bool ends_early; /* fewer cells than wanted */
};

static void put(cj__rows *rows, const cj__slot *slot, const cj__number *number, struct row *row)
{
    if (slot->to < 0) {
        row->time = number->value;
        cj__digits_add(&rows->digits, number);
    } else {
        bool given = fabs(number->value) < 9e37;
        row->values[slot->to] = given ? number->value : NAN;
        rows->irregular = rows->irregular || !given;
    }
}

static const char *skip_blanks(const char *at, const char *end)
{
    while (at < end && (*at == ' ' || *at == '\t'))
        at++;
    return at;
}

/* Mantissas with one last digit that need no further look at the table of digits: most times are
 * like the one before. */
struct seen {
    int last;
    uint64_t from, to;
};

/* One wanted cell; the quick way where it can be taken. */
static inline const char *read_cell(const char *at, const char *end, char point, cj__rows *rows,
                                    cj__slot *slot, struct row *row, struct seen *seen)
{
    uint64_t mantissa;
    int last;
    double value;
    const char *behind =
        cj__number_quick(at, slot->wide ? end : NULL, point, slot->shift, &value, &mantissa, &last);
    if (behind == NULL) {
        cj__number number;
        behind = cj__number_read(at, end, point, slot->shift, &number);
        if (behind != NULL)
            put(rows, slot, &number, row);
        return behind;
    }
    slot->wide = mantissa >= 100000000u;
    if (slot->to >= 0) {
        row->values[slot->to] = value;
        return behind;
    }
    row->time = value;
    if (last == seen->last && mantissa >= seen->from && mantissa < seen->to)
        return behind;
    cj__number number = {.last = last, .lead = cj__number_lead(mantissa, last)};
    cj__digits_add(&rows->digits, &number);
    *seen = (struct seen){last, mantissa, mantissa};
    if (mantissa > 0 && number.lead - last < 8) {
        seen->from = cj__whole_powers[number.lead - last];
        seen->to = cj__whole_powers[number.lead - last + 1];
    }
    return behind;
}

/* The start of the column, or NULL where the line ends before or quotes come. */
static inline const char *skip_columns(const cj__format *format, const char *at, int columns)
{
    for (; columns > 0; columns--) {
        while (*at != format->delimiter) {
            if (*at == format->line_end || *at == '"')
                return NULL;
            at++;
        }
        at++;
    }
    return at;
}

/* The short way; NULL where the line holds anything but plain numbers in the wanted cells. The line
 * has a line end, so nothing here needs to look for the end of the bytes. */
static inline const char *read_plain(const cj__format *format, cj__rows *rows, const char *at,
                                     struct row *row, struct seen *seen)
{
    const char delimiter = format->delimiter, line_end = format->line_end, point = format->point;
    int column = 0, last = rows->slot_count - 1;
    __builtin_prefetch(at + 1024); /* over page ends, where the processor's own guess stops */
    for (int i = 0;; i++) {
        cj__slot *slot = &rows->slots[i];
        if (slot->at > column && (at = skip_columns(format, at, slot->at - column)) == NULL)
            return NULL;
        while (*at == ' ')
            at++;
        at = read_cell(at, format->end, point, rows, slot, row, seen);
        if (at == NULL)
            return NULL;
        while (*at == ' ')
            at++;
        if (i == last)
            break;
        if (*at++ != delimiter)
            return NULL;
        column = slot->at + 1;
    }
    if (*at == line_end)
        return at + 1;
    if (*at == delimiter)
        return (const char *)memchr(at, line_end, (size_t)(format->end - at)) + 1;
    while (*at == '\r' && line_end != '\r')
        at++;
    return *at == line_end ? at + 1 : NULL;
}

/* The same for runs of blanks. */
static const char *read_blanks(const cj__format *format, cj__rows *rows, const char *at,
                               struct row *row)
{
    const char *line_stop;
    const char *next = cj__next_line(format, at, &line_stop);
    int column = 0;
    at = skip_blanks(at, line_stop);
    for (int i = 0; i < rows->slot_count; i++) {
        const cj__slot *slot = &rows->slots[i];
        for (; column < slot->at; column++) {
            while (at < line_stop && *at != ' ' && *at != '\t')
                at++;
            at = skip_blanks(at, line_stop);
        }
        cj__number number;
        at = cj__number_read(at, line_stop, format->point, slot->shift, &number);
        if (at == NULL || (at < line_stop && *at != ' ' && *at != '\t'))
            return NULL;
        put(rows, slot, &number, row);
        at = skip_blanks(at, line_stop);
        column++;
    }
    return next;
}

static row_kind read_cells(const cj__format *format, cj__rows *rows, const char *at,
                           const char *end, struct row *row)
{
    cj__span text;
    int slot = 0, column = 0, filled = 0;
    bool bad = false, time_read = !rows->timed;
    row->column = 0;
    for (int i = 0; i < 4; i++)
        row->values[i] = NAN;
    row->time = NAN;
    while (slot < rows->slot_count && column <= CJ__MAX_COLUMNS &&
           cj__next_cell(format, &at, end, &text)) {
        const cj__slot *wanted = &rows->slots[slot];
        if (column++ < wanted->at)
            continue;
        slot++;
        cj__number number;
        cj__cell_kind kind = cj__cell_read(text, format->point, wanted->shift, &number);
        filled += kind != CJ__CELL_EMPTY;
        if (kind == CJ__CELL_NUMBER) {
            put(rows, wanted, &number, row);
            time_read = time_read || wanted->to < 0;
        } else if (kind == CJ__CELL_TEXT) {
            if (cj__span_is(cj__trim(text), "error"))
                return ROW_ERROR_WORD;
            bad = true;
            row->column = row->column ? row->column : column;
        }
    }
    row->ends_early = slot < rows->slot_count;
    if (filled == 0)
        return ROW_NOTHING;
    if (!time_read && row->column == 0)
        row->column = rows->slots[0].at + 1;
    return bad || !time_read ? ROW_BAD : ROW_GOOD;
}

/* Memory that is about to be filled, and the file that is about to be read, are asked for in large
 * pieces: without that the kernel stops the reading once every 4 kB. Only advice: nothing is lost
 * where it is not taken. */
#define PAGE ((uintptr_t)4096)
#define LARGE_PAGE ((uintptr_t)1 << 21)
#define PIECE 16384 /* rows: what is cleared for them is still in the cache when they come */

static void advise_large(double *array, size_t count)
{
#ifdef MADV_HUGEPAGE
    if (array == NULL) /* no time column */
        return;
    uintptr_t from = ((uintptr_t)array + LARGE_PAGE - 1) & ~(LARGE_PAGE - 1);
    uintptr_t to = (uintptr_t)(array + count) & ~(LARGE_PAGE - 1);
    if (to > from)
        (void)madvise((void *)from, to - from, MADV_HUGEPAGE);
#else
    (void)array, (void)count;
#endif
}

static void advise_writing(double *array, size_t from_row, size_t to_row)
{
#ifdef MADV_POPULATE_WRITE
    if (array == NULL) /* no time column */
        return;
    uintptr_t from = ((uintptr_t)(array + from_row) + PAGE - 1) & ~(PAGE - 1);
    uintptr_t to = (uintptr_t)(array + to_row) & ~(PAGE - 1);
    if (to > from)
        (void)madvise((void *)from, to - from, MADV_POPULATE_WRITE);
#else
    (void)array, (void)from_row, (void)to_row;
#endif
}

static void advise_reading(const char *bytes, size_t length)
{
#ifdef MADV_POPULATE_READ
    uintptr_t from = (uintptr_t)bytes & ~(PAGE - 1);
    (void)madvise((void *)from, (uintptr_t)bytes + length - from, MADV_POPULATE_READ);
#else
    (void)bytes, (void)length;
#endif
}

/* The next piece of all arrays, of which there are plenty of rows more. */
static void prepare_piece(cj__rows *rows)
{
    size_t to = rows->count + PIECE;
    rows->prepared = to;
    if (to > rows->expected)
        return;
    if (rows->timed)
        advise_writing(rows->times, rows->count, to);
    for (int i = 0; i < rows->value_count; i++)
        advise_writing(rows->values[i], rows->count, to);
}

static cj_status make_room(cj__rows *rows, size_t want, cj_error *err)
{
    if (rows->timed) {
        double *times = cj_resize(rows->times, want, sizeof *times);
        if (times == NULL)
            return cj_fail_memory(err);
        rows->times = times;
    }
    for (int i = 0; i < rows->value_count; i++) {
        double *values = cj_resize(rows->values[i], want, sizeof *values);
        if (values == NULL)
            return cj_fail_memory(err);
        rows->values[i] = values;
    }
    rows->capacity = want;
    return CJ_OK;
}

static cj_status append(cj__rows *rows, const struct row *row, cj_error *err)
{
    if (rows->count == rows->capacity) {
        cj_status status = make_room(rows, rows->capacity + rows->capacity / 2 + 64, err);
        if (status != CJ_OK)
            return status;
    }
    if (rows->count == rows->prepared)
        prepare_piece(rows);
    if (rows->timed)
        rows->times[rows->count] = row->time;
    for (int i = 0; i < rows->value_count; i++)
        rows->values[i][rows->count] = row->values[i];
    rows->count++;
    return CJ_OK;
}

static void note_skip(cj__rows *rows)
{
    int last = rows->skip_count - 1;
    if (last >= 0 && (rows->skipped_at[last] == rows->count || rows->skip_count == 16)) {
        rows->skipped_lines[last]++;
        return;
    }
    rows->skipped_at[rows->skip_count] = rows->count;
    rows->skipped_lines[rows->skip_count++] = 1;
}

long cj__rows_line(const cj__rows *rows, size_t row)
{
    long line = rows->first_line + (long)row;
    for (int i = 0; i < rows->skip_count; i++)
        if (rows->skipped_at[i] <= row)
            line += rows->skipped_lines[i];
    return line;
}

/* A word line that no sample has come after: footers and the header of a second block. */
struct pending {
    size_t run;    /* bad rows in a row */
    size_t stored; /* of them, at the end of rows: the first 64 */
    size_t wordy;  /* of them without any number */
    long line;     /* of the first of them */
    int column;
};

/* Does the time go on as before behind the rows that could not be read? */
static bool goes_on(const cj__rows *rows, const struct pending *pending, const struct row *row)
{
    size_t good = rows->count - pending->stored; /* row good - 1 is the last good one */
    size_t run = pending->run;
    if (!rows->timed || good < 2)
        return true;
    double first = NAN, last = rows->times[good - 1];
    size_t from = 0;
    for (; from < good && isnan(first); from++)
        first = rows->times[from];
    if (from >= good)
        return true;
    double step = (last - first) / (double)(good - from);
    double expected = last + (double)(run + 1) * step;
    return fabs(row->time - expected) <= ((double)run + 2) * fabs(step);
}

static cj_status bad_rows(const char *name, const cj__rows *rows, const char *how, cj_error *err)
{
    return cj_fail(
        err, CJ_DATA, name, rows->first_bad, rows->first_bad_column,
        "no number where a sample belongs (%s); every row must have numbers in the columns "
        "of the samples",
        how);
}

static cj_status settle(const char *name, cj__rows *rows, struct pending *pending,
                        const struct row *row, bool *stop, cj_error *err)
{
    *stop = false;
    if (pending->run == 0)
        return CJ_OK;
    bool on = row != NULL && goes_on(rows, pending, row);
    /* without a time column nothing tells a second block but words all along its title line */
    bool block = !on || (!rows->timed && pending->wordy > 0);
    if (row == NULL)
        block = pending->wordy == pending->run;
    if (block) {
        rows->count -= pending->stored;
        rows->next_block = pending->line;
        *stop = true;
        return CJ_OK;
    }
    if (rows->bad == 0) {
        rows->first_bad = pending->line;
        rows->first_bad_column = pending->column;
    }
    rows->bad += pending->run;
    if (pending->run > BAD_IN_A_ROW)
        return bad_rows(name, rows, "more than ten rows in a row", err);
    pending->run = pending->wordy = pending->stored = 0;
    return CJ_OK;
}

/* A bad row that was cut off by the end of the file says nothing; it is left out. */
static void add_bad(struct pending *pending, const struct row *row, bool wordy, long line)
{
    if (pending->run == 0) {
        pending->line = line;
        pending->column = row->column;
    }
    pending->run++;
    pending->wordy += wordy;
}

static bool has_any_number(const struct row *row)
{
    bool any = !isnan(row->time);
    for (int i = 0; i < 4; i++)
        any = any || !isnan(row->values[i]);
    return any;
}

static cj_status read_all(const char *name, const cj__format *format, const char *at,
                          cj__rows *rows, cj_error *err)
{
    struct pending pending = {0};
    struct seen seen = {0};
    struct row row = {0};
    long line = rows->first_line;
    /* the last line may have no line end; it takes the long way */
    const char *last_end = memrchr(at, format->line_end, (size_t)(format->end - at));
    if (last_end == NULL)
        last_end = at;
    bool stop = false, blanks = format->delimiter == ' ';
    cj_status status = CJ_OK;
    for (; at < format->end && !stop; line++) {
        const char *next = NULL;
        if (at < last_end)
            next = blanks ? read_blanks(format, rows, at, &row)
                          : read_plain(format, rows, at, &row, &seen);
        row_kind kind = ROW_GOOD;
        row.ends_early = false;
        if (next == NULL) {
            const char *end;
            next = cj__next_line(format, at, &end);
            kind = read_cells(format, rows, at, end, &row);
            rows->irregular = true;
        }
        at = next;
        /* cut off in the middle of a row: even the number before the cut may be half of one */
        if (at == format->end && at[-1] != format->line_end && kind != ROW_NOTHING &&
            row.ends_early && rows->count > 0) {
            rows->cut = true;
            break;
        }
        if (kind == ROW_ERROR_WORD)
            return cj_fail(err, CJ_DATA, name, line, 0,
                           "the word ERROR among the samples: a log of readings, not a capture");
        if (kind == ROW_NOTHING) {
            note_skip(rows);
            continue;
        }
        if (kind == ROW_GOOD && pending.run > 0)
            status = settle(name, rows, &pending, &row, &stop, err);
        if (kind == ROW_BAD)
            add_bad(&pending, &row, !has_any_number(&row), line);
        if (status == CJ_OK && !stop && pending.run <= 64) { /* else the end, or far too many */
            status = append(rows, &row, err);
            pending.stored = pending.run;
        }
        if (status != CJ_OK)
            return status;
    }
    if (stop)
        return CJ_OK;
    if (pending.run > 64) {
        rows->first_bad = pending.line;
        rows->first_bad_column = pending.column;
        return bad_rows(name, rows, "more than 64 rows in a row", err);
    }
    return settle(name, rows, &pending, NULL, &stop, err);
}

cj_status cj__rows_read(const char *name, const cj__format *format, const cj__table *table,
                        const cj__layout *layout, cj__rows *rows, cj_error *err)
{
    const cj__line *first = &table->lines[layout->first_line];
    const cj__line *last = &table->lines[layout->last_line - 1];
    size_t bytes = (size_t)(format->end - first->at);
    size_t mean =
        (size_t)(last->end - first->at) / (size_t)(layout->last_line - layout->first_line);
    rows->first_line = first->number;
    rows->digits = cj__digits_none();
    size_t expected = bytes / (mean + 1);
    rows->expected = expected - expected / 16;
    advise_reading(first->at, bytes);
    cj_status status = make_room(rows, expected + expected / 32 + 64, err);
    if (status == CJ_OK) {
        advise_large(rows->times, rows->expected);
        for (int i = 0; i < rows->value_count; i++)
            advise_large(rows->values[i], rows->expected);
    }
    if (status == CJ_OK)
        status = read_all(name, format, first->at, rows, err);
    if (status != CJ_OK)
        return status;
    if (rows->bad * 100 > rows->count)
        return bad_rows(name, rows, "in more than one row of a hundred", err);
    return make_room(rows, rows->count, err);
}

void cj__rows_free(cj__rows *rows)
{
    cj_free(rows->times);
    for (int i = 0; i < 4; i++)
        cj_free(rows->values[i]);
    *rows = (cj__rows){0};
}
