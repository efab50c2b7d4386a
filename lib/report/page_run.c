/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The page of a logged run: what the log keeps turned back into what a page shows. */
#include "report/log.h"
#include "report/page.h"

#include <math.h>
#include <string.h>

struct making {
    const cj_run_page *of;
    cj_observed *observed;
    cj_findings *findings;
    cj_step_figures *steps; /* [steps of the board] */
    cj_page_capture *captures;
    cj_measurement *measurements; /* [captures] */
    cj_response *responses;       /* [captures] */
    size_t capture_count;
    cj_lines history;
};

static void making_free(struct making *making)
{
    size_t steps = making->of->board->step_count;
    for (size_t i = 0; making->steps != NULL && i < steps; i++)
        cj_free(making->steps[i].measured);
    for (size_t i = 0; making->measurements != NULL && i < making->capture_count; i++) {
        cj_figure_set_free(&making->measurements[i].channel[0]);
        cj_figure_set_free(&making->measurements[i].channel[1]);
    }
    for (size_t i = 0; making->responses != NULL && i < making->capture_count; i++) {
        cj_free(making->responses[i].hz);
        cj_free(making->responses[i].gain_db);
        cj_free(making->responses[i].phase_deg);
    }
    cj_free(making->steps);
    cj_free(making->captures);
    cj_free(making->measurements);
    cj_free(making->responses);
    cj_findings_free(making->findings);
    cj_observed_free(making->observed);
    cj_lines_free(&making->history);
}

/* ---- figures ---- */

static cj_status add_measured(cj_step_figures *step, const cj_logged_figure *from, size_t room,
                              cj_error *err)
{
    if (step->measured == NULL && (step->measured = cj_new(room, sizeof *step->measured)) == NULL)
        return cj_fail_memory(err);
    cj_keyed_figure *to = &step->measured[step->measured_count++];
    *to = (cj_keyed_figure){.value = from->value,
                            .u = from->u,
                            .bound_kind = from->bound_kind,
                            .bound = from->bound,
                            .unit = from->unit};
    strncpy(to->key, from->key, sizeof to->key - 1);
    return CJ_OK;
}

static cj_status make_steps(struct making *making, cj_error *err)
{
    const cj_board *board = making->of->board;
    const cj_run *run = making->of->run;
    const cj_study *healthy = making->of->healthy;
    making->steps = cj_new(board->step_count + 1, sizeof *making->steps);
    if (making->steps == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < board->step_count; i++)
        making->steps[i].step = i;
    for (size_t i = 0; healthy != NULL && i < healthy->step_count; i++) {
        const cj_step_figures *from = &healthy->steps[i];
        making->steps[from->step].predicted = from->predicted; /* borrowed */
        making->steps[from->step].predicted_count = from->predicted_count;
    }
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < run->figure_count; i++) {
        int step = cj_board_step(board, run->figures[i].step);
        if (step < 0)
            continue;
        making->observed->seen[step] = true;
        if (!(run->figures[i].hz > 0))
            status = add_measured(&making->steps[step], &run->figures[i], run->figure_count, err);
    }
    return status;
}

/* ---- what is marked in the curves ---- */

static const cj_logged_figure *figure_at(const cj_run *run, const char *step, const char *key)
{
    for (size_t i = 0; i < run->figure_count; i++)
        if (!(run->figures[i].hz > 0) && strcmp(run->figures[i].step, step) == 0 &&
            strcmp(run->figures[i].key, key) == 0)
            return &run->figures[i];
    return NULL;
}

static cj_status add_marks(const struct making *making, const cj_step *step, int channel,
                           cj_figure_set *set, cj_error *err)
{
    static const char *const names[] = {"dc_v",   "tone_hz", "hum_v",
                                        "hum_hz", "stray_v", "stray_hz"};
    char view[72];
    cj_board_view_text(making->of->board, step->see[channel], view, sizeof view);
    cj_figure signal = {.name = "signal", .value = NAN, .u = NAN, .bound = NAN};
    signal.word = step->shape == CJ_SWEEP ? "sweep" : step->shape == CJ_NOISE ? "noise" : "other";
    cj_status status = cj_figure_add(set, &signal);
    for (size_t i = 0; status == CJ_OK && i < sizeof names / sizeof names[0]; i++) {
        cj_text key = {0};
        cj_text_add(&key, "%s@%s", names[i], view);
        const cj_logged_figure *from =
            key.failed ? NULL : figure_at(making->of->run, step->name, key.bytes);
        cj_figure figure = {.name = names[i], .unit = "", .bound = NAN};
        figure.value = from != NULL ? from->value : NAN;
        figure.u = from != NULL ? from->u : NAN;
        status = key.failed ? CJ_NOMEM : cj_figure_add(set, &figure);
        cj_text_free(&key);
    }
    return status == CJ_OK ? CJ_OK : cj_fail_memory(err);
}

static bool is_point(const cj_logged_figure *figure, const char *step, const char *key)
{
    return figure->hz > 0 && strcmp(figure->step, step) == 0 && strcmp(figure->key, key) == 0;
}

/* The points of a response that were logged, in the order of frequency they have there. */
static cj_status make_response(const struct making *making, const cj_step *step, cj_response *out,
                               cj_error *err)
{
    const cj_run *run = making->of->run;
    size_t room = run->figure_count + 1;
    out->hz = cj_new(room, sizeof *out->hz);
    out->gain_db = cj_new(room, sizeof *out->gain_db);
    out->phase_deg = cj_new(room, sizeof *out->phase_deg);
    if (out->hz == NULL || out->gain_db == NULL || out->phase_deg == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < run->figure_count; i++) {
        const cj_logged_figure *gain = &run->figures[i];
        if (!is_point(gain, step->name, "gain_db"))
            continue;
        out->hz[out->count] = gain->hz;
        out->gain_db[out->count] = gain->value;
        out->phase_deg[out->count] = NAN;
        for (size_t k = 0; k < run->figure_count; k++)
            if (is_point(&run->figures[k], step->name, "phase_deg") &&
                run->figures[k].hz == gain->hz)
                out->phase_deg[out->count] = run->figures[k].value;
        out->count++;
    }
    return CJ_OK;
}

static cj_status make_capture(struct making *making, size_t index, cj_error *err)
{
    cj_page_capture *capture = &making->captures[index];
    cj_measurement *measurement = &making->measurements[index];
    const cj_step *step = &making->of->board->steps[capture->step];
    measurement->channel_count = step->see_count;
    if (capture->capture != NULL) {
        measurement->capture = cj_capture_about(capture->capture);
        if (measurement->capture->selected_count < measurement->channel_count)
            measurement->channel_count = measurement->capture->selected_count;
    }
    capture->measurement = measurement;
    cj_status status = CJ_OK;
    for (int c = 0; status == CJ_OK && c < measurement->channel_count; c++)
        status = add_marks(making, step, c, &measurement->channel[c], err);
    if (status == CJ_OK)
        status = make_response(making, step, &making->responses[index], err);
    making->responses[index].of_stimulus = step->see_count == 1;
    if (making->responses[index].count > 1)
        measurement->response = &making->responses[index];
    return status;
}

static cj_status make_captures(struct making *making, cj_error *err)
{
    size_t room = making->of->capture_count + 1;
    making->captures = cj_new(room, sizeof *making->captures);
    making->measurements = cj_new(room, sizeof *making->measurements);
    making->responses = cj_new(room, sizeof *making->responses);
    if (making->captures == NULL || making->measurements == NULL || making->responses == NULL)
        return cj_fail_memory(err);
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < making->of->capture_count; i++) {
        making->captures[i] = making->of->captures[i];
        making->capture_count++;
        status = make_capture(making, i, err);
    }
    return status;
}

/* ---- repairs ---- */

static cj_status make_history(struct making *making, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < making->of->repair_count; i++) {
        const cj_repair *repair = &making->of->repairs[i];
        cj_text line = {0};
        if (repair->voided)
            continue;
        cj__write_time(&line, repair->at);
        cj_text_add(&line, ": ");
        if (repair->fault[0])
            cj__write_fault_notation(&line, repair->fault);
        else
            cj__write_clean(&line, repair->words);
        if (repair->note[0]) {
            cj_text_add(&line, " (");
            cj__write_clean(&line, repair->note);
            cj_text_add(&line, ")");
        }
        if (repair->retested)
            cj_text_add(&line, "; measured again afterwards: %s",
                        cj__verdict_word(repair->retest_verdict));
        status = line.failed ? CJ_NOMEM : cj_lines_add(&making->history, "%s", line.bytes);
        cj_text_free(&line);
    }
    return status == CJ_OK ? CJ_OK : cj_fail_memory(err);
}

cj_status cj_report_run_page(const cj_run_page *of, cj_text *out, cj_error *err)
{
    const cj_run *run = of->run;
    struct making making = {.of = of};
    cj_text when = {0};
    cj_judgement judgement = {
        .verdict = run->head.verdict, .limits = run->limits, .limit_count = run->limit_count};
    cj_status status = cj_observed_make(of->board, &making.observed, err);
    if (status == CJ_OK)
        status = cj__findings_read(run->findings, &making.findings, err);
    if (status == CJ_OK)
        status = make_steps(&making, err);
    if (status == CJ_OK)
        status = make_captures(&making, err);
    if (status == CJ_OK)
        status = make_history(&making, err);
    cj__write_time(&when, run->head.at);
    if (status == CJ_OK && when.failed)
        status = cj_fail_memory(err);
    if (status == CJ_OK) {
        cj_page page = {.unit = run->head.unit,
                        .when = when.bytes,
                        .operator_name = run->head.operator_name,
                        .instruments = run->instruments,
                        .run = run->head.uuid,
                        .note = run->head.note,
                        .board = of->board,
                        .observed = making.observed,
                        .judgement = &judgement,
                        .findings = making.findings,
                        .steps = making.steps,
                        .step_count = of->board->step_count,
                        .captures = making.captures,
                        .capture_count = making.capture_count,
                        .history = &making.history,
                        .remarks = of->remarks};
        status = cj_report_page(&page, out, err);
    }
    cj_text_free(&when);
    making_free(&making);
    return status;
}
