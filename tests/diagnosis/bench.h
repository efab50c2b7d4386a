/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * bench.h - comparisons made by hand for the tests of the rules: a healthy pair, with the facts of
 * a case written over it.
 */
#ifndef BENCH_H
#define BENCH_H

#include "check.h"

#include "coldjoint/diagnosis.h"

typedef struct bench {
    cj_measurement captures[2];
    cj_comparison comparison;
} bench;

/*
 * Facts, with blanks between them: FACT=VALUE, FACT=VALUE~U, FACT=WORD, FACT<BOUND, FACT>BOUND,
 * FACT=?REASON (not told; _ in the reason stands for a blank), FACT=VALUE@UNIT for another unit
 * than the fact's own. `match=WORD` sets the comparison's own answer (match where it is left out).
 * Scopes: first, second, stimulus, pair, first_path, second_path; the last two and stimulus take
 * captures == 2.
 */
void bench_set(bench *made, int captures, const char *facts);
void bench_free(bench *made);

/* The explained line of a rule; fails the test where there is none. */
const char *bench_line(const cj_findings *findings, const char *rule);
/* The finding that carries this rule's words, or NULL. */
const cj_finding *bench_finding(const cj_findings *findings, const char *rule);

/* Rules applied to facts, explained. */
cj_findings *bench_apply(const cj_rules *rules, int captures, const char *facts);

#endif
