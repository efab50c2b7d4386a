/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Tolerances where the readings put them.
 *
 * Every suspect is held against what was seen with a linear law about the nominal values of the
 * good parts. Where parts of five and ten per cent matter, that is off by as much as close suspects
 * differ. So the closest ones are solved again, their parts moved to the middle of what the
 * readings say of them, and the law is linear about there (Laplace's approximation about the most
 * probable values, found by Gauss and Newton's method; from memory).
 */
#include <math.h>
#include <string.h>

#include "diagnosis/rank.h"

/* All of these are judged. */
#define CLOSE 8.0    /* nats behind the best */
#define STRAIGHT 0.1 /* of a sigma: so far a part may move and nothing is solved again */
#define SAME 0.5     /* nats: what searching anew may change */
#define FARTHEST 1.8 /* sigmas: sqrt 3 is the end of a uniform tolerance */

#define ALIKE 0.05 /* standard deviations: what reads the same is off in the same way */

/* Of more than MOST close ones none is settled: they must be compared on one footing. */
enum { MOST = 64, ROUNDS = 3, EDITS_MOST = 150 };

/* How far each value is off, in its sigmas: the mean of the normal law given what was seen. */
static cj_status where(const cj__ranking *ranking, double *at, double *moved, cj_error *err)
{
    const cj__outlook *outlook = ranking->outlook;
    const cj_parameter *parameters = cj_bench_parameters(ranking->scene->bench);
    size_t count = cj_bench_parameter_count(ranking->scene->bench), rows = (size_t)outlook->rows;
    double *column = cj_new(rows + 1, sizeof *column);
    if (column == NULL)
        return cj_fail_memory(err);
    *moved = 0;
    for (size_t p = 0; p < count; p++) {
        double sum = 0, most = 0;
        for (size_t r = 0; r < rows; r++) {
            column[r] = outlook->by[r * (size_t)outlook->columns + p];
            most = fmax(most, fabs(column[r]));
        }
        if (parameters[p].kind != CJ_P_VALUE || most == 0)
            continue;
        cj__forward(ranking->normal->factor, (int)rows, column);
        for (size_t r = 0; r < rows; r++)
            sum += column[r] * ranking->normal->white[r];
        sum = fmin(fmax(sum, -FARTHEST), FARTHEST);
        *moved = fmax(*moved, fabs(sum - at[p]));
        at[p] = sum;
    }
    cj_free(column);
    return CJ_OK;
}

/* The manner with its good parts moved; false: too many edits. */
static bool move(const cj__ranking *ranking, const cj__manner *manner, const double *at,
                 cj_edit *edits, cj__manner *out)
{
    const cj_board *board = ranking->scene->board;
    const cj_parameter *parameters = cj_bench_parameters(ranking->scene->bench);
    size_t count = cj_bench_parameter_count(ranking->scene->bench), n = manner->edit_count;
    memcpy(edits, manner->edits, n * sizeof *edits);
    for (size_t p = 0; p < count; p++) {
        if (parameters[p].kind != CJ_P_VALUE || at[p] == 0)
            continue;
        if (n == EDITS_MOST)
            return false;
        double value = board->parts[parameters[p].part].value;
        for (size_t i = 0; i < manner->edit_count; i++)
            if (edits[i].kind == CJ_EDIT_VALUE && edits[i].part == parameters[p].part)
                value = edits[i].a;
        edits[n++] = (cj_edit){.kind = CJ_EDIT_VALUE,
                               .part = parameters[p].part,
                               .a = value * exp(at[p] * parameters[p].sigma)};
    }
    *out = *manner;
    out->edits = edits;
    out->edit_count = n;
    out->settled = n - manner->edit_count;
    out->settled_at = at;
    return true;
}

static cj_status judge(cj__ranking *ranking, const cj__manner *manner, double *density,
                       double *robust, cj_error *err)
{
    cj_status status = cj__trial_fill(ranking, manner, NAN, CJ_SPREAD, err);
    if (status == CJ_OK)
        status = cj__normal_fill(ranking->scene, ranking->outlook, ranking->normal, err);
    if (status != CJ_OK)
        return status;
    double distance = cj__normal_distance(ranking->scene, ranking->outlook, ranking->normal),
           distortion = cj__distortion_log(ranking->scene, ranking->outlook);
    *density = cj__normal_log(ranking->normal, distance) + distortion;
    *robust = cj__normal_log_outliers(ranking->normal) + distortion;
    return CJ_OK;
}

static void gain(cj__trial *trial, double density, double robust)
{
    trial->settled_gain = density;
    trial->settled_robust = robust;
    trial->density += density;
    trial->log += density;
    trial->robust += robust;
}

/* The means at another value of the searched quantity, the good parts where they were moved. */
static cj_status mean_at(cj__ranking *ranking, const cj__trial *trial, double value,
                         const double *at, double *mean, cj_error *err)
{
    cj_edit edits[CJ__TRIAL_EDITS], all[EDITS_MOST];
    cj__manner manner, moved;
    cj__trial there = *trial;
    there.free_value = value;
    if (!cj__trial_fixed(ranking, &there, edits, &manner) ||
        !move(ranking, &manner, at, all, &moved))
        return cj_fail(err, CJ_BUG, "", 0, 0, "too many edits at once");
    cj_status status = cj__trial_fill(ranking, &moved, NAN, CJ_BARE, err);
    if (status == CJ_OK)
        memcpy(mean, ranking->outlook->mean, (size_t)ranking->scene->rows * sizeof *mean);
    return status;
}

#define VALUE_STEP 0.01 /* ln */
#define VALUE_MOST 0.2  /* so far a value may move; judged */

/* The searched quantity where it explains best beside the parts that were moved, and its interval.
 * The trial stands judged there in ranking->normal. */
static cj_status refit(cj__ranking *ranking, cj__trial *trial, const double *at, cj_error *err)
{
    const cj__manner *manner = &ranking->suspects->items[trial->suspect].manners[trial->manner];
    size_t rows = (size_t)ranking->scene->rows;
    double *slope = cj_new(2 * rows + 1, sizeof *slope), along = 0, size = 0;
    if (slope == NULL)
        return cj_fail_memory(err);
    cj_status status = mean_at(ranking, trial, trial->free_value * exp(VALUE_STEP), at, slope, err);
    if (status == CJ_OK)
        status =
            mean_at(ranking, trial, trial->free_value * exp(-VALUE_STEP), at, slope + rows, err);
    for (size_t r = 0; r < rows && status == CJ_OK; r++)
        slope[r] = (slope[r] - slope[rows + r]) / (2 * VALUE_STEP);
    if (status == CJ_OK)
        cj__forward(ranking->normal->factor, (int)rows, slope);
    for (size_t r = 0; r < rows; r++) {
        along += slope[r] * ranking->normal->white[r];
        size += slope[r] * slope[r];
    }
    cj_free(slope);
    if (status != CJ_OK || !(size > 0))
        return status;
    double t = log(trial->free_value) + fmin(fmax(along / size, -VALUE_MOST), VALUE_MOST);
    trial->free_value = fmin(fmax(exp(t), manner->low), manner->high);
    trial->low = fmax(trial->free_value * exp(-1.645 / sqrt(size)), manner->low);
    trial->high = fmin(trial->free_value * exp(1.645 / sqrt(size)), manner->high);
    return CJ_OK;
}

/* alone: nothing is to be compared with it; only its value is looked for again. */
static cj_status settle(cj__ranking *ranking, cj__trial *trial, bool alone, double *at,
                        cj_error *err)
{
    cj_edit edits[CJ__TRIAL_EDITS], all[EDITS_MOST];
    cj__manner manner, moved;
    double density, robust, density_now, robust_now, farthest = 0;
    trial->settled = true;
    if (!cj__trial_fixed(ranking, trial, edits, &manner) || manner.edit_count > EDITS_MOST)
        return CJ_OK;
    for (size_t i = 0; i < ranking->scene->look_count; i++)
        ranking->active[i] = true;
    cj_status status = judge(ranking, &manner, &density, &robust, err);
    /* one way of several (a level moved, a rail found): its density is not that of the plain law */
    bool plain = fabs(density - trial->density) < SAME && !ranking->outlook->residue &&
                 !ranking->outlook->excess && !ranking->outlook->steps_in_time;
    if (status != CJ_OK || !plain)
        return status;
    density_now = density;
    robust_now = robust;
    memset(at, 0, cj_bench_parameter_count(ranking->scene->bench) * sizeof *at);
    for (int i = 0; i < ROUNDS; i++) {
        status = where(ranking, at, &farthest, err);
        if (status != CJ_OK || farthest < STRAIGHT || !move(ranking, &manner, at, all, &moved))
            break;
        status = judge(ranking, &moved, &density_now, &robust_now, err);
        if (status != CJ_OK || ranking->outlook->excess || ranking->outlook->steps_in_time)
            return status;
    }
    if (!alone)
        gain(trial, density_now - density, robust_now - robust);
    const cj__manner *of = &ranking->suspects->items[trial->suspect].manners[trial->manner];
    if (status == CJ_OK && of->prior != CJ__FIXED && density_now > density - SAME)
        status = refit(ranking, trial, at, err);
    return status;
}

/* One that was settled already and reads the same; NULL: none. */
static const cj__trial *twin(const cj__ranking *ranking, const size_t *close, size_t count,
                             const cj__trial *of)
{
    for (size_t i = 0; i < count; i++) {
        const cj__trial *trial = &ranking->trials[ranking->best[close[i]]];
        if (trial != of && trial->settled &&
            cj__apart(ranking->good, trial->mean, of->mean) < ALIKE)
            return trial;
    }
    return NULL;
}

cj_status cj__settle(cj__ranking *ranking, cj_error *err)
{
    size_t count = ranking->suspects->count, close[MOST + 1], n = 0;
    double best = -INFINITY;
    for (size_t i = 0; i < count; i++)
        best = fmax(best, ranking->log[i]);
    for (size_t i = 0; i < count && n <= MOST; i++) {
        const cj__trial *trial = &ranking->trials[ranking->best[i]];
        if (ranking->log[i] > best - CLOSE && trial->suspect == i && trial->split == 0 &&
            !trial->edge_over && !trial->rough && !trial->in_time && trial->residue == CJ__LOUD)
            close[n++] = i;
    }
    if (n < 1 || n > MOST)
        return CJ_OK;
    double *at = cj_new(cj_bench_parameter_count(ranking->scene->bench) + 1, sizeof *at);
    cj_status status = at != NULL ? CJ_OK : cj_fail_memory(err);
    for (size_t i = 0; i < n && status == CJ_OK; i++) {
        cj__trial *trial = &ranking->trials[ranking->best[close[i]]];
        if (trial->settled)
            continue;
        const cj__trial *same = twin(ranking, close, n, trial);
        if (same != NULL) {
            gain(trial, same->settled_gain, same->settled_robust);
            trial->settled = true;
        } else {
            status = settle(ranking, trial, n == 1, at, err);
        }
    }
    cj_free(at);
    return status;
}
