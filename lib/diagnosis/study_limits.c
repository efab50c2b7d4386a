/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Faults that would pass every limit, and limits that the instruments cannot decide. */
#include <complex.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "diagnosis/study.h"

#define PER_DB (20 / M_LN10)

struct judging {
    cj_study *study;
    const cj__scene *scene;
    const cj__suspects *suspects;
    const cj__study_errors *errors;
    cj__outlook *outlook;
    cj__normal *good; /* of a good unit, measuring included */
    double *healthy;  /* [rows] */
};

static bool same_view(cj_view a, cj_view b)
{
    return a.net == b.net && a.against == b.against;
}

/* The figure of a limit in one step, out of the means; NaN where the step does not show it. */
static double figure_of(const cj__scene *scene, const double *mean, size_t step,
                        const cj_limit *limit)
{
    const cj_step *s = &scene->board->steps[step];
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        const double *at = mean + feature->row;
        if (feature->step != step)
            continue;
        if (feature->kind == CJ__F_RATIO && limit->of.net == CJ_NO_NET) {
            if (strcmp(limit->figure, "gain_db") == 0)
                return PER_DB * log(fmax(hypot(at[0], at[1]), 1e-6));
            if (strcmp(limit->figure, "gain") == 0)
                return hypot(at[0], at[1]);
            if (strcmp(limit->figure, "phase_deg") == 0)
                return atan2(at[1], at[0]) * 180 / M_PI;
        }
        if (limit->of.net == CJ_NO_NET || !same_view(limit->of, s->see[feature->channel]))
            continue;
        if ((feature->kind == CJ__F_DC && strcmp(limit->figure, "dc_v") == 0) ||
            (feature->kind == CJ__F_LEVEL && strcmp(limit->figure, "tone_peak_v") == 0))
            return at[0];
    }
    return NAN;
}

static bool within(const cj_limit *limit, double value)
{
    if (strcmp(limit->figure, "phase_deg") == 0 && isfinite(limit->min) && isfinite(limit->max)) {
        double middle = (limit->min + limit->max) / 2;
        return fabs(remainder(value - middle, 360)) <= (limit->max - limit->min) / 2;
    }
    return value >= limit->min && value <= limit->max;
}

static bool passes_explicit(const struct judging *judging, const cj_limit *limit)
{
    const cj_board *board = judging->scene->board;
    for (size_t s = 0; s < board->step_count; s++) {
        if (strcmp(limit->step, "*") != 0 && strcmp(limit->step, board->steps[s].name) != 0)
            continue;
        double value = figure_of(judging->scene, judging->outlook->mean, s, limit);
        if (isfinite(value) && !within(limit, value))
            return false;
        if (strcmp(limit->figure, "thd_percent") == 0 && judging->outlook->steps_in_time)
            return false; /* driven into its rails: far beyond any limit of distortion */
    }
    return true;
}

/* Each row within so many standard deviations of a good unit (levels say nothing of the board). */
static bool passes_tolerance(const struct judging *judging, double sigmas)
{
    for (size_t f = 0; f < judging->scene->count; f++) {
        const cj__feature *feature = &judging->scene->features[f];
        if (feature->kind == CJ__F_LEVEL)
            continue;
        for (int r = 0; r < feature->rows; r++) {
            int row = feature->row + r;
            double variance = cj__normal_variance(judging->good, row);
            if (fabs(judging->outlook->mean[row] - judging->healthy[row]) > sigmas * sqrt(variance))
                return false;
        }
    }
    return true;
}

static bool passes(const struct judging *judging)
{
    const cj_board *board = judging->scene->board;
    bool any = false;
    for (size_t l = 0; l < board->limit_count; l++) {
        const cj_limit *limit = &board->limits[l];
        any = true;
        if (limit->from_tolerance ? !passes_tolerance(judging, limit->sigmas)
                                  : !passes_explicit(judging, limit))
            return false;
    }
    return any || passes_tolerance(judging, 3); /* without limits: what a good unit could read */
}

/* A wrong value slips through only where a slipped decade either way does. */
static cj_status slips_through(struct judging *judging, const cj__suspect *suspect, bool *unseen,
                               cj_error *err)
{
    static const double factors[] = {10, 0.1};
    *unseen = true;
    for (int i = 0; i < (suspect->fault.kind == CJ_FAULT_WRONG_VALUE ? 2 : 1) && *unseen; i++) {
        double value;
        const cj__manner *manner = cj__study_manner(suspect, factors[i], &value);
        cj_status status = cj__outlook_fill(judging->scene, manner, value, CJ_TRANSIENT, NULL,
                                            judging->outlook, err);
        if (status != CJ_OK)
            return status;
        *unseen = passes(judging);
    }
    return CJ_OK;
}

static cj_status find_unseen(struct judging *judging, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = 1; i < judging->suspects->count && status == CJ_OK; i++) {
        bool unseen;
        if (judging->study->too_large)
            break;
        status = slips_through(judging, &judging->suspects->items[i], &unseen, err);
        if (status == CJ_OK && unseen)
            status =
                cj__fault_group_add(&judging->study->unseen, &judging->suspects->items[i], err);
    }
    return status;
}

/* Standard uncertainty of that figure with these instruments; 0: not known. */
static double instrument_u(const struct judging *judging, const cj_limit *limit)
{
    const cj_board *board = judging->scene->board;
    const cj__study_errors *errors = judging->errors;
    double hz = 1000, level = 1;
    for (size_t s = 0; s < board->step_count; s++) {
        if (strcmp(limit->step, "*") != 0 && strcmp(limit->step, board->steps[s].name) != 0)
            continue;
        hz = board->steps[s].hz[0];
        double value = figure_of(judging->scene, judging->healthy, s, limit);
        level = isfinite(value) ? fabs(value) : level;
    }
    if (strcmp(limit->figure, "gain_db") == 0)
        return PER_DB * errors->match;
    if (strcmp(limit->figure, "gain") == 0)
        return errors->match * level;
    if (strcmp(limit->figure, "phase_deg") == 0)
        return cj__study_phase(errors, hz) * 180 / M_PI;
    if (strcmp(limit->figure, "dc_v") == 0)
        return hypot(errors->offset_v, errors->gain * level);
    if (strcmp(limit->figure, "tone_peak_v") == 0 || strcmp(limit->figure, "rms_v") == 0)
        return errors->gain * level;
    return strcmp(limit->figure, "thd_percent") == 0 ? errors->thd_percent : 0;
}

/* A limit that even a reading in its middle could not pass: the expanded uncertainty (k = 2) fills
 * it. */
static cj_status find_undecidable(struct judging *judging, cj_error *err)
{
    const cj_board *board = judging->scene->board;
    cj_study *study = judging->study;
    study->undecidable = cj_new(board->limit_count + 1, sizeof *study->undecidable);
    if (study->undecidable == NULL)
        return cj_fail_memory(err);
    for (size_t l = 0; l < board->limit_count; l++) {
        const cj_limit *limit = &board->limits[l];
        if (limit->from_tolerance)
            continue;
        double u = instrument_u(judging, limit), room = (limit->max - limit->min) / 2;
        bool positive = strstr(limit->figure, "thd") != NULL;
        if (positive && !isfinite(limit->min))
            room = limit->max;
        if (u > 0 && isfinite(room) && 2 * u > room)
            study->undecidable[study->undecidable_count++] = l;
    }
    return CJ_OK;
}

cj_status cj__study_limits(cj_study *study, const cj__scene *scene, const cj__suspects *suspects,
                           const cj__study_errors *errors, cj_error *err)
{
    struct judging judging = {
        .study = study, .scene = scene, .suspects = suspects, .errors = errors};
    cj__manner healthy = {.weight = 1};
    judging.healthy = cj_new((size_t)scene->rows + 1, sizeof *judging.healthy);
    cj_status status = judging.healthy == NULL ? cj_fail_memory(err) : CJ_OK;
    if (status == CJ_OK)
        status = cj__outlook_make(scene, &judging.outlook, err);
    if (status == CJ_OK)
        status = cj__normal_make(scene->rows, &judging.good, err);
    if (status == CJ_OK)
        status = cj__outlook_fill(scene, &healthy, NAN, CJ_SPREAD | CJ_TRANSIENT, NULL,
                                  judging.outlook, err);
    if (status == CJ_OK)
        status = cj__normal_fill(scene, judging.outlook, judging.good, err);
    if (status == CJ_OK) {
        memcpy(judging.healthy, judging.outlook->mean,
               (size_t)scene->rows * sizeof *judging.healthy);
        status = find_unseen(&judging, err);
    }
    if (status == CJ_OK)
        status = find_undecidable(&judging, err);
    cj_free(judging.healthy);
    cj__outlook_free(judging.outlook);
    cj__normal_free(judging.good);
    return status;
}
