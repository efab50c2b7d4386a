/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * failing.h - makes allocations of the library fail in a test, one after the other. Link with
 * failing_dep (tests/meson.build): malloc, calloc, realloc and free of the statically linked
 * library are wrapped, those of other libraries are not.
 */
#ifndef FAILING_H
#define FAILING_H

#include "coldjoint/base.h"

/* Does the whole of a task and frees what came of it; what it returns is the status of the task. */
typedef cj_status failing_job(void *user, cj_error *err);

/*
 * Runs the job with its first allocation failing, then its second, until it meets none that fails;
 * first with that one failing alone, then with all from it on. Asserts each time that the job
 * returns CJ_NOMEM with a message and that every block is given back, and that the last run is
 * CJ_OK. Returns the number of allocations of a whole run.
 */
long failing_each(const char *label, failing_job *job, void *user);

#endif
