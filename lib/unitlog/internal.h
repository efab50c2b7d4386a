/* SPDX-License-Identifier: GPL-3.0-or-later */
/* unitlog/internal.h - what the files of this room share. */
#ifndef COLDJOINT_UNITLOG_INTERNAL_H
#define COLDJOINT_UNITLOG_INTERNAL_H

#include <sqlite3.h>

#include "coldjoint/unitlog.h"

enum { CJ__QUERIES = 64, CJ__UUID_BYTES = 16, CJ__SHA_BYTES = 32 };

/* A statement is made once and kept: it is known by the address of its text, which is a literal. */
struct cj__query {
    const char *sql;
    sqlite3_stmt *statement;
};

struct cj_log {
    sqlite3 *db;
    char *path;
    int patience_ms, waited_ms;
    struct cj__query queries[CJ__QUERIES];
    int query_count;
};

/* ---- sql.c ---- */

/* What SQLite says, as a status and a line that helps. */
cj_status cj__log_fail(const cj_log *log, int code, cj_error *err);

/*
 * The statement of that text (a literal), bound: one letter of `types` for each value that follows:
 * i int64_t, r double (NaN is NULL), t const char * (NULL is NULL), b const void * with its int
 * length. Text and bytes must stay until the statement is done.
 */
CJ_MUST_CHECK cj_status cj__sql_ask(cj_log *log, sqlite3_stmt **out, cj_error *err, const char *sql,
                                    const char *types, ...);
/* The next row; where there is none, or on an error, the statement is given back and *row false. */
CJ_MUST_CHECK cj_status cj__sql_next(cj_log *log, sqlite3_stmt *statement, bool *row,
                                     cj_error *err);
/* Gives a statement back before its last row. */
void cj__sql_done(sqlite3_stmt *statement);
/* A statement without an answer, bound as above. */
CJ_MUST_CHECK cj_status cj__sql_do(cj_log *log, cj_error *err, const char *sql, const char *types,
                                   ...);
/* Several statements without values. */
CJ_MUST_CHECK cj_status cj__sql_all(cj_log *log, const char *sql, cj_error *err);
/* The first column of the first row as a number, -1 where there is no row. */
CJ_MUST_CHECK cj_status cj__sql_number(cj_log *log, int64_t *out, cj_error *err, const char *sql,
                                       const char *types, ...);

/* A transaction that writes; others wait. cj__sql_end commits where status is CJ_OK, else takes all
 * back; returns status, or why it could not be committed. */
CJ_MUST_CHECK cj_status cj__sql_begin(cj_log *log, cj_error *err);
CJ_MUST_CHECK cj_status cj__sql_end(cj_log *log, cj_status status, cj_error *err);
/* A transaction that reads: one state of the log whatever others write. */
CJ_MUST_CHECK cj_status cj__sql_begin_reading(cj_log *log, cj_error *err);

/* Columns as copies; NULL becomes "" and NaN. CJ_NOMEM without a message. */
CJ_MUST_CHECK cj_status cj__take_text(sqlite3_stmt *statement, int column, char **out);
double cj__take_real(sqlite3_stmt *statement, int column);
void cj__take_uuid(sqlite3_stmt *statement, int column, char text[CJ_UUID_TEXT]);
/* Into a field of size bytes. */
void cj__take_field(sqlite3_stmt *statement, int column, char *out, size_t size);

/* ---- schema.c ---- */

/* Brings the file from `from` (0: empty) to CJ_LOG_VERSION, within the transaction of the caller.
 */
CJ_MUST_CHECK cj_status cj__schema_raise(cj_log *log, int from, cj_error *err);
enum { CJ__APPLICATION = 0x636a6c67 }; /* "cjlg" */

/* ---- pack.c ---- */

/* zlib's form (RFC 1950). */
CJ_MUST_CHECK cj_status cj__pack(const char *text, size_t length, unsigned char **out,
                                 size_t *count, cj_error *err);
/* A text that was packed; size is what it has to come to. The text is terminated. */
CJ_MUST_CHECK cj_status cj__unpack(const cj_log *log, const void *packed, size_t count, size_t size,
                                   char **out, cj_error *err);
void cj__sha256(const void *bytes, size_t count, unsigned char digest[CJ__SHA_BYTES]);
void cj__hex(const unsigned char *bytes, size_t count, char *text);
/* Lower-case digits; false: other than 2 * count digits. */
bool cj__unhex(const char *text, unsigned char *bytes, size_t count);
void cj__uuid_text(const unsigned char bytes[CJ__UUID_BYTES], char text[CJ_UUID_TEXT]);
bool cj__uuid_read(const char *text, unsigned char bytes[CJ__UUID_BYTES]);
/* A new random one where text is ""; CJ_DATA where it is none. */
CJ_MUST_CHECK cj_status cj__uuid_fill(char text[CJ_UUID_TEXT], unsigned char bytes[CJ__UUID_BYTES],
                                      cj_error *err);
/* Now, where text is "". */
CJ_MUST_CHECK cj_status cj__time_fill(char text[CJ_TIME_TEXT], cj_error *err);

/* ---- check.c ---- */

/* Text of one line: UTF-8 without control characters, no longer than `longest` bytes. what: as
 * errors call it. */
CJ_MUST_CHECK cj_status cj__plain(const char *what, const char *text, size_t longest,
                                  cj_error *err);
/* A serial number: the same, and not empty. */
CJ_MUST_CHECK cj_status cj__serial(const char *text, cj_error *err);
/* A date, or a date and a time, or a beginning of them ("2026", "2026-11"). */
bool cj__is_date(const char *text);

/* ---- add.c ---- */

/* The rows of a run, within a transaction. head.after "": linked to the unit's last repair before
 * it. */
CJ_MUST_CHECK cj_status cj__run_insert(cj_log *log, cj_run *run, cj_error *err);
/* The id of a unit, made where there is none. */
CJ_MUST_CHECK cj_status cj__unit_id(cj_log *log, const char *board, const char *serial,
                                    int64_t *out, cj_error *err);

/* ---- show.c ---- */

/* The id of the one row of "runs" or "repairs" whose UUID begins so, -1: none, -2: several. */
CJ_MUST_CHECK cj_status cj__find(cj_log *log, bool run, const char *uuid, int64_t *out,
                                 cj_error *err);
CJ_MUST_CHECK cj_status cj__run_whole(cj_log *log, int64_t id, cj_run **out, cj_error *err);

/* ---- list.c ---- */

/* The columns of a head, in the order cj__take_head reads them; runs is r. */
#define CJ__HEAD_COLUMNS                                                                           \
    " r.uuid, r.at, u.serial, b.name, f.title, r.operator, r.verdict, w.step, w.key, r.margin,"    \
    " p.uuid, r.voided_at, r.void_note, r.note, y.fault, x.probability, r.id"
#define CJ__HEAD_TABLES                                                                            \
    " FROM runs r JOIN units u ON u.id = r.unit JOIN boards b ON b.id = u.board"                   \
    " JOIN board_files f ON f.id = r.board_file LEFT JOIN figures w ON w.id = r.worst"             \
    " LEFT JOIN repairs p ON p.id = r.after_repair"                                                \
    " LEFT JOIN run_faults x ON x.run = r.id AND x.place = 0 LEFT JOIN faults y ON y.id = x.fault"
enum { CJ__HEAD_ID = 16 };
CJ_MUST_CHECK cj_status cj__take_head(sqlite3_stmt *statement, cj_run_head *head);
/* cj_log_list within a transaction of the caller; with the id of each run. */
struct cj__heads {
    cj_run_head *items;
    int64_t *ids;
    size_t count, capacity, id_capacity;
};
CJ_MUST_CHECK cj_status cj__list(cj_log *log, const cj_log_filter *filter, struct cj__heads *out,
                                 cj_error *err);
void cj__heads_free(struct cj__heads *heads);
void cj__head_clear(cj_run_head *head);

/* ---- repair.c ---- */

CJ_MUST_CHECK cj_status cj__repair_insert(cj_log *log, cj_repair *repair, cj_error *err);

#endif
