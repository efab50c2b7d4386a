/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log export: everything, as a table or as JSON; run by run, for a log may be larger than memory.
 */
#include "cli.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

static const struct poptOption options[] = {
    {"csv", 0, POPT_ARG_NONE, NULL, OPTION_CSV, "a table: a row for each figure of each run", NULL},
    POPT_TABLEEND,
};

/* A piece of the answer goes into the spool; nothing is shown before all of it is there. */
static cj_status spool(FILE *file, cj_text *piece, cj_error *err)
{
    if (piece->length > 0 && fwrite(piece->bytes, 1, piece->length, file) != piece->length)
        return cj_fail(err, CJ_IO, NULL, 0, 0, "no room for the export in the temporary folder: %s",
                       strerror(errno));
    piece->length = 0;
    return CJ_OK;
}

static cj_status export_run(const struct request *request, cj_log *log, const char *uuid,
                            bool first, cj_text *piece, cj_error *err)
{
    cj_run *run = NULL;
    cj_status status = cj_log_run(log, uuid, &run, err);
    if (status == CJ_OK)
        status = request->csv ? cj_report_export_csv(run, piece, err)
                              : cj_report_export_json(run, first, piece, err);
    cj_run_free(run);
    return status;
}

static cj_status export_all(const struct request *request, cj_log *log, FILE *file, cj_error *err)
{
    const cj_log_filter filter = {.voided = true};
    cj_run_head *heads = NULL;
    cj_repair *repairs = NULL;
    size_t count = 0, repair_count = 0;
    cj_text piece = {0};
    cj_status status = cj_log_list(log, &filter, &heads, &count, err);
    if (status == CJ_OK)
        status = request->csv ? cj_report_export_csv(NULL, &piece, err)
                              : cj_report_export_json(NULL, true, &piece, err);
    for (size_t i = 0; status == CJ_OK && i < count; i++) {
        status = export_run(request, log, heads[count - 1 - i].uuid, i == 0, &piece, err);
        if (status == CJ_OK)
            status = spool(file, &piece, err);
    }
    if (status == CJ_OK && !request->csv)
        status = cj_log_repairs(log, NULL, NULL, &repairs, &repair_count, err);
    if (status == CJ_OK && !request->csv)
        status = cj_report_export_json_end(repairs, repair_count, &piece, err);
    if (status == CJ_OK)
        status = spool(file, &piece, err);
    cj_text_free(&piece);
    cj_repairs_free(repairs, repair_count);
    cj_run_heads_free(heads, count);
    return status;
}

static int run_export(const struct request *request, cj_error *err)
{
    cj_log *log = NULL;
    if (request->name_count > 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "log export takes options alone, not '%.100s'",
                       request->names[0]);
    if (request->csv == request->json)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "as a table or as JSON? --csv or --json says");
    cj_status status = log_open(request, CJ_LOG_READ, &log, err);
    if (status != CJ_OK)
        return status;
    FILE *file = tmpfile();
    if (file == NULL)
        status = cj_fail(err, CJ_CANTCREAT, NULL, 0, 0, "no temporary file for the export: %s",
                         strerror(errno));
    else
        status = export_all(request, log, file, err);
    cj_log_close(log);
    if (status == CJ_OK)
        status = output_write_file(request, file, err);
    if (file != NULL)
        fclose(file);
    return status;
}

const struct command command_log_export = {
    .name = "log export",
    .arguments = "--csv|--json",
    .does = "everything, for other programs",
    .options = options,
    .take = log_take,
    .run = run_export,
};
