/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log add: measure, judge, diagnose, and record one unit. */
#include "cli.h"

static const struct poptOption options[] = {
    LOG_TEXT_OPTION("unit", LOG_UNIT, "the unit's serial number", "SERIAL"),
    LOG_TEXT_OPTION("operator", LOG_OPERATOR, "who is at the bench", "NAME"),
    LOG_TEXT_OPTION("note", LOG_NOTE, "a line to remember", "TEXT"),
    {"keep", 0, POPT_ARG_NONE, NULL, OPTION_KEEP, "store the captures inside the log", NULL},
    {"label", 0, POPT_ARG_NONE, NULL, OPTION_LABEL, "answer with one line to stick on the unit",
     NULL},
    POPT_TABLEEND,
};

/* What a unit's run comes from, and what comes of it. */
struct adding {
    cj_board *board;
    cj_text board_text;
    struct evidence evidence;
    cj_diagnosis *diagnosis;
    cj_judgement *judgement;
    cj_run *run;
};

static void adding_free(struct adding *adding)
{
    cj_run_free(adding->run);
    cj_judgement_free(adding->judgement);
    cj_diagnosis_free(adding->diagnosis);
    evidence_free(&adding->evidence);
    cj_text_free(&adding->board_text);
    cj_board_free(adding->board);
}

static cj_status check_request(const struct request *request, cj_error *err)
{
    if (request->name_count == 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "log add wants a BOARD and EVIDENCE");
    if (request->log_texts[LOG_UNIT] == NULL)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "which unit? --unit SERIAL says");
    if (request->name_count == 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "no EVIDENCE behind the board: a folder, a readings file, a reading "
                       "(STEP:FIGURE@NET=VALUE) or STEP=CAPTURE");
    if (request->label && request->json)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "--label is one line of text: not with --json");
    return CJ_OK;
}

static cj_status find_out(const struct request *request, struct adding *adding, cj_error *err)
{
    struct request own = *request;
    own.digests = true;
    cj_status status = board_open_text(request->names[0], &adding->board, &adding->board_text, err);
    if (status == CJ_OK)
        status = evidence_read(&own, adding->board, request->names + 1, request->name_count - 1,
                               &adding->evidence, err);
    if (status != CJ_OK)
        return status;
    status = evidence_diagnose(request, &adding->evidence, &adding->diagnosis, err);
    if (status == CJ_OK)
        status = cj_judge(adding->diagnosis, &adding->judgement, err);
    return board_blame(request->names[0], status, err);
}

static cj_status set_instruments(const struct request *request, cj_run *run, cj_error *err)
{
    cj_text text = {0};
    if (request->instruments_name == NULL)
        return CJ_OK;
    cj_status status = cj_text_file(request->instruments_name, &text, err);
    if (status == CJ_OK)
        status = cj_run_set(&run->instruments, request->instruments.name, err);
    if (status == CJ_OK)
        status = cj_run_set(&run->instruments_text, text.bytes, err);
    cj_text_free(&text);
    return status;
}

static cj_status make_run(const struct request *request, struct adding *adding, cj_error *err)
{
    cj_text findings = {0};
    const struct evidence *evidence = &adding->evidence;
    cj_status status = cj_report_findings_json(adding->diagnosis->findings, &findings, err);
    if (status == CJ_OK)
        status = cj_run_make(request->log_texts[LOG_UNIT], adding->judgement, evidence->observed,
                             adding->diagnosis, findings.bytes, &adding->run, err);
    cj_text_free(&findings);
    if (status != CJ_OK)
        return status;
    cj_run *run = adding->run;
    status = cj_run_set(&run->board_text, adding->board_text.bytes, err);
    if (status == CJ_OK)
        status = cj_run_set(&run->head.operator_name, request->log_texts[LOG_OPERATOR], err);
    if (status == CJ_OK)
        status = cj_run_set(&run->head.note, request->log_texts[LOG_NOTE], err);
    if (status == CJ_OK)
        status = set_instruments(request, run, err);
    for (size_t i = 0; status == CJ_OK && i < evidence->count; i++)
        status = cj_run_add_capture(run, adding->board->steps[evidence->items[i].step].name,
                                    evidence->items[i].measured.capture, request->keep, err);
    return status;
}

static cj_status answer_with(const struct request *request, const cj_run *run, cj_text *answer,
                             cj_error *err)
{
    cj_report_style style = {.colour = output_coloured(request)};
    cj_text path = {0};
    cj_status status = log_path(request, &path, err);
    if (status == CJ_OK && request->label)
        status = cj_report_label(&run->head, answer, err);
    else if (status == CJ_OK && request->json)
        status = cj_report_added_json(run, path.bytes, answer, err);
    else if (status == CJ_OK)
        status = cj_report_added_text(run, path.bytes, &style, answer, err);
    cj_text_free(&path);
    return status;
}

static int status_of(cj_verdict verdict)
{
    return verdict == CJ_PASS ? 0 : verdict == CJ_FAIL ? 1 : 2;
}

static int run_add(const struct request *request, cj_error *err)
{
    struct adding adding = {0};
    cj_text answer = {0};
    cj_log *log = NULL;
    int result = 0;
    cj_status status = check_request(request, err);
    /* before the work: a log that cannot be written is known at once */
    if (status == CJ_OK)
        status = log_open(request, CJ_LOG_CREATE, &log, err);
    if (status == CJ_OK)
        status = find_out(request, &adding, err);
    if (status == CJ_OK)
        status = make_run(request, &adding, err);
    if (status == CJ_OK)
        status = cj_log_add(log, adding.run, err);
    cj_log_close(log);
    if (status == CJ_OK)
        status = answer_with(request, adding.run, &answer, err);
    if (status == CJ_OK)
        status = output_write(request, &answer, err);
    if (status == CJ_OK) {
        result = status_of(adding.run->head.verdict);
        board_warn(request, adding.board);
    }
    for (size_t i = 0; status == CJ_OK && i < adding.evidence.count; i++)
        advise(request, adding.evidence.items[i].measured.measurement);
    cj_text_free(&answer);
    adding_free(&adding);
    return status == CJ_OK ? result : (int)status;
}

const struct command command_log_add = {
    .name = "log add",
    .arguments = "BOARD --unit SERIAL EVIDENCE...",
    .does = "measure, judge, diagnose and record one unit",
    .options = options,
    .take = log_take,
    .run = run_add,
};
