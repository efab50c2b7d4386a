/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * solve.c - the changed solution from the frame's (Woodbury's identity; M. A. Woodbury, 1950).
 *
 * With Z the inverse of the frame's matrix, p and q the nodes of a term, extra nodes y:
 *     x' = x + sum Z p j,   j = k q' (x + sum Z p j + y) + f,   (to earth) y = current of the terms
 * into it.
 */
#include <math.h>
#include <string.h>

#include "circuit/internal.h"

/* Where a node stands in a vector of the frame; extra nodes read earth's zero there. */
static size_t place_of(const cj__change *change, int node)
{
    return node >= change->frame->nodes ? 0 : (size_t)(node + 1);
}

static int extra_of(const cj__change *change, int node)
{
    return node >= change->frame->nodes ? change->extra[node - change->frame->nodes].place : -1;
}

static bool reserve(cj__change *change)
{
    size_t order = change->term_count + (size_t)change->extras;
    while (change->column_capacity < 2 * change->term_count)
        if (!cj_reserve((void **)&change->columns, &change->column_capacity, 2 * change->term_count,
                        sizeof(cj__c *)))
            return false;
    while (change->answer_capacity < order + 1)
        if (!cj_reserve((void **)&change->answer, &change->answer_capacity, order + 1,
                        sizeof(cj__c)))
            return false;
    return true;
}

static cj__c through(const cj__change *change, size_t s, size_t place)
{
    return change->columns[2 * s][place] - change->columns[2 * s + 1][place];
}

static double through_size(const cj__change *change, size_t s, size_t place)
{
    return cj__size(change->columns[2 * s][place]) + cj__size(change->columns[2 * s + 1][place]);
}

/* A branch of low resistance between nodes of high: the port's own column has the digits. */
static bool sharpen(cj__change *change, size_t t)
{
    const cj__term *term = &change->terms[t];
    if (term->pa != term->qa || term->pb != term->qb || term->pb < 0 ||
        term->pa >= change->frame->nodes)
        return true;
    size_t a = place_of(change, term->pa), b = place_of(change, term->pb);
    double all = through_size(change, t, a) + through_size(change, t, b);
    cj__c left = 1 - cj__mul(term->k, through(change, t, a) - through(change, t, b));
    if (cj__size(left) > 1e-5 * cj__size(term->k) * all)
        return true;
    change->columns[2 * t] = cj__port_column(change->plane, term->pa, term->pb);
    change->columns[2 * t + 1] = change->frame->zero;
    return change->columns[2 * t] != NULL;
}

/* What a star leaves beside the leak that every node has: one term less to solve. */
static bool is_nothing(const cj__term *term)
{
    return cj__size(term->k) < 1e-3 * CJ__LEAK && term->f == 0 && term->pa == term->qa;
}

/* A leak to earth that a lifted pin leaves on a net that has better company: beside one other term
 * its effect is known beforehand. */
static void drop_leak(cj__change *change)
{
    if (change->term_count != 2)
        return;
    size_t t = cj__size(change->terms[0].k) < cj__size(change->terms[1].k) ? 0 : 1, other = 1 - t;
    const cj__term *leak = &change->terms[t], *term = &change->terms[other];
    if (cj__size(leak->k) > 10 * CJ__LEAK || leak->f != 0 || leak->pb >= 0 ||
        leak->qa != leak->pa || leak->pa >= change->frame->nodes ||
        term->qa >= change->frame->nodes || term->qb >= change->frame->nodes)
        return;
    size_t a = place_of(change, leak->pa), qa = place_of(change, term->qa),
           qb = place_of(change, term->qb);
    cj__c left = 1 - cj__mul(term->k, through(change, other, qa) - through(change, other, qb));
    cj__c back = cj__mul(term->k, through(change, t, qa) - through(change, t, qb));
    double most = cj__size(through(change, t, a)) +
                  cj__size(cj__mul(through(change, other, a), back)) / cj__size(left);
    if (!(cj__size(leak->k) * most < 3e-7))
        return;
    change->terms[t] = change->terms[1];
    change->columns[2 * t] = change->columns[2], change->columns[2 * t + 1] = change->columns[3];
    change->term_count = 1;
}

static bool find_columns(cj__change *change)
{
    int nodes = change->frame->nodes;
    for (size_t t = 0; t < change->term_count;) {
        const cj__term *term = &change->terms[t];
        if (is_nothing(term)) {
            change->terms[t] = change->terms[--change->term_count];
            continue;
        }
        change->columns[2 * t] =
            cj__column(change->plane, term->pa >= nodes ? CJ__EARTH : term->pa);
        change->columns[2 * t + 1] =
            cj__column(change->plane, term->pb >= nodes ? CJ__EARTH : term->pb);
        if (!change->columns[2 * t] || !change->columns[2 * t + 1])
            return false;
        if (!sharpen(change, t))
            return false;
        t++;
    }
    return true;
}

/* What of a row belongs to an extra node that a term sees. */
static void see_extra(cj__change *change, size_t t, int node, cj__c k)
{
    int place = extra_of(change, node);
    if (place < 0)
        return;
    size_t at = t * (size_t)change->system.order + (size_t)place;
    change->system.a[at] -= k / change->extra[node - change->frame->nodes].scale;
    change->system.size[at] = cj__size(change->system.a[at]);
}

static void fill_term_row(cj__change *change, size_t t)
{
    const cj__term *term = &change->terms[t];
    size_t n = (size_t)change->system.order, qa = place_of(change, term->qa);
    size_t qb = place_of(change, term->qb);
    cj__c *row = change->system.a + t * n;
    double *size = change->system.size + t * n, k = cj__size(term->k);
    for (size_t s = 0; s < change->term_count; s++) {
        row[s] = -cj__mul(term->k, through(change, s, qa) - through(change, s, qb));
        size[s] = k * (through_size(change, s, qa) + through_size(change, s, qb));
    }
    row[t] += 1;
    size[t] = cj__larger(size[t], 1);
    see_extra(change, t, term->qa, term->k);
    see_extra(change, t, term->qb, -term->k);
}

/* Places and scales of the extra nodes that are unknowns. */
static int place_extras(cj__change *change)
{
    int order = (int)change->term_count, nodes = change->frame->nodes;
    for (int e = 0; e < change->extras; e++) {
        cj__extra *extra = &change->extra[e];
        if (extra->place < 0)
            continue;
        extra->place = order++;
        extra->scale = cj__size(extra->y);
        for (size_t t = 0; t < change->term_count; t++) {
            const cj__term *term = &change->terms[t];
            if (term->pa == nodes + e || term->pb == nodes + e)
                extra->scale += cj__size(term->k);
        }
    }
    return order;
}

static void fill_extra_rows(cj__change *change)
{
    size_t n = (size_t)change->system.order;
    for (int e = 0; e < change->extras; e++) {
        const cj__extra *extra = &change->extra[e];
        if (extra->place < 0)
            continue;
        size_t at = (size_t)extra->place * n;
        change->system.a[at + (size_t)extra->place] = extra->y / extra->scale;
        for (size_t s = 0; s < change->term_count; s++) {
            const cj__term *term = &change->terms[s];
            int sign =
                (term->pb == change->frame->nodes + e) - (term->pa == change->frame->nodes + e);
            change->system.a[at + s] = sign;
        }
    }
}

/* The row of an output was factored with its gain in it, k of siemens: of what else hangs on that
 * net it kept the digits beyond k's last. Where a section lets go of its net that rest is all there
 * is. */
static bool check_freed(cj__change *change)
{
    for (size_t k = 0; k < change->freed_count && !change->system.poor; k++) {
        const cj__c *x;
        if (!cj__terms_unit(change, change->freed[k].node, &x))
            return false;
        double ohm = cj__size(cj__changed_at(change, x, change->freed[k].node));
        change->system.poor = change->freed[k].k * ohm > 1e9; /* of 4.5e15: 2e-7 */
    }
    return true;
}

bool cj__terms_factor(cj__change *change)
{
    if (!reserve(change) || !find_columns(change))
        return false;
    drop_leak(change);
    if (!cj__system_reserve(&change->system, place_extras(change)))
        return false;
    for (size_t t = 0; t < change->term_count; t++)
        fill_term_row(change, t);
    fill_extra_rows(change);
    cj__system_factor(&change->system);
    return check_freed(change);
}

/* Unknowns of extra nodes become volts. */
static void unscale(cj__change *change)
{
    for (int e = 0; e < change->extras; e++)
        if (change->extra[e].place >= 0)
            change->answer[change->extra[e].place] /= change->extra[e].scale;
}

void cj__terms_solve(cj__change *change, const cj__c *x)
{
    for (size_t t = 0; t < change->term_count; t++) {
        const cj__term *term = &change->terms[t];
        cj__c across = x[place_of(change, term->qa)] - x[place_of(change, term->qb)];
        change->answer[t] = cj__mul(term->k, across) + term->f;
    }
    for (int e = 0; e < change->extras; e++)
        if (change->extra[e].place >= 0)
            change->answer[change->extra[e].place] = change->extra[e].f;
    cj__system_solve(&change->system, change->answer);
    unscale(change);
}

bool cj__terms_unit(cj__change *change, int node, const cj__c **x)
{
    const cj__c *column =
        cj__column(change->plane, node >= change->frame->nodes ? CJ__EARTH : node);
    if (column == NULL)
        return false;
    *x = column;
    for (size_t t = 0; t < change->term_count; t++) {
        const cj__term *term = &change->terms[t];
        cj__c across = column[place_of(change, term->qa)] - column[place_of(change, term->qb)];
        change->answer[t] = cj__mul(term->k, across);
    }
    for (int e = 0; e < change->extras; e++)
        if (change->extra[e].place >= 0)
            change->answer[change->extra[e].place] = change->frame->nodes + e == node;
    cj__system_solve(&change->system, change->answer);
    unscale(change);
    return true;
}

static const cj__star *star_of(const cj__change *change, int node)
{
    for (size_t k = 0; k < change->star_count; k++)
        if (change->stars[k].node == node)
            return &change->stars[k];
    return NULL;
}

cj__c cj__changed_at(const cj__change *change, const cj__c *x, int node)
{
    if (node < 0)
        return 0;
    if (node < change->frame->nodes) {
        cj__c value = x[node + 1];
        for (size_t t = 0; t < change->term_count; t++)
            value += cj__mul(through(change, t, (size_t)node + 1), change->answer[t]);
        return value;
    }
    int place = extra_of(change, node);
    if (place >= 0)
        return change->answer[place];
    const cj__star *star = star_of(change, node);
    cj__c value = 0;
    for (int k = 0; star && k < star->count; k++)
        value += cj__mul(star->y[k], cj__changed_at(change, x, star->other[k]));
    return star ? cj__div(value, star->all) : 0;
}

cj__c cj__changed_across_slowly(const cj__change *change, const cj__c *x, int a, int b)
{
    return cj__changed_at(change, x, a) - cj__changed_at(change, x, b);
}

/* The extra nodes of a vector whose frame's nodes are there. Stars that were taken out last come
 * first: those before them may end on them. */
static void fill_extras(const cj__change *change, cj__c *out)
{
    for (int e = 0; e < change->extras; e++)
        if (change->extra[e].place >= 0)
            out[change->frame->nodes + 1 + e] = change->answer[change->extra[e].place];
    for (size_t k = change->star_count; k-- > 0;) {
        const cj__star *star = &change->stars[k];
        cj__c value = 0;
        for (int i = 0; i < star->count; i++)
            value += cj__mul(star->y[i], out[star->other[i] + 1]);
        out[star->node + 1] = cj__div(value, star->all);
    }
}

void cj__changed_all(const cj__change *change, const cj__c *x, cj__c *out)
{
    size_t length = (size_t)change->frame->nodes + 1;
    memcpy(out, x, length * sizeof(cj__c));
    for (size_t t = 0; t < change->term_count; t++) {
        const cj__c *a = change->columns[2 * t], *b = change->columns[2 * t + 1];
        cj__c j = change->answer[t];
        for (size_t i = 0; i < length; i++)
            out[i] += cj__mul(a[i] - b[i], j);
    }
    fill_extras(change, out);
}

/* Adds factor times a row of the inverse for a node of the frame. */
static bool add_row(cj__change *change, int node, cj__c factor, cj__c *out)
{
    if (node < 0 || node >= change->frame->nodes || factor == 0)
        return true;
    const cj__c *row = cj__row(change->plane, node);
    for (int i = 0; row && i <= change->frame->nodes; i++)
        out[i] += cj__mul(row[i], factor);
    return row != NULL;
}

/* The system transposed, for what is seen: the answers are then what a current into a term's row,
 * or into an extra node, would do to it. */
bool cj__changed_adjoint(cj__change *change, int a, int b, cj__c *out)
{
    memset(out, 0, ((size_t)change->frame->nodes + 1) * sizeof(cj__c));
    if (!add_row(change, a, 1, out) || !add_row(change, b, -1, out))
        return false;
    for (size_t t = 0; t < change->term_count; t++)
        change->answer[t] =
            through(change, t, place_of(change, a)) - through(change, t, place_of(change, b));
    for (int e = 0; e < change->extras; e++)
        if (change->extra[e].place >= 0)
            change->answer[change->extra[e].place] = 0;
    cj__system_solve_transposed(&change->system, change->answer);
    for (size_t t = 0; t < change->term_count; t++) {
        const cj__term *term = &change->terms[t];
        cj__c factor = cj__mul(change->answer[t], term->k);
        if (!add_row(change, term->qa, factor, out) || !add_row(change, term->qb, -factor, out))
            return false;
    }
    fill_extras(change, out);
    out[0] = 0;
    return true;
}
