/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log stats: the units of a board together. */
#include "cli.h"

#include <string.h>
#include <unistd.h>

static bool is_logged(const cj_logged_board *boards, size_t count, const char *name)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(boards[i].name, name) == 0)
            return true;
    return false;
}

static cj_status list_boards(const cj_logged_board *boards, size_t count, cj_error *err)
{
    cj_text names = {0};
    for (size_t i = 0; i < count && i < 8; i++)
        cj_text_add(&names, "%s%.60s", i > 0 ? ", " : "", boards[i].name);
    cj_status status =
        names.failed ? cj_fail_memory(err)
                     : cj_fail(err, CJ_USAGE, NULL, 0, 0, "which board? the log has units of %s%s",
                               names.bytes, count > 8 ? ", ..." : "");
    cj_text_free(&names);
    return status;
}

/* A board by its name in the log, by its file, or the only one there is. */
static cj_status choose(const struct request *request, const cj_logged_board *boards, size_t count,
                        char name[64], cj_error *err)
{
    const char *given = request->name_count > 0 ? request->names[0] : NULL;
    if (count == 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "the log has no runs yet; 'coldjoint log add' records one");
    if (given == NULL && count > 1)
        return list_boards(boards, count, err);
    if (given == NULL)
        given = boards[0].name;
    if (!is_logged(boards, count, given) && access(given, F_OK) == 0) {
        cj_board *board = NULL;
        cj_status status = board_open(given, &board, err);
        if (status == CJ_OK)
            strcpy(name, board->name);
        cj_board_free(board);
        return status;
    }
    if (!is_logged(boards, count, given))
        return list_boards(boards, count, err);
    cj_text text = {0};
    cj_text_add(&text, "%.63s", given);
    if (text.failed)
        return cj_fail_memory(err);
    strcpy(name, text.bytes);
    cj_text_free(&text);
    return CJ_OK;
}

static cj_status make(const struct request *request, cj_batch **out, cj_error *err)
{
    cj_log *log = NULL;
    cj_logged_board *boards = NULL;
    size_t count = 0;
    char name[64] = "";
    cj_status status = log_open(request, CJ_LOG_READ, &log, err);
    if (status == CJ_OK)
        status = cj_log_boards(log, &boards, &count, err);
    if (status == CJ_OK)
        status = choose(request, boards, count, name, err);
    if (status == CJ_OK)
        status = cj_batch_make(log, name, out, err);
    cj_logged_boards_free(boards, count);
    cj_log_close(log);
    return status;
}

static int run_stats(const struct request *request, cj_error *err)
{
    cj_report_style style = {.colour = output_coloured(request)};
    cj_batch *batch = NULL;
    cj_text answer = {0};
    if (request->name_count > 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "log stats wants one BOARD at most, not %d",
                       request->name_count);
    cj_status status = make(request, &batch, err);
    if (status == CJ_OK && request->json)
        status = cj_report_batch_json(batch, &answer, err);
    else if (status == CJ_OK)
        status = cj_report_batch_text(batch, &style, &answer, err);
    if (status == CJ_OK)
        status = output_write(request, &answer, err);
    cj_text_free(&answer);
    cj_batch_free(batch);
    return status;
}

const struct command command_log_stats = {
    .name = "log stats",
    .arguments = "[BOARD]",
    .does = "yield, spread and limits, what stands out, faults by frequency",
    .run = run_stats,
};
