/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Judging every suspect. */
#include <math.h>
#include <string.h>

#include "diagnosis/rank.h"

/* A drive beyond the swing is stepped through time where the suspect could still matter: within
 * e^-14. */
#define WORTH_TIME 14
/* Beside a good unit: something that changes a few readings. */
#define NONE_SHARE_GOOD 0.0045
/* Beside a fault that explains everything: something that looks like it (a second fault that hardly
 * shows, a part too many); more beside a lead without contact (all but a package's pins), for one
 * that stands in another hole is missing from its own, and beside a wrong value, for a part across
 * another makes one of it. Judged, from the first 805 units of a blind set of the hall mixer. What
 * its 2 000 then showed of findings of 0.8 and more: 39 of 616 wrong, of leads 13 of 202, of values
 * 17 of 156; on three other boards 1 of 65. */
#define NONE_SHARE 0.04
#define NONE_SHARE_LEAD 0.12
#define NONE_SHARE_VALUE 0.07
/* Beside a pair: where two faults are needed, three or something else are as likely. On the blind
 * sets two to three in five of the pairs named were right. */
#define NONE_SHARE_PAIR 1

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
    cj__outlook_free(ranking->plain);
    cj_free(ranking->active);
    cj_free(ranking->touches);
    cj__outlook_free(ranking->outlook);
    cj__normal_free(ranking->normal);
    cj__normal_free(ranking->good);
    cj_free(ranking->found.mean);
    cj_free(ranking);
}

bool cj__worked_enough(const cj__ranking *ranking)
{
    return cj_bench_work(ranking->scene->bench) - ranking->work_before > CJ__WORK_MOST;
}

/* ---- what a manner changes ---- */

/* Variance of a row from the spread of the parts. */
static double spread_of(const cj__outlook *outlook, int row)
{
    const double *by = outlook->by + (size_t)row * (size_t)outlook->columns;
    double sum = 0;
    for (int c = 0; c < outlook->columns; c++)
        sum += by[c] * by[c];
    return sum;
}

/* What a manner does to the looks. */
struct effect {
    bool *stirs;   /* moves a row, or its spread, at all */
    bool *changes; /* by more than a trifle of its error */
};

static void note_rows(const cj__ranking *ranking, size_t index, size_t look, struct effect *effect)
{
    const cj__outlook *now = ranking->outlook, *good = ranking->plain;
    const cj__feature *feature = &ranking->scene->features[index];
    bool changes = now->skip[index] != good->skip[index], stirs = changes;
    for (int r = 0; r < feature->rows && !changes; r++) {
        int row = feature->row + r;
        size_t at = 3 * index + 2 * (size_t)r;
        double moved = now->mean[row] - good->mean[row], error = feature->var[2 * r];
        changes = moved * moved > 1e-4 * error;
        stirs = stirs || moved * moved > 1e-12 * error;
        if (changes)
            break;
        double wider =
            fabs(spread_of(now, row) + now->var[at] - spread_of(good, row) - good->var[at]);
        changes = wider > 0.05 * error;
        stirs = stirs || wider > 1e-6 * error;
    }
    effect->stirs[look] = effect->stirs[look] || stirs || changes;
    effect->changes[look] = effect->changes[look] || changes;
}

static void note_effect(const cj__ranking *ranking, struct effect *effect)
{
    const cj__scene *scene = ranking->scene;
    const cj__outlook *now = ranking->outlook, *good = ranking->plain;
    for (size_t i = 0; i < scene->look_count; i++) {
        if (!ranking->active[i])
            continue;
        for (size_t f = 0; f < scene->count && !effect->changes[i]; f++)
            if (scene->features[f].look == scene->looks[i])
                note_rows(ranking, f, i, effect);
        for (size_t d = 0; d < scene->distortion_count && !effect->changes[i]; d++)
            effect->changes[i] = scene->distortions[d].look == scene->looks[i] &&
                                 !(now->thd[d] == good->thd[d] && now->loose[d] == good->loose[d]);
    }
}

/* At both ends of a searched quantity; then in the middle (of a part's value nothing changes
 * there), but only looks that it stirs and that are not known to change. */
cj_status cj__active(cj__ranking *ranking, const cj__manner *manner, cj_error *err)
{
    static const double places[] = {0, 1, 0.5};
    size_t looks = ranking->scene->look_count;
    struct effect effect = {cj_new(looks + 1, sizeof(bool)), cj_new(looks + 1, sizeof(bool))};
    cj_status status = effect.stirs && effect.changes ? CJ_OK : cj_fail_memory(err);
    int points = manner->prior == CJ__FIXED ? 1 : manner->prior == CJ__PART_VALUE ? 2 : 3;
    for (size_t i = 0; i < looks; i++)
        ranking->active[i] = true;
    for (int p = 0; p < points && status == CJ_OK; p++) {
        double value = points == 1 ? NAN : manner->low * pow(manner->high / manner->low, places[p]);
        for (size_t i = 0; i < looks && p > 0; i++)
            ranking->active[i] = !effect.changes[i] && (p == 1 || effect.stirs[i]);
        status = cj__trial_fill(ranking, manner, value, CJ_SPREAD | CJ__FIRST_ORDER, err);
        if (status == CJ_OK)
            note_effect(ranking, &effect);
    }
    for (size_t i = 0; i < looks && status == CJ_OK; i++)
        ranking->active[i] = effect.changes[i];
    cj_free(effect.stirs);
    cj_free(effect.changes);
    return status;
}

/* ---- a suspect ---- */

#define SAME_VALUE 0.02 /* ln */

static bool known_value(const double *values, int count, double value)
{
    for (int i = 0; i < count; i++)
        if (fabs(log(value / values[i])) < SAME_VALUE)
            return true;
    return false;
}

/* Of the trials from `first` on, the likeliest that is predicted whole; NULL: none is. */
static const cj__trial *best_plain(const cj__ranking *ranking, size_t first)
{
    const cj__trial *best = NULL;
    for (size_t t = first; t < ranking->trial_count; t++) {
        const cj__trial *trial = &ranking->trials[t];
        if (trial->split == 0 && !trial->edge_over && !trial->rough &&
            (best == NULL || trial->robust > best->robust))
            best = trial;
    }
    return best;
}

/* Searched for with a good unit's spread as the measure; then, where it is worth it, with the
 * spread of the value found, for a fault that takes the signal away leaves far less of it. */
static cj_status try_values(cj__ranking *ranking, const cj__manner *manner, cj__trial *setup,
                            unsigned want, cj_error *err)
{
    double found[2 * CJ__MINIMA], again[CJ__MINIMA];
    int count = 0, more = 0;
    size_t first = ranking->trial_count;
    cj_status status = cj__search(ranking, manner, ranking->good, found, &count, err);
    for (int i = 0; i < count && status == CJ_OK; i++) {
        setup->free_value = found[i];
        status = cj__trial_add(ranking, setup, want, err);
    }
    if (status != CJ_OK)
        return status;
    const cj__trial *best = best_plain(ranking, first);
    if (best == NULL || best->robust < ranking->most - CJ__HOPELESS)
        return CJ_OK;
    if (best != &ranking->trials[ranking->trial_count - 1]) {
        status = cj__trial_metric(ranking, best, want, err);
        if (status == CJ_OK)
            status = cj__active(ranking, manner, err);
    }
    if (status == CJ_OK)
        status = cj__search_again(ranking, manner, ranking->normal, again, &more, err);
    for (int i = 0; i < more && status == CJ_OK; i++) {
        if (known_value(found, count, again[i]))
            continue;
        found[count++] = setup->free_value = again[i];
        status = cj__trial_add(ranking, setup, want, err);
    }
    return status;
}

static cj_status try_manner(cj__ranking *ranking, size_t index, size_t m, cj_error *err)
{
    const cj__manner *manner = &ranking->suspects->items[index].manners[m];
    cj__trial setup = {.suspect = index, .manner = m, .free_value = NAN, .low = NAN, .high = NAN};
    if (manner->weight <= 0)
        return CJ_OK;
    if (index > 0 && cj__worked_enough(ranking)) {
        ranking->left_out++;
        return CJ_OK;
    }
    cj_status status = cj__active(ranking, manner, err);
    if (status != CJ_OK)
        return status;
    for (size_t i = 0; i < ranking->scene->look_count && index < ranking->singles; i++)
        if (ranking->active[i])
            ranking->touches[index * ranking->scene->look_count + i] = true;
    return manner->prior == CJ__FIXED ? cj__trial_add(ranking, &setup, 0, err)
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

static double none_share(const cj_board *board, const cj__suspects *suspects, size_t index)
{
    if (index == 0)
        return NONE_SHARE_GOOD;
    const cj__suspect *suspect = &suspects->items[index];
    if (suspect->fault.with != NULL)
        return NONE_SHARE_PAIR;
    if (suspect->fault.kind == CJ_FAULT_OPEN_PIN &&
        board->parts[suspect->manners[0].edits[0].part].kind != CJ_OPAMP)
        return NONE_SHARE_LEAD;
    return suspect->fault.kind == CJ_FAULT_WRONG_VALUE ? NONE_SHARE_VALUE : NONE_SHARE;
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
        *sum = cj__add_logs(*sum, trial->log + prior);
        double share = none_share(ranking->scene->board, ranking->suspects, trial->suspect);
        if (!trial->rough)
            ranking->none_log = cj__add_logs(ranking->none_log, trial->robust + prior + log(share));
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

/* Another trial of the same manner that was searched through time already; about: of this very
 * value. */
static bool searched_already(const cj__ranking *ranking, size_t index, bool about)
{
    const cj__trial *trial = &ranking->trials[index];
    for (size_t t = 0; t < ranking->trial_count; t++) {
        const cj__trial *other = &ranking->trials[t];
        if (t != index && other->suspect == trial->suspect && other->manner == trial->manner &&
            other->split == trial->split && other->edge_over == trial->edge_over &&
            other->in_time &&
            (!about || fabs(log(other->free_value / trial->free_value)) < SAME_VALUE))
            return true;
    }
    return false;
}

/* Of the trials whose bound is rough and could still matter, the one of the highest bound;
 * trial_count where there is none. The rest of the rough ones are given up. */
static size_t most_promising(cj__ranking *ranking, double best)
{
    size_t found = ranking->trial_count;
    double most = best - WORTH_TIME;
    for (size_t t = 0; t < ranking->trial_count; t++) {
        cj__trial *trial = &ranking->trials[t];
        if (!trial->rough || trial->in_time || trial->log == -INFINITY)
            continue;
        double bound = trial->log + log(ranking->suspects->items[trial->suspect].prior);
        if (bound < best - WORTH_TIME)
            trial->log = trial->robust = -INFINITY;
        else if (bound > most || found == ranking->trial_count) {
            most = bound;
            found = t;
        }
    }
    return found;
}

/* Those that the drive takes out of the swing, stepped through time where they could still matter:
 * the most promising first, for what they turn out to be rules others out. */
static cj_status refine(cj__ranking *ranking, cj_error *err)
{
    double best = best_log(ranking);
    cj_status status = CJ_OK;
    for (size_t t; status == CJ_OK && (t = most_promising(ranking, best)) < ranking->trial_count;) {
        cj__trial *trial = &ranking->trials[t];
        const cj__suspect *suspect = &ranking->suspects->items[trial->suspect];
        const cj__manner *manner = &suspect->manners[trial->manner];
        bool enough = cj__worked_enough(ranking);
        ranking->left_out += enough;
        if (enough) {
            trial->log = trial->robust = -INFINITY;
            continue;
        }
        bool first = !searched_already(ranking, t, false);
        status = cj__active(ranking, manner, err);
        if (status == CJ_OK && manner->prior != CJ__FIXED)
            status =
                cj__search_in_time(ranking, manner, ranking->good, first, &trial->free_value, err);
        trial->in_time = true;
        if (manner->prior != CJ__FIXED && searched_already(ranking, t, true)) {
            trial->log = trial->robust = -INFINITY; /* found a second time */
            continue;
        }
        if (status == CJ_OK)
            status = cj__trial_judge(ranking, manner, CJ_TRANSIENT, trial, err);
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
        status =
            cj__outlook_fill(ranking->scene, &ranking->suspects->items[0].manners[0], NAN,
                             CJ_SPREAD | CJ_TRANSIENT | CJ__FIRST_ORDER, NULL, ranking->plain, err);
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
        status = cj__outlook_make(scene, &ranking->plain, err);
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
    ranking->work_before = cj_bench_work(scene->bench);
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
    if (status == CJ_OK)
        status = cj__settle(ranking, err);
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
    if (status == CJ_OK)
        status = cj__trial_fill(ranking, &manner, NAN, CJ_SPREAD | want, err);
    if (status == CJ_OK && trial->between_end > 0)
        cj__between_widen(ranking->scene, ranking->trials[trial->between].mean,
                          ranking->trials[trial->between_end].mean, ranking->outlook);
    ranking->outlook->way = trial->residue;
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
