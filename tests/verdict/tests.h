/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef VERDICT_TESTS_H
#define VERDICT_TESTS_H

#include "check.h"

#include "coldjoint/verdict.h"

/* rule.c: one figure against its limits */
void test_rule(void **state);
void test_angles(void **state);
void test_bounds(void **state);
void test_false_acceptance(void **state);
void test_global_risks(void **state);
void test_too_wide(void **state);

/* unit.c: the limits of a board */
void test_rows(void **state);
void test_derived(void **state);
void test_derived_response(void **state);
void test_open_steps(void **state);
void test_unread(void **state);
void test_memory(void **state);

#endif
