/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * The tasks of analog fault diagnosis in the literature, row by row: what the library reaches
 * beside what was published, what an independent study holds reachable, and the goal. Tasks,
 * published figures and the reachable column: diagnosis_benchmarks (a study made for this project;
 * there, each figure's origin).
 *
 *   literature [--trials N] [--row R]      N fresh circuits per class (default 200)
 *   literature --check                     few trials, rows 1 and 3 to 5: exit status 1 below the
 * bar (a test)
 *
 * Protocol: literature.h.
 */
#include "literature.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { CLASSES_MOST = 80, BINS = 10 };

struct tally {
    long trials, right, right_group;
    long sure, sure_right; /* probability of the group >= 0.9 */
    double bin_p[BINS], bin_n[BINS], bin_right[BINS];
    long in_set;          /* the 95 % set holds the true class */
    double *value_errors; /* row 7 */
    long values, covered;
};

struct task {
    const char *row, *what, *board;
    const char *see[SEEN_MOST];
    int see_count;
    struct fault_class classes[CLASSES_MOST];
    int class_count;
    bool gaussian;
    int frequencies;
    double low, high; /* Hz */
    double tested;    /* size tested, NaN: as the class says (or drawn in its range) */
    const char *published, *reachable, *goal;
    double bar; /* per cent; group level where `by_group` */
    bool by_group;
};

/* ---- classes ---- */

static void class_add(struct task *task, const char *name, const char *part, double factor,
                      const char *part2, double factor2)
{
    struct fault_class *class = &task->classes[task->class_count];
    memset(class, 0, sizeof *class);
    snprintf(class->name, sizeof class->name, "%s", name);
    class->part[0] = part;
    class->part[1] = part2;
    class->factor[0] = factor;
    class->factor[1] = factor2;
    class->group = task->class_count++;
}

static void healthy(struct task *task)
{
    task->class_count = 0;
    class_add(task, "healthy", "", 1, NULL, 1);
}

/* Each part up and down by these factors. */
static void up_and_down(struct task *task, const char *const *parts, double up, double down)
{
    for (int i = 0; parts[i] != NULL; i++)
        for (int side = 0; side < 2; side++) {
            char name[64];
            snprintf(name, sizeof name, "%s %s", parts[i], side ? "down" : "up");
            class_add(task, name, parts[i], side ? down : up, NULL, 1);
        }
}

/* Each part up and down, the size anywhere in a range. */
static void ranges(struct task *task, const char *const *parts, double down_low, double down_high,
                   double up_low, double up_high)
{
    up_and_down(task, parts, NAN, NAN);
    for (int c = 1; c < task->class_count; c++) {
        bool up = strstr(task->classes[c].name, " up") != NULL;
        task->classes[c].low = up ? up_low : down_low;
        task->classes[c].high = up ? up_high : down_high;
    }
}

/* Each pair of parts, each up or down. */
static void pairs(struct task *task, const char *const *parts, double up, double down)
{
    for (int i = 0; parts[i] != NULL; i++)
        for (int j = i + 1; parts[j] != NULL; j++)
            for (int side = 0; side < 4; side++) {
                char name[64];
                snprintf(name, sizeof name, "%s %s, %s %s", parts[i], side & 1 ? "down" : "up",
                         parts[j], side & 2 ? "down" : "up");
                class_add(task, name, parts[i], side & 1 ? down : up, parts[j],
                          side & 2 ? down : up);
            }
}

/* Classes of these parts (and direction, unless any) are one group. */
static void group(struct task *task, const char *const *parts, bool any_direction)
{
    for (int direction = 0; direction < 2; direction++) {
        int lead = -1;
        for (int c = 1; c < task->class_count; c++) {
            struct fault_class *class = &task->classes[c];
            bool down = strstr(class->name, " down") != NULL, member = false;
            for (int i = 0; parts[i] != NULL; i++)
                member = member || strcmp(parts[i], class->part[0]) == 0;
            if (!member || class->part[1] != NULL || (!any_direction && down != (direction == 1)))
                continue;
            if (lead < 0)
                lead = class->group;
            class->group = lead;
        }
        if (any_direction)
            return;
    }
}

static double factor_of(const struct fault_class *class, const char *part)
{
    double factor = 1;
    for (int i = 0; i < 2; i++)
        if (class->part[i] != NULL && strcmp(class->part[i], part) == 0)
            factor *= class->factor[i];
    return factor;
}

/* Classes of fixed sizes that differ only within a product of two parts are one group. */
static void group_products(struct task *task, const char *const *all, const char *const *product)
{
    for (int a = 1; a < task->class_count; a++)
        for (int b = 1; b < a; b++) {
            const struct fault_class *x = &task->classes[a], *y = &task->classes[b];
            bool same = fabs(factor_of(x, product[0]) * factor_of(x, product[1]) -
                             factor_of(y, product[0]) * factor_of(y, product[1])) < 1e-9;
            for (int i = 0; all[i] != NULL && same; i++)
                if (strcmp(all[i], product[0]) != 0 && strcmp(all[i], product[1]) != 0)
                    same = factor_of(x, all[i]) == factor_of(y, all[i]);
            if (same) {
                task->classes[a].group = y->group;
                break;
            }
        }
}

/* Both directions of one part are one class: "which part". */
static void by_part(struct task *task)
{
    for (int c = 1; c < task->class_count; c++) {
        const char *only[] = {task->classes[c].part[0], NULL};
        group(task, only, true);
    }
}

/* ---- trials ---- */

static double drawn_factor(struct trial_set *set, const struct fault_class *class, double tested,
                           int index)
{
    if (!isnan(class->factor[0]))
        return index < 2 ? class->factor[index] : 1;
    if (!isnan(tested))
        return strstr(class->name, " up") != NULL ? 1 + tested : 1 - tested;
    return class->low * pow(class->high / class->low, draw_uniform(set));
}

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Probability of the group of each class, "none of these" left out. */
static int judge(const struct task *task, const cj__ranking *ranking, double *group_p,
                 int *best_class)
{
    double total = 0;
    memset(group_p, 0, CLASSES_MOST * sizeof *group_p);
    *best_class = 0;
    for (int c = 0; c < task->class_count; c++) {
        total += ranking->probability[c];
        group_p[task->classes[c].group] += ranking->probability[c];
        if (ranking->probability[c] > ranking->probability[*best_class])
            *best_class = c;
    }
    int best = 0;
    for (int g = 0; g < task->class_count; g++) {
        group_p[g] /= total > 0 ? total : 1;
        if (group_p[g] > group_p[best])
            best = g;
    }
    return best;
}

static void count_trial(const struct task *task, int truth, const cj__ranking *ranking,
                        struct tally *tally)
{
    double p[CLASSES_MOST];
    int best_class, best = judge(task, ranking, p, &best_class), own = task->classes[truth].group;
    bool right = best == own;
    tally->trials++;
    tally->right += best_class == truth;
    tally->right_group += right;
    tally->sure += p[best] >= 0.9;
    tally->sure_right += p[best] >= 0.9 && right;
    int bin = (int)fmin(p[best] * BINS, BINS - 1);
    tally->bin_n[bin]++;
    tally->bin_p[bin] += p[best];
    tally->bin_right[bin] += right;
    double sum = 0; /* groups at least as likely as the true one, down to 95 % */
    for (int g = 0; g < task->class_count; g++)
        if (p[g] > p[own])
            sum += p[g];
    tally->in_set += sum < 0.95;
}

static void count_value(const struct task *task, int truth, double value,
                        const cj__ranking *ranking, struct tally *tally)
{
    const struct fault_class *class = &task->classes[truth];
    int members = 0;
    for (int c = 1; c < task->class_count; c++)
        members += task->classes[c].group == class->group &&
                   strcmp(task->classes[c].part[0], class->part[0]) != 0;
    if (truth == 0 || !isnan(class->factor[0]) || members > 0)
        return;
    const cj__trial *trial = &ranking->trials[ranking->best[truth]];
    tally->value_errors[tally->values++] = fabs(trial->free_value / value - 1);
    tally->covered += value >= trial->low && value <= trial->high;
}

static void run(struct task *task, int trials, struct tally *tally)
{
    struct trial_set set;
    set_make(&set, task->board, task->see, task->see_count, task->classes, task->class_count,
             task->gaussian, task->frequencies, task->low, task->high);
    memset(tally, 0, sizeof *tally);
    tally->value_errors = cj_new((size_t)task->class_count * (size_t)trials, sizeof(double));
    for (int c = 0; c < task->class_count; c++)
        for (int t = 0; t < trials; t++) {
            const struct fault_class *class = &task->classes[c];
            double factors[2] = {drawn_factor(&set, class, task->tested, 0), class->factor[1]};
            measure_circuit(&set, class->part, factors,
                            c == 0                   ? 0
                            : class->part[1] != NULL ? 2
                                                     : 1,
                            1);
            cj__ranking *ranking = set_rank(&set);
            count_trial(task, c, ranking, tally);
            int part = c > 0 ? cj_board_part(set.board, class->part[0]) : 0;
            if (c > 0)
                count_value(task, c, set.drawn[part], ranking, tally);
            cj__ranking_free(ranking);
        }
    printf("    read at");
    for (int f = 0; f < set.frequencies; f++)
        printf(" %.3g", set.hz[f]);
    printf(" Hz\n");
    set_free(&set);
}

static void interval(long right, long n, double *low, double *high)
{
    /* Wilson, 95 % */
    double z = 1.96, p = n ? (double)right / (double)n : 0, zz = z * z / (double)(n ? n : 1);
    double middle = (p + zz / 2) / (1 + zz);
    double half =
        z * sqrt(p * (1 - p) / (double)(n ? n : 1) + zz / (4 * (double)(n ? n : 1))) / (1 + zz);
    *low = 100 * (middle - half);
    *high = 100 * (middle + half);
}

#define COVERED_LEAST 88 /* per cent: row 7 */

static double report(const struct task *task, struct tally *tally)
{
    double low, high, error = 0;
    long right = task->by_group ? tally->right_group : tally->right;
    interval(right, tally->trials, &low, &high);
    for (int b = 0; b < BINS; b++)
        error += fabs(tally->bin_p[b] - tally->bin_right[b]) / (double)tally->trials;
    double share = 100.0 * (double)right / (double)tally->trials;
    printf(
        "%-4s %s\n    measured %.2f %% (%.2f to %.2f; n %ld; class %.2f %%, group %.2f %%)\n"
        "    published %s; reachable %s; goal %s\n"
        "    calibration error %.3f; 95 %% sets hold %.1f %%; at p >= 0.9 right %.2f %% of %ld\n",
        task->row, task->what, share, low, high, tally->trials,
        100.0 * (double)tally->right / (double)tally->trials,
        100.0 * (double)tally->right_group / (double)tally->trials, task->published,
        task->reachable, task->goal, error, 100.0 * (double)tally->in_set / (double)tally->trials,
        tally->sure ? 100.0 * (double)tally->sure_right / (double)tally->sure : NAN, tally->sure);
    if (tally->values > 0) {
        qsort(tally->value_errors, (size_t)tally->values, sizeof(double), compare_doubles);
        printf("7    value of the faulty part: median error %.2f %%, 90th percentile %.2f %%, 90 "
               "%% interval holds "
               "%.1f %% (n %ld; goal 4 %%, 12 %%, 88 to 98 %%)\n",
               100 * tally->value_errors[tally->values / 2],
               100 * tally->value_errors[(long)(0.9 * (double)tally->values)],
               100.0 * (double)tally->covered / (double)tally->values, tally->values);
        double least, most;
        interval(tally->covered, tally->values, &least, &most);
        if (most < COVERED_LEAST) /* row 7: an interval that does not hold what it says */
            high = 0;
    }
    cj_free(tally->value_errors);
    fflush(stdout);
    return high; /* below the bar even so: not by chance */
}

/* ---- the table ---- */

static const char *const sk_four[] = {"R2", "R3", "C1", "C2", NULL};
static const char *const sk_all[] = {"R1", "R2", "R3", "R4", "R5", "C1", "C2", NULL};
static const char *const sk_gain[] = {"R4", "R5", NULL};
static const char *const bq_six[] = {"R1", "R2", "R3", "R4", "C1", "C2", NULL};
static const char *const bq_all[] = {"R1", "R2", "R3",  "R4", "R5", "R6", "R7",
                                     "R8", "R9", "R10", "C1", "C2", NULL};
static const char *const bq_two[] = {"R4", "C2", NULL};
static const char *const bq_loop[] = {"R4", "C2", "R5", "R6", NULL};
static const char *const sv_all[] = {"R1", "R2", "R3", "R4", "R5", "R6", "R7", "C1", "C2", NULL};
static const char *const sv_groups[][3] = {
    {"R4", "C1", NULL}, {"R5", "C2", NULL}, {"R6", "R7", NULL}};
static const char *const lf_all[] = {"R1",  "R2",  "R3",  "R4",  "R5", "R6", "R7", "R8", "R9",
                                     "R10", "R11", "R12", "R13", "C1", "C2", "C3", "C4", NULL};
static const char *const lf_groups[][5] = {{"R2", "R13", NULL},
                                           {"R3", "R6", "R7", "R9", NULL},
                                           {"R4", "R12", NULL},
                                           {"R10", "R11", "C2", "C3", NULL},
                                           {"C1", "C4", NULL}};

static struct task begin(const char *row, const char *what, const char *board, double low,
                         double high)
{
    struct task task = {.row = row,
                        .what = what,
                        .board = board,
                        .see = {"out"},
                        .see_count = 1,
                        .frequencies = 4,
                        .low = low,
                        .high = high,
                        .tested = NAN,
                        .published = "-",
                        .reachable = "-",
                        .goal = "-"};
    healthy(&task);
    return task;
}

static void say(struct task *task, const char *published, const char *reachable, const char *goal,
                double bar)
{
    task->published = published;
    task->reachable = reachable;
    task->goal = goal;
    task->bar = bar;
}

static bool finish(struct task *task, int trials)
{
    struct tally tally;
    run(task, trials, &tally);
    return report(task, &tally) >= task->bar;
}

static bool row_1(int trials)
{
    struct task task = begin("1", "SK, 9 classes, +-50 %, u5/10", "sallen-key", 4e3, 200e3);
    up_and_down(&task, sk_four, 1.5, 0.5);
    say(&task, "100 % (simulation, some hundred trials)", "99.96", "99.9", 99.56);
    bool good = finish(&task, trials);
    task.gaussian = true;
    task.what = "SK, 9 classes, +-50 %, g3";
    say(&task, "100 %", "100.00", "99.99", 99.6);
    return finish(&task, trials) && good;
}

static bool row_2(int trials)
{
    static const char *const parts[] = {"C1", "C1", "C2", "C2", "R1", "R1",
                                        "R2", "R2", "R3", "R3", "R4", "R4"};
    static const double values[] = {10e-9, 2.5e-9, 15e-9, 1.5e-9, 15e3,  3e3,
                                    18e3,  2e3,    12e3,  2.7e3,  2.5e3, 500};
    static const double nominal[] = {5e-9,  5e-9,  5e-9,  5e-9,  6.2e3, 6.2e3,
                                     6.2e3, 6.2e3, 6.2e3, 6.2e3, 1.6e3, 1.6e3};
    struct task task =
        begin("2", "BQ (naming b), 13 classes of unequal sizes, u5/10", "biquad-b", 1e3, 60e3);
    for (int i = 0; i < 12; i++) {
        char name[64];
        snprintf(name, sizeof name, "%s %s", parts[i], values[i] > nominal[i] ? "up" : "down");
        class_add(&task, name, parts[i], values[i] / nominal[i], NULL, 1);
    }
    task.frequencies = 6;
    say(&task, "99.68 %", "99.92", "99.9", 99.52);
    bool good = finish(&task, trials);
    struct task equal =
        begin("2", "BQ, 13 classes +-50 %, {R4, C2} one circuit (said beforehand), u5/10", "biquad",
              1e3, 60e3);
    up_and_down(&equal, bq_six, 1.5, 0.5);
    group(&equal, bq_two, false);
    equal.frequencies = 6;
    equal.by_group = true;
    say(&equal, "99.68 %", "84.6 class, 99.85 group", "99.8 group", 99.45);
    return finish(&equal, trials) && good;
}

static bool row_3(int trials)
{
    struct task task = begin("3", "SK, 15 classes +-50 %, nets out and a, 3 frequencies, u5/10",
                             "sallen-key", 4e3, 200e3);
    up_and_down(&task, sk_all, 1.5, 0.5);
    task.see[1] = "a";
    task.see_count = 2;
    task.frequencies = 3;
    say(&task, "97.92 %", "100.00", "99.9", 99.6);
    return finish(&task, trials);
}

static bool row_4(int trials)
{
    struct task task = begin("4", "SK, 9 classes +-20 %, g3", "sallen-key", 4e3, 200e3);
    up_and_down(&task, sk_four, 1.2, 0.8);
    task.gaussian = true;
    task.frequencies = GRID;
    say(&task, "99.20 %", "99.35", "99.3", 98.95);
    bool good = finish(&task, trials);
    task.gaussian = false;
    task.what = "SK, 9 classes +-20 %, u5/10";
    say(&task, "-", "91.2", "91", 90.8);
    return finish(&task, trials) && good;
}

static bool row_5(int trials)
{
    struct task task =
        begin("5", "SK, 9 classes, size not known (0.3-0.85, 1.15-3), tested at 25 %, u5/10",
              "sallen-key", 4e3, 200e3);
    ranges(&task, sk_four, 0.3, 0.85, 1.15, 3);
    task.tested = 0.25;
    task.frequencies = 6;
    say(&task, "65.6 %", "95.3", "95", 94.9);
    bool good = finish(&task, trials);
    struct task other = begin("5", "BQ, 13 classes, the same, group level", "biquad", 1e3, 60e3);
    ranges(&other, bq_six, 0.3, 0.85, 1.15, 3);
    group(&other, bq_two, false);
    other.tested = 0.25;
    other.frequencies = 6;
    other.by_group = true;
    say(&other, "71.2 %", "94.8 group", "94.5 group", 94.4);
    return finish(&other, trials) && good;
}

static struct task any_size(const char *what, const char *board, const char *const *parts,
                            double low, double high)
{
    struct task task = begin("6", what, board, low, high);
    ranges(&task, parts, 0.3, 0.7, 1.4, 3);
    by_part(&task);
    task.frequencies = 6;
    task.by_group = true;
    return task;
}

static bool row_6(int trials)
{
    bool good = true;
    struct task sk = any_size("SK, any part, any size (0.3-0.7, 1.4-3), u5/10", "sallen-key",
                              sk_all, 4e3, 200e3);
    group(&sk, sk_gain, true);
    say(&sk, "95.5 %", "97.4", "97", 97.0);
    good = finish(&sk, trials) && good;
    sk.see[1] = "a";
    sk.see_count = 2;
    sk.what = "SK, the same, net a read too";
    say(&sk, "-", "99.9 to 100", "99.9", 99.5);
    good = finish(&sk, trials) && good;
    struct task bq = any_size("BQ, any part, any size", "biquad", bq_all, 1e3, 60e3);
    group(&bq, bq_loop, true);
    say(&bq, "-", "99.7", "99.5", 99.3);
    good = finish(&bq, trials) && good;
    struct task sv =
        any_size("SV, any part, any size, band-pass output", "state-variable", sv_all, 80, 8e3);
    for (int g = 0; g < 3; g++)
        group(&sv, sv_groups[g], true);
    sv.see[0] = "bpo";
    say(&sv, "-", "99.6", "99.5", 99.2);
    good = finish(&sv, trials) && good;
    struct task lf = any_size("LF, any part, any size", "leapfrog", lf_all, 100, 5e3);
    for (int g = 0; g < 5; g++)
        group(&lf, lf_groups[g], true);
    say(&lf, "-", "98.6", "98", 98.2);
    return finish(&lf, trials) && good;
}

static bool row_8(int trials)
{
    struct task task =
        begin("8", "SK, 33 classes: one or two faults of +-50 %, u5/10", "sallen-key", 4e3, 200e3);
    up_and_down(&task, sk_four, 1.5, 0.5);
    pairs(&task, sk_four, 1.5, 0.5);
    task.frequencies = 6;
    say(&task, "open problem", "98.7", "98.5", 98.3);
    bool good = finish(&task, trials);
    task.see[1] = "a";
    task.see_count = 2;
    task.what = "SK, 33 classes, net a read too";
    say(&task, "open problem", "100.00", "99.9", 99.6);
    good = finish(&task, trials) && good;
    struct task bq =
        begin("8", "BQ, 73 classes: one or two faults of +-50 %, group level", "biquad", 1e3, 60e3);
    up_and_down(&bq, bq_six, 1.5, 0.5);
    pairs(&bq, bq_six, 1.5, 0.5);
    group_products(&bq, bq_six, bq_two);
    bq.frequencies = 6;
    bq.by_group = true;
    say(&bq, "open problem", "99.8 group", "99.7 group", 99.4);
    return finish(&bq, trials) && good;
}

int main(int count, char **arguments)
{
    int trials = 200;
    const char *row = NULL;
    bool check = false;
    for (int i = 1; i < count; i++) {
        if (strcmp(arguments[i], "--check") == 0)
            check = true;
        else if (strcmp(arguments[i], "--trials") == 0 && i + 1 < count)
            trials = atoi(arguments[++i]);
        else if (strcmp(arguments[i], "--row") == 0 && i + 1 < count)
            row = arguments[++i];
        else
            return 64;
    }
    static const struct {
        const char *row;
        bool (*run)(int);
        bool in_check;
    } rows[] = {{"1", row_1, true},  {"2", row_2, false}, {"3", row_3, true},
                {"4", row_4, true},  {"5", row_5, true},  {"6", row_6, false},
                {"8", row_8, false}, {"9", row_9, false}, {"12", row_12, true}};
    bool good = true;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if ((row != NULL && strcmp(row, rows[i].row) != 0) || (check && !rows[i].in_check))
            continue;
        good = rows[i].run(check ? 30 : trials) && good;
    }
    return check && !good;
}
