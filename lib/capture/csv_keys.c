/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_keys.c - keys and values of a header, wherever they stand: above, left or right of the
 * samples, value beside the key, below it, or in the same cell behind a colon or an equals sign.
 */
#include "capture/csv_layout.h"

#include <math.h>
#include <string.h>

static bool is_data_column(const cj__layout *layout, int column)
{
    for (int i = 0; i < layout->count; i++)
        if (layout->columns[i].at == column)
            return true;
    return false;
}

static void add_value(cj__key *key, cj__span text, int column)
{
    if (text.length > 0 && key->value_count < (int)(sizeof key->values / sizeof key->values[0])) {
        key->values[key->value_count].text = text;
        key->values[key->value_count++].column = column;
    }
}

static cj_status add_key(cj__layout *layout, const cj__key *key, cj_error *err)
{
    if (layout->key_count >= 4096) /* more is no header */
        return CJ_OK;
    if (!cj_reserve((void **)&layout->keys, &layout->key_capacity, layout->key_count, sizeof *key))
        return cj_fail_memory(err);
    layout->keys[layout->key_count++] = *key;
    return CJ_OK;
}

/* The key and, behind ':' or '=', a first value in the same cell. */
static cj__key_id split_cell(cj__span text, cj__span *value)
{
    *value = (cj__span){"", 0};
    while (text.length > 0 && (*text.at == '#' || *text.at == '%'))
        text.at++, text.length--;
    cj__key_id id = cj__key_find(text);
    if (id != CJ__KEY_NONE)
        return id;
    for (size_t i = 0; i < text.length; i++)
        if (text.at[i] == ':' || text.at[i] == '=') {
            *value = cj__trim((cj__span){text.at + i + 1, text.length - i - 1});
            return cj__key_find((cj__span){text.at, i});
        }
    return CJ__KEY_NONE;
}

/* With blanks as delimiter a key of two words is two cells: join words that follow each other. */
static cj__span join_words(const cj__table *table, int line, int *column)
{
    cj__span text = cj__cell_at(table, line, *column).text;
    cj__span joined = text;
    for (int next = *column + 1; next <= *column + 3; next++) {
        cj__cell cell = cj__cell_at(table, line, next);
        if (cell.kind != CJ__CELL_TEXT)
            break;
        joined.length = (size_t)(cell.text.at + cell.text.length - text.at);
        if (cj__key_find(joined) != CJ__KEY_NONE) {
            *column = next;
            return joined;
        }
    }
    return text;
}

static bool is_amount(const cj__format *format, cj__span text)
{
    cj__amount amount;
    return cj__amount_read(text, format->point, &amount);
}

/* The values of a key: the cells behind it up to the next key or an item of the samples. */
static void gather_values(const cj__format *format, const cj__table *table,
                          const cj__layout *layout, cj__key *key, int from)
{
    bool beside = key->line >= layout->first_line;
    for (int c = from; c < table->lines[key->line].count; c++) {
        cj__cell cell = cj__cell_at(table, key->line, c);
        if (beside && is_data_column(layout, c))
            break;
        if (cell.kind == CJ__CELL_TEXT && cj__key_find(cell.text) != CJ__KEY_NONE)
            break;
        if (cell.kind != CJ__CELL_EMPTY)
            add_value(key, cell.text, c);
    }
    if (key->value_count > 0 &&
        (key->id == CJ__KEY_SOURCE || key->id == CJ__KEY_VALUE_UNIT ||
         key->id == CJ__KEY_TIME_UNIT || is_amount(format, key->values[0].text)))
        return;
    int below = key->line + 1;
    bool sample = below >= layout->first_line && is_data_column(layout, key->column);
    if (cj__cell_at(table, below, key->column).kind == CJ__CELL_NUMBER && !sample && !beside) {
        key->value_count = 0;
        add_value(key, cj__cell_at(table, below, key->column).text, key->column);
    }
}

static cj_status read_line(const cj__format *format, const cj__table *table, cj__layout *layout,
                           int line, cj_error *err)
{
    cj_status status = CJ_OK;
    for (int c = 0; c < table->lines[line].count && status == CJ_OK; c++) {
        if (cj__cell_at(table, line, c).kind != CJ__CELL_TEXT)
            continue;
        cj__key key = {.line = line, .column = c};
        cj__span value;
        cj__span text = cj__cell_at(table, line, c).text;
        if (format->delimiter == ' ')
            text = join_words(table, line, &c);
        key.id = split_cell(text, &value);
        if (key.id == CJ__KEY_NONE)
            continue;
        add_value(&key, value, key.column);
        gather_values(format, table, layout, &key, c + 1);
        status = add_key(layout, &key, err);
    }
    return status;
}

/* ---- what they say ---- */

/* The first amount of the key, with the unit in it, in the next cell, or in the key's own brackets.
 */
static bool key_amount(const cj__format *format, const cj__table *table, const cj__layout *layout,
                       const cj__key *key, cj__amount *amount)
{
    if (key->value_count == 0 || !cj__amount_read(key->values[0].text, format->point, amount))
        return false;
    if (amount->unit.meaning != CJ__UNIT_NONE)
        return true;
    cj__unit unit = {0};
    if (key->value_count > 1)
        unit = cj__unit_read(key->values[1].text, false);
    if (unit.meaning == CJ__UNIT_NONE)
        unit = cj__title_read(cj__cell_at(table, key->line, key->column).text).unit;
    for (size_t i = 0; i < layout->key_count && unit.meaning == CJ__UNIT_NONE; i++)
        if (layout->keys[i].id == CJ__KEY_TIME_UNIT && layout->keys[i].value_count > 0)
            unit = cj__unit_read(layout->keys[i].values[0].text, false);
    if (unit.meaning == CJ__UNIT_TIME || unit.meaning == CJ__UNIT_SPECTRUM) {
        amount->unit = unit;
        amount->value = unit.shift < 0 ? amount->value / pow(10, -unit.shift)
                                       : amount->value * pow(10, unit.shift);
        amount->half_digit *= pow(10, unit.shift);
    }
    return true;
}

static void take_amount(cj__layout *layout, cj__key_id id, const cj__amount *amount)
{
    double value = amount->value;
    if (id == CJ__KEY_START && !layout->has_start) {
        layout->start_s = value;
        layout->has_start = true;
    } else if (id == CJ__KEY_LENGTH && layout->length == 0 && value >= 1 && value < 1e15) {
        layout->length = (size_t)value;
    } else if (layout->interval_s == 0 && value > 1e-15 && value < 1e15) {
        if (id == CJ__KEY_INTERVAL && amount->unit.meaning != CJ__UNIT_SPECTRUM) {
            layout->interval_s = value;
            layout->interval_half = amount->half_digit;
        } else if (id == CJ__KEY_RATE && amount->unit.meaning != CJ__UNIT_TIME) {
            layout->interval_s = 1 / value;
            layout->interval_half = amount->half_digit / value / value;
        }
    }
}

cj_status cj__keys_find(const cj__format *format, const cj__table *table, cj__layout *layout,
                        cj_error *err)
{
    /* beside the samples keys stand in the first rows only */
    int end = layout->first_line + 200 < table->count ? layout->first_line + 200 : table->count;
    for (int line = 0; line < end; line++) {
        cj_status status = read_line(format, table, layout, line, err);
        if (status != CJ_OK)
            return status;
    }
    for (size_t i = 0; i < layout->key_count; i++) {
        const cj__key *key = &layout->keys[i];
        cj__amount amount;
        layout->segments = layout->segments || key->id == CJ__KEY_SEGMENTS;
        if (key_amount(format, table, layout, key, &amount))
            take_amount(layout, key->id, &amount);
    }
    return CJ_OK;
}

/* "CH1:V" holds for CH1. */
static bool prefix_is(cj__span value, const char *name, cj__span *rest)
{
    const char *colon = memchr(value.at, ':', value.length);
    if (colon == NULL)
        return false;
    size_t length = (size_t)(colon - value.at);
    *rest = cj__trim((cj__span){colon + 1, value.length - length - 1});
    return cj__span_is(cj__trim((cj__span){value.at, length}), name);
}

static cj__span value_for(const cj__layout *layout, const cj__key *key, int column, int order,
                          int count)
{
    cj__span rest;
    for (int i = 0; i < key->value_count; i++)
        if (prefix_is(key->values[i].text, layout->columns[column].title.name, &rest))
            return rest;
    for (int i = 0; i < key->value_count && key->line < layout->first_line; i++)
        if (key->values[i].column == layout->columns[column].at)
            return key->values[i].text;
    if (key->value_count > 1 && key->value_count == count)
        return key->values[order].text;
    /* a name cannot be every channel's */
    bool one = key->value_count == 1 || key->line >= layout->first_line;
    bool all = key->id != CJ__KEY_SOURCE || count == 1 || key->line >= layout->first_line;
    return one && all && key->value_count > 0 ? key->values[0].text : (cj__span){"", 0};
}

cj__span cj__key_value(const cj__layout *layout, cj__key_id id, int column, int order, int count)
{
    const cj__key *best = NULL;
    for (size_t i = 0; i < layout->key_count; i++) {
        const cj__key *key = &layout->keys[i];
        if (key->id != id || key->value_count == 0)
            continue;
        /* of two blocks side by side that to the left of the column, and nearest to it */
        if (best == NULL ||
            (key->column < layout->columns[column].at && key->column > best->column))
            best = key;
    }
    return best ? value_for(layout, best, column, order, count) : (cj__span){"", 0};
}
