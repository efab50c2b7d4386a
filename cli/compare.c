/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

#include <string.h>

enum { OPTION_WITHIN = OPTION_COMMAND, OPTION_EXPECT };

static const struct poptOption options[] = {
    {"within", 0, POPT_ARG_STRING, NULL, OPTION_WITHIN,
     "what still counts as a match (default 0.5,5: 0.5 dB and 5 degrees)", "DB,DEG"},
    {"expect", 0, POPT_ARG_STRING, NULL, OPTION_EXPECT,
     "the polarity a healthy unit has (default same)", "same|inverted"},
    POPT_TABLEEND,
};

static cj_status take(struct request *request, int option, const char *text, cj_error *err)
{
    double pair[2];
    cj_status status = CJ_OK;
    switch (option) {
    case OPTION_WITHIN:
        status = option_pair("--within", text, "", pair, err);
        if (status == CJ_OK) {
            request->compare.within_db = pair[0];
            request->compare.within_deg = pair[1];
        }
        return status;
    case OPTION_EXPECT:
        if (strcmp(text, "same") != 0 && strcmp(text, "inverted") != 0)
            return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                           "--expect: '%.40s' is neither same nor inverted", text);
        request->compare.expect_inverted = strcmp(text, "inverted") == 0;
        return CJ_OK;
    }
    return cj_fail(err, CJ_BUG, NULL, 0, 0, "option %d has nobody to take it", option);
}

static cj_status check_names(const struct request *request, cj_error *err)
{
    if (request->name_count != 1 && request->name_count != 2)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "compare wants one CAPTURE or two, not %d",
                       request->name_count);
    if (request->name_count == 2 && strcmp(request->names[0], "-") == 0 &&
        strcmp(request->names[1], "-") == 0)
        return cj_fail(err, CJ_USAGE, "-", 0, 0,
                       "standard input can be one of the two captures, not both");
    return CJ_OK;
}

static int verdict(const cj_comparison *comparison, const cj_findings *findings)
{
    if (comparison->match == CJ_DIFFER || findings->count > 0)
        return 1;
    return comparison->match == CJ_MATCH ? 0 : 2;
}

static int run(const struct request *request, cj_error *err)
{
    struct measured measured[2] = {0};
    cj_digests digests[2] = {0};
    cj_rules *rules = NULL;
    cj_comparison *comparison = NULL;
    cj_findings *findings = NULL;
    cj_text answer = {0};
    cj_report_style style = {.colour = output_coloured(request), .explain = request->explain};
    int result = 0;

    cj_status status = check_names(request, err);
    if (status != CJ_OK)
        return status;
    status = rules_load(request, &rules, err);
    for (int i = 0; status == CJ_OK && i < request->name_count; i++) {
        status =
            measured_make(request, request->names[i], i, request->name_count, &measured[i], err);
        digests[i] = measured[i].digests;
    }
    if (status == CJ_OK)
        status = cj_compare(measured[0].measurement, measured[1].measurement, &request->compare,
                            &comparison, err);
    if (status == CJ_OK)
        status = cj_rules_apply(rules, comparison, request->explain, &findings, err);
    if (status != CJ_OK)
        goto out;
    if (request->json)
        status = cj_report_compare_json(comparison, findings, digests, &answer, err);
    else if (output_is_page(request))
        status = page_of_captures(measured, (size_t)request->name_count, comparison, findings,
                                  &answer, err);
    else
        status = cj_report_compare_text(comparison, findings, &style, &answer, err);
    if (status != CJ_OK)
        goto out;
    result = verdict(comparison, findings);
    status = output_write(request, &answer, err);
    for (int i = 0; status == CJ_OK && i < request->name_count; i++)
        advise(request, measured[i].measurement);
out:
    cj_text_free(&answer);
    cj_findings_free(findings);
    cj_comparison_free(comparison);
    cj_rules_free(rules);
    measured_free(&measured[1]);
    measured_free(&measured[0]);
    return status == CJ_OK ? result : (int)status;
}

const struct command command_compare = {
    .name = "compare",
    .arguments = "CAPTURE [CAPTURE]",
    .does = "match or not, and what a difference points at",
    .options = options,
    .take = take,
    .run = run,
};
