/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef VERDICT_TESTS_H
#define VERDICT_TESTS_H

#include "check.h"

#include "coldjoint/verdict.h"

/* test_rule.c: one figure against its limits */
void test_rule(void **state);
void test_angles(void **state);
void test_bounds(void **state);
void test_false_acceptance(void **state);
void test_global_risks(void **state);
void test_too_wide(void **state);

/* test_unit.c: the limits of a board */
void test_rows(void **state);
void test_derived(void **state);
void test_derived_response(void **state);
void test_open_steps(void **state);
void test_unread(void **state);
void test_memory(void **state);

/* test_statistics.c */
void test_wilson(void **state);
void test_capability(void **state);
void test_capability_coverage(void **state);
void test_individuals(void **state);
void test_grubbs(void **state);
void test_tolerance(void **state);
void test_distributions(void **state);
void test_angles_together(void **state);

#endif
