/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plane.c - the equations of a netlist at one frequency: pattern, factors, columns and rows of the
 * inverse. */
#include <math.h>
#include <string.h>

#include "circuit/internal.h"

/* ---- stamps: first counted and noted, then added into their slots ---- */

typedef struct stamper {
    int *row, *column; /* noted here, */
    const int *slot;   /* or added here */
    cj__c *values;
    size_t at;
} stamper;

static void stamp(stamper *to, int row, int column, cj__c value)
{
    if (row < 0 || column < 0)
        return;
    if (to->values)
        to->values[to->slot[to->at]] += value;
    else if (to->row)
        to->row[to->at] = row, to->column[to->at] = column;
    to->at++;
}

/* A current k (v[qa] - v[qb]) out of pa and into pb: a branch has p = q. */
static void stamp_pair(stamper *to, const int p[2], const int q[2], cj__c k)
{
    stamp(to, p[0], q[0], k);
    stamp(to, p[0], q[1], -k);
    stamp(to, p[1], q[0], -k);
    stamp(to, p[1], q[1], k);
}

static void stamp_branch(stamper *to, int a, int b, cj__c y)
{
    int ends[2] = {a, b};
    stamp_pair(to, ends, ends, y);
}

static void stamp_amp(stamper *to, const cj__frame *frame, size_t index, double omega)
{
    const cj__amp *amp = &frame->netlist.amps[index];
    cj__amp_stamp as = cj__amp_stamp_of(amp, frame->state.mode[index], omega);
    stamp(to, amp->out, amp->out, as.siemens);
    cj__c k = frame->passive ? 0 : as.k;
    stamp(to, amp->out, amp->plus, -k);
    stamp(to, amp->out, amp->inverting, k);
    stamp_branch(to, amp->plus, amp->inverting, amp->input_conductance);
    for (int c = 0; c < CJ__CLAMPS; c++) {
        cj__clamp clamp;
        if (cj__clamp_of(amp, c, &clamp))
            stamp_branch(to, clamp.a, clamp.b,
                         frame->state.clamp[index * CJ__CLAMPS + (size_t)c] ? clamp.siemens : 0);
    }
}

static void stamp_windings(stamper *to, const cj__winding_pair *pair, double omega)
{
    cj__c y[2][2];
    cj__winding_admittance(pair, omega, y);
    for (int i = 0; i < 2; i++)
        for (int j = 0; j < 2; j++)
            stamp_pair(to, (int[]){pair->a[i], pair->b[i]}, (int[]){pair->a[j], pair->b[j]},
                       y[i][j]);
}

static size_t stamp_all(const cj__frame *frame, double omega, stamper to)
{
    const cj__netlist *netlist = &frame->netlist;
    for (int n = 0; n < netlist->nodes; n++)
        stamp(&to, n, n, netlist->leak);
    for (size_t k = 0; k < netlist->source_count; k++)
        stamp(&to, netlist->sources[k].node, netlist->sources[k].node,
              netlist->sources[k].conductance);
    for (size_t k = 0; k < netlist->branch_count; k++) {
        const cj__branch *branch = &netlist->branches[k];
        stamp_branch(&to, branch->a, branch->b,
                     CMPLX(branch->conductance, omega * branch->capacitance));
    }
    for (size_t k = 0; k < netlist->amp_count; k++)
        stamp_amp(&to, frame, k, omega);
    for (size_t k = 0; k < netlist->winding_count; k++)
        stamp_windings(&to, &netlist->windings[k], omega);
    for (size_t k = 0; k < netlist->junction_count; k++)
        stamp_branch(&to, netlist->junctions[k].anode, netlist->junctions[k].cathode,
                     frame->state.siemens[k]);
    return to.at;
}

/* ---- pattern ---- */

/* Stamps sorted by column, each column's rows once: two counting passes, rows first. */
static void compress(cj__frame *frame, const int *row, const int *column, int *work, int *order)
{
    int n = frame->nodes;
    size_t stamps = frame->stamps;
    int *count = work; /* [n + 1] */
    memset(count, 0, ((size_t)n + 1) * sizeof(int));
    for (size_t k = 0; k < stamps; k++)
        count[row[k] + 1]++;
    for (int i = 0; i < n; i++)
        count[i + 1] += count[i];
    for (size_t k = 0; k < stamps; k++)
        order[count[row[k]]++] = (int)k;
    /* then by column, the rows staying in order */
    memset(count, 0, ((size_t)n + 1) * sizeof(int));
    for (size_t k = 0; k < stamps; k++)
        count[column[k] + 1]++;
    for (int i = 0; i < n; i++)
        count[i + 1] += count[i];
    int *sorted = order + stamps;
    for (size_t k = 0; k < stamps; k++)
        sorted[count[column[order[k]]]++] = order[k];
    int entry = -1, last_column = -1;
    for (size_t k = 0; k < stamps; k++) {
        int s = sorted[k];
        if (column[s] != last_column || frame->row[entry] != row[s]) {
            frame->row[++entry] = row[s];
            while (last_column < column[s])
                frame->start[++last_column] = entry;
        }
        frame->slot[s] = entry;
    }
    while (last_column < n)
        frame->start[++last_column] = entry + 1;
    frame->entries = (size_t)(entry + 1);
}

static cj_status make_pattern(cj__frame *frame)
{
    cj_status status = CJ_NOMEM;
    size_t n = (size_t)frame->nodes;
    frame->stamps = stamp_all(frame, 0, (stamper){0});
    int *row = cj_new(frame->stamps, sizeof(int)), *column = cj_new(frame->stamps, sizeof(int));
    int *order = cj_new(frame->stamps, 2 * sizeof(int)), *work = cj_new(n + 1, sizeof(int));
    frame->start = cj_new(n + 1, sizeof(int));
    frame->row = cj_new(frame->stamps, sizeof(int));
    frame->slot = cj_new(frame->stamps, sizeof(int));
    if (row && column && order && work && frame->start && frame->row && frame->slot) {
        stamp_all(frame, 0, (stamper){.row = row, .column = column});
        compress(frame, row, column, work, order);
        status = CJ_OK;
    }
    cj_free(row);
    cj_free(column);
    cj_free(order);
    cj_free(work);
    return status;
}

cj_status cj__frame_prepare(cj__frame *frame, cj_error *err)
{
    const cj__netlist *netlist = &frame->netlist;
    frame->nodes = netlist->nodes;
    if (!cj__state_make(netlist, &frame->state))
        return cj_fail_memory(err);
    for (size_t k = 0; k < netlist->amp_count; k++)
        frame->state.mode[k] = (signed char)netlist->amps[k].mode;
    for (size_t k = 0; k < netlist->junction_count; k++)
        cj__junction_tangent(&netlist->junctions[k], 0, &frame->state.siemens[k],
                             &frame->state.ampere[k]);
    frame->rest = cj_new((size_t)frame->nodes + 1, sizeof(cj__c));
    frame->zero = cj_new((size_t)frame->nodes + 1, sizeof(cj__c));
    frame->seen = cj_new((size_t)frame->nodes, sizeof(int));
    frame->amps = cj_new(netlist->amp_count, sizeof(cj__amp *));
    if (!frame->rest || !frame->zero || !frame->seen || !frame->amps ||
        make_pattern(frame) != CJ_OK)
        return cj_fail_memory(err);
    for (size_t k = 0; k < netlist->amp_count; k++)
        frame->amps[k] = &netlist->amps[k];
    klu_defaults(&frame->common);
    frame->common.halt_if_singular = 0;
    frame->symbolic = klu_analyze(frame->nodes, frame->start, frame->row, &frame->common);
    return frame->symbolic ? CJ_OK : cj_fail_memory(err);
}

/* ---- planes ---- */

static size_t groups_of(const cj__frame *frame)
{
    return ((size_t)frame->nodes + CJ__AT_ONCE - 1) / CJ__AT_ONCE;
}

static void forget(cj__plane *plane)
{
    for (size_t g = 0; g < groups_of(plane->frame); g++) {
        if (plane->columns)
            cj_free(plane->columns[g]), plane->columns[g] = NULL;
        if (plane->rows)
            cj_free(plane->rows[g]), plane->rows[g] = NULL;
    }
    for (size_t k = 0; k < plane->port_count; k++)
        cj_free(plane->ports[k].column);
    plane->port_count = 0;
    plane->frame->store->kept -= plane->kept;
    plane->kept = 0;
}

void cj__plane_tidy(cj__plane *plane)
{
    if (plane->frame->store->kept > plane->frame->store->most && plane->kept)
        forget(plane);
}

static void keep(cj__plane *plane, size_t bytes)
{
    plane->kept += bytes;
    plane->frame->store->kept += bytes;
}

static void plane_free(cj__plane *plane)
{
    if (plane == NULL)
        return;
    klu_common common = plane->frame->common;
    forget(plane);
    cj_free(plane->ports);
    cj_free(plane->columns);
    cj_free(plane->rows);
    if (plane->numeric)
        klu_z_free_numeric(&plane->numeric, &common);
    cj_free(plane);
}

void cj__planes_drop(cj__frame *frame)
{
    for (size_t k = 0; k < frame->plane_count; k++)
        plane_free(frame->planes[k]);
    frame->plane_count = 0;
}

void cj__planes_keep_first(cj__frame *frame)
{
    while (frame->plane_count > 1)
        plane_free(frame->planes[--frame->plane_count]);
}

void cj__frame_clear(cj__frame *frame)
{
    cj__planes_drop(frame);
    cj_free(frame->planes);
    if (frame->symbolic)
        klu_free_symbolic(&frame->symbolic, &frame->common);
    cj_free(frame->start);
    cj_free(frame->row);
    cj_free(frame->slot);
    cj_free(frame->rest);
    cj_free(frame->zero);
    cj_free(frame->seen);
    cj_free(frame->only_part);
    cj_free(frame->amps);
    cj_free(frame->places.branch);
    cj_free(frame->places.winding);
    cj_free(frame->places.junction);
    cj__state_clear(&frame->state);
    cj__netlist_clear(&frame->netlist);
    *frame = (cj__frame){0};
}

/* Factors at a frequency. */
static cj_status factor(cj__frame *frame, double omega, klu_numeric **out, cj_error *err)
{
    cj__c *values = cj_new(frame->entries, sizeof(cj__c));
    if (values == NULL)
        return cj_fail_memory(err);
    stamp_all(frame, omega, (stamper){.slot = frame->slot, .values = values});
    *out =
        klu_z_factor(frame->start, frame->row, (double *)values, frame->symbolic, &frame->common);
    cj_free(values);
    if (*out == NULL)
        return cj_fail_memory(err);
    if (frame->common.status == KLU_SINGULAR)
        return cj_fail(err, CJ_BUG, "", 0, 0, "the equations at %g Hz cannot be solved",
                       omega / (2 * M_PI));
    return CJ_OK;
}

cj_status cj__plane_of(cj__frame *frame, double omega, cj__plane **out, cj_error *err)
{
    for (size_t k = 0; k < frame->plane_count; k++)
        if (frame->planes[k]->omega == omega) {
            *out = frame->planes[k];
            return CJ_OK;
        }
    if (!cj_reserve((void **)&frame->planes, &frame->plane_capacity, frame->plane_count,
                    sizeof(cj__plane *)))
        return cj_fail_memory(err);
    cj__plane *plane = cj_new(1, sizeof(cj__plane));
    if (plane == NULL)
        return cj_fail_memory(err);
    plane->frame = frame, plane->omega = omega;
    plane->columns = cj_new(groups_of(frame), sizeof(cj__c *));
    plane->rows = cj_new(groups_of(frame), sizeof(cj__c *));
    cj_status status = plane->columns && plane->rows ? factor(frame, omega, &plane->numeric, err)
                                                     : cj_fail_memory(err);
    if (status != CJ_OK) {
        plane_free(plane);
        return status;
    }
    frame->planes[frame->plane_count++] = plane;
    *out = plane;
    return CJ_OK;
}

/* Solves for CJ__AT_ONCE unit vectors in one pass: four columns (or rows) of the inverse. */
static cj__c *solve_group(cj__plane *plane, size_t group, bool transposed)
{
    cj__frame *frame = (cj__frame *)plane->frame;
    size_t length = (size_t)frame->nodes + 1, first = group * CJ__AT_ONCE;
    int count = 0;
    cj__c *made = cj_new(CJ__AT_ONCE * length, sizeof(cj__c));
    if (made == NULL)
        return NULL;
    for (; count < CJ__AT_ONCE && first + (size_t)count < (size_t)frame->nodes; count++)
        made[(size_t)count * length + 1 + first + (size_t)count] = 1;
    /* the right-hand sides begin behind earth's place, a vector's length apart */
    if (transposed)
        klu_z_tsolve(frame->symbolic, plane->numeric, (int)length, count, (double *)(made + 1), 0,
                     &frame->common);
    else
        klu_z_solve(frame->symbolic, plane->numeric, (int)length, count, (double *)(made + 1),
                    &frame->common);
    return made;
}

static const cj__c *vector_of(cj__plane *plane, cj__c **groups, int node)
{
    if (node < 0)
        return plane->frame->zero;
    size_t group = (size_t)node / CJ__AT_ONCE, within = (size_t)node % CJ__AT_ONCE;
    if (groups[group] == NULL) {
        groups[group] = solve_group(plane, group, groups == plane->rows);
        if (groups[group] == NULL)
            return NULL;
        keep(plane, CJ__AT_ONCE * ((size_t)plane->frame->nodes + 1) * sizeof(cj__c));
    }
    return groups[group] + within * ((size_t)plane->frame->nodes + 1);
}

const cj__c *cj__column(cj__plane *plane, int node)
{
    return vector_of(plane, plane->columns, node);
}

const cj__c *cj__row(cj__plane *plane, int node)
{
    return vector_of(plane, plane->rows, node);
}

/* ---- determinants ---- */

/* [n] seen: scratch. 1: odd. */
static int parity(const int *permutation, int n, int *seen)
{
    int odd = 0;
    memset(seen, 0, (size_t)n * sizeof(int));
    for (int k = 0; k < n; k++) {
        for (int i = k, length = 0; !seen[i]; i = permutation[i], length++) {
            seen[i] = 1;
            odd ^= length > 0;
        }
    }
    return odd;
}

/* L U + F = P R A Q with R > 0 and the diagonal of L all 1 (KLU's user guide). */
static cj__c direction_of(const cj__frame *frame, const klu_numeric *numeric)
{
    int n = frame->nodes;
    cj__c direction = 1;
    const cj__c *diagonal = numeric->Udiag;
    for (int k = 0; k < n; k++) {
        double size = cabs(diagonal[k]);
        direction = cj__mul(direction, size > 0 ? diagonal[k] / size : 1);
    }
    bool odd = parity(numeric->Pnum, n, frame->seen) != parity(frame->symbolic->Q, n, frame->seen);
    return odd ? -direction : direction;
}

cj__c cj__plane_direction(const cj__plane *plane)
{
    return direction_of(plane->frame, plane->numeric);
}

cj_status cj__direction_at(cj__frame *frame, double omega, bool passive, cj__c *out, cj_error *err)
{
    klu_numeric *numeric = NULL;
    frame->passive = passive;
    cj_status status = factor(frame, omega, &numeric, err);
    frame->passive = false;
    if (status == CJ_OK)
        *out = direction_of(frame, numeric);
    if (numeric)
        klu_z_free_numeric(&numeric, &frame->common);
    return status;
}

/* ---- the frame's own DC right-hand side ---- */

static void push_current(cj__c *b, int node, double ampere)
{
    b[node + 1] += ampere; /* earth's place is emptied at the end */
}

static void push_amp(const cj__frame *frame, size_t index, cj__c *b)
{
    const cj__amp *amp = &frame->netlist.amps[index];
    push_current(b, amp->out, cj__amp_stamp_of(amp, frame->state.mode[index], 0).f);
    push_current(b, amp->plus, -amp->bias_a);
    push_current(b, amp->inverting, -amp->bias_a);
    for (int c = 0; c < CJ__CLAMPS; c++) {
        cj__clamp clamp;
        int where = frame->state.clamp[index * CJ__CLAMPS + (size_t)c];
        if (where && cj__clamp_of(amp, c, &clamp)) {
            double ampere = clamp.siemens * (where > 0 ? clamp.high : clamp.low);
            push_current(b, clamp.a, ampere);
            push_current(b, clamp.b, -ampere);
        }
    }
}

void cj__plane_rest(cj__plane *dc, cj__c *out)
{
    cj__frame *frame = (cj__frame *)dc->frame;
    const cj__netlist *netlist = &frame->netlist;
    memset(out, 0, ((size_t)frame->nodes + 1) * sizeof(cj__c));
    for (size_t k = 0; k < netlist->source_count; k++) {
        const cj__source *source = &netlist->sources[k];
        push_current(out, source->node, source->conductance * source->dc_v);
    }
    for (size_t k = 0; k < netlist->amp_count; k++)
        push_amp(frame, k, out);
    for (size_t k = 0; k < netlist->junction_count; k++) {
        push_current(out, netlist->junctions[k].anode, -frame->state.ampere[k]);
        push_current(out, netlist->junctions[k].cathode, frame->state.ampere[k]);
    }
    klu_z_solve(frame->symbolic, dc->numeric, frame->nodes, 1, (double *)(out + 1), &frame->common);
    out[0] = 0;
}

const cj__c *cj__port_column(cj__plane *plane, int a, int b)
{
    cj__frame *frame = (cj__frame *)plane->frame;
    for (size_t k = 0; k < plane->port_count; k++)
        if (plane->ports[k].a == a && plane->ports[k].b == b)
            return plane->ports[k].column;
    if (!cj_reserve((void **)&plane->ports, &plane->port_capacity, plane->port_count,
                    sizeof(cj__port)))
        return NULL;
    cj__c *column = cj_new((size_t)frame->nodes + 1, sizeof(cj__c));
    if (column == NULL)
        return NULL;
    column[a + 1] += 1, column[b + 1] -= 1;
    klu_z_solve(frame->symbolic, plane->numeric, frame->nodes, 1, (double *)(column + 1),
                &frame->common);
    column[0] = 0;
    keep(plane, ((size_t)frame->nodes + 1) * sizeof(cj__c));
    plane->ports[plane->port_count++] = (cj__port){a, b, column};
    return column;
}
