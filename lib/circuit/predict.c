/* SPDX-License-Identifier: GPL-3.0-or-later */
/* predict.c - what a look reads with a variant: rest, tone, and where the linear answer ends. */
#include <math.h>
#include <string.h>

#include "circuit/internal.h"

static cj_complex as_complex(cj__c z)
{
    return (cj_complex){creal(z), cimag(z)};
}

static cj__c seen(const cj__change *change, const cj__c *x, cj_view view)
{
    return cj__changed_across(change, x, view.net - 1, view.against - 1);
}

/* The part in which the drive of every section stays between its rails. */
static const cj__state *state_for_tone(const cj__task *task, bool held)
{
    return held ? &task->bench->tone_state : &task->bench->rest.state;
}

/* ---- gradients ---- */

/* Solution and adjoint of a channel go into the bench's vectors. False: out of memory. */
static bool prepare_spread(const cj__task *task, const cj__c *x, cj_view view, bool first)
{
    cj_bench *bench = task->bench;
    cj__change *change = &bench->change;
    if (first) /* before the adjoint, which takes the answer's place */
        cj__changed_all(change, x, bench->solution);
    return cj__changed_adjoint(change, view.net - 1, view.against - 1, bench->adjoint);
}

static cj_status spread_tone(const cj__task *task, const cj__state *state, const cj__c *x,
                             int point, cj_error *err)
{
    size_t parameters = task->bench->numbering.parameter_count;
    for (int c = 0; c < task->look->see_count; c++) {
        size_t at = ((size_t)point * (size_t)task->look->see_count + (size_t)c) * parameters;
        if (!prepare_spread(task, x, task->look->see[c], c == 0))
            return cj_fail_memory(err);
        /* cj_complex and double complex have one layout */
        cj__spread(task, state, task->look->peak[point], (cj__c *)(task->out->tone_by + at));
    }
    return CJ_OK;
}

static cj_status spread_rest(const cj__task *task, const cj__state *state, const cj__c *x,
                             cj_error *err)
{
    cj_bench *bench = task->bench;
    size_t parameters = bench->numbering.parameter_count;
    for (int c = 0; c < task->look->see_count; c++) {
        if (!prepare_spread(task, x, task->look->see[c], c == 0))
            return cj_fail_memory(err);
        cj__spread(task, state, 0, bench->gradient);
        for (size_t k = 0; k < parameters; k++)
            task->out->dc_by[(size_t)c * parameters + k] = creal(bench->gradient[k]);
    }
    return CJ_OK;
}

/* ---- power off ---- */

static cj_status resistances(const cj__task *task, cj_error *err)
{
    cj_bench *bench = task->bench;
    cj__change *change = &bench->change;
    cj__plane *dc = task->frame->planes[0];
    size_t length = (size_t)task->frame->nodes + 1, parameters = bench->numbering.parameter_count;
    for (int c = 0; c < task->look->see_count; c++) {
        cj_view view = task->look->see[c];
        const cj__c *a = cj__column(dc, view.net - 1), *b = cj__column(dc, view.against - 1);
        if (a == NULL || b == NULL)
            return cj_fail_memory(err);
        for (size_t i = 0; i < length; i++)
            bench->vector[i] = a[i] - b[i];
        /* rest currents are not part of it: the same terms without their sources */
        for (size_t t = 0; t < change->term_count; t++)
            change->terms[t].f = 0;
        for (int e = 0; e < change->extras; e++)
            change->extra[e].f = 0;
        cj__terms_solve(change, bench->vector);
        task->out->resistance_ohm[c] = creal(seen(change, bench->vector, view));
        if (!(task->want & CJ_SPREAD))
            continue;
        if (!prepare_spread(task, bench->vector, view, true))
            return cj_fail_memory(err);
        cj__spread(task, &bench->rest.state, 0, bench->gradient);
        for (size_t k = 0; k < parameters; k++)
            task->out->dc_by[(size_t)c * parameters + k] = creal(bench->gradient[k]);
    }
    return CJ_OK;
}

/* ---- where the linear answer ends ---- */

/* Whether the tone takes a section out of where it rests: beyond its swing, its slew, or off its
 * rail. */
static bool leaves_rest(const cj__task *task, size_t index, double tone, double slope)
{
    const cj__amp *amp = task->frame->amps[index];
    const cj__rest *rest = &task->bench->rest;
    double drive = rest->drive[index];
    switch (rest->state.mode[index]) {
    case CJ_LINEAR:
        return drive + tone > amp->high_v || drive - tone < amp->low_v || slope > amp->slew_v_per_s;
    case CJ_HIGH:
        return amp->mode == CJ_LINEAR && tone > drive - amp->high_v;
    case CJ_LOW:
        return amp->mode == CJ_LINEAR && tone > amp->low_v - drive;
    default:
        return false;
    }
}

/* Adds a point's tone at each section. tone: of what an unlimited output would give; a section that
 * stands at a rail is driven off by its inputs alone, whatever its bandwidth. */
static void sum_tones(const cj__task *task, const cj__c *x, double omega)
{
    cj_bench *bench = task->bench;
    for (size_t k = 0; k < task->frame->netlist.amp_count; k++) {
        const cj__amp *amp = task->frame->amps[k];
        bool linear = bench->rest.state.mode[k] == CJ_LINEAR;
        cj__c across = cj__changed_across(&bench->change, x, amp->plus, amp->inverting);
        cj__c gain = linear ? cj__amp_gain(amp, omega) : amp->gain;
        double tone = cj__length(cj__mul(gain, across));
        bench->tone_sum[k] += tone;
        bench->slope_sum[k] += omega * tone;
    }
}

/* Diodes across the inputs that the tone turns on. */
static bool opens_clamp(const cj__task *task, size_t index, double tone)
{
    const cj__amp *amp = task->frame->amps[index];
    const cj__rest *rest = &task->bench->rest;
    cj__clamp clamp;
    if (!cj__clamp_of(amp, 0, &clamp) || rest->state.clamp[index * CJ__CLAMPS])
        return false;
    double across = rest->drive[index] / amp->gain - amp->offset_v;
    return fabs(across) + tone / amp->gain > clamp.high && rest->state.mode[index] != CJ_LINEAR;
}

typedef struct ends {
    bool excess, distortion; /* distortion: only an output that is lifted switches, or */
    bool hidden;             /* a section clips whose output is not seen */
} ends;

static ends find_ends(const cj__task *task)
{
    ends found = {false, false, false};
    for (size_t k = 0; k < task->frame->netlist.amp_count; k++) {
        const cj__amp *amp = task->frame->amps[k];
        double tone = task->bench->tone_sum[k];
        bool leaves =
            leaves_rest(task, k, tone, task->bench->slope_sum[k]) || opens_clamp(task, k, tone);
        if (leaves && cj__is_cut_off(amp))
            found.distortion = true;
        else
            found.excess = found.excess || leaves;
    }
    return found;
}

/* Diodes that the tone takes off their tangents. */
static bool bends_junctions(const cj__task *task, const cj__c *x)
{
    const cj__change *change = &task->bench->change;
    for (size_t k = 0; k < task->frame->netlist.junction_count; k++) {
        const cj__junction *junction = cj__junction_now(change, k);
        double tone = cj__length(cj__changed_across(change, x, junction->anode, junction->cathode));
        if (cj__junction_bends(junction, task->bench->rest.state.volt[k], tone))
            return true;
    }
    return false;
}

/* ---- tone ---- */

/* The healthy solution at a point, or in a frame of its own, that frame's. */
static cj_status base_of_point(const cj__task *task, int point, cj__plane **plane, const cj__c **x,
                               cj_error *err)
{
    const cj__look *look = task->look;
    if (!task->own) {
        *plane = look->planes[point], *x = look->phasors[point];
        return CJ_OK;
    }
    cj_status status = cj__plane_of(task->frame, 2 * M_PI * look->hz[point], plane, err);
    if (status == CJ_OK &&
        !cj__drive_phasor(task->bench, look, *plane, look->peak[point], task->bench->vector))
        status = cj_fail_memory(err);
    *x = task->bench->vector;
    return status;
}

/* A section whose output is lifted and whose tone would leave the rails behind its joint gives
 * nothing: it switches from rail to rail, seen through half a picofarad only. True: there is one,
 * and it is held now. */
static bool hold_lifted(const cj__task *task)
{
    cj_bench *bench = task->bench;
    bool any = false;
    for (size_t k = 0; k < task->frame->netlist.amp_count; k++) {
        if (bench->rest.state.mode[k] != CJ_LINEAR || !cj__is_cut_off(task->frame->amps[k]) ||
            !leaves_rest(task, k, bench->tone_sum[k], bench->slope_sum[k]))
            continue;
        if (!any)
            cj__state_copy(&task->frame->netlist, &bench->tone_state, &bench->rest.state);
        bench->tone_state.mode[k] = CJ_HIGH;
        any = true;
    }
    return any;
}

/* poor: not solved. */
static cj_status solve_point(const cj__task *task, int point, bool held, const cj__c **x,
                             bool *poor, cj_error *err)
{
    cj__change *change = &task->bench->change;
    cj__plane *plane;
    cj_status status = base_of_point(task, point, &plane, x, err);
    if (status != CJ_OK)
        return status;
    if (!cj__terms_make(change, plane, state_for_tone(task, held)) || !cj__terms_factor(change))
        return cj_fail_memory(err);
    *poor = change->system.poor;
    cj__terms_solve(change, *x);
    return CJ_OK;
}

static void clear_sums(const cj__task *task)
{
    size_t bytes = task->frame->netlist.amp_count * sizeof(double);
    memset(task->bench->tone_sum, 0, bytes);
    memset(task->bench->slope_sum, 0, bytes);
}

/* The sections that leave their rest where the tone takes them: to a rail, or free of it. */
static void hold_leaving(const cj__task *task, bool held, bool high)
{
    cj_bench *bench = task->bench;
    if (!held)
        cj__state_copy(&task->frame->netlist, &bench->tone_state, &bench->rest.state);
    for (size_t k = 0; k < task->frame->netlist.amp_count; k++) {
        const cj__amp *amp = task->frame->amps[k];
        double drive = bench->rest.drive[k], tone = bench->tone_sum[k];
        if (!leaves_rest(task, k, tone, bench->slope_sum[k]) && !opens_clamp(task, k, tone))
            continue;
        bool up = drive + tone > amp->high_v, down = drive - tone < amp->low_v;
        cj_mode rail = up == down ? (high ? CJ_HIGH : CJ_LOW) : up ? CJ_HIGH : CJ_LOW;
        bool free = bench->rest.state.mode[k] == CJ_LINEAR;
        bench->tone_state.mode[k] = (signed char)(free ? rail : CJ_LINEAR);
    }
}

/* How far what is seen moves at a plane when those sections are held: over what a reading could
 * show. */
static cj_status move_when_held(const cj__task *task, cj__plane *plane, const cj__c *x,
                                double *most, cj_error *err)
{
    cj__change *change = &task->bench->change;
    const cj_prediction *out = task->out;
    if (!cj__terms_make(change, plane, &task->bench->tone_state) || !cj__terms_factor(change))
        return cj_fail_memory(err);
    cj__terms_solve(change, x);
    for (int c = 0; c < task->look->see_count; c++) {
        cj__c now = seen(change, x, task->look->see[c]);
        bool dc = plane->omega == 0;
        cj__c was = dc ? out->dc_v[c] : CMPLX(out->tone[c].re, out->tone[c].im);
        double visible = dc ? 2e-3 : 1e-3 * cj__length(was); /* V; 0.009 dB */
        *most = cj__larger(*most, change->system.poor ? INFINITY : cj__length(now - was) / visible);
    }
    return CJ_OK;
}

/* A section that clips where nothing of it is seen: with it held at the rail it
 * comes to, high or low, tone and
 * DC are the same. */
static cj_status excess_is_hidden(const cj__task *task, bool held, const cj__c *x, bool *hidden,
                                  cj_error *err)
{
    cj_status status = CJ_OK;
    cj__plane *tone = task->bench->change.plane;
    double most = 0;
    for (int side = 0; status == CJ_OK && most < 1 && side < 2; side++) {
        hold_leaving(task, held, side == 0);
        if (side == 0)
            status = move_when_held(task, tone, x, &most, err);
        if (status == CJ_OK)
            status = move_when_held(task, task->frame->planes[0], task->frame->rest, &most, err);
    }
    *hidden = most < 1;
    return status;
}

static cj_status predict_point(const cj__task *task, int point, bool *poor, ends *found,
                               cj_error *err)
{
    const cj__look *look = task->look;
    bool held = false, together = task->bench->board->steps[look->step].shape == CJ_TWO_TONE;
    const cj__c *x;
    cj_status status = solve_point(task, point, held, &x, poor, err);
    if (status != CJ_OK || *poor)
        return status;
    double omega = task->bench->change.plane->omega;
    if (point == 0 || !together)
        clear_sums(task);
    sum_tones(task, x, omega);
    ends here = find_ends(task);
    if (here.distortion && hold_lifted(task)) {
        held = true;
        status = solve_point(task, point, held, &x, poor, err);
        if (status != CJ_OK || *poor)
            return status;
        clear_sums(task);
        sum_tones(task, x, omega);
        here = find_ends(task);
        here.distortion = true;
    }
    bool bends = bends_junctions(task, x);
    for (int c = 0; c < look->see_count; c++)
        task->out->tone[point * look->see_count + c] =
            as_complex(seen(&task->bench->change, x, look->see[c]));
    if (task->want & CJ_SPREAD)
        status = spread_tone(task, state_for_tone(task, held), x, point, err);
    if (status == CJ_OK && here.excess && !bends && look->points == 1) {
        bool hidden;
        status = excess_is_hidden(task, held, x, &hidden, err);
        here.excess = !hidden, here.distortion = here.distortion || hidden;
        found->hidden = found->hidden || hidden;
    }
    found->excess = found->excess || here.excess || bends;
    found->distortion = found->distortion || here.distortion;
    return status;
}

/* ---- the whole of a look ---- */

static void clear_prediction(cj_prediction *out)
{
    out->by = CJ_BY_LINEAR;
    out->fragile_part = out->fragile_section = -1;
    out->edge_part = out->edge_section = -1;
    out->edges = 0;
    for (int c = 0; c < 2; c++) {
        out->dc_v[c] = out->thd[c] = 0;
        out->resistance_ohm[c] = NAN;
    }
}

static void report_rest(const cj__task *task)
{
    cj_prediction *out = task->out;
    const cj__rest *rest = &task->bench->rest;
    for (size_t k = 0; k < task->frame->netlist.amp_count; k++) {
        out->modes[k] = rest->state.mode[k];
        bool rail = rest->state.mode[k] == CJ_HIGH || rest->state.mode[k] == CJ_LOW;
        if (rail && !cj__is_cut_off(task->frame->amps[k]))
            out->by = CJ_BY_HELD;
    }
    if (rest->fragile >= 0) {
        out->fragile_part = task->frame->amps[rest->fragile]->part;
        out->fragile_section = task->frame->amps[rest->fragile]->section;
    }
    if (rest->edge >= 0) {
        out->edge_part = task->frame->amps[rest->edge]->part;
        out->edge_section = task->frame->amps[rest->edge]->section;
        out->edge_v = rest->edge_v;
        out->edges = rest->edges;
    }
}

static cj_status predict_rest(const cj__task *task, bool *poor, cj_error *err)
{
    cj_bench *bench = task->bench;
    const cj__c *x = task->frame->rest;
    bench->rest.bare = task->want & CJ_BARE;
    cj_status status = cj__rest_find(&bench->change, &bench->rest, err);
    *poor = bench->rest.poor;
    if (status != CJ_OK || *poor)
        return status;
    report_rest(task);
    for (int c = 0; c < task->look->see_count; c++)
        task->out->dc_v[c] = creal(seen(&bench->change, x, task->look->see[c]));
    if (bench->board->steps[task->look->step].power_off)
        return resistances(task, err);
    return task->want & CJ_SPREAD ? spread_rest(task, &bench->rest.state, x, err) : CJ_OK;
}

/* Stepped through time. Where only a lifted output switches, it rests where the linear circuit
 * does, and what its edges bring through the joint is in tone and THD. */
static cj_status step_through_time(const cj__task *task, ends found, cj_error *err)
{
    cj_prediction *out = task->out;
    cj_complex tone[2] = {{0, 0}, {0, 0}};
    double dc_v[2] = {out->dc_v[0], out->dc_v[1]};
    cj_predicted_by by = out->by;
    if (!found.excess && out->points != 1)
        return CJ_OK;
    for (int c = 0; !found.excess && c < out->channels; c++)
        tone[c] = out->tone[c];
    cj_status status = cj__predict_stepped(task, err);
    if (status != CJ_OK || found.excess)
        return status;
    for (int c = 0; c < out->channels; c++) {
        out->dc_v[c] = dc_v[c];
        if (isnan(out->thd[c])) /* it has not settled */
            out->tone[c] = tone[c];
    }
    out->by = by;
    return CJ_OK;
}

static cj_status predict_ends(const cj__task *task, ends found, cj_error *err)
{
    if (!found.excess && !found.distortion)
        return CJ_OK;
    for (int c = 0; c < task->look->see_count; c++)
        task->out->thd[c] = NAN;
    if ((task->want & CJ_TRANSIENT) && !(found.hidden && !found.excess) &&
        cj__can_step(&task->bench->board->steps[task->look->step]))
        return step_through_time(task, found, err);
    if (found.excess)
        task->out->by = CJ_BY_EXCESS;
    return CJ_OK;
}

/* The linear circuit oscillates: nothing stands as it was computed. */
static cj_status find_poles(const cj__task *task, cj_error *err)
{
    cj_bench *bench = task->bench;
    cj__frame *frame = NULL;
    int unstable = 0;
    cj_status status =
        cj__own_frame(bench, &bench->board->steps[task->look->step], task->variant, &frame, err);
    if (status != CJ_OK)
        return status;
    status = cj__unstable_poles(frame, &unstable, err);
    if (status == CJ_OK && unstable > 0)
        task->out->by = CJ_BY_POLES;
    cj__frame_clear(frame);
    cj_free(frame);
    return status;
}

/* With the change that is there. *poor: not finished, wants a frame of its own. */
static cj_status predict_task(const cj__task *task, bool *poor, cj_error *err)
{
    cj_bench *bench = task->bench;
    size_t nodes = (size_t)task->frame->nodes + (size_t)bench->change.extras;
    if (!cj__vectors_reserve(bench, nodes))
        return cj_fail_memory(err);
    clear_prediction(task->out);
    cj_status status = predict_rest(task, poor, err);
    ends found = {false, false, false};
    for (int p = 0; status == CJ_OK && !*poor && p < task->look->points; p++)
        status = predict_point(task, p, poor, &found, err);
    if (status != CJ_OK || *poor)
        return status;
    return predict_ends(task, found, err);
}

/* In a frame of its own: everything factored anew. */
static cj_status predict_anew(cj__task *task, cj_error *err)
{
    cj_bench *bench = task->bench;
    bool poor = false;
    cj__frame *frame = NULL;
    cj_status status =
        cj__own_frame(bench, &bench->board->steps[task->look->step], task->variant, &frame, err);
    if (status != CJ_OK)
        return status;
    task->frame = frame, task->own = true;
    status = cj__change_make(&bench->change, frame, NULL, err);
    if (status == CJ_OK)
        status = predict_task(task, &poor, err);
    cj__frame_clear(frame);
    cj_free(frame);
    return status;
}

/* A short that takes a supply down: the same once more with that rail at 0 V. */
static cj_status predict_dead_rails(cj__task *task, cj_error *err);

static cj_status predict_variant(cj__task *task, bool again, cj_error *err)
{
    cj_bench *bench = task->bench;
    bool poor = false;
    cj_status status;
    if (!(task->want & CJ_EXACT)) {
        task->frame = bench->frames[task->look->frame], task->own = false;
        bool nothing = cj__parts_nothing(task->frame, bench->board, task->look, task->variant);
        status = cj__change_make(&bench->change, task->frame, nothing ? NULL : task->variant, err);
        if (status == CJ_OK)
            status = predict_task(task, &poor, err);
        cj__change_end(&bench->change);
        if (status != CJ_OK && status != CJ_DATA)
            return status;
        poor = poor || status == CJ_DATA;
    }
    if ((task->want & CJ_EXACT) || poor) {
        status = predict_anew(task, err);
        if (status != CJ_OK)
            return status;
    }
    bool dead =
        bench->rest.dead_rail[0] || bench->rest.dead_rail[1]; /* before the poles' own rest */
    if (task->want & CJ_POLES) {
        status = find_poles(task, err);
        if (status != CJ_OK)
            return status;
    }
    return dead && !again ? predict_dead_rails(task, err) : CJ_OK;
}

static cj_status predict_dead_rails(cj__task *task, cj_error *err)
{
    cj_bench *bench = task->bench;
    size_t count = task->variant ? task->variant->count : 0, before = count;
    bool dead[2] = {bench->rest.dead_rail[0], bench->rest.dead_rail[1]};
    while (bench->edit_capacity < count + 2)
        if (!cj_reserve((void **)&bench->edits, &bench->edit_capacity, count + 2, sizeof(cj_edit)))
            return cj_fail_memory(err);
    if (before)
        memcpy(bench->edits, task->variant->edits, before * sizeof(cj_edit));
    for (int r = 0; r < 2; r++)
        if (dead[r])
            bench->edits[count++] = (cj_edit){.kind = CJ_EDIT_RAIL, .pin = r ? -1 : 1, .a = 0};
    cj_variant more = {bench->edits, count};
    const cj_variant *kept = task->variant;
    task->variant = &more;
    cj_status status = predict_variant(task, true, err);
    task->variant = kept;
    return status;
}

cj_status cj_bench_predict(cj_bench *bench, size_t look, const cj_variant *variant, unsigned want,
                           cj_prediction *out, cj_error *err)
{
    if (look >= bench->look_count)
        return cj_fail(err, CJ_USAGE, "", 0, 0, "no such look");
    const cj__look *at = &bench->looks[look];
    if (out->points != at->points || out->channels != at->see_count)
        return cj_fail(err, CJ_USAGE, "", 0, 0, "a prediction that was made for another look");
    cj__task task = {.bench = bench, .look = at, .variant = variant, .want = want, .out = out};
    out->hz = at->hz;
    return predict_variant(&task, false, err);
}
