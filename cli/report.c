/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

static cj_status check_request(const struct request *request, cj_error *err)
{
    if (request->name_count == 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "report wants a BOARD and EVIDENCE");
    if (request->name_count == 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "no EVIDENCE behind the board: a folder, a readings file, a reading "
                       "(STEP:FIGURE@NET=VALUE) or STEP=CAPTURE");
    if (request->json)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "report writes a page; 'coldjoint diagnose --json' answers as JSON");
    if (!output_is_page(request))
        return cj_fail(err, CJ_USAGE, request->output, 0, 0,
                       "report wants -o with the name of its page, as in -o unit.html");
    return CJ_OK;
}

static int run(const struct request *request, cj_error *err)
{
    cj_board *board = NULL;
    struct evidence evidence = {0};
    cj_diagnosis *diagnosis = NULL;
    cj_judgement *judgement = NULL;
    cj_text answer = {0};

    cj_status status = check_request(request, err);
    if (status == CJ_OK)
        status = board_open(request->names[0], &board, err);
    if (status == CJ_OK)
        status = evidence_read(request, board, request->names + 1, request->name_count - 1,
                               &evidence, err);
    if (status == CJ_OK)
        status = board_blame(request->names[0],
                             evidence_diagnose(request, &evidence, &diagnosis, err), err);
    if (status == CJ_OK)
        status = cj_judge(diagnosis, &judgement, err);
    if (status == CJ_OK)
        status = page_of_evidence(&evidence, diagnosis, judgement, &answer, err);
    if (status == CJ_OK)
        status = output_write(request, &answer, err);
    if (status == CJ_OK)
        board_warn(request, board);
    cj_text_free(&answer);
    cj_judgement_free(judgement);
    cj_diagnosis_free(diagnosis);
    evidence_free(&evidence);
    cj_board_free(board);
    return status;
}

const struct command command_report = {
    .name = "report",
    .arguments = "BOARD EVIDENCE... -o FILE",
    .does = "a page to look at",
    .run = run,
};
