/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the captures tell of a board's parts. */
#include <math.h>
#include <string.h>

#include "diagnosis/learned.h"

#define FARTHEST 3 /* sigmas: no deviation is believed to lie farther out on so little */

void cj__learned_free(cj__learned *learned)
{
    if (learned == NULL)
        return;
    cj_free(learned->share);
    cj_free(learned->shift);
    cj_free(learned);
}

/* Columns that other readings have too: parameters, and what stands behind the looks' levels. */
static size_t shared(const cj__scene *scene, const cj__outlook *outlook)
{
    return (size_t)outlook->columns - scene->look_count;
}

static size_t column_of(const cj__scene *scene, size_t shared_index)
{
    size_t parameters = cj_bench_parameter_count(scene->bench);
    return shared_index < parameters ? shared_index : shared_index + scene->look_count;
}

static double gradient(const cj__scene *scene, const cj__outlook *outlook, size_t row, size_t index)
{
    size_t column = column_of(scene, index);
    return cj__column_size(outlook, column) * outlook->by[row * (size_t)outlook->columns + column];
}

cj_status cj__learned_make(cj__ranking *ranking, const cj__manner *manner, cj__learned **out,
                           cj_error *err)
{
    const cj__scene *scene = ranking->scene;
    cj__outlook *outlook = ranking->outlook;
    cj__normal *normal = ranking->normal;
    size_t rows = (size_t)scene->rows, count = shared(scene, outlook);
    cj_status status = cj__outlook_fill(scene, manner, NAN, CJ_SPREAD, NULL, outlook, err);
    if (status == CJ_OK)
        status = cj__normal_fill(scene, outlook, normal, err);
    if (status != CJ_OK)
        return status;
    cj__learned *learned = cj_new(1, sizeof *learned);
    if (learned == NULL)
        return cj_fail_memory(err);
    *learned = (cj__learned){.rows = scene->rows,
                             .count = count,
                             .share = cj_new(count * rows + 1, sizeof *learned->share),
                             .shift = cj_new(count + 1, sizeof *learned->shift)};
    if (learned->share == NULL || learned->shift == NULL) {
        cj__learned_free(learned);
        return cj_fail_memory(err);
    }
    cj__normal_distance(scene, outlook, normal);
    for (size_t c = 0; c < count; c++) {
        double *share = learned->share + c * rows, most = 0;
        for (size_t row = 0; row < rows; row++) {
            share[row] = gradient(scene, outlook, row, c);
            most = fmax(most, fabs(share[row]));
        }
        if (most == 0)
            continue;
        cj__forward(normal->factor, normal->rows, share);
        for (size_t row = 0; row < rows; row++)
            learned->shift[c] += share[row] * normal->white[row];
        learned->shift[c] = fmax(-FARTHEST, fmin(FARTHEST, learned->shift[c]));
    }
    *out = learned;
    return CJ_OK;
}

/* How far each captured row, whitened, carries over to this row. */
static void carry(const cj__learned *learned, const cj__scene *scene, const cj__outlook *outlook,
                  size_t row, double *to)
{
    size_t rows = (size_t)learned->rows;
    memset(to, 0, rows * sizeof *to);
    for (size_t c = 0; c < learned->count; c++) {
        double by = gradient(scene, outlook, row, c);
        for (size_t i = 0; by != 0 && i < rows; i++)
            to[i] += by * learned->share[c * rows + i];
    }
}

cj_status cj__learned_apply(const cj__learned *learned, const cj__scene *scene,
                            cj__outlook *outlook, cj__normal *normal, cj_error *err)
{
    size_t known = (size_t)learned->rows, rows = (size_t)normal->rows;
    if (known == 0 || learned->count != shared(scene, outlook))
        return CJ_OK;
    double *over = cj_new(rows * known, sizeof *over), *left = cj_new(rows * rows, sizeof *left);
    cj_status status = over == NULL || left == NULL ? cj_fail_memory(err) : CJ_OK;
    for (size_t r = 0; r < rows && status == CJ_OK; r++) {
        carry(learned, scene, outlook, r, over + r * known);
        for (size_t c = 0; c < learned->count; c++)
            outlook->mean[r] += gradient(scene, outlook, r, c) * learned->shift[c];
    }
    for (size_t r = 0; r < rows && status == CJ_OK; r++)
        for (size_t s = r; s < rows; s++) {
            double sum = 0;
            for (size_t k = 0; k <= r; k++)
                sum += normal->factor[k * rows + r] * normal->factor[k * rows + s];
            for (size_t i = 0; i < known; i++)
                sum -= over[r * known + i] * over[s * known + i];
            left[r * rows + s] = sum;
        }
    if (status == CJ_OK)
        status = cj__normal_set(normal, left, err);
    cj_free(over);
    cj_free(left);
    return status;
}
