/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests.h"

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_rule),
        cmocka_unit_test(test_angles),
        cmocka_unit_test(test_bounds),
        cmocka_unit_test(test_false_acceptance),
        cmocka_unit_test(test_global_risks),
        cmocka_unit_test(test_too_wide),
        cmocka_unit_test(test_rows),
        cmocka_unit_test(test_derived),
        cmocka_unit_test(test_derived_response),
        cmocka_unit_test(test_open_steps),
        cmocka_unit_test(test_unread),
        cmocka_unit_test(test_memory),
        cmocka_unit_test(test_wilson),
        cmocka_unit_test(test_capability),
        cmocka_unit_test(test_capability_coverage),
        cmocka_unit_test(test_individuals),
        cmocka_unit_test(test_grubbs),
        cmocka_unit_test(test_tolerance),
        cmocka_unit_test(test_distributions),
        cmocka_unit_test(test_angles_together),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
