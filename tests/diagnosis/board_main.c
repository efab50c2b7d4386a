/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "check.h"

#include "board_tests.h"

cj_board *board_fixture(const char *name)
{
    char path[512];
    cj_board *board = NULL;
    cj_errors errors;
    snprintf(path, sizeof path, "%s/boards/%s.yaml", FIXTURES, name);
    if (cj_board_read(path, &board, &errors) != CJ_OK)
        fail_msg("%s: %s", path, errors.items[0].message);
    return board;
}

cj_board *board_text(const char *text)
{
    cj_board *board = NULL;
    cj_errors errors;
    if (cj_board_read_text("text", text, strlen(text), &board, &errors) != CJ_OK)
        fail_msg("%s", errors.items[0].message);
    return board;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_pin_can_be_open),
        cmocka_unit_test(bridges_join_neighbours_of_one_row),
        cmocka_unit_test(inputs_know_their_supply),
        cmocka_unit_test(every_suspect_is_whole),
        cmocka_unit_test(pairs_join_their_manners),
        cmocka_unit_test(a_density_is_that_of_the_formula),
        cmocka_unit_test(an_outlier_is_worth_a_cause_of_its_own),
        cmocka_unit_test(a_residue_is_common_or_apart),
        cmocka_unit_test(distortion_speaks_by_its_size),
        cmocka_unit_test(a_searched_quantity_weighs_what_it_covers),
        cmocka_unit_test(what_was_read_is_known_again),
        cmocka_unit_test(between_the_rails_anything_may_be_read),
        cmocka_unit_test(a_net_that_goes_both_ways_is_turned),
        cmocka_unit_test(a_capacitor_may_keep_its_charge),
        cmocka_unit_test(no_reading_is_spread_beyond_the_supply),
        cmocka_unit_test(what_comes_to_no_rest_is_not_predicted),
        cmocka_unit_test(an_open_output_slams_through_its_stray),
        cmocka_unit_test(settled_parts_follow_the_exact_density),
        cmocka_unit_test(a_value_reaches_a_look_by_its_spread),
        cmocka_unit_test(readings_of_a_fault_name_it),
        cmocka_unit_test(a_clipped_step_leaves_the_value_to_the_others),
        cmocka_unit_test(two_unknowns_are_found_together),
        cmocka_unit_test(a_stage_behind_a_stuck_one_may_follow_it),
        cmocka_unit_test(a_marked_value_has_its_tolerance),
        cmocka_unit_test(a_good_unit_is_healthy),
        cmocka_unit_test(a_level_that_stays_put_shows_a_load),
        cmocka_unit_test(a_stranger_is_not_given_a_name),
        cmocka_unit_test(the_next_reading_splits_what_is_left),
        cmocka_unit_test(nothing_read_is_undecided),
        cmocka_unit_test(a_rule_joins_the_list),
        cmocka_unit_test(a_study_says_what_the_steps_can_tell),
        cmocka_unit_test(diagnosing_runs_out_of_memory),
    };
    return cmocka_run_group_tests_name("diagnosis-board", tests, NULL, NULL);
}
