/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * diagnosis.h - from figures to ranked findings: the rules, and with a board file what the board computes.
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
    double hz;       /* of a response: at this frequency; 0: the step's own figure */
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

/* Frees the findings and what their faults own. */
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

/* ---- with a board: what was seen ---- */

/* One reading of one step: a figure of the pair (of.net CJ_NO_NET) or of one net. */
typedef struct cj_observation {
    size_t step;
    char figure[24];     /* "gain_db", "dc_v", "resistance_ohm", ... as figures.h has them */
    cj_view of;
    double hz;           /* of a response: at this frequency; 0: the step's own figure */
    double value, u;     /* NaN where only a bound is known */
    cj_bound bound_kind;
    double bound;
    int times;           /* readings averaged so far */
    double own_u, scatter; /* kept for that: mean of their u; sum of squares about their mean */
} cj_observation;

/* A figure that a capture could not show. */
typedef struct cj_unread {
    size_t step;
    char figure[24];
    cj_view of;
    char why[160];
} cj_unread;

/* All that was seen of a unit. A reading given again (same step, figure, net) is averaged. */
typedef struct cj_observed {
    const cj_board *board;
    cj_observation *items;
    size_t count, capacity;
    cj_unread *unread;
    size_t unread_count, unread_capacity;
    char **files;        /* [steps of the board] the capture's name, NULL where there is none */
    bool *seen;          /* [steps of the board] anything was read */
} cj_observed;

CJ_API CJ_MUST_CHECK cj_status cj_observed_make(const cj_board *board, cj_observed **out, cj_error *err);
CJ_API void cj_observed_free(cj_observed *observed);
CJ_API CJ_MUST_CHECK cj_status cj_observed_add(cj_observed *observed, const cj_observation *reading,
                                               cj_error *err);
/* Every figure of a capture of that step: channel 1 and 2 are the nets in its `see`; file may be NULL. */
CJ_API CJ_MUST_CHECK cj_status cj_observed_add_measurement(cj_observed *observed, size_t step,
                                                           const cj_measurement *measurement,
                                                           const char *file, cj_error *err);
/* "STEP:FIGURE[@NET]=VALUE[~U]" as typed from a meter; u: 1 % plus half the last digit where left out. */
CJ_API CJ_MUST_CHECK cj_status cj_observed_add_typed(cj_observed *observed, const char *text, cj_error *err);
/* A CSV file with the header step,figure,net,value,u (u and net may be empty). */
CJ_API CJ_MUST_CHECK cj_status cj_observed_add_file(cj_observed *observed, const char *path, cj_error *err);
/* Whether a file is one: its first line is that header. */
CJ_API bool cj_observed_is_file(const char *path);

/* The step that was meant by a name which is none, NULL where no step's name is near it. */
CJ_API const char *cj_step_meant(const cj_board *board, const char *name);

/* ---- with a board: what it means ---- */

/* A figure with its key as in JSON: "gain_db", "dc_v@left_out". u is the standard uncertainty, or one sigma of
 * the spread from unit to unit where it is predicted. */
typedef struct cj_keyed_figure {
    char key[104];
    double value, u;      /* value NaN: not known, or only a bound */
    cj_bound bound_kind;
    double bound;
    const char *unit;     /* static */
    const char *word;     /* static; a figure that is a word (polarity), else NULL */
    double hz;            /* of a response: at this frequency; 0: the step's own figure */
} cj_keyed_figure;

/* A figure that the captures of a step could not show. */
typedef struct cj_keyed_reason {
    char key[104];
    char why[160];
} cj_keyed_reason;

typedef struct cj_step_figures {
    size_t step;
    cj_keyed_figure *measured, *predicted; /* predicted: healthy */
    size_t measured_count, predicted_count;
    /* gain_db and phase_deg at each frequency that the step is computed at, where these are several */
    cj_keyed_figure *response, *predicted_response;
    size_t response_count, predicted_response_count;
    cj_keyed_reason *unread;
    size_t unread_count;
} cj_step_figures;

CJ_API void cj_step_figures_free(cj_step_figures *steps, size_t count);

/* What a further reading would show if this were the fault. */
typedef struct cj_expectation {
    cj_fault fault;       /* kind CJ_FAULT_OUTSIDE with an empty role: healthy */
    bool healthy;
    cj_keyed_figure *reads;
    size_t read_count;
} cj_expectation;

typedef struct cj_next {
    bool probe;           /* false: capture this step; true: touch `look` with the second probe during it */
    size_t step;
    cj_view look;
    double bits;          /* expected information about what is wrong */
    cj_expectation *expect;
    size_t expect_count;
} cj_next;

typedef enum cj_state { CJ_STATE_HEALTHY, CJ_STATE_FAULT, CJ_STATE_UNDECIDED } cj_state;

typedef struct cj_diagnosis {
    const cj_board *board;
    cj_step_figures *steps; /* those seen, in the board's order */
    size_t step_count;
    cj_state state;
    double healthy;         /* probability that nothing is wrong */
    char why[200];          /* one clause: what the verdict rests on */
    cj_findings *findings;  /* best first; ->unexplained as the contract has it */
    cj_next *next;          /* most bits first */
    size_t next_count;
    size_t *open_steps;     /* steps with nothing read */
    size_t open_count;
    cj_lines notes;         /* readings that could not be used, and why */
    double repairs;         /* that weigh in the faults' priors; 0: the built-in ones alone */
    char *repairs_from;     /* the log's name; NULL: not said */
} cj_diagnosis;

/* What the rules found in the capture of one step. */
typedef struct cj_step_rules {
    size_t step;
    const cj_findings *findings;
} cj_step_rules;

/* A fault that was found on units of this board before, and how often. */
typedef struct cj_confirmed {
    cj_fault fault; /* what it leaves out (a pin, a rail) is not known */
    double times;
} cj_confirmed;

/*
 * What was repaired before makes the same likelier: the priors of kinds, of parts and of places on a part are Dirichlet
 * counts, to which the built-in shares are worth CJ_HISTORY_UNITS repairs at each of the three levels.
 */
typedef struct cj_history {
    cj_confirmed *items;
    size_t count;
    const char *from; /* the log's name, for the answer; may be NULL */
} cj_history;

enum { CJ_HISTORY_UNITS = 10 };

/* Frees the items and what they own. */
CJ_API void cj_history_free(cj_history *history);

typedef struct cj_diagnose_options {
    const cj_step_rules *rules;
    size_t rule_count;
    bool explain;
    const cj_history *history; /* NULL: none */
} cj_diagnose_options;

/* Ranks every single fault of the board (and pairs where none explains what was seen). options may be NULL. */
CJ_API CJ_MUST_CHECK cj_status cj_diagnose(const cj_board *board, const cj_observed *observed,
                                           const cj_diagnose_options *options, cj_diagnosis **out,
                                           cj_error *err);
CJ_API void cj_diagnosis_free(cj_diagnosis *diagnosis);

/* What a good unit reads at every step, and what its steps can and cannot tell. */
typedef struct cj_fault_group {
    cj_fault *faults;
    size_t count;
} cj_fault_group;

typedef struct cj_study {
    const cj_board *board;
    cj_step_figures *steps;   /* every step; `predicted` with its spread */
    size_t step_count;
    size_t fault_count;
    cj_fault_group *groups;   /* of two or more faults that the steps cannot tell apart */
    size_t group_count;
    bool too_large;           /* so many op-amps that the faults were not compared: no groups, rank, unseen */
    size_t parts, rank;       /* parts with a value; how many combinations of them the steps determine */
    cj_fault_group unseen;    /* faults that would pass every limit */
    size_t *undecidable;      /* limits narrower than the instruments, indices into the board's limits */
    size_t undecidable_count;
} cj_study;

/* instruments may be NULL: those of an oscilloscope without an instruments file. */
CJ_API CJ_MUST_CHECK cj_status cj_study_make(const cj_board *board, const cj_instruments *instruments,
                                             cj_study **out, cj_error *err);
/* The same with `steps` alone: nothing is said of faults and limits. */
CJ_API CJ_MUST_CHECK cj_status cj_study_healthy(const cj_board *board, cj_study **out, cj_error *err);
CJ_API void cj_study_free(cj_study *study);

/* ---- the bench sheet ---- */

typedef struct cj_plan_options {
    double full_scale_v; /* volts peak the player puts out at digital full scale; 0: chosen, for the user to set */
    double rate_hz;      /* of the files; 0: as cj_step_stimulus has it */
    const char *ending;  /* ".wav", ".flac", ".aiff"; NULL: ".wav" */
} cj_plan_options;

typedef struct cj_plan_item {
    size_t step;          /* index into the board's steps */
    bool plays;           /* there is a file to play */
    cj_stimulus stimulus; /* in volts; only where it plays */
    char file[64];        /* "play-STEP.wav"; "" where nothing is played */
    char why[256];        /* why a driven step has no file; else "" */
} cj_plan_item;

typedef struct cj_plan {
    const cj_board *board;
    cj_study *healthy;   /* what a good unit reads in each step, in the board's order */
    cj_plan_item *items; /* every step, in the order of cj_board_order */
    size_t count;
    double full_scale_v; /* of all files; 0: nothing is played */
    bool full_scale_given;
    const cj_plan_item *setter; /* the tone to set the player's level with; NULL: none */
} cj_plan;

/* The board must outlive the plan. options may be NULL. CJ_USAGE: a step's peak is above the given full scale. Else as
 * cj_study_healthy. */
CJ_API CJ_MUST_CHECK cj_status cj_plan_make(const cj_board *board, const cj_plan_options *options, cj_plan **out,
                                            cj_error *err);
CJ_API void cj_plan_free(cj_plan *plan);

#ifdef __cplusplus
}
#endif
#endif
