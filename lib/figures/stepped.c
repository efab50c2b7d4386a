/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * A tone whose level goes up or down in steps: at which level the distortion reaches 1 %, and how
 * high and how low the signal gets there (the clipping point, both polarities apart).
 *
 * The steps are found in channel 1 by the tone's level in short windows. Each is fitted by itself;
 * between the two steps about 1 % of THD (harmonics 2..10, noise taken out) the levels are
 * interpolated, straight in level over the logarithm of THD.
 */
#include "figures/internal.h"

#include <math.h>

#define ADD(call)                                                                                  \
    do {                                                                                           \
        if ((call) != CJ_OK)                                                                       \
            return CJ_NOMEM;                                                                       \
    } while (0)

#define WINDOWS ((size_t)8192)
#define MOST_STEPS 256
#define LIMIT 0.01 /* THD */

struct step {
    size_t from, to; /* samples of the record */
    double peak[2], thd[2], high[2], low[2];
};

struct stairs {
    double frequency; /* cycles a sample */
    size_t window, windows;
    double *level; /* [windows] */
    struct step step[MOST_STEPS];
    int count;
};

/* ---- the steps ---- */

/* The tone's frequency from the middle of the record. */
static cj_status find_frequency(cj_capture *capture, const cj__analysis *all, struct stairs *s,
                                cj_error *err)
{
    size_t samples = all->about->samples, n = samples < CJ__BLOCK ? samples : CJ__BLOCK;
    double *x[2] = {cj_new(n, sizeof(double)), NULL};
    cj_spectra *spectra = cj_spectra_new();
    cj_status status = x[0] && spectra ? CJ_OK : cj_fail_memory(err);
    if (status == CJ_OK)
        status = cj_capture_read(capture, (samples - n) / 2, n, x, err);
    if (status == CJ_OK) {
        const double *const in[1] = {x[0]};
        cj_tone_fit *fit = NULL;
        status =
            cj_tone_fit_make(spectra, in, 1, n, &(cj_tone_options){.harmonics = 1}, &fit, NULL);
        s->frequency = status == CJ_OK ? fit->frequency : 0;
        status = status == CJ_NOMEM ? cj_fail_memory(err) : CJ_OK;
        cj_tone_fit_free(fit);
    }
    cj_free(x[0]);
    cj_spectra_free(spectra);
    return status;
}

/* The level of the tone in a window, Hann-weighted so that periods need not be whole. */
static double level_in(const double *x, size_t n, double frequency)
{
    double re = 0, im = 0, weight = 0;
    for (size_t i = 0; i < n; i++) {
        double hann = 0.5 - 0.5 * cos(2 * M_PI * ((double)i + 0.5) / (double)n);
        double v = isnan(x[i]) ? 0 : x[i], turn = 2 * M_PI * frequency * (double)i;
        re += hann * v * cos(turn);
        im += hann * v * sin(turn);
        weight += hann;
    }
    return 2 * hypot(re, im) / weight;
}

static cj_status read_levels(cj_capture *capture, const cj__analysis *all, struct stairs *s,
                             cj_error *err)
{
    size_t samples = all->about->samples;
    double rate = all->about->rate_hz > 0 ? all->about->rate_hz : 0;
    s->window = (size_t)ceil(fmax(4 / s->frequency, 0.005 * rate));
    s->window = s->window > samples / WINDOWS ? s->window : samples / WINDOWS;
    s->windows = samples / s->window;
    if (s->windows < 12)
        return CJ_OK;
    s->level = cj_new(s->windows, sizeof *s->level);
    double *x[2] = {cj_new(s->window, sizeof(double)), NULL};
    cj_status status = x[0] && s->level ? CJ_OK : cj_fail_memory(err);
    for (size_t i = 0; i < s->windows && status == CJ_OK; i++) {
        status = cj_capture_read(capture, i * s->window, s->window, x, err);
        if (status == CJ_OK)
            s->level[i] = level_in(x[0], s->window, s->frequency);
    }
    cj_free(x[0]);
    return status;
}

/* Runs of three windows or more of one level; a step of its own where the level moves on by 2 %. */
static void find_steps(struct stairs *s)
{
    double loudest = 0;
    for (size_t i = 0; i < s->windows; i++)
        loudest = fmax(loudest, s->level[i]);
    for (size_t i = 0; i < s->windows && s->count < MOST_STEPS;) {
        size_t end = i + 1;
        while (end < s->windows && fabs(s->level[end] - s->level[i]) < 0.01 * s->level[i])
            end++;
        if (end - i >= 3 && s->level[i] > 1e-3 * loudest)
            s->step[s->count++] = (struct step){i * s->window, end * s->window, {0}, {0}, {0}, {0}};
        i = end - i >= 3 ? end : i + 1;
    }
}

/* Stairs: four steps or more, all up or all down, that fill most of the record. */
static bool are_stairs(const struct stairs *s)
{
    size_t filled = 0;
    int up = 0, down = 0;
    for (int i = 0; i < s->count; i++) {
        filled += s->step[i].to - s->step[i].from;
        if (i == 0)
            continue;
        double now = s->level[s->step[i].from / s->window + 1];
        double before = s->level[s->step[i - 1].from / s->window + 1];
        up += now > 1.015 * before;
        down += before > 1.015 * now;
    }
    return s->count >= 4 && (up == s->count - 1 || down == s->count - 1) &&
           (double)filled > 0.6 * (double)(s->windows * s->window);
}

/* ---- each step ---- */

static void take_fit(const cj_tone_fit *fit, int c, const double *x, size_t n, struct step *step)
{
    const cj_tone_channel *channel = &fit->channel[c];
    double square = 0, first = 0;
    for (int k = 0; k < fit->harmonics && k < CJ__THD_HARMONICS; k++) {
        cj_complex a = channel->line[k];
        double here = a.re * a.re + a.im * a.im;
        first = k == 0 ? here : first;
        square += k > 0 ? here - 2 * channel->line_u[k] * channel->line_u[k] : 0;
    }
    cj__level level = {0};
    cj__level_add(&level, x, n);
    step->peak[c] = sqrt(first);
    step->thd[c] = first > 0 ? sqrt(fmax(0, square) / first) : NAN;
    step->high[c] = level.high;
    step->low[c] = level.low;
}

static cj_status measure_step(cj_capture *capture, cj_spectra *spectra, const cj__analysis *all,
                              const struct stairs *s, struct step *step, cj_error *err)
{
    /* a window at either end may hold the change, and settling after it */
    size_t from = step->from + s->window, n = step->to - s->window - from;
    n = n < CJ__BLOCK ? n : CJ__BLOCK;
    double *x[2] = {cj_new(n, sizeof(double)), cj_new(n, sizeof(double))};
    cj_status status =
        x[0] && x[1] ? cj_capture_read(capture, from, n, x, err) : cj_fail_memory(err);
    if (status == CJ_OK) {
        const double *const in[2] = {x[0], x[1]};
        cj_tone_fit *fit = NULL;
        int harmonics = (int)fmin(CJ__THD_HARMONICS, 0.49 / s->frequency);
        cj_tone_options options = {.start = s->frequency,
                                   .harmonics = harmonics < 1 ? 1 : harmonics};
        status = cj_tone_fit_make(spectra, in, all->channels, n, &options, &fit, NULL);
        for (int c = 0; c < all->channels && status == CJ_OK; c++)
            take_fit(fit, c, x[c], n, step);
        status = status == CJ_NOMEM ? cj_fail_memory(err) : CJ_OK;
        cj_tone_fit_free(fit);
    }
    cj_free(x[0]);
    cj_free(x[1]);
    return status;
}

/* From the quiet end on, the first two steps with 1 % between them. */
static void find_limit(const struct stairs *s, int c, cj__clip_point *out)
{
    bool falls = s->step[0].peak[0] > s->step[s->count - 1].peak[0];
    const struct step *before = NULL;
    out->present = true;
    for (int i = 0; i < s->count; i++) {
        const struct step *step = &s->step[falls ? s->count - 1 - i : i];
        if (!(step->thd[c] >= 0))
            continue;
        out->most = fmax(out->most, step->peak[c]);
        out->most_input = fmax(out->most_input, step->peak[0]);
        if (step->thd[c] >= LIMIT && before != NULL) {
            /* where nothing was measured below, a tenth of the limit stands for it */
            double from = log(fmax(before->thd[c], LIMIT / 100)), to = log(step->thd[c]);
            double share = (log(LIMIT) - from) / (to - from);
            out->reached = true;
            out->level = before->peak[c] + share * (step->peak[c] - before->peak[c]);
            out->input = before->peak[0] + share * (step->peak[0] - before->peak[0]);
            /* THD turns up within a step: the point lies within it, evenly as far as is known */
            out->u = fabs(step->peak[c] - before->peak[c]) / sqrt(12);
            out->input_u = fabs(step->peak[0] - before->peak[0]) / sqrt(12);
            out->high = before->high[c] + share * (step->high[c] - before->high[c]);
            out->low = before->low[c] + share * (step->low[c] - before->low[c]);
            return;
        }
        if (step->thd[c] >= LIMIT)
            out->always = true;
        before = step->thd[c] < LIMIT ? step : NULL;
    }
}

cj_status cj__stepped_measure(cj_capture *capture, cj__analysis *all, bool *found, cj_error *err)
{
    struct stairs *s = cj_new(1, sizeof *s);
    cj_spectra *spectra = cj_spectra_new();
    cj_status status = s && spectra ? CJ_OK : cj_fail_memory(err);
    *found = false;
    if (status == CJ_OK)
        status = find_frequency(capture, all, s, err);
    if (status == CJ_OK && s->frequency > 0)
        status = read_levels(capture, all, s, err);
    if (status == CJ_OK && s->level != NULL) {
        find_steps(s);
        *found = are_stairs(s);
    }
    for (int i = 0; *found && i < s->count && status == CJ_OK; i++)
        status = measure_step(capture, spectra, all, s, &s->step[i], err);
    for (int c = 0; *found && status == CJ_OK && c < all->channels; c++)
        find_limit(s, c, &all->clip_point[c]);
    cj_spectra_free(spectra);
    cj_free(s ? s->level : NULL);
    cj_free(s);
    return status;
}

/* ---- wording ---- */

static cj_status add_level(const cj__analysis *all, const char *name, const char *unit,
                           const double value_and_u[2], cj_figure_set *set)
{
    double value = value_and_u[0], u = value_and_u[1];
    return cj__add_value(set, name, unit, value, hypot(u, all->chain.gain * value));
}

cj_status cj__clip_point_figures(const cj__analysis *all, int channel, cj_figure_set *set)
{
    const cj__clip_point *at = &all->clip_point[channel];
    const cj_capture_info *about = all->about;
    const char *unit = about->channels[about->selected[channel]].unit;
    const char *input = about->channels[about->selected[0]].unit;
    static const char below[] = "the distortion stays below 1 % at every level";
    static const char above[] = "the distortion is above 1 % at the lowest level already";
    if (!at->present)
        return CJ_OK;
    if (!at->reached) {
        const char *why = at->always ? above : below;
        cj_bound kind = at->always ? CJ_BOUND_NONE : CJ_ABOVE;
        ADD(cj__add_bound(set, "clip_level_v", unit, kind, at->always ? NAN : at->most, why));
        return cj__add_bound(set, "clip_input_v", input, kind, at->always ? NAN : at->most_input,
                             why);
    }
    ADD(add_level(all, "clip_level_v", unit, (const double[2]){at->level, at->u}, set));
    return add_level(all, "clip_input_v", input, (const double[2]){at->input, at->input_u}, set);
}
