/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Answers as a page: -o FILE.html. */
#include "cli.h"

cj_status page_of_evidence(const struct evidence *evidence, const cj_diagnosis *diagnosis,
                           const cj_judgement *judgement, cj_text *out, cj_error *err)
{
    cj_page_capture *captures = cj_new(evidence->count + 1, sizeof *captures);
    if (captures == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < evidence->count; i++) {
        const struct seen *seen = &evidence->items[i];
        captures[i] = (cj_page_capture){.name = seen->name,
                                        .step = seen->step,
                                        .capture = seen->measured.capture,
                                        .measurement = seen->measured.measurement};
    }
    cj_page page = {.board = evidence->board,
                    .observed = evidence->observed,
                    .judgement = judgement,
                    .diagnosis = diagnosis,
                    .captures = captures,
                    .capture_count = evidence->count,
                    .remarks = &diagnosis->notes};
    cj_status status = cj_report_page(&page, out, err);
    cj_free(captures);
    return status;
}

cj_status page_of_captures(const struct measured *measured, size_t count,
                           const cj_comparison *comparison, const cj_findings *findings,
                           cj_text *out, cj_error *err)
{
    cj_page_capture captures[2] = {{0}};
    for (size_t i = 0; i < count && i < 2; i++)
        captures[i] = (cj_page_capture){.name = measured[i].measurement->capture->name,
                                        .capture = measured[i].capture,
                                        .measurement = measured[i].measurement};
    cj_page page = {.comparison = comparison,
                    .findings = findings,
                    .captures = captures,
                    .capture_count = count};
    return cj_report_page(&page, out, err);
}
