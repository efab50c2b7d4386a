/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Points become a response with corners. */
#include "figures/response.h"

#include <math.h>
#include <stdlib.h>

#define POOLED 6                      /* points to either side whose noise is taken together */
#define HALF_POWER 3.0102999566398120 /* dB: 10 log10 2 */
/* 2^(11/48): a sweep fades in over half an octave, with half its level in the middle. */
#define FADE 1.172158
#define FULL 0.25 /* of the usual power of the input: less is the sweep's fade */

cj__point *cj__points_new(double from_hz, double to_hz, size_t *count)
{
    double first = ceil(CJ__PER_OCTAVE * log2(from_hz / 1000) - 1e-9);
    double last = floor(CJ__PER_OCTAVE * log2(to_hz / 1000) + 1e-9);
    *count = last >= first && last - first < 4000 ? (size_t)(last - first) + 1 : 0;
    cj__point *points = cj_new(*count + 1, sizeof *points);
    for (size_t i = 0; points && i < *count; i++)
        points[i] = (cj__point){.hz = 1000 * exp2((first + (double)i) / CJ__PER_OCTAVE),
                                .thd_percent = NAN};
    return points;
}

void cj_response_free(cj_response *response)
{
    if (response == NULL)
        return;
    cj_free(response->hz); /* all arrays are one piece */
    cj_free(response);
}

cj_response *cj__response_new(size_t count)
{
    cj_response *r = cj_new(1, sizeof *r);
    double *memory = cj_new(8 * count + 1, sizeof *memory);
    if (r == NULL || memory == NULL) {
        cj_free(r);
        cj_free(memory);
        return NULL;
    }
    double **const arrays[] = {&r->hz,          &r->gain_db, &r->u_gain_db, &r->phase_deg,
                               &r->u_phase_deg, &r->delay_s, &r->coherence, &r->thd_percent};
    for (size_t i = 0; i < 8; i++)
        *arrays[i] = memory + i * count;
    r->low_3db_hz = r->u_low_3db_hz = r->high_3db_hz = r->u_high_3db_hz = r->reference_hz = NAN;
    return r;
}

/* ---- which points, how uncertain ---- */

static double noise_of(const cj__point *points, size_t count, size_t at)
{
    size_t first = at > POOLED ? at - POOLED : 0,
           last = at + POOLED < count ? at + POOLED : count - 1;
    double sum = 0, freedom = 0;
    for (size_t i = first; i <= last; i++)
        if (points[i].there) {
            sum += points[i].freedom * points[i].variance;
            freedom += points[i].freedom;
        }
    return fmax(points[at].variance, freedom > 0 ? sum / freedom : 0);
}

static void set_point(const cj__point *points, size_t count, size_t at, const cj__analysis *all,
                      cj_response *r)
{
    const cj__point *p = &points[at];
    size_t k = r->count++;
    double size = hypot(p->value.re, p->value.im);
    double u = sqrt(noise_of(points, count, at) * p->leverage / 2) / size;
    double match = all->channels == 2 ? all->chain.match : all->chain.gain;
    bool clear = size > 0 && u < 0.5; /* of re and im: below, there is no level to speak of */
    r->hz[k] = p->hz;
    r->gain_db[k] = clear ? cj__to_db(size) : NAN;
    r->u_gain_db[k] = clear ? 20 / M_LN10 * hypot(u, match) : NAN;
    r->phase_deg[k] = clear ? cj__wrap_degrees(atan2(p->value.im, p->value.re) * 180 / M_PI) : NAN;
    r->u_phase_deg[k] = clear ? hypot(u * 180 / M_PI, 360 * p->hz * all->chain.skew_s) : NAN;
    double turn = p->value.re * p->slope.im - p->value.im * p->slope.re;
    r->delay_s[k] = clear ? -turn / (size * size) / (2 * M_PI) : NAN;
    r->coherence[k] = p->coherence;
    r->thd_percent[k] = p->thd_percent;
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

bool cj__points_range(const cj__point *points, size_t count, size_t *first, size_t *last)
{
    double *sorted = cj_new(count + 1, sizeof *sorted);
    size_t n = 0;
    *first = *last = 0;
    if (sorted == NULL)
        return false;
    for (size_t i = 0; i < count; i++)
        if (points[i].there)
            sorted[n++] = points[i].power;
    qsort(sorted, n, sizeof *sorted, ascending);
    double usual = n > 0 ? sorted[n / 2] : 0;
    cj_free(sorted);
    size_t middle = count / 2;
    if (!(usual > 0))
        return true;
    while (*first < middle && !(points[*first].there && points[*first].power > FULL * usual))
        (*first)++;
    for (*last = count; *last > middle; (*last)--)
        if (points[*last - 1].there && points[*last - 1].power > FULL * usual)
            break;
    return true;
}

/* ---- corners ---- */

/* Straight over ln hz between points k and k + 1: the frequency where the gain is `level`. */
static void cross(const cj_response *r, size_t k, double level, double *hz, double *u)
{
    double share = (level - r->gain_db[k]) / (r->gain_db[k + 1] - r->gain_db[k]);
    double wide = log(r->hz[k + 1] / r->hz[k]);
    *hz = r->hz[k] * exp(share * wide);
    *u = *hz * fabs(wide / (r->gain_db[k + 1] - r->gain_db[k])) *
         hypot(r->u_gain_db[k], r->u_gain_db[k + 1]) / M_SQRT2;
}

void cj__response_corners(cj_response *r)
{
    double at_reference;
    size_t middle = 0;
    r->reference_hz = 1000;
    if (r->hz[0] > 1000 || r->hz[r->count - 1] < 1000)
        r->reference_hz = sqrt(r->hz[0] * r->hz[r->count - 1]);
    cj_response_at(r, r->reference_hz, &at_reference, NULL, NULL, NULL);
    double level = at_reference - HALF_POWER;
    while (middle + 1 < r->count && r->hz[middle + 1] <= r->reference_hz)
        middle++;
    for (size_t k = middle; k-- > 0 && isfinite(level);)
        if (r->gain_db[k] <= level && r->gain_db[k + 1] > level) {
            cross(r, k, level, &r->low_3db_hz, &r->u_low_3db_hz);
            break;
        }
    for (size_t k = middle; k + 1 < r->count && isfinite(level); k++)
        if (r->gain_db[k + 1] <= level && r->gain_db[k] > level) {
            cross(r, k, level, &r->high_3db_hz, &r->u_high_3db_hz);
            break;
        }
}

cj_response *cj__response_make(const cj__point *points, size_t count, const cj__analysis *all)
{
    size_t first = 0, last = 0;
    cj_response *r = cj__response_new(count);
    if (r == NULL || !cj__points_range(points, count, &first, &last)) {
        cj_response_free(r);
        return NULL;
    }
    for (size_t i = first; i < last; i++)
        if (points[i].there)
            set_point(points, count, i, all, r);
    if (r->count > 1)
        cj__response_corners(r);
    return r;
}

void cj_response_at(const cj_response *r, double hz, double *gain_db, double *u_gain_db,
                    double *phase_deg, double *u_phase_deg)
{
    double *const out[4] = {gain_db, u_gain_db, phase_deg, u_phase_deg};
    const double *const from[4] = {r->gain_db, r->u_gain_db, r->phase_deg, r->u_phase_deg};
    size_t k = 0;
    bool inside =
        r->count > 1 && hz >= r->hz[0] * (1 - 1e-12) && hz <= r->hz[r->count - 1] * (1 + 1e-12);
    while (inside && k + 2 < r->count && r->hz[k + 1] < hz)
        k++;
    double share = inside ? log(hz / r->hz[k]) / log(r->hz[k + 1] / r->hz[k]) : NAN;
    for (int i = 0; i < 4; i++) {
        if (out[i] == NULL)
            continue;
        double step = inside ? from[i][k + 1] - from[i][k] : NAN;
        if (i == 2)
            step = cj__wrap_degrees(step);
        *out[i] = inside ? from[i][k] + share * step : NAN;
        if (i == 2)
            *out[i] = cj__wrap_degrees(*out[i]);
    }
}

/* ---- a sweep ---- */

/* Of a sweep that was only recognised, level and phase are not known. */
static void as_of_stimulus(cj_response *r, const cj__sweep *sweep)
{
    double gain;
    r->of_stimulus = true;
    for (size_t k = 0; k < r->count; k++) {
        /* a delay d of frequency turns the phase by the integral of d over it: of ln f, f (ln f -
         * 1) */
        double along = sweep->slope_u * (log(r->hz[k] / 1000) - 1 - sweep->middle);
        r->u_phase_deg[k] =
            hypot(r->u_phase_deg[k], 360 * r->hz[k] * hypot(sweep->middle_u, along));
    }
    if (sweep->known || r->count == 0)
        return;
    cj_response_at(r, r->reference_hz, &gain, NULL, NULL, NULL);
    for (size_t k = 0; k < r->count; k++) {
        r->gain_db[k] -= gain;
        r->phase_deg[k] = r->u_phase_deg[k] = r->delay_s[k] = NAN;
    }
}

static cj_status of_sweep(cj_capture *capture, const cj_measure_options *options,
                          const cj__analysis *all, cj__sweep *sweep, cj_response **out,
                          cj_error *err)
{
    cj__sweep_reader reader = {0};
    cj_spectra *spectra = cj_spectra_new();
    size_t count = 0, first = 0, last = 0;
    double rate = all->about->rate_hz, scale = sweep->track.scale_s;
    /* the track ends with the last glimpse; the sweep itself a little further out */
    double beyond = exp(fmin(M_LN2, (double)all->about->samples / rate / 64 / scale));
    double from = cj__track_hz(&sweep->track, sweep->track.first_s) / beyond;
    double to = fmin(0.47 * rate, cj__track_hz(&sweep->track, sweep->track.last_s) * beyond);
    if (sweep->input == sweep->output && !sweep->known) {
        /* where it faded in and out is not known: an octave and a third of one are left to that */
        from = cj__track_hz(&sweep->track, sweep->track.first_s) * 2;
        to = cj__track_hz(&sweep->track, sweep->track.last_s) / 1.26;
    }
    cj__point *points = cj__points_new(from, to, &count);
    cj_status status =
        points && spectra ? cj__reader_start(&reader, capture, sweep, err) : cj_fail_memory(err);
    reader.band[0] = all->band[0];
    reader.band[1] = all->band[1];
    if (status == CJ_OK)
        status = cj__sweep_gaps(capture, sweep, err);
    if (status == CJ_OK && sweep->input == sweep->output)
        status = cj__sweep_align(&reader, spectra, options, sweep, err);
    if (status == CJ_OK)
        status = cj__sweep_linear(&reader, spectra, options, points, count, err);
    if (status == CJ_OK && !cj__points_range(points, count, &first, &last))
        status = cj_fail_memory(err);
    reader.full_hz = last > first ? points[first].hz * FADE : to;
    if (status == CJ_OK)
        status = cj__sweep_orders(&reader, options ? options->mains_hz : 0, points, count, err);
    if (status == CJ_OK && (*out = cj__response_make(points, count, all)) == NULL)
        status = cj_fail_memory(err);
    if (status == CJ_OK && sweep->input == sweep->output)
        as_of_stimulus(*out, sweep);
    cj__reader_stop(&reader);
    cj_free(points);
    cj_spectra_free(spectra);
    return status;
}

/* Of two tones: a point at each. */
static cj_response *of_two_tones(const cj__analysis *all)
{
    cj_response *r = cj__response_new(2);
    double rate = all->about->rate_hz;
    for (int i = 0; r != NULL && i < 2; i++) {
        const cj__tone_point *point = &all->two.point[i];
        double gain = hypot(point->ratio.re, point->ratio.im), hz = point->frequency * rate;
        bool seen = point->seen[0] && point->seen[1];
        r->hz[i] = hz;
        r->gain_db[i] = seen ? 20 * log10(gain) : (double)NAN;
        r->u_gain_db[i] = seen ? 20 / M_LN10 * hypot(point->gain_u, all->chain.match) : (double)NAN;
        r->phase_deg[i] =
            seen ? cj__wrap_degrees(atan2(point->ratio.im, point->ratio.re) * 180 / M_PI)
                 : (double)NAN;
        r->u_phase_deg[i] =
            seen ? hypot(point->phase_u * 180 / M_PI, 360 * hz * all->chain.skew_s) : (double)NAN;
        r->delay_s[i] = r->coherence[i] = r->thd_percent[i] = NAN;
    }
    if (r != NULL)
        r->count = 2;
    return r;
}

cj_status cj__response_of(cj_capture *capture, const cj_measure_options *options,
                          const cj__analysis *all, cj_response **out, cj_error *err)
{
    *out = NULL;
    if (all->channels == 2 && all->two.present && all->signal[0] == CJ__SIGNAL_TWO_TONE &&
        all->about->rate_hz > 0) {
        *out = of_two_tones(all);
        return *out != NULL ? CJ_OK : cj_fail_memory(err);
    }
    if (all->sweep == NULL && all->channels == 2 && all->signal[0] == CJ__SIGNAL_NOISE)
        return cj__response_of_noise(capture, all, out, err);
    if (all->sweep == NULL)
        return CJ_OK;
    return of_sweep(capture, options, all, all->sweep, out, err);
}
