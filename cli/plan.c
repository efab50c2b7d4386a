/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

#include <string.h>

enum { OPTION_WRITE = OPTION_COMMAND };

static const struct poptOption options[] = {
    {"write", 0, POPT_ARG_STRING, NULL, OPTION_WRITE,
     "write the files to play and the sheet as a page (plan.html) into this folder", "DIR"},
    POPT_TABLEEND,
};

static cj_status take(struct request *request, int option, const char *text, cj_error *err)
{
    if (option != OPTION_WRITE || *text == '\0')
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "--write wants the name of a folder");
    cj_free(request->folder);
    request->folder = cj_copy_text(text);
    return request->folder ? CJ_OK : cj_fail_memory(err);
}

static cj_status write_page(const struct request *request, const char *path, const cj_plan *plan,
                            cj_error *err)
{
    struct request page = *request;
    cj_text html = {0};
    page.output = (char *)path;
    cj_status status = cj_report_plan_html(plan, &html, err);
    if (status == CJ_OK)
        status = output_write(&page, &html, err);
    cj_text_free(&html);
    return status;
}

/* The page comes last: where it is, all files are. */
static cj_status write_folder(const struct request *request, const cj_plan *plan, cj_error *err)
{
    cj_status status = output_folder(request->folder, err);
    const char *slash = request->folder[strlen(request->folder) - 1] == '/' ? "" : "/";
    for (size_t i = 0; status == CJ_OK && i <= plan->count; i++) {
        const cj_plan_item *item = &plan->items[i];
        bool page = i == plan->count;
        cj_text path = {0};
        if (!page && !item->plays)
            continue;
        cj_text_add(&path, "%s%s%s", request->folder, slash, page ? "plan.html" : item->file);
        cj_audio_format format = {
            .bits = 24, .dither = true, .seed = 1, .full_scale = plan->full_scale_v};
        if (path.failed)
            status = cj_fail_memory(err);
        else if (page)
            status = write_page(request, path.bytes, plan, err);
        else
            status = cj_stimulus_write(path.bytes, &item->stimulus, &format, err);
        cj_text_free(&path);
    }
    return status;
}

static cj_status make(const struct request *request, const cj_board *board, cj_plan **out,
                      cj_error *err)
{
    cj_plan_options how = {.full_scale_v = request->capture.full_scale_v};
    return board_blame(request->names[0], cj_plan_make(board, &how, out, err), err);
}

static int run(const struct request *request, cj_error *err)
{
    cj_board *board = NULL;
    cj_plan *plan = NULL;
    cj_text answer = {0};
    cj_report_style style = {.colour = output_coloured(request)};
    if (request->name_count != 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "plan wants one BOARD, not %d",
                       request->name_count);
    cj_status status = board_open(request->names[0], &board, err);
    if (status == CJ_OK)
        status = make(request, board, &plan, err);
    if (status == CJ_OK && output_is_page(request))
        status = cj_report_plan_html(plan, &answer, err);
    else if (status == CJ_OK && request->json)
        status = cj_report_plan_json(plan, &answer, err);
    else if (status == CJ_OK)
        status = cj_report_plan_text(plan, &style, &answer, err);
    if (status == CJ_OK && request->folder != NULL)
        status = write_folder(request, plan, err);
    if (status == CJ_OK)
        status = output_write(request, &answer, err);
    if (status == CJ_OK)
        board_warn(request, board);
    cj_text_free(&answer);
    cj_plan_free(plan);
    cj_board_free(board);
    return status;
}

const struct command command_plan = {
    .name = "plan",
    .arguments = "BOARD [--write DIR]",
    .does = "the bench sheet, and the signals to play",
    .options = options,
    .take = take,
    .run = run,
};
