/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * unitlog.h - the record of every unit: runs, what was found, repairs (one SQLite file).
 *
 * A run is one time that a unit was measured, judged and diagnosed. It is written in one transaction and never
 * changed; a run that was a mistake is struck (void), not erased. A repair says what was actually found; the runs of
 * that unit after it are its retests. Runs and repairs carry a UUID (RFC 9562), so the logs of several benches merge.
 *
 * Times are UTC as ISO 8601 has them, "2026-11-28T12:55:06.123Z". A unit is a serial number of one board: two boards may
 * both have a 001. Several programs may use one file at a time, on one machine: a writer waits for its turn.
 *
 * A cj_log is for one thread at a time.
 *
 * Errors that every function here may give: CJ_BUSY (another program has been writing for as long as cj_log_patience
 * says), CJ_IO (disk full, reading or writing failed), CJ_CANTCREAT (read-only), CJ_DATA (damaged, no log, or of a newer
 * version), CJ_NOMEM. After any of them the log is as it was before the call.
 */
#ifndef COLDJOINT_UNITLOG_H
#define COLDJOINT_UNITLOG_H

#include "coldjoint/base.h"
#include "coldjoint/board.h"
#include "coldjoint/capture.h"
#include "coldjoint/diagnosis.h"
#include "coldjoint/figures.h"
#include "coldjoint/verdict.h"

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

enum {
    CJ_LOG_VERSION = 2,    /* of the file; older ones are brought up to it, newer ones refused */
    CJ_UUID_TEXT = 37,     /* "3f9c2a1b-....", lower case, with its terminator */
    CJ_TIME_TEXT = 25,     /* "2026-11-28T12:55:06.123Z", with its terminator */
    CJ_SERIAL_LONGEST = 200, /* bytes of a serial number or an operator's name */
    CJ_NOTE_LONGEST = 4000,  /* bytes of a note, and of a repair in words */
};

typedef struct cj_log cj_log;

typedef enum cj_log_mode {
    CJ_LOG_READ,   /* an older version is read from a copy, the file is left as it is */
    CJ_LOG_WRITE,  /* the file must be there */
    CJ_LOG_CREATE, /* made where there is none; its folder must be there */
} cj_log_mode;

/* CJ_NOINPUT: no such file. CJ_CANTCREAT: the file cannot be made, or not be written. */
CJ_API CJ_MUST_CHECK cj_status cj_log_open(const char *path, cj_log_mode mode, cj_log **out, cj_error *err);
CJ_API void cj_log_close(cj_log *log);
/* How long a call waits for other writers before it gives up with CJ_BUSY; 20 000 ms unless said. */
CJ_API void cj_log_patience(cj_log *log, int milliseconds);

/* ---- a run ---- */

/* What a list shows of a run. Text that was not given is "". */
typedef struct cj_run_head {
    char uuid[CJ_UUID_TEXT];
    char at[CJ_TIME_TEXT];
    char *unit, *board, *title;
    char *operator_name;
    cj_verdict verdict;
    char *worst_step, *worst_figure; /* the limit with the least room left, of those that could be judged */
    double margin;                   /* its margin (verdict.h); NaN: none was judged */
    char *fault;                     /* the first finding's first fault, as a command line has it */
    double probability;              /* of that finding; NaN: no finding */
    char after[CJ_UUID_TEXT];        /* the repair this is a retest of */
    bool voided;
    char voided_at[CJ_TIME_TEXT];
    char *void_note, *note;
} cj_run_head;

typedef struct cj_logged_figure {
    char *step, *key;       /* "in1-left", "dc_v@left_out" */
    char *unit;
    double hz;              /* of a response: at this frequency; 0: the step's own figure */
    double value, u;        /* value NaN: only a bound is known */
    cj_bound bound_kind;
    double bound;
} cj_logged_figure;

typedef struct cj_logged_fault {
    char *fault; /* as a command line has it */
    int rank;    /* of the finding */
    double probability;
} cj_logged_fault;

typedef struct cj_logged_capture {
    char *step, *path;    /* the path as it was, made absolute; "-" */
    char sha256[65];
    uint64_t bytes;       /* of the file */
    bool kept;            /* its bytes are in the log: cj_log_kept */
    unsigned char *packed; /* to be stored (zlib, RFC 1950); NULL in a run that was read */
    size_t packed_count;
} cj_logged_capture;

/* All of a run. Everything is owned by it. */
typedef struct cj_run {
    cj_run_head head;
    char *board_text;       /* the board file it was judged by */
    char board_sha256[65];
    char *instruments, *instruments_text; /* name and file; "" where none was given */
    cj_judged *limits;
    size_t limit_count;
    cj_logged_figure *figures;
    size_t figure_count;
    char *findings;         /* JSON, a list of FINDING */
    cj_logged_fault *faults; /* those findings' faults */
    size_t fault_count;
    cj_logged_capture *captures;
    size_t capture_count;
} cj_run;

/*
 * A run from what was measured, judged and diagnosed: figures, limits, verdict, worst margin and faults. findings is
 * their JSON. CJ_DATA: serial is empty, too long, no UTF-8 or holds control characters.
 */
CJ_API CJ_MUST_CHECK cj_status cj_run_make(const char *serial, const cj_judgement *judgement,
                                           const cj_observed *observed, const cj_diagnosis *diagnosis,
                                           const char *findings, cj_run **out, cj_error *err);
CJ_API void cj_run_free(cj_run *run);
/* Replaces one text of a run (operator_name, note, board_text, instruments, instruments_text). */
CJ_API CJ_MUST_CHECK cj_status cj_run_set(char **field, const char *text, cj_error *err);
/* The files of a step's capture, by digest and path; keep: with their bytes. */
CJ_API CJ_MUST_CHECK cj_status cj_run_add_capture(cj_run *run, const char *step, cj_capture *capture, bool keep,
                                                  cj_error *err);

/*
 * Records a run in one transaction. Fills uuid and at where they are empty, and links the run to the unit's last repair
 * where it has one. CJ_DATA: a text that is too long, no UTF-8 or holds control characters.
 */
CJ_API CJ_MUST_CHECK cj_status cj_log_add(cj_log *log, cj_run *run, cj_error *err);

/* ---- reading ---- */

/* Zero-initialised: every run that is not void. */
typedef struct cj_log_filter {
    const char *board, *unit; /* NULL: any */
    const char *fault;        /* the whole fault or its beginning up to a ":" or "=", of the first finding or of a repair
                                 of the unit: "open-pin", "open-pin:U1", "wrong-value:R22" */
    const char *since;        /* not before this date or time; a beginning of ISO 8601 */
    bool by_verdict;
    cj_verdict verdict;
    bool voided;              /* void runs too */
    bool latest;              /* of each unit the latest run alone */
} cj_log_filter;

/* Newest first. CJ_USAGE: since is no date. */
CJ_API CJ_MUST_CHECK cj_status cj_log_list(cj_log *log, const cj_log_filter *filter, cj_run_head **out, size_t *count,
                                           cj_error *err);
CJ_API void cj_run_heads_free(cj_run_head *heads, size_t count);

/* uuid: whole, or its first digits (four at least) where only one run begins with them. CJ_USAGE: none, or several. */
CJ_API CJ_MUST_CHECK cj_status cj_log_run(cj_log *log, const char *uuid, cj_run **out, cj_error *err);

/* The bytes of a capture that is kept, checked against its digest. The caller frees them. CJ_NOINPUT: not kept. */
CJ_API CJ_MUST_CHECK cj_status cj_log_kept(cj_log *log, const char *sha256, unsigned char **bytes, size_t *count,
                                           cj_error *err);

/* A board of which units are logged. */
typedef struct cj_logged_board {
    char *name, *title;  /* the title of the latest file */
    size_t units, runs;  /* runs that are not void */
} cj_logged_board;

CJ_API CJ_MUST_CHECK cj_status cj_log_boards(cj_log *log, cj_logged_board **out, size_t *count, cj_error *err);
CJ_API void cj_logged_boards_free(cj_logged_board *boards, size_t count);

/*
 * The one board a serial number belongs to, where `board` is NULL; else checks that it has that unit. The caller frees
 * *out. CJ_USAGE: no such unit, or units of several boards, which the message names.
 */
CJ_API CJ_MUST_CHECK cj_status cj_log_board_of(cj_log *log, const char *serial, const char *board, char **out,
                                               cj_error *err);

/* ---- repairs, and what was a mistake ---- */

typedef struct cj_repair {
    char uuid[CJ_UUID_TEXT];
    char at[CJ_TIME_TEXT];
    char *unit, *board;
    char *fault;         /* as a command line has it; "" where it was said in words */
    char *words;         /* what was found, in words; "" where it is a fault */
    char *operator_name, *note;
    bool voided;
    char voided_at[CJ_TIME_TEXT];
    char *void_note;
    bool retested;       /* a later run that is not void */
    char retest[CJ_UUID_TEXT]; /* the latest of them */
    cj_verdict retest_verdict;
} cj_repair;

/* Records what was found. unit and board must be set, and fault or words. Fills uuid and at where they are empty. CJ_USAGE:
 * no such unit. */
CJ_API CJ_MUST_CHECK cj_status cj_log_repair(cj_log *log, cj_repair *repair, cj_error *err);
/* Oldest first; board and unit may be NULL: any. Void ones are among them. */
CJ_API CJ_MUST_CHECK cj_status cj_log_repairs(cj_log *log, const char *board, const char *unit, cj_repair **out,
                                              size_t *count, cj_error *err);
CJ_API void cj_repairs_free(cj_repair *repairs, size_t count);

/* The faults repaired on a board's units, counted: all that are not void, and after which the unit did not fail again. Free
 * with cj_history_free. */
CJ_API CJ_MUST_CHECK cj_status cj_log_history(cj_log *log, const char *board, cj_history *out, cj_error *err);

/* Strikes a run or a repair (uuid as for cj_log_run); whole takes its UUID, *is_run says which it was. note may be NULL.
 * CJ_USAGE: there is none, several, or it is void already. */
CJ_API CJ_MUST_CHECK cj_status cj_log_void(cj_log *log, const char *uuid, const char *note, char whole[CJ_UUID_TEXT],
                                           bool *is_run, cj_error *err);

/* ---- two logs become one ---- */

typedef struct cj_merged {
    size_t runs, repairs, voids; /* taken in, the last: struck here because they are struck there */
    size_t known;                /* runs and repairs that were here already */
} cj_merged;

/* Takes in all runs and repairs of the other log that are not in this one, in one transaction; again: nothing. */
CJ_API CJ_MUST_CHECK cj_status cj_log_merge(cj_log *log, cj_log *other, cj_merged *out, cj_error *err);

/* ---- all units of a board, for statistics ---- */

/* One figure over the runs of a batch. */
typedef struct cj_logged_values {
    char *step, *key, *unit;
    double hz;
    bool limited, derived; /* there is a limit; it comes from the tolerances */
    double min, max;       /* of the latest run that had one; NaN: open */
    double *values;        /* [runs of the batch], NaN where it was not measured */
} cj_logged_values;

typedef struct cj_batch_log {
    cj_run_head *runs; /* oldest first */
    size_t run_count;
    cj_logged_values *figures;
    size_t figure_count;
} cj_batch_log;

typedef struct cj_batch_choice {
    const char *board;
    bool all_runs;    /* not only the latest of each unit that is not void */
    bool all_figures; /* not only those that have limits: slow in a large log */
} cj_batch_choice;

CJ_API CJ_MUST_CHECK cj_status cj_log_batch(cj_log *log, const cj_batch_choice *choice, cj_batch_log **out,
                                            cj_error *err);
CJ_API void cj_batch_log_free(cj_batch_log *batch);

/* A point of an individuals chart that is out of control. */
typedef struct cj_out_point {
    size_t run;
    unsigned char why; /* a set of cj_out */
} cj_out_point;

enum { CJ_OUTLIERS = 2 };

/* One figure of a batch. Angles are within 180 degrees of their mean, their limits with them. */
typedef struct cj_figure_stats {
    const cj_logged_values *logged; /* step, key, unit, hz; of the batch log */
    double min, max;        /* NaN: open */
    size_t missing;         /* runs in which it was not measured */
    cj_summary summary;
    cj_capability capable;
    cj_chart chart;
    cj_interval tolerance;  /* holds 99 % of all units with 95 % confidence, the figure being normal */
    cj_out_point *out;
    size_t out_count;
    size_t outliers[CJ_OUTLIERS]; /* runs, by Grubbs' test at 95 %, once more without the first */
    size_t outlier_count;
} cj_figure_stats;

/* A fault at its place (a wrong value whatever the value), and how often. */
typedef struct cj_fault_count {
    char *fault;      /* as a command line has it */
    size_t confirmed; /* repairs */
    size_t suspected; /* units whose latest run did not pass and names it first */
} cj_fault_count;

/* A limit proposed from good units. */
typedef struct cj_proposed {
    const cj_logged_values *logged;
    double min, max; /* NaN: open */
    size_t count;    /* good units it rests on */
} cj_proposed;

enum { CJ_PROPOSE_LEAST = 5 }; /* good units that a proposal needs */

/* The latest runs of a board's units together. */
typedef struct cj_batch {
    char *board;
    cj_batch_log *log; /* its runs, oldest first, and values */
    size_t passed, failed, undecided;
    cj_interval yield; /* of passed out of all, 95 % */
    cj_figure_stats *figures; /* those that have limits; of a board without limits all */
    size_t figure_count;
    cj_fault_count *faults; /* commonest first */
    size_t fault_count;
    size_t good;            /* units that neither failed nor have a fault that is likelier than not */
    cj_proposed *proposed;  /* where the board has no limits */
    size_t proposed_count;
} cj_batch;

/*
 * Proposed are limits on gain, phase and DC (two-sided), on distortion, noise and hum (upper), and on the corners of a
 * response: the normal tolerance interval of good units (99 % of all units, 95 % confidence), rounded outward. They are of
 * values as measured: a unit passes them only inside by its own expanded uncertainty. CJ_USAGE: no unit of that board.
 */
CJ_API CJ_MUST_CHECK cj_status cj_batch_make(cj_log *log, const char *board, cj_batch **out, cj_error *err);
CJ_API void cj_batch_free(cj_batch *batch);

#ifdef __cplusplus
}
#endif
#endif
