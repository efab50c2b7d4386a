/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * The tables. Each version is what it adds to the one before; a new file goes through all of them,
 * so the way from every earlier version is the way every log was made.
 */
#include "unitlog/internal.h"

#include <stdio.h>

/* Names stand once each and rows hold their numbers: a run of twelve steps is some three hundred
 * figures. */
static const char version_1[] =
    "CREATE TABLE boards (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;"
    "CREATE TABLE board_files ("
    " id INTEGER PRIMARY KEY, board INTEGER NOT NULL REFERENCES boards (id), title TEXT NOT NULL,"
    " sha256 BLOB NOT NULL, bytes INTEGER NOT NULL, packed BLOB NOT NULL,"
    " UNIQUE (board, sha256)) STRICT;"
    "CREATE TABLE instruments ("
    " id INTEGER PRIMARY KEY, name TEXT NOT NULL, sha256 BLOB NOT NULL UNIQUE,"
    " bytes INTEGER NOT NULL, packed BLOB NOT NULL) STRICT;"
    "CREATE TABLE units ("
    " id INTEGER PRIMARY KEY, board INTEGER NOT NULL REFERENCES boards (id),"
    " serial TEXT NOT NULL, UNIQUE (serial, board)) STRICT;"
    /* one step's figure of one board: key is dc_v@left_out, hz 0 but within a response */
    "CREATE TABLE figures ("
    " id INTEGER PRIMARY KEY, board INTEGER NOT NULL REFERENCES boards (id), step TEXT NOT NULL,"
    " key TEXT NOT NULL, hz REAL NOT NULL, unit TEXT NOT NULL,"
    " UNIQUE (board, step, key, hz)) STRICT;"
    "CREATE TABLE limits ("
    " id INTEGER PRIMARY KEY, figure INTEGER NOT NULL REFERENCES figures (id), low REAL, high REAL,"
    " derived INTEGER NOT NULL) STRICT;"
    "CREATE INDEX limits_of ON limits (figure);"
    "CREATE TABLE repairs ("
    " id INTEGER PRIMARY KEY, uuid BLOB NOT NULL UNIQUE,"
    " unit INTEGER NOT NULL REFERENCES units (id), at TEXT NOT NULL, operator TEXT NOT NULL,"
    " fault TEXT NOT NULL, words TEXT NOT NULL, note TEXT NOT NULL,"
    " voided_at TEXT, void_note TEXT) STRICT;"
    "CREATE INDEX repairs_of ON repairs (unit, at);"
    /* verdict: 0 pass, 1 fail, 2 undecided */
    "CREATE TABLE runs ("
    " id INTEGER PRIMARY KEY, uuid BLOB NOT NULL UNIQUE,"
    " unit INTEGER NOT NULL REFERENCES units (id),"
    " board_file INTEGER NOT NULL REFERENCES board_files (id),"
    " instruments INTEGER REFERENCES instruments (id), at TEXT NOT NULL, operator TEXT NOT NULL,"
    " verdict INTEGER NOT NULL CHECK (verdict BETWEEN 0 AND 2),"
    " after_repair INTEGER REFERENCES repairs (id), note TEXT NOT NULL,"
    " voided_at TEXT, void_note TEXT) STRICT;"
    "CREATE INDEX runs_of ON runs (unit, at);"
    "CREATE TABLE run_figures ("
    " run INTEGER NOT NULL REFERENCES runs (id), figure INTEGER NOT NULL REFERENCES figures (id),"
    " value REAL, u REAL, PRIMARY KEY (run, figure)) STRICT, WITHOUT ROWID;"
    "CREATE TABLE run_bounds ("
    " run INTEGER NOT NULL REFERENCES runs (id), figure INTEGER NOT NULL REFERENCES figures (id),"
    " above INTEGER NOT NULL, bound REAL NOT NULL, PRIMARY KEY (run, figure)) STRICT, WITHOUT "
    "ROWID;"
    "CREATE TABLE run_limits ("
    " run INTEGER NOT NULL REFERENCES runs (id), lim INTEGER NOT NULL REFERENCES limits (id),"
    " value REAL, u REAL, verdict INTEGER NOT NULL, why TEXT,"
    " PRIMARY KEY (run, lim)) STRICT, WITHOUT ROWID;"
    "CREATE TABLE findings ("
    " run INTEGER PRIMARY KEY REFERENCES runs (id), bytes INTEGER NOT NULL,"
    " packed BLOB NOT NULL) STRICT;"
    "CREATE TABLE faults (id INTEGER PRIMARY KEY, fault TEXT NOT NULL UNIQUE) STRICT;"
    "CREATE TABLE run_faults ("
    " run INTEGER NOT NULL REFERENCES runs (id), place INTEGER NOT NULL, rank INTEGER NOT NULL,"
    " fault INTEGER NOT NULL REFERENCES faults (id), probability REAL,"
    " PRIMARY KEY (run, place)) STRICT, WITHOUT ROWID;"
    "CREATE INDEX run_faults_of ON run_faults (fault);"
    "CREATE TABLE captures ("
    " run INTEGER NOT NULL REFERENCES runs (id), place INTEGER NOT NULL, step TEXT NOT NULL,"
    " path TEXT NOT NULL, sha256 BLOB NOT NULL, bytes INTEGER NOT NULL,"
    " PRIMARY KEY (run, place)) STRICT, WITHOUT ROWID;";

/*
 * Limits in the order of the figure, so that one figure over a hundred thousand units is read in
 * one go; the worst margin beside each run, and room for the captures themselves.
 */
static const char version_2[] =
    "ALTER TABLE run_limits RENAME TO old_limits;"
    "CREATE TABLE run_limits ("
    " figure INTEGER NOT NULL REFERENCES figures (id), run INTEGER NOT NULL REFERENCES runs (id),"
    " lim INTEGER NOT NULL REFERENCES limits (id), value REAL, u REAL, verdict INTEGER NOT NULL,"
    " margin REAL, why TEXT, PRIMARY KEY (figure, run, lim)) STRICT, WITHOUT ROWID;"
    "INSERT INTO run_limits"
    " SELECT l.figure, o.run, o.lim, o.value, o.u, o.verdict,"
    /* min() of SQL gives NULL where one side is open */
    "  min(coalesce(o.value - l.low, l.high - o.value), coalesce(l.high - o.value, o.value - "
    "l.low))"
    "  / nullif(2 * o.u, 0), o.why"
    " FROM old_limits o JOIN limits l ON l.id = o.lim ORDER BY l.figure, o.run, o.lim;"
    "DROP TABLE old_limits;"
    "ALTER TABLE runs ADD COLUMN worst INTEGER REFERENCES figures (id);"
    "ALTER TABLE runs ADD COLUMN margin REAL;"
    "CREATE TEMP TABLE worst AS SELECT run, figure, min(margin) AS margin FROM run_limits"
    " WHERE margin IS NOT NULL GROUP BY run;"
    "UPDATE runs SET worst = w.figure, margin = w.margin FROM worst w WHERE w.run = runs.id;"
    "DROP TABLE worst;"
    "CREATE TABLE kept (sha256 BLOB PRIMARY KEY, bytes INTEGER NOT NULL, packed BLOB NOT NULL)"
    " STRICT;";

static const char *const versions[] = {version_1, version_2};
_Static_assert(sizeof versions / sizeof versions[0] == CJ_LOG_VERSION, "a step for each version");

cj_status cj__schema_raise(cj_log *log, int from, cj_error *err)
{
    char marks[96];
    cj_status status = CJ_OK;
    for (int i = from; status == CJ_OK && i < CJ_LOG_VERSION; i++)
        status = cj__sql_all(log, versions[i], err);
    snprintf(marks, sizeof marks, "PRAGMA user_version = %d; PRAGMA application_id = %d",
             CJ_LOG_VERSION, CJ__APPLICATION);
    return status == CJ_OK ? cj__sql_all(log, marks, err) : status;
}
