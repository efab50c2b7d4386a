/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * internal.h - how a record is analysed: read once, block by block, into sums that do not grow with
 * its length; then worded as figures.
 *
 * A record of up to CJ__WHOLE samples is one block, and its fit is the maximum-likelihood fit of
 * signal.h over the whole record. A longer one is cut into blocks of CJ__BLOCK samples: each is
 * fitted by itself, the frequency comes from the run of the fundamental's phase from block to
 * block, and amplitudes are averaged with the phases of that run taken out. So memory does not
 * depend on the length, and a generator that drifts against the recorder's clock by parts per
 * million does no harm.
 */
#ifndef COLDJOINT_FIGURES_INTERNAL_H
#define COLDJOINT_FIGURES_INTERNAL_H

#include "coldjoint/figures.h"
#include "coldjoint/signal.h"

#define CJ__BLOCK ((size_t)65536)
#define CJ__WHOLE ((size_t)262144)
/* In a record of more than CJ__SPARSE blocks the spectrum of one block in four is taken: it tells
 * the band's share of what the tone leaves, whose level every block tells. Hum and correlation are
 * looked at in eight blocks. */
#define CJ__SPARSE ((size_t)64)
#define CJ__THD_HARMONICS 10 /* harmonics 2..10 make the THD (contract) */

/* ---- sums over one channel: raw levels ---- */

typedef struct cj__level {
    size_t valid;
    double shift;       /* sums are about this value, so that a large DC costs no digits */
    double sum, square; /* of x - shift and of its square */
    double low, high;   /* smallest and largest sample */
} cj__level;

void cj__level_add(cj__level *level, const double *x, size_t n);
double cj__level_mean(const cj__level *level);
double cj__level_variance(const cj__level *level); /* about the mean; divisor: samples */

/* ---- flat tops ---- */

typedef struct cj__clip {
    double high, low;             /* samples counted on the flat top and bottom */
    double high_level, low_level; /* mean level there, NaN where none is flat */
    double counted;               /* samples looked at */
} cj__clip;

/* What the tops of one block are judged by. */
struct cj__flat {
    double low, high; /* its smallest and largest sample */
    double noise;     /* standard deviation of what the tone leaves */
    double step;      /* quantisation */
};

void cj__clip_add(cj__clip *clip, const double *x, size_t n, const struct cj__flat *flat);

/* ---- momentary losses ---- */

typedef struct cj__drops {
    size_t count;
    size_t at[CJ_LOSSES], length[CJ_LOSSES]; /* samples of the record; of the first CJ_LOSSES */
    size_t head,
        tail; /* samples at the record's ends in which the tone was not there (yet, any more) */
    bool in_event;                      /* an event runs on */
    size_t since;                       /* samples of tone since the last loss */
    double quiet_square, quiet_samples; /* residual power between the events */
} cj__drops;

/* What a loss is measured by: level and DC of the tone in the channel; windows and their pieces in
 * samples; and where the block stands in the record. */
typedef struct cj__loss {
    double peak, dc;
    size_t window, piece, at;
} cj__loss;

/* Counts the losses of one block of samples x by what the tone leaves of them. Where the tone is
 * gone, left becomes 0: counted as a loss, it is no noise and no hum. Returns the sum of squares of
 * left then. */
double cj__drops_add(cj__drops *drops, const double *x, double *left, size_t n,
                     const cj__loss *loss);
/* n samples from `at` of the record on are lost. */
void cj__drops_note(cj__drops *drops, size_t at, size_t n);

/* Window for losses in samples: a fifth of a millisecond or a quarter of a period, whichever is
 * longer; and its pieces of a tenth of a millisecond. */
size_t cj__drops_window(double frequency, double rate_hz);
size_t cj__drops_piece(size_t window, double rate_hz);

/* Puts NaN into left where the tone is gone; returns how many samples that were. */
size_t cj__drops_mask(const double *x, double *left, size_t n, const cj__loss *loss);

/* ---- the tone ---- */

typedef struct cj__tone_channel {
    bool seen;        /* the fundamental stands out of the noise in this channel */
    double explained; /* share of the channel's AC power that the model explains */
    double dc, dc_u;
    double peak, peak_u; /* fundamental */
    cj_complex *line;    /* [harmonics], phases relative to the reference channel's fundamental */
    double *line_u;      /* [harmonics] of the real and of the imaginary part */
    double residual;     /* variance of what is left */
} cj__tone_channel;

typedef struct cj__tone {
    bool present;
    double frequency, frequency_u; /* cycles a sample */
    double periods;
    int harmonics;
    int reference; /* the channel whose fundamental gives the phase */
    size_t blocks;
    bool steady; /* one frequency explains all blocks */
    cj__tone_channel channel[2];
    cj_complex ratio; /* channel 2 over channel 1 */
    double gain_u;    /* relative standard uncertainty of its magnitude */
    double phase_u;   /* and of its argument, radians */
} cj__tone;

typedef struct cj__tone_sums cj__tone_sums; /* over blocks */

cj__tone_sums *cj__tone_sums_new(int channels, int harmonics, int reference);
void cj__tone_sums_free(cj__tone_sums *sums);
cj_status cj__tone_sums_add(cj__tone_sums *sums, const cj_tone_fit *fit, size_t start);
cj_status cj__tone_finish(const cj__tone_sums *sums, cj__tone *tone);
/* Noise at the converter, as a variance in steps, of what a tone leaves. */
double cj__noise_in_steps(double residual, double step);
/* Widens what is known of a channel's fundamental, and of the ratio, by what the converter's steps
 * do to it. */
void cj__tone_widen(cj__tone *tone, int channel, double step);
void cj__tone_release(cj__tone *tone);

/* ---- noise, hum, stray lines ---- */

typedef struct cj__noise {
    double band_square; /* mean square inside the band of what DC and all fitted harmonics leave */
    double band_bins;   /* independent spectral bins behind it */
    double weight;      /* samples summed */
    bool hum_possible;  /* the record is long enough to tell mains lines */
    bool hum_seen;
    double hum_hz, hum_hz_u, hum_square, hum_u; /* mean square of the lines; u of its root */
    bool side_possible; /* a tone, high enough, in a record long enough, to show sidebands */
    bool side_seen, side_shared; /* shared: hum may be what is beside the tone */
    double side, side_u;         /* RMS of the sidebands over that of the tone */
    double side_hz, side_hz_u;   /* rate of the strongest pair */
    double mains_hz;             /* as the sidebands tell it */
    bool stray_seen;
    double stray_hz, stray_peak, stray_u; /* hz: cycles a sample */
    double stray_floor;                   /* peak a line needs to stand out */
    double a_square, a_square_u;          /* A-weighted mean square in the band; 0: not looked at */
    double q_square;                      /* the same through the network of BS.468 */
    double a_of_white, q_of_white; /* share of white noise in the band the weighting leaves */
    double density_square, density_square_u; /* mean square a hertz at 1 kHz; 0: too few bins */
    bool meter_seen;                         /* quasi-peak: */
    double meter, meter_u;                   /* largest reading */
    double flatness; /* geometric over arithmetic mean of the spectrum: 0.56 for white noise */
} cj__noise;

typedef struct cj__analysis cj__analysis;

/* marked.c: the part of a recording that holds the signal behind a stimulus' marker; the whole
 * where no marker is found in its first 20 s. */
cj_status cj__marked_part(cj_capture *capture, size_t *first, size_t *samples, cj_error *err);

typedef struct cj__spectral
    cj__spectral; /* spectra of one channel's residual, summed over blocks */

cj__spectral *cj__spectral_new(size_t n);
void cj__spectral_free(cj__spectral *spectral);
/* Lines the fit took out: a tone and its harmonics, and how many bins to either side go with each.
 */
typedef struct cj__lines {
    double frequency;
    int harmonics;
    int beside;
} cj__lines;
/* bins: the spectrum of one block of n samples; band in cycles a sample; lines: fitted and
 * subtracted. */
void cj__spectral_add(cj__spectral *spectral, const cj_complex *bins, size_t n,
                      const double band[2], const cj__lines *lines);
/* A block's residual power; spectrum_taken: whether cj__spectral_add gets this block too. */
void cj__spectral_level(cj__spectral *spectral, double square, size_t n, bool spectrum_taken);
double cj__sum_of_squares(const double *x, size_t n);
void cj__spectral_finish(const cj__spectral *spectral, const cj__analysis *all,
                         const double band[2], cj__noise *noise);
/* Mean power a bin beside the tone, to be held against the tone's own. */
double cj__beside(const cj_complex *bins, size_t n, double frequency);

/* ---- mains hum: lines fitted to the residual of some blocks ---- */

typedef struct cj__hum_sums cj__hum_sums;

cj__hum_sums *cj__hum_new(const cj__analysis *all, double mains_hz);
void cj__hum_free(cj__hum_sums *sums);
/* A block of a record: where it begins, its tone (NULL where there is none), and whether it is one
 * of those that are looked at closely. */
struct cj__hum_block {
    size_t start, n;
    const cj_tone_fit *tone;
    bool look;
};
/* left: the residuals of the block. */
cj_status cj__hum_add(cj__hum_sums *sums, cj_spectra *spectra, const double *const left[2],
                      const struct cj__hum_block *block, cj_error *err);
/* After the last block. */
cj_status cj__hum_flush(cj__hum_sums *sums, cj_spectra *spectra, cj_error *err);
/* left: residuals of the tone in, x less the mains series out where one was found (*found); x is
 * not changed. */
cj_status cj__hum_take_out(const cj__hum_sums *sums, cj_spectra *spectra, const double *const x[2],
                           double *const left[2], size_t n, const cj_tone_fit *tone, bool *found,
                           cj_error *err);
void cj__hum_finish(const cj__hum_sums *sums, int channel, cj__noise *noise);

/* ---- the pair without a tone ---- */

typedef struct cj__pair_sums {
    size_t valid;
    double shift[2], sum[2], square[2], product; /* about the shifts */
    size_t segments;                             /* looked at by correlation; 0: none */
    double corr, gain, gain_u; /* largest normalised correlation, signed; regression gain there */
    double lag, lag_u;         /* samples, positive where channel 2 is later */
} cj__pair_sums;

/* one, two: residuals of a block about their means. */
cj_status cj__pair_correlate(cj__pair_sums *pair, cj_spectra *spectra, const double *one,
                             const double *two, size_t n, cj_error *err);
void cj__pair_finish(cj__pair_sums *pair);

/* ---- two tones: what they make of each other ---- */

#define CJ__IMD_LINES 4

typedef struct cj__imd {
    bool measured;    /* false: why says what stood in the way */
    const char *kind; /* word: modulation, difference-frequency; NULL: neither */
    const char *why;
    bool seen;       /* products stand out of the noise; else bound holds */
    double ratio, u; /* of the total to the reference the standard names */
    double bound;
} cj__imd;

/* Channel 2 against channel 1 at one of the tones. */
typedef struct cj__tone_point {
    double frequency, frequency_u; /* cycles a sample */
    bool seen[2];                  /* the tone stands out of the noise of that channel */
    double peak[2];
    cj_complex ratio;
    double gain_u, phase_u; /* relative, radians */
    double bound;           /* of the gain, where channel 2 does not show the tone */
} cj__tone_point;

typedef struct cj__two_tones {
    bool present; /* the figures below are filled in */
    cj__imd imd[2];
    cj__tone_point point[2]; /* the lower tone, the upper */
    int stronger;            /* of the two, in channel 1 */
} cj__two_tones;

/* The two strongest lines of n samples, where they are two tones: most of the signal, neither a
 * harmonic of the other, the weaker one at least `least` of the stronger. Lower frequency first.
 * bins: room for n/2+1. */
cj_status cj__two_lines(cj_spectra *spectra, const double *x, size_t n, double least,
                        cj_complex *bins, double frequency[2], bool *found, cj_error *err);

/* ---- the edges of a square ---- */

typedef struct cj__edge {
    bool measured; /* false: why says what stood in the way */
    const char *why;
    double seconds, u; /* 10 % to 90 %, samples */
    bool coarse;       /* faster than the samples show: below `bound` */
    double bound;
    double slope, slope_u; /* units a sample, 20 % to 80 % */
    bool straight;         /* as under a slew limit, not round as behind a pole */
    double over, over_u;   /* overshoot over the step */
} cj__edge;

typedef struct cj__edges {
    bool present;
    cj__edge rise, fall;
} cj__edges;

/* ---- a level in steps ---- */

typedef struct cj__clip_point {
    bool present, reached;   /* reached: 1 % of THD lies between two steps */
    bool always;             /* the lowest step is above it */
    double level, u;         /* peak of the fundamental there */
    double input, input_u;   /* and of channel 1's */
    double high, low;        /* how far the signal goes there */
    double most, most_input; /* largest level seen */
} cj__clip_point;

/* ---- DC over time ---- */

#define CJ__STRETCHES 64

typedef struct cj__drift {
    double sum[CJ__STRETCHES], time[CJ__STRETCHES], weight[CJ__STRETCHES];
} cj__drift;

/* Where a block stands, and what was taken off it. */
typedef struct cj__stretch {
    size_t start, total; /* samples of the record; of all of it */
    double base;
} cj__stretch;

void cj__drift_add(cj__drift *drift, const double *left, size_t n, const cj__stretch *where);

/* ---- everything about a record ---- */

typedef enum cj__signal_kind {
    CJ__SIGNAL_TONE,
    CJ__SIGNAL_SQUARE,
    CJ__SIGNAL_TWO_TONE,
    CJ__SIGNAL_STEPPED,
    CJ__SIGNAL_SWEEP,
    CJ__SIGNAL_NOISE,
    CJ__SIGNAL_SILENCE,
    CJ__SIGNAL_OTHER
} cj__signal_kind;

struct cj__analysis {
    const cj_capture_info *about;
    cj_instruments chain; /* all filled in */
    double band[2];       /* Hz; cycles a sample where the rate is unknown */
    int channels;
    size_t first, samples;           /* what was looked at of the record */
    size_t part_first, part_samples; /* where the signal is: the record, or what follows a marker */
    size_t used;                     /* samples that hold the tone, or all of them */
    cj__tone tone;
    cj__level level[2];
    cj__clip clip[2];
    cj__drops drops[2];
    cj__noise noise[2];
    cj__signal_kind signal[2];
    cj__pair_sums pair;
    struct cj__sweep *sweep;     /* response.h; NULL: the record is none */
    const cj_response *response; /* once it was made; the measurement's */
    cj__two_tones two;
    cj__edges edges[2];
    cj__clip_point clip_point[2];
    cj__drift drift[2];
};

/* What a second look at the record tells, once it is known what it holds (closer.c). */
cj_status cj__look_closer(cj_capture *capture, const cj_measure_options *options, cj__analysis *all,
                          cj_error *err);
cj_status cj__two_tones_measure(cj_capture *capture, cj__analysis *all, cj_error *err);
cj_status cj__stepped_measure(cj_capture *capture, cj__analysis *all, bool *found, cj_error *err);
cj_status cj__clip_point_figures(const cj__analysis *all, int channel, cj_figure_set *set);
cj_status cj__drift_figures(const cj__analysis *all, int channel, cj_figure_set *set);
cj_status cj__slope_figure(const cj__analysis *all, cj_figure_set *set);
cj_status cj__edges_measure(cj_capture *capture, cj__analysis *all, cj_error *err);
cj_status cj__edge_figures(const cj__analysis *all, int channel, cj_figure_set *set);
cj_status cj__imd_figures(const cj__analysis *all, int channel, cj_figure_set *set);

cj_status cj__analyse(cj_capture *capture, const cj_measure_options *options, cj__analysis **out,
                      cj_error *err);
void cj__analysis_free(cj__analysis *analysis);

/* ---- wording ---- */

cj_status cj__channel_figures(const cj__analysis *analysis, int channel, cj_figure_set *set);
/* Noise, hum and stray lines of a channel (noise_figures.c). no_rest: why nothing but them can be
 * left of this signal, NULL where it can. */
cj_status cj__noise_figures(const cj__analysis *analysis, int channel, const char *no_rest,
                            cj_figure_set *set);
/* Mean square in the band of what is neither DC, fundamental nor harmonic 2..10. */
double cj__noise_square(const cj__analysis *analysis, int channel);
/* True where what is left of the record is the converter's own steps; and what to say then. */
bool cj__noise_is_the_steps(const cj__analysis *analysis, int channel);
extern const char cj__under_steps[], cj__no_band[];
cj_status cj__pair_figures(const cj__analysis *analysis, cj_figure_set *set);
cj_status cj__advise(const cj__analysis *analysis, const cj_measurement *measurement,
                     cj_lines *advice);

/* Adds a figure with a value, a missing one with its reason, a bound, a word. */
cj_status cj__add_value(cj_figure_set *set, const char *name, const char *unit, double value,
                        double u);
cj_status cj__add_missing(cj_figure_set *set, const char *name, const char *unit, const char *why);
cj_status cj__add_bound(cj_figure_set *set, const char *name, const char *unit, cj_bound kind,
                        double bound, const char *why);
cj_status cj__add_word(cj_figure_set *set, const char *name, const char *word);
double cj__value(const cj_figure_set *set, const char *name); /* NaN where there is none */

/* low_3db_hz and high_3db_hz. */
cj_status cj__corner_figures(const cj_response *response, cj_figure_set *set);

double cj__to_db(double ratio);
double cj__wrap_degrees(double degrees);  /* into -180 < x <= 180 */
const char *cj__polarity(double degrees); /* same, inverted, unclear */

/* The instruments of the options, with the defaults of this kind of capture where they say nothing.
 */
cj_instruments cj__chain_of(const cj_instruments *given, const cj_capture_info *about,
                            double rate_hz);

#endif
