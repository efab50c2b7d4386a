/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From readings to rows: which figures of a step are held against the prediction, and how sure each
 * is. */
#include <math.h>
#include <string.h>

#include "diagnosis/scene.h"

#define DEGREE (M_PI / 180)
#define DB (M_LN10 / 20) /* of a decibel in ln */

/* Beyond what the figures themselves state: what no model of the parts covers, relative and
 * absolute. */
#define RATIO_ERROR 0.002 /* of gain: steps of a scope's converter that are not quite even ... */
#define TURN_ERROR 5e-4   /* ... turn a phase hardly, radian */
#define RATIO_FLOOR 5e-5  /* crosstalk of the two inputs and of the leads: -86 dB */
#define FAINT 3e-4        /* of the drive, where only a trace of it is left: -70 dB */
#define DC_ERROR_V 1e-3
#define RESISTANCE_ERROR 0.03

#define COMMON 0.95 /* of the least relative uncertainty of a gain */

static double square(double x)
{
    return x * x;
}

/* ---- making ---- */

cj_status cj__scene_new(const cj_board *board, cj_bench *bench, cj__scene **out, cj_error *err)
{
    cj__scene *scene = cj_new(1, sizeof *scene);
    if (scene == NULL)
        return cj_fail_memory(err);
    scene->board = board;
    scene->bench = bench;
    *out = scene;
    return CJ_OK;
}

void cj__scene_free(cj__scene *scene)
{
    if (scene == NULL)
        return;
    for (size_t i = 0; scene->work != NULL && i < scene->look_count; i++)
        cj_prediction_free(scene->work[i]);
    cj_free(scene->work);
    cj_free(scene->level);
    cj_free(scene->looks);
    cj_free(scene->look_steps);
    cj_free(scene->features);
    cj_free(scene->distortions);
    cj_lines_free(&scene->notes);
    cj_free(scene);
}

static cj_status use_look(cj__scene *scene, size_t look, size_t step, cj_error *err)
{
    for (size_t i = 0; i < scene->look_count; i++)
        if (scene->looks[i] == look)
            return CJ_OK;
    size_t *looks = cj_resize(scene->looks, scene->look_count + 1, sizeof *looks);
    if (looks == NULL)
        return cj_fail_memory(err);
    scene->looks = looks;
    size_t *steps = cj_resize(scene->look_steps, scene->look_count + 1, sizeof *steps);
    if (steps == NULL)
        return cj_fail_memory(err);
    scene->look_steps = steps;
    looks[scene->look_count] = look;
    steps[scene->look_count++] = step;
    return CJ_OK;
}

cj_status cj__scene_feature(cj__scene *scene, const cj__feature *feature, cj_error *err)
{
    if (!cj_reserve((void **)&scene->features, &scene->capacity, scene->count,
                    sizeof *scene->features))
        return cj_fail_memory(err);
    cj__feature *added = &scene->features[scene->count];
    *added = *feature;
    added->rows = feature->kind == CJ__F_RATIO ? 2 : 1;
    added->row = scene->rows;
    scene->rows += added->rows;
    scene->count++;
    return use_look(scene, feature->look, feature->step, err);
}

/*
 * The same two channels took all steps: most of what the surest gain is unsure of is their
 * mismatch, and that is the same in all of them. It becomes one column instead of an error of each
 * reading. (Another range of a scope has a mismatch of its own: a part stays.)
 */
static void share_mismatch(cj__scene *scene)
{
    double least = INFINITY;
    size_t ratios = 0;
    for (size_t f = 0; f < scene->count; f++)
        if (scene->features[f].relative > 0) {
            least = fmin(least, scene->features[f].relative);
            ratios++;
        }
    scene->common = ratios > 1 && least < 0.1 ? COMMON * least : 0;
    for (size_t f = 0; f < scene->count; f++) {
        cj__feature *feature = &scene->features[f];
        if (feature->relative > 0) {
            feature->var[0] -= square(scene->common * feature->x[0]);
            feature->var[1] -= square(scene->common) * feature->x[0] * feature->x[1];
            feature->var[2] -= square(scene->common * feature->x[1]);
        }
    }
}

cj_status cj__scene_ready(cj__scene *scene, cj_error *err)
{
    share_mismatch(scene);
    scene->work = cj_new(scene->look_count + 1, sizeof(cj_prediction *));
    if (scene->work == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < scene->look_count; i++) {
        cj_status status = cj_prediction_make(scene->bench, scene->looks[i], &scene->work[i], err);
        if (status != CJ_OK)
            return status;
    }
    return cj__scene_levels(scene, err);
}

/* ---- readings ---- */

struct reading {
    cj__scene *scene;
    const cj_observed *observed;
    size_t step, look;
    double hz; /* of a response's point; 0: the step's own figures */
    int point;
};

static bool same_view(cj_view a, cj_view b)
{
    return a.net == b.net && a.against == b.against;
}

static const cj_observation *find(const struct reading *reading, const char *figure,
                                  const cj_view *of)
{
    for (size_t i = 0; i < reading->observed->count; i++) {
        const cj_observation *seen = &reading->observed->items[i];
        if (seen->step == reading->step && seen->hz == reading->hz &&
            strcmp(seen->figure, figure) == 0 &&
            (of == NULL ? seen->of.net == CJ_NO_NET
                        : seen->of.net != CJ_NO_NET && same_view(seen->of, *of)))
            return seen;
    }
    return NULL;
}

static bool usable(const cj_observation *seen)
{
    return seen != NULL && isfinite(seen->value);
}

static double known_u(const cj_observation *seen, double least)
{
    return isfinite(seen->u) ? fmax(seen->u, least) : least;
}

/* Gain and phase as a complex ratio. */
static cj_status add_ratio(struct reading *reading, const cj_observation *gain, bool in_db,
                           const cj_observation *phase, double faint, cj_error *err)
{
    double size = in_db ? exp(gain->value * DB) : gain->value;
    double relative = in_db ? known_u(gain, 0) * DB : size > 0 ? known_u(gain, 0) / size : 1;
    relative = fmin(relative, 3);
    double floor = square(RATIO_FLOOR) + square(faint) * (1 + square(size));
    double radial = square(size) * (square(relative) + square(RATIO_ERROR)) + floor;
    cj__feature feature = {.kind = CJ__F_MAGNITUDE,
                           .step = reading->step,
                           .look = reading->look,
                           .point = reading->point,
                           .x = {size},
                           .var = {radial},
                           .relative = relative,
                           .seen = gain};
    if (usable(phase)) {
        double angle = phase->value * DEGREE, turn = fmin(known_u(phase, 0) * DEGREE, 3);
        double across = square(size) * (square(turn) + square(TURN_ERROR)) + floor;
        double c = cos(angle), s = sin(angle);
        feature.kind = CJ__F_RATIO;
        feature.phase = phase;
        feature.x[0] = size * c;
        feature.x[1] = size * s;
        feature.var[0] = c * c * radial + s * s * across;
        feature.var[1] = c * s * (radial - across);
        feature.var[2] = s * s * radial + c * c * across;
    }
    return cj__scene_feature(reading->scene, &feature, err);
}

/* A level that is there, or known to lie below something. */
static cj_status add_level(struct reading *reading, int channel, const cj_observation *seen,
                           bool *added, cj_error *err)
{
    *added = false;
    cj__feature feature = {.kind = CJ__F_LEVEL,
                           .step = reading->step,
                           .look = reading->look,
                           .channel = channel,
                           .seen = seen};
    if (usable(seen)) {
        feature.x[0] = seen->value;
        feature.var[0] = square(known_u(seen, 0)) + square(0.005 * seen->value) + square(2e-5);
    } else if (seen != NULL && seen->bound_kind == CJ_BELOW && isfinite(seen->bound)) {
        feature.x[0] = 0; /* anywhere below: a normal of that width */
        feature.var[0] = square(0.6 * seen->bound);
    } else {
        return CJ_OK;
    }
    *added = true;
    return cj__scene_feature(reading->scene, &feature, err);
}

static cj_status add_plain(struct reading *reading, cj__feature_kind kind, int channel,
                           const cj_observation *seen, cj_error *err)
{
    if (!usable(seen))
        return CJ_OK;
    cj__feature feature = {.kind = kind,
                           .step = reading->step,
                           .look = reading->look,
                           .channel = channel,
                           .x = {seen->value},
                           .seen = seen};
    if (kind == CJ__F_RESISTANCE) {
        if (!(seen->value > 0))
            return CJ_OK;
        feature.x[0] = log(seen->value);
        feature.var[0] = square(known_u(seen, 0) / seen->value) + square(RESISTANCE_ERROR);
    } else {
        feature.var[0] = square(known_u(seen, 0)) + square(DC_ERROR_V);
    }
    return cj__scene_feature(reading->scene, &feature, err);
}

static cj_status add_distortion(struct reading *reading, int channel, const cj_observation *seen,
                                cj_error *err)
{
    cj__scene *scene = reading->scene;
    bool bounded = seen != NULL && seen->bound_kind == CJ_BELOW && seen->bound > 0;
    if (!(usable(seen) && seen->value > 0) && !bounded)
        return CJ_OK;
    if (!cj_reserve((void **)&scene->distortions, &scene->distortion_capacity,
                    scene->distortion_count, sizeof *scene->distortions))
        return cj_fail_memory(err);
    cj__distortion *added = &scene->distortions[scene->distortion_count++];
    *added = (cj__distortion){.step = reading->step,
                              .look = reading->look,
                              .channel = channel,
                              .x = NAN,
                              .u = 0,
                              .bound = bounded ? log(seen->bound / 100) : 0,
                              .seen = seen};
    if (usable(seen) && seen->value > 0) {
        added->x = log(seen->value / 100);
        added->u = fmin(known_u(seen, 0) / seen->value, 3);
    }
    return use_look(scene, reading->look, reading->step, err);
}

/* ---- a step ---- */

static bool one_tone(const cj_step *step)
{
    return step->shape == CJ_TONE;
}

static cj_status add_pair(struct reading *reading, bool *has_ratio, cj_error *err)
{
    const cj_observation *gain = find(reading, "gain_db", NULL),
                         *phase = find(reading, "phase_deg", NULL);
    bool in_db = usable(gain);
    if (!in_db)
        gain = find(reading, "gain", NULL);
    *has_ratio = usable(gain);
    /* a stimulus far below what the step drives: both channels are down in their own crosstalk and
     * steps */
    const cj_step *step = &reading->scene->board->steps[reading->step];
    const cj_observation *level = find(reading, "tone_peak_v", &step->see[0]);
    double share = usable(level) ? level->value / fmax(step->peak[0], 1e-6) : 1;
    double faint = share < 0.05 && share > 0 ? FAINT / share : 0;
    return *has_ratio ? add_ratio(reading, gain, in_db, phase, faint, err) : CJ_OK;
}

static cj_status add_channel(struct reading *reading, int channel, const cj_view *view, bool level,
                             bool *level_added, cj_error *err)
{
    const cj_step *step = &reading->scene->board->steps[reading->step];
    cj_status status = CJ_OK;
    *level_added = false;
    if (one_tone(step)) {
        if (level)
            status =
                add_level(reading, channel, find(reading, "tone_peak_v", view), level_added, err);
        if (status == CJ_OK && !*level_added && level && find(reading, "tone_peak_v", view) == NULL)
            status = add_plain(reading, CJ__F_RMS, channel, find(reading, "rms_v", view), err);
        if (status == CJ_OK) {
            const cj_observation *thd = find(reading, "thd_percent", view);
            status = add_distortion(reading, channel, thd, err);
        }
    }
    if (status == CJ_OK)
        status = add_plain(reading, CJ__F_DC, channel, find(reading, "dc_v", view), err);
    if (status == CJ_OK)
        status = add_plain(reading, CJ__F_RESISTANCE, channel,
                           find(reading, "resistance_ohm", view), err);
    return status;
}

/* A response, where the step is computed at several frequencies. */
static cj_status add_response(struct reading *reading, cj_error *err)
{
    cj_step_point points[CJ_STEP_POINTS];
    int count = cj_step_points(&reading->scene->board->steps[reading->step], points);
    cj_status status = CJ_OK;
    for (int p = 0; p < count && status == CJ_OK; p++) {
        struct reading there = *reading;
        there.hz = points[p].hz;
        there.point = p;
        const cj_observation *gain = find(&there, "gain_db", NULL);
        if (usable(gain))
            status = add_ratio(&there, gain, true, find(&there, "phase_deg", NULL), 0, err);
    }
    return status;
}

static cj_status add_step(struct reading *reading, cj_error *err)
{
    const cj_step *step = &reading->scene->board->steps[reading->step];
    bool has_ratio = false, first = false, second = false;
    cj_status status = CJ_OK;
    if (one_tone(step) && step->see_count == 2)
        status = add_pair(reading, &has_ratio, err);
    else if (step->see_count == 2)
        status = add_response(reading, err);
    if (status == CJ_OK)
        status = add_channel(reading, 0, &step->see[0], true, &first, err);
    if (status == CJ_OK && step->see_count == 2)
        status = add_channel(reading, 1, &step->see[1], !has_ratio || !first, &second, err);
    return status;
}

/* Nets a meter or a second probe touched that the step itself does not look at. */
static cj_status add_elsewhere(struct reading *reading, cj_error *err)
{
    const cj_board *board = reading->scene->board;
    const cj_step *step = &board->steps[reading->step];
    cj_view done[16];
    size_t done_count = 0;
    for (size_t i = 0; i < reading->observed->count; i++) {
        const cj_observation *seen = &reading->observed->items[i];
        if (seen->step != reading->step || seen->of.net == CJ_NO_NET)
            continue;
        bool known = false;
        for (int c = 0; c < step->see_count; c++)
            known = known || same_view(seen->of, step->see[c]);
        for (size_t d = 0; d < done_count; d++)
            known = known || same_view(seen->of, done[d]);
        if (known || done_count == sizeof done / sizeof done[0])
            continue;
        done[done_count++] = seen->of;
        struct reading there = *reading;
        cj_status status =
            cj_bench_look(reading->scene->bench, reading->step, &seen->of, 1, &there.look, err);
        bool level;
        if (status == CJ_OK)
            status = add_channel(&there, 0, &seen->of, true, &level, err);
        if (status != CJ_OK)
            return status;
    }
    return CJ_OK;
}

static cj_status note_unused(cj__scene *scene, const cj_observed *observed, size_t step,
                             size_t before)
{
    if (!observed->seen[step] || scene->count + scene->distortion_count > before)
        return CJ_OK;
    const cj_step *s = &scene->board->steps[step];
    return cj_lines_add(&scene->notes, "step %s: nothing in it can be held against the board%s",
                        s->name,
                        s->shape == CJ_TONE || s->shape == CJ_QUIET
                            ? ""
                            : " (tones, responses, DC and resistances are)");
}

cj_status cj__scene_make(const cj_board *board, cj_bench *bench, const cj_observed *observed,
                         cj__scene **out, cj_error *err)
{
    cj__scene *scene = NULL;
    cj_status status = cj__scene_new(board, bench, &scene, err);
    if (status != CJ_OK)
        return status;
    for (size_t s = 0; s < board->step_count && status == CJ_OK; s++) {
        struct reading reading = {.scene = scene, .observed = observed, .step = s, .look = s};
        size_t before = scene->count + scene->distortion_count;
        status = add_step(&reading, err);
        if (status == CJ_OK)
            status = add_elsewhere(&reading, err);
        if (status == CJ_OK && note_unused(scene, observed, s, before) != CJ_OK)
            status = cj_fail_memory(err);
    }
    if (status == CJ_OK)
        status = cj__scene_ready(scene, err);
    if (status == CJ_OK)
        *out = scene;
    else
        cj__scene_free(scene);
    return status;
}
