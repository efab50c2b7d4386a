/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How well a prediction explains what was seen. */
#include <math.h>
#include <string.h>

#include "diagnosis/scene.h"

/* ---- a joint normal ---- */

/* Column k of the factor goes into row k, and out of all that is left: every sum keeps its order,
 * and the innermost loop runs along memory. */
static bool cholesky(double *a, int n)
{
    size_t size = (size_t)n;
    for (size_t k = 0; k < size; k++) {
        double *across = a + k * size;
        if (!(across[k] > 0 && isfinite(across[k])))
            return false;
        across[k] = sqrt(across[k]);
        for (size_t i = k + 1; i < size; i++)
            across[i] /= across[k];
        for (size_t j = k + 1; j < size; j++) {
            double *row = a + j * size, value = across[j];
            if (value == 0)
                continue;
            for (size_t i = j; i < size; i++)
                row[i] -= across[i] * value;
        }
    }
    return true;
}

void cj__forward(const double *factor, int n, double *b)
{
    for (int k = 0; k < n; k++) {
        const double *across = factor + (size_t)k * (size_t)n;
        double value = b[k] /= across[k];
        for (int i = k + 1; i < n; i++)
            b[i] -= across[i] * value;
    }
}

enum { BESIDE = 8 }; /* columns that are gone through together: a line of the cache */

cj_status cj__normal_make(int rows, cj__normal **out, cj_error *err)
{
    cj__normal *normal = cj_new(1, sizeof *normal);
    if (normal == NULL)
        return cj_fail_memory(err);
    size_t n = rows > 0 ? (size_t)rows : 1;
    normal->rows = rows;
    normal->factor = cj_new(n * n, sizeof *normal->factor);
    normal->white = cj_new(n, sizeof *normal->white);
    normal->touched = cj_new(BESIDE * n, sizeof *normal->touched);
    if (normal->factor == NULL || normal->white == NULL || normal->touched == NULL) {
        cj__normal_free(normal);
        return cj_fail_memory(err);
    }
    *out = normal;
    return CJ_OK;
}

void cj__normal_free(cj__normal *normal)
{
    if (normal == NULL)
        return;
    cj_free(normal->factor);
    cj_free(normal->white);
    cj_free(normal->touched);
    cj_free(normal);
}

/* Upper triangle of by by^T. Most columns touch few rows: those that are zero cost nothing. */
static void add_spread(const cj__outlook *outlook, double *a, cj__touched *touched)
{
    size_t n = (size_t)outlook->rows, columns = (size_t)outlook->columns;
    for (size_t first = 0; first < columns; first += BESIDE) {
        size_t beside = columns - first < BESIDE ? columns - first : BESIDE;
        size_t count[BESIDE] = {0};
        double factor[BESIDE];
        for (size_t c = 0; c < beside; c++)
            factor[c] = cj__column_size(outlook, first + c);
        for (size_t i = 0; i < n; i++)
            for (size_t c = 0; c < beside; c++) {
                double value = factor[c] * outlook->by[i * columns + first + c];
                if (value != 0)
                    touched[c * n + count[c]++] = (cj__touched){i, value};
            }
        for (size_t c = 0; c < beside; c++)
            for (size_t j = 0; j < count[c]; j++) {
                const cj__touched *at = touched + c * n;
                double *row = a + at[j].row * n;
                for (size_t i = j; i < count[c]; i++)
                    row[at[i].row] += at[i].value * at[j].value;
            }
    }
}

cj_status cj__normal_set(cj__normal *normal, const double *upper, cj_error *err)
{
    size_t n = (size_t)normal->rows;
    double *a = normal->factor;
    if (upper != a)
        memcpy(a, upper, n * n * sizeof *a);
    if (!cholesky(a, normal->rows))
        return cj_fail(err, CJ_BUG, "", 0, 0, "a covariance is not positive");
    normal->half_log_det = 0;
    for (size_t i = 0; i < n; i++)
        normal->half_log_det += log(a[i * n + i]);
    return CJ_OK;
}

cj_status cj__normal_fill(const cj__scene *scene, const cj__outlook *outlook, cj__normal *normal,
                          cj_error *err)
{
    int n = normal->rows;
    double *a = normal->factor;
    memset(a, 0, (size_t)n * (size_t)n * sizeof *a);
    add_spread(outlook, a, normal->touched);
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        const double *more = outlook->var + 3 * f;
        double residue[2] = {0, 0};
        if (outlook->residue)
            cj__residue_variance(scene, outlook, f, residue);
        size_t i = (size_t)feature->row, size = (size_t)n;
        a[i * size + i] += feature->var[0] + more[0] + residue[0];
        if (feature->rows == 2) {
            a[i * size + i + 1] += feature->var[1] + more[1];
            a[(i + 1) * size + i + 1] += feature->var[2] + more[2] + residue[1];
        }
    }
    return cj__normal_set(normal, a, err);
}

double cj__normal_variance(const cj__normal *normal, int row)
{
    double variance = 0;
    for (int k = 0; k <= row; k++) {
        double share = normal->factor[(size_t)k * (size_t)normal->rows + (size_t)row];
        variance += share * share;
    }
    return variance;
}

double cj__normal_distance(const cj__scene *scene, const cj__outlook *outlook, cj__normal *normal)
{
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        for (int r = 0; r < feature->rows; r++)
            normal->white[feature->row + r] = feature->x[r] - outlook->mean[feature->row + r];
    }
    cj__forward(normal->factor, normal->rows, normal->white);
    double sum = 0;
    for (int i = 0; i < normal->rows; i++)
        sum += normal->white[i] * normal->white[i];
    return sum;
}

static double add_logs(double a, double b)
{
    double high = fmax(a, b);
    return isfinite(high) ? high + log(exp(a - high) + exp(b - high)) : high;
}

/* Standard deviations are themselves judged: nine in ten as stated, one in ten half as large again,
 * one in a hundred three times (a scale mixture, heavier in its tails than a normal). */
double cj__normal_log(const cj__normal *normal, double distance)
{
    static const double scales[] = {1, 1.5, 3}, weights[] = {0.89, 0.10, 0.01};
    double sum = -INFINITY;
    for (int i = 0; i < 3; i++)
        sum = add_logs(sum, log(weights[i]) - normal->rows * log(scales[i]) -
                                distance / (2 * scales[i] * scales[i]));
    return sum - normal->half_log_det - normal->rows * 0.5 * log(2 * M_PI);
}

/* Each row has a cause of its own with a small probability; it then lies anywhere within some
 * thousand standard deviations. Over what it is where none has: however many rows there are, where
 * nothing strays it is the plain density. */
double cj__normal_log_outliers(const cj__normal *normal)
{
    double sum = -normal->half_log_det;
    for (int i = 0; i < normal->rows; i++) {
        double inside = -0.5 * normal->white[i] * normal->white[i] - 0.5 * log(2 * M_PI);
        sum += add_logs(inside, log(0.01 / 0.99 / 1000));
    }
    return sum;
}

/* ---- distortion ---- */

/* ln of the normal distribution function, good far out in the tail. */
static double log_below(double z)
{
    if (z > -10)
        return log(0.5 * erfc(-z / M_SQRT2));
    return -0.5 * z * z - log(-z) - 0.5 * log(2 * M_PI);
}

enum { THD_SPAN = 12 }; /* ln from 0.0005 % to 100 %, about */

/* A linear circuit distorts by some hundredths of a per cent, give or take a factor of four. */
static double distortion_core(const cj__distortion *seen, double predicted, bool loose)
{
    bool unknown = isnan(predicted);
    double linear = log(2e-4), middle = unknown ? 0 : log(fmax(predicted, 2e-4));
    double sigma = middle > linear + 1 ? (loose ? 0.9 : 0.25) : 1.4;
    if (isnan(seen->x)) { /* only a bound: the share of the prediction that lies below it */
        if (unknown)
            return log(fmin(fmax((seen->bound - log(5e-6)) / THD_SPAN, 0.01), 1));
        return fmax(log_below((seen->bound - middle) / sigma), -40);
    }
    if (unknown)
        return -log(THD_SPAN);
    sigma = hypot(sigma, seen->u);
    double z = (seen->x - middle) / sigma;
    return -0.5 * z * z - log(sigma) - 0.5 * log(2 * M_PI);
}

/* One reading in twenty has a cause of its own (a glitch, a capture short of the tone). */
static double distortion_one(const cj__distortion *seen, double predicted, bool loose)
{
    return add_logs(log(0.95) + distortion_core(seen, predicted, loose),
                    log(0.05) + distortion_core(seen, NAN, true));
}

double cj__distortion_log(const cj__scene *scene, const cj__outlook *outlook)
{
    /* either the prediction holds for all, or (2 %) distortion has a cause of its own */
    double sum = log(0.98), own = log(0.02);
    for (size_t d = 0; d < scene->distortion_count; d++) {
        sum += distortion_one(&scene->distortions[d], outlook->thd[d], outlook->loose[d]);
        own += distortion_one(&scene->distortions[d], NAN, true);
    }
    return add_logs(sum, own);
}
