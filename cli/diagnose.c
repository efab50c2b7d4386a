/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

static cj_status check_names(const struct request *request, cj_error *err)
{
    if (request->name_count == 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "diagnose wants a BOARD and EVIDENCE");
    if (request->name_count == 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "no EVIDENCE behind the board: a folder, a readings file, a reading "
                       "(STEP:FIGURE@NET=VALUE) or STEP=CAPTURE");
    return CJ_OK;
}

/* Why each rule fired or stayed silent, step by step. */
static cj_status explain(const struct evidence *evidence, cj_diagnosis *diagnosis, cj_error *err)
{
    for (size_t i = 0; i < evidence->count; i++) {
        const struct seen *seen = &evidence->items[i];
        size_t lines = seen->findings != NULL ? seen->findings->explained.count : 0;
        for (size_t k = 0; k < lines; k++)
            if (cj_lines_add(&diagnosis->findings->explained, "%s: %s",
                             evidence->board->steps[seen->step].name,
                             seen->findings->explained.items[k]) != CJ_OK)
                return cj_fail_memory(err);
    }
    return CJ_OK;
}

static int verdict(const cj_diagnosis *diagnosis)
{
    switch (diagnosis->state) {
    case CJ_STATE_HEALTHY:
        return 0;
    case CJ_STATE_FAULT:
        return 1;
    case CJ_STATE_UNDECIDED:
        return 2;
    }
    return 2;
}

static int run(const struct request *request, cj_error *err)
{
    cj_board *board = NULL;
    struct evidence evidence = {0};
    cj_diagnosis *diagnosis = NULL;
    cj_text answer = {0};
    cj_report_style style = {.colour = output_coloured(request), .explain = request->explain};
    int result = 0;

    cj_status status = check_names(request, err);
    if (status == CJ_OK)
        status = evidence_answer(request, &board, &evidence, &diagnosis, err);
    if (status == CJ_OK && request->explain)
        status = explain(&evidence, diagnosis, err);
    if (status == CJ_OK && request->json)
        status = cj_report_diagnosis_json(diagnosis, evidence.observed, &answer, err);
    else if (status == CJ_OK && output_is_page(request))
        status = page_of_evidence(&evidence, diagnosis, NULL, &answer, err);
    else if (status == CJ_OK)
        status = cj_report_diagnosis_text(diagnosis, evidence.observed, &style, &answer, err);
    if (status != CJ_OK)
        goto out;
    result = verdict(diagnosis);
    status = output_write(request, &answer, err);
    if (status == CJ_OK)
        board_warn(request, board);
    for (size_t i = 0; status == CJ_OK && i < evidence.count; i++)
        advise(request, evidence.items[i].measured.measurement);
out:
    cj_text_free(&answer);
    cj_diagnosis_free(diagnosis);
    evidence_free(&evidence);
    cj_board_free(board);
    return status == CJ_OK ? result : (int)status;
}

const struct command command_diagnose = {
    .name = "diagnose",
    .arguments = "BOARD EVIDENCE...",
    .does = "which fault it is, why, and what to check next",
    .run = run,
};
