/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Writing a run. Every name gets its number first; all of it is one transaction. */
#include "unitlog/internal.h"

#include <math.h>
#include <string.h>

static int64_t new_id(const cj_log *log)
{
    return sqlite3_last_insert_rowid(log->db);
}

/* ---- names ---- */

static cj_status board_id(cj_log *log, const char *name, int64_t *out, cj_error *err)
{
    cj_status status =
        cj__sql_number(log, out, err, "SELECT id FROM boards WHERE name = ?", "t", name);
    if (status != CJ_OK || *out >= 0)
        return status;
    status = cj__sql_do(log, err, "INSERT INTO boards (name) VALUES (?)", "t", name);
    *out = new_id(log);
    return status;
}

static cj_status unit_id(cj_log *log, int64_t board, const char *serial, int64_t *out,
                         cj_error *err)
{
    cj_status status = cj__sql_number(
        log, out, err, "SELECT id FROM units WHERE serial = ? AND board = ?", "ti", serial, board);
    if (status != CJ_OK || *out >= 0)
        return status;
    status = cj__sql_do(log, err, "INSERT INTO units (serial, board) VALUES (?, ?)", "ti", serial,
                        board);
    *out = new_id(log);
    return status;
}

cj_status cj__unit_id(cj_log *log, const char *board, const char *serial, int64_t *out,
                      cj_error *err)
{
    int64_t id = 0;
    cj_status status = board_id(log, board, &id, err);
    return status == CJ_OK ? unit_id(log, id, serial, out, err) : status;
}

static cj_status file_id(cj_log *log, int64_t board, const cj_run *run, int64_t *out, cj_error *err)
{
    unsigned char digest[CJ__SHA_BYTES], *packed = NULL;
    size_t length = strlen(run->board_text), count = 0;
    cj__sha256(run->board_text, length, digest);
    cj_status status =
        cj__sql_number(log, out, err, "SELECT id FROM board_files WHERE board = ? AND sha256 = ?",
                       "ib", board, digest, CJ__SHA_BYTES);
    if (status != CJ_OK || *out >= 0)
        return status;
    status = cj__pack(run->board_text, length, &packed, &count, err);
    if (status == CJ_OK)
        status = cj__sql_do(log, err,
                            "INSERT INTO board_files (board, title, sha256, bytes, packed)"
                            " VALUES (?, ?, ?, ?, ?)",
                            "itbib", board, run->head.title, digest, CJ__SHA_BYTES, (int64_t)length,
                            packed, (int)count);
    *out = new_id(log);
    cj_free(packed);
    return status;
}

/* -1: none were given */
static cj_status instruments_id(cj_log *log, const cj_run *run, int64_t *out, cj_error *err)
{
    unsigned char digest[CJ__SHA_BYTES], *packed = NULL;
    size_t length = strlen(run->instruments_text), count = 0;
    *out = -1;
    if (length == 0)
        return CJ_OK;
    cj__sha256(run->instruments_text, length, digest);
    cj_status status = cj__sql_number(log, out, err, "SELECT id FROM instruments WHERE sha256 = ?",
                                      "b", digest, CJ__SHA_BYTES);
    if (status != CJ_OK || *out >= 0)
        return status;
    status = cj__pack(run->instruments_text, length, &packed, &count, err);
    if (status == CJ_OK)
        status = cj__sql_do(
            log, err, "INSERT INTO instruments (name, sha256, bytes, packed) VALUES (?, ?, ?, ?)",
            "tbib", run->instruments, digest, CJ__SHA_BYTES, (int64_t)length, packed, (int)count);
    *out = new_id(log);
    cj_free(packed);
    return status;
}

struct place {
    int64_t board, run;
};

static cj_status figure_id(cj_log *log, const struct place *at, const cj_logged_figure *figure,
                           int64_t *out, cj_error *err)
{
    double hz = figure->hz > 0 ? figure->hz : 0;
    cj_status status = cj__sql_number(
        log, out, err, "SELECT id FROM figures WHERE board = ? AND step = ? AND key = ? AND hz = ?",
        "ittr", at->board, figure->step, figure->key, hz);
    if (status != CJ_OK || *out >= 0)
        return status;
    status = cj__sql_do(log, err,
                        "INSERT INTO figures (board, step, key, hz, unit) VALUES (?, ?, ?, ?, ?)",
                        "ittrt", at->board, figure->step, figure->key, hz,
                        figure->unit != NULL ? figure->unit : "?");
    *out = new_id(log);
    return status;
}

static cj_status fault_id(cj_log *log, const char *fault, int64_t *out, cj_error *err)
{
    cj_status status =
        cj__sql_number(log, out, err, "SELECT id FROM faults WHERE fault = ?", "t", fault);
    if (status != CJ_OK || *out >= 0)
        return status;
    status = cj__sql_do(log, err, "INSERT INTO faults (fault) VALUES (?)", "t", fault);
    *out = new_id(log);
    return status;
}

/* ---- the parts of a run ---- */

static double finite_or_nan(double value)
{
    return isfinite(value) ? value : NAN;
}

static cj_status add_figures(cj_log *log, const struct place *at, const cj_run *run, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < run->figure_count; i++) {
        const cj_logged_figure *figure = &run->figures[i];
        int64_t id = 0;
        status = figure_id(log, at, figure, &id, err);
        if (status == CJ_OK)
            status = cj__sql_do(log, err,
                                "INSERT OR REPLACE INTO run_figures (run, figure, value, u)"
                                " VALUES (?, ?, ?, ?)",
                                "iirr", at->run, id, finite_or_nan(figure->value),
                                finite_or_nan(figure->u));
        if (status == CJ_OK && figure->bound_kind != CJ_BOUND_NONE && isfinite(figure->bound))
            status = cj__sql_do(log, err,
                                "INSERT OR REPLACE INTO run_bounds (run, figure, above, bound)"
                                " VALUES (?, ?, ?, ?)",
                                "iiir", at->run, id, (int64_t)(figure->bound_kind == CJ_ABOVE),
                                figure->bound);
    }
    return status;
}

static cj_status limit_id(cj_log *log, int64_t figure, const cj_judged *limit, int64_t *out,
                          cj_error *err)
{
    double low = finite_or_nan(limit->min), high = finite_or_nan(limit->max);
    cj_status status = cj__sql_number(log, out, err,
                                      "SELECT id FROM limits WHERE figure = ? AND low IS ?"
                                      " AND high IS ? AND derived = ?",
                                      "irri", figure, low, high, (int64_t)limit->derived);
    if (status != CJ_OK || *out >= 0)
        return status;
    status =
        cj__sql_do(log, err, "INSERT INTO limits (figure, low, high, derived) VALUES (?, ?, ?, ?)",
                   "irri", figure, low, high, (int64_t)limit->derived);
    *out = new_id(log);
    return status;
}

/* The unit of a limit's figure is that of the figure as measured. */
static const char *unit_of(const cj_run *run, const cj_judged *limit)
{
    for (size_t i = 0; i < run->figure_count; i++)
        if (strcmp(run->figures[i].step, limit->step) == 0 &&
            strcmp(run->figures[i].key, limit->figure) == 0)
            return run->figures[i].unit;
    return "?";
}

static cj_status add_limits(cj_log *log, const struct place *at, const cj_run *run, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < run->limit_count; i++) {
        const cj_judged *limit = &run->limits[i];
        const cj_logged_figure figure = {
            .step = limit->step, .key = limit->figure, .hz = limit->hz};
        int64_t id = 0, lim = 0;
        cj_logged_figure named = figure;
        named.unit = (char *)unit_of(run, limit);
        status = figure_id(log, at, &named, &id, err);
        if (status == CJ_OK)
            status = limit_id(log, id, limit, &lim, err);
        if (status == CJ_OK)
            status = cj__sql_do(log, err,
                                "INSERT OR REPLACE INTO run_limits"
                                " (figure, run, lim, value, u, verdict, margin, why)"
                                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                                "iiirrirt", id, at->run, lim, finite_or_nan(limit->value),
                                finite_or_nan(limit->u), (int64_t)limit->verdict,
                                finite_or_nan(limit->margin), limit->why);
    }
    return status;
}

static cj_status add_findings(cj_log *log, const struct place *at, const cj_run *run, cj_error *err)
{
    unsigned char *packed = NULL;
    size_t length = strlen(run->findings), count = 0;
    cj_status status = cj__pack(run->findings, length, &packed, &count, err);
    if (status == CJ_OK)
        status = cj__sql_do(log, err, "INSERT INTO findings (run, bytes, packed) VALUES (?, ?, ?)",
                            "iib", at->run, (int64_t)length, packed, (int)count);
    cj_free(packed);
    for (size_t i = 0; status == CJ_OK && i < run->fault_count; i++) {
        int64_t fault = 0;
        status = fault_id(log, run->faults[i].fault, &fault, err);
        if (status == CJ_OK)
            status = cj__sql_do(log, err,
                                "INSERT INTO run_faults (run, place, rank, fault, probability)"
                                " VALUES (?, ?, ?, ?, ?)",
                                "iiiir", at->run, (int64_t)i, (int64_t)run->faults[i].rank, fault,
                                finite_or_nan(run->faults[i].probability));
    }
    return status;
}

static cj_status keep_capture(cj_log *log, const cj_logged_capture *capture,
                              const unsigned char digest[CJ__SHA_BYTES], cj_error *err)
{
    /* SQLite itself would say so, but its count is an int */
    if (capture->packed_count > 1000000000)
        return cj__log_fail(log, SQLITE_TOOBIG, err);
    return cj__sql_do(log, err,
                      "INSERT OR IGNORE INTO kept (sha256, bytes, packed) VALUES (?, ?, ?)", "bib",
                      digest, CJ__SHA_BYTES, (int64_t)capture->bytes, capture->packed,
                      (int)capture->packed_count);
}

static cj_status add_captures(cj_log *log, const struct place *at, const cj_run *run, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < run->capture_count; i++) {
        const cj_logged_capture *capture = &run->captures[i];
        unsigned char digest[CJ__SHA_BYTES];
        if (!cj__unhex(capture->sha256, digest, CJ__SHA_BYTES))
            return cj_fail(err, CJ_DATA, NULL, 0, 0, "'%.70s' is no SHA-256", capture->sha256);
        status = cj__sql_do(log, err,
                            "INSERT INTO captures (run, place, step, path, sha256, bytes)"
                            " VALUES (?, ?, ?, ?, ?, ?)",
                            "iittbi", at->run, (int64_t)i, capture->step, capture->path, digest,
                            CJ__SHA_BYTES, (int64_t)capture->bytes);
        if (status == CJ_OK && capture->packed != NULL)
            status = keep_capture(log, capture, digest, err);
    }
    return status;
}

/* ---- the run itself ---- */

/* -1: none */
static cj_status repair_of(cj_log *log, cj_run *run, int64_t unit, int64_t *out, cj_error *err)
{
    sqlite3_stmt *statement = NULL;
    unsigned char uuid[CJ__UUID_BYTES];
    bool row = false;
    *out = -1;
    if (run->head.after[0] != '\0') /* of another log: the repair it had there */
        return cj__uuid_read(run->head.after, uuid)
                   ? cj__sql_number(log, out, err, "SELECT id FROM repairs WHERE uuid = ?", "b",
                                    uuid, CJ__UUID_BYTES)
                   : cj_fail(err, CJ_DATA, NULL, 0, 0, "'%.40s' is no UUID", run->head.after);
    cj_status status =
        cj__sql_ask(log, &statement, err,
                    "SELECT id, uuid FROM repairs WHERE unit = ? AND voided_at IS NULL"
                    " AND at <= ? ORDER BY at DESC, id DESC LIMIT 1",
                    "it", unit, run->head.at);
    if (status == CJ_OK)
        status = cj__sql_next(log, statement, &row, err);
    if (row) {
        *out = sqlite3_column_int64(statement, 0);
        cj__take_uuid(statement, 1, run->head.after);
        cj__sql_done(statement);
    }
    return status;
}

static cj_status check_texts(const cj_run *run, cj_error *err)
{
    cj_status status = cj__serial(run->head.unit, err);
    if (status == CJ_OK)
        status = cj__plain("the operator's name", run->head.operator_name, CJ_SERIAL_LONGEST, err);
    if (status == CJ_OK)
        status = cj__plain("the note", run->head.note, CJ_NOTE_LONGEST, err);
    return status;
}

/* The instruments and the repair, where there are any. */
static cj_status set_links(cj_log *log, int64_t run, const int64_t links[2], cj_error *err)
{
    cj_status status = CJ_OK;
    if (links[0] >= 0)
        status = cj__sql_do(log, err, "UPDATE runs SET instruments = ? WHERE id = ?", "ii",
                            links[0], run);
    if (status == CJ_OK && links[1] >= 0)
        status = cj__sql_do(log, err, "UPDATE runs SET after_repair = ? WHERE id = ?", "ii",
                            links[1], run);
    return status;
}

/* Once the figures have their numbers. */
static cj_status set_worst(cj_log *log, const struct place *at, const cj_run *run, cj_error *err)
{
    const cj_run_head *head = &run->head;
    for (size_t i = 0; i < run->limit_count && head->worst_step[0] != '\0'; i++) {
        const cj_judged *limit = &run->limits[i];
        const cj_logged_figure figure = {
            .step = limit->step, .key = limit->figure, .hz = limit->hz};
        int64_t id = 0;
        if (limit->margin != head->margin || strcmp(limit->step, head->worst_step) != 0 ||
            strcmp(limit->figure, head->worst_figure) != 0)
            continue;
        cj_status status = figure_id(log, at, &figure, &id, err);
        return status == CJ_OK ? cj__sql_do(log, err, "UPDATE runs SET worst = ? WHERE id = ?",
                                            "ii", id, at->run)
                               : status;
    }
    return CJ_OK;
}

static cj_status insert_head(cj_log *log, cj_run *run, struct place *at, cj_error *err)
{
    cj_run_head *head = &run->head;
    unsigned char uuid[CJ__UUID_BYTES];
    int64_t unit = 0, file = 0, links[2] = {-1, -1};
    cj_status status = cj__uuid_fill(head->uuid, uuid, err);
    if (status == CJ_OK)
        status = cj__time_fill(head->at, err);
    if (status == CJ_OK)
        status = board_id(log, head->board, &at->board, err);
    if (status == CJ_OK)
        status = unit_id(log, at->board, head->unit, &unit, err);
    if (status == CJ_OK)
        status = file_id(log, at->board, run, &file, err);
    if (status == CJ_OK)
        status = instruments_id(log, run, &links[0], err);
    if (status == CJ_OK)
        status = repair_of(log, run, unit, &links[1], err);
    if (status == CJ_OK)
        status = cj__sql_do(log, err,
                            "INSERT INTO runs (uuid, unit, board_file, at, operator, verdict, note,"
                            " margin, voided_at, void_note) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                            "biittitrtt", uuid, CJ__UUID_BYTES, unit, file, head->at,
                            head->operator_name, (int64_t)head->verdict, head->note,
                            finite_or_nan(head->margin), head->voided ? head->voided_at : NULL,
                            head->voided ? head->void_note : NULL);
    at->run = new_id(log);
    return status == CJ_OK ? set_links(log, at->run, links, err) : status;
}

cj_status cj__run_insert(cj_log *log, cj_run *run, cj_error *err)
{
    struct place at = {0};
    cj_status status = insert_head(log, run, &at, err);
    if (status == CJ_OK)
        status = add_figures(log, &at, run, err);
    if (status == CJ_OK)
        status = add_limits(log, &at, run, err);
    if (status == CJ_OK)
        status = set_worst(log, &at, run, err);
    if (status == CJ_OK)
        status = add_findings(log, &at, run, err);
    if (status == CJ_OK)
        status = add_captures(log, &at, run, err);
    return status;
}

cj_status cj_log_add(cj_log *log, cj_run *run, cj_error *err)
{
    cj_run_head before = run->head;
    cj_status status = check_texts(run, err);
    if (status == CJ_OK)
        status = cj__sql_begin(log, err);
    if (status == CJ_OK)
        status = cj__sql_end(log, cj__run_insert(log, run, err), err);
    if (status != CJ_OK) { /* nothing was recorded under these */
        memcpy(run->head.uuid, before.uuid, sizeof before.uuid);
        memcpy(run->head.at, before.at, sizeof before.at);
        memcpy(run->head.after, before.after, sizeof before.after);
    }
    return status;
}
