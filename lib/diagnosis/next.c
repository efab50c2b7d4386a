/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * What to read next: the step not yet captured, or the net to touch with the second probe, from
 * which most is to be learnt about what is wrong.
 *
 * Expected information: entropy of the remaining suspects before, less its mean after the reading,
 * over readings drawn from what each suspect predicts (a fixed sequence, so the answer is always
 * the same).
 */
#include <complex.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "diagnosis/answer.h"

enum { RIVALS_MOST = 10, NEXT_MOST = 3, DRAWS = 16, DIMENSIONS = 4 };

#define PROBE_OHM 10e6

/* A suspect still in question, with every quantity fixed. */
struct rival {
    size_t suspect;
    bool healthy;
    double share;
    cj_edit edits[CJ__TRIAL_EDITS + 1];
    size_t edit_count;
    double mean[DIMENSIONS], sigma[DIMENSIONS]; /* of the candidate at hand */
    cj_prediction *prediction;
};

struct search {
    cj__ranking *ranking;
    const cj_board *board;
    struct rival *rivals;
    size_t count;
    const cj_observed *observed;
};

/* ---- rivals ---- */

static bool add_rival(struct search *search, size_t suspect, double share)
{
    struct rival *rival = &search->rivals[search->count];
    const cj__ranking *ranking = search->ranking;
    cj__manner manner;
    rival->suspect = suspect;
    rival->healthy = suspect == 0;
    rival->share = share;
    if (!cj__trial_fixed(ranking, &ranking->trials[ranking->best[suspect]], rival->edits, &manner))
        return true; /* too many edits: not among the rivals */
    rival->edit_count = manner.edit_count;
    search->count++;
    return true;
}

static void choose_rivals(struct search *search, const cj__groups *groups)
{
    if (groups->healthy > 0.01)
        add_rival(search, 0, groups->healthy);
    for (size_t g = 0; g < groups->count; g++)
        for (size_t m = 0; m < groups->items[g].count && search->count < RIVALS_MOST; m++) {
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

/* ---- a candidate ---- */

/* What a two-channel reading shows: the tone of the seen net relative to channel 1 on a logarithmic
 * scale that ends at -80 dB, its turn, and DC of both channels. */
static void as_dimensions(const cj_prediction *seen, struct rival *rival)
{
    int last = seen->channels - 1;
    memset(rival->mean, 0, sizeof rival->mean);
    if (seen->points > 0) {
        double complex first = seen->tone[0].re + seen->tone[0].im * I;
        double complex volts = seen->tone[last].re + seen->tone[last].im * I;
        double complex ratio = last > 0 && cabs(first) > 1e-6 ? volts / first : volts;
        double size = fmax(cabs(ratio), 1e-4);
        rival->mean[0] = 20 * log10(size);
        rival->mean[1] = size > 1e-3 ? cos(carg(ratio)) : 0;
    }
    rival->sigma[0] = last > 0 ? 0.3 : 1;
    rival->sigma[1] = 0.05;
    for (int c = 0; c <= last && c < 2; c++) {
        rival->mean[2 + c] = seen->dc_v[c];
        rival->sigma[2 + c] = 0.02 + 0.03 * fabs(seen->dc_v[c]);
    }
    for (int c = last + 1; c < 2; c++)
        rival->sigma[2 + c] = 1;
    bool held = seen->by == CJ_BY_HELD,
         wild = seen->by == CJ_BY_EXCESS || seen->by == CJ_BY_TRANSIENT;
    if (held || wild) {
        rival->sigma[2] = rival->sigma[3] = 0.5;
        rival->sigma[0] = wild ? 2 : fmax(rival->sigma[0], 0.5);
    }
}

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
        log_share[i] = log(rival->share);
        for (int d = 0; d < DIMENSIONS; d++) {
            double z = (reading[d] - rival->mean[d]) / rival->sigma[d];
            log_share[i] -= log(rival->sigma[d]) + 0.5 * fmin(z * z, 50);
        }
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

static double information(const struct search *search)
{
    unsigned long long state = 20261125;
    double before = 0, after = 0;
    for (size_t i = 0; i < search->count; i++) {
        const struct rival *rival = &search->rivals[i];
        before -= rival->share > 0 ? rival->share * log2(rival->share) : 0;
        for (int n = 0; n < DRAWS; n++) {
            double reading[DIMENSIONS];
            for (int d = 0; d < DIMENSIONS; d++)
                reading[d] = rival->mean[d] + rival->sigma[d] * deviate(&state);
            after += rival->share * entropy_after(search, reading) / DRAWS;
        }
    }
    return fmax(before - after, 0);
}

static cj_status predict(struct search *search, size_t look, const cj_edit *probe, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = 0; i < search->count && status == CJ_OK; i++) {
        struct rival *rival = &search->rivals[i];
        cj_variant variant = {rival->edits, rival->edit_count};
        if (probe != NULL) {
            rival->edits[rival->edit_count] = *probe;
            variant.count++;
        }
        cj_prediction_free(rival->prediction);
        rival->prediction = NULL;
        status = cj_prediction_make(search->ranking->scene->bench, look, &rival->prediction, err);
        if (status == CJ_OK)
            status = cj_bench_predict(search->ranking->scene->bench, look, &variant, 0,
                                      rival->prediction, err);
        if (status == CJ_OK)
            as_dimensions(rival->prediction, rival);
    }
    return status;
}

/* The probe's own load, at a pin that no rival moves. */
static bool probe_edit(const struct search *search, int net, cj_edit *out)
{
    for (size_t p = 0; p < search->board->part_count; p++) {
        bool touched = false;
        for (size_t i = 0; i < search->count; i++)
            for (size_t e = 0; e < search->rivals[i].edit_count; e++)
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

/* ---- the answer ---- */

static cj_status expectation(const struct search *search, const struct rival *rival,
                             const cj_next *next, cj_expectation *out, cj_error *err)
{
    const cj_prediction *seen = rival->prediction;
    int channel = next->probe ? 0 : seen->channels - 1;
    char net[72];
    out->healthy = rival->healthy;
    if (rival->healthy)
        out->fault = cj_fault_none(CJ_FAULT_OUTSIDE);
    else if (!cj__fault_found(search->ranking, rival->suspect, 1, &out->fault))
        return cj_fail_memory(err);
    out->reads = cj_new(4, sizeof *out->reads);
    if (out->reads == NULL)
        return cj_fail_memory(err);
    cj_view view = next->probe ? next->look : search->board->steps[next->step].see[channel];
    cj_board_view_text(search->board, view, net, sizeof net);
    cj_keyed_figure none = {.value = NAN, .u = NAN};
    if (seen->points > 0) {
        cj_keyed_figure *tone = &out->reads[out->read_count++];
        *tone = none;
        snprintf(tone->key, sizeof tone->key, "tone_peak_v@%s", net);
        tone->value = hypot(seen->tone[channel].re, seen->tone[channel].im);
        tone->unit = "V";
    }
    cj_keyed_figure *dc = &out->reads[out->read_count++];
    *dc = none;
    snprintf(dc->key, sizeof dc->key, "dc_v@%s", net);
    dc->value = seen->dc_v[channel];
    dc->unit = "V";
    return CJ_OK;
}

/* Keeps the best few, most bits first; a weaker one costs nothing more. */
static cj_status offer(struct search *search, const cj_next *candidate, cj_diagnosis *out,
                       cj_error *err)
{
    size_t at = out->next_count;
    while (at > 0 && candidate->bits > out->next[at - 1].bits + 0.02)
        at--;
    if (at == NEXT_MOST || candidate->bits < 0.05)
        return CJ_OK;
    cj_next made = *candidate;
    made.expect = cj_new(search->count + 1, sizeof *made.expect);
    if (made.expect == NULL)
        return cj_fail_memory(err);
    if (out->next_count == NEXT_MOST) {
        cj_next *last = &out->next[--out->next_count];
        for (size_t e = 0; e < last->expect_count; e++) {
            cj_fault_clear(&last->expect[e].fault);
            cj_free(last->expect[e].reads);
        }
        cj_free(last->expect);
    }
    memmove(&out->next[at + 1], &out->next[at], (out->next_count - at) * sizeof *out->next);
    out->next_count++;
    cj_status status = CJ_OK;
    for (size_t i = 0; i < search->count && status == CJ_OK; i++) {
        status = expectation(search, &search->rivals[i], &made, &made.expect[i], err);
        made.expect_count++;
    }
    out->next[at] = made;
    return status;
}

static cj_status try_open_steps(struct search *search, cj_diagnosis *out, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = 0; i < out->open_count && status == CJ_OK; i++) {
        size_t step = out->open_steps[i];
        cj_shape shape = search->board->steps[step].shape;
        if (search->board->steps[step].power_off || (shape != CJ_TONE && shape != CJ_QUIET))
            continue;
        status = predict(search, step, NULL, err);
        cj_next candidate = {.step = step};
        if (status == CJ_OK) {
            candidate.bits = information(search);
            status = offer(search, &candidate, out, err);
        }
    }
    return status;
}

static bool probed_already(const struct search *search, size_t step, int net)
{
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
        size_t look;
        status = cj_bench_look(search->ranking->scene->bench, step, &candidate.look, 1, &look, err);
        if (status == CJ_OK)
            status = predict(search, look, &probe, err);
        if (status == CJ_OK) {
            candidate.bits = information(search);
            status = offer(search, &candidate, out, err);
        }
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
        for (int r = 0; r < feature->rows; r++) {
            int row = feature->row + r;
            double diagonal =
                ranking->good->factor[(size_t)row * (size_t)ranking->good->rows + (size_t)row];
            double z = fabs(feature->x[r] - ranking->healthy[row]) / diagonal;
            if (z > most && !scene->board->steps[feature->step].power_off) {
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
    struct search search = {
        .ranking = ranking, .board = ranking->scene->board, .observed = observed};
    search.rivals = cj_new(RIVALS_MOST + 2, sizeof *search.rivals);
    out->next = cj_new(NEXT_MOST + 2, sizeof *out->next);
    cj_status status = search.rivals == NULL || out->next == NULL ? cj_fail_memory(err) : CJ_OK;
    if (status == CJ_OK)
        choose_rivals(&search, groups);
    size_t step = 0;
    if (status == CJ_OK && search.count > 1) {
        status = try_open_steps(&search, out, err);
        if (status == CJ_OK && loudest_step(ranking, &step))
            status = try_nets(&search, step, out, err);
    }
    for (size_t i = 0; search.rivals != NULL && i < search.count; i++)
        cj_prediction_free(search.rivals[i].prediction);
    cj_free(search.rivals);
    return status;
}
