/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The answer of `log stats` as JSON. */
#include "report/log.h"

#include <math.h>

static json_t *interval_value(struct cj__json *json, double low, double high)
{
    json_t *object = json_object();
    cj__json_set(json, object, "low", cj__json_number(low));
    cj__json_set(json, object, "high", cj__json_number(high));
    return object;
}

/* A value with its interval of 95 % confidence. */
static json_t *estimate_value(struct cj__json *json, double value, const cj_interval *interval)
{
    json_t *object = interval_value(json, interval->low, interval->high);
    cj__json_set(json, object, "value", cj__json_number(value));
    cj__json_set(json, object, "confidence", json_real(0.95));
    return object;
}

static void set_place(struct cj__json *json, json_t *object, const cj_logged_values *logged)
{
    cj__json_set(json, object, "step", cj__json_text(logged->step));
    cj__json_set(json, object, "figure", cj__json_text(logged->key));
    if (logged->hz > 0)
        cj__json_set(json, object, "hz", cj__json_number(logged->hz));
    cj__json_set(json, object, "unit", cj__json_text(logged->unit));
}

static json_t *point_value(struct cj__json *json, const cj_batch *batch,
                           const cj_logged_values *logged, size_t run)
{
    json_t *object = json_object();
    cj__json_set(json, object, "unit", cj__json_text(batch->log->runs[run].unit));
    cj__json_set(json, object, "run", cj__json_text(batch->log->runs[run].uuid));
    cj__json_set(json, object, "value", cj__json_number(logged->values[run]));
    return object;
}

static json_t *reasons_value(struct cj__json *json, unsigned char why)
{
    static const struct {
        cj_out bit;
        const char *word;
    } words[] = {{CJ_OUT_LIMITS, "limits"}, {CJ_OUT_RANGE, "range"}, {CJ_OUT_RUN, "run"}};
    json_t *list = json_array();
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (why & words[i].bit)
            cj__json_append(json, list, json_string(words[i].word));
    return list;
}

static json_t *chart_value(struct cj__json *json, const cj_batch *batch,
                           const cj_figure_stats *figure)
{
    json_t *object = json_object(), *list = json_array();
    const cj_chart *chart = &figure->chart;
    cj__json_set(json, object, "centre", cj__json_number(chart->centre));
    cj__json_set(json, object, "lower", cj__json_number(chart->lower));
    cj__json_set(json, object, "upper", cj__json_number(chart->upper));
    cj__json_set(json, object, "range_mean", cj__json_number(chart->range_mean));
    cj__json_set(json, object, "range_upper", cj__json_number(chart->range_upper));
    for (size_t i = 0; i < figure->out_count; i++) {
        json_t *point = point_value(json, batch, figure->logged, figure->out[i].run);
        cj__json_set(json, point, "why", reasons_value(json, figure->out[i].why));
        cj__json_append(json, list, point);
    }
    cj__json_set(json, object, "out_of_control", list);
    return object;
}

static json_t *figure_value(struct cj__json *json, const cj_batch *batch,
                            const cj_figure_stats *figure)
{
    json_t *object = json_object(), *outliers = json_array();
    const cj_capability *capable = &figure->capable;
    set_place(json, object, figure->logged);
    cj__json_set(json, object, "count", json_integer((json_int_t)figure->summary.count));
    cj__json_set(json, object, "missing", json_integer((json_int_t)figure->missing));
    cj__json_set(json, object, "mean", cj__json_number(figure->summary.mean));
    cj__json_set(json, object, "spread", cj__json_number(figure->summary.spread));
    cj__json_set(json, object, "lowest", cj__json_number(figure->summary.lowest));
    cj__json_set(json, object, "highest", cj__json_number(figure->summary.highest));
    cj__json_set(json, object, "min", cj__json_number(figure->min));
    cj__json_set(json, object, "max", cj__json_number(figure->max));
    if (figure->logged->limited)
        cj__json_set(json, object, "from",
                     json_string(figure->logged->derived ? "tolerance" : "board"));
    cj__json_set(json, object, "cp", estimate_value(json, capable->cp, &capable->cp_interval));
    cj__json_set(json, object, "cpk", estimate_value(json, capable->cpk, &capable->cpk_interval));
    cj__json_set(json, object, "chart", chart_value(json, batch, figure));
    json_t *tolerance = interval_value(json, figure->tolerance.low, figure->tolerance.high);
    cj__json_set(json, tolerance, "coverage", json_real(0.99));
    cj__json_set(json, tolerance, "confidence", json_real(0.95));
    cj__json_set(json, object, "tolerance", tolerance);
    for (size_t i = 0; i < figure->outlier_count; i++)
        cj__json_append(json, outliers,
                        point_value(json, batch, figure->logged, figure->outliers[i]));
    cj__json_set(json, object, "outliers", outliers);
    return object;
}

static json_t *faults_value(struct cj__json *json, const cj_batch *batch)
{
    json_t *list = json_array();
    for (size_t i = 0; i < batch->fault_count; i++) {
        const cj_fault_count *fault = &batch->faults[i];
        json_t *object = json_object();
        cj__json_set(json, object, "fault", cj__json_text(fault->fault));
        cj__json_set(json, object, "confirmed", json_integer((json_int_t)fault->confirmed));
        cj__json_set(json, object, "suspected", json_integer((json_int_t)fault->suspected));
        cj__json_append(json, list, object);
    }
    return list;
}

static json_t *proposed_value(struct cj__json *json, const cj_batch *batch)
{
    json_t *list = json_array();
    for (size_t i = 0; i < batch->proposed_count; i++) {
        const cj_proposed *proposed = &batch->proposed[i];
        json_t *object = json_object();
        set_place(json, object, proposed->logged);
        cj__json_set(json, object, "min", cj__json_number(proposed->min));
        cj__json_set(json, object, "max", cj__json_number(proposed->max));
        cj__json_set(json, object, "count", json_integer((json_int_t)proposed->count));
        cj__json_append(json, list, object);
    }
    return list;
}

cj_status cj_report_batch_json(const cj_batch *batch, cj_text *out, cj_error *err)
{
    struct cj__json json;
    size_t units = batch->log->run_count;
    json_t *figures = json_array();
    cj__json_start(&json, "log stats");
    cj__json_set(&json, json.root, "board", cj__json_text(batch->board));
    cj__json_set(&json, json.root, "units", json_integer((json_int_t)units));
    cj__json_set(&json, json.root, "passed", json_integer((json_int_t)batch->passed));
    cj__json_set(&json, json.root, "failed", json_integer((json_int_t)batch->failed));
    cj__json_set(&json, json.root, "undecided", json_integer((json_int_t)batch->undecided));
    cj__json_set(&json, json.root, "yield",
                 estimate_value(&json, (double)batch->passed / (double)units, &batch->yield));
    for (size_t i = 0; i < batch->figure_count; i++)
        cj__json_append(&json, figures, figure_value(&json, batch, &batch->figures[i]));
    cj__json_set(&json, json.root, "figures", figures);
    cj__json_set(&json, json.root, "faults", faults_value(&json, batch));
    cj__json_set(&json, json.root, "good_units", json_integer((json_int_t)batch->good));
    cj__json_set(&json, json.root, "proposed_limits", proposed_value(&json, batch));
    return cj__json_end(&json, out, err);
}
