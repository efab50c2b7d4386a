/* SPDX-License-Identifier: GPL-3.0-or-later */
/* All that was seen of a unit: readings by step, figure and net, averaged where given again. */
#include "diagnosis/observed.h"
#include "coldjoint/circuit.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Figures of a channel and of a meter, then those of the pair. */
const cj__readable cj__readables[] = {
    {"dc_v", "V", false, false, false},
    {"rms_v", "V", false, true, false},
    {"peak_v", "V", false, true, false},
    {"tone_hz", "Hz", false, true, false},
    {"tone_peak_v", "V", false, true, false},
    {"thd_percent", "%", false, true, false},
    {"thd_db", "dB", false, false, false},
    {"thdn_percent", "%", false, true, false},
    {"thdn_db", "dB", false, false, false},
    {"sinad_db", "dB", false, false, false},
    {"imd_percent", "%", false, true, false},
    {"imd_db", "dB", false, false, false},
    {"noise_v", "V", false, true, false},
    {"noise_a_v", "V", false, true, false},
    {"noise_468_v", "V", false, true, false},
    {"noise_density_v", "V/rtHz", false, true, false},
    {"hum_v", "V", false, true, false},
    {"hum_hz", "Hz", false, true, false},
    {"hum_sideband_db", "dB", false, false, false},
    {"hum_sideband_hz", "Hz", false, true, false},
    {"stray_v", "V", false, true, false},
    {"stray_hz", "Hz", false, true, false},
    {"clip_fraction", "1", false, true, false},
    {"clip_high_v", "V", false, false, false},
    {"clip_low_v", "V", false, false, false},
    {"dropouts", "1", false, true, false},
    {"drift_v_per_s", "V/s", false, false, false},
    {"slew_v_per_s", "V/s", false, true, false},
    {"rise_s", "s", false, true, false},
    {"fall_s", "s", false, true, false},
    {"overshoot_percent", "%", false, true, false},
    {"resistance_ohm", "ohm", false, true, false},
    {"supply_a", "A", false, false, false},
    {"gain", "V/V", true, true, false},
    {"gain_db", "dB", true, false, false},
    {"phase_deg", "deg", true, false, true},
    {"delay_s", "s", true, false, false},
    {"low_3db_hz", "Hz", true, true, false},
    {"high_3db_hz", "Hz", true, true, false},
    {NULL, NULL, false, false, false},
};

const cj__readable *cj__readable_find(const char *name)
{
    for (const cj__readable *one = cj__readables; one->name; one++)
        if (strcmp(one->name, name) == 0)
            return one;
    return NULL;
}

cj_status cj_observed_make(const cj_board *board, cj_observed **out, cj_error *err)
{
    *out = NULL;
    cj_observed *observed = cj_new(1, sizeof *observed);
    if (observed == NULL)
        return cj_fail_memory(err);
    observed->board = board;
    observed->files = cj_new(board->step_count + 1, sizeof *observed->files);
    observed->seen = cj_new(board->step_count + 1, sizeof *observed->seen);
    if (observed->files == NULL || observed->seen == NULL) {
        cj_observed_free(observed);
        return cj_fail_memory(err);
    }
    *out = observed;
    return CJ_OK;
}

void cj_observed_free(cj_observed *observed)
{
    if (observed == NULL)
        return;
    for (size_t i = 0; observed->files != NULL && i < observed->board->step_count; i++)
        cj_free(observed->files[i]);
    cj_free(observed->files);
    cj_free(observed->seen);
    cj_free(observed->items);
    cj_free(observed->unread);
    cj_free(observed);
}

static bool same_place(const cj_observation *one, const cj_observation *other)
{
    bool views = one->of.net == other->of.net &&
                 (one->of.net == CJ_NO_NET || one->of.against == other->of.against);
    return views && one->step == other->step && one->hz == other->hz &&
           strcmp(one->figure, other->figure) == 0;
}

/*
 * The mean of n readings. Their uncertainties are mostly one instrument's, alike in all of them:
 * the mean keeps their mean. To it comes what the readings scatter, the experimental standard
 * deviation of the mean (JCGM 100:2008, 4.2.3), from the sum of squares about the running mean
 * (Welford 1962; from memory).
 */
static void average(cj_observation *held, const cj_observation *reading)
{
    const cj__readable *figure = cj__readable_find(held->figure);
    double step = reading->value - held->value;
    if (figure != NULL && figure->angle)
        step = remainder(step, 360);
    double before = held->times, count = before + 1;
    held->value += step / count;
    if (figure != NULL && figure->angle)
        held->value = remainder(held->value, 360) <= -180 ? 180 : remainder(held->value, 360);
    held->scatter += step * step * before / count;
    held->own_u += (reading->u - held->own_u) / count;
    held->u = sqrt(held->own_u * held->own_u + held->scatter / (count * before));
    held->times++;
}

/* A value beats a bound; of two bounds the same way the closer one holds. */
static void merge(cj_observation *held, const cj_observation *reading)
{
    bool value = isfinite(reading->value), was_value = isfinite(held->value);
    if (value && was_value) {
        average(held, reading);
    } else if (value) {
        *held = *reading;
    } else if (!was_value && held->bound_kind == reading->bound_kind) {
        bool closer = reading->bound_kind == CJ_BELOW ? reading->bound < held->bound
                                                      : reading->bound > held->bound;
        held->bound = closer ? reading->bound : held->bound;
    }
}

cj_status cj_observed_add(cj_observed *observed, const cj_observation *reading, cj_error *err)
{
    if (reading->step >= observed->board->step_count)
        return cj_fail(err, CJ_BUG, NULL, 0, 0, "a reading of step %zu, which the board has not",
                       reading->step);
    cj_observation one = *reading;
    one.times = isfinite(one.value) ? 1 : 0;
    one.scatter = 0;
    one.own_u = one.u;
    if (isfinite(one.value))
        one.bound_kind = CJ_BOUND_NONE;
    else if (one.bound_kind == CJ_BOUND_NONE || isnan(one.bound))
        return CJ_OK; /* nothing was read */
    observed->seen[one.step] = true;
    for (size_t i = 0; i < observed->count; i++)
        if (same_place(&observed->items[i], &one)) {
            merge(&observed->items[i], &one);
            return CJ_OK;
        }
    if (!cj_reserve((void **)&observed->items, &observed->capacity, observed->count,
                    sizeof *observed->items))
        return cj_fail_memory(err);
    observed->items[observed->count++] = one;
    return CJ_OK;
}

/* ---- a capture ---- */

/* A level in digital full scale, or in a unit the file does not state, is no voltage. */
static bool unit_fits(const cj_figure *figure)
{
    const cj__readable *known = cj__readable_find(figure->name);
    return known == NULL || figure->unit == NULL || strcmp(known->unit, figure->unit) == 0;
}

static cj_status add_unread(cj_observed *observed, const cj_observation *place,
                            const cj_figure *figure, cj_error *err)
{
    if (!cj_reserve((void **)&observed->unread, &observed->unread_capacity, observed->unread_count,
                    sizeof *observed->unread))
        return cj_fail_memory(err);
    cj_unread *unread = &observed->unread[observed->unread_count++];
    *unread = (cj_unread){.step = place->step, .of = place->of};
    memcpy(unread->figure, figure->name, strlen(figure->name));
    if (unit_fits(figure))
        snprintf(unread->why, sizeof unread->why, "%s", figure->why);
    else
        snprintf(unread->why, sizeof unread->why,
                 "in %s, not in %s: the volts at full scale are not known", figure->unit,
                 cj__readable_find(figure->name)->unit);
    return CJ_OK;
}

static bool is_read(const cj_figure *figure)
{
    return isfinite(figure->value) ||
           (figure->bound_kind != CJ_BOUND_NONE && !isnan(figure->bound));
}

static cj_status add_figures(cj_observed *observed, size_t step, cj_view of,
                             const cj_figure_set *set, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < set->count; i++) {
        const cj_figure *figure = &set->items[i];
        cj_observation one = {.step = step,
                              .of = of,
                              .value = figure->value,
                              .u = figure->u,
                              .bound_kind = figure->bound_kind,
                              .bound = figure->bound};
        size_t length = strlen(figure->name);
        if (figure->word != NULL || length >= sizeof one.figure)
            continue;
        memcpy(one.figure, figure->name, length);
        status = is_read(figure) && unit_fits(figure) ? cj_observed_add(observed, &one, err)
                                                      : add_unread(observed, &one, figure, err);
    }
    return status;
}

static cj_status check_channels(const cj_board *board, const cj_step *step,
                                const cj_measurement *measurement, const char *file, cj_error *err)
{
    char nets[2][72] = {"", ""};
    if (measurement->channel_count == step->see_count)
        return CJ_OK;
    for (int i = 0; i < step->see_count; i++)
        cj_board_view_text(board, step->see[i], nets[i], sizeof nets[i]);
    if (step->see_count == 1)
        return cj_fail(err, CJ_DATA, file, 0, 0,
                       "two channels, but step '%s' looks at one net, %s; give one channel",
                       step->name, nets[0]);
    return cj_fail(err, CJ_DATA, file, 0, 0,
                   "one channel, but step '%s' wants two: channel 1 on %s, channel 2 on %s",
                   step->name, nets[0], nets[1]);
}

/* Names of a step captured more than once stand side by side. */
static cj_status add_name(cj_observed *observed, size_t step, const char *file, cj_error *err)
{
    char **held = &observed->files[step];
    cj_text both = {0};
    if (file == NULL)
        return CJ_OK;
    if (*held != NULL)
        cj_text_add(&both, "%s, ", *held);
    cj_text_add(&both, "%s", file);
    if (both.failed) {
        cj_text_free(&both);
        return cj_fail_memory(err);
    }
    cj_free(*held);
    *held = both.bytes;
    return CJ_OK;
}

/* Gain and phase at the frequencies at which the step is computed. */
static cj_status add_response(cj_observed *observed, size_t step, const cj_response *response,
                              cj_error *err)
{
    cj_step_point points[CJ_STEP_POINTS];
    int count = cj_step_points(&observed->board->steps[step], points);
    cj_status status = CJ_OK;
    for (int p = 0; p < count && status == CJ_OK; p++) {
        cj_observation gain = {.step = step,
                               .figure = "gain_db",
                               .of = {.net = CJ_NO_NET, .against = CJ_GND},
                               .hz = points[p].hz},
                       phase = gain;
        strcpy(phase.figure, "phase_deg");
        cj_response_at(response, points[p].hz, &gain.value, &gain.u, &phase.value, &phase.u);
        status = cj_observed_add(observed, &gain, err);
        if (status == CJ_OK)
            status = cj_observed_add(observed, &phase, err);
    }
    return status;
}

cj_status cj_observed_add_measurement(cj_observed *observed, size_t step,
                                      const cj_measurement *measurement, const char *file,
                                      cj_error *err)
{
    const cj_view pair = {.net = CJ_NO_NET, .against = CJ_GND};
    if (step >= observed->board->step_count)
        return cj_fail(err, CJ_BUG, file, 0, 0, "a capture of step %zu, which the board has not",
                       step);
    const cj_step *of = &observed->board->steps[step];
    cj_status status = check_channels(observed->board, of, measurement, file, err);
    for (int i = 0; status == CJ_OK && i < measurement->channel_count; i++)
        status = add_figures(observed, step, of->see[i], &measurement->channel[i], err);
    if (status == CJ_OK)
        status = add_figures(observed, step, pair, &measurement->pair, err);
    if (status == CJ_OK && measurement->response != NULL && of->shape != CJ_TONE)
        status = add_response(observed, step, measurement->response, err);
    if (status == CJ_OK)
        status = add_name(observed, step, file, err);
    if (status == CJ_OK)
        observed->seen[step] = true;
    return status;
}
