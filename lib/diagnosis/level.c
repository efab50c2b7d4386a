/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Whether the generator's level stayed put.
 *
 * Its level is uncertain by 10 % (LEVEL_SIGMA), and as a rule it is set once: where the steps say
 * so themselves, those of one nominal level have that error in common, and what one of them shows
 * less than the others is what the board takes off the source (the source's resistance is known).
 * How large the error is, is left to each suspect: one that loads the source in every step may have
 * a generator that stands higher. A hand may still have been at the knob while one input was
 * driven: cj__level_moved. The sizes below are judged.
 */
#include <math.h>
#include <stdlib.h>

#include "diagnosis/look.h"

#define AGREE 0.004  /* of each other, two thirds of the steps */
#define LEAST 0.0005 /* a source and an input repeat no better */
/* So many of its standard deviations from the others, a level is thought to have been moved. */
#define FARTHER 4

#define LOADED 0.2 /* of the drive: what pulls it down further is no question of the knob */

enum { FEWEST = 3 };

/* What few levels say of how well they repeat is granted so much more: 0.1 % for three. */
#define FEW 3.0
#define FEW_APART 0.001

double cj__look_drive(const cj__scene *scene, size_t look)
{
    cj_step_point drive[CJ_STEP_POINTS];
    int points = cj_step_points(&scene->board->steps[scene->look_steps[look]], drive);
    return points > 0 ? drive[0].peak : 0;
}

bool cj__look_source(const cj__scene *scene, size_t look, int channel)
{
    const cj_board *board = scene->board;
    const cj_step *step = &board->steps[scene->look_steps[look]];
    bool plain = scene->looks[look] < board->step_count && step->drive >= 0;
    return plain && step->see[channel].against == CJ_GND &&
           step->see[channel].net == board->inputs[step->drive].net;
}

static size_t look_of(const cj__scene *scene, const cj__feature *feature)
{
    size_t at = 0;
    while (at + 1 < scene->look_count && scene->looks[at] != feature->look)
        at++;
    return at;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Levels at the driven net over those of a good unit, sorted, of the steps of one drive; how many.
 */
static cj_status collect(const cj__scene *scene, double drive, double *level, size_t *count,
                         cj_error *err)
{
    *count = 0;
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        size_t look = look_of(scene, feature);
        if (feature->kind != CJ__F_LEVEL || !cj__look_source(scene, look, feature->channel) ||
            cj__look_drive(scene, look) != drive || !(feature->x[0] > 0))
            continue;
        const cj_variant good = {NULL, 0};
        cj_prediction *seen = scene->work[look];
        cj_status status = cj_bench_predict(scene->bench, feature->look, &good, CJ_BARE, seen, err);
        if (status != CJ_OK)
            return status;
        cj_complex tone = seen->tone[feature->point * seen->channels + feature->channel];
        if (hypot(tone.re, tone.im) > 0)
            level[(*count)++] = feature->x[0] / hypot(tone.re, tone.im);
    }
    qsort(level, *count, sizeof *level, by_size);
    return CJ_OK;
}

/* The middle of the levels and how far apart most of them are: from the median of their distances
 * (a normal's sigma is 1.4826 times that, one over its quantile of 3/4), for a fault may move a
 * few; false: they do not agree. */
static bool agree(const double *level, double *off, size_t count, double *apart)
{
    if (count < FEWEST)
        return false;
    size_t alike = 0;
    for (size_t i = 0; i < count; i++) {
        off[i] = fabs(level[i] / level[count / 2] - 1);
        alike += off[i] <= AGREE;
    }
    qsort(off, count, sizeof *off, by_size);
    double few = FEW / (double)count; /* of few it is no good measure */
    *apart = fmax(LEAST, 1.4826 * (1 + few) * off[count / 2]) + FEW_APART * few * few;
    return 3 * alike >= 2 * count;
}

/* A level far from nominal that not all steps have: the board loads the source in those. */
static bool loaded(const double *level, size_t count)
{
    size_t usual = 0;
    for (size_t i = 0; i < count; i++)
        usual += fabs(level[i] - 1) < 2 * LEVEL_SIGMA;
    return fabs(level[count / 2] - 1) > 4 * LEVEL_SIGMA && usual > 0;
}

/* The input's own error is the same in all steps too, so what is left of it is how well it repeats.
 */
static void repeat(cj__scene *scene, double drive)
{
    for (size_t f = 0; f < scene->count; f++) {
        cj__feature *feature = &scene->features[f];
        size_t look = look_of(scene, feature);
        if (feature->kind == CJ__F_LEVEL && cj__look_source(scene, look, feature->channel) &&
            cj__look_drive(scene, look) == drive)
            feature->var[0] = fmin(feature->var[0], pow(LEAST * fmax(feature->x[0], drive), 2));
    }
}

cj_status cj__scene_levels(cj__scene *scene, cj_error *err)
{
    double *level = cj_new(2 * scene->count + 2, sizeof *level),
           *off = level != NULL ? level + scene->count + 1 : NULL;
    scene->level = cj_new(scene->look_count + 1, sizeof *scene->level);
    if (level == NULL || scene->level == NULL) {
        cj_free(level);
        return cj_fail_memory(err);
    }
    for (size_t i = 0; i < scene->look_count; i++)
        scene->level[i] = (cj__level){.gain = 1, .own = LEVEL_SIGMA};
    cj_status status = CJ_OK;
    for (size_t i = 0; i < scene->look_count && status == CJ_OK && !scene->together; i++) {
        double drive = cj__look_drive(scene, i), apart;
        size_t count = 0;
        if (drive > 0)
            status = collect(scene, drive, level, &count, err);
        /* the first nominal level that has enough steps */
        if (status != CJ_OK || !agree(level, off, count, &apart) || loaded(level, count))
            continue;
        for (size_t k = 0; k < scene->look_count; k++)
            if (cj__look_drive(scene, k) == drive)
                scene->level[k] =
                    (cj__level){.gain = level[count / 2], .own = apart, .common = LEVEL_SIGMA};
        repeat(scene, drive);
        scene->together = true;
    }
    cj_free(level);
    return status;
}

/* ---- a hand at the knob ---- */

int cj__knobs(const cj__scene *scene)
{
    enum { BITS = 31 };
    return scene->board->input_count < BITS ? (int)scene->board->input_count : BITS;
}

/* What was seen of each level over what is predicted, into off [rows], NAN elsewhere. */
static size_t compare(const cj__scene *scene, const cj__outlook *outlook, double *off,
                      double *sorted)
{
    size_t count = 0;
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        size_t look = look_of(scene, feature);
        double predicted = outlook->mean[feature->row];
        off[feature->row] = NAN;
        if (feature->kind != CJ__F_LEVEL || scene->level[look].common == 0 ||
            !(predicted > LOADED * cj__look_drive(scene, look)) ||
            !cj__look_source(scene, look, feature->channel))
            continue;
        off[feature->row] = feature->x[0] / predicted;
        sorted[count++] = off[feature->row];
    }
    qsort(sorted, count, sizeof *sorted, by_size);
    return count;
}

unsigned cj__level_moved(const cj__scene *scene, const cj__outlook *outlook)
{
    unsigned moved = 0;
    double *off = outlook->up, *sorted = outlook->shift; /* scratch, a row each */
    size_t count = scene->together ? compare(scene, outlook, off, sorted) : 0;
    if (count < FEWEST)
        return 0;
    double middle = sorted[count / 2];
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        size_t look = look_of(scene, feature);
        int drive = scene->board->steps[scene->look_steps[look]].drive;
        if (fabs(off[feature->row] / middle - 1) > FARTHER * hypot(scene->level[look].own, LEAST) &&
            drive >= 0 && drive < cj__knobs(scene))
            moved |= 1u << drive;
    }
    return moved;
}
