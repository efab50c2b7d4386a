/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef FIGURES_TESTS_H
#define FIGURES_TESTS_H

#include "check.h"
#include "memory_capture.h"

#include "coldjoint/figures.h"

/* Measures with every uncertainty of the capture chain at zero unless options say otherwise. */
cj_measurement *measured(struct memory_capture *made, const cj_measure_options *options);
/* Value of a figure; fails the test where there is none. */
double value_of(const cj_figure_set *set, const char *name);
double u_of(const cj_figure_set *set, const char *name);
void check_missing(const cj_figure_set *set, const char *name, const char *why);
void check_word(const cj_figure_set *set, const char *name, const char *word);
const cj_instruments *ideal_chain(void);

/* x = dc + peak sin(2 pi f t + phase) added to a channel. */
void add_sine(struct memory_capture *made, int channel, double hz, double peak, double phase);
void add_constant(struct memory_capture *made, int channel, double value);
void add_noise(struct memory_capture *made, int channel, double rms, unsigned long long seed);

void tone_figures(void **state);
void long_records_read_the_same(void **state);
void stated_uncertainties(void **state);
void waveforms_of_closed_form(void **state);
void eight_bits_bound_the_distortion(void **state);
void a_channel_without_signal(void **state);
void signals_that_are_no_tone(void **state);
void two_tones(void **state);
void intermodulation_of_polynomials(void **state);
void intermodulation_in_noise(void **state);
void intermodulation_that_cannot_be_told(void **state);
void pair_at_two_tones(void **state);
void flat_tops(void **state);
void steps_make_a_small_tone_larger_or_smaller(void **state);
void losses(void **state);
void levels_in_steps(void **state);
void dc_that_drifts(void **state);
void crosstalk_slopes(void **state);
void edges_of_squares(void **state);
void edges_too_fast_or_absent(void **state);
void edges_scatter_as_stated(void **state);
void losses_are_found(void **state);
void no_losses_where_none_are(void **state);
void steps_count_too(void **state);
void losses_of_long_records(void **state);
void quiet_ends_are_left_out(void **state);
void gaps_and_missing_rate(void **state);
void mains_hum(void **state);
void weighted_noise(void **state);
void weighted_hum(void **state);
void noise_uncertainties(void **state);
void noise_that_cannot_be_told(void **state);
void noise_of_the_chain_is_taken_out(void **state);
void hum_frequency_at_its_bound(void **state);
void hum_level_under_a_tone(void **state);
void ripple_is_told_from_hum(void **state);
void ripple_that_cannot_be_told(void **state);
void ripple_uncertainty(void **state);
void advice_where_the_capture_is_poor(void **state);
void matching_and_not(void **state);
void two_captures(void **state);
void full_scale_from_a_meter(void **state);

#endif
