/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Judging every suspect. */
#include <math.h>
#include <string.h>

#include "diagnosis/rank.h"

/* A drive beyond the swing is stepped through time where the suspect could still matter: within
 * e^-14. */
#define WORTH_TIME 14
/* This far (in nats) behind the best, a searched quantity need not be known well. */
#define HOPELESS 300
/* Beside any suspect: something else too, that changes a few readings. */
#define NONE_SHARE 0.01
/* Beside a pair: where two faults are needed, three or something else are nearly as likely. */
#define NONE_SHARE_PAIR 0.8

void cj__ranking_free(cj__ranking *ranking)
{
    if (ranking == NULL)
        return;
    for (size_t i = 0; i < ranking->trial_count; i++)
        cj_free(ranking->trials[i].mean);
    cj_free(ranking->trials);
    cj_free(ranking->log);
    cj_free(ranking->probability);
    cj_free(ranking->best);
    cj__outlook_free(ranking->unit);
    cj_free(ranking->active);
    cj_free(ranking->touches);
    cj__outlook_free(ranking->outlook);
    cj__normal_free(ranking->normal);
    cj__normal_free(ranking->good);
    cj_free(ranking->found.mean);
    cj_free(ranking);
}

static double add_logs(double a, double b)
{
    double high = fmax(a, b);
    return isfinite(high) ? high + log(exp(a - high) + exp(b - high)) : high;
}

/* ---- what a manner changes ---- */

static cj_status fill(cj__ranking *ranking, const cj__manner *manner, double value, unsigned want,
                      cj_error *err)
{
    cj__reference reference = {ranking->unit, ranking->active, ranking->quiet};
    return cj__outlook_fill(ranking->scene, manner, value, want, &reference, ranking->outlook, err);
}

/* Variance of a row from the spread of the parts. */
static double spread_of(const cj__outlook *outlook, int row)
{
    const double *by = outlook->by + (size_t)row * (size_t)outlook->columns;
    double sum = 0;
    for (int c = 0; c < outlook->columns; c++)
        sum += by[c] * by[c];
    return sum;
}

/* Looks whose rows, or their spread, differ from a good unit's by more than a trifle of their
 * errors. */
static void note_active(cj__ranking *ranking, bool spread, bool *changed)
{
    const cj__scene *scene = ranking->scene;
    const cj__outlook *now = ranking->outlook, *good = ranking->unit;
    for (size_t i = 0; i < scene->look_count; i++) {
        for (size_t f = 0; f < scene->count && !changed[i]; f++) {
            const cj__feature *feature = &scene->features[f];
            if (feature->look != scene->looks[i])
                continue;
            changed[i] = now->skip[f] != good->skip[f];
            for (int r = 0; r < feature->rows; r++) {
                int row = feature->row + r;
                double moved = now->mean[row] - good->mean[row], error = feature->var[2 * r];
                changed[i] = changed[i] || moved * moved > 1e-4 * error;
                if (changed[i] || !spread)
                    continue;
                double wider = spread_of(now, row) + now->var[3 * f + 2 * (size_t)r] -
                               spread_of(good, row) - good->var[3 * f + 2 * (size_t)r];
                changed[i] = fabs(wider) > 0.05 * error;
            }
        }
        for (size_t d = 0; d < scene->distortion_count && !changed[i]; d++)
            changed[i] = scene->distortions[d].look == scene->looks[i] &&
                         !(now->thd[d] == good->thd[d] && now->loose[d] == good->loose[d]);
    }
}

cj_status cj__active(cj__ranking *ranking, const cj__manner *manner, cj_error *err)
{
    size_t looks = ranking->scene->look_count;
    bool *changed = cj_new(looks + 1, sizeof *changed);
    if (changed == NULL)
        return cj_fail_memory(err);
    cj_status status = CJ_OK;
    int points = manner->prior == CJ__FIXED ? 1 : 3;
    ranking->quiet = false;
    for (size_t i = 0; i < looks; i++)
        ranking->active[i] = true;
    for (int p = 0; p < points && status == CJ_OK; p++) {
        double value = points == 1 ? NAN : manner->low * pow(manner->high / manner->low, p / 2.0);
        bool spread = points == 1 || p == 1; /* the spread moves with the means at the ends */
        status = fill(ranking, manner, value, spread ? CJ_SPREAD : CJ_BARE, err);
        if (status == CJ_OK)
            note_active(ranking, spread, changed);
    }
    for (size_t i = 0; i < looks && status == CJ_OK; i++)
        ranking->active[i] = changed[i];
    cj_free(changed);
    return status;
}

/* ---- one trial ---- */

/* The manner with its offset set where the sign of one decides a rail. */
static bool with_split(const cj__manner *manner, const cj__trial *trial, const cj_board *board,
                       cj_edit *edits, cj__manner *out)
{
    if (manner->edit_count + 1 > CJ__TRIAL_EDITS)
        return false;
    *out = *manner;
    memcpy(edits, manner->edits, manner->edit_count * sizeof *edits);
    out->edits = edits;
    if (trial->split != 0) {
        const cj_part *part = &board->parts[trial->split_part];
        edits[out->edit_count++] = (cj_edit){.kind = CJ_EDIT_FIGURE,
                                             .part = trial->split_part,
                                             .pin = part->sections[trial->split_section].out,
                                             .figure = CJ_OFFSET,
                                             .a = trial->split * part->opamp.offset_v};
    }
    return true;
}

bool cj__trial_fixed(const cj__ranking *ranking, const cj__trial *trial, cj_edit *edits,
                     cj__manner *out)
{
    const cj__manner *manner = &ranking->suspects->items[trial->suspect].manners[trial->manner];
    if (!with_split(manner, trial, ranking->scene->board, edits, out))
        return false;
    if (manner->prior != CJ__FIXED) {
        double value = manner->free_negative ? -trial->free_value : trial->free_value;
        if (manner->free_b)
            edits[manner->free_edit].b = value;
        else
            edits[manner->free_edit].a = value;
        out->prior = CJ__FIXED;
    }
    return true;
}

/* How the means move with ln of the searched quantity, whitened, into slope. */
static cj_status slope_at(cj__ranking *ranking, const cj__manner *manner, double t, unsigned want,
                          double *slope, cj_error *err)
{
    const double step = 0.01;
    int rows = ranking->scene->rows;
    cj_status status = fill(ranking, manner, exp(t + step), want, err);
    if (status != CJ_OK)
        return status;
    memcpy(slope, ranking->outlook->mean, (size_t)rows * sizeof *slope);
    status = fill(ranking, manner, exp(t - step), want, err);
    for (int i = 0; i < rows && status == CJ_OK; i++)
        slope[i] = (slope[i] - ranking->outlook->mean[i]) / (2 * step);
    if (status == CJ_OK)
        cj__forward(ranking->normal->factor, rows, slope);
    return status;
}

/* With the residue of railed outputs as large or as small as ranking->quiet says. */
static cj_status judge_once(cj__ranking *ranking, const cj__manner *manner, double value,
                            unsigned want, cj__trial *trial, cj_error *err)
{
    cj_status status = fill(ranking, manner, value, want | CJ_SPREAD, err);
    if (status == CJ_OK)
        status = cj__normal_fill(ranking->scene, ranking->outlook, ranking->normal, err);
    if (status != CJ_OK)
        return status;
    trial->distance = cj__normal_distance(ranking->scene, ranking->outlook, ranking->normal);
    double distortion = cj__distortion_log(ranking->scene, ranking->outlook);
    trial->density = cj__normal_log(ranking->normal, trial->distance) + distortion;
    trial->robust = cj__normal_log_outliers(ranking->normal) + distortion;
    trial->rough = ranking->outlook->excess;
    trial->quiet = ranking->quiet;
    return CJ_OK;
}

/* What is left of the tone at a railed output spreads over 30 dB and more: half of them are quiet
 * ones. The better of the two stays in ranking->outlook and ranking->normal. */
static cj_status judge_at(cj__ranking *ranking, const cj__manner *manner, double value,
                          unsigned want, cj__trial *trial, cj_error *err)
{
    ranking->quiet = false;
    cj_status status = judge_once(ranking, manner, value, want, trial, err);
    if (status != CJ_OK || !ranking->outlook->residue)
        return status;
    cj__trial quiet = *trial;
    ranking->quiet = true;
    status = judge_once(ranking, manner, value, want, &quiet, err);
    double density = add_logs(trial->density, quiet.density) - M_LN2;
    double robust = add_logs(trial->robust, quiet.robust) - M_LN2;
    if (status == CJ_OK && quiet.density > trial->density) {
        *trial = quiet;
    } else if (status == CJ_OK) {
        ranking->quiet = false;
        status = judge_once(ranking, manner, value, want, trial, err);
    }
    trial->density = density;
    trial->robust = robust;
    return status;
}

/* One step towards the best value with this suspect's own spread, then the integral over the
 * quantity. */
static cj_status integrate(cj__ranking *ranking, const cj__manner *manner, unsigned want,
                           cj__trial *trial, double *mass, cj_error *err)
{
    int rows = ranking->scene->rows;
    double *slope = cj_new((size_t)rows + 1, sizeof *slope);
    if (slope == NULL)
        return cj_fail_memory(err);
    double low = log(manner->low), high = log(manner->high), t = log(trial->free_value),
           s = high - low;
    double *white = ranking->normal->white, along = 0, size = 0;
    cj_status status = CJ_OK;
    if (cj__any_active(ranking))
        status = slope_at(ranking, manner, t, CJ_BARE, slope, err);
    for (int i = 0; i < rows && status == CJ_OK; i++) {
        along += slope[i] * white[i];
        size += slope[i] * slope[i];
    }
    if (status == CJ_OK && size > 0) {
        double better = fmin(fmax(t + fmin(fmax(along / size, -0.2), 0.2), low), high);
        cj__trial moved = *trial;
        status = judge_at(ranking, manner, exp(better), want, &moved, err);
        if (status == CJ_OK && moved.density > trial->density) {
            moved.free_value = exp(better);
            t = better;
            *trial = moved;
        } else if (status == CJ_OK) {
            status = judge_at(ranking, manner, exp(t), want, trial, err);
        }
        s = fmin(1 / sqrt(size), s);
    } else if (status == CJ_OK && cj__any_active(ranking)) {
        status = judge_at(ranking, manner, exp(t), want, trial, err);
    }
    trial->low = exp(fmax(t - 1.645 * s, low));
    trial->high = exp(fmin(t + 1.645 * s, high));
    *mass = fmin(cj__search_mass(manner, t, s), 0);
    cj_free(slope);
    return status;
}

static cj_status judge(cj__ranking *ranking, const cj__manner *manner, unsigned want,
                       cj__trial *trial, cj_error *err)
{
    cj_edit edits[CJ__TRIAL_EDITS];
    cj__manner split;
    if (trial->split != 0) {
        if (!with_split(manner, trial, ranking->scene->board, edits, &split))
            return cj_fail(err, CJ_BUG, "", 0, 0, "too many edits at once");
        manner = &split;
    }
    double mass = 0;
    cj_status status = judge_at(ranking, manner, trial->free_value, want, trial, err);
    ranking->most = fmax(ranking->most, trial->density);
    bool hopeless = trial->density < ranking->most - HOPELESS && !trial->rough;
    if (status == CJ_OK && manner->prior != CJ__FIXED && !hopeless)
        status = integrate(ranking, manner, want, trial, &mass, err);
    if (status != CJ_OK)
        return status;
    double weight = log(manner->weight * (trial->split != 0 ? trial->split_weight : 1));
    trial->log = trial->density + mass + weight;
    trial->robust += mass + weight;
    memcpy(trial->mean, ranking->outlook->mean, (size_t)ranking->scene->rows * sizeof *trial->mean);
    return CJ_OK;
}

/* The op-amp whose offset decides where the circuit rests: as the solver says, or the one that
 * moves DC by volts. False: none does. */
static bool offset_decides(const cj__ranking *ranking, int *part, int *section, bool *wide)
{
    const cj__outlook *outlook = ranking->outlook;
    const cj_parameter *parameters = cj_bench_parameters(ranking->scene->bench);
    size_t count = cj_bench_parameter_count(ranking->scene->bench);
    *part = outlook->fragile_part;
    *section = outlook->fragile_section;
    *wide = false;
    if (*part >= 0)
        return true;
    double most = 2.5;
    for (size_t p = 0; p < count; p++) {
        if (parameters[p].kind != CJ_P_OFFSET)
            continue;
        for (int r = 0; r < outlook->rows; r++) {
            double moved = fabs(outlook->by[(size_t)r * (size_t)outlook->columns + p]);
            if (moved > most) {
                most = moved;
                *part = parameters[p].part;
                *section = parameters[p].section;
                *wide = true;
            }
        }
    }
    return *wide;
}

static cj_status new_trial(cj__ranking *ranking, const cj__trial *setup, unsigned want,
                           cj_error *err)
{
    if (!cj_reserve((void **)&ranking->trials, &ranking->trial_capacity, ranking->trial_count,
                    sizeof *ranking->trials))
        return cj_fail_memory(err);
    cj__trial *trial = &ranking->trials[ranking->trial_count];
    *trial = *setup;
    trial->mean = cj_new((size_t)ranking->scene->rows + 1, sizeof *trial->mean);
    if (trial->mean == NULL)
        return cj_fail_memory(err);
    ranking->trial_count++;
    const cj__suspect *suspect = &ranking->suspects->items[trial->suspect];
    return judge(ranking, &suspect->manners[trial->manner], want, trial, err);
}

/* Where one offset decides, each way stands for itself: its sign, and where it moves DC by volts
 * its size. */
static cj_status add_trial(cj__ranking *ranking, const cj__trial *setup, unsigned want,
                           cj_error *err)
{
    static const double ways[][2] = {{-0.8, 0.5}, {0.8, 0.5}},
                        more[][2] = {{-1.8, 0.15}, {-0.6, 0.35}, {0.6, 0.35}, {1.8, 0.15}};
    cj_status status = new_trial(ranking, setup, want, err);
    cj__trial split = *setup;
    bool wide;
    if (status != CJ_OK || !offset_decides(ranking, &split.split_part, &split.split_section, &wide))
        return status;
    cj_free(ranking->trials[--ranking->trial_count].mean);
    for (size_t i = 0; i < (wide ? 4 : 2) && status == CJ_OK; i++) {
        split.split = wide ? more[i][0] : ways[i][0];
        split.split_weight = wide ? more[i][1] : ways[i][1];
        status = new_trial(ranking, &split, want, err);
    }
    return status;
}

/* ---- a suspect ---- */

static bool known_value(const double *values, int count, double value)
{
    for (int i = 0; i < count; i++)
        if (fabs(log(value / values[i])) < 0.02)
            return true;
    return false;
}

/* Searched for with a good unit's spread as the measure; then, where it is worth it, with the
 * spread of the value found, for a fault that takes the signal away leaves far less of it. */
static cj_status try_values(cj__ranking *ranking, const cj__manner *manner, cj__trial *setup,
                            unsigned want, cj_error *err)
{
    double found[2 * CJ__MINIMA], again[CJ__MINIMA];
    int count = 0, more = 0;
    cj_status status = cj__search(ranking, manner, ranking->good, found, &count, err);
    for (int i = 0; i < count && status == CJ_OK; i++) {
        setup->free_value = found[i];
        status = add_trial(ranking, setup, want, err);
    }
    if (status != CJ_OK || count == 0)
        return status;
    const cj__trial *last = &ranking->trials[ranking->trial_count - 1];
    if (last->split != 0 || last->rough || last->density < ranking->most - HOPELESS)
        return CJ_OK;
    status = cj__search_again(ranking, manner, ranking->normal, again, &more, err);
    for (int i = 0; i < more && status == CJ_OK; i++) {
        if (known_value(found, count, again[i]))
            continue;
        found[count++] = setup->free_value = again[i];
        status = add_trial(ranking, setup, want, err);
    }
    return status;
}

static cj_status try_manner(cj__ranking *ranking, size_t index, size_t m, cj_error *err)
{
    const cj__manner *manner = &ranking->suspects->items[index].manners[m];
    cj__trial setup = {.suspect = index, .manner = m, .free_value = NAN, .low = NAN, .high = NAN};
    if (manner->weight <= 0)
        return CJ_OK;
    if (index > 0 && cj_bench_work(ranking->scene->bench) > CJ__WORK_MOST) {
        ranking->left_out++;
        return CJ_OK;
    }
    cj_status status = cj__active(ranking, manner, err);
    if (status != CJ_OK)
        return status;
    for (size_t i = 0; i < ranking->scene->look_count && index < ranking->singles; i++)
        if (ranking->active[i])
            ranking->touches[index * ranking->scene->look_count + i] = true;
    return manner->prior == CJ__FIXED ? add_trial(ranking, &setup, 0, err)
                                      : try_values(ranking, manner, &setup, 0, err);
}

static cj_status make_room(cj__ranking *ranking, cj_error *err)
{
    size_t count = ranking->suspects->count;
    double *log_array = cj_resize(ranking->log, count, sizeof *log_array);
    if (log_array != NULL)
        ranking->log = log_array;
    double *probability = cj_resize(ranking->probability, count, sizeof *probability);
    if (probability != NULL)
        ranking->probability = probability;
    size_t *best = cj_resize(ranking->best, count, sizeof *best);
    if (best != NULL)
        ranking->best = best;
    return log_array && probability && best ? CJ_OK : cj_fail_memory(err);
}

static double none_share(const cj__suspect *suspect)
{
    return suspect->fault.with != NULL ? NONE_SHARE_PAIR : NONE_SHARE;
}

/* Evidence of each suspect from its trials; then probabilities, "none of these" beside them. */
static void sum_up(cj__ranking *ranking)
{
    size_t count = ranking->suspects->count;
    double high = -INFINITY;
    ranking->none_log = -INFINITY;
    for (size_t i = 0; i < count; i++) {
        ranking->log[i] = -INFINITY;
        ranking->best[i] = 0; /* of one that was never tried: never looked at */
    }
    for (size_t t = 0; t < ranking->trial_count; t++) {
        const cj__trial *trial = &ranking->trials[t];
        double prior = log(ranking->suspects->items[trial->suspect].prior);
        double *sum = &ranking->log[trial->suspect];
        if (*sum == -INFINITY || trial->log > ranking->trials[ranking->best[trial->suspect]].log)
            ranking->best[trial->suspect] = t;
        *sum = add_logs(*sum, trial->log + prior);
        if (!trial->rough)
            ranking->none_log = add_logs(
                ranking->none_log,
                trial->robust + prior + log(none_share(&ranking->suspects->items[trial->suspect])));
        high = fmax(high, *sum);
    }
    high = fmax(high, ranking->none_log);
    double total = exp(ranking->none_log - high);
    for (size_t i = 0; i < count; i++)
        total += exp(ranking->log[i] - high);
    for (size_t i = 0; i < count; i++)
        ranking->probability[i] = exp(ranking->log[i] - high) / total;
    ranking->none = exp(ranking->none_log - high) / total;
    ranking->known = count;
}

static double best_log(const cj__ranking *ranking)
{
    double best = -INFINITY;
    for (size_t t = 0; t < ranking->trial_count; t++)
        best =
            fmax(best, ranking->trials[t].rough
                           ? -INFINITY
                           : ranking->trials[t].log +
                                 log(ranking->suspects->items[ranking->trials[t].suspect].prior));
    return best;
}

/* An earlier trial of the same manner was searched through time already. */
static bool searched_before(const cj__ranking *ranking, size_t index)
{
    const cj__trial *trial = &ranking->trials[index];
    for (size_t t = 0; t < index; t++) {
        const cj__trial *other = &ranking->trials[t];
        if (other->suspect == trial->suspect && other->manner == trial->manner &&
            other->split == trial->split && other->in_time)
            return true;
    }
    return false;
}

/* Those that the drive takes out of the swing, stepped through time where they could still matter.
 */
static cj_status refine(cj__ranking *ranking, cj_error *err)
{
    double best = best_log(ranking);
    cj_status status = CJ_OK;
    for (size_t t = 0; t < ranking->trial_count && status == CJ_OK; t++) {
        cj__trial *trial = &ranking->trials[t];
        const cj__suspect *suspect = &ranking->suspects->items[trial->suspect];
        if (!trial->rough)
            continue;
        if (trial->log + log(suspect->prior) < best - WORTH_TIME) {
            trial->log = trial->robust = -INFINITY;
            continue;
        }
        const cj__manner *manner = &suspect->manners[trial->manner];
        bool enough = cj_bench_work(ranking->scene->bench) > CJ__WORK_MOST;
        ranking->left_out += enough;
        if (enough || (manner->prior != CJ__FIXED && searched_before(ranking, t))) {
            trial->log = trial->robust = -INFINITY;
            continue;
        }
        status = cj__active(ranking, manner, err);
        if (status == CJ_OK && manner->prior != CJ__FIXED)
            status = cj__search_in_time(ranking, manner, ranking->good, &trial->free_value, err);
        trial->in_time = true;
        if (status == CJ_OK)
            status = judge(ranking, manner, CJ_TRANSIENT, trial, err);
        best = fmax(best, trial->log + log(suspect->prior));
    }
    return status;
}

/* Through time where a good unit leaves the swing: what every fault keeps of it must be predicted.
 */
static cj_status learn_healthy(cj__ranking *ranking, cj_error *err)
{
    cj_status status = cj__outlook_fill(ranking->scene, &ranking->suspects->items[0].manners[0],
                                        NAN, CJ_SPREAD | CJ_TRANSIENT, NULL, ranking->unit, err);
    ranking->healthy = ranking->unit->mean;
    if (status == CJ_OK)
        status = cj__normal_fill(ranking->scene, ranking->unit, ranking->good, err);
    return status;
}

static cj_status prepare(cj__ranking *ranking, cj_error *err)
{
    const cj__scene *scene = ranking->scene;
    ranking->active = cj_new(scene->look_count + 1, sizeof *ranking->active);
    ranking->singles = ranking->suspects->count;
    ranking->touches = cj_new(ranking->singles * scene->look_count + 1, sizeof *ranking->touches);
    ranking->found.mean = cj_new(CJ__KNOWN_MOST * (size_t)scene->rows + 1, sizeof(double));
    if (ranking->active == NULL || ranking->touches == NULL || ranking->found.mean == NULL)
        return cj_fail_memory(err);
    cj_status status = cj__outlook_make(scene, &ranking->outlook, err);
    if (status == CJ_OK)
        status = cj__outlook_make(scene, &ranking->unit, err);
    if (status == CJ_OK)
        status = cj__normal_make(scene->rows, &ranking->normal, err);
    if (status == CJ_OK)
        status = cj__normal_make(scene->rows, &ranking->good, err);
    if (status == CJ_OK)
        status = learn_healthy(ranking, err);
    return status;
}

static void set_priors(cj__suspects *suspects, double healthy_prior)
{
    double total = 0;
    for (size_t i = 1; i < suspects->count; i++)
        total += suspects->items[i].prior;
    for (size_t i = 1; i < suspects->count && total > 0; i++)
        suspects->items[i].prior *= (1 - healthy_prior) / total;
    suspects->items[0].prior = healthy_prior;
}

cj_status cj__rank(const cj__scene *scene, cj__suspects *suspects, double healthy_prior,
                   cj__ranking **out, cj_error *err)
{
    cj__ranking *ranking = cj_new(1, sizeof *ranking);
    if (ranking == NULL)
        return cj_fail_memory(err);
    ranking->scene = scene;
    ranking->suspects = suspects;
    ranking->most = -INFINITY;
    set_priors(suspects, healthy_prior);
    cj_status status = prepare(ranking, err);
    if (status == CJ_OK)
        status = cj__rank_more(ranking, 0, err);
    if (status != CJ_OK) {
        cj__ranking_free(ranking);
        return status;
    }
    *out = ranking;
    return CJ_OK;
}

static cj_status finish(cj__ranking *ranking, cj_error *err)
{
    cj_status status = refine(ranking, err);
    if (status == CJ_OK)
        status = make_room(ranking, err);
    if (status == CJ_OK)
        sum_up(ranking);
    return status;
}

cj_status cj__rank_more(cj__ranking *ranking, size_t from, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = from; i < ranking->suspects->count && status == CJ_OK; i++)
        for (size_t m = 0; m < ranking->suspects->items[i].count && status == CJ_OK; m++)
            status = try_manner(ranking, i, m, err);
    return status == CJ_OK ? finish(ranking, err) : status;
}

cj_status cj__rank_manner(cj__ranking *ranking, size_t suspect, size_t manner, cj_error *err)
{
    cj_status status = try_manner(ranking, suspect, manner, err);
    return status == CJ_OK ? finish(ranking, err) : status;
}

cj_status cj__trial_metric(cj__ranking *ranking, const cj__trial *trial, unsigned want,
                           cj_error *err)
{
    cj_edit edits[CJ__TRIAL_EDITS];
    cj__manner manner;
    if (!cj__trial_fixed(ranking, trial, edits, &manner))
        return cj_fail(err, CJ_BUG, "", 0, 0, "too many edits at once");
    cj_status status = cj__active(ranking, &manner, err);
    ranking->quiet = trial->quiet;
    if (status == CJ_OK)
        status = fill(ranking, &manner, NAN, CJ_SPREAD | want, err);
    ranking->quiet = false;
    if (status == CJ_OK)
        status = cj__normal_fill(ranking->scene, ranking->outlook, ranking->normal, err);
    return status;
}

double cj__apart(const cj__normal *metric, const double *a, const double *b)
{
    double sum = 0;
    for (int i = 0; i < metric->rows; i++)
        metric->white[i] = a[i] - b[i];
    cj__forward(metric->factor, metric->rows, metric->white);
    for (int i = 0; i < metric->rows; i++)
        sum += metric->white[i] * metric->white[i];
    return sqrt(sum);
}
