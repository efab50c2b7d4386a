/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A log as a table (RFC 4180): a row for each figure of each run, a row for each limit of it. */
#include "report/log.h"

#include <math.h>
#include <string.h>

static const char heading[] =
    "run,serial,board,at,operator,run_verdict,void,fault,step,figure,hz,value,u,"
    "unit,bound,min,max,verdict\r\n";

/* In quotes where it has to be; a text that a spreadsheet would take for a formula begins with an
 * apostrophe. */
static void put_text(cj_text *out, const char *text)
{
    cj_text clean = {0};
    cj__write_clean(&clean, text);
    const char *at = clean.bytes != NULL ? clean.bytes : "";
    bool formula = at[0] != '\0' && strchr("=+-@", at[0]) != NULL;
    bool quoted = strpbrk(at, ",\"\r\n") != NULL || at[0] == ' ';
    if (quoted)
        cj_text_add_n(out, "\"", 1);
    if (formula)
        cj_text_add_n(out, "'", 1);
    for (; *at != '\0'; at++) {
        if (*at == '"')
            cj_text_add_n(out, "\"", 1);
        cj_text_add_n(out, at, 1);
    }
    if (quoted)
        cj_text_add_n(out, "\"", 1);
    out->failed = out->failed || clean.failed;
    cj_text_free(&clean);
}

static void put_number(cj_text *out, double value)
{
    if (isfinite(value))
        cj__write_plain(out, value, 15);
}

/* What every row of a run begins with. */
static void make_head(cj_text *out, const cj_run_head *head)
{
    const char *const texts[] = {head->uuid,
                                 head->unit,
                                 head->board,
                                 head->at,
                                 head->operator_name,
                                 cj__verdict_word(head->verdict),
                                 head->voided ? "void" : "",
                                 head->fault};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        put_text(out, texts[i]);
        cj_text_add_n(out, ",", 1);
    }
}

static void put_figure(cj_text *out, const cj_text *head, const cj_logged_figure *figure,
                       const cj_judged *limit)
{
    cj_text_add_n(out, head->bytes, head->length);
    put_text(out, figure->step);
    cj_text_add_n(out, ",", 1);
    put_text(out, figure->key);
    cj_text_add_n(out, ",", 1);
    if (figure->hz > 0)
        put_number(out, figure->hz);
    cj_text_add_n(out, ",", 1);
    put_number(out, figure->value);
    cj_text_add_n(out, ",", 1);
    put_number(out, figure->u);
    cj_text_add_n(out, ",", 1);
    put_text(out, figure->unit != NULL ? figure->unit : "");
    cj_text_add_n(out, ",", 1);
    if (figure->bound_kind != CJ_BOUND_NONE && isfinite(figure->bound)) {
        cj_text_add(out, figure->bound_kind == CJ_BELOW ? "< " : "> ");
        put_number(out, figure->bound);
    }
    cj_text_add_n(out, ",", 1);
    put_number(out, limit != NULL ? limit->min : NAN);
    cj_text_add_n(out, ",", 1);
    put_number(out, limit != NULL ? limit->max : NAN);
    cj_text_add(out, ",%s\r\n", limit != NULL ? cj__verdict_word(limit->verdict) : "");
}

static bool is_of(const cj_judged *limit, const cj_logged_figure *figure)
{
    return figure->hz == limit->hz && strcmp(limit->step, figure->step) == 0 &&
           strcmp(limit->figure, figure->key) == 0;
}

/* Limits of figures that were not measured have rows too. */
static void put_unmeasured(cj_text *out, const cj_text *head, const cj_run *run)
{
    for (size_t i = 0; i < run->limit_count; i++) {
        const cj_judged *limit = &run->limits[i];
        const cj_logged_figure figure = {.step = limit->step,
                                         .key = limit->figure,
                                         .hz = limit->hz,
                                         .value = limit->value,
                                         .u = limit->u};
        bool measured = false;
        for (size_t k = 0; k < run->figure_count && !measured; k++)
            measured = is_of(limit, &run->figures[k]);
        if (!measured)
            put_figure(out, head, &figure, limit);
    }
}

cj_status cj_report_export_csv(const cj_run *run, cj_text *out, cj_error *err)
{
    size_t start = out->length;
    cj_text head = {0};
    if (run == NULL) {
        cj_text_add(out, "%s", heading);
        return cj__finish(out, start, err);
    }
    make_head(&head, &run->head);
    for (size_t i = 0; i < run->figure_count && !head.failed; i++) {
        bool limited = false;
        for (size_t k = 0; k < run->limit_count; k++) {
            if (!is_of(&run->limits[k], &run->figures[i]))
                continue;
            put_figure(out, &head, &run->figures[i], &run->limits[k]);
            limited = true;
        }
        if (!limited)
            put_figure(out, &head, &run->figures[i], NULL);
    }
    if (!head.failed)
        put_unmeasured(out, &head, run);
    out->failed = out->failed || head.failed;
    cj_text_free(&head);
    return cj__finish(out, start, err);
}
