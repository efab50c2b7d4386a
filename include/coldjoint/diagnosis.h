/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * diagnosis.h - from figures to ranked findings: the rules.
 *
 * A rule is data (YAML): conditions on figures, the fault family it points at, one sentence of mechanism,
 * the next check. The built-in rules are fixtures/rules/bench.yaml, embedded in the library.
 */
#ifndef COLDJOINT_DIAGNOSIS_H
#define COLDJOINT_DIAGNOSIS_H

#include "coldjoint/base.h"
#include "coldjoint/board.h"
#include "coldjoint/figures.h"

#ifdef __cplusplus
extern "C" {
#endif

/* What a figure was, or was expected to be: a value, a range (low/high, infinite where open) or a word. */
typedef struct cj_reading {
    double value, u;  /* NaN where it is none */
    double low, high; /* NaN where it is none */
    char word[24];    /* "" where it is none */
    const char *unit; /* static or owned by the capture; may be NULL */
} cj_reading;

typedef struct cj_evidence {
    char step[48];   /* "" without a board */
    char figure[48]; /* "gain_db", "dc_v@left_out", or without a board "dc_v of the second path" */
    cj_reading measured, expected, healthy;
} cj_evidence;

typedef struct cj_finding {
    int rank;            /* from 1 */
    double probability;  /* 0..1 */
    cj_fault *faults;    /* alternatives these captures cannot tell apart */
    size_t fault_count;
    char *says;          /* one sentence: part, pin, mechanism */
    cj_evidence *evidence;
    size_t evidence_count;
    char *check;         /* the next thing to do */
    bool touches_board;  /* the check sends someone to the board: print the caution */
    char *caution;       /* a caution of its own (hearing), or NULL */
    const char *from;    /* static: "board" or "rules" */
    char rule[48];       /* the rule's name, "" from a board */
} cj_finding;

typedef struct cj_findings {
    cj_finding *items;
    size_t count, capacity;
    double unexplained;  /* probability that the cause is none of these */
    cj_lines explained;  /* with explain: why each rule fired or stayed silent, a line each */
} cj_findings;

CJ_API void cj_findings_free(cj_findings *findings);

typedef struct cj_rules cj_rules;

/* The built-in rules. Rules of further files are added by cj_rules_add; a rule of the same name replaces. */
CJ_API CJ_MUST_CHECK cj_status cj_rules_builtin(cj_rules **out, cj_error *err);
CJ_API CJ_MUST_CHECK cj_status cj_rules_add(cj_rules *rules, const char *path, cj_error *err);
/* The same from memory; name is what errors call it. */
CJ_API CJ_MUST_CHECK cj_status cj_rules_add_text(cj_rules *rules, const char *name, const char *text,
                                                 size_t length, cj_error *err);
CJ_API void cj_rules_free(cj_rules *rules);
CJ_API size_t cj_rules_count(const cj_rules *rules);

/* Evaluates the rules on a comparison (of one capture or of two). */
CJ_API CJ_MUST_CHECK cj_status cj_rules_apply(const cj_rules *rules, const cj_comparison *comparison,
                                              bool explain, cj_findings **out, cj_error *err);

#ifdef __cplusplus
}
#endif
#endif
