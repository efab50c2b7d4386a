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
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
