/* SPDX-License-Identifier: GPL-3.0-or-later */
/* transient.c - periods of a sine through a netlist from its DC point until they repeat, and what
 * the last one holds. */
#include <math.h>

#include "circuit/transient.h"

enum { STEPS_PER_PERIOD = 400, HARMONICS = 10 };

/* Instants lie half a step from where the source crosses zero: what an output that jumps then does
 * within a step is seen half before, half after. */
static double angle_at(int k, int steps)
{
    return 2 * M_PI * (k + 0.5) / steps;
}

static void run_free(cj__run *r)
{
    cj__stepper_free(r->stepper);
    cj_free(r->drive);
    cj_free(r->wave);
    cj_free(r->before);
}

static cj_status run_make(const cj__netlist *netlist, const cj__transient_setup *setup, cj__run *r,
                          cj_error *err)
{
    r->steps = setup->steps_per_period > 0 ? setup->steps_per_period : STEPS_PER_PERIOD;
    r->channels = setup->channels;
    cj_status status = cj__stepper_make(netlist, setup, r->steps, &r->stepper, err);
    if (status)
        return status;
    size_t samples = (size_t)r->steps * (size_t)r->channels;
    r->drive = cj_new((size_t)r->steps, sizeof(double));
    r->wave = cj_new(samples, sizeof(double));
    r->before = cj_new(samples, sizeof(double));
    if (!r->drive || !r->wave || !r->before)
        return cj_fail_memory(err);
    for (int k = 0; k < r->steps; k++)
        r->drive[k] = sin(angle_at(k, r->steps));
    for (int k = 0; k < r->steps && setup->square; k++)
        r->drive[k] = 2 * k < r->steps ? 1 : -1;
    return CJ_OK;
}

static void analyse(const cj__run *r, const double *wave, int channel, cj__transient_answer *out)
{
    double mean = 0, harmonics = 0, first = 0;
    for (int k = 0; k < r->steps; k++)
        mean += wave[k];
    mean /= r->steps;
    for (int h = 1; h <= HARMONICS; h++) {
        double in_phase = 0, ahead = 0;
        for (int k = 0; k < r->steps; k++) {
            double angle = h * angle_at(k, r->steps);
            in_phase += (wave[k] - mean) * sin(angle);
            ahead += (wave[k] - mean) * cos(angle);
        }
        in_phase *= 2.0 / r->steps;
        ahead *= 2.0 / r->steps;
        if (h == 1) {
            out->tone[channel] = (cj_complex){in_phase, ahead};
            first = hypot(in_phase, ahead);
        } else {
            harmonics += in_phase * in_phase + ahead * ahead;
        }
    }
    out->dc_v[channel] = mean;
    out->thd[channel] = first > 0 ? sqrt(harmonics) / first : NAN;
}

cj_status cj__transient(const cj__netlist *netlist, const cj__transient_setup *setup,
                        cj__transient_answer *out, cj_error *err)
{
    cj__run r = {0};
    if (!(setup->hz > 0) || !isfinite(setup->hz) || setup->channels < 1 || setup->channels > 2 ||
        (setup->steps_per_period > 0 && setup->steps_per_period <= 2 * HARMONICS))
        return cj_fail(err, CJ_BUG, "", 0, 0,
                       "a transient of no frequency, no channel or too few steps");
    cj_status status = run_make(netlist, setup, &r, err);
    if (status)
        goto out;
    bool settled = true;
    for (int k = 0; k < setup->periods; k++)
        cj__run_period(&r);
    if (setup->periods <= 0)
        status = cj__run_settled(&r, &settled, err);
    if (status)
        goto out;
    *out = (cj__transient_answer){.steps = r.stepper->steps,
                                  .refactors = r.stepper->refactors,
                                  .settled = settled,
                                  .unsettled_steps = r.stepper->unsettled};
    for (int c = 0; c < setup->channels; c++) {
        analyse(&r, r.wave + c * r.steps, c, out);
        if (!isfinite(out->dc_v[c]))
            status =
                cj_fail(err, CJ_DATA, "", 0, 0, "the circuit runs away in time: no finite voltage");
    }
out:
    run_free(&r);
    return status;
}
