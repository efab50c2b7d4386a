/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

enum { OPTION_ALL = OPTION_COMMAND + LOG_TEXTS };

static const struct poptOption options[] = {
    LOG_TEXT_OPTION("unit", LOG_UNIT, "the page of this unit's latest run in the log", "SERIAL"),
    LOG_TEXT_OPTION("board", LOG_BOARD, "with --unit and --all: only units of this board", "BOARD"),
    {"all", 0, POPT_ARG_NONE, NULL, OPTION_ALL,
     "a folder: an index of all units in the log, and a page of each", NULL},
    POPT_TABLEEND,
};

static cj_status take(struct request *request, int option, const char *text, cj_error *err)
{
    if (option != OPTION_ALL)
        return log_take(request, option, text, err);
    request->all = true;
    return CJ_OK;
}

static bool from_log(const struct request *request)
{
    return request->all || request->log_texts[LOG_UNIT] != NULL;
}

static cj_status check_names(const struct request *request, cj_error *err)
{
    if (from_log(request) && request->name_count > 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "--unit and --all take what they show from the log: no '%.100s' beside them",
                       request->names[0]);
    if (from_log(request))
        return CJ_OK;
    if (request->name_count == 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "report wants a BOARD and EVIDENCE, or --unit SERIAL, or --all");
    if (request->name_count == 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "no EVIDENCE behind the board: a folder, a readings file, a reading "
                       "(STEP:FIGURE@NET=VALUE) or STEP=CAPTURE");
    return CJ_OK;
}

static cj_status check_request(const struct request *request, cj_error *err)
{
    if (request->all && request->log_texts[LOG_UNIT] != NULL)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "--unit is one unit and --all every one: which?");
    if (request->json)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "report writes a page; 'coldjoint diagnose --json' and 'coldjoint log show "
                       "--json' answer as JSON");
    if (request->all && request->output == NULL)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "report --all wants -o with the name of a folder");
    if (!request->all && !output_is_page(request))
        return cj_fail(err, CJ_USAGE, request->output, 0, 0,
                       "report wants -o with the name of its page, as in -o unit.html");
    return check_names(request, err);
}

static cj_status report_evidence(const struct request *request, cj_error *err)
{
    cj_board *board = NULL;
    struct evidence evidence = {0};
    cj_diagnosis *diagnosis = NULL;
    cj_judgement *judgement = NULL;
    cj_text answer = {0};

    cj_status status = evidence_answer(request, &board, &evidence, &diagnosis, err);
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

static int run(const struct request *request, cj_error *err)
{
    cj_status status = check_request(request, err);
    if (status != CJ_OK)
        return status;
    if (request->all)
        return report_all(request, err);
    return request->log_texts[LOG_UNIT] != NULL ? report_unit(request, err)
                                                : report_evidence(request, err);
}

const struct command command_report = {
    .name = "report",
    .arguments = "BOARD EVIDENCE... -o FILE",
    .options = options,
    .take = take,
    .does = "a page to look at",
    .run = run,
};
