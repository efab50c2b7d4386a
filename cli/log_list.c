/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log list, log show: what is recorded. */
#include "cli.h"

#include <string.h>

static const struct poptOption list_options[] = {
    LOG_TEXT_OPTION("board", LOG_BOARD, "only units of this board", "BOARD"),
    LOG_TEXT_OPTION("verdict", LOG_VERDICT, "only runs of this verdict", "pass|fail|undecided"),
    LOG_TEXT_OPTION("since", LOG_SINCE, "only runs from this date on (UTC)", "DATE"),
    LOG_TEXT_OPTION(
        "fault", LOG_FAULT,
        "only where this is the first finding, or was repaired; a beginning will do, as "
        "open-pin or open-pin:U1",
        "FAULT"),
    {"void", 0, POPT_ARG_NONE, NULL, OPTION_VOID, "void runs too", NULL},
    POPT_TABLEEND,
};

static const struct poptOption show_options[] = {
    LOG_TEXT_OPTION("board", LOG_BOARD, "the board, where several have that serial number",
                    "BOARD"),
    POPT_TABLEEND,
};

static cj_status read_filter(const struct request *request, cj_log_filter *filter, cj_error *err)
{
    static const struct {
        const char *word;
        cj_verdict verdict;
    } words[] = {{"pass", CJ_PASS}, {"fail", CJ_FAIL}, {"undecided", CJ_VERDICT_UNDECIDED}};
    const char *verdict = request->log_texts[LOG_VERDICT];
    *filter = (cj_log_filter){.board = request->log_texts[LOG_BOARD],
                              .fault = request->log_texts[LOG_FAULT],
                              .since = request->log_texts[LOG_SINCE],
                              .by_verdict = verdict != NULL,
                              .voided = request->voided};
    if (verdict == NULL)
        return CJ_OK;
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (strcmp(verdict, words[i].word) == 0) {
            filter->verdict = words[i].verdict;
            return CJ_OK;
        }
    }
    return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                   "--verdict: '%.40s' is none of pass, fail and undecided", verdict);
}

static int run_list(const struct request *request, cj_error *err)
{
    cj_report_style style = {.colour = output_coloured(request)};
    cj_log_filter filter;
    cj_log *log = NULL;
    cj_run_head *runs = NULL;
    size_t count = 0;
    cj_text answer = {0};
    if (request->name_count > 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "log list takes options alone, not '%.100s' (log show SERIAL is one unit)",
                       request->names[0]);
    cj_status status = read_filter(request, &filter, err);
    if (status == CJ_OK)
        status = log_open(request, CJ_LOG_READ, &log, err);
    if (status == CJ_OK)
        status = cj_log_list(log, &filter, &runs, &count, err);
    cj_log_close(log);
    if (status == CJ_OK && request->json)
        status = cj_report_runs_json(runs, count, &answer, err);
    else if (status == CJ_OK)
        status = cj_report_runs_text(runs, count, &style, &answer, err);
    if (status == CJ_OK)
        status = output_write(request, &answer, err);
    cj_text_free(&answer);
    cj_run_heads_free(runs, count);
    return status;
}

/* ---- show ---- */

/* All that is known of one unit, void runs too. */
struct history {
    cj_run_head *heads;
    size_t head_count;
    cj_run **runs;
    cj_repair *repairs;
    size_t repair_count;
    char *board;
};

static void history_free(struct history *history)
{
    for (size_t i = 0; history->runs != NULL && i < history->head_count; i++)
        cj_run_free(history->runs[i]);
    cj_free(history->runs);
    cj_run_heads_free(history->heads, history->head_count);
    cj_repairs_free(history->repairs, history->repair_count);
    cj_free(history->board);
}

static cj_status history_read(cj_log *log, const char *unit, const char *board, struct history *out,
                              cj_error *err)
{
    cj_status status = cj_log_board_of(log, unit, board, &out->board, err);
    const cj_log_filter filter = {.unit = unit, .board = out->board, .voided = true};
    if (status == CJ_OK)
        status = cj_log_list(log, &filter, &out->heads, &out->head_count, err);
    if (status == CJ_OK)
        status = cj_log_repairs(log, out->board, unit, &out->repairs, &out->repair_count, err);
    if (status == CJ_OK && (out->runs = cj_new(out->head_count + 1, sizeof *out->runs)) == NULL)
        status = cj_fail_memory(err);
    /* newest first becomes oldest first */
    for (size_t i = 0; status == CJ_OK && i < out->head_count; i++)
        status = cj_log_run(log, out->heads[out->head_count - 1 - i].uuid, &out->runs[i], err);
    return status;
}

static int run_show(const struct request *request, cj_error *err)
{
    cj_report_style style = {.colour = output_coloured(request)};
    struct history history = {0};
    cj_log *log = NULL;
    cj_text answer = {0};
    if (request->name_count != 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "log show wants one SERIAL, not %d",
                       request->name_count);
    cj_status status = log_open(request, CJ_LOG_READ, &log, err);
    if (status == CJ_OK)
        status = history_read(log, request->names[0], request->log_texts[LOG_BOARD], &history, err);
    cj_log_close(log);
    const cj_unit_history whole = {.unit = request->names[0],
                                   .board = history.board,
                                   .runs = history.runs,
                                   .run_count = history.head_count,
                                   .repairs = history.repairs,
                                   .repair_count = history.repair_count};
    if (status == CJ_OK && request->json)
        status = cj_report_unit_json(&whole, &answer, err);
    else if (status == CJ_OK)
        status = cj_report_unit_text(&whole, &style, &answer, err);
    if (status == CJ_OK)
        status = output_write(request, &answer, err);
    cj_text_free(&answer);
    history_free(&history);
    return status;
}

const struct command command_log_list = {
    .name = "log list",
    .arguments = "",
    .does = "the runs that are recorded",
    .options = list_options,
    .take = log_take,
    .run = run_list,
};

const struct command command_log_show = {
    .name = "log show",
    .arguments = "SERIAL",
    .does = "all that is recorded of one unit",
    .options = show_options,
    .take = log_take,
    .run = run_show,
};
