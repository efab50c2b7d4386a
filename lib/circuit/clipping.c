/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clipping.c - a look at a step that leaves the straight stretch: stepped through time from where
 * it rests. */
#include <math.h>

#include "circuit/internal.h"

/* Of that very step: a frame's own netlist may be another step's, with another jack driven. */
static cj_status netlist_of(const cj__task *task, const cj_step *step, cj__netlist *out,
                            cj_error *err)
{
    cj__emission emission = {.numbering = &task->bench->numbering};
    cj_status status = cj__emission_start(&emission, step, task->variant, err);
    if (status == CJ_OK && cj__netlist_fill(&emission, out, NULL) != CJ_OK)
        status = cj_fail_memory(err);
    cj__emission_clear(&emission);
    return status;
}

static void take(const cj__transient_answer *got, int point, int points, cj_prediction *out)
{
    for (int c = 0; c < out->channels; c++) {
        out->tone[point * out->channels + c] = got->tone[c];
        out->dc_v[c] = (point ? out->dc_v[c] : 0) + got->dc_v[c] / points;
        out->thd[c] = points == 1 && got->settled ? got->thd[c] : (double)NAN;
    }
}

bool cj__can_step(const cj_step *step)
{
    return step->shape == CJ_TONE || step->shape == CJ_SQUARE || step->shape == CJ_STEPPED ||
           step->shape == CJ_SWEEP;
}

/* Dense in the sections: each step solves, each refactoring eliminates. */
static void count_work(cj_bench *bench, const cj__transient_answer *got)
{
    double amps = (double)bench->numbering.amp_count;
    bench->change.system.work +=
        (double)got->steps * amps * amps + (double)got->refactors * amps * amps * amps / 3;
}

cj_status cj__predict_stepped(const cj__task *task, cj_error *err)
{
    const cj__look *look = task->look;
    const cj_step *step = &task->bench->board->steps[look->step];
    cj__netlist netlist = {0};
    cj_status status = netlist_of(task, step, &netlist, err);
    for (int p = 0; status == CJ_OK && p < look->points; p++) {
        cj__transient_answer got;
        cj__transient_setup setup = {.hz = look->hz[p],
                                     .peak_v = look->peak[p],
                                     .modes = task->bench->rest.state.mode,
                                     .channels = look->see_count};
        if (step->shape == CJ_SQUARE)
            setup.square = true, setup.peak_v = step->peak[0];
        for (int c = 0; c < look->see_count; c++) {
            setup.see[c] = look->see[c].net - 1;
            setup.against[c] = look->see[c].against - 1;
        }
        status = cj__transient(&netlist, &setup, &got, err);
        if (status == CJ_OK)
            count_work(task->bench, &got);
        if (status == CJ_OK)
            take(&got, p, look->points, task->out);
    }
    if (status == CJ_OK)
        task->out->by = CJ_BY_TRANSIENT;
    cj__netlist_clear(&netlist);
    return status;
}
