/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A run, from what was measured, judged and diagnosed. */
#include "unitlog/internal.h"
#include "diagnosis/observed.h"

#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

/* ---- memory ---- */

void cj__head_clear(cj_run_head *head)
{
    char *const texts[] = {head->unit,          head->board,      head->title,
                           head->operator_name, head->worst_step, head->worst_figure,
                           head->fault,         head->void_note,  head->note};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
        cj_free(texts[i]);
    *head = (cj_run_head){0};
}

void cj_run_heads_free(cj_run_head *heads, size_t count)
{
    for (size_t i = 0; i < count && heads != NULL; i++)
        cj__head_clear(&heads[i]);
    cj_free(heads);
}

void cj_run_free(cj_run *run)
{
    if (run == NULL)
        return;
    cj__head_clear(&run->head);
    for (size_t i = 0; i < run->limit_count; i++) {
        cj_free(run->limits[i].step);
        cj_free(run->limits[i].figure);
        cj_free(run->limits[i].why);
    }
    for (size_t i = 0; i < run->figure_count; i++) {
        cj_free(run->figures[i].step);
        cj_free(run->figures[i].key);
        cj_free(run->figures[i].unit);
    }
    for (size_t i = 0; i < run->fault_count; i++)
        cj_free(run->faults[i].fault);
    for (size_t i = 0; i < run->capture_count; i++) {
        cj_free(run->captures[i].step);
        cj_free(run->captures[i].path);
        cj_free(run->captures[i].packed);
    }
    void *const rest[] = {run->limits,     run->figures,     run->faults,           run->captures,
                          run->board_text, run->instruments, run->instruments_text, run->findings};
    for (size_t i = 0; i < sizeof rest / sizeof rest[0]; i++)
        cj_free(rest[i]);
    cj_free(run);
}

cj_status cj_run_set(char **field, const char *text, cj_error *err)
{
    char *copy = cj_copy_text(text != NULL ? text : "");
    if (copy == NULL)
        return cj_fail_memory(err);
    cj_free(*field);
    *field = copy;
    return CJ_OK;
}

/* ---- its parts ---- */

static cj_status add_limits(cj_run *run, const cj_judgement *judgement, cj_error *err)
{
    run->limits = cj_new(judgement->limit_count + 1, sizeof *run->limits);
    if (run->limits == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < judgement->limit_count; i++) {
        const cj_judged *from = &judgement->limits[i];
        cj_judged *to = &run->limits[run->limit_count++];
        *to = *from;
        to->step = cj_copy_text(from->step);
        to->figure = cj_copy_text(from->figure);
        to->why = cj_copy_text(from->why);
        if (to->step == NULL || to->figure == NULL || (to->why == NULL && from->why != NULL))
            return cj_fail_memory(err);
    }
    run->head.verdict = judgement->verdict;
    return CJ_OK;
}

/* The limit with the least room, of those with a margin. */
static cj_status add_worst(cj_run *run, cj_error *err)
{
    const cj_judged *worst = NULL;
    for (size_t i = 0; i < run->limit_count; i++)
        if (!isnan(run->limits[i].margin) &&
            (worst == NULL || run->limits[i].margin < worst->margin))
            worst = &run->limits[i];
    run->head.margin = worst != NULL ? worst->margin : NAN;
    cj_status status = cj_run_set(&run->head.worst_step, worst ? worst->step : "", err);
    if (status == CJ_OK)
        status = cj_run_set(&run->head.worst_figure, worst ? worst->figure : "", err);
    return status;
}

static cj_status add_figures(cj_run *run, const cj_board *board, const cj_observed *observed,
                             cj_error *err)
{
    run->figures = cj_new(observed->count + 1, sizeof *run->figures);
    if (run->figures == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < observed->count; i++) {
        const cj_observation *from = &observed->items[i];
        cj_logged_figure *to = &run->figures[run->figure_count++];
        const cj__readable *known = cj__readable_find(from->figure);
        char key[sizeof((cj_keyed_figure *)NULL)->key];
        cj__figure_key(board, from->figure, from->of, key, sizeof key);
        *to = (cj_logged_figure){.hz = from->hz,
                                 .value = from->value,
                                 .u = from->u,
                                 .bound_kind = from->bound_kind,
                                 .bound = from->bound};
        to->step = cj_copy_text(board->steps[from->step].name);
        to->key = cj_copy_text(key);
        to->unit = cj_copy_text(known != NULL ? known->unit : "?");
        if (to->step == NULL || to->key == NULL || to->unit == NULL)
            return cj_fail_memory(err);
    }
    return CJ_OK;
}

static cj_status add_faults(cj_run *run, const cj_findings *findings, cj_error *err)
{
    size_t count = 0;
    for (size_t i = 0; findings != NULL && i < findings->count; i++)
        count += findings->items[i].fault_count;
    run->faults = cj_new(count + 1, sizeof *run->faults);
    if (run->faults == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; count > 0 && i < findings->count; i++) {
        const cj_finding *finding = &findings->items[i];
        for (size_t k = 0; k < finding->fault_count; k++) {
            cj_text text = {0};
            cj_fault_text(&finding->faults[k], &text);
            if (text.failed)
                return cj_fail_memory(err);
            run->faults[run->fault_count++] = (cj_logged_fault){
                .fault = text.bytes, .rank = finding->rank, .probability = finding->probability};
        }
    }
    return CJ_OK;
}

cj_status cj_run_make(const char *serial, const cj_judgement *judgement,
                      const cj_observed *observed, const cj_diagnosis *diagnosis,
                      const char *findings, cj_run **out, cj_error *err)
{
    const cj_board *board = observed->board;
    cj_status status = cj__serial(serial, err);
    if (status != CJ_OK)
        return status;
    cj_run *run = cj_new(1, sizeof *run);
    if (run == NULL)
        return cj_fail_memory(err);
    char **const texts[] = {&run->head.operator_name, &run->head.fault, &run->head.void_note,
                            &run->head.note,          &run->board_text, &run->instruments,
                            &run->instruments_text};
    for (size_t i = 0; status == CJ_OK && i < sizeof texts / sizeof texts[0]; i++)
        status = cj_run_set(texts[i], "", err);
    if (status == CJ_OK)
        status = cj_run_set(&run->head.unit, serial, err);
    if (status == CJ_OK)
        status = cj_run_set(&run->head.board, board->name, err);
    if (status == CJ_OK)
        status = cj_run_set(&run->head.title, board->title, err);
    if (status == CJ_OK)
        status = cj_run_set(&run->findings, findings, err);
    if (status == CJ_OK)
        status = add_limits(run, judgement, err);
    if (status == CJ_OK)
        status = add_worst(run, err);
    if (status == CJ_OK)
        status = add_figures(run, board, observed, err);
    if (status == CJ_OK)
        status = add_faults(run, diagnosis->findings, err);
    if (status == CJ_OK && run->fault_count > 0)
        status = cj_run_set(&run->head.fault, run->faults[0].fault, err);
    run->head.probability = run->fault_count > 0 ? run->faults[0].probability : NAN;
    if (status == CJ_OK)
        *out = run;
    else
        cj_run_free(run);
    return status;
}

/* ---- captures ---- */

/* The file as zlib packs it, piece by piece. */
static cj_status pack_file(const cj_capture *capture, int file, cj_logged_capture *out,
                           cj_error *err)
{
    enum { PIECE = 1 << 16 };
    unsigned char *pieces = cj_new(2, PIECE), *in = pieces, *packed = pieces + PIECE;
    z_stream stream = {0};
    cj_text all = {0};
    if (pieces == NULL || deflateInit(&stream, Z_DEFAULT_COMPRESSION) != Z_OK) {
        cj_free(pieces);
        return cj_fail_memory(err);
    }
    cj_status status = CJ_OK;
    uint64_t offset = 0;
    for (int result = Z_OK; status == CJ_OK && result != Z_STREAM_END;) {
        size_t got = 0;
        status = cj_capture_bytes(capture, file, offset, in, PIECE, &got, err);
        offset += got;
        stream.next_in = in;
        stream.avail_in = (uInt)got;
        do {
            stream.next_out = packed;
            stream.avail_out = PIECE;
            result = deflate(&stream, got < PIECE ? Z_FINISH : Z_NO_FLUSH);
            cj_text_add_n(&all, (const char *)packed, PIECE - stream.avail_out);
        } while (stream.avail_out == 0);
        if (status == CJ_OK && all.failed)
            status = cj_fail_memory(err);
    }
    deflateEnd(&stream);
    cj_free(pieces);
    if (status != CJ_OK) {
        cj_text_free(&all);
        return status;
    }
    out->packed = (unsigned char *)all.bytes;
    out->packed_count = all.length;
    return CJ_OK;
}

/* Where the file can be found again: standard input cannot. */
static char *path_of(const char *name)
{
    if (strcmp(name, "-") == 0)
        return cj_copy_text(name);
    char real[PATH_MAX];
    return cj_copy_text(realpath(name, real) != NULL ? real : name);
}

cj_status cj_run_add_capture(cj_run *run, const char *step, cj_capture *capture, bool keep,
                             cj_error *err)
{
    int files = cj_capture_about(capture)->file_count;
    cj_status status = CJ_OK;
    cj_logged_capture *grown =
        cj_resize(run->captures, run->capture_count + (size_t)files, sizeof *run->captures);
    if (grown == NULL)
        return cj_fail_memory(err);
    run->captures = grown;
    for (int file = 0; status == CJ_OK && file < files; file++) {
        cj_logged_capture *one = &run->captures[run->capture_count++];
        *one = (cj_logged_capture){.kept = keep, .bytes = cj_capture_size(capture, file)};
        one->step = cj_copy_text(step);
        one->path = path_of(cj_capture_file(capture, file));
        if (one->step == NULL || one->path == NULL)
            return cj_fail_memory(err);
        status = cj_capture_digest(capture, file, one->sha256, err);
        if (status == CJ_OK && keep)
            status = pack_file(capture, file, one, err);
    }
    return status;
}
