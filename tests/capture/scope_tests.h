/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef SCOPE_TESTS_H
#define SCOPE_TESTS_H

#include "capture/scope.h"

/* The file read into memory and from there as scope CSV; NULL where that is refused. */
cj__scope *read_scope(const char *path, const cj_capture_options *options, cj_error *error);
/* The same of text in memory. */
cj__scope *read_scope_text(const char *text, size_t length, cj_error *error);

void test_shared_captures(void **state); /* scope_captures.c */
void test_numbers_table(void **state);   /* scope_numbers.c */
void test_numbers_random(void **state);
void test_hostile(void **state); /* scope_hostile.c */

#endif
