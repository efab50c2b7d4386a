/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a good unit reads, and what the steps of a board can and cannot tell apart. */
#include <complex.h>
#include <math.h>
#include <string.h>

#include "diagnosis/study.h"

void cj_study_free(cj_study *study)
{
    if (study == NULL)
        return;
    cj_step_figures_free(study->steps, study->step_count);
    for (size_t g = 0; g < study->group_count; g++)
        cj__fault_group_clear(&study->groups[g]);
    cj_free(study->groups);
    cj__fault_group_clear(&study->unseen);
    cj_free(study->undecidable);
    cj_free(study);
}

void cj__fault_group_clear(cj_fault_group *group)
{
    for (size_t i = 0; i < group->count; i++)
        cj_fault_clear(&group->faults[i]);
    cj_free(group->faults);
    memset(group, 0, sizeof *group);
}

cj_status cj__fault_group_add(cj_fault_group *group, const cj__suspect *suspect, cj_error *err)
{
    int pins = suspect->both_pins ? 2 : 1;
    cj_fault *faults = cj_resize(group->faults, group->count + (size_t)pins, sizeof *faults);
    if (faults == NULL)
        return cj_fail_memory(err);
    group->faults = faults;
    for (int pin = 1; pin <= pins; pin++) {
        cj_fault *fault = &faults[group->count];
        if (!cj_fault_copy(fault, &suspect->fault))
            return cj_fail_memory(err);
        if (suspect->both_pins)
            fault->pin = pin;
        group->count++;
    }
    return CJ_OK;
}

/* ---- the scene: every step read once, with the instruments' uncertainties ---- */

/* An oscilloscope without an instruments file, as the contract has it; of its time base and range
 * nothing is known yet: 500 samples a period and eight bits over a range of twice the level are
 * taken. */
void cj__study_instruments(const cj_instruments *given, cj__study_errors *out)
{
    bool has = given != NULL;
    out->gain = has && isfinite(given->gain) ? given->gain : 0.02;
    out->match = has && isfinite(given->match) ? given->match : 0.01;
    out->skew_s = has ? given->skew_s : NAN;
    out->offset_v = has && isfinite(given->offset_v) ? given->offset_v : 0.008;
    out->thd_percent = has && isfinite(given->noise_v) ? 0.01 : 0.15;
}

double cj__study_phase(const cj__study_errors *errors, double hz)
{
    double skew = isfinite(errors->skew_s) ? errors->skew_s : 0.1 / (500 * fmax(hz, 1));
    return hypot(2 * M_PI * hz * skew, 0.002);
}

static cj_status add(cj__scene *scene, cj__feature_kind kind, size_t step, int channel,
                     cj_error *err)
{
    cj__feature feature = {.kind = kind, .step = step, .look = step, .channel = channel};
    return cj__scene_feature(scene, &feature, err);
}

static cj_status scene_step(cj__scene *scene, size_t step, cj_error *err)
{
    const cj_step *s = &scene->board->steps[step];
    cj_status status = CJ_OK;
    for (int c = 0; c < s->see_count && s->power_off && status == CJ_OK; c++)
        status = add(scene, CJ__F_RESISTANCE, step, c, err);
    if (s->power_off)
        return status;
    if (s->shape == CJ_TONE) {
        if (s->see_count == 2)
            status = add(scene, CJ__F_RATIO, step, 0, err);
        if (status == CJ_OK)
            status = add(scene, CJ__F_LEVEL, step, 0, err);
    }
    for (int c = 0; c < s->see_count && status == CJ_OK; c++)
        status = add(scene, CJ__F_DC, step, c, err);
    return status;
}

/* Errors of measuring about the means of a good unit. */
static void set_errors(cj__scene *scene, const cj__study_errors *errors, const double *mean)
{
    for (size_t f = 0; f < scene->count; f++) {
        cj__feature *feature = &scene->features[f];
        const double *at = mean + feature->row;
        double hz = scene->board->steps[feature->step].hz[0];
        memset(feature->var, 0, sizeof feature->var);
        if (feature->kind == CJ__F_RATIO) {
            double size = at[0] * at[0] + at[1] * at[1], turn = cj__study_phase(errors, hz);
            feature->var[0] = feature->var[2] =
                size * fmax(errors->match * errors->match, turn * turn) + 1e-8;
        } else if (feature->kind == CJ__F_RESISTANCE) {
            feature->var[0] = 0.03 * 0.03;
        } else {
            feature->var[0] = pow(errors->gain * at[0], 2) + pow(errors->offset_v, 2);
        }
        for (int r = 0; r < feature->rows; r++)
            feature->x[r] = at[r];
    }
}

cj_status cj__study_scene(const cj_board *board, cj_bench *bench, const cj__study_errors *errors,
                          cj__scene **out, cj_error *err)
{
    cj__scene *scene;
    cj__outlook *outlook = NULL;
    cj_status status = cj__scene_new(board, bench, &scene, err);
    if (status != CJ_OK)
        return status;
    for (size_t s = 0; s < board->step_count && status == CJ_OK; s++)
        status = scene_step(scene, s, err);
    if (status == CJ_OK)
        status = cj__scene_ready(scene, err);
    if (status == CJ_OK)
        status = cj__outlook_make(scene, &outlook, err);
    cj__manner healthy = {.weight = 1};
    if (status == CJ_OK)
        status = cj__outlook_fill(scene, &healthy, NAN, CJ_TRANSIENT, NULL, outlook, err);
    if (status == CJ_OK) {
        set_errors(scene, errors, outlook->mean);
        *out = scene;
    } else {
        cj__scene_free(scene);
    }
    cj__outlook_free(outlook);
    return status;
}

/* ---- healthy figures ---- */

static cj_status healthy_steps(cj_study *study, cj_bench *bench, cj_error *err)
{
    const cj_board *board = study->board;
    study->steps = cj_new(board->step_count + 1, sizeof *study->steps);
    if (study->steps == NULL)
        return cj_fail_memory(err);
    cj_status status = CJ_OK;
    for (size_t s = 0; s < board->step_count && status == CJ_OK; s++) {
        cj_step_figures *figures = &study->steps[study->step_count++];
        figures->step = s;
        status = cj__predict_step(board, bench, figures, err);
    }
    return status;
}

cj_status cj_study_healthy(const cj_board *board, cj_study **out, cj_error *err)
{
    cj_study *study = cj_new(1, sizeof *study);
    if (study == NULL)
        return cj_fail_memory(err);
    study->board = board;
    cj_bench *bench = NULL;
    cj_status status = cj__check_size(board, err);
    if (status == CJ_OK)
        status = cj_bench_make(board, &bench, err);
    if (status == CJ_OK)
        status = healthy_steps(study, bench, err);
    cj_bench_free(bench);
    if (status == CJ_OK)
        *out = study;
    else
        cj_study_free(study);
    return status;
}

cj_status cj_study_make(const cj_board *board, const cj_instruments *instruments, cj_study **out,
                        cj_error *err)
{
    cj_study *study = cj_new(1, sizeof *study);
    if (study == NULL)
        return cj_fail_memory(err);
    study->board = board;
    cj__study_errors errors;
    cj__study_instruments(instruments, &errors);
    cj_bench *bench = NULL;
    cj__scene *scene = NULL;
    cj__suspects *suspects = NULL;
    cj_status status = cj__check_size(board, err);
    if (status == CJ_OK)
        status = cj_bench_make(board, &bench, err);
    if (status == CJ_OK)
        status = healthy_steps(study, bench, err);
    if (status == CJ_OK)
        status = cj__study_scene(board, bench, &errors, &scene, err);
    if (status == CJ_OK)
        status = cj__suspects_make(board, &suspects, err);
    if (status == CJ_OK)
        status = cj__study_groups(study, scene, suspects, err);
    if (status == CJ_OK)
        status = cj__study_limits(study, scene, suspects, &errors, err);
    cj__suspects_free(suspects);
    cj__scene_free(scene);
    cj_bench_free(bench);
    if (status == CJ_OK)
        *out = study;
    else
        cj_study_free(study);
    return status;
}
