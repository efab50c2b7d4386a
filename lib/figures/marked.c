/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * A recording of a stimulus file, started by hand: the marker at its head says where the signal
 * begins, and the silence behind the marker what silence is in this recording, and so where the
 * signal ends.
 */
#include "figures/internal.h"

#include <math.h>

#define LOOK_S                                                                                     \
    20.0 /* from the record's beginning: as long as it takes from one button to the other */
#define LEAST_S 0.2  /* of signal */
#define PIECE_S 0.01 /* whose level is looked at */
#define SETTLE_S                                                                                   \
    0.02 /* left out at both ends: what the unit and its coupling capacitors still remember */
#define OVER_SILENCE 3.0   /* times the gap's level */
#define HIGHEST_RATE 400e3 /* above, it is no audio interface */

enum { CHUNK = 1 << 18 };

struct look {
    cj_capture *capture;
    const cj_capture_info *about;
    double *x; /* [CHUNK] */
    double rate;
};

static cj_status read_first(struct look *of, size_t start, size_t count, cj_error *err)
{
    return cj_capture_read(of->capture, start, count, (double *const[2]){of->x, NULL}, err);
}

/* In chunks that overlap by two markers. */
static cj_status find_marker(struct look *of, cj_spectra *spectra, cj_marker *found, cj_error *err)
{
    size_t samples = of->about->samples, overlap = (size_t)(0.2 * of->rate);
    size_t until = (size_t)fmin((double)samples, LOOK_S * of->rate);
    cj_status status = CJ_OK;
    for (size_t at = 0; status == CJ_OK && !found->found && at + overlap < until;
         at += CHUNK - overlap) {
        size_t count = samples - at < CHUNK ? samples - at : CHUNK;
        status = read_first(of, at, count, err);
        if (status == CJ_OK)
            status = cj_marker_find(spectra, of->x, count, of->rate, found, err);
        found->at += (double)at;
        found->start += (double)at;
    }
    return status;
}

/* The highest level of the pieces of count samples in x. */
static double highest_level(const double *x, size_t count, size_t piece)
{
    double most = 0;
    for (size_t at = 0; at + piece <= count; at += piece) {
        cj__level level = {0};
        cj__level_add(&level, x + at, piece);
        if (level.valid > 0)
            most = fmax(most, sqrt(cj__level_variance(&level)));
    }
    return most;
}

/* Behind the last piece that is louder than silence. */
static cj_status find_end(struct look *of, size_t start, double silence, size_t *end, cj_error *err)
{
    size_t piece = (size_t)(PIECE_S * of->rate), block = CHUNK / piece * piece;
    cj_status status = CJ_OK;
    for (*end = of->about->samples; status == CJ_OK && *end > start + piece;) {
        size_t count = *end - start < block ? (*end - start) / piece * piece : block;
        status = read_first(of, *end - count, count, err);
        while (status == CJ_OK && count >= piece) {
            if (highest_level(of->x + count - piece, piece, piece) > silence)
                return CJ_OK;
            count -= piece;
            *end -= piece;
        }
    }
    return status;
}

static cj_status find_part(struct look *of, const cj_marker *marker, size_t *first, size_t *end,
                           cj_error *err)
{
    size_t settle = (size_t)(SETTLE_S * of->rate), piece = (size_t)(PIECE_S * of->rate);
    /* the middle of the 100 ms behind the marker */
    size_t gap = (size_t)(marker->start - 0.08 * of->rate), start = (size_t)ceil(marker->start);
    cj_status status = read_first(of, gap, 6 * piece, err);
    double silence = OVER_SILENCE * highest_level(of->x, 6 * piece, piece);
    if (status == CJ_OK)
        status = read_first(of, start, 6 * piece, err);
    /* a signal hardly above the silence about it: its end is not to be heard */
    bool loud = highest_level(of->x, 6 * piece, piece) > 2 * silence;
    *end = of->about->samples;
    if (status == CJ_OK && loud)
        status = find_end(of, start, silence, end, err);
    *first = start + settle;
    *end -= *end > *first + settle ? settle : 0;
    return status;
}

cj_status cj__marked_part(cj_capture *capture, size_t *first, size_t *samples, cj_error *err)
{
    struct look of = {.capture = capture, .about = cj_capture_about(capture)};
    of.rate = of.about->rate_hz;
    *first = 0;
    *samples = of.about->samples;
    if (of.about->kind != CJ_KIND_AUDIO || !(of.rate >= 2000 && of.rate <= HIGHEST_RATE) ||
        (double)*samples < 0.5 * of.rate)
        return CJ_OK;
    cj_marker marker = {0};
    cj_spectra *spectra = cj_spectra_new();
    of.x = cj_new(CHUNK, sizeof *of.x);
    size_t end = *samples;
    cj_status status =
        spectra && of.x ? find_marker(&of, spectra, &marker, err) : cj_fail_memory(err);
    if (status == CJ_OK && marker.found && marker.start > 0.1 * of.rate &&
        marker.start + LEAST_S * of.rate < (double)*samples) {
        status = find_part(&of, &marker, first, &end, err);
        if (status == CJ_OK && (double)end < (double)*first + LEAST_S * of.rate) {
            *first = 0;
            end = *samples;
        }
        *samples = end - *first;
    }
    cj_spectra_free(spectra);
    cj_free(of.x);
    return status;
}
