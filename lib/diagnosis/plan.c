/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The bench sheet: the steps in order, each with its file and with what a good unit reads. */
#include "coldjoint/diagnosis.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* What a step cannot play is said on the sheet; the rest of it stands. */
static void plan_step(const cj_board *board, const cj_plan_options *options, cj_plan_item *item)
{
    const cj_step *step = &board->steps[item->step];
    const char *ending = options->ending != NULL ? options->ending : ".wav";
    cj_error why = {0};
    if (step->drive < 0)
        return;
    if (cj_step_stimulus(step, options->rate_hz, &item->stimulus, &why) != CJ_OK) {
        snprintf(item->why, sizeof item->why, "%.255s", why.message);
        return;
    }
    item->plays = true;
    snprintf(item->file, sizeof item->file, "play-%s%.8s", step->name, ending);
}

/* The lowest of 1, 2, 5, 10, ... volts that holds the highest peak with a dB to spare, for players
 * that resample. */
static double round_up(double highest)
{
    double peak = 1.122 * highest;
    double decade = pow(10, floor(log10(peak)));
    static const double steps[] = {1, 2, 5};
    for (size_t i = 0; i < 3; i++)
        if (peak <= steps[i] * decade * (1 + 1e-9))
            return steps[i] * decade;
    return 10 * decade;
}

static cj_status set_full_scale(cj_plan *plan, double given, cj_error *err)
{
    double most = 0;
    for (size_t i = 0; i < plan->count; i++) {
        const cj_plan_item *item = &plan->items[i];
        double peak = item->plays ? cj_stimulus_peak(&item->stimulus) : 0;
        if (given > 0 && peak > given * (1 + 1e-9))
            return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                           "step '%s' peaks at %.4g V, but the player's full scale is %.4g V; more "
                           "volts at full scale, or a lower level in the board file",
                           plan->board->steps[item->step].name, peak, given);
        most = fmax(most, peak);
        /* a meter is right on a tone of some hundred hertz, and the strongest one is read best */
        bool tone = item->plays && item->stimulus.signal == CJ_SIG_SINE &&
                    item->stimulus.hz[0] >= 40 && item->stimulus.hz[0] <= 2000;
        if (tone && (plan->setter == NULL || plan->setter->stimulus.peak[0] < peak))
            plan->setter = item;
    }
    plan->full_scale_given = given > 0;
    if (most > 0)
        plan->full_scale_v = given > 0 ? given : round_up(most);
    return CJ_OK;
}

cj_status cj_plan_make(const cj_board *board, const cj_plan_options *options, cj_plan **out,
                       cj_error *err)
{
    static const cj_plan_options usual = {0};
    if (options == NULL)
        options = &usual;
    cj_plan *plan = cj_new(1, sizeof *plan);
    size_t *order = cj_new(board->step_count + 1, sizeof *order);
    cj_status status = plan && order ? CJ_OK : cj_fail_memory(err);
    if (status == CJ_OK) {
        plan->board = board;
        plan->items = cj_new(board->step_count + 1, sizeof *plan->items);
        status = plan->items ? cj_board_order(board, order, err) : cj_fail_memory(err);
    }
    if (status == CJ_OK)
        status = cj_study_healthy(board, &plan->healthy, err);
    for (size_t i = 0; status == CJ_OK && i < board->step_count; i++) {
        plan->items[plan->count].step = order[i];
        plan_step(board, options, &plan->items[plan->count++]);
    }
    if (status == CJ_OK)
        status = set_full_scale(plan, options->full_scale_v, err);
    cj_free(order);
    if (status == CJ_OK)
        *out = plan;
    else
        cj_plan_free(plan);
    return status;
}

void cj_plan_free(cj_plan *plan)
{
    if (plan == NULL)
        return;
    cj_study_free(plan->healthy);
    cj_free(plan->items);
    cj_free(plan);
}
