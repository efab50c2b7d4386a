/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the board reads with one manner of one fault, as rows with their spread. */
#include <complex.h>
#include <math.h>
#include <string.h>

#include "diagnosis/look.h"

void cj__outlook_free(cj__outlook *outlook)
{
    if (outlook == NULL)
        return;
    cj_free(outlook->mean);
    cj_free(outlook->var);
    cj_free(outlook->by);
    cj_free(outlook->thd);
    cj_free(outlook->skip);
    cj_free(outlook->loose);
    cj_free(outlook->bare);
    cj_free(outlook->up);
    cj_free(outlook->shift);
    cj_free(outlook->is_residue);
    cj_free(outlook->residue_var);
    cj_free(outlook->as_of);
    cj__outlook_free(outlook->scratch);
    cj_free(outlook);
}

/* Each residue has two columns: its parameter's, and one at the end for the other phase. */
static int residues(const cj_bench *bench)
{
    const cj_parameter *parameters = cj_bench_parameters(bench);
    int count = 0;
    for (size_t p = 0; p < cj_bench_parameter_count(bench); p++)
        count += parameters[p].kind == CJ_P_RESIDUE;
    return count;
}

static void mark_residues(const cj__scene *scene, cj__outlook *outlook)
{
    const cj_parameter *parameters = cj_bench_parameters(scene->bench);
    size_t count = cj_bench_parameter_count(scene->bench), columns = (size_t)outlook->columns;
    outlook->residue_first = columns;
    size_t knobs = (size_t)cj__knobs(scene);
    outlook->knob_first = columns - CJ__BEHIND - knobs;
    for (size_t c = columns; c-- > 0;) {
        outlook->is_residue[c] =
            c < count ? parameters[c].kind == CJ_P_RESIDUE
                      : c >= count + scene->look_count && c + CJ__BEHIND + knobs < columns;
        if (outlook->is_residue[c])
            outlook->residue_first = c;
    }
}

cj_status cj__outlook_make(const cj__scene *scene, cj__outlook **out, cj_error *err)
{
    cj__outlook *outlook = cj_new(1, sizeof *outlook);
    if (outlook == NULL)
        return cj_fail_memory(err);
    outlook->rows = scene->rows;
    outlook->columns = (int)(cj_bench_parameter_count(scene->bench) + scene->look_count);
    outlook->columns += residues(scene->bench) + cj__knobs(scene) + CJ__BEHIND;
    size_t rows = (size_t)scene->rows + 1, thds = scene->distortion_count + 1;
    outlook->mean = cj_new(rows, sizeof *outlook->mean);
    outlook->var = cj_new(3 * (scene->count + 1), sizeof *outlook->var);
    outlook->by = cj_new(rows * ((size_t)outlook->columns + 1), sizeof *outlook->by);
    outlook->thd = cj_new(thds, sizeof *outlook->thd);
    outlook->skip = cj_new(scene->count + 1, sizeof *outlook->skip);
    outlook->loose = cj_new(thds, sizeof *outlook->loose);
    outlook->bare = cj_new(rows, sizeof *outlook->bare);
    outlook->up = cj_new(rows, sizeof *outlook->up);
    outlook->shift = cj_new(rows, sizeof *outlook->shift);
    outlook->is_residue = cj_new((size_t)outlook->columns + 1, sizeof *outlook->is_residue);
    outlook->residue_var = cj_new(2 * (scene->count + 1), sizeof *outlook->residue_var);
    outlook->as_of = cj_new(scene->look_count + 1, sizeof *outlook->as_of);
    if (outlook->bare == NULL || outlook->is_residue == NULL || outlook->residue_var == NULL ||
        outlook->up == NULL || outlook->shift == NULL || outlook->mean == NULL ||
        outlook->var == NULL || outlook->by == NULL || outlook->thd == NULL ||
        outlook->skip == NULL || outlook->loose == NULL || outlook->as_of == NULL) {
        cj__outlook_free(outlook);
        return cj_fail_memory(err);
    }
    mark_residues(scene, outlook);
    *out = outlook;
    return CJ_OK;
}

/* ---- all looks ---- */

static void clear(cj__outlook *out, const cj__scene *scene)
{
    memset(out->mean, 0, (size_t)out->rows * sizeof *out->mean);
    memset(out->var, 0, 3 * scene->count * sizeof *out->var);
    memset(out->skip, 0, scene->count * sizeof *out->skip);
    memset(out->residue_var, 0, 2 * scene->count * sizeof *out->residue_var);
    out->excess = out->residue = out->oscillates = out->steps_in_time = false;
    out->slams = false;
    out->way = CJ__LOUD;
    out->moved = 0;
    out->fragile_part = out->fragile_section = -1;
    out->edge_part = out->edge_section = -1;
    out->edges = 0;
}

/* Gradients of a look: zero, or those of a good unit, which stay from one manner to the next. */
static void set_spread(const cj__scene *scene, size_t index, const cj__outlook *from,
                       cj__outlook *out)
{
    size_t columns = (size_t)out->columns;
    if (from != NULL && out->as_of[index] == from)
        return;
    out->as_of[index] = from;
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        size_t row = (size_t)feature->row, rows = (size_t)feature->rows;
        double *to = out->by + row * columns;
        if (feature->look != scene->looks[index])
            continue;
        if (from != NULL)
            memcpy(to, from->by + row * columns, rows * columns * sizeof *to);
        else
            memset(to, 0, rows * columns * sizeof *to);
    }
}

/* Where the manner changes nothing, everything is as of a good unit. */
static void copy_look(const cj__scene *scene, size_t look, const cj__outlook *from,
                      cj__outlook *out)
{
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        if (feature->look != look)
            continue;
        size_t row = (size_t)feature->row, rows = (size_t)feature->rows;
        memcpy(out->mean + row, from->mean + row, rows * sizeof *out->mean);
        memcpy(out->var + 3 * f, from->var + 3 * f, 3 * sizeof *out->var);
        memcpy(out->residue_var + 2 * f, from->residue_var + 2 * f, 2 * sizeof *out->residue_var);
        out->skip[f] = from->skip[f];
        out->excess = out->excess || from->skip[f];
    }
    for (size_t d = 0; d < scene->distortion_count; d++)
        if (scene->distortions[d].look == look) {
            out->thd[d] = from->thd[d];
            out->loose[d] = from->loose[d];
        }
}

#define LIKE 0.3 /* of a ratio: so much like a good unit's that it hangs on the same parts */

/* What is stepped through time knows nothing of tolerances. A ratio that something else's clipping
 * hardly reaches depends on the parts as it does in a good unit; others are about as uncertain as
 * there. */
static void spread_as_good(const cj__scene *scene, const cj_prediction *seen, size_t look,
                           const cj__outlook *good, cj__outlook *out)
{
    size_t behind = (size_t)out->columns - CJ__BEHIND;
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        size_t row = (size_t)feature->row;
        if (feature->kind != CJ__F_RATIO || feature->look != look)
            continue;
        double complex now = out->mean[row] + out->mean[row + 1] * I,
                       bare = good->bare[row] + good->bare[row + 1] * I,
                       mean = good->mean[row] + good->mean[row + 1] * I;
        double *re = out->by + row * (size_t)out->columns, *im = re + out->columns;
        const double *good_re = good->by + row * (size_t)out->columns,
                     *good_im = good_re + out->columns;
        if (!(seen->thd[1] < CLEARLY && cabs(now - bare) < LIKE * cabs(bare))) {
            double spread = 0;
            for (size_t c = 0; c < behind && !good->skip[f]; c++)
                spread += good_re[c] * good_re[c] + good_im[c] * good_im[c];
            double each =
                fmin(spread / fmax(pow(cabs(mean), 2), 1e-12), 0.04) * pow(cabs(now), 2) / 2;
            out->var[3 * f] += each;
            out->var[3 * f + 2] += each;
            continue;
        }
        out->mean[row] = creal(now * mean / bare);
        out->mean[row + 1] = cimag(now * mean / bare);
        for (size_t c = 0; c < behind; c++) {
            double complex moved = (good_re[c] + good_im[c] * I) * now / bare;
            if (moved != 0) {
                re[c] = creal(moved);
                im[c] = cimag(moved);
            }
        }
    }
}

/* Of looks that rest differently, one at its rail; then the one farthest from the edge: there, all
 * of them go over. */
static void note_edge(const cj_board *board, const cj_prediction *seen, cj__outlook *out)
{
    if (seen->edge_part < 0)
        return;
    out->edges |= seen->edges;
    size_t section = (size_t)seen->edge_section;
    for (int p = 0; p < seen->edge_part; p++)
        section += (size_t)board->parts[p].section_count;
    bool rails = seen->modes[section] != CJ_LINEAR, first = out->edge_part < 0,
         same = seen->edge_part == out->edge_part && seen->edge_section == out->edge_section;
    if (!first && !(rails && !out->edge_rails) &&
        !(same && rails == out->edge_rails && seen->edge_v > out->edge_v))
        return;
    out->edge_part = seen->edge_part;
    out->edge_section = seen->edge_section;
    out->edge_v = seen->edge_v;
    out->edge_rails = rails;
}

static cj_status fill_with(const cj__scene *scene, const cj__manner *manner,
                           const cj_variant *variant, unsigned want, const cj__reference *reference,
                           cj__outlook *out, cj_error *err)
{
    const double *healthy = reference != NULL ? reference->good->mean : NULL;
    clear(out, scene);
    for (size_t i = 0; i < scene->look_count; i++) {
        bool kept = reference != NULL && reference->active != NULL && !reference->active[i];
        if (want & CJ_SPREAD)
            set_spread(scene, i, kept ? reference->good : NULL, out);
        if (kept) {
            copy_look(scene, scene->looks[i], reference->good, out);
            out->residue = out->residue || reference->good->residue;
            continue;
        }
        cj_prediction *seen = scene->work[i];
        cj_status status =
            cj_bench_predict(scene->bench, scene->looks[i], variant, want, seen, err);
        if (status == CJ_DATA && variant->count > 0) { /* of a fault; a good unit has to rest */
            cj__look_lost(scene, scene->looks[i], out);
            continue;
        }
        if (status != CJ_OK)
            return status;
        cj_prediction without = *seen;
        if (!(want & CJ_SPREAD)) {
            without.tone_by = NULL;
            without.dc_by = NULL;
        }
        cj__filling filling = {.scene = scene,
                               .manner = manner,
                               .seen = &without,
                               .healthy = healthy,
                               .out = out,
                               .parameters = cj_bench_parameters(scene->bench),
                               .parameter_count = cj_bench_parameter_count(scene->bench),
                               .look = i,
                               .spread = (want & CJ_SPREAD) != 0,
                               .drive_peak = cj__look_drive(scene, i)};
        cj__look_fill(&filling);
        if (seen->by == CJ_BY_TRANSIENT && (want & CJ_SPREAD) && reference != NULL)
            spread_as_good(scene, seen, scene->looks[i], reference->good, out);
        if (seen->fragile_part >= 0 && out->fragile_part < 0) {
            out->fragile_part = seen->fragile_part;
            out->fragile_section = seen->fragile_section;
        }
        note_edge(scene->board, seen, out);
        out->oscillates = out->oscillates || seen->by == CJ_BY_POLES;
        out->steps_in_time = out->steps_in_time || seen->by == CJ_BY_TRANSIENT;
    }
    return CJ_OK;
}

/* ---- parts of wide tolerance: solved at one sigma either side ---- */

#define WIDE 0.02    /* sigma of ln value from which the gradient alone is not trusted ... */
#define SHOWS_MUCH 4 /* of a bandwidth, which hardly ever matters */
#define SHOWS 0.5    /* ... where it moves a row by that many standard deviations of measuring */

static bool shows(const cj__scene *scene, const cj__outlook *out, size_t parameter, double least)
{
    for (size_t f = 0; f < scene->count; f++)
        for (int r = 0; r < scene->features[f].rows; r++) {
            int row = scene->features[f].row + r;
            double moved = out->by[(size_t)row * (size_t)out->columns + parameter];
            double variance = scene->features[f].var[2 * r] + out->var[3 * f + 2 * (size_t)r];
            if (moved * moved > least * least * variance)
                return true;
        }
    return false;
}

/* What part p is in this variant; NaN where the variant says it is not there. */
static double value_in(const cj_board *board, const cj_variant *variant, int part)
{
    double value = board->parts[part].value;
    for (size_t i = 0; i < variant->count; i++)
        if (variant->edits[i].kind == CJ_EDIT_VALUE && variant->edits[i].part == part)
            value = variant->edits[i].a;
    return isfinite(value) && value > 0 ? value : NAN;
}

static bool figure_edited(const cj_variant *variant, int part)
{
    for (size_t i = 0; i < variant->count; i++)
        if (variant->edits[i].kind == CJ_EDIT_FIGURE && variant->edits[i].part == part)
            return true;
    return false;
}

static bool solved(const cj__scene *scene, const cj__reference *reference, size_t look)
{
    for (size_t i = 0; i < scene->look_count; i++)
        if (scene->looks[i] == look)
            return reference == NULL || reference->active == NULL || reference->active[i];
    return true;
}

/* The column of one part by central difference, and the shift of the means by its curvature
 * (2k + 1 solutions at one sigma). */
static cj_status across(const cj__scene *scene, const cj__manner *manner, cj_variant *variant,
                        size_t parameter, const cj__reference *reference, cj__outlook *out,
                        cj_error *err)
{
    const cj_parameter *p = &cj_bench_parameters(scene->bench)[parameter];
    cj_edit *edit = (cj_edit *)variant->edits + variant->count; /* room was kept for it */
    double value, sigma = p->sigma;
    if (p->kind == CJ_P_VALUE) {
        value = value_in(scene->board, variant, p->part);
        *edit = (cj_edit){.kind = CJ_EDIT_VALUE, .part = p->part};
    } else {
        const cj_part *part = &scene->board->parts[p->part];
        bool bandwidth = p->kind == CJ_P_GBW;
        sigma *= bandwidth ? GBW_WIDER : 1;
        value = figure_edited(variant, p->part) ? NAN
                : bandwidth                     ? part->opamp.gbw_hz
                                                : part->opamp.output_ohm;
        *edit = (cj_edit){.kind = CJ_EDIT_FIGURE,
                          .part = p->part,
                          .pin = part->sections[p->section].out,
                          .figure = bandwidth ? CJ_GBW : CJ_OUTPUT_OHM};
    }
    if (isnan(value))
        return CJ_OK;
    edit->a = value * exp(sigma);
    cj_variant moved = {variant->edits, variant->count + 1};
    size_t rows = (size_t)out->rows, columns = (size_t)out->columns;
    double *up = out->up;
    cj_status status = fill_with(scene, manner, &moved, CJ_BARE, reference, out->scratch, err);
    if (status != CJ_OK)
        return status;
    memcpy(up, out->scratch->mean, rows * sizeof *up);
    bool excess = out->scratch->excess;
    edit->a = value * exp(-sigma);
    status = fill_with(scene, manner, &moved, CJ_BARE, reference, out->scratch, err);
    if (status != CJ_OK || excess || out->scratch->excess)
        return status;
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        if (!solved(scene, reference, feature->look))
            continue; /* taken over from a good unit, spread and all */
        for (size_t r = (size_t)feature->row; r < (size_t)(feature->row + feature->rows); r++) {
            double down = out->scratch->mean[r];
            out->by[r * columns + parameter] = (up[r] - down) / 2;
            out->shift[r] += (up[r] + down) / 2 - out->mean[r];
        }
    }
    return CJ_OK;
}

/* Good parts are where they seem to be: the means of a linear law about there, taken at the nominal
 * values, so that the parts' distance from those counts. */
static void lean_back(const double *at, size_t count, cj__outlook *out)
{
    for (size_t r = 0; r < (size_t)out->rows; r++)
        for (size_t p = 0; p < count; p++)
            out->mean[r] -= at[p] * out->by[r * (size_t)out->columns + p];
}

static cj_status second_order(const cj__scene *scene, const cj__manner *manner, cj_variant *variant,
                              const cj__reference *reference, cj__outlook *out, cj_error *err)
{
    size_t count = cj_bench_parameter_count(scene->bench), rows = (size_t)out->rows;
    const cj_parameter *parameters = cj_bench_parameters(scene->bench);
    memset(out->shift, 0, rows * sizeof *out->shift);
    for (size_t p = 0; p < count; p++) {
        bool wide = (parameters[p].kind == CJ_P_VALUE && parameters[p].sigma >= WIDE &&
                     shows(scene, out, p, SHOWS)) ||
                    (parameters[p].kind == CJ_P_OUTPUT && shows(scene, out, p, SHOWS)) ||
                    (parameters[p].kind == CJ_P_GBW && shows(scene, out, p, SHOWS_MUCH));
        if (!wide)
            continue;
        if (out->scratch == NULL) {
            cj_status made = cj__outlook_make(scene, &out->scratch, err);
            if (made != CJ_OK)
                return made;
        }
        cj_status status = across(scene, manner, variant, p, reference, out, err);
        if (status != CJ_OK)
            return status;
    }
    for (size_t r = 0; r < rows && manner->settled_at == NULL; r++)
        out->mean[r] += out->shift[r];
    if (manner->settled_at != NULL)
        lean_back(manner->settled_at, count, out);
    return CJ_OK;
}

/* ---- a manner's second quantity ---- */

#define ALSO_STEP 0.25 /* of its sigma, either side */

static void scale_also(const cj__manner *manner, cj_edit *edits, double sigmas)
{
    cj_edit *edit = &edits[manner->also_edit];
    double factor = exp(manner->also_sigma * sigmas);
    if (manner->also_b)
        edit->b *= factor;
    else
        edit->a *= factor;
}

/* Its column; and the mean where the quantity is what the edit says, so that its distance from
 * there counts as the misfit it is. */
static cj_status also_column(const cj__scene *scene, const cj__manner *manner, cj_edit *edits,
                             const cj__reference *reference, cj__outlook *out, cj_error *err)
{
    cj_variant variant = {edits, manner->edit_count};
    size_t rows = (size_t)out->rows, columns = (size_t)out->columns;
    cj_status status = CJ_OK;
    if (out->scratch == NULL)
        status = cj__outlook_make(scene, &out->scratch, err);
    if (status != CJ_OK)
        return status;
    scale_also(manner, edits, ALSO_STEP);
    status = fill_with(scene, manner, &variant, CJ_BARE, reference, out->scratch, err);
    bool excess = out->scratch->excess;
    memcpy(out->up, out->scratch->mean, rows * sizeof *out->up);
    scale_also(manner, edits, -2 * ALSO_STEP);
    if (status == CJ_OK && !excess)
        status = fill_with(scene, manner, &variant, CJ_BARE, reference, out->scratch, err);
    scale_also(manner, edits, ALSO_STEP);
    if (status != CJ_OK || excess || out->scratch->excess)
        return status;
    for (size_t r = 0; r < rows; r++) {
        double by = (out->up[r] - out->scratch->mean[r]) / (2 * ALSO_STEP);
        out->by[r * columns + columns - CJ__BEHIND + CJ__ALSO] = by;
        out->mean[r] -= manner->also_at * by;
    }
    return CJ_OK;
}

/* ---- what is asked for ---- */

enum { EDITS_HERE = 160 };

cj_status cj__outlook_fill(const cj__scene *scene, const cj__manner *manner, double free_value,
                           unsigned want, const cj__reference *reference, cj__outlook *out,
                           cj_error *err)
{
    bool first_order = want & CJ__FIRST_ORDER;
    want &= ~CJ__FIRST_ORDER;
    cj_edit here[EDITS_HERE + 1];
    if (manner->edit_count > EDITS_HERE) { /* a board of very many op-amps without a supply */
        cj_variant whole = {manner->edits, manner->edit_count};
        return fill_with(scene, manner, &whole, want, reference, out, err);
    }
    if (manner->edit_count > 0)
        memcpy(here, manner->edits, manner->edit_count * sizeof *here);
    if (manner->prior != CJ__FIXED) {
        double value = manner->free_negative ? -free_value : free_value;
        if (manner->free_b)
            here[manner->free_edit].b = value;
        else
            here[manner->free_edit].a = value;
    }
    if (manner->also_sigma > 0)
        scale_also(manner, here, manner->also_at);
    cj__manner known = *manner;
    if (manner->loose_ohm > 0)
        known.loose_db *= fmin(here[manner->free_edit].a / manner->loose_ohm, 1);
    manner = &known;
    cj_variant variant = {here, manner->edit_count};
    cj_status status = fill_with(scene, manner, &variant, want, reference, out, err);
    if (status == CJ_OK)
        memcpy(out->bare, out->mean, (size_t)out->rows * sizeof *out->bare);
    if (status == CJ_OK && (want & CJ_SPREAD) && !first_order && !out->excess &&
        !out->steps_in_time)
        status = second_order(scene, manner, &variant, reference, out, err);
    if (status == CJ_OK && (want & CJ_SPREAD) && !first_order && !out->excess &&
        !out->steps_in_time && manner->also_sigma > 0)
        status = also_column(scene, manner, here, reference, out, err);
    return status;
}
