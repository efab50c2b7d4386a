/* SPDX-License-Identifier: GPL-3.0-or-later */
/* system.c - small dense systems: elimination with scaled partial pivoting, the factors kept. */
#include <math.h>
#include <string.h>

#include "circuit/internal.h"

/* Less than this is left of a difference: more than half of the digits are gone. */
static const double poor_pivot = 1e-9;

static bool grow(void **items, size_t count, size_t size)
{
    void *grown = cj_resize(*items, count, size);
    if (grown)
        *items = grown;
    return grown != NULL;
}

bool cj__system_reserve(cj__system *system, int order)
{
    size_t n = (size_t)order, room = n + 8;
    system->order = order;
    if (order > system->capacity || system->a == NULL) {
        if (!grow((void **)&system->a, room * room, sizeof(cj__c)) ||
            !grow((void **)&system->size, room * room, sizeof(double)) ||
            !grow((void **)&system->pivot, room, sizeof(int)) ||
            !grow((void **)&system->scale, room, sizeof(double)))
            return false;
        system->capacity = (int)room;
    }
    memset(system->a, 0, n * n * sizeof(cj__c));
    memset(system->size, 0, n * n * sizeof(double));
    return true;
}

void cj__system_clear(cj__system *system)
{
    cj_free(system->a);
    cj_free(system->size);
    cj_free(system->pivot);
    cj_free(system->scale);
    *system = (cj__system){0};
}

static void find_scales(cj__system *system)
{
    int n = system->order;
    for (int i = 0; i < n; i++) {
        double most = 1e-300;
        for (int j = 0; j < n; j++)
            most = cj__larger(most, cj__size(system->a[i * n + j]));
        system->scale[i] = most;
    }
}

static void exchange_rows(cj__system *system, int k, int with)
{
    int n = system->order;
    for (int j = 0; j < n; j++) {
        cj__c keep = system->a[k * n + j];
        system->a[k * n + j] = system->a[with * n + j], system->a[with * n + j] = keep;
        double size = system->size[k * n + j];
        system->size[k * n + j] = system->size[with * n + j], system->size[with * n + j] = size;
    }
    double scale = system->scale[k];
    system->scale[k] = system->scale[with], system->scale[with] = scale;
    system->sign = -system->sign;
}

/* The row with the largest entry of column k for its size. */
static int choose_row(const cj__system *system, int k)
{
    int n = system->order, best = k;
    for (int i = k + 1; i < n; i++)
        if (cj__size(system->a[i * n + k]) * system->scale[best] >
            cj__size(system->a[best * n + k]) * system->scale[i])
            best = i;
    return best;
}

static void eliminate(cj__system *system, int k, cj__c inverse)
{
    int n = system->order;
    const cj__c *upper = system->a + k * n;
    for (int i = k + 1; i < n; i++) {
        cj__c *row = system->a + i * n;
        double *size = system->size + i * n;
        if (row[k] == 0)
            continue;
        cj__c factor = row[k] = cj__mul(row[k], inverse);
        for (int j = k + 1; j < n; j++) {
            cj__c part = cj__mul(factor, upper[j]);
            row[j] -= part;
            size[j] = cj__larger(size[j], cj__size(part));
        }
    }
}

void cj__system_factor(cj__system *system)
{
    int n = system->order;
    cj__c direction = 1; /* of the determinant */
    system->poor = false, system->sign = 1;
    system->work += (double)n * n * n / 3;
    find_scales(system);
    for (int k = 0; k < n; k++) {
        int best = system->pivot[k] = choose_row(system, k);
        if (best != k)
            exchange_rows(system, k, best);
        cj__c *pivot = &system->a[k * n + k];
        if (!(cj__size(*pivot) > poor_pivot * system->size[k * n + k]))
            system->poor = true;
        if (!(cj__size(*pivot) > 1e-280))
            *pivot = 1e-280, system->poor = true;
        direction = cj__mul(direction, *pivot / cj__size(*pivot));
        eliminate(system, k, cj__div(1, *pivot));
    }
    system->sign *= creal(direction) < 0 ? -1 : 1;
}

void cj__system_solve(const cj__system *system, cj__c *b)
{
    int n = system->order;
    const cj__c *a = system->a;
    for (int k = 0; k < n; k++) {
        cj__c keep = b[system->pivot[k]];
        b[system->pivot[k]] = b[k], b[k] = keep;
    }
    for (int i = 1; i < n; i++)
        for (int j = 0; j < i; j++)
            b[i] -= cj__mul(a[i * n + j], b[j]);
    for (int i = n - 1; i >= 0; i--) {
        for (int j = i + 1; j < n; j++)
            b[i] -= cj__mul(a[i * n + j], b[j]);
        b[i] = cj__div(b[i], a[i * n + i]);
    }
}

void cj__system_solve_transposed(const cj__system *system, cj__c *b)
{
    int n = system->order;
    const cj__c *a = system->a;
    for (int i = 0; i < n; i++) {
        for (int j = 0; j < i; j++)
            b[i] -= cj__mul(a[j * n + i], b[j]);
        b[i] = cj__div(b[i], a[i * n + i]);
    }
    for (int i = n - 2; i >= 0; i--)
        for (int j = i + 1; j < n; j++)
            b[i] -= cj__mul(a[j * n + i], b[j]);
    for (int k = n - 1; k >= 0; k--) {
        cj__c keep = b[system->pivot[k]];
        b[system->pivot[k]] = b[k], b[k] = keep;
    }
}
