/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log repair: what was actually found; log void: what was a mistake. */
#include "cli.h"

#include <string.h>

static const struct poptOption repair_options[] = {
    LOG_TEXT_OPTION("fault", LOG_FAULT,
                    "what was found: KIND:PART[:PIN], as diagnose writes it, or plain words",
                    "FAULT"),
    LOG_TEXT_OPTION("board", LOG_BOARD, "the board, where several have that serial number",
                    "BOARD"),
    LOG_TEXT_OPTION("operator", LOG_OPERATOR, "who is at the bench", "NAME"),
    LOG_TEXT_OPTION("note", LOG_NOTE, "a line to remember", "TEXT"),
    POPT_TABLEEND,
};

static const struct poptOption void_options[] = {
    LOG_TEXT_OPTION("note", LOG_NOTE, "why", "TEXT"),
    POPT_TABLEEND,
};

/* ---- what was found ---- */

/* Meant as a fault: begins with a kind and a colon. */
static bool is_notation(const char *text)
{
    const char *colon = strchr(text, ':');
#define KIND(name, word)                                                                           \
    if (colon != NULL && (size_t)(colon - text) == strlen(word) &&                                 \
        strncmp(text, word, strlen(word)) == 0)                                                    \
        return true;
    CJ_FAULT_LIST(KIND)
#undef KIND
    return false;
}

static cj_status check_part(const cj_board *board, const char *ref, cj_error *err)
{
    if (ref[0] == '\0' || cj_board_part(board, ref) >= 0)
        return CJ_OK;
    return cj_fail(err, CJ_USAGE, NULL, 0, 0, "--fault: the board %.64s has no part '%.32s'",
                   board->name, ref);
}

/* Parts and pins are those of the board as it was when the unit was last measured. */
static cj_status check_fault(const cj_run *run, const cj_fault *fault, cj_error *err)
{
    cj_board *board = NULL;
    cj_status status = CJ_OK;
    if (cj_board_read_text(run->head.board, run->board_text, strlen(run->board_text), &board,
                           NULL) != CJ_OK)
        return CJ_OK; /* of a time when boards were written otherwise: taken as it is */
    for (const cj_fault *one = fault; status == CJ_OK && one != NULL; one = one->with) {
        status = check_part(board, one->part, err);
        if (status == CJ_OK)
            status = check_part(board, one->other, err);
        int part = one->part[0] != '\0' ? cj_board_part(board, one->part) : -1;
        size_t pins = part >= 0 ? board->parts[part].pin_count : 0;
        int most = one->pin > one->pin2 ? one->pin : one->pin2;
        if (status == CJ_OK && part >= 0 && most > 0 && (size_t)most > pins)
            status = cj_fail(err, CJ_USAGE, NULL, 0, 0, "--fault: %.32s has %zu pins, no pin %d",
                             one->part, pins, most);
    }
    cj_board_free(board);
    return status;
}

static cj_status last_run(cj_log *log, const cj_repair *repair, cj_run **out, cj_error *err)
{
    const cj_log_filter filter = {.unit = repair->unit, .board = repair->board, .voided = true};
    cj_run_head *heads = NULL;
    size_t count = 0;
    cj_status status = cj_log_list(log, &filter, &heads, &count, err);
    if (status == CJ_OK && count > 0)
        status = cj_log_run(log, heads[0].uuid, out, err);
    cj_run_heads_free(heads, count);
    return status;
}

/* A fault as we write it, or words. */
static cj_status set_found(cj_log *log, const char *text, cj_repair *repair, cj_error *err)
{
    cj_fault fault = cj_fault_none(CJ_FAULT_OUTSIDE);
    cj_error why = {0};
    cj_text written = {0};
    cj_run *run = NULL;
    if (cj_fault_read(text, &fault, &why) != CJ_OK) {
        if (is_notation(text))
            return cj_fail(err, CJ_USAGE, NULL, 0, 0, "--fault: %s", why.message);
        return cj_run_set(&repair->words, text, err);
    }
    cj_status status = last_run(log, repair, &run, err);
    if (status == CJ_OK && run != NULL)
        status = check_fault(run, &fault, err);
    cj_fault_text(&fault, &written);
    if (status == CJ_OK)
        status =
            written.failed ? cj_fail_memory(err) : cj_run_set(&repair->fault, written.bytes, err);
    cj_text_free(&written);
    cj_run_free(run);
    cj_fault_clear(&fault);
    return status;
}

static cj_status make_repair(const struct request *request, cj_log *log, cj_repair *repair,
                             cj_error *err)
{
    cj_status status =
        cj_log_board_of(log, request->names[0], request->log_texts[LOG_BOARD], &repair->board, err);
    if (status == CJ_OK)
        status = cj_run_set(&repair->unit, request->names[0], err);
    if (status == CJ_OK)
        status = cj_run_set(&repair->fault, "", err);
    if (status == CJ_OK)
        status = cj_run_set(&repair->words, "", err);
    if (status == CJ_OK)
        status = cj_run_set(&repair->operator_name, request->log_texts[LOG_OPERATOR], err);
    if (status == CJ_OK)
        status = cj_run_set(&repair->note, request->log_texts[LOG_NOTE], err);
    if (status == CJ_OK)
        status = cj_run_set(&repair->void_note, "", err);
    return status == CJ_OK ? set_found(log, request->log_texts[LOG_FAULT], repair, err) : status;
}

static int run_repair(const struct request *request, cj_error *err)
{
    cj_repair *repair = NULL;
    cj_log *log = NULL;
    cj_text answer = {0};
    if (request->name_count != 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "log repair wants one SERIAL, not %d",
                       request->name_count);
    if (request->log_texts[LOG_FAULT] == NULL)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "what was found? --fault says, as open-pin:U1:7 or in words");
    repair = cj_new(1, sizeof *repair);
    cj_status status =
        repair != NULL ? log_open(request, CJ_LOG_WRITE, &log, err) : cj_fail_memory(err);
    if (status == CJ_OK)
        status = make_repair(request, log, repair, err);
    if (status == CJ_OK)
        status = cj_log_repair(log, repair, err);
    cj_log_close(log);
    if (status == CJ_OK)
        status = request->json ? cj_report_repair_json(repair, &answer, err)
                               : cj_report_repair_text(repair, &answer, err);
    if (status == CJ_OK)
        status = output_write(request, &answer, err);
    cj_text_free(&answer);
    cj_repairs_free(repair, repair != NULL ? 1 : 0);
    return status;
}

/* ---- void ---- */

static int run_void(const struct request *request, cj_error *err)
{
    char uuid[CJ_UUID_TEXT] = "";
    bool is_run = true;
    cj_log *log = NULL;
    cj_text answer = {0};
    if (request->name_count != 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "log void wants one RUN, not %d; log list shows their numbers",
                       request->name_count);
    cj_status status = log_open(request, CJ_LOG_WRITE, &log, err);
    if (status == CJ_OK)
        status =
            cj_log_void(log, request->names[0], request->log_texts[LOG_NOTE], uuid, &is_run, err);
    cj_log_close(log);
    const char *what = is_run ? "run" : "repair";
    if (status == CJ_OK && request->json)
        cj_text_add(&answer, "{\"coldjoint\": \"log void\", \"version\": 1, \"%s\": \"%s\"}\n",
                    what, uuid);
    else if (status == CJ_OK)
        cj_text_add(&answer, "The %s %.8s is void: it stays on record and counts no more.\n", what,
                    uuid);
    if (status == CJ_OK)
        status = answer.failed ? cj_fail_memory(err) : output_write(request, &answer, err);
    cj_text_free(&answer);
    return status;
}

const struct command command_log_repair = {
    .name = "log repair",
    .arguments = "SERIAL --fault FAULT",
    .does = "what was actually found in a unit",
    .options = repair_options,
    .take = log_take,
    .run = run_repair,
};

const struct command command_log_void = {
    .name = "log void",
    .arguments = "RUN",
    .does = "strike a run or a repair that was a mistake",
    .options = void_options,
    .take = log_take,
    .run = run_void,
};
