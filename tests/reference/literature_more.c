/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Two tasks that are not a plain choice of a class: rows 9 (what is in no list is refused) and 12
 * (which reading next). Protocol: literature.h. */
#include "literature.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "diagnosis/answer.h"

/* ---- row 9 ---- */

static int any_size(struct fault_class *classes, const char *const *parts)
{
    int count = 1;
    memset(&classes[0], 0, sizeof classes[0]);
    classes[0].part[0] = "";
    classes[0].factor[0] = 1;
    for (int i = 0; parts[i] != NULL; i++)
        for (int side = 0; side < 2; side++) {
            struct fault_class *class = &classes[count];
            memset(class, 0, sizeof *class);
            class->part[0] = parts[i];
            class->factor[0] = NAN;
            class->factor[1] = 1;
            class->low = side ? 0.3 : 1.4;
            class->high = side ? 0.7 : 3;
            class->group = count++;
        }
    return count;
}

static double misfit(struct trial_set *set)
{
    cj__ranking *ranking = set_rank(set);
    double least = INFINITY;
    for (size_t t = 0; t < ranking->trial_count; t++)
        least = fmin(least, ranking->trials[t].distance);
    cj__ranking_free(ranking);
    return least;
}

static double drawn_size(struct trial_set *set)
{
    bool up = draw_uniform(set) < 0.5;
    return up ? 1.4 * pow(3 / 1.4, draw_uniform(set)) : 0.3 * pow(0.7 / 0.3, draw_uniform(set));
}

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* The misfit that one in a hundred circuits of the dictionary exceeds. */
static double threshold(struct trial_set *set, int trials)
{
    int n = set->class_count * trials;
    double *all = cj_new((size_t)n, sizeof *all);
    for (int i = 0; i < n; i++) {
        const struct fault_class *class = &set->classes[i % set->class_count];
        double size = isnan(class->factor[0])
                          ? class->low * pow(class->high / class->low, draw_uniform(set))
                          : 1;
        measure_circuit(set, class->part, &size, i % set->class_count == 0 ? 0 : 1, 1);
        all[i] = misfit(set);
    }
    qsort(all, (size_t)n, sizeof *all, compare_doubles);
    double at = all[(int)(0.99 * n)];
    cj_free(all);
    return at;
}

struct refused {
    long opens, opens_n, doubles, doubles_n;
};

static void strangers(struct trial_set *set, const char *const *parts, int trials, double limit,
                      struct refused *out)
{
    int count = 0;
    while (parts[count] != NULL)
        count++;
    for (int t = 0; t < trials; t++) {
        for (int i = 0; i < count; i++)
            for (int way = 0; way < 2; way++) { /* open, shorted */
                double factor = way ? 0 : INFINITY;
                measure_circuit(set, &parts[i], &factor, 1, 1);
                out->opens += misfit(set) > limit;
                out->opens_n++;
            }
        measure_circuit(set, NULL, NULL, 0, 0.01);
        out->opens += misfit(set) > limit;
        out->opens_n++;
        for (int i = 0; i < count; i++) {
            int other = (i + 1 + (int)(draw_uniform(set) * (count - 1))) % count;
            const char *two[2] = {parts[i], parts[other]};
            double factors[2] = {drawn_size(set), drawn_size(set)};
            measure_circuit(set, two, factors, 2, 1);
            out->doubles += misfit(set) > limit;
            out->doubles_n++;
        }
    }
}

static void row_9_one(const char *name, const char *board, const char *const *parts,
                      const char *const *see, int see_count, double low, double high, int trials,
                      const char *goal)
{
    struct fault_class classes[40];
    int count = any_size(classes, parts);
    struct trial_set set;
    set_make(&set, board, see, see_count, classes, count, false, 6, low, high);
    double limit = threshold(&set, trials);
    struct refused refused = {0};
    strangers(&set, parts, trials / 4 + 1, limit, &refused);
    printf("9    %s: refused at 1 %% false refusal: opens, shorts, slow op-amp %.1f %% of %ld, two "
           "faults of any size "
           "%.1f %% of %ld; %s\n",
           name, 100.0 * (double)refused.opens / (double)refused.opens_n, refused.opens_n,
           100.0 * (double)refused.doubles / (double)refused.doubles_n, refused.doubles_n, goal);
    fflush(stdout);
    set_free(&set);
}

bool row_9(int trials)
{
    static const char *const sk[] = {"R1", "R2", "R3", "R4", "R5", "C1", "C2", NULL};
    static const char *const lf[] = {"R1",  "R2",  "R3",  "R4",  "R5", "R6", "R7", "R8", "R9",
                                     "R10", "R11", "R12", "R13", "C1", "C2", "C3", "C4", NULL};
    const char *out[] = {"out", "a"};
    row_9_one("SK, net out", "sallen-key", sk, out, 1, 4e3, 200e3, trials,
              "reachable 97-100, 84; goal 97, 84");
    row_9_one("SK, nets out and a", "sallen-key", sk, out, 2, 4e3, 200e3, trials,
              "reachable 97-100, 99.7; goal 97, 99");
    row_9_one("LF, net out", "leapfrog", lf, out, 1, 100, 5e3, trials / 2, "reachable 90, -");
    return true;
}

/* ---- row 12 ---- */

/* Every suspect by itself: nothing was read yet that could group them. */
static void each_alone(cj__ranking *ranking, cj__groups *groups)
{
    memset(groups, 0, sizeof *groups);
    groups->items = cj_new(ranking->known, sizeof *groups->items);
    groups->healthy = ranking->probability[0];
    for (size_t i = 1; i < ranking->known; i++) {
        cj__group_of *group = &groups->items[groups->count++];
        group->members = cj_new(1, sizeof *group->members);
        group->members[0] = i;
        group->count = 1;
        group->probability = ranking->probability[i];
    }
}

/* The library's own choice of the next reading, or (order >= 0) that one of a fixed order. */
static int next_step(struct trial_set *set, cj__ranking *ranking, const bool *read)
{
    cj_error err;
    cj_observed *observed = NULL;
    cj_diagnosis answer = {0};
    cj__groups groups;
    size_t steps = set->board->step_count;
    if (cj_observed_make(set->board, &observed, &err) != CJ_OK)
        fail("next", &err);
    answer.open_steps = cj_new(steps, sizeof *answer.open_steps);
    for (size_t s = 0; s < steps; s++)
        if (!read[s])
            answer.open_steps[answer.open_count++] = s;
    each_alone(ranking, &groups);
    if (cj__next(ranking, observed, &groups, &answer, &err) != CJ_OK)
        fail("next", &err);
    int step = -1;
    for (size_t i = 0; i < answer.next_count && step < 0; i++)
        if (!answer.next[i].probe)
            step = (int)answer.next[i].step;
    for (size_t i = 0; i < answer.next_count; i++) {
        for (size_t e = 0; e < answer.next[i].expect_count; e++) {
            cj_fault_clear(&answer.next[i].expect[e].fault);
            cj_free(answer.next[i].expect[e].reads);
        }
        cj_free(answer.next[i].expect);
    }
    cj_free(answer.next);
    cj_free(answer.open_steps);
    cj__groups_free(&groups);
    cj_observed_free(observed);
    return step;
}

#define SURE 0.98 /* of one class: enough to be right in 99.9 % of all circuits */

static double most_likely(const cj__ranking *ranking, int *class)
{
    double most = 0, total = 0;
    for (size_t i = 0; i < ranking->known; i++) {
        total += ranking->probability[i];
        if (ranking->probability[i] > most) {
            most = ranking->probability[i];
            *class = (int)i;
        }
    }
    return most / total;
}

enum { BY_INFORMATION, LOW_TO_HIGH, AT_RANDOM };

/* Readings until one class is sure, and which. All frequencies of the set were measured beforehand.
 */
static int readings_needed(struct trial_set *set, int order, int first, int *class)
{
    cj_error err;
    bool read[GRID] = {false};
    int steps = (int)set->board->step_count;
    cj__scene *all = set->scene, *some = NULL;
    if (cj__scene_new(set->board, set->bench, &some, &err) != CJ_OK)
        fail("scene", &err);
    for (int n = 1;; n++) {
        int step = first;
        if (n > 1 && order == BY_INFORMATION) {
            set->scene = some;
            cj__ranking *ranking = set_rank(set);
            step = next_step(set, ranking, read);
            cj__ranking_free(ranking);
        }
        if (order == LOW_TO_HIGH)
            step = n - 1;
        for (int tries = 0;
             (order == AT_RANDOM || step < 0) && (step < 0 || read[step] || tries == 0); tries++)
            step = (int)(draw_uniform(set) * steps);
        read[step] = true;
        /* a scene with what was read so far */
        cj__scene *more = NULL;
        if (cj__scene_new(set->board, set->bench, &more, &err) != CJ_OK)
            fail("scene", &err);
        for (int s = 0; s < steps; s++)
            if (read[s] && cj__scene_feature(more, &all->features[s], &err) != CJ_OK)
                fail("scene", &err);
        if (cj__scene_ready(more, &err) != CJ_OK)
            fail("scene", &err);
        cj__scene_free(some);
        some = more;
        set->scene = some;
        cj__ranking *ranking = set_rank(set);
        double sure = most_likely(ranking, class);
        cj__ranking_free(ranking);
        set->scene = all;
        if (sure > SURE || n == steps) {
            cj__scene_free(some);
            return n;
        }
    }
}

/* What to read first is the same for every unit: chosen once, before anything was read. */
static int first_reading(struct trial_set *set)
{
    cj_error err;
    bool read[GRID] = {false};
    cj__scene *all = set->scene, *empty = NULL;
    if (cj__scene_new(set->board, set->bench, &empty, &err) != CJ_OK ||
        cj__scene_ready(empty, &err) != CJ_OK)
        fail("scene", &err);
    set->scene = empty;
    cj__ranking *ranking = set_rank(set);
    int step = next_step(set, ranking, read);
    cj__ranking_free(ranking);
    cj__scene_free(empty);
    set->scene = all;
    return step;
}

bool row_12(int trials)
{
    static const char *const parts[] = {"R2", "R3", "C1", "C2"};
    static const char *const names[] = {"by information", "low to high", "at random"};
    const char *out[] = {"out"};
    struct fault_class classes[9];
    memset(classes, 0, sizeof classes);
    classes[0].part[0] = "";
    classes[0].factor[0] = 1;
    for (int c = 1; c < 9; c++) {
        classes[c].part[0] = parts[(c - 1) / 2];
        classes[c].factor[0] = c % 2 ? 1.5 : 0.5;
        classes[c].factor[1] = 1;
        classes[c].group = c;
    }
    struct trial_set set;
    set_make(&set, "sallen-key", out, 1, classes, 9, false, GRID, 4e3, 200e3);
    double mean[3] = {0};
    int right[3] = {0};
    int first = first_reading(&set);
    for (int c = 0; c < 9; c++)
        for (int t = 0; t < trials; t++) {
            measure_circuit(&set, classes[c].part, classes[c].factor, c == 0 ? 0 : 1, 1);
            for (int order = 0; order < 3; order++) {
                int class = 0;
                mean[order] += readings_needed(&set, order, first, &class) / (9.0 * trials);
                right[order] += class == c;
            }
        }
    printf("12   SK, 9 classes: readings until one class is %.0f %% sure:", 100 * SURE);
    for (int order = 0; order < 3; order++)
        printf(" %s %.2f (right %.2f %%)%s", names[order], mean[order],
               100.0 * right[order] / (9 * trials), order < 2 ? "," : "");
    printf(" (n %d)\n    for 99.9 %% right: reachable 1.50, 2.71, 1.97; goal 1.6\n", 9 * trials);
    set_free(&set);
    /* with the chance of so few trials: standard deviation of a count about 0.8 */
    return mean[0] <= 1.6 + 3 * 0.8 / sqrt(9.0 * trials) && mean[0] < mean[1] &&
           right[0] >= 0.999 * 9 * trials - 3;
}
