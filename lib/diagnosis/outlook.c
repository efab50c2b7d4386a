/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the board reads with one manner of one fault, as rows with their spread. */
#include <complex.h>
#include <math.h>
#include <string.h>

#include "diagnosis/scene.h"

#define DB (M_LN10 / 20)
#define GBW_WIDER 1.5 /* than the spread of one maker's op-amps */
/* Of the drive, at an output at its rail: -70 dB, 15 dB either way (fault_physics 4); a quiet one:
 * 30 dB less. */
#define RESIDUE 1e-3
#define QUIET 0.03
#define LEVEL_SIGMA 0.10 /* of the generator's level: the contract's 10 % */

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
    cj_free(outlook->up);
    cj_free(outlook->shift);
    cj_free(outlook->as_of);
    cj__outlook_free(outlook->scratch);
    cj_free(outlook);
}

cj_status cj__outlook_make(const cj__scene *scene, cj__outlook **out, cj_error *err)
{
    cj__outlook *outlook = cj_new(1, sizeof *outlook);
    if (outlook == NULL)
        return cj_fail_memory(err);
    outlook->rows = scene->rows;
    outlook->columns = (int)(cj_bench_parameter_count(scene->bench) + scene->look_count);
    size_t rows = (size_t)scene->rows + 1, thds = scene->distortion_count + 1;
    outlook->mean = cj_new(rows, sizeof *outlook->mean);
    outlook->var = cj_new(3 * (scene->count + 1), sizeof *outlook->var);
    outlook->by = cj_new(rows * ((size_t)outlook->columns + 1), sizeof *outlook->by);
    outlook->thd = cj_new(thds, sizeof *outlook->thd);
    outlook->skip = cj_new(scene->count + 1, sizeof *outlook->skip);
    outlook->loose = cj_new(thds, sizeof *outlook->loose);
    outlook->up = cj_new(rows, sizeof *outlook->up);
    outlook->shift = cj_new(rows, sizeof *outlook->shift);
    outlook->as_of = cj_new(scene->look_count + 1, sizeof *outlook->as_of);
    if (outlook->up == NULL || outlook->shift == NULL || outlook->mean == NULL ||
        outlook->var == NULL || outlook->by == NULL || outlook->thd == NULL ||
        outlook->skip == NULL || outlook->loose == NULL || outlook->as_of == NULL) {
        cj__outlook_free(outlook);
        return cj_fail_memory(err);
    }
    *out = outlook;
    return CJ_OK;
}

/* ---- one look ---- */

struct filling {
    const cj__scene *scene;
    const cj__manner *manner;
    const cj_prediction *seen;
    const double *healthy;
    cj__outlook *out;
    const cj_parameter *parameters;
    size_t parameter_count;
    size_t look;       /* index into the scene's looks */
    bool spread;       /* fill in gradients too */
    double drive_peak; /* of the step */
    double hz;
    double clip_error; /* relative, of a tone out of a transient */
    bool quiet;        /* see cj__reference */
};

/* 0.4 dB and 4 degrees (fault_physics 4); more at high frequency, where slew rate and bandwidth of
 * the part at hand come in; much more where a section stays at its rail throughout (the answer
 * carries DC), for then the tone hangs on the tenths of a volt between two rails. */
static double clip_error(const cj_prediction *seen, double hz)
{
    for (int c = 0; c < seen->channels; c++)
        if (fabs(seen->dc_v[c]) > 2)
            return 0.4;
    return 0.055 + 0.12 * fmin(hz / 20e3, 1);
}

static double complex as_complex(cj_complex z)
{
    return z.re + z.im * I;
}

static double complex tone(const struct filling *filling, int channel)
{
    return as_complex(filling->seen->tone[channel]);
}

static double complex tone_by(const struct filling *filling, int channel, size_t parameter)
{
    return as_complex(
        filling->seen->tone_by[(size_t)channel * filling->parameter_count + parameter]);
}

/* Whether the manner edits that part: what the solver does not know applies there alone. */
static bool edited(const cj__manner *manner, int part)
{
    for (size_t i = 0; i < manner->edit_count; i++)
        if (manner->edits[i].part == part)
            return true;
    return false;
}

static bool value_edited(const cj__manner *manner, int part)
{
    for (size_t i = 0; i < manner->edit_count; i++)
        if (manner->edits[i].kind == CJ_EDIT_VALUE && manner->edits[i].part == part)
            return true;
    return false;
}

static double sigma_of(const struct filling *filling, size_t parameter)
{
    const cj_parameter *p = &filling->parameters[parameter];
    const cj__manner *manner = filling->manner;
    bool own = edited(manner, p->part);
    if (p->kind == CJ_P_HELD && own && manner->held_v > 0)
        return manner->held_v;
    if (p->kind == CJ_P_RESIDUE) {
        double share = own && manner->residue > 0 ? manner->residue : RESIDUE;
        /* a section without a supply passes some of the tone: never a quiet one */
        return share * filling->drive_peak * (filling->quiet && share <= RESIDUE ? QUIET : 1);
    }
    if (p->kind == CJ_P_BIAS && own && manner->bias > 0)
        return manner->bias * filling->scene->board->parts[p->part].opamp.bias_a;
    if (p->kind == CJ_P_VALUE && own && !manner->tolerant && value_edited(manner, p->part))
        return 0;
    /* one maker's parts are not another's: see opamp_facts (TL072: 2.5 least, 3 to 4 MHz typical)
     */
    return p->kind == CJ_P_GBW ? GBW_WIDER * p->sigma : p->sigma;
}

static double *by(const struct filling *filling, const cj__feature *feature, int row)
{
    return filling->out->by + (size_t)(feature->row + row) * (size_t)filling->out->columns;
}

static void add_var(const struct filling *filling, size_t index, double each)
{
    filling->out->var[3 * index] += each;
    filling->out->var[3 * index + 2] += each;
}

/* Gradient of the ratio: (dV2 - r dV1) / V1. The tone at a railed output has any phase, and another
 * in every step: it widens both rows instead of being a column of its own. */
static void ratio_spread(const struct filling *filling, size_t index, double complex ratio)
{
    const cj__feature *feature = &filling->scene->features[index];
    double complex first = tone(filling, 0);
    double *re = by(filling, feature, 0), *im = feature->rows == 2 ? by(filling, feature, 1) : NULL;
    double complex unit = cabs(ratio) > 0 ? conj(ratio) / cabs(ratio) : 1;
    for (size_t p = 0; p < filling->parameter_count; p++) {
        double complex slope = (tone_by(filling, 1, p) - ratio * tone_by(filling, 0, p)) / first;
        if (slope == 0)
            continue;
        slope *= sigma_of(filling, p);
        if (filling->parameters[p].kind == CJ_P_RESIDUE) {
            filling->out->residue = true;
            add_var(filling, index,
                    0.5 * (creal(slope) * creal(slope) + cimag(slope) * cimag(slope)));
        } else if (im != NULL) {
            re[p] = creal(slope);
            im[p] = cimag(slope);
        } else {
            re[p] = creal(slope * unit);
        }
    }
}

static void fill_ratio(const struct filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    double *mean = filling->out->mean + feature->row;
    double complex first = tone(filling, 0), second = tone(filling, 1);
    if (cabs(first) < 1e-7 * fmax(filling->drive_peak, 1e-6)) {
        /* nothing there to relate to: the ratio is anything; the level row of channel 1 says the
         * rest */
        mean[0] = mean[1 % feature->rows] = 0;
        add_var(filling, index,
                1e4 * (1 + feature->x[0] * feature->x[0] + feature->x[1] * feature->x[1]));
        return;
    }
    double complex ratio = second / first;
    if (feature->rows == 2) {
        mean[0] = creal(ratio);
        mean[1] = cimag(ratio);
    } else {
        mean[0] = cabs(ratio);
    }
    if (filling->seen->tone_by != NULL && filling->seen->by != CJ_BY_TRANSIENT)
        ratio_spread(filling, index, ratio);
    if (filling->seen->by == CJ_BY_TRANSIENT)
        add_var(filling, index, pow(filling->clip_error * cabs(ratio), 2));
    if (filling->manner->loose_db > 0 && filling->healthy != NULL) {
        double moved = fabs(mean[0] - filling->healthy[feature->row]);
        if (feature->rows == 2)
            moved = hypot(moved, mean[1] - filling->healthy[feature->row + 1]);
        double rise = 1 + 9 * fmin(fmax((filling->hz - 1e3) / 19e3, 0), 1);
        if (moved > 0.02 * cabs(ratio))
            add_var(filling, index, pow(filling->manner->loose_db * DB * rise * cabs(ratio), 2));
    }
}

static void fill_level(const struct filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    double complex volts = tone(filling, feature->channel);
    double size = cabs(volts);
    double *row = by(filling, feature, 0);
    filling->out->mean[feature->row] = size;
    if (filling->spread)
        row[filling->parameter_count + filling->look] = LEVEL_SIGMA * size;
    double complex unit = size > 0 ? conj(volts) / size : 1;
    bool spread = filling->seen->tone_by != NULL && filling->seen->by != CJ_BY_TRANSIENT;
    for (size_t p = 0; spread && p < filling->parameter_count; p++) {
        double complex slope = tone_by(filling, feature->channel, p) * sigma_of(filling, p);
        if (slope == 0)
            continue;
        if (filling->parameters[p].kind != CJ_P_RESIDUE) {
            row[p] = creal(slope * unit);
            continue;
        }
        filling->out->residue = true;
        add_var(filling, index, creal(slope) * creal(slope) + cimag(slope) * cimag(slope));
    }
    add_var(filling, index,
            1e-10 +
                (filling->seen->by == CJ_BY_TRANSIENT ? pow(filling->clip_error * size, 2) : 0));
}

static void fill_dc(const struct filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    double *row = by(filling, feature, 0);
    filling->out->mean[feature->row] = filling->seen->dc_v[feature->channel];
    const double *slopes = filling->seen->dc_by;
    if (slopes != NULL)
        slopes += (size_t)feature->channel * filling->parameter_count;
    /* (gradients of a clipped step are those of a circuit that does not clip: worthless) */
    bool spread = slopes != NULL && filling->seen->by != CJ_BY_TRANSIENT;
    for (size_t p = 0; spread && p < filling->parameter_count; p++) {
        if (slopes[p] == 0)
            continue;
        row[p] = slopes[p] * sigma_of(filling, p);
        if (filling->parameters[p].kind ==
            CJ_P_HELD) /* not the same to the millivolt in every step */
            add_var(filling, index, pow(0.1 * row[p], 2));
    }
    if (filling->seen->by == CJ_BY_TRANSIENT)
        add_var(filling, index, pow(filling->clip_error > 0.3 ? 1.5 : 0.4, 2));
}

static void fill_rms(const struct filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    double ac = cabs(tone(filling, feature->channel)), dc = filling->seen->dc_v[feature->channel];
    double rms = sqrt(dc * dc + ac * ac / 2);
    filling->out->mean[feature->row] = rms;
    if (rms > 0 && filling->spread)
        by(filling, feature, 0)[filling->parameter_count + filling->look] =
            LEVEL_SIGMA * ac * ac / 2 / rms;
    add_var(filling, index, pow(0.01 * rms, 2) + 25e-6); /* parts and offsets, roughly */
}

static void fill_resistance(const struct filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    double ohm = filling->seen->resistance_ohm[feature->channel];
    filling->out->mean[feature->row] = log(fmin(fmax(ohm, 1e-3), 1e9));
    add_var(filling, index, 0.02 * 0.02);
}

/* No narrow prediction: as good as it could be, so that nothing is thrown away that a transient
 * would save. */
static void fill_skipped(const struct filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    filling->out->skip[index] = filling->out->excess = true;
    for (int r = 0; r < feature->rows; r++)
        filling->out->mean[feature->row + r] = feature->x[r];
    double size = hypot(feature->x[0], feature->rows == 2 ? feature->x[1] : 0);
    add_var(filling, index, pow(0.02 * size, 2) + 1e-8);
}

static void fill_feature(const struct filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    bool tonal = feature->kind != CJ__F_RESISTANCE;
    if (filling->seen->by == CJ_BY_EXCESS && tonal) {
        fill_skipped(filling, index);
        return;
    }
    switch (feature->kind) {
    case CJ__F_RATIO:
    case CJ__F_MAGNITUDE:
        fill_ratio(filling, index);
        break;
    case CJ__F_LEVEL:
        fill_level(filling, index);
        break;
    case CJ__F_RMS:
        fill_rms(filling, index);
        break;
    case CJ__F_DC:
        fill_dc(filling, index);
        break;
    case CJ__F_RESISTANCE:
        fill_resistance(filling, index);
        break;
    }
}

/* Whether the channel sees the driven jack: the generator's own tone, clean whatever the board
 * does. */
static bool is_source(const struct filling *filling, int channel)
{
    const cj_board *board = filling->scene->board;
    const cj_step *step = &board->steps[filling->scene->look_steps[filling->look]];
    bool plain = filling->scene->looks[filling->look] < board->step_count && step->drive >= 0;
    return plain && step->see[channel].against == CJ_GND &&
           step->see[channel].net == board->inputs[step->drive].net;
}

/* Whether the manner moves the tone of this look by more than a little: only then can it distort
 * it. */
static bool moves(const struct filling *filling)
{
    const cj__scene *scene = filling->scene;
    for (size_t f = 0; f < scene->count && filling->healthy != NULL; f++) {
        const cj__feature *feature = &scene->features[f];
        if (feature->look != scene->looks[filling->look] || feature->kind == CJ__F_DC ||
            feature->kind == CJ__F_RESISTANCE)
            continue;
        const double *now = filling->out->mean + feature->row,
                     *good = filling->healthy + feature->row;
        double size = hypot(good[0], feature->rows == 2 ? good[1] : 0);
        double moved = hypot(now[0] - good[0], feature->rows == 2 ? now[1] - good[1] : 0);
        if (moved > 0.03 * size + 1e-3)
            return true;
    }
    return filling->healthy == NULL;
}

static void fill_look(const struct filling *filling)
{
    const cj__scene *scene = filling->scene;
    size_t look = scene->looks[filling->look];
    for (size_t f = 0; f < scene->count; f++)
        if (scene->features[f].look == look)
            fill_feature(filling, f);
    for (size_t d = 0; d < scene->distortion_count; d++) {
        const cj__distortion *distortion = &scene->distortions[d];
        if (distortion->look != look)
            continue;
        double thd = filling->seen->thd[distortion->channel];
        bool unknown = (filling->manner->thd_unknown && moves(filling)) ||
                       filling->seen->by == CJ_BY_EXCESS || filling->seen->by == CJ_BY_POLES;
        /* a dead channel's few microvolts have no distortion worth the name */
        bool silent = cabs(tone(filling, distortion->channel)) < 1e-3 * filling->drive_peak;
        bool source = is_source(filling, distortion->channel);
        filling->out->thd[d] = source ? 0 : unknown || silent ? NAN : thd;
        filling->out->loose[d] = filling->seen->by != CJ_BY_LINEAR;
    }
}

/* ---- all looks ---- */

static void clear(cj__outlook *out, const cj__scene *scene)
{
    memset(out->mean, 0, (size_t)out->rows * sizeof *out->mean);
    memset(out->var, 0, 3 * scene->count * sizeof *out->var);
    memset(out->skip, 0, scene->count * sizeof *out->skip);
    out->excess = out->residue = out->oscillates = out->steps_in_time = false;
    out->fragile_part = out->fragile_section = -1;
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
        out->skip[f] = from->skip[f];
        out->excess = out->excess || from->skip[f];
    }
    for (size_t d = 0; d < scene->distortion_count; d++)
        if (scene->distortions[d].look == look) {
            out->thd[d] = from->thd[d];
            out->loose[d] = from->loose[d];
        }
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
            continue;
        }
        const cj_step *step = &scene->board->steps[scene->look_steps[i]];
        cj_prediction *seen = scene->work[i];
        cj_status status =
            cj_bench_predict(scene->bench, scene->looks[i], variant, want, seen, err);
        if (status != CJ_OK)
            return status;
        cj_prediction without = *seen;
        if (!(want & CJ_SPREAD)) {
            without.tone_by = NULL;
            without.dc_by = NULL;
        }
        struct filling filling = {.scene = scene,
                                  .manner = manner,
                                  .seen = &without,
                                  .healthy = healthy,
                                  .out = out,
                                  .parameters = cj_bench_parameters(scene->bench),
                                  .parameter_count = cj_bench_parameter_count(scene->bench),
                                  .look = i,
                                  .spread = (want & CJ_SPREAD) != 0,
                                  .drive_peak = step->shape == CJ_TONE ? step->peak[0] : 0,
                                  .hz = step->hz[0],
                                  .clip_error = clip_error(seen, step->hz[0]),
                                  .quiet = reference != NULL && reference->quiet};
        fill_look(&filling);
        if (seen->fragile_part >= 0 && out->fragile_part < 0) {
            out->fragile_part = seen->fragile_part;
            out->fragile_section = seen->fragile_section;
        }
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
        sigma *= GBW_WIDER;
        value = figure_edited(variant, p->part) ? NAN : part->opamp.gbw_hz;
        *edit = (cj_edit){.kind = CJ_EDIT_FIGURE,
                          .part = p->part,
                          .pin = part->sections[p->section].out,
                          .figure = CJ_GBW};
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

static cj_status second_order(const cj__scene *scene, const cj__manner *manner, cj_variant *variant,
                              const cj__reference *reference, cj__outlook *out, cj_error *err)
{
    size_t count = cj_bench_parameter_count(scene->bench), rows = (size_t)out->rows;
    const cj_parameter *parameters = cj_bench_parameters(scene->bench);
    memset(out->shift, 0, rows * sizeof *out->shift);
    for (size_t p = 0; p < count; p++) {
        bool wide = (parameters[p].kind == CJ_P_VALUE && parameters[p].sigma >= WIDE &&
                     shows(scene, out, p, SHOWS)) ||
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
    for (size_t r = 0; r < rows; r++)
        out->mean[r] += out->shift[r];
    return CJ_OK;
}

/* ---- what is asked for ---- */

enum { EDITS_HERE = 160 };

cj_status cj__outlook_fill(const cj__scene *scene, const cj__manner *manner, double free_value,
                           unsigned want, const cj__reference *reference, cj__outlook *out,
                           cj_error *err)
{
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
    cj_variant variant = {here, manner->edit_count};
    cj_status status = fill_with(scene, manner, &variant, want, reference, out, err);
    if (status == CJ_OK && (want & CJ_SPREAD) && !out->excess && !out->steps_in_time)
        status = second_order(scene, manner, &variant, reference, out, err);
    return status;
}
