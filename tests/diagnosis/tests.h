/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The tests of this program, by file. */
#ifndef TESTS_H
#define TESTS_H

/* test_rules.c: the built-in rules */
void each_rule_fires_and_stays_silent(void **state);
void no_rule_is_without_its_cases(void **state);
void a_healthy_pair_has_no_findings(void **state);
void every_number_of_inputs_is_recognised(void **state);
void probabilities_share_one(void **state);
void evidence_shows_measured_expected_and_healthy(void **state);
void rules_of_the_same_roles_become_one_finding(void **state);
void cautions_where_ears_are_at_stake(void **state);
void every_fact_stands_in_the_header(void **state);
void sentences_do_not_follow_the_locale(void **state);

/* test_rules_file.c: rules files, conditions, facts */
void rules_files_that_are_refused(void **state);
void a_refused_file_changes_nothing(void **state);
void own_rules_add_and_replace(void **state);
void conditions_are_judged_with_their_uncertainty(void **state);
void bounds_count_where_they_settle_it(void **state);
void ratios_carry_their_uncertainty(void **state);
void an_earlier_rule_wins_a_circle(void **state);
void numbers_are_said_as_on_the_bench(void **state);
void memory_runs_out_anywhere(void **state);

/* test_observed.c: readings */
void typed_readings_find_their_place(void **state);
void typed_readings_that_are_refused(void **state);
void typed_readings_do_not_follow_the_locale(void **state);
void readings_given_again_are_averaged(void **state);
void bounds_give_way_to_values(void **state);
void captures_give_every_number(void **state);
void captures_of_other_channels_are_refused(void **state);
void readings_files_are_read(void **state);
void readings_files_that_are_refused(void **state);
void readings_files_are_bounded(void **state);
void other_files_are_no_readings(void **state);
void observing_runs_out_of_memory(void **state);

/* test_history.c */
void repairs_count_by_kind_part_and_place(void **state);
void repairs_find_their_suspects(void **state);
void repairs_run_out_of_memory(void **state);

#endif
