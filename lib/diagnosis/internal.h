/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * internal.h - the rules from inside: facts, conditions, rules.
 *
 * A *fact* is SCOPE.NAME: a figure as the capture has it, or one derived here where a rule needs a
 * ratio. A *condition* is what a rule asks of a fact. It is judged with the figure's uncertainty:
 * the probability that it holds, the figure taken as normal with its standard uncertainty. A figure
 * of which only a bound is known satisfies a condition when everything beyond the bound does; a
 * figure that could not be told leaves the condition untold, and the rule silent.
 */
#ifndef COLDJOINT_DIAGNOSIS_INTERNAL_H
#define COLDJOINT_DIAGNOSIS_INTERNAL_H

#include "base/yaml.h"
#include "coldjoint/diagnosis.h"

/* ---- facts (facts.c) ---- */

typedef enum cj__scope {
    CJ__FIRST,      /* channel figures of the first path */
    CJ__SECOND,     /* ... of the second */
    CJ__EITHER,     /* ... of the first or the second: one path for all such conditions of a rule */
    CJ__BOTH,       /* ... of the first and the second */
    CJ__STIMULUS,   /* two captures: channel 1 of the second */
    CJ__PAIR,       /* second path against first */
    CJ__FIRST_PATH, /* two captures: the first path against its own stimulus */
    CJ__SECOND_PATH, /* two captures: the second path against its own stimulus */
} cj__scope;

/* What a name stands for. Channel names go with the first five scopes, ratio names with the last
 * three, names of the comparison with `pair` only. */
typedef enum cj__group { CJ__CHANNEL, CJ__RATIO, CJ__COMPARISON } cj__group;

/* What a derived fact is made from. */
typedef struct cj__sight {
    const cj_comparison *comparison;
    const cj_figure_set *set; /* the channel's figures, or the pair's; never NULL */
} cj__sight;

typedef struct cj__quantity {
    const char *name, *unit;
    cj__group group;
    bool angle;               /* counted modulo 360 */
    bool whole;               /* a count: said without decimals */
    bool share;               /* of one: said in per cent */
    bool absolute;            /* compared with volts: no answer in another unit */
    const char *const *words; /* the words it can be (ends in NULL); NULL where it is a number */
    cj_figure (*derive)(const cj__sight *sight); /* NULL: a figure of the set by that name */
    const char *meaning;                         /* of what is derived here; else NULL */
} cj__quantity;

typedef struct cj__fact {
    cj__scope scope;
    const cj__quantity *what;
} cj__fact;

/* All quantities; the last has no name. */
extern const cj__quantity cj__quantities[];

/* Reads "second.dc_v". False: no such fact; hint then says what was meant or what would be right.
 */
bool cj__fact_read(const char *text, cj__fact *fact, char *hint, size_t size);
/* "second.dc_v" (path 0 or 1 in place of either and both, where it is not negative) */
void cj__fact_text(const cj__fact *fact, int path, char *text, size_t size);
/* The figure behind a fact; path (0 first, 1 second) is used for either and both. A figure the
 * captures do not have comes back with value NaN and a reason. */
cj_figure cj__fact_figure(const cj__fact *fact, const cj_comparison *comparison, int path);

/* ---- conditions (condition.c) ---- */

enum { CJ__WORDS_MOST = 6 };

typedef struct cj__condition {
    cj__fact fact;
    bool beyond;                       /* holds outside low..high instead of inside */
    double low, high;                  /* infinite where open */
    double near;                       /* the middle of `near:`, else NaN */
    const char *words[CJ__WORDS_MOST]; /* of the quantity's own list */
    size_t word_count;                 /* 0: a number */
} cj__condition;

cj_status cj__condition_read(const cj__yaml *yaml, const cj__yaml_node *node, cj__condition *out,
                             cj_error *err);
/* Probability that the condition holds for that figure; NaN where it could not be told, with the
 * reason. */
double cj__condition_judge(const cj__condition *condition, const cj_figure *figure, char *why,
                           size_t size);
/* "from -37.5 dB to -8.0 dB", "flipped or unclear" */
void cj__condition_text(const cj__condition *condition, cj_text *out);
/* The same as the expected (or healthy) reading of an evidence; side: the figure measured, for
 * `beyond`. */
cj_reading cj__condition_reading(const cj__condition *condition, double side);

/* ---- wording (say.c); a decimal point whatever the locale ---- */

/* A bare number with that many decimals. */
void cj__say_decimals(double value, int decimals, cj_text *out);

/* A number with its unit as a bench says it ("-19.1 dB", "12 mV", "0.11"). */
void cj__say_number(const cj__quantity *what, const char *unit, double value, cj_text *out);
/* A figure: its word, its number, "below ...", or "unknown". */
void cj__say_figure(const cj__quantity *what, const cj_figure *figure, cj_text *out);
/* Checks the {placeholders} of a sentence when it is read. */
cj_status cj__say_check(const cj__yaml *yaml, const cj__yaml_node *node, cj_error *err);
/* Fills them in; paths: bit 0 the first path, bit 1 the second. The first letter becomes a capital.
 */
char *cj__say(const char *sentence, const cj_comparison *comparison, unsigned paths);

/* ---- rules (rules_read.c) ---- */

enum { CJ__CONDITIONS_MOST = 16, CJ__ROLES_MOST = 8, CJ__RULES_MOST = 1000 };

typedef struct cj__rule {
    char name[48];
    long number; /* permanent; 0: none */
    cj__condition *when;
    size_t when_count;
    double weight;
    cj_lines roles, over; /* over: rules this one explains away */
    char *says, *check, *caution;
    bool board;
} cj__rule;

struct cj_rules {
    cj__rule *items;
    size_t count, capacity;
    cj__condition *healthy; /* what a good unit reads, for the evidence */
    size_t healthy_count, healthy_capacity;
    long *retired; /* numbers never given again */
    size_t retired_count, retired_capacity;
    double unexplained; /* weight of "none of these" */
};

cj_status cj__rules_new(cj_rules **out, cj_error *err); /* without any rule */

/* fixtures/rules/bench.yaml, embedded by the build */
extern const char cj__bench_rules[];
extern const size_t cj__bench_rules_length;

#endif
