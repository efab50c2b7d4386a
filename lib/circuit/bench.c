/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bench.c - what the steps of a board share, made once: netlists at rest, planes, healthy
 * solutions. */
#include <math.h>
#include <string.h>

#include "circuit/internal.h"

/* ---- frames ---- */

static bool same_setting(double x, double y)
{
    return x == y || (isnan(x) && isnan(y));
}

/* Whether two steps have the same equations: settings, power, and which open jack is driven. */
static bool same_frame(const cj_board *board, const cj_step *x, const cj_step *y)
{
    bool open_x = x->drive >= 0 && board->inputs[x->drive].idle_open;
    bool open_y = y->drive >= 0 && board->inputs[y->drive].idle_open;
    if (x->power_off != y->power_off || open_x != open_y || (open_x && x->drive != y->drive))
        return false;
    for (size_t k = 0; k < board->part_count; k++)
        if (!same_setting(x->settings[k], y->settings[k]))
            return false;
    return true;
}

static void free_frame(cj__frame *frame)
{
    if (frame)
        cj__frame_clear(frame);
    cj_free(frame);
}

static bool make_places(cj__places *places, size_t parts)
{
    places->branch = cj_new(parts, sizeof(int));
    places->winding = cj_new(parts, sizeof(int));
    places->junction = cj_new(parts, sizeof(int));
    return places->branch && places->winding && places->junction;
}

cj_status cj__own_frame(cj_bench *bench, const cj_step *step, const cj_variant *variant,
                        cj__frame **out, cj_error *err)
{
    cj__frame *frame = cj_new(1, sizeof(cj__frame));
    cj_status status = frame ? CJ_OK : cj_fail_memory(err);
    if (status != CJ_OK)
        return status;
    frame->step = step, frame->store = &bench->store;
    status = cj__emission_start(&bench->change.emission, step, variant, err);
    if (status != CJ_OK)
        goto out;
    if (!make_places(&frame->places, bench->board->part_count) ||
        cj__netlist_fill(&bench->change.emission, &frame->netlist, &frame->places) != CJ_OK) {
        status = cj_fail_memory(err);
        goto out;
    }
    status = cj__frame_prepare(frame, err);
    if (status == CJ_OK && variant == NULL && !cj__frame_find_lonely(frame, &bench->numbering))
        status = cj_fail_memory(err);
    if (status == CJ_OK && bench->rest.drive == NULL &&
        (!cj__rest_make(&bench->rest, &frame->netlist) ||
         !cj__state_make(&frame->netlist, &bench->tone_state)))
        status = cj_fail_memory(err);
    if (status == CJ_OK)
        status = cj__frame_settle(frame, &bench->change, &bench->rest, err);
    if (status == CJ_OK) {
        *out = frame;
        frame = NULL;
    }
out:
    free_frame(frame);
    return status;
}

static cj_status frame_of_step(cj_bench *bench, size_t index, size_t *out, cj_error *err)
{
    const cj_step *step = &bench->board->steps[index];
    for (size_t k = 0; k < bench->frame_count; k++)
        if (same_frame(bench->board, step, bench->frames[k]->step)) {
            *out = k;
            return CJ_OK;
        }
    if (!cj_reserve((void **)&bench->frames, &bench->frame_capacity, bench->frame_count,
                    sizeof(cj__frame *)))
        return cj_fail_memory(err);
    cj_error why = {0};
    cj_status status = cj__own_frame(bench, step, NULL, &bench->frames[bench->frame_count], &why);
    if (status != CJ_OK)
        return cj_fail(err, status, "", 0, 0, "step %s: %s", step->name, why.message);
    *out = bench->frame_count++;
    return CJ_OK;
}

/* ---- looks ---- */

/* Points in even steps of ln hz. */
static int between(double from, double to, int points, double peak, cj_step_point *out)
{
    for (int p = 0; p < points; p++) {
        double share = points > 1 ? (double)p / (points - 1) : 0;
        out[p].hz = p == points - 1 && points > 1 ? to : from * pow(to / from, share);
        out[p].peak = peak;
    }
    return points;
}

int cj_step_points(const cj_step *step, cj_step_point out[CJ_STEP_POINTS])
{
    int band = (int)lround(3 * log2(step->to / step->from)) + 1;
    if (step->drive < 0 || step->power_off)
        return 0;
    switch (step->shape) {
    case CJ_TONE:
        return between(step->hz[0], step->hz[0], 1, step->peak[0], out);
    case CJ_SQUARE: /* its fundamental: 4 / pi of its peak */
        return between(step->hz[0], step->hz[0], 1, step->peak[0] * 4 / M_PI, out);
    case CJ_STEPPED:
        return between(step->hz[0], step->hz[0], 1, step->to, out);
    case CJ_TWO_TONE:
        between(step->hz[0], step->hz[1], 2, step->peak[0], out);
        out[1].peak = step->peak[1];
        return 2;
    case CJ_SWEEP:
        return between(step->from, step->to,
                       band < 2                ? 2
                       : band > CJ_STEP_POINTS ? CJ_STEP_POINTS
                                               : band,
                       step->peak[0], out);
    case CJ_NOISE:
        return between(20, 20000, CJ_STEP_POINTS, step->rms * M_SQRT2, out);
    default:
        return 0;
    }
}

static bool make_points(cj__look *look, const cj_step *step)
{
    cj_step_point points[CJ_STEP_POINTS];
    int count = cj_step_points(step, points);
    look->hz = cj_new((size_t)count, sizeof(double));
    look->peak = cj_new((size_t)count, sizeof(double));
    look->planes = cj_new((size_t)count, sizeof(cj__plane *));
    look->phasors = cj_new((size_t)count, sizeof(cj__c *));
    if (!look->hz || !look->peak || !look->planes || !look->phasors)
        return false;
    look->points = count;
    for (int p = 0; p < count; p++) {
        look->hz[p] = points[p].hz;
        look->peak[p] = points[p].peak;
    }
    return true;
}

bool cj__drive_phasor(const cj_bench *bench, const cj__look *look, cj__plane *plane, double peak,
                      cj__c *out)
{
    const cj__frame *frame = plane->frame;
    size_t length = (size_t)frame->nodes + 1;
    const cj_input *input = &bench->board->inputs[bench->board->steps[look->step].drive];
    const cj__c *column = cj__column(plane, input->net - 1);
    if (column == NULL)
        return false;
    double ampere = peak / fmax(input->source_ohm, CJ__CONTACT_OHM);
    for (size_t i = 0; i < length; i++)
        out[i] = column[i] * ampere;
    for (size_t k = 0; k < frame->netlist.amp_count; k++) {
        const cj__amp *amp = &frame->netlist.amps[k];
        if (frame->state.mode[k] != CJ_HELD || amp->held_peak_v == 0)
            continue;
        column = cj__column(plane, amp->out);
        if (column == NULL)
            return false;
        for (size_t i = 0; i < length; i++)
            out[i] += column[i] * (amp->held_peak_v / amp->output_ohm);
    }
    return true;
}

static cj_status prepare_look(cj_bench *bench, cj__look *look, cj_error *err)
{
    cj__frame *frame = bench->frames[look->frame];
    if (!make_points(look, &bench->board->steps[look->step]))
        return cj_fail_memory(err);
    for (int p = 0; p < look->points; p++) {
        cj_status status = cj__plane_of(frame, 2 * M_PI * look->hz[p], &look->planes[p], err);
        if (status != CJ_OK)
            return status;
        look->phasors[p] = cj_new((size_t)frame->nodes + 1, sizeof(cj__c));
        if (look->phasors[p] == NULL ||
            !cj__drive_phasor(bench, look, look->planes[p], look->peak[p], look->phasors[p]))
            return cj_fail_memory(err);
    }
    return CJ_OK;
}

static void clear_look(cj__look *look)
{
    for (int p = 0; look->phasors && p < look->points; p++)
        cj_free(look->phasors[p]);
    cj_free(look->phasors);
    cj_free(look->planes);
    cj_free(look->hz);
    cj_free(look->peak);
}

static bool is_view(const cj_board *board, cj_view view)
{
    return view.net >= 0 && (size_t)view.net < board->net_count && view.against >= 0 &&
           (size_t)view.against < board->net_count;
}

cj_status cj_bench_look(cj_bench *bench, size_t step, const cj_view *see, int see_count,
                        size_t *out, cj_error *err)
{
    if (step >= bench->board->step_count || see_count < 1 || see_count > 2)
        return cj_fail(err, CJ_USAGE, "", 0, 0,
                       "a look is at one or two nets of a step of the board");
    cj__look look = {.step = step, .see_count = see_count};
    for (int c = 0; c < see_count; c++) {
        if (!is_view(bench->board, see[c]))
            return cj_fail(err, CJ_USAGE, "", 0, 0, "a look at a net that the board does not have");
        look.see[c] = see[c];
    }
    if (!cj_reserve((void **)&bench->looks, &bench->look_capacity, bench->look_count,
                    sizeof(cj__look)))
        return cj_fail_memory(err);
    cj_status status = frame_of_step(bench, step, &look.frame, err);
    if (status == CJ_OK)
        status = prepare_look(bench, &look, err);
    if (status != CJ_OK) {
        clear_look(&look);
        return status;
    }
    *out = bench->look_count;
    bench->looks[bench->look_count++] = look;
    return CJ_OK;
}

/* ---- the bench ---- */

bool cj__vectors_reserve(cj_bench *bench, size_t nodes)
{
    size_t length = nodes + 2;
    if (length <= bench->vector_capacity)
        return true;
    cj__c **vectors[] = {&bench->vector, &bench->solution, &bench->adjoint};
    for (size_t k = 0; k < 3; k++) {
        cj__c *grown = cj_resize(*vectors[k], length + 32, sizeof(cj__c));
        if (grown == NULL)
            return false;
        *vectors[k] = grown;
    }
    bench->vector_capacity = length + 32;
    return true;
}

cj_status cj_bench_make(const cj_board *board, cj_bench **out, cj_error *err)
{
    cj_bench *bench = cj_new(1, sizeof(cj_bench));
    if (bench == NULL)
        return cj_fail_memory(err);
    bench->board = board, bench->store.most = CJ__STORE_MOST;
    cj_status status = board->net_count > 1
                           ? cj__numbering_make(board, &bench->numbering, err)
                           : cj_fail(err, CJ_DATA, "", 0, 0, "a board with no net besides gnd");
    bench->change.emission.numbering = &bench->numbering;
    bench->tone_sum = cj_new(bench->numbering.amp_count, sizeof(double));
    bench->slope_sum = cj_new(bench->numbering.amp_count, sizeof(double));
    bench->gradient = cj_new(bench->numbering.parameter_count, sizeof(cj__c));
    if (status == CJ_OK && (!bench->tone_sum || !bench->gradient || !bench->slope_sum ||
                            !cj__vectors_reserve(bench, board->net_count)))
        status = cj_fail_memory(err);
    for (size_t k = 0; status == CJ_OK && k < board->step_count; k++) {
        size_t look;
        status =
            cj_bench_look(bench, k, board->steps[k].see, board->steps[k].see_count, &look, err);
    }
    if (status == CJ_OK) {
        *out = bench;
        bench = NULL;
    }
    cj_bench_free(bench);
    return status;
}

void cj_bench_free(cj_bench *bench)
{
    if (bench == NULL)
        return;
    for (size_t k = 0; k < bench->look_count; k++)
        clear_look(&bench->looks[k]);
    for (size_t k = 0; k < bench->frame_count; k++)
        free_frame(bench->frames[k]);
    cj_free(bench->looks);
    cj_free(bench->frames);
    cj__change_clear(&bench->change);
    cj__rest_clear(&bench->rest);
    cj__state_clear(&bench->tone_state);
    cj_free(bench->tone_sum);
    cj_free(bench->slope_sum);
    cj_free(bench->vector);
    cj_free(bench->solution);
    cj_free(bench->adjoint);
    cj_free(bench->gradient);
    cj_free(bench->edits);
    cj__numbering_clear(&bench->numbering);
    cj_free(bench);
}

double cj_bench_work(const cj_bench *bench)
{
    return bench->change.system.work;
}

size_t cj_bench_parameter_count(const cj_bench *bench)
{
    return bench->numbering.parameter_count;
}

const cj_parameter *cj_bench_parameters(const cj_bench *bench)
{
    return bench->numbering.parameters;
}

/* ---- predictions ---- */

cj_status cj_prediction_make(const cj_bench *bench, size_t look, cj_prediction **out, cj_error *err)
{
    if (look >= bench->look_count)
        return cj_fail(err, CJ_USAGE, "", 0, 0, "no such look");
    const cj__look *at = &bench->looks[look];
    cj_prediction *made = cj_new(1, sizeof(cj_prediction));
    if (made == NULL)
        return cj_fail_memory(err);
    size_t tones = (size_t)at->points * (size_t)at->see_count;
    size_t parameters = bench->numbering.parameter_count;
    made->points = at->points, made->channels = at->see_count, made->hz = at->hz;
    made->tone = cj_new(tones, sizeof(cj_complex));
    made->modes = cj_new(bench->numbering.amp_count, 1);
    made->tone_by = cj_new(tones * parameters, sizeof(cj_complex));
    made->dc_by = cj_new((size_t)at->see_count * parameters, sizeof(double));
    if (!made->tone || !made->modes || !made->tone_by || !made->dc_by) {
        cj_prediction_free(made);
        return cj_fail_memory(err);
    }
    *out = made;
    return CJ_OK;
}

void cj_prediction_free(cj_prediction *prediction)
{
    if (prediction == NULL)
        return;
    cj_free(prediction->tone);
    cj_free(prediction->modes);
    cj_free(prediction->tone_by);
    cj_free(prediction->dc_by);
    cj_free(prediction);
}
