/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The diagnosis with a board: the tests of this program, by file. */
#ifndef BOARD_TESTS_H
#define BOARD_TESTS_H

#include "coldjoint/diagnosis.h"

/* test_dictionary.c */
void every_pin_can_be_open(void **state);
void bridges_join_neighbours_of_one_row(void **state);
void inputs_know_their_supply(void **state);
void every_suspect_is_whole(void **state);
void pairs_join_their_manners(void **state);

/* test_score.c */
void a_density_is_that_of_the_formula(void **state);
void an_outlier_is_worth_a_cause_of_its_own(void **state);
void a_residue_is_common_or_apart(void **state);
void distortion_speaks_by_its_size(void **state);
void a_searched_quantity_weighs_what_it_covers(void **state);

/* test_learned.c */
void what_was_read_is_known_again(void **state);

/* test_outlook.c */
void between_the_rails_anything_may_be_read(void **state);
void a_net_that_goes_both_ways_is_turned(void **state);
void a_capacitor_may_keep_its_charge(void **state);
void no_reading_is_spread_beyond_the_supply(void **state);
void what_comes_to_no_rest_is_not_predicted(void **state);
void an_open_output_slams_through_its_stray(void **state);
void settled_parts_follow_the_exact_density(void **state);
void a_value_reaches_a_look_by_its_spread(void **state);

/* test_diagnose.c */
void readings_of_a_fault_name_it(void **state);
void a_clipped_step_leaves_the_value_to_the_others(void **state);
void two_unknowns_are_found_together(void **state);
void a_stage_behind_a_stuck_one_may_follow_it(void **state);
void a_marked_value_has_its_tolerance(void **state);
void a_good_unit_is_healthy(void **state);
void a_level_that_stays_put_shows_a_load(void **state);
void a_stranger_is_not_given_a_name(void **state);
void the_next_reading_splits_what_is_left(void **state);
void nothing_read_is_undecided(void **state);
void a_rule_joins_the_list(void **state);
void a_study_says_what_the_steps_can_tell(void **state);
void diagnosing_runs_out_of_memory(void **state);

cj_board *board_fixture(const char *name);
cj_board *board_text(const char *text); /* of a test's own */

#endif
