/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "capture/csv_table.h"

#include <math.h>
#include <string.h>
#include <strings.h>

/* Instruments print 9.9E37 for "no value" and for overrange (SCPI 1999, 7.2.1.4 and 7.2.1.5: 9.9E37
 * and 9.91E37; from memory). */
#define NO_VALUE 9.8e37

static bool is_blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r' || c == '\0';
}

cj__span cj__trim(cj__span text)
{
    while (text.length > 0 && is_blank(*text.at))
        text.at++, text.length--;
    while (text.length > 0 && is_blank(text.at[text.length - 1]))
        text.length--;
    return text;
}

const char *cj__next_line(const cj__format *format, const char *at, const char **content_end)
{
    const char *end = memchr(at, format->line_end, (size_t)(format->end - at));
    const char *next = end ? end + 1 : format->end;
    if (end == NULL)
        end = format->end;
    while (end > at && end[-1] == '\r')
        end--;
    *content_end = end;
    return next;
}

/* Where the field at `at` ends: a delimiter outside quotes, or the end. */
static const char *field_end(const cj__format *format, const char *at, const char *end)
{
    bool quoted = false;
    bool may_quote =
        end - at <= 4096; /* titles are short: a hostile line must not cost its square */
    for (; at < end; at++) {
        if (*at == '"' && may_quote)
            quoted = !quoted;
        else if (!quoted &&
                 (*at == format->delimiter || (format->delimiter == ' ' && is_blank(*at))))
            return at;
    }
    return end;
}

bool cj__next_cell(const cj__format *format, const char **at, const char *end, cj__span *cell)
{
    const char *start = *at;
    if (start == NULL)
        return false;
    if (format->delimiter == ' ') {
        while (start < end && is_blank(*start))
            start++;
        if (start >= end)
            return false;
    }
    const char *stop = field_end(format, start, end);
    if (stop == end && end - start <= 4096 && memchr(start, '"', (size_t)(end - start)) != NULL) {
        /* a quote that is never closed quotes nothing */
        const char *plain = memchr(start, format->delimiter, (size_t)(end - start));
        size_t quotes = 0;
        for (const char *c = start; c < end; c++)
            quotes += *c == '"';
        if (quotes % 2 != 0 && plain != NULL)
            stop = plain;
    }
    *cell = (cj__span){start, (size_t)(stop - start)};
    *at = stop < end ? stop + 1 : NULL;
    return true;
}

/* Words met where a number could not be given. Not "error": that is a log, not a record. */
static bool is_missing_word(cj__span text)
{
    static const char *const words[] = {
        "nan",     "na",       "n/a",     "null",  "none",     "-",         "--",     "---",
        "inf",     "ol",       "ovld",    "over",  "overload", "overrange", "under",  "clip",
        "clipped", "overflow", "invalid", "undef", "#n/a",     "#num!",     "#wert!", "#value!",
        "#div/0!", "?",        "*",       "***",   "****"};
    if (text.length > 0 && (*text.at == '-' || *text.at == '+') && text.length > 1)
        text.at++, text.length--;
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (strlen(words[i]) == text.length && strncasecmp(words[i], text.at, text.length) == 0)
            return true;
    /* 1.#IND00e+000, 1.#QNAN, 1.#INF */
    return text.length >= 5 && (text.at[1] == '.' || text.at[1] == ',') && text.at[2] == '#';
}

cj__cell_kind cj__cell_read(cj__span text, char point, int shift, cj__number *number)
{
    text = cj__trim(text);
    if (text.length == 0)
        return CJ__CELL_EMPTY;
    const char *end = text.at + text.length;
    const char *behind = cj__number_read(text.at, end, point, shift, number);
    if (behind == end)
        return fabs(number->value) < NO_VALUE ? CJ__CELL_NUMBER : CJ__CELL_MISSING;
    return text.length <= 16 && is_missing_word(text) ? CJ__CELL_MISSING : CJ__CELL_TEXT;
}

/* ---- delimiter and decimal mark ---- */

/* Numbers less words in a line; what makes a reading of the bytes the likelier, the more it is. */
static long line_score(const cj__format *format, const char *at, const char *end)
{
    long score = 0;
    cj__span text;
    cj__number number;
    int cells = 0;
    while (cells++ < CJ__MAX_COLUMNS && cj__next_cell(format, &at, end, &text)) {
        cj__cell_kind kind = cj__cell_read(text, format->point, 0, &number);
        score += kind == CJ__CELL_NUMBER ? 1 : kind == CJ__CELL_TEXT ? -1 : 0;
    }
    return score > 0 ? score : 0;
}

static long format_score(const cj__format *format)
{
    long score = 0;
    const char *at = format->bytes;
    size_t budget = 1000000; /* bytes looked at: long lines must not cost without bound */
    for (int line = 0; line < CJ__HEAD_LINES && at < format->end && budget > 0; line++) {
        const char *end;
        const char *next = cj__next_line(format, at, &end);
        size_t length = (size_t)(end - at);
        if (length > budget)
            break;
        budget -= length;
        score += line_score(format, at, end);
        at = next;
    }
    return score;
}

static void find_format(cj__format *format)
{
    static const char choices[][2] = {{',', '.'}, {'\t', '.'}, {';', '.'}, {'\t', ','},
                                      {';', ','}, {' ', '.'},  {' ', ','}};
    long best = -1;
    cj__format tried = *format;
    for (size_t i = 0; i < sizeof choices / sizeof choices[0]; i++) {
        tried.delimiter = choices[i][0];
        tried.point = choices[i][1];
        long score = format_score(&tried);
        if (score >
            best) { /* of equals the first: a comma before a blank, a point before a comma */
            best = score;
            *format = tried;
        }
    }
}

/* ---- bytes ---- */

static cj_status check_bytes(const char *name, const char *bytes, size_t length, cj_error *err)
{
    size_t look = length < 65536 ? length : 65536;
    size_t odd = 0;
    bool blank = true;
    if (look >= 2 && (memcmp(bytes, "\xff\xfe", 2) == 0 || memcmp(bytes, "\xfe\xff", 2) == 0))
        return cj_fail(
            err, CJ_DATA, name, 1, 0,
            "this is UTF-16 text; a capture is plain ASCII or UTF-8 text: save it as that");
    for (size_t i = 0; i < look; i++) {
        unsigned char c = (unsigned char)bytes[i];
        odd += c == 0 || (c < 0x20 && c != '\n' && c != '\r' && c != '\t') || c == 0x7f;
        blank = blank && (c == ' ' || c == '\n' || c == '\r' || c == '\t' || c == 0);
    }
    if (length > 0 && odd * 20 > look)
        return cj_fail(err, CJ_DATA, name, 1, 0,
                       "binary bytes, not text; a capture is rows of numbers, time and volts");
    if (blank)
        return cj_fail(err, CJ_DATA, name, 1, 0,
                       "the file is empty; a capture is rows of numbers, time and volts");
    if (length < 4096 && memmem(bytes, length, "oid sha256:", 11) != NULL)
        return cj_fail(
            err, CJ_DATA, name, 1, 0,
            "this is the pointer of a large-file store, not the capture itself; fetch the "
            "file it points at");
    return CJ_OK;
}

static char find_line_end(const char *bytes, size_t length)
{
    size_t look = length < 65536 ? length : 65536, feeds = 0, returns = 0;
    for (size_t i = 0; i < look; i++) {
        feeds += bytes[i] == '\n';
        /* those before a line feed belong to it */
        returns += bytes[i] == '\r' && i + 1 < look && bytes[i + 1] != '\n' && bytes[i + 1] != '\r';
    }
    return returns > feeds ? '\r' : '\n';
}

/* ---- the head as a table ---- */

static cj_status add_cells(const char *name, const cj__format *format, cj__table *table,
                           cj__line *line, cj_error *err)
{
    const char *at = line->at;
    cj__span text;
    int column = 0;
    line->first = table->cell_count;
    while (cj__next_cell(format, &at, line->end, &text)) {
        if (++column > CJ__MAX_COLUMNS)
            return cj_fail(err, CJ_DATA, name, line->number, 0,
                           "more than %d columns; a capture is a time column and a few channels",
                           CJ__MAX_COLUMNS);
        if (!cj_reserve((void **)&table->cells, &table->cell_capacity, table->cell_count,
                        sizeof(cj__cell)))
            return cj_fail_memory(err);
        cj__cell cell = {.text = cj__trim(text)};
        cj__number number = {0};
        cell.kind = cj__cell_read(cell.text, format->point, 0, &number);
        cell.value = cell.kind == CJ__CELL_NUMBER ? number.value : 0;
        if (cell.text.length >= 2 && *cell.text.at == '"' &&
            memchr(cell.text.at + 1, '"', cell.text.length - 1) ==
                cell.text.at + cell.text.length - 1)
            cell.text = cj__trim((cj__span){cell.text.at + 1, cell.text.length - 2});
        if (cell.kind == CJ__CELL_TEXT && cell.text.length == 0)
            cell.kind = CJ__CELL_EMPTY;
        table->cells[table->cell_count++] = cell;
        if (cell.kind != CJ__CELL_EMPTY)
            line->count = column;
    }
    table->cell_count = line->first + (size_t)line->count;
    return CJ_OK;
}

static cj_status cut_head(const char *name, const cj__format *format, cj__table *table,
                          cj_error *err)
{
    const char *at = format->bytes;
    for (long number = 1; number <= CJ__HEAD_LINES && at < format->end; number++) {
        cj__line line = {.at = at, .number = number};
        at = cj__next_line(format, at, &line.end);
        if (line.end - line.at > 1000000)
            return cj_fail(err, CJ_DATA, name, number, 0,
                           "a line of more than a million bytes; a capture has one sample of each "
                           "channel a line");
        cj_status status = add_cells(name, format, table, &line, err);
        if (status != CJ_OK)
            return status;
        if (!cj_reserve((void **)&table->lines, &table->line_capacity, (size_t)table->count,
                        sizeof(cj__line)))
            return cj_fail_memory(err);
        table->lines[table->count++] = line;
    }
    return CJ_OK;
}

cj_status cj__table_read(const char *name, const char *bytes, size_t length, cj__format *format,
                         cj__table *table, cj_error *err)
{
    cj_status status = check_bytes(name, bytes, length, err);
    if (status != CJ_OK)
        return status;
    *format = (cj__format){bytes, bytes + length, find_line_end(bytes, length), ',', '.'};
    if (length >= 3 && memcmp(bytes, "\xef\xbb\xbf", 3) == 0)
        format->bytes += 3;
    find_format(format);
    return cut_head(name, format, table, err);
}

void cj__table_free(cj__table *table)
{
    cj_free(table->lines);
    cj_free(table->cells);
    *table = (cj__table){0};
}

cj__cell cj__cell_at(const cj__table *table, int line, int column)
{
    static const cj__cell none = {{"", 0}, CJ__CELL_EMPTY, 0};
    if (line < 0 || line >= table->count || column < 0 || column >= table->lines[line].count)
        return none;
    return table->cells[table->lines[line].first + (size_t)column];
}
