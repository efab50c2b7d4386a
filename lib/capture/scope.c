/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * scope.c - the oscilloscope CSV reader, put together: head, layout, rows, axis, step, notes.
 */
#include "capture/scope.h"

#include <math.h>
#include <string.h>

#include "capture/csv_layout.h"
#include "capture/csv_rows.h"

struct reader {
    const char *name;
    const cj_capture_options *options;
    cj__format format;
    cj__table table;
    cj__layout layout;
    cj__rows rows;
    cj__axis axis;
    int *columns; /* of each channel, index into layout.columns */
    cj__scope *scope;
    cj_error *err;
};

static const char *unit_text(const cj__column *column)
{
    return column->unit.meaning == CJ__UNIT_VALUE && column->unit.base[0] ? column->unit.base : "?";
}

static cj_status note(struct reader *reader, cj_status status)
{
    return status == CJ_OK ? CJ_OK : cj_fail_memory(reader->err);
}

/* ---- channels ---- */

static cj_status name_channel(const struct reader *reader, cj_channel_info *info,
                              const cj__column *column)
{
    cj_text text = {0};
    if (column->title.name[0] != '\0')
        cj_text_add(&text, "%s", column->title.name);
    else if (column->scale > 0 && reader->layout.title_line < 0)
        cj_text_add(&text, "trace"); /* the header speaks of one trace and gives it no name */
    else
        cj_text_add(&text, "col%d", column->at + 1);
    info->name = text.bytes;
    info->unit = cj_copy_text(unit_text(column));
    return text.failed || info->unit == NULL ? cj_fail_memory(reader->err) : CJ_OK;
}

static cj_status list_channels(struct reader *reader)
{
    const cj__layout *layout = &reader->layout;
    cj__scope *scope = reader->scope;
    scope->channels = cj_new((size_t)layout->count, sizeof *scope->channels);
    reader->columns = cj_new((size_t)layout->count, sizeof *reader->columns);
    if (scope->channels == NULL || reader->columns == NULL)
        return cj_fail_memory(reader->err);
    for (int i = 0; i < layout->count; i++) {
        if (layout->columns[i].role != CJ__ROLE_CHANNEL)
            continue;
        reader->columns[scope->channel_count] = i;
        cj_status status =
            name_channel(reader, &scope->channels[scope->channel_count++], &layout->columns[i]);
        if (status != CJ_OK)
            return status;
    }
    return CJ_OK;
}

/* The first two channels of a unit; how many there are (at most 2). */
static int first_of(const cj__scope *scope, const char *unit, int found[2])
{
    int count = 0;
    for (int i = 0; i < scope->channel_count && count < 2; i++)
        if (strcmp(scope->channels[i].unit, unit) == 0)
            found[count++] = i;
    return count;
}

static void select_default(cj__scope *scope)
{
    int volts[2], count = first_of(scope, "V", volts);
    if (count == 2) {
        memcpy(scope->selected, volts, sizeof volts);
        scope->selected_count = 2;
        return;
    }
    for (int i = 0; i < scope->channel_count; i++)
        if (first_of(scope, scope->channels[i].unit, scope->selected) == 2) {
            scope->selected_count = 2;
            return;
        }
    scope->selected[0] = count == 1 ? volts[0] : 0;
    scope->selected_count = 1;
}

static cj_status select_channels(struct reader *reader)
{
    cj__scope *scope = reader->scope;
    const cj_capture_options *options = reader->options;
    if (options == NULL || (options->channels[0] == 0 && options->channels[1] == 0)) {
        select_default(scope);
        return CJ_OK;
    }
    for (int k = 0; k < 2; k++) {
        int channel = options->channels[k];
        if (channel == 0)
            continue;
        if (channel < 0 || channel > scope->channel_count)
            return cj_fail(reader->err, CJ_USAGE, reader->name, 0, 0,
                           "channel %d does not exist; the file has %d channel%s, numbered from 1",
                           channel, scope->channel_count, scope->channel_count == 1 ? "" : "s");
        scope->selected[scope->selected_count++] = channel - 1;
    }
    return CJ_OK;
}

/* ---- rows ---- */

static void add_slot(cj__rows *rows, const cj__column *column, int to)
{
    int shift = column->role == CJ__ROLE_INDEX ? 0 : column->unit.shift;
    int at = rows->slot_count++;
    while (at > 0 && rows->slots[at - 1].at > column->at) {
        rows->slots[at] = rows->slots[at - 1];
        at--;
    }
    rows->slots[at] = (cj__slot){.at = column->at, .shift = shift, .to = to};
}

/* One column can be wanted twice (--channels 1,1): it is read once. */
static int read_once(struct reader *reader, int column)
{
    cj__rows *rows = &reader->rows;
    add_slot(rows, &reader->layout.columns[column], rows->value_count);
    return rows->value_count++;
}

static cj_status average_peaks(struct reader *reader, double *values, const double *other)
{
    for (size_t i = 0; i < reader->rows.count; i++)
        values[i] = 0.5 * (values[i] + other[i]);
    reader->scope->envelope = true;
    return CJ_OK;
}

static cj_status read_rows(struct reader *reader)
{
    cj__scope *scope = reader->scope;
    cj__layout *layout = &reader->layout;
    cj__rows *rows = &reader->rows;
    int time = layout->time >= 0 ? layout->time : layout->index, peaks[2] = {-1, -1};
    bool same = scope->selected_count == 2 && scope->selected[0] == scope->selected[1];
    rows->timed = time >= 0;
    if (time >= 0)
        add_slot(rows, &layout->columns[time], -1);
    for (int k = 0; k < scope->selected_count - same; k++)
        read_once(reader, reader->columns[scope->selected[k]]);
    for (int k = 0; k < scope->selected_count - same; k++) {
        int peak = layout->columns[reader->columns[scope->selected[k]]].peak;
        if (peak >= 0)
            peaks[k] = read_once(reader, peak);
    }
    cj_status status =
        cj__rows_read(reader->name, &reader->format, &reader->table, layout, rows, reader->err);
    for (int k = 0; k < 2 && status == CJ_OK; k++)
        if (peaks[k] >= 0)
            status = average_peaks(reader, rows->values[k], rows->values[peaks[k]]);
    int shift = layout->time >= 0 ? layout->columns[layout->time].unit.shift : 0;
    if (status == CJ_OK)
        status = cj__axis_find(reader->name, layout, shift, rows, &reader->axis, &scope->envelope,
                               &scope->notes, reader->err);
    if (status != CJ_OK)
        return status;
    cj_free(rows->times);
    rows->times = NULL;
    for (int k = 0; k < scope->selected_count - same; k++) {
        scope->values[k] = rows->values[k];
        rows->values[k] = NULL;
    }
    scope->samples = rows->count;
    if (!same)
        return CJ_OK;
    scope->values[1] = cj_new(rows->count, sizeof(double));
    if (scope->values[1] == NULL)
        return cj_fail_memory(reader->err);
    memcpy(scope->values[1], scope->values[0], rows->count * sizeof(double));
    return CJ_OK;
}

/* ---- scale ---- */

/* A column without a unit beside a volts-per-division key: the step tells, as scopes have 25 of
 * them a division: 20 under a scale of 0.5 V is in millivolts. */
static cj_status scale_by_step(struct reader *reader, int k, double *step)
{
    cj_channel_info *info = &reader->scope->channels[reader->scope->selected[k]];
    const cj__column *column = &reader->layout.columns[reader->columns[reader->scope->selected[k]]];
    if (column->scale <= 0 || column->factor > 0 || strcmp(info->unit, "?") != 0 || *step <= 0)
        return CJ_OK;
    double expected = column->scale / 25;
    bool volts = fabs(*step / expected - 1) < 0.02,
         milli = fabs(*step / expected / 1000 - 1) < 0.02;
    if (!volts && !milli)
        return CJ_OK;
    for (size_t i = 0; i < reader->scope->samples && milli; i++)
        reader->scope->values[k][i] /= 1000;
    if (milli)
        *step /= 1000;
    char *unit = cj_copy_text("V");
    if (unit == NULL)
        return cj_fail_memory(reader->err);
    cj_free((void *)(size_t)info->unit);
    info->unit = unit;
    return note(reader,
                cj_lines_add(&reader->scope->notes,
                             "%s: no unit is written; by its step, 1/25 of the volts per division, "
                             "the column is in %s.",
                             info->name, milli ? "millivolts" : "volts"));
}

static cj_status finish_channel(struct reader *reader, int k)
{
    cj__scope *scope = reader->scope;
    double *values = scope->values[k], step = 0;
    cj_channel_info *info = &scope->channels[scope->selected[k]];
    const cj__column *column = &reader->layout.columns[reader->columns[scope->selected[k]]];
    double probe = reader->options ? reader->options->probe[k] : 0;
    cj_status status = cj__step_find(values, scope->samples, &step, reader->err);
    if (status == CJ_OK)
        status = scale_by_step(reader, k, &step);
    if (status != CJ_OK)
        return status;
    double factor = (column->factor > 0 ? column->factor : 1) * (probe != 0 ? probe : 1);
    info->gaps = 0;
    for (size_t i = 0; i < scope->samples && (reader->rows.irregular || factor != 1); i++) {
        info->gaps += isnan(values[i]);
        if (factor != 1)
            values[i] *= factor;
    }
    info->step = step * fabs(factor);
    return CJ_OK;
}

/* ---- notes ---- */

static const char *delimiter_text(char delimiter)
{
    return delimiter == ','    ? "commas"
           : delimiter == ';'  ? "semicolons"
           : delimiter == '\t' ? "tabs"
                               : "blanks";
}

static cj_status note_form(struct reader *reader)
{
    cj_lines *notes = &reader->scope->notes;
    const cj__layout *layout = &reader->layout;
    long before = reader->table.lines[layout->first_line].number - 1;
    cj_status status = cj_lines_add(
        notes,
        "Columns are separated by %s, the decimal mark is a %s; %ld line%s "
        "of header.",
        delimiter_text(reader->format.delimiter), reader->format.point == '.' ? "point" : "comma",
        before, before == 1 ? "" : "s");
    if (status == CJ_OK && layout->time >= 0)
        status = cj_lines_add(notes, "Time is column %d%s.", layout->columns[layout->time].at + 1,
                              layout->columns[layout->time].unit.meaning == CJ__UNIT_TIME
                                  ? ""
                                  : ", taken as seconds, as no unit is written");
    else if (status == CJ_OK && layout->index >= 0)
        status = cj_lines_add(notes, "Column %d counts the samples.",
                              layout->columns[layout->index].at + 1);
    if (status == CJ_OK && layout->time < 0)
        status =
            cj_lines_add(notes, layout->interval_s > 0
                                    ? "The sample interval is from the header."
                                    : "The file gives neither a time column nor a sample interval: "
                                      "the rate is not known.");
    return note(reader, status);
}

static cj_status note_columns(struct reader *reader)
{
    cj_lines *notes = &reader->scope->notes;
    const cj__layout *layout = &reader->layout;
    cj_status status = CJ_OK;
    for (int i = 0; i < reader->scope->channel_count && i < 8 && status == CJ_OK; i++) {
        const cj_channel_info *info = &reader->scope->channels[i];
        const cj__column *column = &layout->columns[reader->columns[i]];
        if (column->factor > 0)
            status = cj_lines_add(notes, "%s is column %d, integer codes of %.9g V each.",
                                  info->name, column->at + 1, column->factor);
        else if (strcmp(info->unit, "?") == 0)
            status = cj_lines_add(notes, "%s is column %d; the file states no unit.", info->name,
                                  column->at + 1);
        else
            status =
                cj_lines_add(notes, "%s is column %d in %s%s%s.", info->name, column->at + 1,
                             column->unit.shift == -3   ? "m"
                             : column->unit.shift == -6 ? "u"
                                                        : "",
                             info->unit, column->unit.shift != 0 ? ", read as the base unit" : "");
    }
    for (int i = 0; i < layout->count && status == CJ_OK; i++)
        if (layout->columns[i].role == CJ__ROLE_IGNORED)
            status = cj_lines_add(notes, "Column %d is ignored: %s.", layout->columns[i].at + 1,
                                  layout->columns[i].ignored);
    return note(reader, status);
}

static cj_status note_rows(struct reader *reader)
{
    cj__scope *scope = reader->scope;
    const cj__rows *rows = &reader->rows;
    cj_status status = CJ_OK;
    for (int k = 0; k < scope->selected_count && status == CJ_OK; k++) {
        const cj_channel_info *info = &scope->channels[scope->selected[k]];
        if (info->gaps > 0)
            status = cj_lines_add(&scope->notes, "%s: %zu sample%s without a value in the file.",
                                  info->name, info->gaps, info->gaps == 1 ? "" : "s");
    }
    if (status == CJ_OK && rows->bad > 0)
        status = cj_lines_add(&scope->notes, "%zu row%s could not be read, the first on line %ld.",
                              rows->bad, rows->bad == 1 ? "" : "s", rows->first_bad);
    if (status == CJ_OK && rows->cut)
        status =
            cj_lines_add(&scope->notes, "The last line breaks off; it is left out: a cut file.");
    if (status == CJ_OK && rows->next_block > 0)
        status = cj_lines_add(&scope->notes,
                              "From line %ld on something else follows the samples; it is "
                              "ignored.",
                              rows->next_block);
    size_t length = reader->layout.length;
    if (status == CJ_OK && length > 0 && length != scope->samples && !reader->layout.segments &&
        !scope->envelope)
        status = cj_lines_add(&scope->notes, "The header says %zu samples and there are %zu: %s.",
                              length, scope->samples,
                              length > scope->samples ? "a cut file"
                                                      : "more than one record, or edited");
    if (status == CJ_OK && scope->envelope)
        status = cj_lines_add(&scope->notes,
                              "This is an envelope record: no THD and no noise can be told "
                              "from it.");
    return note(reader, status);
}

static cj_status read_all(struct reader *reader, const char *bytes, size_t length)
{
    cj_status status =
        cj__table_read(reader->name, bytes, length, &reader->format, &reader->table, reader->err);
    if (status == CJ_OK)
        status = cj__layout_find(reader->name, &reader->format, &reader->table, &reader->layout,
                                 &reader->scope->notes, reader->err);
    if (status == CJ_OK)
        status = list_channels(reader);
    if (status == CJ_OK)
        status = select_channels(reader);
    if (status == CJ_OK)
        status = note_form(reader);
    if (status == CJ_OK)
        status = note_columns(reader);
    if (status == CJ_OK)
        status = read_rows(reader);
    for (int k = 0; k < 2 && status == CJ_OK && k < reader->scope->selected_count; k++)
        status = finish_channel(reader, k);
    if (status == CJ_OK)
        status = note_rows(reader);
    reader->scope->rate_hz = reader->axis.rate_hz;
    reader->scope->rate_u = reader->axis.rate_u;
    reader->scope->start_s = reader->axis.start_s;
    reader->scope->has_time = reader->axis.has_time;
    return status;
}

cj_status cj__scope_read(const char *name, const char *bytes, size_t length,
                         const cj_capture_options *options, cj__scope **out, cj_error *err)
{
    struct reader reader = {.name = name, .options = options, .err = err};
    *out = NULL;
    reader.scope = cj_new(1, sizeof *reader.scope);
    if (reader.scope == NULL)
        return cj_fail_memory(err);
    cj_status status = read_all(&reader, bytes, length);
    cj__table_free(&reader.table);
    cj__layout_free(&reader.layout);
    cj__rows_free(&reader.rows);
    cj_free(reader.columns);
    if (status == CJ_OK)
        *out = reader.scope;
    else
        cj__scope_free(reader.scope);
    return status;
}

void cj__scope_free(cj__scope *scope)
{
    if (scope == NULL)
        return;
    for (int i = 0; i < scope->channel_count; i++) {
        cj_free((void *)(size_t)scope->channels[i].name);
        cj_free((void *)(size_t)scope->channels[i].unit);
    }
    cj_free(scope->channels);
    cj_free(scope->values[0]);
    cj_free(scope->values[1]);
    cj_lines_free(&scope->notes);
    cj_free(scope);
}
