/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "check.h"

#include "tests.h"

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_rule_fires_and_stays_silent),
        cmocka_unit_test(no_rule_is_without_its_cases),
        cmocka_unit_test(a_healthy_pair_has_no_findings),
        cmocka_unit_test(every_number_of_inputs_is_recognised),
        cmocka_unit_test(probabilities_share_one),
        cmocka_unit_test(evidence_shows_measured_expected_and_healthy),
        cmocka_unit_test(rules_of_the_same_roles_become_one_finding),
        cmocka_unit_test(cautions_where_ears_are_at_stake),
        cmocka_unit_test(every_fact_stands_in_the_header),
        cmocka_unit_test(sentences_do_not_follow_the_locale),
        cmocka_unit_test(rules_files_that_are_refused),
        cmocka_unit_test(a_refused_file_changes_nothing),
        cmocka_unit_test(own_rules_add_and_replace),
        cmocka_unit_test(conditions_are_judged_with_their_uncertainty),
        cmocka_unit_test(bounds_count_where_they_settle_it),
        cmocka_unit_test(ratios_carry_their_uncertainty),
        cmocka_unit_test(an_earlier_rule_wins_a_circle),
        cmocka_unit_test(numbers_are_said_as_on_the_bench),
        cmocka_unit_test(memory_runs_out_anywhere),
        cmocka_unit_test(typed_readings_find_their_place),
        cmocka_unit_test(typed_readings_that_are_refused),
        cmocka_unit_test(typed_readings_do_not_follow_the_locale),
        cmocka_unit_test(readings_given_again_are_averaged),
        cmocka_unit_test(bounds_give_way_to_values),
        cmocka_unit_test(captures_give_every_number),
        cmocka_unit_test(captures_of_other_channels_are_refused),
        cmocka_unit_test(readings_files_are_read),
        cmocka_unit_test(readings_files_that_are_refused),
        cmocka_unit_test(readings_files_are_bounded),
        cmocka_unit_test(other_files_are_no_readings),
        cmocka_unit_test(observing_runs_out_of_memory),
        cmocka_unit_test(repairs_count_by_kind_part_and_place),
        cmocka_unit_test(repairs_find_their_suspects),
        cmocka_unit_test(repairs_run_out_of_memory),
    };
    return cmocka_run_group_tests_name("diagnosis", tests, NULL, NULL);
}
