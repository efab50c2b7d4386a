/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_time.c - one uniform rising axis from the times as printed.
 */
#include "capture/csv_axis.h"

#include <math.h>
#include <string.h>

/* A row may be this far off the line through all times, in steps or in units of its own last digit:
 * in every uniform record met it is at most half of one, and rounding errors. */
#define UNIFORM 0.54

/* ---- bad rows, order ---- */

/* Times that could not be read, from their neighbours: they stand on a uniform axis or are refused
 * later. */
static void fill_times(cj__rows *rows)
{
    double *t = rows->times;
    size_t n = rows->count, first = 0, last = n - 1;
    while (first < n && isnan(t[first]))
        first++;
    while (last > first && isnan(t[last]))
        last--;
    if (first >= last)
        return;
    double step = (t[last] - t[first]) / (double)(last - first);
    for (size_t i = 0; i < first; i++)
        t[i] = t[first] - (double)(first - i) * step;
    for (size_t i = last + 1; i < n; i++)
        t[i] = t[last] + (double)(i - last) * step;
    for (size_t i = first; i < last; i++) {
        if (!isnan(t[i]))
            continue;
        size_t next = i;
        while (isnan(t[next]))
            next++;
        double each = (t[next] - t[i - 1]) / (double)(next - i + 1);
        for (; i < next; i++)
            t[i] = t[i - 1] + each;
    }
}

static void reverse(double *x, size_t n)
{
    for (size_t i = 0, j = n; i + 1 < j; i++) {
        double other = x[--j];
        x[j] = x[i];
        x[i] = other;
    }
}

static size_t first_turn(const double *t, size_t n, double sign)
{
    for (size_t i = 1; i < n; i++)
        if ((t[i] - t[i - 1]) * sign < 0)
            return i;
    return n;
}

/* ---- times whose prefix changes from cell to cell ---- */

/* Follows the line through the first rows: each next number is taken times 1000, as it is, or by
 * 1000, whichever goes on best. False where none does. levels: lowest and highest power of ten
 * used. */
static bool follow_prefixes(double *t, size_t n, int levels[2])
{
    static const int changes[] = {0, -3, 3};
    int level = 0;
    double step = t[1] - t[0], before = t[0];
    levels[0] = levels[1] = 0;
    for (size_t i = 1; i < n; i++) {
        double raw = t[i], best = NAN;
        int best_level = level;
        for (int c = 0; c < 3; c++) {
            int k = changes[c];
            double value = raw * pow(10, level + k);
            if (isnan(best) || fabs(value - before - step) < fabs(best - before - step)) {
                best = value;
                best_level = level + k;
            }
        }
        if (!(fabs(best - before - step) <= 1.5 * fabs(step)))
            return false;
        level = best_level;
        levels[0] = level < levels[0] ? level : levels[0];
        levels[1] = level > levels[1] ? level : levels[1];
        if (best != before && i > 1 && level == 0)
            step = (best - t[0]) / (double)i;
        t[i] = best;
        before = best;
    }
    return levels[1] > levels[0];
}

static void shift_digits(cj__digits *digits, const int levels[2], int top)
{
    cj__digits old = *digits;
    *digits = cj__digits_none();
    for (int level = levels[0]; level <= levels[1]; level += 3) {
        int power = top + level - levels[1];
        int lowest =
            level == levels[0] ? -CJ__DECADES : 0; /* from 1 up the next prefix takes over */
        int highest = level == levels[1] ? CJ__DECADES : 2;
        for (int lead = lowest; lead <= highest; lead++) {
            int to = lead + power + CJ__DECADES;
            int last = old.last[lead + CJ__DECADES];
            if (to >= 0 && to <= 2 * CJ__DECADES && last != CJ__NO_DIGIT &&
                last + power < digits->last[to])
                digits->last[to] = last + power;
        }
    }
}

static cj_status undo_prefixes(cj__rows *rows, cj_lines *notes, bool *done)
{
    double *copy = cj_new(rows->count, sizeof *copy);
    int levels[2];
    *done = false;
    if (copy == NULL)
        return CJ_NOMEM;
    memcpy(copy, rows->times, rows->count * sizeof *copy);
    if (follow_prefixes(copy, rows->count, levels)) {
        /* the scope prints ms from 1 ms up; over three prefixes the top one can only be seconds */
        int top = levels[1] - levels[0] > 3 ? 0 : -3;
        double factor = pow(10, top - levels[1]);
        for (size_t i = 0; i < rows->count; i++)
            rows->times[i] = copy[i] * factor;
        shift_digits(&rows->digits, levels, top);
        *done = true;
    }
    cj_free(copy);
    return *done ? cj_lines_add(notes,
                                "The prefix of the time changes from cell to cell and no unit is "
                                "written; numbers from 1 up are taken as %s.",
                                levels[1] - levels[0] > 3 ? "seconds" : "milliseconds")
                 : CJ_OK;
}

/* ---- doubled time: lower and upper value ---- */

static bool is_doubled(const double *t, size_t n)
{
    if (n % 2 != 0 || n < 8)
        return false;
    for (size_t i = 0; i < n; i += 2)
        if (t[i] != t[i + 1] || (i > 0 && !(t[i] > t[i - 1])))
            return false;
    return true;
}

/* Rounded stamps come in pairs too; but then the pairs do not all lie the same way round and
 * overlap. */
static bool is_envelope(const double *v, size_t n)
{
    size_t up = 0, down = 0, overlap = 0, pairs = n / 2;
    for (size_t i = 0; i < n; i += 2) {
        up += v[i] < v[i + 1];
        down += v[i] > v[i + 1];
        if (i + 3 < n)
            overlap += fmin(v[i + 2], v[i + 3]) < fmax(v[i], v[i + 1]) &&
                       fmax(v[i + 2], v[i + 3]) > fmin(v[i], v[i + 1]);
    }
    size_t most = up > down ? up : down, least = up > down ? down : up;
    return least * 50 <= pairs && most * 2 > pairs && overlap * 10 >= (pairs - 1) * 9;
}

static cj_status join_doubled(cj__rows *rows, bool *envelope, cj_lines *notes)
{
    if (!is_doubled(rows->times, rows->count))
        return CJ_OK;
    for (int k = 0; k < rows->value_count; k++)
        if (!is_envelope(rows->values[k], rows->count))
            return CJ_OK;
    rows->count /= 2;
    for (size_t i = 0; i < rows->count; i++)
        rows->times[i] = rows->times[2 * i];
    for (int k = 0; k < rows->value_count; k++)
        for (size_t i = 0; i < rows->count; i++)
            rows->values[k][i] = 0.5 * (rows->values[k][2 * i] + rows->values[k][2 * i + 1]);
    *envelope = true;
    return cj_lines_add(notes,
                        "Every time stands twice, with a lower and an upper value: an envelope "
                        "(peak-detect) record; the middle of each pair is taken.");
}

/* ---- order ---- */

static cj_status refuse_turn(const char *name, const cj__rows *rows, size_t row, cj_error *err)
{
    return cj_fail(
        err, CJ_DATA, name, cj__rows_line(rows, row), rows->slots[0].at + 1,
        "time goes back from %.9g to %.9g s; it must rise (or fall) from row to row through "
        "the whole record: is it pasted twice, or are rows mixed up?",
        rows->times[row - 1], rows->times[row]);
}

static cj_status put_in_order(const char *name, const cj__layout *layout, cj__rows *rows,
                              bool unit_known, cj_lines *notes, cj_error *err)
{
    double *t = rows->times;
    double sign = t[rows->count - 1] < t[0] ? -1 : 1;
    size_t turn = first_turn(t, rows->count, sign);
    bool done = false;
    if (turn < rows->count && !unit_known && undo_prefixes(rows, notes, &done) != CJ_OK)
        return cj_fail_memory(err);
    if (turn < rows->count && !done) {
        sign = t[1] < t[0] || t[turn - 1] < t[0] ? -1 : 1;
        turn = first_turn(t, rows->count, sign);
        if (!layout->segments || turn < 16 || (turn != layout->length && rows->count % turn != 0))
            return refuse_turn(name, rows, turn < rows->count ? turn : rows->count - 1, err);
        size_t all = rows->count;
        rows->count = turn;
        if (cj_lines_add(notes,
                         "Several segments of %zu samples; the first is read, the other %zu rows "
                         "are ignored.",
                         turn, all - turn) != CJ_OK)
            return cj_fail_memory(err);
    }
    sign = t[rows->count - 1] < t[0] ? -1 : 1;
    turn = first_turn(t, rows->count, sign);
    if (turn < rows->count)
        return refuse_turn(name, rows, turn, err);
    if (sign > 0)
        return CJ_OK;
    reverse(t, rows->count);
    for (int k = 0; k < rows->value_count; k++)
        reverse(rows->values[k], rows->count);
    return cj_lines_add(notes, "Time falls from row to row; the record was turned round.") == CJ_OK
               ? CJ_OK
               : cj_fail_memory(err);
}

/* ---- uniform ---- */

static cj_status refuse_steps(const char *name, const cj__rows *rows, size_t row, double step,
                              cj_error *err)
{
    double least = INFINITY, most = 0;
    for (size_t i = 1; i < rows->count; i++) {
        double each = rows->times[i] - rows->times[i - 1];
        least = fmin(least, each);
        most = fmax(most, each);
    }
    return cj_fail(
        err, CJ_DATA, name, cj__rows_line(rows, row), rows->slots[0].at + 1,
        "time steps vary from %.4g to %.4g s (mean %.4g): a thinned record, a log or a "
        "simulation; export it again with every sample, or resample it to a uniform step",
        least, most, step);
}

static cj_status check_uniform(const char *name, const cj__blocks *blocks, cj_error *err)
{
    double worst = 0;
    size_t worst_row = 0;
    for (size_t b = 0; b < blocks->count; b++) {
        const cj__block *block = &blocks->items[b];
        double allowed = UNIFORM * fmax(blocks->fit->step, block->digit);
        if (block->greatest <= allowed && block->least >= -allowed)
            continue;
        for (size_t i = block->from; i < block->to; i++) {
            double off = fabs(cj__block_distance(blocks, i));
            if (off > allowed && off > worst) {
                worst = off;
                worst_row = i;
            }
        }
    }
    return worst > 0 ? refuse_steps(name, blocks->rows, worst_row, blocks->fit->step, err) : CJ_OK;
}

/* ---- all of it ---- */

#define CJ__FEWEST_ROWS 16

static cj_status refuse_few(const char *name, const cj__rows *rows, cj_error *err)
{
    return cj_fail(err, CJ_DATA, name, rows->first_line, 0,
                   "only %zu samples; no tone can be fitted to fewer than %d", rows->count,
                   CJ__FEWEST_ROWS);
}

static cj_status axis_without_times(const char *name, const cj__layout *layout, cj__rows *rows,
                                    cj__axis *axis, cj_error *err)
{
    double sign = rows->timed && rows->times[rows->count - 1] < rows->times[0] ? -1 : 1;
    for (size_t i = 1; i < rows->count && rows->timed; i++)
        if (!(fabs(rows->times[i] - rows->times[0] - sign * (double)i) <= UNIFORM))
            return cj_fail(err, CJ_DATA, name, cj__rows_line(rows, i), rows->slots[0].at + 1,
                           "the index jumps from %.9g to %.9g; it must count every sample",
                           rows->times[i - 1], rows->times[i]);
    for (int k = 0; k < rows->value_count && sign < 0; k++)
        reverse(rows->values[k], rows->count);
    if (layout->interval_s > 0)
        axis->rate_hz = 1 / layout->interval_s;
    /* "1.2346e+06Hz" may be rounded; up to four digits it is what the scope was set to */
    if (layout->interval_s > 0 && cj__count_digits(axis->rate_hz) > 4 &&
        cj__count_digits(layout->interval_s) > 4)
        axis->rate_u = layout->interval_half / layout->interval_s / sqrt(3);
    axis->start_s = layout->has_start ? layout->start_s : 0;
    axis->has_time = layout->has_start;
    return CJ_OK;
}

cj_status cj__axis_find(const char *name, const cj__layout *layout, int time_shift, cj__rows *rows,
                        cj__axis *axis, bool *envelope, cj_lines *notes, cj_error *err)
{
    *axis = (cj__axis){0};
    if (rows->count < CJ__FEWEST_ROWS)
        return refuse_few(name, rows, err);
    if (rows->timed)
        fill_times(rows);
    if (!rows->timed || layout->time < 0)
        return axis_without_times(name, layout, rows, axis, err);
    cj__digits_to_base(&rows->digits, time_shift);
    bool unit_known = layout->columns[layout->time].unit.meaning == CJ__UNIT_TIME;
    cj_status status = put_in_order(name, layout, rows, unit_known, notes, err);
    if (status == CJ_OK && join_doubled(rows, envelope, notes) != CJ_OK)
        status = cj_fail_memory(err);
    if (status != CJ_OK)
        return status;
    if (rows->count < CJ__FEWEST_ROWS) /* of pairs, or of the first segment */
        return refuse_few(name, rows, err);
    cj__line_fit fit;
    if (!cj__fit_line(rows, &fit) || !(fit.step > 0))
        return cj_fail(err, CJ_DATA, name, rows->first_line, rows->slots[0].at + 1,
                       "time stands still; it must rise from row to row");
    cj__blocks blocks;
    status = cj__blocks_make(rows, &fit, &blocks, err);
    if (status == CJ_OK)
        status = check_uniform(name, &blocks, err);
    if (status == CJ_OK)
        cj__take_rate(layout, unit_known, &blocks, axis);
    cj__blocks_free(&blocks);
    if (status != CJ_OK)
        return status;
    axis->has_time = true;
    return axis->note[0] != '\0' && cj_lines_add(notes, "%s", axis->note) != CJ_OK
               ? cj_fail_memory(err)
               : CJ_OK;
}
