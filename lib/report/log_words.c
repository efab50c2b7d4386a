/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How a logged thing is said. */
#include "report/log.h"
#include "report/board.h"

#include <string.h>

const char *cj__verdict_word(cj_verdict verdict)
{
    switch (verdict) {
    case CJ_PASS:
        return "pass";
    case CJ_FAIL:
        return "fail";
    case CJ_VERDICT_UNDECIDED:
        break;
    }
    return "undecided";
}

void cj__write_verdict(cj_text *out, cj_verdict verdict, const struct cj__colours *colours)
{
    const char *colour = verdict == CJ_PASS   ? colours->good
                         : verdict == CJ_FAIL ? colours->bad
                                              : colours->open;
    const char *word = verdict == CJ_PASS ? "PASS" : verdict == CJ_FAIL ? "FAIL" : "UNDECIDED";
    cj_text_add(out, "%s%s%s", colour, word, colours->off);
}

void cj__write_time(cj_text *out, const char *at)
{
    if (strlen(at) < 16) {
        cj__write_clean(out, at);
        return;
    }
    cj_text_add(out, "%.10s %.5s UTC", at, at + 11);
}

void cj__write_number_of(cj_text *out, const char *uuid)
{
    cj_text_add(out, "%.8s", uuid);
}

void cj__write_fault_notation(cj_text *out, const char *fault)
{
    cj_fault read = cj_fault_none(CJ_FAULT_OUTSIDE);
    cj_status status = cj_fault_read(fault, &read, NULL);
    if (status == CJ_OK) {
        cj__write_fault(out, NULL, &read);
        cj_fault_clear(&read);
    } else {
        cj__write_clean(out, fault);
    }
    out->failed = out->failed || status == CJ_NOMEM;
}

void cj__write_step_figure(cj_text *out, const char *step, const char *figure)
{
    static const char *const no_paths[2] = {"", ""};
    cj__write_clean(out, step);
    cj_text_add(out, ": ");
    cj__write_label(out, figure, no_paths);
}

const char *cj__limit_unit(const cj_run *run, const cj_judged *limit)
{
    for (size_t i = 0; i < run->figure_count; i++)
        if (strcmp(run->figures[i].step, limit->step) == 0 &&
            strcmp(run->figures[i].key, limit->figure) == 0)
            return run->figures[i].unit;
    return "";
}

json_t *cj__stored_findings(const cj_run *run)
{
    return json_loads(run->findings, 0, NULL);
}
