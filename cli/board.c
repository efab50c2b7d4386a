/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

cj_status board_open_text(const char *path, cj_board **out, cj_text *text, cj_error *err)
{
    cj_errors errors = {0};
    cj_status status = cj_text_file(path, text, err);
    if (status != CJ_OK)
        return status;
    status = cj_board_read_text(path, text->bytes, text->length, out, &errors);
    for (int i = 0; status != CJ_OK && i + 1 < errors.count; i++)
        complain(&errors.items[i]);
    if (status != CJ_OK && errors.count > 0)
        *err = errors.items[errors.count - 1];
    else if (status != CJ_OK)
        cj_fail(err, status, path, 0, 0, "%s", cj_status_text(status));
    return status;
}

cj_status board_open(const char *path, cj_board **out, cj_error *err)
{
    cj_text text = {0};
    cj_status status = board_open_text(path, out, &text, err);
    cj_text_free(&text);
    return status;
}

cj_status board_blame(const char *path, cj_status status, cj_error *err)
{
    if (status == CJ_OK || status == CJ_NOMEM || err->file[0] != '\0')
        return status;
    return cj_fail(err, status, path, err->line, err->column, "%s", err->message);
}

void board_warn(const struct request *request, const cj_board *board)
{
    for (size_t i = 0; i < board->warnings.count; i++)
        remark(request, "%s", board->warnings.items[i]);
}

static int run(const struct request *request, cj_error *err)
{
    cj_board *board = NULL;
    cj_study *study = NULL;
    cj_text answer = {0};
    cj_report_style style = {.colour = output_coloured(request), .explain = request->explain};
    if (request->name_count != 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "board wants one BOARD, not %d",
                       request->name_count);

    cj_status status = board_open(request->names[0], &board, err);
    if (status == CJ_OK)
        status = board_blame(request->names[0],
                             cj_study_make(board, request->measure.instruments, &study, err), err);
    if (status == CJ_OK && request->json)
        status = cj_report_study_json(study, &answer, err);
    else if (status == CJ_OK)
        status = cj_report_study_text(study, &style, &answer, err);
    if (status == CJ_OK)
        status = output_write(request, &answer, err);
    if (status == CJ_OK)
        board_warn(request, board);
    cj_text_free(&answer);
    cj_study_free(study);
    cj_board_free(board);
    return status;
}

const struct command command_board = {
    .name = "board",
    .arguments = "BOARD",
    .does = "what a healthy unit reads; what the steps can tell",
    .run = run,
};
