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

#include "coldjoint/coldjoint.h"

/* Every option has a number from one of these ranges: they share one popt context. */
enum { OPTION_COMMON = 1, OPTION_COMMAND = 1000 };

struct request {
    const struct command *command;
    cj_capture_options capture; /* with what the instruments file says where no option does */
    cj_measure_options measure; /* .instruments points into this struct once options are read */
    cj_compare_options compare;
    cj_instruments instruments;
    bool instruments_given;
    char **rules_files;
    size_t rules_count, rules_capacity;
    char *output;   /* -o; NULL: standard output */
    double reads_v; /* scale --reads; 0: not given */
    bool json, explain, quiet, help, version;
    const char **names; /* the captures, NULL at the end; owned by the popt context */
    int name_count;
};

struct command {
    const char *name;
    const char *arguments;            /* as in the help, "CAPTURE [CAPTURE]" */
    const char *does;                 /* one line, lower case */
    const struct poptOption *options; /* its own; NULL: none */
    cj_status (*take)(struct request *request, int option, const char *text, cj_error *err);
    int (*run)(const struct request *request, cj_error *err);
};

extern const struct command command_measure, command_compare, command_scale;

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

/* ---- output.c ---- */

/* Writes the whole answer to standard output or to the file of -o, or fails and leaves the file as
 * it was. */
cj_status output_write(const struct request *request, const cj_text *answer, cj_error *err);
/* The same to standard output whatever -o says. */
cj_status output_print(const cj_text *answer, cj_error *err);
/* Refuses a file of -o that is one of the captures, or a page. Called before any work is done. */
cj_status output_check(const struct request *request, cj_error *err);
/* Standard output is a terminal that may be coloured. */
bool output_coloured(const struct request *request);
/* One line to standard error. */
void complain(const cj_error *err);
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
