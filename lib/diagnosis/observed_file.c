/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A readings file: CSV (RFC 4180) with the header step,figure,net,value,u, a reading a row. */
#include "diagnosis/observed.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

enum {
    MOST_BYTES = 4 << 20,
    MOST_READINGS = 10000,
    CELLS = 5,
    CELL_BYTES = 128,
};

static const char *const titles[CELLS] = {"step", "figure", "net", "value", "u"};
/* where a cell goes in a reading: the columns stand in the order of its parts */
static const char header_text[] = "step,figure,net,value,u";

/* One row taken apart; column: where each cell begins, in characters from 1. */
struct row {
    char cell[CELLS][CELL_BYTES];
    long column[CELLS];
    int count;
};

struct reader {
    const char *name; /* what errors call the file */
    const char *at;   /* what is not read yet; NUL at the end */
    long line, column;
};

static bool at_line_end(const char *at)
{
    return *at == '\0' || *at == '\n' || *at == '\r';
}

static void step_on(struct reader *r)
{
    r->at++;
    r->column += ((unsigned char)*r->at & 0xc0) != 0x80; /* bytes within a character are none */
}

static void next_line(struct reader *r)
{
    if (*r->at == '\r' && r->at[1] == '\n')
        r->at++;
    if (*r->at != '\0')
        r->at++;
    r->line++;
    r->column = 1;
}

static void skip_blanks(struct reader *r)
{
    while (*r->at == ' ' || *r->at == '\t')
        step_on(r);
}

static cj_status add_byte(struct reader *r, char *cell, size_t *length, cj_error *err)
{
    if (*length + 1 >= CELL_BYTES)
        return cj_fail(err, CJ_DATA, r->name, r->line, r->column,
                       "a cell of more than %d bytes; expected %s", CELL_BYTES - 1, header_text);
    cell[(*length)++] = *r->at;
    cell[*length] = '\0';
    step_on(r);
    return CJ_OK;
}

static cj_status read_quoted(struct reader *r, char *cell, cj_error *err)
{
    size_t length = 0;
    cj_status status = CJ_OK;
    long began = r->column;
    for (step_on(r); status == CJ_OK; status = add_byte(r, cell, &length, err)) {
        if (at_line_end(r->at))
            return cj_fail(err, CJ_DATA, r->name, r->line, began,
                           "this quote is not closed; expected one more \" in the line");
        if (*r->at == '"') {
            step_on(r);
            if (*r->at != '"')
                break;
        }
    }
    skip_blanks(r);
    if (status == CJ_OK && !at_line_end(r->at) && *r->at != ',')
        status = cj_fail(err, CJ_DATA, r->name, r->line, r->column,
                         "'%.10s' behind a closed quote; expected a comma", r->at);
    return status;
}

static cj_status read_bare(struct reader *r, char *cell, cj_error *err)
{
    size_t length = 0;
    cj_status status = CJ_OK;
    while (status == CJ_OK && !at_line_end(r->at) && *r->at != ',')
        status = add_byte(r, cell, &length, err);
    while (length > 0 && (cell[length - 1] == ' ' || cell[length - 1] == '\t'))
        cell[--length] = '\0';
    return status;
}

/* Takes one line apart and steps over its end. */
static cj_status read_row(struct reader *r, struct row *row, cj_error *err)
{
    cj_status status = CJ_OK;
    *row = (struct row){0};
    for (;;) {
        skip_blanks(r);
        if (row->count == CELLS)
            return cj_fail(err, CJ_DATA, r->name, r->line, r->column,
                           "more than %d columns; expected %s", CELLS, header_text);
        char *cell = row->cell[row->count];
        row->column[row->count++] = r->column;
        status = *r->at == '"' ? read_quoted(r, cell, err) : read_bare(r, cell, err);
        if (status != CJ_OK || *r->at != ',')
            break;
        step_on(r);
    }
    if (status == CJ_OK)
        next_line(r);
    return status;
}

static bool is_blank(const struct row *row)
{
    for (int i = 0; i < row->count; i++)
        if (row->cell[i][0] != '\0')
            return false;
    return true;
}

static cj_status check_header(struct reader *r, cj_error *err)
{
    struct row row;
    cj_status status = read_row(r, &row, err);
    for (int i = 0; status == CJ_OK && i < CELLS; i++)
        if (i >= row.count || strcmp(row.cell[i], titles[i]) != 0)
            status = cj_fail(err, CJ_DATA, r->name, 1, i < row.count ? row.column[i] : 1,
                             "'%.40s' is no header of readings; expected %s",
                             i < row.count ? row.cell[i] : "", header_text);
    if (status != CJ_OK && strchr(row.cell[0], ';') != NULL)
        status =
            cj_fail(err, CJ_DATA, r->name, 1, 1,
                    "the columns are parted by semicolons; save it with commas: %s", header_text);
    return status;
}

static cj_status add_row(struct reader *r, const struct row *row, long line, cj_observed *observed,
                         cj_error *err)
{
    cj__typed typed;
    cj__reading_part where = CJ__STEP;
    cj_observation one;
    cj_error why = {0};
    if (row->count < CELLS - 1)
        return cj_fail(err, CJ_DATA, r->name, line, 1, "%d of %d columns; expected %s", row->count,
                       CELLS, header_text);
    for (int i = 0; i < CELLS; i++)
        typed.part[i] = row->cell[i];
    cj_status status = cj__typed_read(observed->board, &typed, &one, &where, &why);
    if (status == CJ_OK)
        return cj_observed_add(observed, &one, err);
    return cj_fail(err, status, r->name, line, row->column[where], "%s", why.message);
}

static cj_status add_rows(struct reader *r, cj_observed *observed, cj_error *err)
{
    struct row row;
    long readings = 0;
    cj_status status = check_header(r, err);
    while (status == CJ_OK && *r->at != '\0') {
        long line = r->line;
        status = read_row(r, &row, err);
        if (status != CJ_OK || is_blank(&row))
            continue;
        if (++readings > MOST_READINGS)
            return cj_fail(err, CJ_DATA, r->name, line, 1,
                           "more than %d readings; expected a file written by hand", MOST_READINGS);
        status = add_row(r, &row, line, observed, err);
    }
    if (status == CJ_OK && readings == 0)
        status = cj_fail(err, CJ_DATA, r->name, 2, 1, "no reading below the header");
    return status;
}

/* ---- the file ---- */

static cj_status read_all(FILE *file, const char *path, cj_text *text, cj_error *err)
{
    char block[16384];
    size_t got;
    while ((got = fread(block, 1, sizeof block, file)) > 0) {
        cj_text_add_n(text, block, got);
        if (text->length > MOST_BYTES)
            return cj_fail(err, CJ_DATA, path, 0, 0,
                           "too large: more than 4 MiB; expected a file written by hand");
    }
    if (ferror(file))
        return cj_fail(err, CJ_IO, path, 0, 0, "reading failed: %s", strerror(errno));
    cj_text_add_n(text, "", 0);
    return text->failed ? cj_fail_memory(err) : CJ_OK;
}

static const char *behind_mark(const char *text)
{
    return strncmp(text, "\xef\xbb\xbf", 3) == 0 ? text + 3 : text;
}

cj_status cj_observed_add_file(cj_observed *observed, const char *path, cj_error *err)
{
    cj_text text = {0};
    FILE *file = fopen(path, "rb");
    if (file == NULL)
        return cj_fail(err, CJ_NOINPUT, path, 0, 0, "cannot be opened: %s", strerror(errno));
    cj_status status = read_all(file, path, &text, err);
    fclose(file);
    if (status == CJ_OK && strlen(text.bytes) != text.length)
        status = cj_fail(err, CJ_DATA, path, 0, 0, "a NUL byte inside; expected %s", header_text);
    if (status == CJ_OK) {
        struct reader r = {.name = path, .at = behind_mark(text.bytes), .line = 1, .column = 1};
        status = add_rows(&r, observed, err);
    }
    cj_text_free(&text);
    return status;
}

/* Quotes and blanks left out: "step","figure" and step; figure are both meant to be one. */
static bool header_like(const char *line)
{
    const char *want = header_text;
    for (; !at_line_end(line); line++) {
        if (*line == '"' || *line == ' ' || *line == '\t')
            continue;
        if (*want == '\0' || (*line != *want && !(*want == ',' && *line == ';')))
            return false;
        want++;
    }
    return *want == '\0';
}

bool cj_observed_is_file(const char *path)
{
    char start[256] = "";
    struct stat about;
    /* a pipe would lose what is read of it here */
    if (stat(path, &about) != 0 || !S_ISREG(about.st_mode))
        return false;
    FILE *file = fopen(path, "rb");
    if (file == NULL)
        return false;
    size_t got = fread(start, 1, sizeof start - 1, file);
    fclose(file);
    start[got] = '\0';
    return header_like(behind_mark(start));
}
