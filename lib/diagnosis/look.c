/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What one look reads, as rows with their spread. */
#include <complex.h>
#include <math.h>

#include "diagnosis/look.h"

#define DB (M_LN10 / 20)
#define SHAPED 0.3   /* of the residue, by what clips */
#define RESIDUE 1e-3 /* of the drive, at an output at its rail: see residue.c */

/* Whether any section does, seen or behind a capacitor. */
static bool rests_at_rail(const cj__filling *filling)
{
    const cj_board *board = filling->scene->board;
    const cj_prediction *seen = filling->seen;
    for (int c = 0; c < seen->channels && board->v_minus_v < 0; c++)
        if (fabs(seen->dc_v[c]) > 2)
            return true;
    size_t section = 0;
    for (size_t p = 0; p < board->part_count; p++)
        for (int s = 0; s < board->parts[p].section_count; s++, section++)
            if (seen->modes[section] == CJ_HIGH || seen->modes[section] == CJ_LOW)
                return true;
    return false;
}

/* A wave that something else's clipping hardly reaches (THD below CLEARLY) is as good as computed
 * without it. This and what follows is judged, from misses on blind sets, not measured apart. */
#define CLEAN 0.03

/* Driven from rail to rail, whatever its rest is: both swings tell its tone and its DC. By a wave
 * that is nearly as large as the supply allows and has little DC; judged as well. */
static bool slams(const cj__filling *filling, int point, int channel)
{
    const cj_prediction *seen = filling->seen;
    double most = cj__supply_span(filling->scene->board) / 2;
    cj_complex tone = seen->tone[point * seen->channels + channel];
    return seen->thd[channel] > CLEARLY && hypot(tone.re, tone.im) > 0.75 * most &&
           fabs(seen->dc_v[channel]) < 0.25 * most;
}

/* 0.4 dB and 4 degrees (fault_physics 4); more at high frequency, where slew rate and bandwidth of
 * the part at hand come in; much more where a section stays at its rail throughout (the answer
 * carries DC), for then the tone hangs on the tenths of a volt between two rails. */
static double clip_error(const cj__filling *filling, int point, int channel)
{
    const cj_prediction *seen = filling->seen;
    bool rests = rests_at_rail(filling) && !slams(filling, point, channel);
    double whole = rests ? 0.4 : 0.055 + 0.12 * fmin(seen->hz[point] / 20e3, 1);
    double thd = seen->thd[channel];
    return isnan(thd) ? whole : whole * fmin(fmax(thd / CLEARLY, CLEAN), 1);
}

/* Steps that clip in the same place are wrong in the same way, for the most part. */
#define CLIP_COMMON 0.85
#define CLIP_OWN 0.53 /* sqrt(1 - CLIP_COMMON^2) */

/* So is a path that is known only loosely. */
#define ALIKE 0.99
#define OTHERWISE 0.14 /* sqrt(1 - ALIKE^2) */

#define DC_LEAST 0.003   /* V */
#define STAYS 0.85       /* of a channel that stays at its rail but for a tenth or two: DC */
#define DC_OF_SWING 0.55 /* V: there its swing is all that is not known */
#define DC_MOST 0.3      /* of DC and tone together */

#define DISTORTS 0.01 /* THD of a wave that loses some of its tone */

static double complex as_complex(cj_complex z)
{
    return z.re + z.im * I;
}

static double complex tone(const cj__filling *filling, int point, int channel)
{
    return as_complex(filling->seen->tone[point * filling->seen->channels + channel]);
}

static double complex tone_by(const cj__filling *filling, int point, int channel, size_t parameter)
{
    size_t at = (size_t)(point * filling->seen->channels + channel);
    return as_complex(filling->seen->tone_by[at * filling->parameter_count + parameter]);
}

/* Whether the manner edits that part: what the solver does not know applies there alone. */
static bool edited(const cj__manner *manner, int part)
{
    for (size_t i = 0; i + manner->settled < manner->edit_count; i++)
        if (manner->edits[i].part == part)
            return true;
    return false;
}

static bool value_edited(const cj__manner *manner, int part)
{
    for (size_t i = 0; i + manner->settled < manner->edit_count; i++)
        if (manner->edits[i].kind == CJ_EDIT_VALUE && manner->edits[i].part == part)
            return true;
    return false;
}

static double sigma_of(const cj__filling *filling, size_t parameter)
{
    const cj_parameter *p = &filling->parameters[parameter];
    const cj__manner *manner = filling->manner;
    bool own = edited(manner, p->part);
    if (p->kind == CJ_P_HELD && own && manner->held_v > 0)
        return manner->held_v;
    if (p->kind == CJ_P_RESIDUE && own && manner->slams)
        return manner->residue / fmax(filling->drive_peak, 1e-3);
    if (p->kind == CJ_P_RESIDUE)
        return own && manner->residue > 0 ? manner->residue : RESIDUE;
    if (p->kind == CJ_P_BIAS && own && manner->bias > 0)
        return manner->bias * filling->scene->board->parts[p->part].opamp.bias_a;
    if (p->kind == CJ_P_VALUE && own && !manner->tolerant && value_edited(manner, p->part))
        return 0;
    /* one maker's parts are not another's: see opamp_facts (TL072: 2.5 least, 3 to 4 MHz typical)
     */
    return p->kind == CJ_P_GBW ? GBW_WIDER * p->sigma : p->sigma;
}

static double *by(const cj__filling *filling, const cj__feature *feature, int row)
{
    return filling->out->by + (size_t)(feature->row + row) * (size_t)filling->out->columns;
}

static void add_var(const cj__filling *filling, size_t index, double each)
{
    filling->out->var[3 * index] += each;
    filling->out->var[3 * index + 2] += each;
}

static void set_behind(const cj__filling *filling, const cj__feature *feature, int row,
                       cj__behind column, double value)
{
    if (filling->spread)
        by(filling, feature, row)[(size_t)filling->out->columns - CJ__BEHIND + column] = value;
}

/* The generator's level, which moves a row by that much. */
static void set_level(const cj__filling *filling, const cj__feature *feature, double moves)
{
    const cj__level *level = &filling->scene->level[filling->look];
    int drive = filling->scene->board->steps[feature->step].drive;
    if (!filling->spread)
        return;
    double *row = by(filling, feature, 0);
    row[filling->parameter_count + filling->look] = level->own * moves;
    set_behind(filling, feature, 0, CJ__COMMON_LEVEL, level->common * moves);
    if (level->common > 0 && drive >= 0 && drive < cj__knobs(filling->scene))
        row[filling->out->knob_first + (size_t)drive] = LEVEL_SIGMA * moves;
}

/* The tone at a railed output has any phase: a column for each of its parts. */
static void residue_spread(const cj__filling *filling, size_t index, size_t parameter, int nth,
                           double complex slope)
{
    const cj__feature *feature = &filling->scene->features[index];
    slope *= M_SQRT1_2;
    filling->out->residue = true;
    filling->out->slams = filling->out->slams || filling->manner->slams;
    double size = creal(slope) * creal(slope) + cimag(slope) * cimag(slope);
    if (filling->seen->by == CJ_BY_TRANSIENT) { /* shaped by what clips */
        filling->out->residue_var[2 * index] += SHAPED * SHAPED * size;
        filling->out->residue_var[2 * index + 1] += SHAPED * SHAPED * size;
    }
    if (feature->rows != 2) {
        filling->out->residue_var[2 * index] += size;
        return;
    }
    size_t other = filling->parameter_count + filling->scene->look_count + (size_t)nth;
    double *re = by(filling, feature, 0), *im = by(filling, feature, 1);
    re[parameter] = im[other] = creal(slope);
    im[parameter] = cimag(slope);
    re[other] = -im[parameter];
}

/* Whether the gradient says something: those of a clipped step are those of a circuit that does not
 * clip, but for what an output lets through that a fault holds. */
static bool counts(const cj__filling *filling, size_t parameter)
{
    const cj_parameter *p = &filling->parameters[parameter];
    return filling->seen->by != CJ_BY_TRANSIENT ||
           (p->kind == CJ_P_RESIDUE && edited(filling->manner, p->part));
}

/* Gradient of the ratio: (dV2 - r dV1) / V1. */
static void ratio_spread(const cj__filling *filling, size_t index, double complex ratio)
{
    const cj__feature *feature = &filling->scene->features[index];
    double complex first = tone(filling, feature->point, 0);
    double *re = by(filling, feature, 0), *im = feature->rows == 2 ? by(filling, feature, 1) : NULL;
    double complex unit = cabs(ratio) > 0 ? conj(ratio) / cabs(ratio) : 1;
    int residue = 0;
    for (size_t p = 0; p < filling->parameter_count; p++) {
        bool is_residue = filling->parameters[p].kind == CJ_P_RESIDUE;
        residue += is_residue;
        double complex slope = (tone_by(filling, feature->point, 1, p) -
                                ratio * tone_by(filling, feature->point, 0, p)) /
                               first;
        if (slope == 0 || !counts(filling, p))
            continue;
        slope *= sigma_of(filling, p);
        if (is_residue) {
            residue_spread(filling, index, p, residue - 1, slope);
        } else if (im != NULL) {
            re[p] = creal(slope);
            im[p] = cimag(slope);
        } else {
            re[p] = creal(slope * unit);
        }
    }
}

/* The first of an output's columns for what stepping through time gets wrong. */
static cj__behind clip_column(const cj__filling *filling, const cj__feature *feature, int channel)
{
    const cj_board *board = filling->scene->board;
    const cj_step *step = &board->steps[feature->step];
    size_t output = 0;
    while (output < board->output_count && board->outputs[output].net != step->see[channel].net)
        output++;
    return CJ__CLIP_SIZE + 3 * (cj__behind)(output % CJ__CLIP_MOST);
}

/* A relative error of a ratio that steps have in common: the column of its size, and behind it that
 * of its phase. */
static void common_error(const cj__filling *filling, const cj__feature *feature, cj__behind column,
                         double error, double complex ratio)
{
    if (feature->rows == 2) {
        set_behind(filling, feature, 0, column, error * creal(ratio));
        set_behind(filling, feature, 1, column, error * cimag(ratio));
        set_behind(filling, feature, 0, column + 1, -error * cimag(ratio));
        set_behind(filling, feature, 1, column + 1, error * creal(ratio));
    } else {
        set_behind(filling, feature, 0, column, error * cabs(ratio));
    }
}

static void clipped_ratio(const cj__filling *filling, size_t index, double complex ratio)
{
    const cj__feature *feature = &filling->scene->features[index];
    double error = clip_error(filling, feature->point, 1);
    common_error(filling, feature, clip_column(filling, feature, 1), CLIP_COMMON * error, ratio);
    add_var(filling, index, pow((filling->spread ? CLIP_OWN : 1) * error * cabs(ratio), 2));
}

/* A path that the manner knows only loosely lets the tone through more or less, in all steps alike.
 */
static void loose_ratio(const cj__filling *filling, size_t index, double complex ratio)
{
    const cj__feature *feature = &filling->scene->features[index];
    const double *mean = filling->out->mean + feature->row;
    double moved = fabs(mean[0] - filling->healthy[feature->row]);
    if (feature->rows == 2)
        moved = hypot(moved, mean[1] - filling->healthy[feature->row + 1]);
    double rise = 1 + 9 * fmin(fmax((filling->seen->hz[feature->point] - 1e3) / 19e3, 0), 1);
    double error = filling->manner->loose_db * DB * rise;
    if (moved <= 0.02 * cabs(ratio))
        return;
    common_error(filling, feature, CJ__LOOSE_SIZE, ALIKE * error, ratio);
    add_var(filling, index, pow((filling->spread ? OTHERWISE : 1) * error * cabs(ratio), 2));
}

static void fill_ratio(const cj__filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    double *mean = filling->out->mean + feature->row;
    double complex first = tone(filling, feature->point, 0),
                   second = tone(filling, feature->point, 1);
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
    if (filling->seen->tone_by != NULL)
        ratio_spread(filling, index, ratio);
    for (int r = 0; r < feature->rows; r++)
        set_behind(filling, feature, r, CJ__MISMATCH, filling->scene->common * mean[r]);
    if (filling->seen->by == CJ_BY_TRANSIENT)
        clipped_ratio(filling, index, ratio);
    else if (filling->seen->thd[1] >
             DISTORTS) /* what bends a wave so much takes as much off its tone */
        add_var(filling, index, pow(filling->seen->thd[1] * cabs(ratio), 2));
    if (filling->manner->loose_db > 0 && filling->healthy != NULL &&
        (!filling->manner->loose_in_time || filling->seen->by == CJ_BY_TRANSIENT))
        loose_ratio(filling, index, ratio);
}

static void fill_level(const cj__filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    double complex volts = tone(filling, feature->point, feature->channel);
    double size = cabs(volts) * filling->scene->level[filling->look].gain;
    double *row = by(filling, feature, 0);
    filling->out->mean[feature->row] = size;
    set_level(filling, feature, size);
    double complex unit = size > 0 ? conj(volts) / size : 1;
    bool spread = filling->seen->tone_by != NULL;
    for (size_t p = 0; spread && p < filling->parameter_count; p++) {
        double complex slope =
            tone_by(filling, feature->point, feature->channel, p) * sigma_of(filling, p);
        if (slope == 0 || !counts(filling, p))
            continue;
        if (filling->parameters[p].kind != CJ_P_RESIDUE) {
            row[p] = creal(slope * unit);
            continue;
        }
        filling->out->residue = true;
        filling->out->residue_var[2 * index] +=
            creal(slope) * creal(slope) + cimag(slope) * cimag(slope);
    }
    double error = filling->seen->by == CJ_BY_TRANSIENT
                       ? clip_error(filling, feature->point, feature->channel) * size
                       : 0;
    set_behind(filling, feature, 0, clip_column(filling, feature, feature->channel),
               CLIP_COMMON * error);
    add_var(filling, index, 1e-10 + pow((filling->spread ? CLIP_OWN : 1) * error, 2));
}

/* How much of a clipped wave may turn up as DC: as much as it is bent, and no more. */
static double dc_bent(const cj__filling *filling, int channel)
{
    double thd = filling->seen->thd[channel];
    return rests_at_rail(filling) || isnan(thd) ? DC_MOST : DC_MOST * fmin(thd / 0.3, 1);
}

#define NO_RAILS 100.0 /* V: on a board that states no supply */

double cj__supply_span(const cj_board *board)
{
    return board->v_plus != CJ_NO_NET ? board->v_plus_v - board->v_minus_v : NO_RAILS;
}

/* Without feedback at DC a gradient says more volts than there are: no row is spread farther than
 * from rail to rail. */
static void within_rails(const cj__filling *filling, double *row)
{
    double rails = cj__supply_span(filling->scene->board), sum = 0;
    for (size_t p = 0; p < filling->parameter_count; p++)
        sum += row[p] * row[p];
    for (size_t p = 0; p < filling->parameter_count && sum > rails * rails; p++)
        row[p] *= rails / sqrt(sum);
}

static void fill_dc(const cj__filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    double *row = by(filling, feature, 0);
    filling->out->mean[feature->row] = filling->seen->dc_v[feature->channel];
    const double *slopes = filling->seen->dc_by;
    if (slopes != NULL)
        slopes += (size_t)feature->channel * filling->parameter_count;
    bool spread = slopes != NULL && filling->seen->by != CJ_BY_TRANSIENT;
    for (size_t p = 0; spread && p < filling->parameter_count; p++) {
        if (slopes[p] == 0)
            continue;
        row[p] = slopes[p] * sigma_of(filling, p);
        if (filling->parameters[p].kind ==
            CJ_P_HELD) /* not the same to the millivolt in every step */
            add_var(filling, index, pow(0.1 * row[p], 2));
    }
    if (spread)
        within_rails(filling, row);
    if (filling->seen->by == CJ_BY_TRANSIENT &&
        !cj__look_source(filling->scene, filling->look, feature->channel)) {
        bool rests = rests_at_rail(filling) && !slams(filling, 0, feature->channel);
        double dc = filling->seen->dc_v[feature->channel],
               size = fabs(dc) + cabs(tone(filling, feature->point, feature->channel)),
               most = !rests                    ? 0.4
                      : fabs(dc) > STAYS * size ? DC_OF_SWING
                                                : 1.5;
        double error = fmin(most, DC_LEAST + dc_bent(filling, feature->channel) * size);
        set_behind(filling, feature, 0, clip_column(filling, feature, feature->channel) + 2,
                   CLIP_COMMON * error);
        add_var(filling, index, pow((filling->spread ? CLIP_OWN : 1) * error, 2));
    }
}

static void fill_rms(const cj__filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    double ac = cabs(tone(filling, feature->point, feature->channel)) *
                filling->scene->level[filling->look].gain,
           dc = filling->seen->dc_v[feature->channel];
    double rms = sqrt(dc * dc + ac * ac / 2);
    filling->out->mean[feature->row] = rms;
    if (rms > 0)
        set_level(filling, feature, ac * ac / 2 / rms);
    add_var(filling, index, pow(0.01 * rms, 2) + 25e-6); /* parts and offsets, roughly */
}

static void fill_resistance(const cj__filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    double ohm = filling->seen->resistance_ohm[feature->channel];
    filling->out->mean[feature->row] = log(fmin(fmax(ohm, 1e-3), 1e9));
    add_var(filling, index, 0.02 * 0.02);
}

#define SKIPPED 0.02 /* of a reading: what is stepped through time is hardly known better */

/* No narrow prediction: as good as it could be, so that nothing is thrown away that a transient
 * would save. */
static void fill_skipped(const cj__filling *filling, size_t index)
{
    const cj__feature *feature = &filling->scene->features[index];
    filling->out->skip[index] = filling->out->excess = true;
    for (int r = 0; r < feature->rows; r++)
        filling->out->mean[feature->row + r] = feature->x[r];
    double size = hypot(feature->x[0], feature->rows == 2 ? feature->x[1] : 0);
    bool source = feature->kind != CJ__F_RATIO &&
                  cj__look_source(filling->scene, filling->look, feature->channel);
    add_var(filling, index, source ? 1e-10 : pow(SKIPPED * size, 2) + 1e-8);
}

static void fill_feature(const cj__filling *filling, size_t index)
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

/* Whether the manner moves the tone of this look by more than a little: only then can it distort
 * it. */
static bool moves(const cj__filling *filling)
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

void cj__look_fill(const cj__filling *filling)
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
        bool silent = cabs(tone(filling, 0, distortion->channel)) < 1e-3 * filling->drive_peak;
        bool source = cj__look_source(filling->scene, filling->look, distortion->channel);
        filling->out->thd[d] = source ? 0 : unknown || silent ? NAN : thd;
        filling->out->loose[d] = filling->seen->by != CJ_BY_LINEAR;
    }
}

void cj__look_lost(const cj__scene *scene, size_t look, cj__outlook *out)
{
    double rails = cj__supply_span(scene->board);
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        bool ratio = feature->kind == CJ__F_RATIO || feature->kind == CJ__F_MAGNITUDE;
        if (feature->look != look)
            continue;
        for (int r = 0; r < feature->rows; r++) {
            double size = ratio ? 1 + fabs(feature->x[r]) : rails;
            out->mean[feature->row + r] = 0;
            out->var[3 * f + 2 * (size_t)r] = size * size;
        }
    }
    for (size_t d = 0; d < scene->distortion_count; d++)
        if (scene->distortions[d].look == look) {
            out->thd[d] = NAN;
            out->loose[d] = true;
        }
}
