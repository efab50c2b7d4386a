/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * comb.c - sums and synthesis over the harmonics of one frequency.
 *
 * A record is cut into blocks. exp(j k w t) is exp(j k w t_block) times exp(j k w l), l counted
 * from the block's centre, and the second factor is one table for all blocks: both directions
 * become products of small matrices, which compilers turn into vector code without any
 * reassociation.
 */
#include "signal/internal.h"

#include <math.h>
#include <string.h>

#define ABREAST 4 /* blocks treated at once */
#define LANES 8   /* table columns treated at once: two vectors */
#define ANCHOR 32 /* powers of a phasor between fresh ones: keeps rounding at some 1e-15 */

typedef double four __attribute__((vector_size(32), aligned(8), may_alias));

double cj__turns(double f, double m)
{
    double high = f * m;
    double low = fma(f, m, -high);
    return (high - rint(high)) + low;
}

cj_complex cj__phasor(double f, double m)
{
    double angle = CJ__TWO_PI * cj__turns(f, m);
    return (cj_complex){cos(angle), sin(angle)};
}

double cj__dirichlet(double f, int m, size_t n)
{
    double below = sin(CJ__TWO_PI * cj__turns(f, 0.5 * m));
    if (m == 0 || below == 0.0) { /* m f a whole number: every term is +1 or every one is -1 */
        bool odd = m != 0 && fmod(rint(f * m) * (double)(n - 1), 2.0) != 0.0;
        return odd ? -(double)n : (double)n;
    }
    return sin(CJ__TWO_PI * cj__turns(f, 0.5 * m * (double)n)) / below;
}

/* powers[k-1] = exp(j 2 pi k f m), k = 1..h */
static void powers_of(double f, double m, int h, cj_complex *powers)
{
    cj_complex first = cj__phasor(f, m);
    for (int k = 1; k <= h; k++) {
        powers[k - 1] =
            (k - 1) % ANCHOR == 0 ? cj__phasor(f, m * k) : cj__times(powers[k - 2], first);
    }
}

/* Of a block's centre about its group's. */
static double block_time(const cj__comb *comb, size_t block)
{
    return ((double)(block % CJ__GROUP) - 0.5 * (CJ__GROUP - 1)) * comb->length;
}

double cj__comb_group_time(const cj__comb *comb, size_t group)
{
    double length = (double)CJ__GROUP * comb->length;
    return (double)group * length + 0.5 * (length - 1.0) - 0.5 * (double)(comb->n - 1);
}

size_t cj__comb_group_count(const cj__comb *comb)
{
    size_t length = (size_t)CJ__GROUP * (size_t)comb->length;
    return (comb->n + length - 1) / length;
}

static bool grow(double **memory, size_t *size, size_t want)
{
    if (want <= *size) {
        return true;
    }
    double *more = cj_resize(*memory, want, sizeof(double));
    if (more == NULL) {
        return false;
    }
    *memory = more;
    *size = want;
    return true;
}

static void fill_table(cj__comb *comb)
{
    int length = comb->length, stride = comb->stride, h = comb->h;
    cj_complex *powers = (cj_complex *)comb->work;
    memset(comb->rows, 0, sizeof(double) * (size_t)length * (size_t)stride);
    for (int l = 0; l < (length + 1) / 2; l++) {
        powers_of(comb->f, l - 0.5 * (length - 1), h, powers);
        double *row = comb->rows + (size_t)l * (size_t)stride;
        double *mirror = comb->rows + (size_t)(length - 1 - l) * (size_t)stride;
        for (int k = 0; k < h; k++) {
            row[2 * k] = mirror[2 * k] = powers[k].re;
            row[2 * k + 1] = -powers[k].im;
            mirror[2 * k + 1] = powers[k].im;
        }
    }
    for (int l = 0; l < length; l++) {
        for (int column = 0; column < stride; column++) {
            comb->turned[(size_t)column * (size_t)length + (size_t)l] =
                comb->rows[(size_t)l * (size_t)stride + (size_t)column];
        }
    }
}

bool cj__comb_set(cj__comb *comb, size_t n, double f, int h)
{
    comb->n = n;
    comb->f = f;
    comb->h = h;
    comb->length = n < 4096 ? 16 : 64;
    comb->stride = (2 * h + LANES - 1) / LANES * LANES;
    size_t table = (size_t)comb->length * (size_t)comb->stride;
    if (!grow(&comb->rows, &comb->rows_size, 2 * table) ||
        !grow(&comb->work, &comb->work_size,
              ABREAST * ((size_t)comb->length + 2 * (size_t)comb->stride))) {
        return false;
    }
    comb->turned = comb->rows + table;
    size_t turns = (CJ__GROUP + 1) * (size_t)h;
    if (turns > comb->turns_size) {
        cj_complex *more = cj_resize(comb->turns, turns, sizeof *more);
        if (more == NULL)
            return false;
        comb->turns = more;
        comb->turns_size = turns;
    }
    comb->lines = comb->turns + CJ__GROUP * (size_t)h;
    for (size_t block = 0; block < CJ__GROUP && block * (size_t)comb->length < n; block++)
        powers_of(f, block_time(comb, block), h, comb->turns + block * (size_t)h);
    fill_table(comb);
    return true;
}

void cj__comb_free(cj__comb *comb)
{
    cj_free(comb->rows);
    cj_free(comb->work);
    cj_free(comb->turns);
    memset(comb, 0, sizeof *comb);
}

/* z[b][column] = sum_l y[b][l] rows[l][column] */
CJ__CLONES
static void blocks_onto_table(const double *y, int length, const double *rows, int stride,
                              double *z)
{
    for (int column = 0; column < stride; column += LANES) {
        four a0 = {0}, a1 = {0}, b0 = {0}, b1 = {0}, c0 = {0}, c1 = {0}, d0 = {0}, d1 = {0};
        const double *row = rows + column;
        for (int l = 0; l < length; l++, row += stride) {
            four low = *(const four *)row, high = *(const four *)(row + 4);
            double a = y[l], b = y[length + l], c = y[2 * length + l], d = y[3 * length + l];
            a0 += low * a;
            a1 += high * a;
            b0 += low * b;
            b1 += high * b;
            c0 += low * c;
            c1 += high * c;
            d0 += low * d;
            d1 += high * d;
        }
        *(four *)(z + column) = a0;
        *(four *)(z + column + 4) = a1;
        *(four *)(z + stride + column) = b0;
        *(four *)(z + stride + column + 4) = b1;
        *(four *)(z + 2 * stride + column) = c0;
        *(four *)(z + 2 * stride + column + 4) = c1;
        *(four *)(z + 3 * stride + column) = d0;
        *(four *)(z + 3 * stride + column + 4) = d1;
    }
}

/* y[b][l] = sum_column z[b][column] turned[column][l] */
CJ__CLONES
static void table_onto_blocks(const double *z, int stride, const double *turned, int length,
                              double *y)
{
    for (int l = 0; l < length; l += LANES) {
        four a0 = {0}, a1 = {0}, b0 = {0}, b1 = {0}, c0 = {0}, c1 = {0}, d0 = {0}, d1 = {0};
        const double *row = turned + l;
        for (int column = 0; column < stride; column++, row += length) {
            four low = *(const four *)row, high = *(const four *)(row + 4);
            double a = z[column], b = z[stride + column];
            double c = z[2 * stride + column], d = z[3 * stride + column];
            a0 += low * a;
            a1 += high * a;
            b0 += low * b;
            b1 += high * b;
            c0 += low * c;
            c1 += high * c;
            d0 += low * d;
            d1 += high * d;
        }
        *(four *)(y + l) = a0;
        *(four *)(y + l + 4) = a1;
        *(four *)(y + length + l) = b0;
        *(four *)(y + length + l + 4) = b1;
        *(four *)(y + 2 * length + l) = c0;
        *(four *)(y + 2 * length + l + 4) = c1;
        *(four *)(y + 3 * length + l) = d0;
        *(four *)(y + 3 * length + l + 4) = d1;
    }
}

/* out += z of one block, turned from the block's centre to the group's */
static void gather(const cj__comb *comb, size_t block, const double *z, cj_complex *out)
{
    const cj_complex *turn = comb->turns + block % CJ__GROUP * (size_t)comb->h;
    for (int k = 0; k < comb->h; k++) {
        out[k].re += z[2 * k] * turn[k].re + z[2 * k + 1] * turn[k].im;
        out[k].im += z[2 * k + 1] * turn[k].re - z[2 * k] * turn[k].im;
    }
}

/* z of one block from the group's lines: a_k exp(j k w t_block) */
static void scatter(const cj__comb *comb, size_t block, double *z)
{
    const cj_complex *turn = comb->turns + block % CJ__GROUP * (size_t)comb->h, *a = comb->lines;
    for (int k = 0; k < comb->h; k++) {
        z[2 * k] = a[k].re * turn[k].re - a[k].im * turn[k].im;
        z[2 * k + 1] = a[k].re * turn[k].im + a[k].im * turn[k].re;
    }
}

/* to[k] (+)= from[k] exp(j 2 pi (k+1) f m) */
static void turn_lines(const cj__comb *comb, double m, const cj_complex *from, bool add,
                       cj_complex *to)
{
    cj_complex first = cj__phasor(comb->f, m), turn = first;
    for (int k = 1; k <= comb->h; k++) {
        if (k > 1 && (k - 1) % ANCHOR == 0)
            turn = cj__phasor(comb->f, m * k);
        cj_complex line = cj__times(from[k - 1], turn);
        to[k - 1].re = line.re + (add ? to[k - 1].re : 0.0);
        to[k - 1].im = line.im + (add ? to[k - 1].im : 0.0);
        turn = cj__times(turn, first);
    }
}

/* One group's sums about its own centre. */
static void sum_group(cj__comb *comb, size_t group, const double *y, cj_complex *out)
{
    size_t length = (size_t)comb->length, stride = (size_t)comb->stride;
    size_t block = group * CJ__GROUP, end = block + CJ__GROUP;
    double *padded = comb->work, *z = comb->work + ABREAST * length;
    memset(out, 0, sizeof *out * (size_t)comb->h);
    for (; block < end && block * length < comb->n; block += ABREAST) {
        size_t begin = block * length, left = comb->n - begin;
        const double *from = y + begin;
        if (left < ABREAST * length) {
            memset(padded, 0, sizeof(double) * ABREAST * length);
            memcpy(padded, from, sizeof(double) * left);
            from = padded;
        }
        blocks_onto_table(from, comb->length, comb->rows, comb->stride, z);
        for (size_t b = 0; b < ABREAST && (block + b) * length < comb->n; b++)
            gather(comb, block + b, z + b * stride, out);
    }
}

void cj__comb_groups(cj__comb *comb, const double *y, cj_complex *out)
{
    for (size_t group = 0; group < cj__comb_group_count(comb); group++)
        sum_group(comb, group, y, out + group * (size_t)comb->h);
}

void cj__comb_sums(cj__comb *comb, const double *y, cj_complex *out)
{
    memset(out, 0, sizeof *out * (size_t)comb->h);
    for (size_t group = 0; group < cj__comb_group_count(comb); group++) {
        sum_group(comb, group, y, comb->lines);
        turn_lines(comb, -cj__comb_group_time(comb, group), comb->lines, true, out);
    }
}

/* out = x - dc - model (x NULL: the model itself) for up to ABREAST blocks */
static void finish_blocks(const double *model, const double *x, double dc, size_t count,
                          double *out)
{
    if (x == NULL)
        memcpy(out, model, sizeof(double) * count);
    else
        for (size_t i = 0; i < count; i++)
            out[i] = x[i] - dc - model[i];
}

static void synthesise(cj__comb *comb, const cj_complex *a, double dc, const double *x, double *out)
{
    size_t length = (size_t)comb->length, stride = (size_t)comb->stride;
    double *model = comb->work, *z = comb->work + ABREAST * length;
    memset(z, 0, sizeof(double) * ABREAST * stride);
    for (size_t block = 0; block * length < comb->n; block += ABREAST) {
        size_t begin = block * length, left = comb->n - begin;
        if (block % CJ__GROUP == 0)
            turn_lines(comb, cj__comb_group_time(comb, block / CJ__GROUP), a, false, comb->lines);
        for (size_t b = 0; b < ABREAST && (block + b) * length < comb->n; b++)
            scatter(comb, block + b, z + b * stride);
        table_onto_blocks(z, comb->stride, comb->turned, comb->length, model);
        finish_blocks(model, x ? x + begin : NULL, dc,
                      left < ABREAST * length ? left : ABREAST * length, out + begin);
    }
}

void cj__comb_synth(cj__comb *comb, const cj_complex *a, double *out)
{
    synthesise(comb, a, 0.0, NULL, out);
}

void cj__comb_subtract(cj__comb *comb, const cj_complex *a, double dc, const double *x, double *out)
{
    synthesise(comb, a, dc, x, out);
}
