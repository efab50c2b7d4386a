/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * cli.h - what the commands share: the request read from the arguments, and how an answer gets out.
 *
 * A command is a row of the table in main.c and one file. Its `take` stores one option of its own,
 * its `run` does the job and returns the exit status: 0 done, 1 a difference or a finding, 2
 * undecided, or a cj_status with err filled.
 */
#ifndef CLI_H
#define CLI_H

#include <popt.h>
#include <stdio.h>

#include "coldjoint/coldjoint.h"

/* Every option has a number from one of these ranges: they share one popt context. */
enum { OPTION_COMMON = 1, OPTION_COMMAND = 1000 };

enum { SIGNAL_TEXTS = 16 };

/* log: what stands behind each of its options */
enum log_text {
    LOG_UNIT,
    LOG_OPERATOR,
    LOG_NOTE,
    LOG_BOARD,
    LOG_VERDICT,
    LOG_SINCE,
    LOG_FAULT,
    LOG_TEXTS
};

struct request {
    const struct command *command;
    cj_capture_options capture; /* with what the instruments file says where no option does */
    cj_measure_options measure; /* .instruments points into this struct once options are read */
    cj_compare_options compare;
    double step_hz; /* the tone a step should have: looked for where none is found; 0: none */
    cj_instruments instruments;
    char *instruments_name; /* NULL: not given */
    char **rules_files;
    size_t rules_count, rules_capacity;
    char *output;                     /* -o; NULL: standard output */
    char *log_name;                   /* --log; NULL: not given */
    char *log_texts[LOG_TEXTS];       /* NULL: not given */
    bool keep, label, csv, voided;    /* of log */
    bool all;                         /* report --all */
    bool no_history;                  /* diagnose by the built-in priors alone */
    bool digests;                     /* of captures: JSON has them, and a log */
    char *stimulus_name, *match_name; /* --stimulus, --match; NULL: not given */
    cj_stimulus stimulus;             /* what chain_read makes of them; .measure points there */
    struct measured *match;
    double reads_v; /* scale --reads; 0: not given */
    char *folder;   /* plan --write; NULL: not given */
    char signal_texts[SIGNAL_TEXTS]
                     [64]; /* stimulus: what stands behind each option; "": not given */
    bool json, explain, quiet, help, version;
    const char **names; /* the captures, NULL at the end; owned by the popt context */
    int name_count;
};

struct command {
    const char *name;
    const char *arguments;            /* as in the help, "CAPTURE [CAPTURE]" */
    const char *does;                 /* one line, lower case */
    const char *words;                /* what its arguments can be, a line of help; NULL: none */
    const struct poptOption *options; /* its own; NULL: none */
    cj_status (*take)(struct request *request, int option, const char *text, cj_error *err);
    int (*run)(const struct request *request, cj_error *err);
};

extern const struct command command_measure, command_compare, command_scale, command_board,
    command_diagnose, command_plan, command_stimulus, command_log_add, command_log_list,
    command_log_show, command_log_void, command_log_repair, command_log_merge, command_log_export,
    command_log_stats, command_report;

/* ---- options.c ---- */

/* Reads everything behind the command's name. The popt context owns the names: free it last. */
cj_status options_read(struct request *request, int count, const char **arguments,
                       poptContext *context, cj_error *err);
/* The help of one command. */
cj_status options_help(const struct command *command, cj_text *out, cj_error *err);
void request_free(struct request *request);
/* Text to a number above zero; option is what errors call it. */
cj_status option_positive(const char *option, const char *text, const char *unit, double *value,
                          cj_error *err);
/* "A,B" to two numbers above zero. */
cj_status option_pair(const char *option, const char *text, const char *unit, double value[2],
                      cj_error *err);

/* ---- capture.c: a name becomes figures ---- */

struct measured {
    cj_capture *capture;
    cj_measurement *measurement;
    cj_digests digests; /* only filled for JSON */
};

/* index of count: which share of the progress bar is this capture's. */
cj_status measured_make(const struct request *request, const char *name, int index, int count,
                        struct measured *out, cj_error *err);
void measured_free(struct measured *measured);

/* ---- chain.c: the file that was played, the capture of both inputs on one point ---- */

/* Reads both where they are given. Called after the options are read, before the command runs. */
cj_status chain_read(struct request *request, cj_error *err);
void chain_free(struct request *request);

/* ---- evidence.c: what stands behind the board becomes what was seen of the unit ---- */

/* The built-in rules, and those of --rules on top. */
cj_status rules_load(const struct request *request, cj_rules **out, cj_error *err);

/* One capture of a step; kept until the answer is written, which borrows its units. */
struct seen {
    size_t step;
    char *name;
    struct measured measured;
    cj_findings *findings; /* what the rules make of it; NULL for one channel */
};

struct evidence {
    const cj_board *board;
    cj_observed *observed;
    struct seen *items;
    size_t count, capacity;
};

/* names: the evidence as given. Everything is looked up before anything is measured. */
cj_status evidence_read(const struct request *request, const cj_board *board,
                        const char *const *names, int count, struct evidence *out, cj_error *err);
void evidence_free(struct evidence *evidence);
/* What the evidence means. */
cj_status evidence_diagnose(const struct request *request, const struct evidence *evidence,
                            cj_diagnosis **out, cj_error *err);
/* Both, for a command whose names are BOARD EVIDENCE...; all three outputs are the caller's to
 * free. */
cj_status evidence_answer(const struct request *request, cj_board **board,
                          struct evidence *evidence, cj_diagnosis **diagnosis, cj_error *err);

/* ---- report_log.c: pages from the log ---- */

cj_status report_unit(const struct request *request, cj_error *err);
cj_status report_all(const struct request *request, cj_error *err);

/* ---- page.c: answers as a page ---- */

/* judgement may be NULL. */
cj_status page_of_evidence(const struct evidence *evidence, const cj_diagnosis *diagnosis,
                           const cj_judgement *judgement, cj_text *out, cj_error *err);
/* One capture or two; comparison and findings may be NULL. */
cj_status page_of_captures(const struct measured *measured, size_t count,
                           const cj_comparison *comparison, const cj_findings *findings,
                           cj_text *out, cj_error *err);

/* ---- folder.c: the captures in a unit's folder ---- */

/* Adds the captures of every step to the evidence, in the board's order. */
cj_status folder_read(const struct request *request, const char *folder, struct evidence *evidence,
                      cj_error *err);
cj_status evidence_add(struct evidence *evidence, size_t step, const char *name, cj_error *err);

/* ---- log.c: what the commands of the log share ---- */

/* The rows of their tables of options, and the function that takes all of them. */
#define LOG_TEXT_OPTION(name, which, help, argument)                                               \
    {                                                                                              \
        name, 0, POPT_ARG_STRING, NULL, OPTION_COMMAND + (which), help, argument                   \
    }
enum { OPTION_KEEP = OPTION_COMMAND + LOG_TEXTS, OPTION_LABEL, OPTION_CSV, OPTION_VOID };
cj_status log_take(struct request *request, int option, const char *text, cj_error *err);
/* The log of --log, else of the environment, else the user's own, whose folder is made where `mode`
 * makes logs. */
cj_status log_open(const struct request *request, cj_log_mode mode, cj_log **out, cj_error *err);
/* The name of that file. */
cj_status log_path(const struct request *request, cj_text *out, cj_error *err);
/* The repairs of a board's units, and the name of their log, where --log or $COLDJOINT_LOG says
 * which and --no-history does not stand; else none. */
cj_status log_history(const struct request *request, const char *board, cj_history *out,
                      cj_text *name, cj_error *err);

/* ---- board.c ---- */

/* Reads a board file. Of several errors all but the last go to standard error, the last to err. */
cj_status board_open(const char *path, cj_board **out, cj_error *err);
/* The same, with the text it was read from. */
cj_status board_open_text(const char *path, cj_board **out, cj_text *text, cj_error *err);
/* What went wrong with a board that was read, of which the error names no file. Returns status. */
cj_status board_blame(const char *path, cj_status status, cj_error *err);
/* The board's warnings, a line each, unless -q. */
void board_warn(const struct request *request, const cj_board *board);

/* ---- output.c ---- */

/* Writes the whole answer to standard output or to the file of -o, or fails and leaves the file as
 * it was. */
cj_status output_write(const struct request *request, const cj_text *answer, cj_error *err);
/* The same with an answer that was put into a file, which must not be empty. */
cj_status output_write_file(const struct request *request, FILE *file, cj_error *err);
/* The same to standard output whatever -o says. */
cj_status output_print(const cj_text *answer, cj_error *err);
/* Refuses a file of -o that is one of the captures, or a page. Called before any work is done. */
cj_status output_check(const struct request *request, cj_error *err);
/* -o asks for a page: .html */
bool output_is_page(const struct request *request);
/* Makes the folder where it is not there yet. */
cj_status output_folder(const char *folder, cj_error *err);
/* output_check for one more name: a capture found in a folder, or behind STEP=. */
cj_status output_check_name(const struct request *request, const char *name, cj_error *err);
/* Standard output is a terminal that may be coloured. */
bool output_coloured(const struct request *request);
/* One line to standard error. */
void complain(const cj_error *err);
/* One line to standard error unless -q. */
void remark(const struct request *request, const char *format, ...) CJ_PRINTF(2, 3);
/* What to set and capture again, to standard error where the answer itself is not read by a person.
 */
void advise(const struct request *request, const cj_measurement *measurement);

/* ---- progress.c: a bar on standard error, for work of more than a second on a terminal ---- */

struct progress {
    bool wanted, drawn;
    double began_s, drawn_s; /* monotonic clock */
    double from, share;      /* this capture's part of the whole */
};

struct progress progress_start(const struct request *request, int index, int count);
void progress_show(void *progress, double done); /* the callback of cj_measure_options */
void progress_clear(struct progress *progress);

#endif
