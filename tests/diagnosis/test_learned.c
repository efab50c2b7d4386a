/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What captures tell of further readings; and what nothing tells of. */
#include "check.h"

#include "board_tests.h"
#include "diagnosis/learned.h"

#define NOISE 1e-3 /* of a ratio */

static void ratio_of(cj__scene *scene, const cj_board *board, const char *step, double re,
                     double im)
{
    cj_error err;
    size_t index = (size_t)cj_board_step(board, step);
    cj__feature feature = {.kind = CJ__F_RATIO, .step = index, .look = index, .x = {re, im}};
    feature.var[0] = feature.var[2] = NOISE * NOISE;
    if (cj__scene_feature(scene, &feature, &err) != CJ_OK)
        fail_msg("%s", err.message);
}

struct job {
    cj_board *board;
    cj_bench *bench;
    cj__suspects *suspects; /* the healthy board alone */
};

static void job_make(struct job *job)
{
    cj_error err;
    job->board = board_fixture("hall-mixer");
    if (cj_bench_make(job->board, &job->bench, &err) != CJ_OK ||
        cj__suspects_new(&job->suspects, &err) != CJ_OK)
        fail_msg("%s", err.message);
}

static void job_free(struct job *job)
{
    cj__suspects_free(job->suspects);
    cj_bench_free(job->bench);
    cj_board_free(job->board);
}

/* Mean and standard deviation of a step's ratio (real part), before and after another (or the same)
 * was read 3 % above nominal. */
static void expected(struct job *job, const char *read, const char *step, double mean[2],
                     double u[2])
{
    cj_error err;
    cj__scene *seen = NULL, *next = NULL;
    cj__ranking *ranking = NULL;
    cj__learned *learned = NULL;
    cj__outlook *outlook = NULL;
    cj__normal *normal = NULL;
    const cj__manner *good = &job->suspects->items[0].manners[0];
    if (cj__scene_new(job->board, job->bench, &seen, &err) != CJ_OK ||
        cj__scene_new(job->board, job->bench, &next, &err) != CJ_OK)
        fail_msg("%s", err.message);
    ratio_of(seen, job->board, read, 1.03, -0.0295);
    ratio_of(next, job->board, step, 0, 0);
    if (cj__scene_ready(seen, &err) != CJ_OK || cj__scene_ready(next, &err) != CJ_OK ||
        cj__rank(seen, job->suspects, 1, &ranking, &err) != CJ_OK ||
        cj__learned_make(ranking, good, &learned, &err) != CJ_OK ||
        cj__outlook_make(next, &outlook, &err) != CJ_OK ||
        cj__normal_make(next->rows, &normal, &err) != CJ_OK ||
        cj__outlook_fill(next, good, NAN, CJ_SPREAD, NULL, outlook, &err) != CJ_OK ||
        cj__normal_fill(next, outlook, normal, &err) != CJ_OK)
        fail_msg("%s", err.message);
    mean[0] = outlook->mean[0];
    u[0] = sqrt(cj__normal_variance(normal, 0));
    if (cj__learned_apply(learned, next, outlook, normal, &err) != CJ_OK)
        fail_msg("%s", err.message);
    mean[1] = outlook->mean[0];
    u[1] = sqrt(cj__normal_variance(normal, 0));
    cj__normal_free(normal);
    cj__outlook_free(outlook);
    cj__learned_free(learned);
    cj__ranking_free(ranking);
    cj__scene_free(next);
    cj__scene_free(seen);
}

void what_was_read_is_known_again(void **state)
{
    (void)state;
    struct job job;
    double mean[2], u[2];
    job_make(&job);
    /* the same once more: two readings' noise, and the deviation that was found */
    expected(&job, "in1-left", "in1-left", mean, u);
    assert_true(u[0] > 8 * NOISE);
    check_close("spread", u[1], NOISE * M_SQRT2, 0.05 * NOISE);
    check_close("mean", mean[1], 1.03, 2 * NOISE);
    /* another input shares the summing section, not its own resistor */
    expected(&job, "in1-left", "in2-left", mean, u);
    assert_true(u[1] < 0.95 * u[0] && u[1] > 2 * NOISE);
    assert_true(mean[1] > mean[0] + 0.004 && mean[1] < 1.03 - 0.004);
    /* the other bus has nothing in common with it but what all op-amps of a kind have */
    expected(&job, "in1-left", "in2-right", mean, u);
    check_close("other bus", mean[1], mean[0], 0.1 * u[0]);
    job_free(&job);
}
