/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tests.h - what the files of this program share: a folder, and logs in it. */
#ifndef UNITLOG_TESTS_H
#define UNITLOG_TESTS_H

#include "check.h"
#include "made.h"

/* For group set-up and tear-down: makes a folder, and removes it with its files. */
int folder_begin(void **state);
int folder_end(void **state);
/* The path of a name in it; valid for the next eight calls. */
const char *path_of(const char *name);
void write_bytes(const char *path, const void *bytes, size_t count);

/* Opens (asserting). */
cj_log *open_log(const char *name, cj_log_mode mode);
/* Adds the run of made.h of that number (asserting) and returns its UUID, valid for the next eight
 * calls. */
const char *add_made(cj_log *log, int number);
extern const made_size small;
/* PRAGMA integrity_check and foreign_key_check of a file, by a connection of its own. */
void check_whole(const char *path);
/* How many rows a statement of a file gives, as its first column. */
long number_in(const char *path, const char *sql);

int run_log_tests(void);
int run_file_tests(void);
int run_full_disk_tests(void);
int run_memory_tests(void);

#endif
