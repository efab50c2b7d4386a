/* SPDX-License-Identifier: GPL-3.0-or-later */
/* response.h - what the files of the response share. */
#ifndef COLDJOINT_FIGURES_RESPONSE_H
#define COLDJOINT_FIGURES_RESPONSE_H

#include "figures/internal.h"

#include "signal/sweep.h"

#define CJ__PER_OCTAVE 48

#define CJ__MOST_GAPS 8

/* A moment in which one channel is lost; there it is taken to be now * other[n] + before * other[n
 * - quarter]. */
typedef struct cj__gap {
    int channel;
    size_t start, count; /* samples of the record */
    long quarter;
    double now, before;
} cj__gap;

struct cj__watch {
    size_t at, run; /* samples seen; samples that have been quiet */
    double level;
};

/* A sweep in a capture: where it is, and what stands for the input. */
typedef struct cj__sweep {
    int input, output;  /* channels; both 0: the input is `reference` */
    bool output_seen;   /* the output shows the sweep by itself */
    cj__track track;    /* of the input */
    double later_s;     /* the output's window is taken this much later */
    bool known;         /* the reference is what was played: its level and phase count */
    cj_sweep reference; /* with one channel */
    double start_s;     /* t = (time - start_s) * clock of it */
    double clock;
    /* Uncertainty of the delay taken out: middle_u at 1000 exp(middle) Hz, and slope_u of its slope
     * over ln f. */
    double middle, middle_u, slope_u;
    struct cj__watch watch[2];
    cj__gap gaps[CJ__MOST_GAPS];
    size_t gap_count;
} cj__sweep;

/* A stretch of the record at rate / 2^level. */
typedef struct cj__frame {
    double rate_hz, start_s; /* of sample 0 */
    size_t n, room;
    double *x, *y;
} cj__frame;

typedef struct cj__sweep_reader {
    cj_capture *capture;
    const cj_capture_info *about;
    const cj__sweep *sweep;
    double band[2]; /* Hz: where harmonics count */
    double full_hz; /* from here on the sweep has its full level */
    double taps[CJ__HALF_TAPS];
    double *chunk[2]; /* samples of one chunk */
    size_t chunk_room;
} cj__sweep_reader;

/* Glimpses at the record, and the sweep they show. *found false: none, which is no error. */
cj_status cj__sweep_find(cj_capture *capture, const cj_measure_options *options,
                         cj_spectra *spectra, cj__sweep *out, bool *found, cj_error *err);

cj_status cj__reader_start(cj__sweep_reader *reader, cj_capture *capture, const cj__sweep *sweep,
                           cj_error *err);
void cj__reader_stop(cj__sweep_reader *reader);
/* From from_s on, `n` samples at rate / 2^level; zero where the record has none. */
cj_status cj__frame_read(cj__sweep_reader *reader, int level, double from_s, size_t n,
                         cj__frame *frame, cj_error *err);
void cj__frame_free(cj__frame *frame);

/* One point on its way. */
typedef struct cj__point {
    double hz;
    cj_complex value, slope;
    double
        variance; /* of a bin of the output, as a density: E |bin|^2 / (rate * sum of window^2) */
    double leverage; /* E |error|^2 = variance * leverage */
    double freedom, coherence, power, thd_percent;
    bool there;
} cj__point;

/* The linear response at the points, and the THD there. */
cj_status cj__sweep_linear(cj__sweep_reader *reader, cj_spectra *spectra,
                           const cj_measure_options *options, cj__point *points, size_t count,
                           cj_error *err);
cj_status cj__sweep_orders(cj__sweep_reader *reader, double mains_hz, cj__point *points,
                           size_t count, cj_error *err);

/* Looks for losses in the next n samples of a channel. */
void cj__sweep_watch(cj__sweep *sweep, int channel, const double *x, size_t n, double rate_hz);
/* Keeps the losses that only one channel has, with what stands in for them. */
cj_status cj__sweep_gaps(cj_capture *capture, cj__sweep *sweep, cj_error *err);
/* Fills what of a gap lies in samples start .. start + n - 1, which x holds. */
cj_status cj__gap_fill(cj_capture *capture, const cj__gap *gap, size_t start, size_t n, double *x,
                       cj_error *err);

/* Start and clock of the reference from the recording (one channel). */
cj_status cj__sweep_align(cj__sweep_reader *reader, cj_spectra *spectra,
                          const cj_measure_options *options, cj__sweep *sweep, cj_error *err);

/* Points of a grid between two frequencies; NULL: out of memory. */
cj__point *cj__points_new(double from_hz, double to_hz, size_t *count);
/* first .. last - 1: the points at which the input has its usual power, between the fades. False:
 * out of memory. */
bool cj__points_range(const cj__point *points, size_t count, size_t *first, size_t *last);
/* Points become a response; match and skew of the chain go into its uncertainties. NULL: out of
 * memory. */
cj_response *cj__response_make(const cj__point *points, size_t count, const cj__analysis *all);

/* gain, phase, polarity, delay and coherence of the pair at the response's reference; its corners.
 */
cj_status cj__response_figures(const cj__analysis *all, cj_figure_set *set);

/* The same from noise; *out stays NULL where the channels have too little in common. */
cj_status cj__response_of_noise(cj_capture *capture, const cj__analysis *all, cj_response **out,
                                cj_error *err);

cj_response *cj__response_new(size_t count); /* all NaN, count 0; NULL: out of memory */
/* low_3db_hz, high_3db_hz and their reference from the points. */
void cj__response_corners(cj_response *response);

/* Takes what `match` shows of the chain out of the pair and of the response. */
cj_status cj__apply_match(cj_measurement *measurement, const cj_measurement *match);

/* Second path against first, point by point, where both captures have a response. */
cj_status cj__compare_responses(cj_comparison *comparison);
/* Match, differ or undecided by all points between 20 Hz and 20 kHz. */
void cj__judge_response(cj_comparison *comparison, const cj_compare_options *options);

/* The response of a capture that is a sweep, or of noise in two channels; *out NULL: none. */
cj_status cj__response_of(cj_capture *capture, const cj_measure_options *options,
                          const cj__analysis *all, cj_response **out, cj_error *err);

#endif
