/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What stands behind the board: folders, readings files, typed readings, STEP=CAPTURE. */
#include "cli.h"

#include <string.h>
#include <sys/stat.h>

cj_status rules_load(const struct request *request, cj_rules **out, cj_error *err)
{
    cj_rules *rules = NULL;
    cj_status status = cj_rules_builtin(&rules, err);
    for (size_t i = 0; status == CJ_OK && i < request->rules_count; i++)
        status = cj_rules_add(rules, request->rules_files[i], err);
    if (status != CJ_OK) {
        cj_rules_free(rules);
        rules = NULL;
    }
    *out = rules;
    return status;
}

cj_status evidence_add(struct evidence *evidence, size_t step, const char *name, cj_error *err)
{
    char *copy = cj_copy_text(name);
    if (copy == NULL || !cj_reserve((void **)&evidence->items, &evidence->capacity, evidence->count,
                                    sizeof *evidence->items)) {
        cj_free(copy);
        return cj_fail_memory(err);
    }
    evidence->items[evidence->count++] = (struct seen){.step = step, .name = copy};
    return CJ_OK;
}

/* ---- one word of the command line ---- */

static bool is_folder(const char *name)
{
    struct stat about;
    return stat(name, &about) == 0 && S_ISDIR(about.st_mode);
}

/* STEP:FIGURE=VALUE and not STEP=CAPTURE, whose file may have a colon in its name. */
static bool is_typed(const char *name)
{
    const char *colon = strchr(name, ':'), *equals = strchr(name, '=');
    return colon != NULL && equals != NULL && colon < equals;
}

/* A word that is nothing of what is wanted, in words. */
static cj_status refuse(const char *name, cj_error *err)
{
    struct stat about;
    if (strcmp(name, "-") == 0 || stat(name, &about) == 0)
        return cj_fail(err, CJ_USAGE, name, 0, 0,
                       "a capture of which step? write STEP=%.200s (a readings file begins with "
                       "step,figure,net,value,u)",
                       name);
    if (strchr(name, ':') != NULL)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "'%.100s' lacks its value: expected STEP:FIGURE[@NET]=VALUE[~U]", name);
    return cj_fail(err, CJ_NOINPUT, name, 0, 0,
                   "no such folder or readings file, and no reading (STEP:FIGURE@NET=VALUE) or "
                   "STEP=CAPTURE either");
}

static cj_status add_named(struct evidence *evidence, const char *name, cj_error *err)
{
    const char *equals = strchr(name, '=');
    char *step = cj_copy_text_n(name, (size_t)(equals - name));
    if (step == NULL)
        return cj_fail_memory(err);
    int found = cj_board_step(evidence->board, step);
    const char *meant = found < 0 ? cj_step_meant(evidence->board, step) : NULL;
    cj_status status;
    if (found < 0 && meant != NULL)
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0,
                         "'%.100s': the board has no step '%.60s'; did you mean '%s'?", name, step,
                         meant);
    else if (found < 0)
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0,
                         "'%.100s': the board has no step '%.60s'; 'coldjoint board' lists its "
                         "steps",
                         name, step);
    else if (equals[1] == '\0')
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0, "'%.100s' lacks the capture behind =", name);
    else
        status = evidence_add(evidence, (size_t)found, equals + 1, err);
    cj_free(step);
    return status;
}

static cj_status take(const struct request *request, struct evidence *evidence, const char *name,
                      cj_error *err)
{
    if (is_folder(name))
        return folder_read(request, name, evidence, err);
    if (cj_observed_is_file(name))
        return cj_observed_add_file(evidence->observed, name, err);
    if (is_typed(name))
        return cj_observed_add_typed(evidence->observed, name, err);
    if (strchr(name, '=') != NULL)
        return add_named(evidence, name, err);
    return refuse(name, err);
}

/* ---- captures ---- */

static cj_status check_captures(const struct request *request, const struct evidence *evidence,
                                cj_error *err)
{
    int piped = 0;
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < evidence->count; i++) {
        piped += strcmp(evidence->items[i].name, "-") == 0;
        status = output_check_name(request, evidence->items[i].name, err);
    }
    if (status == CJ_OK && piped > 1)
        status =
            cj_fail(err, CJ_USAGE, "-", 0, 0, "standard input can be one capture, not %d", piped);
    return status;
}

/* The rules compare channel 2 with channel 1. */
static cj_status apply_rules(const struct request *request, const cj_rules *rules,
                             struct seen *seen, cj_error *err)
{
    cj_comparison *comparison = NULL;
    if (seen->measured.measurement->channel_count < 2)
        return CJ_OK;
    cj_status status =
        cj_compare(seen->measured.measurement, NULL, &request->compare, &comparison, err);
    if (status == CJ_OK)
        status = cj_rules_apply(rules, comparison, request->explain, &seen->findings, err);
    cj_comparison_free(comparison);
    return status;
}

/* What the step says of its capture: how many channels, and where the tone is. */
static struct request request_for(const struct request *request, const cj_step *step)
{
    struct request own = *request;
    bool one_tone = step->shape == CJ_TONE || step->shape == CJ_SQUARE || step->shape == CJ_STEPPED;
    own.json = false; /* no digests */
    own.step_hz = step->drive >= 0 && one_tone ? step->hz[0] : 0;
    if (step->see_count == 1)
        own.capture.channels[1] = 0;
    if (own.measure.instruments != NULL)
        own.measure.instruments = &request->instruments;
    return own;
}

static cj_status measure_one(const struct request *request, const cj_rules *rules,
                             struct evidence *evidence, size_t index, cj_error *err)
{
    struct seen *seen = &evidence->items[index];
    struct request own = request_for(request, &evidence->board->steps[seen->step]);
    cj_status status =
        measured_make(&own, seen->name, (int)index, (int)evidence->count, &seen->measured, err);
    if (status == CJ_OK)
        status = cj_observed_add_measurement(evidence->observed, seen->step,
                                             seen->measured.measurement, seen->name, err);
    if (status == CJ_OK)
        status = apply_rules(request, rules, seen, err);
    return status;
}

/* Levels in digital full scale are no volts: only ratios are left of them. */
static void remark_full_scale(const struct request *request, const struct evidence *evidence)
{
    for (size_t i = 0; i < evidence->count; i++) {
        const cj_capture_info *info = evidence->items[i].measured.measurement->capture;
        if (info->kind != CJ_KIND_AUDIO || strcmp(info->channels[info->selected[0]].unit, "FS"))
            continue;
        remark(request,
               "%s: volts at full scale are not known, so only ratios count; --full-scale V gives "
               "them (see 'coldjoint scale')",
               info->name);
        return;
    }
}

cj_status evidence_read(const struct request *request, const cj_board *board,
                        const char *const *names, int count, struct evidence *out, cj_error *err)
{
    cj_rules *rules = NULL;
    out->board = board;
    cj_status status = cj_observed_make(board, &out->observed, err);
    for (int i = 0; status == CJ_OK && i < count; i++)
        status = take(request, out, names[i], err);
    if (status == CJ_OK)
        status = check_captures(request, out, err);
    if (status == CJ_OK)
        status = rules_load(request, &rules, err);
    for (size_t i = 0; status == CJ_OK && i < out->count; i++)
        status = measure_one(request, rules, out, i, err);
    if (status == CJ_OK)
        remark_full_scale(request, out);
    cj_rules_free(rules);
    return status;
}

cj_status evidence_diagnose(const struct request *request, const struct evidence *evidence,
                            cj_diagnosis **out, cj_error *err)
{
    cj_step_rules *rules = cj_new(evidence->count + 1, sizeof *rules);
    cj_history history = {0};
    cj_text log = {0};
    cj_diagnose_options options = {
        .rules = rules, .explain = request->explain, .history = &history};
    if (rules == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < evidence->count; i++)
        if (evidence->items[i].findings != NULL)
            rules[options.rule_count++] = (cj_step_rules){.step = evidence->items[i].step,
                                                          .findings = evidence->items[i].findings};
    cj_status status = log_history(request, evidence->board->name, &history, &log, err);
    if (status == CJ_OK)
        status = cj_diagnose(evidence->board, evidence->observed, &options, out, err);
    cj_history_free(&history);
    cj_text_free(&log);
    cj_free(rules);
    return status;
}

cj_status evidence_answer(const struct request *request, cj_board **board,
                          struct evidence *evidence, cj_diagnosis **diagnosis, cj_error *err)
{
    const char *name = request->names[0];
    cj_status status = board_open(name, board, err);
    if (status == CJ_OK)
        status = evidence_read(request, *board, request->names + 1, request->name_count - 1,
                               evidence, err);
    if (status == CJ_OK)
        status = board_blame(name, evidence_diagnose(request, evidence, diagnosis, err), err);
    return status;
}

void evidence_free(struct evidence *evidence)
{
    for (size_t i = 0; i < evidence->count; i++) {
        cj_findings_free(evidence->items[i].findings);
        measured_free(&evidence->items[i].measured);
        cj_free(evidence->items[i].name);
    }
    cj_free(evidence->items);
    cj_observed_free(evidence->observed);
    *evidence = (struct evidence){0};
}
