/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One circuit of the literature: made, read and diagnosed. */
#include "literature.h"

#include <complex.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define GAIN_SIGMA 0.1  /* dB */
#define PHASE_SIGMA 0.5 /* degrees */
#define FLOOR 1e-3      /* of the drive */

void fail(const char *what, const cj_error *err)
{
    fprintf(stderr, "%s: %s\n", what, err != NULL ? err->message : "");
    exit(1);
}

/* xorshift64* (Vigna 2016, from memory) */
double draw_uniform(struct trial_set *set)
{
    set->random ^= set->random >> 12;
    set->random ^= set->random << 25;
    set->random ^= set->random >> 27;
    return ((double)((set->random * 2685821657736338717ULL) >> 11) + 0.5) / 9007199254740992.0;
}

double draw_normal(struct trial_set *set)
{
    return sqrt(-2 * log(draw_uniform(set))) * cos(2 * M_PI * draw_uniform(set));
}

/* ---- the board with steps of our own ---- */

static void set_steps(struct trial_set *set, const double *hz, int frequencies, const cj_view *see,
                      int see_count)
{
    cj_board *board = set->board;
    int in = board->inputs[0].net;
    cj_step model = board->steps[0];
    size_t count = (size_t)frequencies * (size_t)see_count;
    for (size_t s = 0; s < board->step_count; s++)
        if (s > 0)
            cj_free(board->steps[s].settings);
    cj_step *steps = cj_resize(board->steps, count, sizeof *steps);
    if (steps == NULL)
        fail("steps", NULL);
    board->steps = steps;
    board->step_count = count;
    for (size_t i = 0; i < count; i++) {
        cj_step *step = &steps[i];
        *step = model;
        if (i > 0) {
            step->settings = cj_new(board->part_count, sizeof *step->settings);
            memcpy(step->settings, model.settings, board->part_count * sizeof *step->settings);
        }
        snprintf(step->name, sizeof step->name, "read-%zu", i);
        step->shape = CJ_TONE;
        step->hz[0] = hz[i / (size_t)see_count];
        step->peak[0] = 1;
        step->see[0] = (cj_view){in, CJ_GND};
        step->see[1] = see[i % (size_t)see_count];
        step->see_count = 2;
    }
}

static void make_scene(struct trial_set *set)
{
    cj_error err;
    cj__scene_free(set->scene);
    cj_bench_free(set->bench);
    set->scene = NULL;
    set->bench = NULL;
    if (cj_bench_make(set->board, &set->bench, &err) != CJ_OK ||
        cj__scene_new(set->board, set->bench, &set->scene, &err) != CJ_OK)
        fail("bench", &err);
    for (size_t s = 0; s < set->board->step_count; s++) {
        cj__feature feature = {.kind = CJ__F_RATIO, .step = s, .look = s};
        if (cj__scene_feature(set->scene, &feature, &err) != CJ_OK)
            fail("scene", &err);
    }
    if (cj__scene_ready(set->scene, &err) != CJ_OK)
        fail("scene", &err);
}

/* The reading's covariance: 0.1 dB along, 0.5 degree across, and the floor. */
static void read_as(cj__feature *feature, double complex ratio)
{
    double size = cabs(ratio), c = size > 0 ? creal(ratio) / size : 1,
           s = size > 0 ? cimag(ratio) / size : 0;
    double radial = pow(size * GAIN_SIGMA * M_LN10 / 20, 2) + FLOOR * FLOOR / 2;
    double across = pow(size * PHASE_SIGMA * M_PI / 180, 2) + FLOOR * FLOOR / 2;
    feature->x[0] = creal(ratio);
    feature->x[1] = cimag(ratio);
    feature->var[0] = c * c * radial + s * s * across;
    feature->var[1] = c * s * (radial - across);
    feature->var[2] = s * s * radial + c * c * across;
}

/* ---- a fresh circuit ---- */

static double drawn_value(struct trial_set *set, const cj_part *part)
{
    /* the board's tolerance was widened for the normal law: see set_make */
    double sigma = part->tolerance / sqrt(3);
    double off =
        set->gaussian ? sigma * draw_normal(set) : part->tolerance * (2 * draw_uniform(set) - 1);
    return part->value * (1 + off);
}

void measure_circuit(struct trial_set *set, const char *const *parts, const double *factors,
                     int count, double slow)
{
    cj_edit edits[64];
    size_t n = 0;
    for (size_t p = 0; p < set->board->part_count; p++) {
        const cj_part *part = &set->board->parts[p];
        if (part->kind == CJ_OPAMP && slow != 1)
            edits[n++] = (cj_edit){.kind = CJ_EDIT_FIGURE,
                                   .part = (int)p,
                                   .pin = part->sections[0].out,
                                   .figure = CJ_GBW,
                                   .a = part->opamp.gbw_hz * slow};
        if (part->kind != CJ_RESISTOR && part->kind != CJ_CAPACITOR)
            continue;
        double value = drawn_value(set, part);
        for (int i = 0; i < count; i++)
            if (strcmp(parts[i], part->ref) == 0)
                value = part->value * factors[i];
        set->drawn[p] = value;
        /* a resistor is open where infinite, a capacitor gone where 0; the other ways are shorts */
        bool resistor = part->kind == CJ_RESISTOR;
        if (resistor ? value == 0 : isinf(value))
            edits[n++] =
                (cj_edit){.kind = CJ_EDIT_JOIN, .part = (int)p, .pin = 1, .pin2 = 2, .a = 0.01};
        else
            edits[n++] = (cj_edit){.kind = CJ_EDIT_VALUE, .part = (int)p, .a = value};
    }
    cj_variant variant = {edits, n};
    for (size_t f = 0; f < set->scene->count; f++) {
        cj__feature *feature = &set->scene->features[f];
        cj_error err;
        cj_complex volts[2];
        double hz = set->board->steps[feature->step].hz[0];
        if (cj_bench_response(set->bench, feature->look, &variant, &hz, 1, volts, &err) != CJ_OK)
            fail("reading", &err);
        double complex ratio = (volts[1].re + volts[1].im * I) / (volts[0].re + volts[0].im * I);
        ratio *= pow(10, GAIN_SIGMA * draw_normal(set) / 20) *
                 cexp(I * PHASE_SIGMA * M_PI / 180 * draw_normal(set));
        ratio += FLOOR * M_SQRT1_2 * (draw_normal(set) + I * draw_normal(set));
        read_as(feature, ratio);
    }
}

/* ---- hypotheses ---- */

static void add_class(struct trial_set *set, const struct fault_class *class)
{
    cj_fault fault = cj_fault_none(CJ_FAULT_WRONG_VALUE);
    snprintf(fault.part, sizeof fault.part, "%s", class->part[0]);
    cj__suspect *suspect = cj__suspects_add(set->suspects, &fault, 1);
    size_t edits = class->part[1] != NULL ? 2 : 1;
    bool ranged = isnan(class->factor[0]);
    /* a range that spans 1 is one below and one above: classes of a part with any size come as two
     * ranges */
    double low[2] = {class->low, class->low}, high[2] = {class->high, class->high};
    int ways = 1;
    if (ranged && class->low < 1 && class->high > 1) {
        ways = 2;
        low[0] = class->low, high[0] = class->factor[1];
        low[1] = 2 - class->factor[1], high[1] = class->high;
    }
    for (int w = 0; w < ways; w++) {
        cj__manner *manner =
            suspect != NULL ? cj__suspect_manner(suspect, edits, 1.0 / ways) : NULL;
        if (manner == NULL)
            fail("classes", NULL);
        for (size_t e = 0; e < edits; e++) {
            int part = cj_board_part(set->board, class->part[e]);
            double value = set->board->parts[part].value;
            manner->edits[e] =
                (cj_edit){.kind = CJ_EDIT_VALUE, .part = part, .a = value * class->factor[e]};
            if (ranged) {
                manner->edits[e].a = value;
                manner->prior = CJ__ANY;
                manner->low = value * low[w];
                manner->high = value * high[w];
            }
        }
    }
}

static void make_suspects(struct trial_set *set)
{
    cj_error err;
    if (cj__suspects_new(&set->suspects, &err) != CJ_OK)
        fail("classes", &err);
    for (int c = 1; c < set->class_count; c++)
        add_class(set, &set->classes[c]);
}

/* ---- which frequencies: those that keep the closest two classes farthest apart ---- */

/* Of all classes at every frequency of the grid. */
struct seen {
    size_t rows;
    double *means;      /* [classes * rows] */
    double *covariance; /* [rows * rows] of a good circuit's readings */
    int see_count;
};

/* The rows that are read at the frequencies used. */
static int rows_used(const struct seen *seen, const bool *used, size_t *rows)
{
    int count = 0;
    for (int g = 0; g < GRID; g++)
        for (int r = 0; used[g] && r < 2 * seen->see_count; r++)
            rows[count++] = (size_t)(g * seen->see_count * 2 + r);
    return count;
}

/* The sum over pairs of the chance to be mistaken for each other, about: what parts within their
 * tolerance move in all readings alike tells nothing. */
static double score_frequencies(const struct trial_set *set, const struct seen *seen,
                                const bool *used)
{
    size_t rows[2 * SEEN_MOST * GRID];
    int count = rows_used(seen, used, rows);
    double sum = 0;
    cj__normal *normal = NULL;
    cj_error err;
    if (cj__normal_make(count, &normal, &err) != CJ_OK)
        fail("frequencies", &err);
    for (int i = 0; i < count; i++)
        for (int j = 0; j < count; j++)
            normal->factor[i * count + j] = seen->covariance[rows[i] * seen->rows + rows[j]];
    if (cj__normal_set(normal, normal->factor, &err) != CJ_OK)
        fail("frequencies", &err);
    for (int a = 0; a < set->class_count; a++)
        for (int b = a + 1; b < set->class_count; b++) {
            double distance = 0;
            for (int i = 0; i < count; i++)
                normal->white[i] = seen->means[(size_t)a * seen->rows + rows[i]] -
                                   seen->means[(size_t)b * seen->rows + rows[i]];
            cj__forward(normal->factor, count, normal->white);
            for (int i = 0; i < count; i++)
                distance += normal->white[i] * normal->white[i];
            if (set->classes[a].group != set->classes[b].group)
                sum += exp(-distance / 8);
        }
    cj__normal_free(normal);
    return sum;
}

static void see_classes(struct trial_set *set, struct seen *seen)
{
    cj_error err;
    size_t rows = seen->rows;
    cj__outlook *outlook = NULL;
    if (cj__outlook_make(set->scene, &outlook, &err) != CJ_OK)
        fail("frequencies", &err);
    for (int c = 0; c < set->class_count; c++) {
        const cj__manner *manner = &set->suspects->items[c].manners[0];
        double value = manner->prior == CJ__FIXED ? NAN : sqrt(manner->low * manner->high);
        if (cj__outlook_fill(set->scene, manner, value, CJ_SPREAD, NULL, outlook, &err) != CJ_OK)
            fail("frequencies", &err);
        memcpy(seen->means + (size_t)c * rows, outlook->mean, rows * sizeof *seen->means);
        if (c > 0)
            continue;
        for (size_t f = 0; f < set->scene->count; f++)
            read_as(&set->scene->features[f], outlook->mean[2 * f] + I * outlook->mean[2 * f + 1]);
        size_t columns = (size_t)outlook->columns;
        for (size_t i = 0; i < rows; i++)
            for (size_t j = 0; j < rows; j++) {
                double *to = &seen->covariance[i * rows + j];
                const double *var = set->scene->features[i / 2].var;
                *to = i == j ? var[2 * (i % 2)] : i / 2 == j / 2 ? var[1] : 0;
                for (size_t k = 0; k < columns; k++)
                    *to += outlook->by[i * columns + k] * outlook->by[j * columns + k];
            }
    }
    cj__outlook_free(outlook);
}

/* One after the other, each the best beside those chosen. */
static void choose_frequencies(struct trial_set *set, const double *grid, int see_count)
{
    size_t rows = (size_t)set->scene->rows;
    struct seen seen = {.rows = rows,
                        .means = cj_new((size_t)set->class_count * rows, sizeof *seen.means),
                        .covariance = cj_new(rows * rows, sizeof *seen.covariance),
                        .see_count = see_count};
    if (seen.means == NULL || seen.covariance == NULL)
        fail("frequencies", NULL);
    see_classes(set, &seen);
    bool used[GRID] = {false};
    for (int n = 0; n < set->frequencies; n++) {
        int best = 0;
        double least = INFINITY;
        for (int g = 0; g < GRID; g++) {
            if (used[g])
                continue;
            used[g] = true;
            double score = score_frequencies(set, &seen, used);
            used[g] = false;
            if (score < least) {
                least = score;
                best = g;
            }
        }
        used[best] = true;
    }
    for (int g = 0, n = 0; g < GRID; g++)
        if (used[g])
            set->hz[n++] = grid[g];
    cj_free(seen.means);
    cj_free(seen.covariance);
}

/* ---- a set ---- */

void set_make(struct trial_set *set, const char *file, const char *const *see, int see_count,
              const struct fault_class *classes, int class_count, bool gaussian, int frequencies,
              double low, double high)
{
    cj_errors errors;
    char path[512];
    memset(set, 0, sizeof *set);
    set->random = 20261125;
    set->gaussian = gaussian;
    set->frequencies = frequencies;
    set->class_count = class_count;
    set->classes = (struct fault_class *)classes;
    snprintf(path, sizeof path, "%s/boards/%s.yaml", FIXTURES, file);
    if (cj_board_read(path, &set->board, &errors) != CJ_OK)
        fail(path, &errors.items[0]);
    for (size_t p = 0; p < set->board->part_count; p++)
        if (gaussian) /* sigma is tolerance / 3 there; the library takes tolerance / sqrt 3 */
            set->board->parts[p].tolerance /= sqrt(3);
    cj_view views[SEEN_MOST];
    for (int i = 0; i < see_count; i++)
        if (!cj_board_view(set->board, see[i], &views[i]))
            fail(see[i], NULL);
    double grid[GRID];
    for (int g = 0; g < GRID; g++)
        grid[g] = low * pow(high / low, g / (GRID - 1.0));
    set_steps(set, grid, GRID, views, see_count);
    make_scene(set);
    make_suspects(set);
    if (frequencies < GRID)
        choose_frequencies(set, grid, see_count);
    else
        memcpy(set->hz, grid, sizeof set->hz);
    set_steps(set, set->hz, frequencies, views, see_count);
    make_scene(set);
}

void set_free(struct trial_set *set)
{
    cj__suspects_free(set->suspects);
    cj__scene_free(set->scene);
    cj_bench_free(set->bench);
    cj_board_free(set->board);
}

cj__ranking *set_rank(struct trial_set *set)
{
    cj_error err;
    cj__ranking *ranking = NULL;
    if (cj__rank(set->scene, set->suspects, 1.0 / set->class_count, &ranking, &err) != CJ_OK)
        fail("ranking", &err);
    return ranking;
}
