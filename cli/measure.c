/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

static int run(const struct request *request, cj_error *err)
{
    struct measured measured = {0};
    cj_text answer = {0};
    cj_report_style style = {.colour = output_coloured(request), .explain = request->explain};
    cj_status status = CJ_USAGE;
    if (request->name_count != 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "measure wants one CAPTURE, not %d",
                       request->name_count);

    status = measured_make(request, request->names[0], 0, 1, &measured, err);
    if (status != CJ_OK)
        goto out;
    if (request->json)
        status = cj_report_measure_json(measured.measurement, &measured.digests, &answer, err);
    else if (output_is_page(request))
        status = page_of_captures(&measured, 1, NULL, NULL, &answer, err);
    else
        status = cj_report_measure_text(measured.measurement, &style, &answer, err);
    if (status != CJ_OK)
        goto out;
    status = output_write(request, &answer, err);
    if (status == CJ_OK)
        advise(request, measured.measurement);
out:
    cj_text_free(&answer);
    measured_free(&measured);
    return status;
}

const struct command command_measure = {
    .name = "measure",
    .arguments = "CAPTURE",
    .does = "figures of both channels and of the pair",
    .run = run,
};
