/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Faults that the steps cannot tell apart, and how many combinations of part values they determine.
 */
#include <math.h>
#include <string.h>

#include "diagnosis/study.h"

#define APART 2.0 /* standard deviations, as in groups.c */

const cj__manner *cj__study_manner(const cj__suspect *suspect, double factor, double *value)
{
    const cj__manner *heaviest = &suspect->manners[0];
    for (size_t m = 1; m < suspect->count; m++)
        if (suspect->manners[m].weight > heaviest->weight)
            heaviest = &suspect->manners[m];
    *value = NAN;
    if (heaviest->prior == CJ__PART_VALUE)
        *value = heaviest->middle * factor;
    else if (heaviest->prior == CJ__AROUND)
        *value = heaviest->middle;
    else if (heaviest->prior == CJ__ANY)
        *value = sqrt(heaviest->low * heaviest->high);
    return heaviest;
}

struct grouping {
    cj_study *study;
    const cj__scene *scene;
    const cj__suspects *suspects;
    cj__outlook *outlook;
    cj__normal *normal;
    double *means;    /* [suspects * rows] */
    size_t *group_of; /* [suspects] lead of its group */
};

static const double *mean_of(const struct grouping *grouping, size_t suspect)
{
    return grouping->means + suspect * (size_t)grouping->scene->rows;
}

static cj_status fill(struct grouping *grouping, size_t suspect, unsigned want, cj_error *err)
{
    double value;
    const cj__manner *manner = cj__study_manner(&grouping->suspects->items[suspect], 10, &value);
    return cj__outlook_fill(grouping->scene, manner, value, want | CJ_TRANSIENT, NULL,
                            grouping->outlook, err);
}

static cj_status all_means(struct grouping *grouping, cj_error *err)
{
    size_t rows = (size_t)grouping->scene->rows;
    for (size_t i = 0; i < grouping->suspects->count; i++) {
        if (cj_bench_work(grouping->scene->bench) > CJ__WORK_MOST)
            grouping->study->too_large = true;
        if (grouping->study->too_large)
            return CJ_OK;
        cj_status status = fill(grouping, i, 0, err);
        if (status != CJ_OK)
            return status;
        memcpy(grouping->means + i * rows, grouping->outlook->mean, rows * sizeof *grouping->means);
    }
    return CJ_OK;
}

static bool is_value(const cj__suspect *suspect)
{
    return suspect->fault.kind == CJ_FAULT_WRONG_VALUE;
}

/* Faults of fixed size: those whose readings lie close together. */
static cj_status group_fixed(struct grouping *grouping, cj_error *err)
{
    size_t count = grouping->suspects->count;
    for (size_t i = 0; i < count; i++)
        grouping->group_of[i] = i;
    for (size_t i = 0; i < count; i++) {
        if (grouping->group_of[i] != i || is_value(&grouping->suspects->items[i]))
            continue;
        cj_status status = fill(grouping, i, CJ_SPREAD, err);
        if (status == CJ_OK)
            status = cj__normal_fill(grouping->scene, grouping->outlook, grouping->normal, err);
        if (status != CJ_OK)
            return status;
        for (size_t j = i + 1; j < count; j++)
            if (grouping->group_of[j] == j && !is_value(&grouping->suspects->items[j]) &&
                cj__apart(grouping->normal, mean_of(grouping, i), mean_of(grouping, j)) < APART)
                grouping->group_of[j] = i;
    }
    return CJ_OK;
}

/* ---- values: by direction ---- */

/* How the readings of a good unit move with ln of each part's value, in standard deviations of
 * measuring. */
struct slopes {
    double *items;    /* [count * rows] */
    size_t *suspects; /* whose value */
    size_t count;
    int rows;
};

static double dot(const double *a, const double *b, int n)
{
    double sum = 0;
    for (int i = 0; i < n; i++)
        sum += a[i] * b[i];
    return sum;
}

static cj_status value_slopes(struct grouping *grouping, struct slopes *slopes, cj_error *err)
{
    const cj__scene *scene = grouping->scene;
    size_t rows = (size_t)scene->rows, count = grouping->suspects->count;
    slopes->rows = scene->rows;
    slopes->items = cj_new(count * rows + 1, sizeof *slopes->items);
    slopes->suspects = cj_new(count + 1, sizeof *slopes->suspects);
    if (slopes->items == NULL || slopes->suspects == NULL)
        return cj_fail_memory(err);
    const double step = 0.01;
    for (size_t i = 0; i < count; i++) {
        if (!is_value(&grouping->suspects->items[i]))
            continue;
        double value, *slope = slopes->items + slopes->count * rows;
        slopes->suspects[slopes->count++] = i;
        const cj__manner *manner = cj__study_manner(&grouping->suspects->items[i], 1, &value);
        cj_status status =
            cj__outlook_fill(scene, manner, value * exp(step), 0, NULL, grouping->outlook, err);
        if (status != CJ_OK)
            return status;
        memcpy(slope, grouping->outlook->mean, rows * sizeof *slope);
        status =
            cj__outlook_fill(scene, manner, value * exp(-step), 0, NULL, grouping->outlook, err);
        if (status != CJ_OK)
            return status;
        for (size_t r = 0; r < rows; r++)
            slope[r] = (slope[r] - grouping->outlook->mean[r]) / (2 * step);
        for (size_t f = 0; f < scene->count; f++) {
            const cj__feature *feature = &scene->features[f];
            for (int r = 0; r < feature->rows; r++)
                slope[feature->row + r] /= sqrt(feature->var[2 * r]);
        }
    }
    return CJ_OK;
}

/* A change by a factor of two moves the readings by less than APART: it does not show. */
#define FACTOR M_LN2

/* Two values are one where what the second does beyond the first does not show. */
static void group_values(struct grouping *grouping, const struct slopes *slopes)
{
    for (size_t i = 0; i < slopes->count; i++) {
        const double *a = slopes->items + i * (size_t)slopes->rows;
        double aa = dot(a, a, slopes->rows);
        size_t lead = slopes->suspects[i];
        if (grouping->group_of[lead] != lead)
            continue;
        for (size_t j = i + 1; j < slopes->count; j++) {
            const double *b = slopes->items + j * (size_t)slopes->rows;
            double bb = dot(b, b, slopes->rows), ab = dot(a, b, slopes->rows);
            size_t other = slopes->suspects[j];
            bool dull_a = sqrt(aa) * FACTOR < APART, dull_b = sqrt(bb) * FACTOR < APART;
            double beyond = aa > 0 ? sqrt(fmax(bb - ab * ab / aa, 0)) : sqrt(bb);
            bool same = dull_a || dull_b ? dull_a && dull_b : beyond * FACTOR < APART;
            if (grouping->group_of[other] == other && same)
                grouping->group_of[other] = lead;
        }
    }
}

/* Rank of the slopes: modified Gram-Schmidt, the largest rest first, until nothing shows. */
static size_t rank_of(struct slopes *slopes)
{
    size_t rank = 0;
    for (size_t done = 0; done < slopes->count; done++) {
        size_t largest = done;
        double most = 0;
        for (size_t i = done; i < slopes->count; i++) {
            const double *a = slopes->items + i * (size_t)slopes->rows;
            double size = dot(a, a, slopes->rows);
            if (size > most) {
                most = size;
                largest = i;
            }
        }
        if (sqrt(most) * FACTOR < APART)
            break;
        rank++;
        double *pivot = slopes->items + largest * (size_t)slopes->rows;
        double *first = slopes->items + done * (size_t)slopes->rows;
        for (int r = 0; r < slopes->rows; r++) {
            double swap = pivot[r];
            pivot[r] = first[r];
            first[r] = swap;
        }
        for (size_t i = done + 1; i < slopes->count; i++) {
            double *a = slopes->items + i * (size_t)slopes->rows;
            double share = dot(a, first, slopes->rows) / most;
            for (int r = 0; r < slopes->rows; r++)
                a[r] -= share * first[r];
        }
    }
    return rank;
}

/* ---- the answer ---- */

static cj_status collect(struct grouping *grouping, cj_error *err)
{
    cj_study *study = grouping->study;
    size_t count = grouping->suspects->count;
    study->groups = cj_new(count + 1, sizeof *study->groups);
    if (study->groups == NULL)
        return cj_fail_memory(err);
    for (size_t lead = 0; lead < count; lead++) {
        cj_fault_group *group = &study->groups[study->group_count];
        for (size_t i = lead; i < count; i++) {
            if (i == 0 || grouping->group_of[i] != lead)
                continue;
            cj_status status = cj__fault_group_add(group, &grouping->suspects->items[i], err);
            if (status != CJ_OK) {
                study->group_count++;
                return status;
            }
        }
        /* what reads like a good unit is no group of its own: it is among the unseen */
        if (group->count > 1 && lead != 0)
            study->group_count++;
        else
            cj__fault_group_clear(group);
    }
    return CJ_OK;
}

cj_status cj__study_groups(cj_study *study, const cj__scene *scene, const cj__suspects *suspects,
                           cj_error *err)
{
    struct grouping grouping = {.study = study, .scene = scene, .suspects = suspects};
    struct slopes slopes = {0};
    grouping.means = cj_new(suspects->count * (size_t)scene->rows + 1, sizeof *grouping.means);
    grouping.group_of = cj_new(suspects->count, sizeof *grouping.group_of);
    cj_status status =
        grouping.means == NULL || grouping.group_of == NULL ? cj_fail_memory(err) : CJ_OK;
    if (status == CJ_OK)
        status = cj__outlook_make(scene, &grouping.outlook, err);
    if (status == CJ_OK)
        status = cj__normal_make(scene->rows, &grouping.normal, err);
    if (status == CJ_OK)
        status = all_means(&grouping, err);
    bool compare = status == CJ_OK && !study->too_large;
    if (compare)
        status = group_fixed(&grouping, err);
    if (compare && status == CJ_OK)
        status = value_slopes(&grouping, &slopes, err);
    if (compare && status == CJ_OK) {
        group_values(&grouping, &slopes);
        status = collect(&grouping, err);
    }
    if (status == CJ_OK) {
        for (size_t i = 1; i < suspects->count; i++)
            study->fault_count += suspects->items[i].both_pins ? 2 : 1;
        study->parts = slopes.count;
        study->rank = rank_of(&slopes);
    }
    cj_free(slopes.items);
    cj_free(slopes.suspects);
    cj_free(grouping.means);
    cj_free(grouping.group_of);
    cj__outlook_free(grouping.outlook);
    cj__normal_free(grouping.normal);
    return status;
}
