/* SPDX-License-Identifier: GPL-3.0-or-later */
/* quasi_peak.c - the meter of ITU-R BS.468-4: weighting network, rectifier, pointer. */
#include "signal/internal.h"

#include <math.h>
#include <string.h>

#define CHUNK 256
#define PAIRS 8           /* of the interpolator: samples to either side */
#define ENOUGH_HZ 80000.0 /* rate from which the rectifier sees the tops of the waves */
#define LEAD_S 0.01       /* ahead of a record: the network's slowest pole forgets in 0.1 ms */

/* Time constants, seconds, and the fast store's share of the reading: signal.h. */
#define CHARGE 1.4e-3
#define DISCHARGE 0.227
#define RISE 0.206
#define FALL 0.112
#define SHARE 0.49
#define POINTER 3e-3

#define BEFORE (2 * PAIRS - 1)
#define VOICES CJ_TONE_CHANNELS

struct cj_quasi_peak {
    double rate, scale;
    int channels, times; /* times: samples of the rectifier for one of the record */
    double charge, discharge, rise, fall, pointer; /* shares a sample */
    double half[PAIRS]; /* interpolator: weights of the samples 1/2, 3/2, ... away */
    double seen, counted;
    cj_weighting_filter *network[VOICES];
    double y[VOICES][BEFORE + CHUNK]; /* weighted; the first ones are those before */
    double a[VOICES], b[VOICES], p[VOICES], largest[VOICES];
    double sum[VOICES], square[VOICES]; /* of the readings at the ends of chunks */
};

/* ---- rectifier and pointer ---- */

/* Both voices in one loop: each is a chain of additions that wait for each other, and two such
 * chains take the time of one. */
CJ__CLONES static void run_pointers(cj_quasi_peak *meter, const double *const y[VOICES], size_t n)
{
    double a[VOICES], b[VOICES], p[VOICES], largest[VOICES];
    memcpy(a, meter->a, sizeof a);
    memcpy(b, meter->b, sizeof b);
    memcpy(p, meter->p, sizeof p);
    memcpy(largest, meter->largest, sizeof largest);
    const double charge = meter->charge, keep = 1 - meter->discharge;
    const double rise = meter->rise, fall = meter->fall, pointer = meter->pointer;
    for (size_t i = 0; i < n; i++)
        for (size_t c = 0; c < VOICES; c++) {
            double over = fabs(y[c][i]) - a[c];
            a[c] = keep * a[c] + charge * (over > 0 ? over : 0);
            double off = a[c] - b[c];
            b[c] += off * (off > 0 ? rise : fall);
            p[c] += pointer * (b[c] + SHARE * (a[c] - b[c]) - p[c]);
            largest[c] = p[c] > largest[c] ? p[c] : largest[c];
        }
    for (size_t c = 0; c < VOICES; c++) { /* silence ends in nothing, not in denormal numbers */
        meter->a[c] = a[c] > 1e-250 ? a[c] : 0;
        meter->b[c] = b[c] > 1e-250 ? b[c] : 0;
        meter->p[c] = p[c] > 1e-250 ? p[c] : 0;
        meter->largest[c] = largest[c];
    }
}

/* The weighted signal at twice the rate: between two samples the sum of PAIRS to either side. */
CJ__CLONES static void interpolate(const double *half, const double *y, size_t n, double *out)
{
    for (size_t i = 0; i < n; i++) {
        double sum = 0;
        for (size_t k = 0; k < PAIRS; k++)
            sum += half[k] * (y[i + PAIRS - 1 - k] + y[i + PAIRS + k]);
        out[2 * i] = y[i + PAIRS - 1];
        out[2 * i + 1] = sum;
    }
}

static void run_chunk(cj_quasi_peak *meter, size_t n)
{
    double twice[VOICES][2 * CHUNK];
    const double *y[VOICES];
    for (int c = 0; c < VOICES; c++) {
        y[c] = meter->y[c] + BEFORE;
        if (meter->times == 2) {
            interpolate(meter->half, meter->y[c], n, twice[c]);
            y[c] = twice[c];
        }
    }
    run_pointers(meter, y, n * (size_t)meter->times);
    for (int c = 0; c < VOICES; c++)
        memmove(meter->y[c], meter->y[c] + n, BEFORE * sizeof(double));
}

static void note_readings(cj_quasi_peak *meter, size_t n)
{
    meter->seen += (double)n;
    if (meter->seen <= meter->rate)
        return;
    meter->counted++;
    for (int c = 0; c < meter->channels; c++) {
        meter->sum[c] += meter->p[c];
        meter->square[c] += meter->p[c] * meter->p[c];
    }
}

/* ---- the record ---- */

/* The network as if the record, turned over about its first sample, had come before. */
static void lead_in(cj_weighting_filter *network, const double *x, size_t n, double *y)
{
    double turned[CHUNK], thrown[CHUNK];
    cj_weighting_filter_reset(network);
    for (size_t left = n; left > 0;) {
        size_t now = left < CHUNK ? left : CHUNK;
        for (size_t i = 0; i < now; i++)
            turned[i] = 2 * x[0] - x[left - i];
        cj_weighting_filter_run(network, turned, now, thrown);
        left -= now;
    }
    memset(y, 0, BEFORE * sizeof *y);
}

void cj_quasi_peak_add(cj_quasi_peak *meter, const double *const x[], size_t n, bool joined)
{
    size_t lead = (size_t)(LEAD_S * meter->rate);
    for (int c = 0; c < meter->channels && n > 0 && (!joined || !(meter->seen > 0)); c++)
        lead_in(meter->network[c], x[c], lead < n ? lead : n - 1, meter->y[c]);
    for (size_t at = 0; at < n; at += CHUNK) {
        size_t now = n - at < CHUNK ? n - at : CHUNK;
        double *const y[VOICES] = {meter->y[0] + BEFORE, meter->y[1] + BEFORE};
        if (meter->channels == 1)
            cj_weighting_filter_run(meter->network[0], x[0] + at, now, y[0]);
        else
            cj__weighting_run_two(meter->network, (const double *const[]){x[0] + at, x[1] + at},
                                  now, y);
        run_chunk(meter, now);
        note_readings(meter, now);
    }
}

void cj_quasi_peak_read(const cj_quasi_peak *meter, int channel, cj_quasi_peak_reading *out)
{
    *out = (cj_quasi_peak_reading){.largest = meter->largest[channel] * meter->scale,
                                   .seconds = meter->seen / meter->rate};
    if (!(meter->counted > 0))
        return;
    double mean = meter->sum[channel] / meter->counted;
    out->mean = mean * meter->scale;
    out->deviation =
        sqrt(fmax(0, meter->square[channel] / meter->counted - mean * mean)) * meter->scale;
}

/* ---- making one ---- */

/* Midpoint weights: the sinc under a Kaiser window (beta 6), their sum brought to 1/2 a side. */
static void set_half(double half[PAIRS])
{
    double sum = 0;
    for (int k = 0; k < PAIRS; k++) {
        double t = k + 0.5, r = t / PAIRS, x = 6 * sqrt(1 - r * r), term = 1, window = 1;
        for (int i = 1; i < 30; i++) { /* I0 by its series */
            term *= (x / 2 / i) * (x / 2 / i);
            window += term;
        }
        half[k] = sin(CJ__TWO_PI / 2 * t) / (CJ__TWO_PI / 2 * t) * window;
        sum += half[k];
    }
    for (int k = 0; k < PAIRS; k++)
        half[k] *= 0.5 / sum;
}

/* What a steady 1 kHz tone of RMS 1 leaves the pointer at: the reading is that tone's RMS. */
static void calibrate(cj_quasi_peak *meter)
{
    double tone[VOICES][CHUNK], rate = meter->rate * meter->times;
    size_t chunks = (size_t)(1.5 * rate / CHUNK), i = 0;
    const double *const y[VOICES] = {tone[0], tone[1]};
    for (int c = 0; c < VOICES; c++)
        meter->a[c] = meter->b[c] = meter->p[c] = 1.3; /* near its place, which takes it 1 s else */
    for (size_t k = 0; k < chunks; k++) {
        for (size_t j = 0; j < CHUNK; j++, i++)
            tone[0][j] = tone[1][j] = sqrt(2) * sin(CJ__TWO_PI * 1000 / rate * (double)i);
        if (k + 20 == chunks)
            meter->largest[0] = 0;
        run_pointers(meter, y, CHUNK);
    }
    meter->scale = 1 / meter->largest[0];
    for (int c = 0; c < VOICES; c++)
        meter->a[c] = meter->b[c] = meter->p[c] = meter->largest[c] = 0;
}

cj_status cj_quasi_peak_new(double rate_hz, int channels, cj_quasi_peak **out, cj_error *err)
{
    if (channels < 1 || channels > VOICES)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "a meter takes 1 to %d channels, not %d", VOICES,
                       channels);
    cj_quasi_peak *meter = cj_new(1, sizeof *meter);
    if (meter == NULL)
        return cj_fail_memory(err);
    meter->rate = rate_hz;
    meter->channels = channels;
    meter->times = rate_hz < ENOUGH_HZ ? 2 : 1;
    double step = 1 / (rate_hz * meter->times);
    meter->charge = step / CHARGE;
    meter->discharge = step / DISCHARGE;
    meter->rise = step / RISE;
    meter->fall = step / FALL;
    meter->pointer = step / POINTER;
    cj_status status = CJ_OK;
    for (int c = 0; c < channels && status == CJ_OK; c++)
        status = cj_weighting_filter_new(CJ_WEIGHTING_468, rate_hz, &meter->network[c], err);
    if (status != CJ_OK) {
        cj_quasi_peak_free(meter);
        return status;
    }
    set_half(meter->half);
    calibrate(meter);
    *out = meter;
    return CJ_OK;
}

void cj_quasi_peak_free(cj_quasi_peak *meter)
{
    for (int c = 0; meter && c < VOICES; c++)
        cj_weighting_filter_free(meter->network[c]);
    cj_free(meter);
}
