/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * What to read next: the step not yet captured, or the net to touch with the second probe, from
 * which most is to be learnt about what is wrong.
 *
 * Expected information: entropy of the remaining suspects before, less its mean after the reading,
 * over readings drawn from what each suspect predicts (a fixed sequence, so the answer is always
 * the same).
 */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "diagnosis/answer.h"
#include "diagnosis/learned.h"

enum { RIVALS_MOST = 10, NEXT_MOST = 3, DRAWS = 100, ROWS_MOST = 6 };

#define PROBE_OHM 10e6
#define CLIPPED 0.3 /* of what a clipped step would read without clipping */

/* A suspect still in question, every quantity fixed; what the candidate at hand would read with it.
 */
struct rival {
    size_t suspect;
    double share;
    cj__manner manner;
    cj_edit edits[CJ__TRIAL_EDITS + 1];
    double mean[ROWS_MOST];
    cj__normal *normal;
    cj__learned *learned; /* from what was captured */
    double tone_v, dc_v;  /* of the net in question */
};

struct search {
    cj__ranking *ranking;
    const cj_board *board;
    cj_bench *bench;
    const cj_observed *observed;
    struct rival *rivals;
    size_t count;
    double entropy; /* of the rivals, bits */
};

/* ---- rivals ---- */

static void add_rival(struct search *search, size_t suspect, double share)
{
    struct rival *rival = &search->rivals[search->count];
    const cj__ranking *ranking = search->ranking;
    rival->suspect = suspect;
    rival->share = share;
    /* one with too many edits is left out */
    if (search->count < RIVALS_MOST &&
        cj__trial_fixed(ranking, &ranking->trials[ranking->best[suspect]], rival->edits,
                        &rival->manner) &&
        rival->manner.edit_count < CJ__TRIAL_EDITS)
        search->count++;
}

static void choose_rivals(struct search *search, const cj__groups *groups)
{
    if (groups->healthy > 0.01)
        add_rival(search, 0, groups->healthy);
    for (size_t g = 0; g < groups->count; g++)
        for (size_t m = 0; m < groups->items[g].count; m++) {
            size_t suspect = groups->items[g].members[m];
            if (search->ranking->probability[suspect] > 0.003)
                add_rival(search, suspect, search->ranking->probability[suspect]);
        }
    double total = 0;
    for (size_t i = 0; i < search->count; i++)
        total += search->rivals[i].share;
    for (size_t i = 0; i < search->count; i++)
        search->rivals[i].share /= total;
}

static cj_status learn(struct search *search, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = 0; i < search->count && status == CJ_OK; i++) {
        struct rival *rival = &search->rivals[i];
        cj__manner manner = rival->manner;
        manner.edits = rival->edits;
        status = cj__learned_make(search->ranking, &manner, &rival->learned, err);
    }
    return status;
}

/* ---- a candidate ---- */

/* Errors of reading about what that rival would show. */
static void set_errors(cj__scene *scene, const double *mean)
{
    for (size_t f = 0; f < scene->count; f++) {
        cj__feature *feature = &scene->features[f];
        const double *at = mean + feature->row;
        double size = fabs(at[0]);
        memset(feature->var, 0, sizeof feature->var);
        if (feature->kind == CJ__F_RATIO) {
            size = hypot(at[0], at[1]);
            feature->var[0] = feature->var[2] = pow(0.01 * size, 2) + 1e-7;
        } else if (feature->kind == CJ__F_DC) {
            feature->var[0] = pow(0.02 * size, 2) + 1e-4;
        } else {
            feature->var[0] = pow(0.02 * size, 2) + 1e-6;
        }
    }
}

static cj_status add(cj__scene *scene, cj__feature_kind kind, size_t step, size_t look, int channel,
                     cj_error *err)
{
    cj__feature feature = {.kind = kind, .step = step, .look = look, .channel = channel};
    return cj__scene_feature(scene, &feature, err);
}

static cj_status candidate_scene(const struct search *search, size_t step, size_t look,
                                 int channels, cj__scene **out, cj_error *err)
{
    cj__scene *scene = NULL;
    cj_status status = cj__scene_new(search->board, search->bench, &scene, err);
    if (status != CJ_OK)
        return status;
    bool tone = search->board->steps[step].shape == CJ_TONE;
    if (tone && channels == 2)
        status = add(scene, CJ__F_RATIO, step, look, 0, err);
    if (status == CJ_OK && tone)
        status = add(scene, CJ__F_LEVEL, step, look, 0, err);
    for (int c = 0; c < channels && status == CJ_OK; c++)
        status = add(scene, CJ__F_DC, step, look, c, err);
    if (status == CJ_OK)
        status = cj__scene_ready(scene, err);
    if (status == CJ_OK)
        *out = scene;
    else
        cj__scene_free(scene);
    return status;
}

/* Where a rival's drive leaves the swing: about what it would be without, give or take a third. */
static void guess_clipped(const cj__scene *scene, cj__outlook *outlook)
{
    const cj_prediction *seen = scene->work[0];
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        double *mean = outlook->mean + feature->row;
        if (!outlook->skip[f])
            continue;
        int at = feature->point * seen->channels;
        cj_complex first = seen->tone[at], second = seen->tone[at + seen->channels - 1];
        double size = hypot(first.re, first.im), least = fmax(size * size, 1e-12);
        if (feature->kind == CJ__F_RATIO) {
            mean[0] = (second.re * first.re + second.im * first.im) / least;
            mean[1] = (second.im * first.re - second.re * first.im) / least;
        } else if (feature->kind == CJ__F_DC) {
            mean[0] = seen->dc_v[feature->channel];
        } else {
            mean[0] = size;
        }
        bool source = feature->channel == 0 && seen->channels == 2 && feature->rows == 1;
        double wide = source ? 0 : CLIPPED * hypot(mean[0], feature->rows == 2 ? mean[1] : 0);
        outlook->var[3 * f] += wide * wide + 1e-4;
        outlook->var[3 * f + 2] += wide * wide + 1e-4;
    }
}

/* What each rival reads there. */
static cj_status predict(struct search *search, cj__scene *scene, const cj_edit *probe,
                         cj_error *err)
{
    cj__outlook *outlook = NULL;
    cj_status status = cj__outlook_make(scene, &outlook, err);
    for (size_t i = 0; i < search->count && status == CJ_OK; i++) {
        struct rival *rival = &search->rivals[i];
        cj__manner manner = rival->manner;
        manner.edits = rival->edits;
        if (probe != NULL)
            rival->edits[manner.edit_count++] = *probe;
        cj__normal_free(rival->normal);
        rival->normal = NULL;
        status = cj__normal_make(scene->rows, &rival->normal, err);
        if (status == CJ_OK)
            status = cj__outlook_fill(scene, &manner, NAN, CJ_SPREAD, NULL, outlook, err);
        if (status != CJ_OK)
            break;
        guess_clipped(scene, outlook);
        set_errors(scene, outlook->mean);
        status = cj__normal_fill(scene, outlook, rival->normal, err);
        if (status == CJ_OK)
            status = cj__learned_apply(rival->learned, scene, outlook, rival->normal, err);
        memcpy(rival->mean, outlook->mean, (size_t)scene->rows * sizeof *rival->mean);
        const cj_prediction *seen = scene->work[0];
        int last = seen->channels - 1;
        rival->tone_v = seen->points > 0 ? hypot(seen->tone[last].re, seen->tone[last].im) : NAN;
        rival->dc_v = seen->dc_v[last];
    }
    cj__outlook_free(outlook);
    return status;
}

/* ---- information ---- */

/* A reproducible normal deviate (Box-Muller on a linear congruential sequence; Knuth's MMIX
 * constants, from memory). */
static double deviate(unsigned long long *state)
{
    double u[2];
    for (int i = 0; i < 2; i++) {
        *state = *state * 6364136223846793005ULL + 1442695040888963407ULL;
        u[i] = ((double)(*state >> 11) + 0.5) / 9007199254740992.0;
    }
    return sqrt(-2 * log(u[0])) * cos(2 * M_PI * u[1]);
}

static double entropy_after(const struct search *search, const double *reading)
{
    double log_share[RIVALS_MOST + 1], high = -INFINITY, total = 0, entropy = 0;
    for (size_t i = 0; i < search->count; i++) {
        const struct rival *rival = &search->rivals[i];
        double rest[ROWS_MOST], distance = 0;
        for (int r = 0; r < rival->normal->rows; r++)
            rest[r] = reading[r] - rival->mean[r];
        cj__forward(rival->normal->factor, rival->normal->rows, rest);
        for (int r = 0; r < rival->normal->rows; r++)
            distance += rest[r] * rest[r];
        log_share[i] = log(rival->share) - rival->normal->half_log_det - 0.5 * fmin(distance, 60);
        high = fmax(high, log_share[i]);
    }
    for (size_t i = 0; i < search->count; i++)
        total += exp(log_share[i] - high);
    for (size_t i = 0; i < search->count; i++) {
        double p = exp(log_share[i] - high) / total;
        entropy -= p > 0 ? p * log2(p) : 0;
    }
    return entropy;
}

static double entropy_before(const struct search *search)
{
    double entropy = 0;
    for (size_t i = 0; i < search->count; i++) {
        double share = search->rivals[i].share;
        entropy -= share > 0 ? share * log2(share) : 0;
    }
    return entropy;
}

static double information(const struct search *search)
{
    unsigned long long state = 1;
    double after = 0;
    for (size_t i = 0; i < search->count; i++) {
        const struct rival *rival = &search->rivals[i];
        int rows = rival->normal->rows;
        for (int n = 0; n < DRAWS; n++) {
            double reading[ROWS_MOST], draw[ROWS_MOST];
            for (int r = 0; r < rows; r++) {
                draw[r] = deviate(&state);
                reading[r] = rival->mean[r];
                for (int k = 0; k <= r; k++)
                    reading[r] += rival->normal->factor[k * rows + r] * draw[k];
            }
            after += rival->share * entropy_after(search, reading) / DRAWS;
        }
    }
    return fmax(search->entropy - after, 0);
}

/* ---- the answer ---- */

static cj_status expectation(const struct search *search, const struct rival *rival,
                             const cj_next *next, cj_expectation *out, cj_error *err)
{
    char net[72];
    out->healthy = rival->suspect == 0;
    if (out->healthy)
        out->fault = cj_fault_none(CJ_FAULT_OUTSIDE);
    else if (!cj__fault_found(search->ranking, rival->suspect, 1, &out->fault))
        return cj_fail_memory(err);
    out->reads = cj_new(2, sizeof *out->reads);
    if (out->reads == NULL)
        return cj_fail_memory(err);
    const cj_step *step = &search->board->steps[next->step];
    cj_board_view_text(search->board, next->probe ? next->look : step->see[step->see_count - 1],
                       net, sizeof net);
    cj_keyed_figure figure = {.u = NAN, .unit = "V"};
    if (isfinite(rival->tone_v)) {
        figure.value = rival->tone_v;
        snprintf(figure.key, sizeof figure.key, "tone_peak_v@%s", net);
        out->reads[out->read_count++] = figure;
    }
    figure.value = rival->dc_v;
    snprintf(figure.key, sizeof figure.key, "dc_v@%s", net);
    out->reads[out->read_count++] = figure;
    return CJ_OK;
}

static void drop(cj_next *next)
{
    for (size_t e = 0; e < next->expect_count; e++) {
        cj_fault_clear(&next->expect[e].fault);
        cj_free(next->expect[e].reads);
    }
    cj_free(next->expect);
}

/* Keeps the best few, most bits first. */
static cj_status offer(struct search *search, const cj_next *candidate, cj_diagnosis *out,
                       cj_error *err)
{
    size_t at = out->next_count;
    while (at > 0 && candidate->bits > out->next[at - 1].bits + 0.01 * search->entropy)
        at--;
    if (at == NEXT_MOST || candidate->bits < fmax(0.02 * search->entropy, 0.005))
        return CJ_OK;
    cj_next made = *candidate;
    made.expect = cj_new(search->count + 1, sizeof *made.expect);
    if (made.expect == NULL)
        return cj_fail_memory(err);
    cj_status status = CJ_OK;
    for (size_t i = 0; i < search->count && status == CJ_OK; i++) {
        status = expectation(search, &search->rivals[i], &made, &made.expect[i], err);
        made.expect_count++;
    }
    if (out->next_count == NEXT_MOST)
        drop(&out->next[--out->next_count]);
    memmove(&out->next[at + 1], &out->next[at], (out->next_count - at) * sizeof *out->next);
    out->next[at] = made;
    out->next_count++;
    return status;
}

static cj_status try_candidate(struct search *search, cj_next candidate, size_t look, int channels,
                               const cj_edit *probe, cj_diagnosis *out, cj_error *err)
{
    cj__scene *scene = NULL;
    cj_status status = candidate_scene(search, candidate.step, look, channels, &scene, err);
    if (status == CJ_OK)
        status = predict(search, scene, probe, err);
    cj__scene_free(scene);
    if (status != CJ_OK)
        return status;
    candidate.bits = information(search);
    return offer(search, &candidate, out, err);
}

static cj_status try_open_steps(struct search *search, cj_diagnosis *out, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = 0; i < out->open_count && status == CJ_OK; i++) {
        size_t step = out->open_steps[i];
        const cj_step *s = &search->board->steps[step];
        if (s->power_off || (s->shape != CJ_TONE && s->shape != CJ_QUIET))
            continue;
        status = try_candidate(search, (cj_next){.step = step}, step, s->see_count, NULL, out, err);
    }
    return status;
}

/* The probe's own load, at a pin that no rival moves. */
static bool probe_edit(const struct search *search, int net, cj_edit *out)
{
    for (size_t p = 0; p < search->board->part_count; p++) {
        bool touched = false;
        for (size_t i = 0; i < search->count; i++)
            for (size_t e = 0; e < search->rivals[i].manner.edit_count; e++)
                touched = touched || search->rivals[i].edits[e].part == (int)p;
        const cj_part *part = &search->board->parts[p];
        for (size_t pin = 0; pin < part->pin_count && !touched; pin++)
            if (part->pins[pin] == net) {
                *out = (cj_edit){.kind = CJ_EDIT_TO_NET,
                                 .part = (int)p,
                                 .pin = (int)pin + 1,
                                 .pin2 = CJ_GND,
                                 .a = PROBE_OHM};
                return true;
            }
    }
    return false;
}

static bool probed_already(const struct search *search, size_t step, int net)
{
    const cj_step *s = &search->board->steps[step];
    for (int c = 0; c < s->see_count; c++)
        if (s->see[c].net == net && s->see[c].against == CJ_GND)
            return true;
    for (size_t i = 0; i < search->observed->count; i++) {
        const cj_observation *seen = &search->observed->items[i];
        if (seen->step == step && seen->of.net == net && seen->of.against == CJ_GND)
            return true;
    }
    return false;
}

static cj_status try_nets(struct search *search, size_t step, cj_diagnosis *out, cj_error *err)
{
    const cj_board *board = search->board;
    cj_status status = CJ_OK;
    for (int net = 1; net < (int)board->net_count && status == CJ_OK; net++) {
        cj_edit probe;
        if (net == board->v_plus || net == board->v_minus || probed_already(search, step, net) ||
            !probe_edit(search, net, &probe))
            continue;
        cj_next candidate = {.probe = true, .step = step, .look = {net, CJ_GND}};
        cj_view see[2] = {board->steps[step].see[0], candidate.look};
        size_t look;
        status = cj_bench_look(search->bench, step, see, 2, &look, err);
        if (status == CJ_OK)
            status = try_candidate(search, candidate, look, 2, &probe, out, err);
    }
    return status;
}

/* The captured step that a probe is worth adding to: the one whose readings are least like a good
 * unit's. */
static bool loudest_step(const cj__ranking *ranking, size_t *step)
{
    const cj__scene *scene = ranking->scene;
    double most = 0;
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        const cj_step *s = &scene->board->steps[feature->step];
        for (int r = 0; r < feature->rows && !s->power_off; r++) {
            int row = feature->row + r;
            double diagonal =
                ranking->good->factor[(size_t)row * (size_t)ranking->good->rows + (size_t)row];
            double z = fabs(feature->x[r] - ranking->healthy[row]) / diagonal;
            if (z > most) {
                most = z;
                *step = feature->step;
            }
        }
    }
    return most > 0;
}

cj_status cj__next(cj__ranking *ranking, const cj_observed *observed, const cj__groups *groups,
                   cj_diagnosis *out, cj_error *err)
{
    struct search search = {.ranking = ranking,
                            .board = ranking->scene->board,
                            .bench = ranking->scene->bench,
                            .observed = observed};
    search.rivals = cj_new(RIVALS_MOST + 2, sizeof *search.rivals);
    out->next = cj_new(NEXT_MOST + 2, sizeof *out->next);
    cj_status status = search.rivals == NULL || out->next == NULL ? cj_fail_memory(err) : CJ_OK;
    if (status == CJ_OK)
        choose_rivals(&search, groups);
    size_t step = 0;
    if (status == CJ_OK && search.count > 1) {
        search.entropy = entropy_before(&search);
        status = learn(&search, err);
        if (status == CJ_OK)
            status = try_open_steps(&search, out, err);
        if (status == CJ_OK && loudest_step(ranking, &step))
            status = try_nets(&search, step, out, err);
    }
    for (size_t i = 0; search.rivals != NULL && i < RIVALS_MOST + 2; i++) {
        cj__normal_free(search.rivals[i].normal);
        cj__learned_free(search.rivals[i].learned);
    }
    cj_free(search.rivals);
    return status;
}
