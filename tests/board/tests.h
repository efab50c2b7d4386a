/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOARD_TESTS_H
#define BOARD_TESTS_H

#include "check.h"
#include "coldjoint/board.h"

int run_read_tests(void);
int run_refusal_tests(void);
int run_hostile_tests(void);
int run_table_tests(void);
int run_value_tests(void);
int run_fault_tests(void);
int run_plan_tests(void);

/* A small board with one part of each kind; the tests change a line of it. */
extern const char small_board[];

/* The text with its first `find` replaced, to be freed; fails where it is not there. */
char *changed(const char *text, const char *find, const char *replacement);
/* Reads a text that has to be right. */
cj_board *read_good(const char *label, const char *text);

#endif
