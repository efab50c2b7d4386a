/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * terms.c - the difference between a changed netlist and that of the frame, as rank-one terms at a
 * plane.
 *
 * What an element was is taken away, what it is now is added; terms between the same nodes become
 * one. A node of a lifted pin where only branches meet is replaced by the mesh of branches that is
 * the same to the rest.
 */
#include <math.h>

#include "circuit/internal.h"

static bool is_extra(const cj__change *change, int node)
{
    return node >= change->frame->nodes;
}

static bool add_term(cj__change *change, cj__term term)
{
    if (term.pa == term.pb || (term.k == 0 && term.f == 0))
        return true;
    if (!cj_reserve((void **)&change->terms, &change->term_capacity, change->term_count,
                    sizeof(cj__term)))
        return false;
    change->terms[change->term_count++] = term;
    return true;
}

/* A current into a node from outside. */
static bool add_current(cj__change *change, int node, cj__c ampere)
{
    if (node < 0 || ampere == 0)
        return true;
    if (is_extra(change, node)) {
        change->extra[node - change->frame->nodes].f += ampere;
        return true;
    }
    return add_term(change, (cj__term){node, CJ__EARTH, CJ__EARTH, CJ__EARTH, 0, ampere});
}

/* y siemens between two nodes, driving f ampere from b to a beside. */
static bool add_branch(cj__change *change, int a, int b, cj__c y, cj__c f)
{
    if (a == b || (y == 0 && f == 0))
        return true;
    if (a < b) {
        int end = a;
        a = b, b = end, f = -f;
    }
    if (b == CJ__EARTH && is_extra(change, a)) {
        change->extra[a - change->frame->nodes].y += y;
        change->extra[a - change->frame->nodes].f += f;
        return true;
    }
    for (size_t t = 0; t < change->term_count; t++) {
        cj__term *term = &change->terms[t];
        if (term->pa == a && term->pb == b && term->qa == a && term->qb == b) {
            term->k -= y, term->f += f;
            return true;
        }
    }
    return add_term(change, (cj__term){a, b, a, b, -y, f});
}

/* ---- elements ---- */

static cj__c branch_y(const cj__branch *branch, double omega)
{
    return CMPLX(branch->conductance, omega * branch->capacitance);
}

static bool branch_terms(cj__change *change, double omega)
{
    for (size_t k = 0; k < change->branch_count; k++) {
        const cj__branch *now = &change->branches[k].now;
        int index = change->branches[k].index;
        const cj__branch *was = index < 0 ? NULL : &change->frame->netlist.branches[index];
        if (was && was->a == now->a && was->b == now->b) {
            /* the difference at once: exact however large both are */
            cj__c y = CMPLX(now->conductance - was->conductance,
                            omega * (now->capacitance - was->capacitance));
            if (!add_branch(change, now->a, now->b, y, 0))
                return false;
        } else if ((was && !add_branch(change, was->a, was->b, -branch_y(was, omega), 0)) ||
                   !add_branch(change, now->a, now->b, branch_y(now, omega), 0)) {
            return false;
        }
    }
    return true;
}

static bool pair_terms_of(cj__change *change, const cj__winding_pair *pair, double omega,
                          double sign)
{
    cj__c y[2][2];
    cj__winding_admittance(pair, omega, y);
    for (int i = 0; i < 2; i++)
        for (int j = 0; j < 2; j++)
            if (!add_term(change, (cj__term){pair->a[i], pair->b[i], pair->a[j], pair->b[j],
                                             -sign * y[i][j], 0}))
                return false;
    return true;
}

static bool pair_terms(cj__change *change, double omega)
{
    for (size_t k = 0; k < change->pair_count; k++) {
        const cj__pair_change *pair = &change->pairs[k];
        if (!pair_terms_of(change, &change->frame->netlist.windings[pair->index], omega, -1) ||
            !pair_terms_of(change, &pair->now, omega, 1))
            return false;
    }
    return true;
}

/* ---- stars ---- */

static int other_end(const cj__term *term, int node)
{
    return term->pa == node ? term->pb : term->pb == node ? term->pa : node;
}

/* Takes the branches that end on a node out of the terms into a star. False: more than a star
 * holds. */
static bool gather_star(cj__change *change, cj__star *star)
{
    int count = 0;
    for (size_t t = 0; t < change->term_count; t++)
        count += other_end(&change->terms[t], star->node) != star->node;
    if (count > CJ__STAR)
        return false;
    for (size_t t = 0; t < change->term_count;) {
        int other = other_end(&change->terms[t], star->node);
        if (other == star->node) {
            t++;
            continue;
        }
        star->other[star->count] = other;
        star->y[star->count] = -change->terms[t].k;
        star->all += star->y[star->count++];
        change->terms[t] = change->terms[--change->term_count];
    }
    return true;
}

static bool spread_star(cj__change *change, const cj__star *star, cj__c earth)
{
    for (int i = 0; i < star->count; i++) {
        cj__c share = cj__div(star->y[i], star->all);
        if (!add_branch(change, star->other[i], CJ__EARTH, cj__mul(share, earth), 0))
            return false;
        for (int j = 0; j < i; j++)
            if (!add_branch(change, star->other[i], star->other[j], cj__mul(share, star->y[j]), 0))
                return false;
    }
    return true;
}

/* Star to mesh, the general form of star to delta (A. Rosen, 1924; from memory). */
static bool remove_stars(cj__change *change)
{
    for (int e = 0; e < change->extras; e++) {
        cj__extra *extra = &change->extra[e];
        cj__star star = {.node = change->frame->nodes + e, .all = extra->y};
        if (extra->general || extra->f != 0 || !gather_star(change, &star))
            continue;
        if (!cj_reserve((void **)&change->stars, &change->star_capacity, change->star_count,
                        sizeof(cj__star)))
            return false;
        extra->place = -1;
        change->stars[change->star_count++] = star;
        if (!spread_star(change, &star, extra->y))
            return false;
    }
    return true;
}

/* ---- sections ---- */

static bool input_terms(cj__change *change, const cj__amp *was, const cj__amp *now, bool dc)
{
    if ((was->plus != now->plus || was->inverting != now->inverting) &&
        (!add_branch(change, was->plus, was->inverting, -was->input_conductance, 0) ||
         !add_branch(change, now->plus, now->inverting, now->input_conductance, 0)))
        return false;
    if (!dc)
        return true;
    if ((was->plus != now->plus || was->bias_a != now->bias_a) &&
        (!add_current(change, was->plus, was->bias_a) ||
         !add_current(change, now->plus, -now->bias_a)))
        return false;
    return (was->inverting == now->inverting && was->bias_a == now->bias_a) ||
           (add_current(change, was->inverting, was->bias_a) &&
            add_current(change, now->inverting, -now->bias_a));
}

static cj__term gain_term(const cj__amp *amp, const cj__amp_stamp *stamp, double sign)
{
    return (cj__term){amp->out,       CJ__EARTH,       amp->plus,
                      amp->inverting, sign * stamp->k, sign * stamp->f};
}

static void note_freed(cj__change *change, int node, cj__c k)
{
    double size = fabs(creal(k)) + fabs(cimag(k));
    if (node >= 0 && change->freed_count < CJ__FREED)
        change->freed[change->freed_count++] = (struct cj__freed){node, size};
}

/* From one stamp of a section to another, in as few terms as there can be. */
static bool output_terms(cj__change *change, const cj__amp *was, const cj__amp_stamp *ws,
                         const cj__amp *now, const cj__amp_stamp *ns)
{
    bool out = was->out == now->out, plus = was->plus == now->plus;
    bool inverting = was->inverting == now->inverting;
    if (!out || ns->siemens < ws->siemens / 2)
        note_freed(change, was->out, ws->k);
    if (out) {
        if (!add_branch(change, now->out, CJ__EARTH, ns->siemens - ws->siemens, 0))
            return false;
    } else if (!add_branch(change, was->out, CJ__EARTH, -ws->siemens, 0) ||
               !add_branch(change, now->out, CJ__EARTH, ns->siemens, 0)) {
        return false;
    }
    if (out && plus && inverting)
        return add_term(change, (cj__term){now->out, CJ__EARTH, now->plus, now->inverting,
                                           ns->k - ws->k, ns->f - ws->f});
    if (out && ws->k == ns->k && plus != inverting) {
        int from = plus ? now->inverting : was->plus, to = plus ? was->inverting : now->plus;
        return add_term(change, (cj__term){now->out, CJ__EARTH, to, from, ns->k, ns->f - ws->f});
    }
    if (plus && inverting && ws->k == ns->k && ws->f == ns->f && !is_extra(change, now->out))
        return add_term(change,
                        (cj__term){now->out, was->out, now->plus, now->inverting, ns->k, ns->f});
    return add_term(change, gain_term(was, ws, -1)) && add_term(change, gain_term(now, ns, 1));
}

static bool clamp_term(cj__change *change, const cj__amp *amp, int which, int where, double sign)
{
    cj__clamp clamp;
    if (where == 0 || !cj__clamp_of(amp, which, &clamp))
        return true;
    double limit = where > 0 ? clamp.high : clamp.low;
    cj__c f = change->plane->omega == 0 ? sign * clamp.siemens * limit : 0;
    return add_branch(change, clamp.a, clamp.b, sign * clamp.siemens, f);
}

static bool clamp_terms(cj__change *change, size_t index, const cj__amp *was, const cj__amp *now,
                        const cj__state *state)
{
    const signed char *base = change->frame->state.clamp + index * CJ__CLAMPS;
    const signed char *here = state->clamp + index * CJ__CLAMPS;
    for (int c = 0; c < CJ__CLAMPS; c++) {
        if (was == now && base[c] == here[c])
            continue;
        if (!clamp_term(change, was, c, base[c], -1) || !clamp_term(change, now, c, here[c], 1))
            return false;
    }
    return true;
}

static bool amp_terms(cj__change *change, const cj__state *state, double omega)
{
    const cj__frame *frame = change->frame;
    for (size_t k = 0; k < frame->netlist.amp_count; k++) {
        const cj__amp *was = &frame->netlist.amps[k], *now = frame->amps[k];
        if ((cj__has_clamps(was) || cj__has_clamps(now)) &&
            !clamp_terms(change, k, was, now, state))
            return false;
        if (was == now && frame->state.mode[k] == state->mode[k])
            continue;
        cj__amp_stamp ws = cj__amp_stamp_of(was, frame->state.mode[k], omega);
        cj__amp_stamp ns = cj__amp_stamp_of(now, state->mode[k], omega);
        if (!output_terms(change, was, &ws, now, &ns))
            return false;
        if (was != now && !input_terms(change, was, now, omega == 0))
            return false;
    }
    return true;
}

/* ---- diodes ---- */

const cj__junction *cj__junction_now(const cj__change *change, size_t index)
{
    for (size_t k = 0; k < change->junction_count; k++)
        if (change->junctions[k].index == (int)index)
            return &change->junctions[k].now;
    return &change->frame->netlist.junctions[index];
}

static bool junction_terms(cj__change *change, const cj__state *state, bool dc)
{
    const cj__state *base = &change->frame->state;
    for (size_t k = 0; k < change->frame->netlist.junction_count; k++) {
        const cj__junction *was = &change->frame->netlist.junctions[k],
                           *now = cj__junction_now(change, k);
        double f = dc ? base->ampere[k] : 0, g = dc ? state->ampere[k] : 0;
        if (was == now) {
            if (!add_branch(change, now->anode, now->cathode, state->siemens[k] - base->siemens[k],
                            f - g))
                return false;
        } else if (!add_branch(change, was->anode, was->cathode, -base->siemens[k], f) ||
                   !add_branch(change, now->anode, now->cathode, state->siemens[k], -g)) {
            return false;
        }
    }
    return true;
}

bool cj__terms_make(cj__change *change, cj__plane *plane, const cj__state *state)
{
    double omega = plane->omega;
    cj__plane_tidy(plane);
    change->plane = plane;
    change->term_count = change->star_count = change->freed_count = 0;
    for (int e = 0; e < change->extras; e++)
        change->extra[e] = (cj__extra){change->extra[e].general, 0, CJ__LEAK, 0, 0};
    if (!branch_terms(change, omega) || !remove_stars(change) || !pair_terms(change, omega))
        return false;
    for (size_t k = 0; omega == 0 && k < change->injection_count; k++)
        if (!add_current(change, change->injections[k].node, change->injections[k].ampere))
            return false;
    return amp_terms(change, state, omega) && junction_terms(change, state, omega == 0);
}
