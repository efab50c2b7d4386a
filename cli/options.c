/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    OPTION_JSON = OPTION_COMMON,
    OPTION_CHANNELS,
    OPTION_PROBE,
    OPTION_FULL_SCALE,
    OPTION_COUPLING,
    OPTION_TONE,
    OPTION_BAND,
    OPTION_MAINS,
    OPTION_INSTRUMENTS,
    OPTION_STIMULUS,
    OPTION_MATCH,
    OPTION_RULES,
    OPTION_LOG,
    OPTION_NO_HISTORY,
    OPTION_EXPLAIN,
    OPTION_OUTPUT,
    OPTION_QUIET,
    OPTION_HELP,
    OPTION_VERSION
};

/* Numbers are taken as text: 1k, 4k7 and 20 mV are numbers here. */
static const struct poptOption common[] = {
    {"json", 0, POPT_ARG_NONE, NULL, OPTION_JSON, "answer as one JSON object", NULL},
    {"channels", 0, POPT_ARG_STRING, NULL, OPTION_CHANNELS,
     "which two channels, counted from 1 (default: the first two in volts)", "A,B"},
    {"probe", 0, POPT_ARG_STRING, NULL, OPTION_PROBE,
     "attenuation of the probes that the file does not know of, as in 10,1", "A,B"},
    {"full-scale", 0, POPT_ARG_STRING, NULL, OPTION_FULL_SCALE,
     "volts peak at digital full scale (audio; see the command scale)", "V"},
    {"coupling", 0, POPT_ARG_STRING, NULL, OPTION_COUPLING,
     "how the inputs were coupled (default: audio ac, scope dc)", "ac|dc"},
    {"tone", 0, POPT_ARG_STRING, NULL, OPTION_TONE, "frequency of the tone (default: found)", "HZ"},
    {"band", 0, POPT_ARG_STRING, NULL, OPTION_BAND,
     "where distortion and noise are counted (default 20,20k)", "LOW,HIGH"},
    {"mains", 0, POPT_ARG_STRING, NULL, OPTION_MAINS, "mains frequency (default: found)", "50|60"},
    {"instruments", 0, POPT_ARG_STRING, NULL, OPTION_INSTRUMENTS,
     "the errors of your own scope or interface (YAML)", "FILE"},
    {"stimulus", 0, POPT_ARG_STRING, NULL, OPTION_STIMULUS,
     "the sweep that was played, for a recording of one channel", "FILE"},
    {"match", 0, POPT_ARG_STRING, NULL, OPTION_MATCH,
     "a capture with both inputs on one point: their own difference is taken out", "CAPTURE"},
    {"rules", 0, POPT_ARG_STRING, NULL, OPTION_RULES,
     "more rules for the findings of compare (YAML; may be given again)", "FILE"},
    {"log", 0, POPT_ARG_STRING, NULL, OPTION_LOG,
     "the unit log (default: $COLDJOINT_LOG, else your own)", "FILE"},
    {"no-history", 0, POPT_ARG_NONE, NULL, OPTION_NO_HISTORY,
     "diagnose without the repairs that a log holds", NULL},
    {"explain", 0, POPT_ARG_NONE, NULL, OPTION_EXPLAIN,
     "how the file was read, and why each rule fired or stayed silent", NULL},
    {"output", 'o', POPT_ARG_STRING, NULL, OPTION_OUTPUT,
     "write to FILE instead of standard output", "FILE"},
    {"quiet", 'q', POPT_ARG_NONE, NULL, OPTION_QUIET, "no progress and no advice on standard error",
     NULL},
    {"help", 'h', POPT_ARG_NONE, NULL, OPTION_HELP, "this help", NULL},
    {"version", 0, POPT_ARG_NONE, NULL, OPTION_VERSION, "the version", NULL},
    POPT_TABLEEND,
};

static cj_status read_quantity(const char *option, const char *text, const char *unit,
                               double *value, cj_error *err)
{
    cj_error why = {0};
    if (cj_quantity_read(text, unit, value, &why) != CJ_OK)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s: %s", option, why.message);
    return CJ_OK;
}

cj_status option_positive(const char *option, const char *text, const char *unit, double *value,
                          cj_error *err)
{
    double read = 0;
    cj_status status = read_quantity(option, text, unit, &read, err);
    if (status == CJ_OK && !(read > 0))
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s: '%.40s' is not above zero", option, text);
    if (status == CJ_OK)
        *value = read;
    return status;
}

cj_status option_pair(const char *option, const char *text, const char *unit, double value[2],
                      cj_error *err)
{
    const char *comma = strchr(text, ',');
    if (comma == NULL || strchr(comma + 1, ',') != NULL)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "%s: '%.40s' is not two numbers with a comma between", option, text);
    char *first = cj_copy_text_n(text, (size_t)(comma - text));
    if (first == NULL)
        return cj_fail_memory(err);
    cj_status status = option_positive(option, first, unit, &value[0], err);
    cj_free(first);
    return status == CJ_OK ? option_positive(option, comma + 1, unit, &value[1], err) : status;
}

static cj_status take_channels(struct request *request, const char *text, cj_error *err)
{
    double pair[2];
    cj_status status = option_pair("--channels", text, "", pair, err);
    if (status != CJ_OK)
        return status;
    for (int i = 0; i < 2; i++)
        if (pair[i] != floor(pair[i]) || pair[i] > 65535)
            return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                           "--channels: '%.40s' is not two channels counted from 1, as in 1,4",
                           text);
    if (pair[0] == pair[1])
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "--channels: '%.40s' is one channel twice", text);
    request->capture.channels[0] = (int)pair[0];
    request->capture.channels[1] = (int)pair[1];
    return CJ_OK;
}

static cj_status take_coupling(struct request *request, const char *text, cj_error *err)
{
    if (strcmp(text, "ac") != 0 && strcmp(text, "dc") != 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "--coupling: '%.40s' is neither ac nor dc", text);
    request->capture.coupling = strcmp(text, "ac") == 0 ? CJ_COUPLING_AC : CJ_COUPLING_DC;
    return CJ_OK;
}

static cj_status take_band(struct request *request, const char *text, cj_error *err)
{
    double pair[2];
    cj_status status = option_pair("--band", text, "Hz", pair, err);
    if (status != CJ_OK)
        return status;
    if (!(pair[0] < pair[1]))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "--band: '%.40s' does not rise; the lower edge comes first, as in 20,20k",
                       text);
    request->measure.band_low_hz = pair[0];
    request->measure.band_high_hz = pair[1];
    return CJ_OK;
}

static cj_status take_mains(struct request *request, const char *text, cj_error *err)
{
    double read = 0;
    cj_status status = option_positive("--mains", text, "Hz", &read, err);
    if (status == CJ_OK && read != 50 && read != 60)
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0, "--mains: '%.40s' is neither 50 nor 60", text);
    if (status == CJ_OK)
        request->measure.mains_hz = read;
    return status;
}

static cj_status take_rules(struct request *request, const char *text, cj_error *err)
{
    char *copy = cj_copy_text(text);
    if (copy == NULL || !cj_reserve((void **)&request->rules_files, &request->rules_capacity,
                                    request->rules_count, sizeof(char *))) {
        cj_free(copy);
        return cj_fail_memory(err);
    }
    request->rules_files[request->rules_count++] = copy;
    return CJ_OK;
}

static cj_status take_output(struct request *request, const char *text, cj_error *err)
{
    if (*text == '\0')
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "-o wants the name of a file");
    cj_free(request->output);
    request->output = NULL;
    if (strcmp(text, "-") == 0)
        return CJ_OK;
    request->output = cj_copy_text(text);
    return request->output ? CJ_OK : cj_fail_memory(err);
}

static cj_status take_name(const char *option, const char *text, char **name, cj_error *err)
{
    if (*text == '\0')
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s wants the name of a file", option);
    cj_free(*name);
    *name = cj_copy_text(text);
    return *name ? CJ_OK : cj_fail_memory(err);
}

static cj_status take_instruments(struct request *request, const char *text, cj_error *err)
{
    cj_status status = take_name("--instruments", text, &request->instruments_name, err);
    if (status != CJ_OK)
        return status;
    return cj_instruments_read(text, &request->instruments, err);
}

static cj_status take_common(struct request *request, int option, const char *text, cj_error *err)
{
    switch (option) {
    case OPTION_JSON:
        request->json = true;
        return CJ_OK;
    case OPTION_EXPLAIN:
        request->explain = true;
        return CJ_OK;
    case OPTION_QUIET:
        request->quiet = true;
        return CJ_OK;
    case OPTION_HELP:
        request->help = true;
        return CJ_OK;
    case OPTION_VERSION:
        request->version = true;
        return CJ_OK;
    case OPTION_CHANNELS:
        return take_channels(request, text, err);
    case OPTION_PROBE:
        return option_pair("--probe", text, "", request->capture.probe, err);
    case OPTION_FULL_SCALE:
        return option_positive("--full-scale", text, "V", &request->capture.full_scale_v, err);
    case OPTION_COUPLING:
        return take_coupling(request, text, err);
    case OPTION_TONE:
        return option_positive("--tone", text, "Hz", &request->measure.tone_hz, err);
    case OPTION_BAND:
        return take_band(request, text, err);
    case OPTION_MAINS:
        return take_mains(request, text, err);
    case OPTION_INSTRUMENTS:
        return take_instruments(request, text, err);
    case OPTION_STIMULUS:
        return take_name("--stimulus", text, &request->stimulus_name, err);
    case OPTION_MATCH:
        return take_name("--match", text, &request->match_name, err);
    case OPTION_RULES:
        return take_rules(request, text, err);
    case OPTION_NO_HISTORY:
        request->no_history = true;
        return CJ_OK;
    case OPTION_LOG:
        return take_name("--log", text, &request->log_name, err);
    case OPTION_OUTPUT:
        return take_output(request, text, err);
    }
    return cj_fail(err, CJ_BUG, NULL, 0, 0, "option %d has nobody to take it", option);
}

/* What popt could not read, in our words. */
static cj_status bad_option(poptContext context, int code, const struct request *request,
                            cj_error *err)
{
    const char *option = poptBadOption(context, POPT_BADOPTION_NOALIAS);
    const char *name = request->command->name;
    switch (code) {
    case POPT_ERROR_BADOPT:
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "%s: no such option; 'coldjoint %s --help' lists them", option, name);
    case POPT_ERROR_NOARG:
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s: wants a value; see 'coldjoint %s --help'",
                       option, name);
    case POPT_ERROR_UNWANTEDARG:
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s: takes no value", option);
    case POPT_ERROR_MALLOC:
        return cj_fail_memory(err);
    }
    return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s: %s", option, poptStrerror(code));
}

/* Own options first, then the common ones. popt writes to none of them: every argument is NULL. */
static void make_table(const struct command *command, struct poptOption table[3])
{
    int row = 0;
    if (command->options != NULL)
        table[row++] = (struct poptOption){
            NULL, 0, POPT_ARG_INCLUDE_TABLE, (void *)command->options, 0, "Of this command:", NULL};
    table[row++] = (struct poptOption){
        NULL, 0, POPT_ARG_INCLUDE_TABLE, (void *)common, 0, "Of every command:", NULL};
    table[row] = (struct poptOption)POPT_TABLEEND;
}

/* Where no option said otherwise, the instruments file does. */
static void apply_instruments(struct request *request)
{
    if (request->instruments_name == NULL)
        return;
    request->measure.instruments = &request->instruments;
    if (request->capture.coupling == CJ_COUPLING_DEFAULT)
        request->capture.coupling = request->instruments.coupling;
    /* not what is being measured, and not what the player puts out */
    bool other = request->command == &command_scale || request->command == &command_stimulus ||
                 request->command == &command_plan;
    if (!other && !(request->capture.full_scale_v > 0) && request->instruments.full_scale_v > 0)
        request->capture.full_scale_v = request->instruments.full_scale_v;
}

static void read_names(struct request *request, poptContext context)
{
    request->names = poptGetArgs(context);
    while (request->names != NULL && request->names[request->name_count] != NULL)
        request->name_count++;
}

cj_status options_read(struct request *request, int count, const char **arguments,
                       poptContext *context, cj_error *err)
{
    const struct command *command = request->command;
    struct poptOption table[3];
    make_table(command, table);
    cj_instruments_default(&request->instruments);
    *context = poptGetContext(NULL, count, arguments, table, 0);
    if (*context == NULL)
        return cj_fail_memory(err);

    cj_status status = CJ_OK;
    int option;
    while (status == CJ_OK && (option = poptGetNextOpt(*context)) > 0) {
        char *text = poptGetOptArg(*context);
        if (option >= OPTION_COMMAND)
            status = command->take(request, option, text, err);
        else
            status = take_common(request, option, text, err);
        free(text);
    }
    if (status == CJ_OK && option < -1)
        status = bad_option(*context, option, request, err);
    if (status == CJ_OK) {
        read_names(request, *context);
        apply_instruments(request);
    }
    return status;
}

cj_status options_help(const struct command *command, cj_text *out, cj_error *err)
{
    struct poptOption table[3];
    const char *arguments[] = {"coldjoint", NULL};
    cj_text usage = {0};
    char *bytes = NULL;
    size_t length = 0;
    cj_status status = CJ_OK;
    make_table(command, table);
    cj_text_add(&usage, "%s [OPTION...] %s", command->name, command->arguments);
    poptContext context = poptGetContext(NULL, 1, arguments, table, 0);
    FILE *memory = open_memstream(&bytes, &length);
    if (usage.failed || context == NULL || memory == NULL) {
        status = cj_fail_memory(err);
        goto out;
    }
    poptSetOtherOptionHelp(context, usage.bytes);
    poptPrintHelp(context, memory, 0);
    if (fclose(memory) != 0) {
        memory = NULL;
        status = cj_fail_memory(err);
        goto out;
    }
    memory = NULL;
    cj_text_add(out, "coldjoint %s: %s\n", command->name, command->does);
    if (command->words != NULL)
        cj_text_add(out, "%s\n", command->words);
    cj_text_add_n(out, bytes, length);
out:
    if (memory != NULL)
        fclose(memory);
    free(bytes);
    if (context != NULL)
        poptFreeContext(context);
    cj_text_free(&usage);
    return status;
}

void request_free(struct request *request)
{
    for (size_t i = 0; i < request->rules_count; i++)
        cj_free(request->rules_files[i]);
    cj_free(request->rules_files);
    cj_free(request->output);
    cj_free(request->folder);
    cj_free(request->log_name);
    cj_free(request->instruments_name);
    for (size_t i = 0; i < LOG_TEXTS; i++)
        cj_free(request->log_texts[i]);
}
