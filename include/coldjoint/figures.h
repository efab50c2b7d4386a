/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * figures.h - volts become named figures, each with a standard uncertainty (JCGM 100).
 *
 * A figure the capture cannot show has the value NaN, a reason, and where one is known a bound. It is
 * never a guess. Levels are in the unit of their channel; percentages are of 100; phases are in degrees,
 * positive where channel 2 leads, -180 < x <= 180.
 */
#ifndef COLDJOINT_FIGURES_H
#define COLDJOINT_FIGURES_H

#include "coldjoint/base.h"
#include "coldjoint/capture.h"
#include "coldjoint/signal.h"

#ifdef __cplusplus
extern "C" {
#endif

typedef enum cj_bound { CJ_BOUND_NONE, CJ_BELOW, CJ_ABOVE } cj_bound;

typedef struct cj_figure {
    const char *name; /* static: "dc_v", "gain_db", ... */
    const char *unit; /* "V", "FS", "?", "Hz", "s", "dB", "%", "deg", "V/V", "1"; lives as long as the set's capture */
    double value;     /* NaN: could not be told, see why */
    double u;         /* standard uncertainty in that unit; NaN where value is, or where none applies */
    double bound;     /* meaningful with bound_kind: the figure lies below or above it */
    cj_bound bound_kind;
    const char *word; /* static; a figure that is a word ("inverted"); value is then NaN, why empty */
    char why[160];    /* the reason for a missing value, no full stop */
} cj_figure;

typedef struct cj_figure_set {
    cj_figure *items;
    size_t count, capacity;
} cj_figure_set;

/* NULL where the set has no figure of that name. */
CJ_API const cj_figure *cj_figure_find(const cj_figure_set *set, const char *name);

/* Adds a copy of the figure. */
CJ_API cj_status cj_figure_add(cj_figure_set *set, const cj_figure *figure);
CJ_API void cj_figure_set_free(cj_figure_set *set);

/* The capture chain's own standard uncertainties (instruments file); NaN: the default for the kind of
 * capture (scope: gain 2 %, match 1 %, skew a tenth of a sample, offset half a step; audio: gain 5 %,
 * match 0.5 %, skew 0). */
typedef struct cj_instruments {
    char name[64];
    double gain;         /* relative, both channels alike */
    double match;        /* relative, channel 2 against channel 1 */
    double skew_s;       /* channel 2 against channel 1 */
    double offset_v;     /* V */
    double noise_v;      /* the chain's own noise, V RMS; taken out in power */
    double full_scale_v; /* NaN: none given */
    cj_coupling coupling;
} cj_instruments;

CJ_API void cj_instruments_default(cj_instruments *instruments);
/* Reads an instruments file (YAML, strict: unknown keys are refused with line and column). */
CJ_API CJ_MUST_CHECK cj_status cj_instruments_read(const char *path, cj_instruments *out, cj_error *err);

typedef struct cj_measure_options {
    double tone_hz;                   /* 0: found */
    double band_low_hz, band_high_hz; /* 0, 0: 20 Hz to 20 kHz; cut at Nyquist */
    double mains_hz;                  /* 50, 60, or 0: found */
    int harmonics;                    /* 0: decided from the record (signal.h) */
    const cj_instruments *instruments; /* NULL: defaults */
    const cj_stimulus *played;         /* what was played; NULL: recognised where that is possible */
    const struct cj_measurement *match; /* a capture with both inputs on one point: what it shows of the
                                           chain is taken out of the pair and the response; NULL: none */
    void (*progress)(void *user, double done); /* may be NULL; done from 0 to 1 */
    void *user;
} cj_measure_options;

#define CJ_LOSSES 256 /* losses whose times are kept; all are counted */

/*
 * A momentary loss or step of the tone, for the wiggle test of a suspected joint: 0.2 ms or longer where the
 * tone has something to lose there, found by the tone's own gain in pieces of 0.1 ms (to which both
 * numbers are good).
 */
typedef struct cj_loss {
    double at_s;    /* on the capture's time axis */
    double seconds; /* how long */
} cj_loss;

/*
 * A response: channel 2 relative to channel 1, or the one channel relative to the sweep that was played
 * (of_stimulus). `count` points at 1000 Hz times 2^(i/48) (48 an octave), fewer below where the record
 * does not resolve them. Arrays of `count` values each:
 *   hz, gain_db, phase_deg (-180 < x <= 180, positive: leads), delay_s (group delay), coherence (share of the
 *   power at that point which the response explains), u_gain_db and u_phase_deg (standard uncertainty: noise at
 *   that point, and match and skew of the instruments, which are common to all points), thd_percent (of the
 *   channel that responds: harmonics 2..10 within the band over the fundamental, at the fundamental's
 *   frequency). NaN where it cannot be told: level under the noise, no harmonic within the band, noise
 *   captures (THD).
 *
 * From a sweep: both channels go through one window of time about the moment the sweep passes a
 * frequency, so the record's start and the two clocks do not matter; the ratio of their spectra is the
 * response, smoothed by a local quadratic (lib/signal/sweep.h says how exactly) that leaves the shape alone.
 * Harmonics: orders of the gliding tone (Farina 2000; synchronized sweep: Novak, Lotton, Simon 2015). A steady
 * mains line, and a dropout of either channel, are taken out.
 * of_stimulus: the delay of the recording is unknown and taken out as the group delay's median, so phase and
 * delay are relative to that; where the played level is not known, gain is relative to the gain at the reference.
 * From noise: Welch's method (Hann, half overlapping), H1 = Sxy / Sxx, u from the coherence (Bendat and Piersol,
 * "Random Data", 4th ed., chapter 9; from memory), smoothed in the same way.
 */
typedef struct cj_response {
    size_t count;
    double *hz, *gain_db, *u_gain_db, *phase_deg, *u_phase_deg, *delay_s, *coherence, *thd_percent;
    double low_3db_hz, u_low_3db_hz;   /* half power against the reference; NaN: not within the range */
    double high_3db_hz, u_high_3db_hz;
    double reference_hz;               /* 1 kHz, or the geometric middle where that lies outside */
    bool of_stimulus;
} cj_response;

CJ_API void cj_response_free(cj_response *response);
/* Gain (dB) and phase (degrees) at a frequency, straight between points over ln hz; NaN outside. Any of the
 * outputs may be NULL. */
CJ_API void cj_response_at(const cj_response *response, double hz, double *gain_db, double *u_gain_db,
                           double *phase_deg, double *u_phase_deg);

/*
 * Of two tones, by channel: `imd_percent`, `imd_db`, `imd_kind` (word: modulation, difference-frequency): SMPTE
 * RP 120 and IEC 60268-3 (both from memory). With U(f) the level at f: modulation (f2 at least 8 f1)
 *     d2 = [U(f2+f1) + U(f2-f1)] / U(f2),   d3 = [U(f2+2f1) + U(f2-2f1)] / U(f2),
 * difference frequency (f2 at most 1.25 f1)
 *     d2 = U(f2-f1) / (2 U(f2)),   d3 = [U(2f1-f2) + U(2f2-f1)] / (2 U(f2)),
 * the figure the root of d2^2 + d3^2. The pair's figures are those of the stronger tone.
 * Of a square: `rise_s`, `fall_s` (10 % to 90 %), `overshoot_percent` (of the step, the larger of both edges),
 * `slew_v_per_s` (20 % to 80 % of the slower edge, where it is straight; a bound where it is round).
 * Of a level in steps: `clip_level_v`, `clip_input_v` (peak of the channel's and of channel 1's fundamental where the
 * channel's THD reaches 1 %); `clip_high_v` and `clip_low_v` are how far the signal goes there.
 * `drift_v_per_s`: slope of the straight line through the DC of 64 stretches; `settled_v` what it runs to.
 * Of the pair where a response spans two octaves: `slope_db_per_octave` (unit dB/octave; ours): crosstalk through a
 * resistance is flat, through a capacitance it rises by 20 log10(2) = 6.02 dB an octave.
 */

/*
 * Figures of one capture, each with the standard that defines it. "Ours": none does, or none was at hand; standards of
 * which only the number is given were known from memory, without their clauses.
 *
 * Of a channel, DC included:
 *   dc_v, rms_v      mean and root mean square of all samples; of a tone those of its fit, so that part of a period does
 *                    not tilt them (ours)
 *   peak_v           largest |sample|; between samples nothing is looked for (ours)
 *   signal           word: tone, stepped, square, two-tone, sweep, noise, silence, other (ours)
 *   tone_hz, tone_peak_v  frequency and amplitude of the fundamental: the four-parameter least-squares sine fit of IEEE
 *                    Std 1057 with harmonics beside it (signal.h)
 *   thd_percent, thd_db   root sum of squares of harmonics 2..10 in the band over the fundamental, each less the noise in
 *                    it (IEC 60268-3 leaves the harmonics to the stated band and refers to the total; over the
 *                    fundamental, THD_F, is IEEE Std 1241's)
 *   even_percent, odd_percent  the same of the even and of the odd harmonics alone (ours)
 *   thdn_percent, thdn_db  RMS of all in the band but DC and fundamental over RMS of all in it but DC (AES17, IEC 60268-3);
 *                    the fundamental is taken out by the fit, not by a notch
 *   sinad_db         the fundamental over all else in the band but DC (IEEE Std 1241)
 *   clip_fraction, clip_high_fraction, clip_low_fraction  share of samples on flat tops, of both and of either side;
 *   clip_high_v, clip_low_v  where those lie (ours)
 *   slew_v_per_s, rise_s, fall_s, overshoot_percent  above; 10 %, 90 % and the overshoot of the step are IEC 60469's
 *                    and IEEE Std 181's, the slew between 20 % and 80 % ours
 *   stray_hz, stray_v     strongest line of the Hann spectrum that is no harmonic and no mains line and that white noise
 *                    would show once in 10 000 records (ours)
 *   dropouts         count of losses as cj_loss has them (ours)
 *   drift_v_per_s, settled_v  above (ours)
 *   clip_level_v, clip_input_v  above (THD of 1 % as the limit: the rated distortion of IEC 60268-3 is the maker's to state;
 *                    1 % is ours)
 *
 * Of the pair, channel 2 relative to channel 1:
 *   gain, gain_db, phase_deg  of the fundamentals of one joint fit (IEEE Std 1057, frequency shared)
 *   polarity         word: same (|phase| under 60 degrees), inverted (over 120), unclear (ours)
 *   delay_s          phase over frequency, a polarity flip taken out, at most half a period either way (ours)
 *   coherence        share of channel 2's power that channel 1's explains: of a response its median (cj_response), else the
 *                    square of `correlation` (ours)
 *   difference_db    power of channel 2 less channel 1, sample by sample and without DC, over channel 1's (ours)
 *   correlation      largest normalised cross-correlation, with its sign (ours)
 *   low_3db_hz, high_3db_hz  half power, 10 log10(2) = 3.01 dB below the gain at the reference (cj_response)
 *
 * Noise is what DC, the fundamental and harmonics 2..10 leave (hum stays in):
 *   noise_v          RMS in the band
 *   noise_a_v        the same with the A-weighting of IEC 61672-1, Annex E, exact at each frequency of the spectrum;
 *                    10 ms or more
 *   noise_468_v      ITU-R BS.468-4: the largest reading of its quasi-peak meter (signal.h; a steady 1 kHz tone would
 *                    read its RMS), not cut to the band. Needs 1 s, 8 kHz of rate or more. Where a tone is there, a
 *                    record of over 64 blocks of 65 536 samples is looked at in 8 blocks of 64. Its u is the scatter of a
 *                    largest reading (Gumbel's limit): another record of as much noise reads otherwise by so much.
 *   noise_density_v  V/rtHz (V per root hertz): mean of the third octave about 1 kHz, lines of tone and mains left out
 * The noise of the capture chain is taken out of all in power, as white noise in the band.
 *
 * Mains: `hum_v` (lines 1..20 but those within a resolution of the tone's harmonics) and `hum_hz`, by least squares at the
 * Cramer-Rao bound in white noise (stretches of up to 16 s where the record is longer than 262 144 samples):
 * u of hum_hz is sqrt(6) s rate / (pi sqrt(N^3 sum k^2 a_k^2)), s the noise, a_k the lines' peaks. Hum is added to the
 * signal; what modulates the tone shows as its sidebands:
 *   hum_sideband_db  RMS of the tone's sidebands at 1..4 times the mains over that of the tone: 20 log10(m / sqrt 2) for an
 *                    amplitude modulation of depth m. Needs a tone of 320 Hz and 100 ms. Lines beside a tone that
 *                    stands on a multiple of the mains count as sidebands, not as hum, where they are
 *                    three times what hum has farther off; else neither is told, and 997 Hz tells.
 *   hum_sideband_hz  their distance from the tone: the mains or a multiple
 */
typedef struct cj_measurement {
    const cj_capture_info *capture; /* the capture must outlive the measurement */
    int channel_count;              /* 1 or 2 */
    cj_figure_set channel[2];
    cj_figure_set pair;             /* empty with one channel */
    cj_response *response;          /* of a sweep or of noise in both channels; NULL: none */
    cj_loss *losses[2];             /* of `dropouts`, in order; NULL where there are none or no sample rate */
    size_t loss_count[2];           /* at most CJ_LOSSES */
    cj_lines advice;                /* what to set and capture again, a sentence each */
} cj_measurement;

CJ_API CJ_MUST_CHECK cj_status cj_measure(cj_capture *capture, const cj_measure_options *options,
                                          cj_measurement **out, cj_error *err);
/* What a file holds that was played (channel 1 of it): a sweep with its range, rate of sweep and peak, to be given
 * as `played`. CJ_DATA: no sweep. Clock and start do not matter: they are found from each recording. */
CJ_API CJ_MUST_CHECK cj_status cj_stimulus_recognise(cj_capture *capture, cj_stimulus *out, cj_error *err);
/* Whether a measurement can be given as `match`: CJ_DATA where it shows no gain of channel 2 against channel 1. */
CJ_API CJ_MUST_CHECK cj_status cj_match_check(const cj_measurement *measurement, cj_error *err);
CJ_API void cj_measurement_free(cj_measurement *measurement);

/* ---- one path against another ---- */

typedef enum cj_match { CJ_MATCH, CJ_DIFFER, CJ_UNDECIDED } cj_match;

typedef struct cj_compare_options {
    double within_db, within_deg; /* 0, 0: 0.5 dB and 5 degrees */
    bool expect_inverted;
} cj_compare_options;

/*
 * The second path relative to the first. With one capture the paths are channel 1 and channel 2. With
 * two, channel 1 of each is the stimulus and the paths are channel 2 of the first and of the second capture,
 * each taken relative to its own stimulus.
 */
typedef struct cj_comparison {
    const cj_measurement *captures[2]; /* [1] is NULL with one capture; borrowed */
    const cj_figure_set *path[2];      /* channel figures of the first and the second path; borrowed */
    cj_figure_set pair;                /* second against first: gain, gain_db, phase_deg, polarity, ... and
                                          `turn` (word: as-expected, flipped, unclear) against the expectation */
    const cj_response *response;       /* second against first; NULL: none. Then a match is one at every point
                                          between 20 Hz and 20 kHz */
    cj_response *quotient;             /* it, where it was made of two captures' */
    bool expect_inverted;
    cj_match match;
    char why[200];                     /* in words, what differs or what could not be decided */
} cj_comparison;

CJ_API CJ_MUST_CHECK cj_status cj_compare(const cj_measurement *first, const cj_measurement *second,
                                          const cj_compare_options *options, cj_comparison **out,
                                          cj_error *err);
CJ_API void cj_comparison_free(cj_comparison *comparison);

/* Volts peak at digital full scale from a recorded tone (channel 1, in FS) and one meter reading of it
 * (V RMS). *u is the standard uncertainty, reading taken as 1 %. */
CJ_API CJ_MUST_CHECK cj_status cj_full_scale(const cj_measurement *measurement, double reads_v_rms,
                                             double *full_scale_v, double *u, cj_error *err);

#ifdef __cplusplus
}
#endif
#endif
