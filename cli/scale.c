/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

#include <math.h>
#include <string.h>

enum { OPTION_READS = OPTION_COMMAND };

static const struct poptOption options[] = {
    {"reads", 0, POPT_ARG_STRING, NULL, OPTION_READS,
     "what a meter reads on channel 1 while the tone plays (RMS)", "VOLTS"},
    POPT_TABLEEND,
};

static cj_status take(struct request *request, int option, const char *text, cj_error *err)
{
    if (option == OPTION_READS)
        return option_positive("--reads", text, "V", &request->reads_v, err);
    return cj_fail(err, CJ_BUG, NULL, 0, 0, "option %d has nobody to take it", option);
}

static cj_status check(const struct request *request, cj_error *err)
{
    if (request->name_count != 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "scale wants one CAPTURE, not %d",
                       request->name_count);
    if (!(request->reads_v > 0))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "scale wants --reads VOLTS, the meter's reading of the tone");
    if (request->capture.full_scale_v > 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "scale finds the full scale itself: leave out --full-scale");
    return CJ_OK;
}

/* What was known of the chain stays; full scale and gain are now measured. */
static cj_instruments calibrated(const struct request *request, const cj_scale *scale)
{
    cj_instruments instruments = request->instruments;
    if (instruments.name[0] == '\0')
        strcpy(instruments.name, "scaled");
    instruments.full_scale_v = scale->full_scale_v;
    instruments.gain = scale->u / scale->full_scale_v;
    return instruments;
}

/* With -o the instruments file goes there and the volts to standard output; without, the file is
 * the answer (its first line, a comment, says the volts), unless JSON was asked for. */
static cj_status answer(const struct request *request, const struct measured *measured,
                        const cj_scale *scale, cj_error *err)
{
    cj_text file = {0}, print = {0};
    cj_instruments instruments = calibrated(request, scale);
    cj_status status;
    if (request->json)
        status =
            cj_report_scale_json(measured->measurement, &measured->digests, scale, &print, err);
    else
        status = cj_report_scale_text(scale, &print, err);
    if (status == CJ_OK) {
        cj_text_add(&file, "# ");
        status = cj_report_scale_text(scale, &file, err);
    }
    if (status == CJ_OK)
        status = cj_report_instruments(&instruments, &file, err);
    if (status == CJ_OK && request->output != NULL)
        status = output_write(request, &file, err);
    if (status == CJ_OK)
        status = output_print(request->output != NULL || request->json ? &print : &file, err);
    cj_text_free(&file);
    cj_text_free(&print);
    return status;
}

static int run(const struct request *request, cj_error *err)
{
    struct measured measured = {0};
    cj_scale scale = {.reads_v = request->reads_v};
    cj_status status = check(request, err);
    if (status != CJ_OK)
        return status;
    /* a full scale in the instruments file is what is being replaced: measure in FS */
    struct request raw = *request;
    raw.capture.full_scale_v = 0;
    raw.instruments.full_scale_v = NAN;
    if (raw.measure.instruments != NULL)
        raw.measure.instruments = &raw.instruments;
    status = measured_make(&raw, request->names[0], 0, 1, &measured, err);
    if (status == CJ_OK)
        status =
            cj_full_scale(measured.measurement, scale.reads_v, &scale.full_scale_v, &scale.u, err);
    if (status == CJ_OK)
        status = answer(request, &measured, &scale, err);
    if (status == CJ_OK)
        advise(request, measured.measurement);
    measured_free(&measured);
    return status;
}

const struct command command_scale = {
    .name = "scale",
    .arguments = "CAPTURE --reads VOLTS",
    .does = "volts at full scale from one meter reading",
    .options = options,
    .take = take,
    .run = run,
};
