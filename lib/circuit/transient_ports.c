/* SPDX-License-Identifier: GPL-3.0-or-later */
/* transient_ports.c - the linear part of a netlist, factored once and reduced to what the stepping
 * looks at. */
#include <math.h>
#include <suitesparse/klu.h>

#include "circuit/transient.h"

/* A source without resistance: as good as ideal, and no infinite entry. */
static const double most_conductance = 1e9;

typedef struct sparse {
    int n;
    int *starts, *rows;
    double *values;
} sparse;

typedef struct triplets {
    int *row, *column;
    double *value;
    size_t count, capacity;
    bool failed;
} triplets;

static void triplet_add(triplets *t, int row, int column, double value)
{
    if (row < 0 || column < 0 || value == 0 || t->failed)
        return;
    if (t->count == t->capacity) {
        size_t capacity = t->capacity ? 2 * t->capacity : 256;
        int *rows = cj_resize(t->row, capacity, sizeof *rows);
        t->row = rows ? rows : t->row;
        int *columns = cj_resize(t->column, capacity, sizeof *columns);
        t->column = columns ? columns : t->column;
        double *values = cj_resize(t->value, capacity, sizeof *values);
        t->value = values ? values : t->value;
        if (!rows || !columns || !values) {
            t->failed = true;
            return;
        }
        t->capacity = capacity;
    }
    t->row[t->count] = row;
    t->column[t->count] = column;
    t->value[t->count++] = value;
}

static void triplets_free(triplets *t)
{
    cj_free(t->row);
    cj_free(t->column);
    cj_free(t->value);
}

static void sparse_free(sparse *s)
{
    cj_free(s->starts);
    cj_free(s->rows);
    cj_free(s->values);
}

/* Columns one after another, entries of one place added up (KLU takes no duplicates). */
static bool sparse_make(const triplets *t, int n, sparse *out)
{
    bool done = false;
    int *last = cj_new((size_t)n, sizeof *last);  /* where in this column the row stands */
    int *place = cj_new(t->count, sizeof *place); /* triplets by column */
    int *first = cj_new((size_t)n + 1, sizeof *first);
    *out = (sparse){n, cj_new((size_t)n + 1, sizeof(int)), cj_new(t->count, sizeof(int)),
                    cj_new(t->count, sizeof(double))};
    if (!last || !place || !first || !out->starts || !out->rows || !out->values)
        goto out;
    for (size_t k = 0; k < t->count; k++)
        first[t->column[k] + 1]++;
    for (int j = 0; j < n; j++)
        first[j + 1] += first[j];
    for (size_t k = t->count; k-- > 0;)
        place[--first[t->column[k] + 1]] = (int)k;
    int filled = 0;
    for (int i = 0; i < n; i++)
        last[i] = -1;
    for (int j = 0; j < n; j++) {
        out->starts[j] = filled;
        int end = j + 1 < n ? first[j + 2] : (int)t->count;
        for (int k = first[j + 1]; k < end; k++) {
            int row = t->row[place[k]];
            if (last[row] < out->starts[j]) {
                last[row] = filled;
                out->rows[filled] = row;
                out->values[filled++] = 0;
            }
            out->values[last[row]] += t->value[place[k]];
        }
    }
    out->starts[n] = filled;
    done = true;
out:
    cj_free(last);
    cj_free(place);
    cj_free(first);
    return done;
}

static void add_branch(triplets *t, int a, int b, double conductance)
{
    triplet_add(t, a, a, conductance);
    triplet_add(t, b, b, conductance);
    triplet_add(t, a, b, -conductance);
    triplet_add(t, b, a, -conductance);
}

/* BDF2: dv/dt = (1.5 v - 2 v_before + 0.5 v_before_that) / h (Gear 1971, order 2). Second order as
 * the trapezium is, and it forgets a kink at once where the trapezium rings for as long as h / 2
 * exceeds RC. */
static double rate_factor(double step_s)
{
    return step_s > 0 ? 1.5 / step_s : 0;
}

/* v_a - v_b - R i - sum of L di/dt = what the winding remembers; i leaves a and enters b. */
static void add_windings(triplets *t, const cj__netlist *netlist, double step_s)
{
    double rate = rate_factor(step_s);
    for (size_t w = 0; w < netlist->winding_count; w++) {
        const cj__winding_pair *pair = &netlist->windings[w];
        int row = netlist->nodes + 2 * (int)w;
        for (int k = 0; k < 2; k++) {
            triplet_add(t, row + k, pair->a[k], 1);
            triplet_add(t, row + k, pair->b[k], -1);
            triplet_add(t, pair->a[k], row + k, 1);
            triplet_add(t, pair->b[k], row + k, -1);
            /* a winding without resistance is still solvable at rest */
            triplet_add(t, row + k, row + k, -fmax(pair->ohm[k], 1e-6) - rate * pair->henry[k]);
            triplet_add(t, row + k, row + 1 - k, -rate * pair->mutual_h);
        }
    }
}

static double source_conductance(const cj__source *source)
{
    return fmin(source->conductance, most_conductance);
}

static double output_conductance(const cj__amp *amp)
{
    return amp->mode == CJ_DEAD ? 1e-12 : fmin(1 / amp->output_ohm, most_conductance);
}

static bool assemble(const cj__stepper *stepper, double step_s, sparse *out)
{
    const cj__netlist *netlist = stepper->netlist;
    triplets t = {0};
    double rate = rate_factor(step_s);
    for (int node = 0; node < netlist->nodes; node++)
        triplet_add(&t, node, node, netlist->leak);
    for (size_t k = 0; k < netlist->branch_count; k++) {
        const cj__branch *branch = &netlist->branches[k];
        add_branch(&t, branch->a, branch->b,
                   fmin(branch->conductance, most_conductance) + rate * branch->capacitance);
    }
    for (size_t k = 0; k < netlist->source_count; k++)
        triplet_add(&t, netlist->sources[k].node, netlist->sources[k].node,
                    source_conductance(&netlist->sources[k]));
    for (size_t k = 0; k < netlist->amp_count; k++) {
        const cj__amp *amp = &netlist->amps[k];
        add_branch(&t, amp->plus, amp->inverting, amp->input_conductance);
        triplet_add(&t, amp->out, amp->out, output_conductance(amp));
    }
    add_windings(&t, netlist, step_s);
    bool done = !t.failed && sparse_make(&t, netlist->nodes + 2 * (int)netlist->winding_count, out);
    triplets_free(&t);
    return done;
}

static void inject(double *column, int node, double amperes)
{
    if (node >= 0)
        column[node] += amperes;
}

/* What flows in without any bend: sources, bias currents, outputs that are held. */
static void sources(const cj__netlist *netlist, double peak_v, double *dc, double *sine)
{
    for (size_t k = 0; k < netlist->source_count; k++) {
        const cj__source *source = &netlist->sources[k];
        inject(dc, source->node, source_conductance(source) * source->dc_v);
        if (source->drives)
            inject(sine, source->node, source_conductance(source) * peak_v);
    }
    for (size_t k = 0; k < netlist->amp_count; k++) {
        const cj__amp *amp = &netlist->amps[k];
        double conductance = output_conductance(amp);
        inject(dc, amp->plus, -amp->bias_a);
        inject(dc, amp->inverting, -amp->bias_a);
        if (amp->mode == CJ_HELD) {
            inject(dc, amp->out, conductance * amp->held_dc_v);
            inject(sine, amp->out, conductance * amp->held_peak_v);
        } else if (amp->mode == CJ_HIGH || amp->mode == CJ_LOW) {
            inject(dc, amp->out, conductance * (amp->mode == CJ_HIGH ? amp->high_v : amp->low_v));
        }
    }
}

/* One right side a column: dc, sine, then the columns of the ports. */
static void fill_right_sides(const cj__stepper *stepper, int n, double *right)
{
    const cj__netlist *netlist = stepper->netlist;
    sources(netlist, stepper->setup->peak_v, right, right + n);
    double *column = right + 2 * n;
    for (int k = 0; k < stepper->bend_count; k++, column += n) {
        const cj__bend *bend = &stepper->bends[k];
        if (bend->kind == CJ__BEND_AMP) {
            inject(column, bend->out, bend->out_conductance);
        } else {
            inject(column, bend->plus, -1);
            inject(column, bend->minus, 1);
        }
    }
    for (int k = 0; k < stepper->capacitor_count; k++, column += n) {
        const cj__branch *branch = &netlist->branches[stepper->capacitors[k]];
        inject(column, branch->a, 1);
        inject(column, branch->b, -1);
    }
    for (int k = 0; k < 2 * (int)netlist->winding_count; k++, column += n)
        column[netlist->nodes + k] = 1;
}

static double across(const double *solution, int a, int b)
{
    return (a < 0 ? 0 : solution[a]) - (b < 0 ? 0 : solution[b]);
}

static void look_at(const cj__stepper *stepper, const double *solution, double *look)
{
    const cj__netlist *netlist = stepper->netlist;
    for (int k = 0; k < stepper->bend_count; k++)
        *look++ = across(solution, stepper->bends[k].plus, stepper->bends[k].minus);
    for (int k = 0; k < stepper->capacitor_count; k++) {
        const cj__branch *branch = &netlist->branches[stepper->capacitors[k]];
        *look++ = across(solution, branch->a, branch->b);
    }
    for (int k = 0; k < 2 * (int)netlist->winding_count; k++)
        *look++ = solution[netlist->nodes + k];
    for (int k = 0; k < stepper->setup->channels; k++)
        *look++ = across(solution, stepper->setup->see[k], stepper->setup->against[k]);
}

static cj_status solve_all(sparse *matrix, double *right, int columns, cj_error *err)
{
    cj_status status = CJ_OK;
    klu_common common;
    klu_defaults(&common);
    klu_symbolic *symbolic = klu_analyze(matrix->n, matrix->starts, matrix->rows, &common);
    klu_numeric *numeric = NULL;
    if (symbolic)
        numeric = klu_factor(matrix->starts, matrix->rows, matrix->values, symbolic, &common);
    if (!numeric || !klu_solve(symbolic, numeric, matrix->n, columns, right, &common)) {
        if (common.status == KLU_OUT_OF_MEMORY)
            status = cj_fail_memory(err);
        else
            status =
                cj_fail(err, CJ_DATA, "", 0, 0,
                        "the circuit has no single solution in time: a loop of windings or sources "
                        "without any resistance");
    }
    klu_free_numeric(&numeric, &common);
    klu_free_symbolic(&symbolic, &common);
    return status;
}

void cj__ports_free(cj__ports *ports)
{
    cj_free(ports->dc);
    cj_free(ports->sine);
    cj_free(ports->column);
    *ports = (cj__ports){0};
}

static bool ports_sized(const cj__stepper *stepper, cj__ports *out)
{
    *out = (cj__ports){.bends = stepper->bend_count,
                       .capacitors = stepper->capacitor_count,
                       .windings = 2 * (int)stepper->netlist->winding_count,
                       .channels = stepper->setup->channels};
    out->columns = out->bends + out->capacitors + out->windings;
    out->looks = out->columns + out->channels;
    out->dc = cj_new((size_t)out->looks, sizeof(double));
    out->sine = cj_new((size_t)out->looks, sizeof(double));
    out->column = cj_new((size_t)out->looks * (size_t)out->columns + 1, sizeof(double));
    return out->dc && out->sine && out->column;
}

cj_status cj__ports_make(const cj__stepper *stepper, double step_s, cj__ports *out, cj_error *err)
{
    cj_status status = CJ_OK;
    sparse matrix = {0};
    double *right = NULL;
    int n = stepper->netlist->nodes + 2 * (int)stepper->netlist->winding_count;
    if (!ports_sized(stepper, out) || !assemble(stepper, step_s, &matrix) ||
        !(right = cj_new((size_t)n * (size_t)(out->columns + 2), sizeof *right))) {
        status = cj_fail_memory(err);
        goto out;
    }
    fill_right_sides(stepper, n, right);
    status = solve_all(&matrix, right, out->columns + 2, err);
    if (status)
        goto out;
    look_at(stepper, right, out->dc);
    look_at(stepper, right + n, out->sine);
    for (int k = 0; k < out->columns; k++)
        look_at(stepper, right + (size_t)(k + 2) * (size_t)n,
                out->column + (size_t)k * (size_t)out->looks);
out:
    cj_free(right);
    sparse_free(&matrix);
    if (status)
        cj__ports_free(out);
    return status;
}
