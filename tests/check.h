/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * check.h - what every test program includes: cmocka, and assertions on double that cmocka 1.1.5
 * lacks (its own cast to float and let NaN pass).
 */
#ifndef CHECK_H
#define CHECK_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

static inline void check_close_at(const char *label, double got, double want, double tolerance,
                                  const char *file, int line)
{
    if (!(fabs(got - want) <= tolerance)) {
        print_error("%s: got %.17g, want %.17g within %.3g (off by %.3g)\n", label, got, want,
                    tolerance, got - want);
        _fail(file, line);
    }
}

/* Sanitizers look at memory, not at numbers, and cost a factor of ten: how many of so many seeded
 * trials there. */
#ifdef __SANITIZE_ADDRESS__
#define TRIALS_OF(count) ((count) < 20 ? 1 : (count) / 10)
#else
#define TRIALS_OF(count) (count)
#endif
#define SANITIZED (TRIALS_OF(100) < 100)
/* So many trials know a spread to 1/sqrt(2T) of it: three times that. */
#define SCATTER_OF(trials) (3 / sqrt(2.0 * (trials)))

/* |got - want| <= tolerance; a NaN never passes. label says which case of a table it was. */
#define check_close(label, got, want, tolerance)                                                   \
    check_close_at(label, got, want, tolerance, __FILE__, __LINE__)
/* relative */
#define check_ratio(label, got, want, relative)                                                    \
    check_close_at(label, got, want, fabs(want) * (relative), __FILE__, __LINE__)

static inline void check_text_at(const char *label, const char *got, const char *part,
                                 const char *file, int line)
{
    if (got == NULL || strstr(got, part) == NULL) {
        print_error("%s: \"%s\" does not hold \"%s\"\n", label, got ? got : "(null)", part);
        _fail(file, line);
    }
}

/* got contains part */
#define check_holds(label, got, part) check_text_at(label, got, part, __FILE__, __LINE__)

#endif
