/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Figures as they are shown: measured, expected with a fault, healthy. */
#include <complex.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "diagnosis/answer.h"
#include "diagnosis/look.h"
#include "diagnosis/observed.h"

#define DEGREES (180 / M_PI)
#define PER_DB (20 / M_LN10)

void cj__figure_key(const cj_board *board, const char *figure, cj_view of, char *key, size_t size)
{
    char net[72] = "";
    if (of.net != CJ_NO_NET)
        cj_board_view_text(board, of, net, sizeof net);
    snprintf(key, size, "%s%s%s", figure, net[0] ? "@" : "", net);
}

/* ---- predicted figures of a look ---- */

struct figures {
    const cj_board *board;
    cj_keyed_figure *items;
    size_t count;
    double hz; /* of what is put next */
};

static void put(struct figures *figures, const char *figure, cj_view of, double value, double u)
{
    const cj__readable *known = cj__readable_find(figure);
    cj_keyed_figure *item = &figures->items[figures->count++];
    *item = (cj_keyed_figure){
        .value = value, .u = u, .unit = known ? known->unit : NULL, .hz = figures->hz};
    cj__figure_key(figures->board, figure, of, item->key, sizeof item->key);
}

static const cj_view of_pair = {CJ_NO_NET, CJ_GND};

struct spread {
    const cj_parameter *parameters;
    size_t count;
};

static double complex z_of(cj_complex z)
{
    return z.re + z.im * I;
}

#define ANY_PHASE 90 /* degrees: a standard deviation that says nothing */

/* Gain and phase of channel 2 against channel 1 at one of the step's frequencies, with one sigma of
 * each from unit to unit. */
static void put_pair(struct figures *figures, const cj_prediction *seen,
                     const struct spread *spread, size_t point)
{
    const cj_complex *tone = seen->tone + 2 * point;
    const cj_complex *by = seen->tone_by + 2 * point * spread->count;
    double complex first = z_of(tone[0]), second = z_of(tone[1]);
    if (cabs(first) < 1e-9 || cabs(second) < 1e-9)
        return;
    double gain = 0, phase = 0;
    for (size_t p = 0; p < spread->count; p++) {
        double complex slope = (z_of(by[spread->count + p]) / second - z_of(by[p]) / first) *
                               spread->parameters[p].sigma;
        gain += creal(slope) * creal(slope);
        phase += cimag(slope) * cimag(slope);
    }
    put(figures, "gain_db", of_pair, PER_DB * log(cabs(second / first)), PER_DB * sqrt(gain));
    if (!(sqrt(phase) * DEGREES >= ANY_PHASE))
        put(figures, "phase_deg", of_pair, carg(second / first) * DEGREES, sqrt(phase) * DEGREES);
}

static void put_channel(struct figures *figures, const cj_prediction *seen,
                        const struct spread *spread, int channel, cj_view view)
{
    if (seen->points > 0) {
        double complex volts = z_of(seen->tone[channel]);
        double size = cabs(volts), sum = 0;
        for (size_t p = 0; p < spread->count; p++) {
            double complex slope = z_of(seen->tone_by[(size_t)channel * spread->count + p]) *
                                   spread->parameters[p].sigma;
            double along = size > 0 ? creal(slope * conj(volts)) / size : cabs(slope);
            sum += along * along;
        }
        put(figures, "tone_peak_v", view, size, sqrt(sum));
    }
    double sum = 0;
    for (size_t p = 0; p < spread->count; p++)
        sum +=
            pow(seen->dc_by[(size_t)channel * spread->count + p] * spread->parameters[p].sigma, 2);
    double most = cj__supply_span(figures->board);
    put(figures, "dc_v", view, seen->dc_v[channel], sqrt(sum) > most ? most : sqrt(sum));
}

cj_status cj__predicted_figures(const cj_board *board, cj_bench *bench, size_t step,
                                const cj_prediction *prediction, cj_keyed_figure **out,
                                size_t *count, cj_error *err)
{
    const cj_step *s = &board->steps[step];
    struct figures figures = {.board = board, .items = cj_new(10, sizeof *figures.items)};
    if (figures.items == NULL)
        return cj_fail_memory(err);
    struct spread spread = {cj_bench_parameters(bench), cj_bench_parameter_count(bench)};
    for (int c = 0; c < s->see_count && s->power_off; c++)
        put(&figures, "resistance_ohm", s->see[c], prediction->resistance_ohm[c], NAN);
    if (!s->power_off) {
        if (prediction->points > 0 && s->see_count == 2)
            put_pair(&figures, prediction, &spread, 0);
        for (int c = 0; c < s->see_count; c++)
            put_channel(&figures, prediction, &spread, c, s->see[c]);
    }
    *out = figures.items;
    *count = figures.count;
    return CJ_OK;
}

/* Gain and phase at all frequencies of the step, where these are several. */
static cj_status predicted_response(const cj_board *board, cj_bench *bench,
                                    const cj_prediction *prediction, cj_step_figures *out,
                                    cj_error *err)
{
    size_t points = (size_t)prediction->points;
    struct figures figures = {.board = board,
                              .items = cj_new(2 * points + 1, sizeof(*figures.items))};
    if (figures.items == NULL)
        return cj_fail_memory(err);
    struct spread spread = {cj_bench_parameters(bench), cj_bench_parameter_count(bench)};
    for (size_t p = 0; p < points && points > 1 && prediction->channels == 2; p++) {
        figures.hz = prediction->hz[p];
        put_pair(&figures, prediction, &spread, p);
    }
    out->predicted_response = figures.items;
    out->predicted_response_count = figures.count;
    return CJ_OK;
}

/* ---- steps ---- */

void cj_step_figures_free(cj_step_figures *steps, size_t count)
{
    for (size_t i = 0; i < count && steps != NULL; i++) {
        cj_free(steps[i].measured);
        cj_free(steps[i].predicted);
        cj_free(steps[i].response);
        cj_free(steps[i].predicted_response);
        cj_free(steps[i].unread);
    }
    cj_free(steps);
}

static cj_status unread_figures(const cj_board *board, const cj_observed *observed,
                                cj_step_figures *out, cj_error *err)
{
    out->unread = cj_new(observed->unread_count + 1, sizeof *out->unread);
    if (out->unread == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < observed->unread_count; i++) {
        const cj_unread *from = &observed->unread[i];
        if (from->step != out->step)
            continue;
        cj_keyed_reason *to = &out->unread[out->unread_count++];
        cj__figure_key(board, from->figure, from->of, to->key, sizeof to->key);
        memcpy(to->why, from->why, sizeof to->why);
    }
    return CJ_OK;
}

static cj_status measured_figures(const cj_board *board, const cj_observed *observed,
                                  cj_step_figures *out, cj_error *err)
{
    size_t count = 0;
    for (size_t i = 0; i < observed->count; i++)
        count += observed->items[i].step == out->step;
    out->measured = cj_new(count + 1, sizeof *out->measured);
    out->response = cj_new(count + 1, sizeof *out->response);
    if (out->measured == NULL || out->response == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < observed->count; i++) {
        const cj_observation *seen = &observed->items[i];
        if (seen->step != out->step)
            continue;
        const cj__readable *known = cj__readable_find(seen->figure);
        cj_keyed_figure *item = seen->hz > 0 ? &out->response[out->response_count++]
                                             : &out->measured[out->measured_count++];
        *item = (cj_keyed_figure){.value = seen->value,
                                  .u = seen->u,
                                  .bound_kind = seen->bound_kind,
                                  .bound = seen->bound,
                                  .unit = known ? known->unit : NULL,
                                  .hz = seen->hz};
        cj__figure_key(board, seen->figure, seen->of, item->key, sizeof item->key);
    }
    return CJ_OK;
}

cj_status cj__predict_step(const cj_board *board, cj_bench *bench, cj_step_figures *out,
                           cj_error *err)
{
    cj_prediction *prediction;
    cj_status status = cj_prediction_make(bench, out->step, &prediction, err);
    if (status != CJ_OK)
        return status;
    cj_variant healthy = {0};
    status =
        cj_bench_predict(bench, out->step, &healthy, CJ_SPREAD | CJ_TRANSIENT, prediction, err);
    if (status == CJ_OK)
        status = cj__predicted_figures(board, bench, out->step, prediction, &out->predicted,
                                       &out->predicted_count, err);
    if (status == CJ_OK)
        status = predicted_response(board, bench, prediction, out, err);
    cj_prediction_free(prediction);
    return status;
}

cj_status cj__steps(const cj_board *board, cj_bench *bench, const cj_observed *observed,
                    cj_diagnosis *out, cj_error *err)
{
    out->steps = cj_new(board->step_count + 1, sizeof *out->steps);
    out->open_steps = cj_new(board->step_count + 1, sizeof *out->open_steps);
    if (out->steps == NULL || out->open_steps == NULL)
        return cj_fail_memory(err);
    cj_status status = CJ_OK;
    for (size_t s = 0; s < board->step_count && status == CJ_OK; s++) {
        if (!observed->seen[s]) {
            out->open_steps[out->open_count++] = s;
            continue;
        }
        cj_step_figures *figures = &out->steps[out->step_count++];
        figures->step = s;
        status = measured_figures(board, observed, figures, err);
        if (status == CJ_OK)
            status = unread_figures(board, observed, figures, err);
        if (status == CJ_OK)
            status = cj__predict_step(board, bench, figures, err);
    }
    return status;
}

/* ---- evidence ---- */

static cj_reading nothing(void)
{
    return (cj_reading){.value = NAN, .u = NAN, .low = NAN, .high = NAN};
}

static cj_reading number(double value, double u, const char *unit)
{
    cj_reading reading = nothing();
    reading.value = value;
    reading.u = u;
    reading.unit = unit;
    return reading;
}

static cj_reading as_measured(const cj_observation *seen, const char *unit)
{
    cj_reading reading = number(seen->value, seen->u, unit);
    if (!isfinite(seen->value)) {
        reading.low = seen->bound_kind == CJ_ABOVE ? seen->bound : -INFINITY;
        reading.high = seen->bound_kind == CJ_BELOW ? seen->bound : INFINITY;
    }
    return reading;
}

/* The same figure as the observation, out of the rows. */
static double from_rows(const cj__feature *feature, const char *figure, const double *rows)
{
    const double *at = rows + feature->row;
    double size = feature->kind == CJ__F_RATIO ? hypot(at[0], at[1]) : at[0];
    if (strcmp(figure, "gain_db") == 0)
        return size > 0 ? PER_DB * log(size) : -INFINITY;
    if (strcmp(figure, "phase_deg") == 0)
        return size > 0 ? atan2(at[1], at[0]) * DEGREES : NAN;
    return feature->kind == CJ__F_RESISTANCE ? exp(at[0]) : size;
}

static void add_evidence(const cj__ranking *ranking, const cj__trial *trial,
                         const cj__feature *feature, const cj_observation *seen,
                         cj_finding *finding)
{
    const cj_board *board = ranking->scene->board;
    const cj__readable *known = cj__readable_find(seen->figure);
    const char *unit = known ? known->unit : NULL;
    cj_evidence *evidence = &finding->evidence[finding->evidence_count++];
    memset(evidence, 0, sizeof *evidence);
    snprintf(evidence->step, sizeof evidence->step, "%s", board->steps[feature->step].name);
    cj__figure_key(board, seen->figure, seen->of, evidence->figure, sizeof evidence->figure);
    evidence->hz = seen->hz;
    evidence->measured = as_measured(seen, unit);
    evidence->expected = number(from_rows(feature, seen->figure, trial->mean), NAN, unit);
    evidence->healthy = number(from_rows(feature, seen->figure, ranking->healthy), NAN, unit);
}

/* How far the reading is from a good unit's, in standard deviations of that row alone. */
static double surprise(const cj__ranking *ranking, const cj__feature *feature)
{
    double most = 0;
    for (int r = 0; r < feature->rows; r++) {
        int row = feature->row + r;
        double variance = cj__normal_variance(ranking->good, row);
        most = fmax(most, fabs(feature->x[r] - ranking->healthy[row]) / sqrt(variance));
    }
    return most;
}

enum { EVIDENCE_MOST = 6 };

/* Gain alone says it where the phase is as it should be, or means nothing. */
static bool phase_matters(const cj__ranking *ranking, const cj__trial *trial,
                          const cj__feature *feature)
{
    if (feature->phase == NULL || !isfinite(feature->phase->value))
        return false;
    double healthy = from_rows(feature, "phase_deg", ranking->healthy);
    double expected = from_rows(feature, "phase_deg", trial->mean);
    return fabs(remainder(healthy - expected, 360)) > 10 ||
           fabs(remainder(healthy - feature->phase->value, 360)) > 10;
}

cj_status cj__evidence(const cj__ranking *ranking, const cj__trial *trial, cj_finding *finding,
                       cj_error *err)
{
    const cj__scene *scene = ranking->scene;
    finding->evidence = cj_new(EVIDENCE_MOST + 1, sizeof *finding->evidence);
    bool *done = cj_new(scene->count + 1, sizeof *done);
    if (finding->evidence == NULL || done == NULL) {
        cj_free(done);
        return cj_fail_memory(err);
    }
    while (finding->evidence_count < EVIDENCE_MOST) {
        size_t loudest = scene->count;
        double most = finding->evidence_count == 0 ? 0 : 3;
        for (size_t f = 0; f < scene->count; f++) {
            double size = done[f] || scene->features[f].seen == NULL
                              ? 0
                              : surprise(ranking, &scene->features[f]);
            if (size > most) {
                most = size;
                loudest = f;
            }
        }
        if (loudest == scene->count)
            break;
        done[loudest] = true;
        const cj__feature *feature = &scene->features[loudest];
        add_evidence(ranking, trial, feature, feature->seen, finding);
        if (finding->evidence_count < EVIDENCE_MOST && phase_matters(ranking, trial, feature))
            add_evidence(ranking, trial, feature, feature->phase, finding);
    }
    cj_free(done);
    return CJ_OK;
}
