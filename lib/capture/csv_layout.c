/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_layout.c - which column is what. Words come first (the unit beats the title), then form: a
 * first column that rises uniformly and has no other meaning is time; a later column equal to it is
 * time again.
 */
#include "capture/csv_layout.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* ---- form ---- */

static double value_at(const cj__table *table, const cj__layout *layout, int column, int row)
{
    cj__cell cell = cj__cell_at(table, layout->first_line + row, layout->columns[column].at);
    return cell.kind == CJ__CELL_NUMBER ? cell.value : NAN;
}

static int head_rows(const cj__layout *layout)
{
    return layout->last_line - layout->first_line;
}

static cj__digits digits_of(const cj__format *format, const cj__table *table,
                            const cj__layout *layout, int column)
{
    cj__digits digits = cj__digits_none();
    for (int row = 0; row < head_rows(layout); row++) {
        cj__number number;
        cj__cell cell = cj__cell_at(table, layout->first_line + row, layout->columns[column].at);
        if (cj__cell_read(cell.text, format->point, 0, &number) == CJ__CELL_NUMBER)
            cj__digits_add(&digits, &number);
    }
    return digits;
}

/* Least squares through the numbers of a column against the row; false where one is missing. */
static bool fit_column(const cj__table *table, const cj__layout *layout, int column, double *start,
                       double *step)
{
    int rows = head_rows(layout);
    double middle = 0.5 * (rows - 1), sum = 0, moment = 0, spread = 0;
    double first = value_at(table, layout, column, 0);
    for (int row = 0; row < rows; row++) {
        double value = value_at(table, layout, column, row) - first;
        sum += value;
        moment += value * (row - middle);
        spread += (row - middle) * (row - middle);
    }
    *step = moment / spread;
    *start = first + sum / rows - *step * middle;
    return rows >= 3 && isfinite(*start) && *step != 0;
}

bool cj__column_uniform(const cj__format *format, const cj__table *table, const cj__layout *layout,
                        int column, double *step)
{
    double start;
    if (!fit_column(table, layout, column, &start, step))
        return false;
    cj__digits digits = digits_of(format, table, layout, column);
    double before = value_at(table, layout, column, 0);
    int changes = 0;
    for (int row = 0; row < head_rows(layout); row++) {
        double value = value_at(table, layout, column, row);
        double digit = cj__digit_at(&digits, value);
        /* a little more than in the whole record, where it is tested again */
        if (!(fabs(value - (start + row * *step)) <= 0.6 * fmax(fabs(*step), digit)))
            return false;
        if ((value - before) * *step < 0)
            return false;
        changes += value != before;
        before = value;
    }
    return changes >= 4;
}

static bool is_counting(const cj__table *table, const cj__layout *layout, int column)
{
    int rows = head_rows(layout);
    double first = value_at(table, layout, column, 0);
    for (int row = 0; row < rows; row++)
        if (value_at(table, layout, column, row) != first + row)
            return false;
    return first == floor(first);
}

static bool equal_columns(const cj__table *table, const cj__layout *layout, int one, int two)
{
    int same = 0, rows = head_rows(layout);
    for (int row = 0; row < rows; row++)
        same += value_at(table, layout, one, row) == value_at(table, layout, two, row);
    return 20 * same >= 19 * rows;
}

static bool all_values(const cj__table *table, const cj__layout *layout, int column,
                       bool (*test)(double))
{
    for (int row = 0; row < head_rows(layout); row++) {
        double value = value_at(table, layout, column, row);
        if (isfinite(value) && !test(value))
            return false;
    }
    return true;
}

static bool is_bit(double value)
{
    return value == 0 || value == 1;
}

static bool is_code(double value)
{
    return value == floor(value) && fabs(value) <= 32768;
}

/* ---- words ---- */

static void read_titles(const cj__table *table, cj__layout *layout)
{
    for (int i = 0; i < layout->count; i++) {
        cj__column *column = &layout->columns[i];
        cj__cell cell = cj__cell_at(table, layout->title_line, column->at);
        column->title = cj__title_read(cell.text);
        column->unit = column->title.unit;
        cell = cj__cell_at(table, layout->unit_line, column->at);
        column->in_unit_row = cell.kind != CJ__CELL_EMPTY;
        if (column->in_unit_row)
            column->unit = cj__unit_read(cell.text, true);
        /* a line above the samples that is the only column's and names nothing: "Waveform Data" */
        if (layout->count == 1 && column->title.word == CJ__WORD_OTHER &&
            column->unit.meaning == CJ__UNIT_NONE)
            column->title = (cj__title){.word = CJ__WORD_EMPTY};
        char letter = (char)(column->at < 26 ? 'A' + column->at : 0);
        if (column->title.word == CJ__WORD_GENERIC && column->title.name[0] == letter &&
            column->title.name[1] == '\0')
            column->title = (cj__title){.word = CJ__WORD_EMPTY}; /* a spreadsheet's own letters */
    }
}

static bool any_in_unit_row(const cj__layout *layout)
{
    for (int i = 0; i < layout->count; i++)
        if (layout->columns[i].in_unit_row && layout->columns[i].unit.meaning == CJ__UNIT_VALUE)
            return true;
    return false;
}

static void ignore(cj__column *column, const char *why)
{
    column->role = CJ__ROLE_IGNORED;
    column->ignored = why;
}

/* By words alone; a column without any stays a channel. */
static void role_of(cj__layout *layout, int i, bool unit_row)
{
    cj__column *column = &layout->columns[i];
    cj__role_word word = column->title.word;
    cj__meaning unit = column->unit.meaning;
    if (unit == CJ__UNIT_TIME ||
        (word == CJ__WORD_TIME && unit != CJ__UNIT_VALUE && unit != CJ__UNIT_SPECTRUM))
        column->role = CJ__ROLE_TIME;
    else if (unit == CJ__UNIT_INDEX || (word == CJ__WORD_INDEX && unit == CJ__UNIT_NONE))
        column->role = CJ__ROLE_INDEX;
    else if (unit == CJ__UNIT_SPECTRUM || (word == CJ__WORD_SPECTRUM && unit != CJ__UNIT_VALUE))
        ignore(column, "spectrum");
    else if (word == CJ__WORD_PEAK && i > 0)
        column->role = CJ__ROLE_PEAK;
    else if (word == CJ__WORD_NOT)
        ignore(column, "computed or generator trace");
    else if (word == CJ__WORD_DIGITAL)
        ignore(column, "digital");
    else if (unit_row && !column->in_unit_row && word != CJ__WORD_CHANNEL)
        ignore(column, "without a unit where the others have one");
}

/* What stands right of a frequency column, up to the next time column, is its spectrum. */
static void ignore_spectra(cj__layout *layout)
{
    bool spectrum = false;
    for (int i = 0; i < layout->count; i++) {
        cj__column *column = &layout->columns[i];
        if (column->role == CJ__ROLE_TIME || column->role == CJ__ROLE_INDEX)
            spectrum = false;
        if (spectrum && column->role == CJ__ROLE_CHANNEL)
            ignore(column, "spectrum");
        if (column->role == CJ__ROLE_IGNORED && strcmp(column->ignored, "spectrum") == 0)
            spectrum = true;
    }
}

static void pair_peaks(cj__layout *layout)
{
    int channel = -1;
    for (int i = 0; i < layout->count; i++) {
        if (layout->columns[i].role == CJ__ROLE_CHANNEL)
            channel = i;
        else if (layout->columns[i].role == CJ__ROLE_PEAK && channel >= 0 &&
                 layout->columns[channel].peak < 0)
            layout->columns[channel].peak = i;
    }
}

/* ---- time ---- */

static bool has_role(const cj__layout *layout, cj__role role)
{
    for (int i = 0; i < layout->count; i++)
        if (layout->columns[i].role == role)
            return true;
    return false;
}

/* May the first column be time although no word says so? Not where a word says something else. */
static bool may_be_time(const cj__layout *layout)
{
    const cj__column *first = &layout->columns[0];
    if (first->role != CJ__ROLE_CHANNEL || layout->count < 2 ||
        first->unit.meaning != CJ__UNIT_NONE)
        return false;
    cj__role_word word = first->title.word;
    if (word == CJ__WORD_EMPTY || word == CJ__WORD_GENERIC)
        return true;
    if (cj__span_is((cj__span){first->title.name, strlen(first->title.name)}, "source"))
        return true;
    for (int i = 1; i < layout->count && word == CJ__WORD_OTHER; i++)
        if (layout->columns[i].title.word == CJ__WORD_CHANNEL)
            return true;
    return false;
}

static void find_time_by_form(const cj__format *format, const cj__table *table, cj__layout *layout)
{
    double step;
    for (int i = 0; i < layout->count; i++) {
        cj__column *column = &layout->columns[i];
        if (column->role == CJ__ROLE_INDEX && !is_counting(table, layout, i) &&
            !has_role(layout, CJ__ROLE_TIME) && cj__column_uniform(format, table, layout, i, &step))
            column->role = CJ__ROLE_TIME; /* "X" is an index in some files and time in others */
    }
    if (has_role(layout, CJ__ROLE_TIME) || has_role(layout, CJ__ROLE_INDEX) || !may_be_time(layout))
        return;
    if (cj__column_uniform(format, table, layout, 0, &step))
        layout->columns[0].role = is_counting(table, layout, 0) ? CJ__ROLE_INDEX : CJ__ROLE_TIME;
}

static cj_status join_times(const char *name, const cj__format *format, const cj__table *table,
                            cj__layout *layout, cj_error *err)
{
    for (int i = 0; i < layout->count; i++) {
        cj__column *column = &layout->columns[i];
        if (layout->time < 0 && column->role == CJ__ROLE_TIME)
            layout->time = i;
        if (layout->index < 0 && column->role == CJ__ROLE_INDEX)
            layout->index = i;
    }
    for (int i = layout->time + 1; i < layout->count && layout->time >= 0; i++) {
        cj__column *column = &layout->columns[i];
        double step, other;
        bool bare = column->role == CJ__ROLE_CHANNEL && column->unit.meaning == CJ__UNIT_NONE &&
                    column->title.word != CJ__WORD_CHANNEL;
        if (column->role == CJ__ROLE_TIME ||
            (bare && equal_columns(table, layout, layout->time, i)))
            column->role = CJ__ROLE_TIME_AGAIN;
        else if (bare && column->at > layout->columns[i - 1].at + 1 &&
                 cj__column_uniform(format, table, layout, layout->time, &step) &&
                 cj__column_uniform(format, table, layout, i, &other) &&
                 fabs(other - step) < 0.01 * fabs(step))
            column->role = CJ__ROLE_TIME_AGAIN;
        if (column->role != CJ__ROLE_TIME_AGAIN ||
            !cj__column_uniform(format, table, layout, layout->time, &step))
            continue;
        double apart = value_at(table, layout, i, 0) - value_at(table, layout, layout->time, 0);
        cj__digits digits = digits_of(format, table, layout, i);
        double digit = cj__digit_at(&digits, value_at(table, layout, i, 0));
        if (fabs(apart) > 0.54 * fabs(step) + digit)
            return cj_fail(err, CJ_DATA, name, table->lines[layout->first_line].number,
                           column->at + 1,
                           "the time columns %d and %d are not one time axis: %.9g and %.9g; the "
                           "channels must have been sampled together",
                           layout->columns[layout->time].at + 1, column->at + 1,
                           value_at(table, layout, layout->time, 0), value_at(table, layout, i, 0));
    }
    return CJ_OK;
}

/* ---- channels ---- */

static int count_channels(const cj__layout *layout)
{
    int count = 0;
    for (int i = 0; i < layout->count; i++)
        count += layout->columns[i].role == CJ__ROLE_CHANNEL;
    return count;
}

/* Titles are named by Source keys where they say nothing, and the block's unit holds where the row
 * has none. */
static void apply_keys(const cj__format *format, const cj__table *table, cj__layout *layout)
{
    int count = count_channels(layout), order = 0;
    for (int i = 0; i < layout->count; i++) {
        cj__column *column = &layout->columns[i];
        if (column->role != CJ__ROLE_CHANNEL)
            continue;
        cj__span source = cj__key_value(layout, CJ__KEY_SOURCE, i, order, count);
        if (source.length > 0 && column->title.word != CJ__WORD_CHANNEL &&
            (column->title.word == CJ__WORD_EMPTY || column->title.word == CJ__WORD_GENERIC))
            column->title = cj__title_read(source);
        cj__span unit = cj__key_value(layout, CJ__KEY_VALUE_UNIT, i, order, count);
        bool silent =
            column->unit.meaning == CJ__UNIT_NONE || column->unit.meaning == CJ__UNIT_SILENT;
        if (unit.length > 0 && silent)
            column->unit = cj__unit_read(unit, true);
        if (layout->token.length > 0 && column->unit.meaning == CJ__UNIT_NONE)
            column->unit = cj__unit_read(layout->token, false);
        cj__amount amount;
        cj__span scale = cj__key_value(layout, CJ__KEY_SCALE, i, order, count);
        if (scale.length > 0 && cj__amount_read(scale, format->point, &amount) && amount.value > 0)
            column->scale = amount.value;
        scale = cj__key_value(layout, CJ__KEY_PER_CODE, i, order, count);
        bool codes = layout->time < 0 && column->unit.meaning != CJ__UNIT_VALUE &&
                     all_values(table, layout, i, is_code) && !all_values(table, layout, i, is_bit);
        if (codes && scale.length > 0 && cj__amount_read(scale, format->point, &amount) &&
            amount.value > 0)
            column->factor = amount.value;
        else if (codes && column->scale > 0 && layout->index < 0)
            column->factor = column->scale / 25;
        if (column->factor > 0)
            column->unit = (cj__unit){CJ__UNIT_VALUE, "V", 0};
        if (column->unit.meaning == CJ__UNIT_SPECTRUM || column->title.word == CJ__WORD_SPECTRUM)
            ignore(column, "spectrum");
        order++;
    }
}

/* Computed traces are channels after all where there are no others. */
static void keep_computed(cj__layout *layout)
{
    if (count_channels(layout) > 0)
        return;
    for (int i = 0; i < layout->count; i++)
        if (layout->columns[i].role == CJ__ROLE_IGNORED &&
            layout->columns[i].title.word == CJ__WORD_NOT)
            layout->columns[i].role = CJ__ROLE_CHANNEL;
}

/* ---- refusals ---- */

static bool all_ignored_as(const cj__layout *layout, const char *why)
{
    bool any = false;
    for (int i = 0; i < layout->count; i++) {
        const cj__column *column = &layout->columns[i];
        if (column->role == CJ__ROLE_CHANNEL)
            return false;
        any = any || (column->role == CJ__ROLE_IGNORED && strcmp(column->ignored, why) == 0);
    }
    return any;
}

static cj_status refuse_other_data(const char *name, const cj__table *table,
                                   const cj__layout *layout, cj_error *err)
{
    long line =
        table->lines[layout->title_line >= 0 ? layout->title_line : layout->first_line].number;
    if (all_ignored_as(layout, "spectrum") ||
        (layout->token.length > 0 &&
         cj__unit_read(layout->token, false).meaning == CJ__UNIT_SPECTRUM) ||
        (layout->columns[0].role == CJ__ROLE_IGNORED && !has_role(layout, CJ__ROLE_TIME) &&
         strcmp(layout->columns[0].ignored, "spectrum") == 0))
        return cj_fail(
            err, CJ_DATA, name, line, 0,
            "this is a spectrum or a frequency response, level against frequency; a capture "
            "is volts against time");
    bool bits = count_channels(layout) > 0;
    for (int i = 0; i < layout->count && bits; i++)
        bits = layout->columns[i].role != CJ__ROLE_CHANNEL ||
               (all_values(table, layout, i, is_bit) &&
                layout->columns[i].unit.meaning != CJ__UNIT_VALUE);
    if (bits || all_ignored_as(layout, "digital"))
        return cj_fail(err, CJ_DATA, name, line, 0,
                       "a digital record, nothing but 0 and 1; a capture is volts against time");
    return CJ_OK;
}

static bool is_plainly_a_record(const cj__layout *layout)
{
    if (layout->index >= 0 || layout->token.length > 0)
        return true;
    for (size_t i = 0; i < layout->key_count; i++)
        if (layout->keys[i].id == CJ__KEY_INTERVAL || layout->keys[i].id == CJ__KEY_START)
            return true; /* their values are lost, but a table of readings has no such words */
    bool channels = true;
    for (int i = 0; i < layout->count; i++)
        channels = channels && (layout->columns[i].title.word == CJ__WORD_CHANNEL ||
                                layout->columns[i].role != CJ__ROLE_CHANNEL);
    return channels && layout->title_line >= 0 && count_channels(layout) >= 2;
}

static cj_status check_columns(const char *name, const cj__table *table, const cj__layout *layout,
                               cj_error *err)
{
    long line = table->lines[layout->first_line].number;
    if (count_channels(layout) == 0)
        return cj_fail(err, CJ_DATA, name, line, 0,
                       layout->count == 1
                           ? "only one column of numbers; a capture has a time column and "
                             "a column of volts for each channel"
                           : "no column of volts found; a capture has a time column and "
                             "a column of volts for each channel");
    if (layout->time >= 0 || layout->interval_s > 0 || is_plainly_a_record(layout))
        return CJ_OK;
    cj__cell first = cj__cell_at(table, layout->first_line, 0);
    if (first.kind == CJ__CELL_TEXT && layout->columns[0].at > 0)
        return cj_fail(err, CJ_DATA, name, line, 1,
                       "'%.*s' is no number; the first column of a capture is its time in seconds",
                       first.text.length < 30 ? (int)first.text.length : 30, first.text.at);
    if (layout->count == 1)
        return cj_fail(
            err, CJ_DATA, name, line, 0,
            "only one column of numbers and no sample interval in the header; a capture has "
            "a time column and a column of volts for each channel");
    return cj_fail(
        err, CJ_DATA, name, line, 0,
        "no time: the first column does not rise uniformly and the header gives no sample "
        "interval or rate; a table of readings is no capture");
}

cj_status cj__layout_find(const char *name, const cj__format *format, const cj__table *table,
                          cj__layout *layout, cj_lines *notes, cj_error *err)
{
    (void)notes;
    layout->time = layout->index = -1;
    cj_status status = cj__block_find(name, table, layout, err);
    if (status == CJ_OK)
        status = cj__keys_find(format, table, layout, err);
    if (status != CJ_OK)
        return status;
    read_titles(table, layout);
    bool unit_row = any_in_unit_row(layout);
    for (int i = 0; i < layout->count; i++)
        role_of(layout, i, unit_row);
    ignore_spectra(layout);
    find_time_by_form(format, table, layout);
    status = join_times(name, format, table, layout, err);
    if (status != CJ_OK)
        return status;
    keep_computed(layout);
    pair_peaks(layout);
    apply_keys(format, table, layout);
    status = refuse_other_data(name, table, layout, err);
    return status != CJ_OK ? status : check_columns(name, table, layout, err);
}

void cj__layout_free(cj__layout *layout)
{
    cj_free(layout->columns);
    cj_free(layout->keys);
    *layout = (cj__layout){0};
}
