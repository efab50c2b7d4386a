/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Fuzz target: a rules file, and the same bytes as an instruments file. Rules that are read are
 * applied to a comparison whose figures (values, bounds, words, none) are picked by the bytes
 * themselves.
 */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "diagnosis/internal.h"
#include "figures/instruments.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool holds)
{
    if (!holds)
        abort();
}

static cj_figure pick(const cj__quantity *what, uint8_t byte)
{
    cj_figure figure = {.name = what->name,
                        .unit = byte & 64 ? "FS" : what->unit,
                        .value = NAN,
                        .u = NAN,
                        .bound = NAN};
    size_t words = 0;
    while (what->words && what->words[words])
        words++;
    if (words > 0)
        figure.word = byte & 1 ? what->words[(byte >> 1) % words] : NULL;
    else if (byte & 1)
        figure.value = (byte >> 1) - 32.0;
    else if (byte & 2)
        figure.bound = (byte >> 2) - 16.0;
    figure.u = byte & 32 ? 0.5 : 0;
    figure.bound_kind = isnan(figure.bound) ? CJ_BOUND_NONE : byte & 4 ? CJ_BELOW : CJ_ABOVE;
    return figure;
}

/* All figures of a group that captures hold themselves. */
static void fill(cj_figure_set *set, bool channel, const uint8_t *data, size_t size, size_t from)
{
    size_t at = from;
    for (const cj__quantity *what = cj__quantities; what->name; what++) {
        if ((what->group == CJ__CHANNEL) != channel || what->derive != NULL)
            continue;
        cj_figure figure = pick(what, size > 0 ? (uint8_t)(data[at++ % size] + from) : 0);
        must(cj_figure_add(set, &figure) == CJ_OK);
    }
}

static void apply(const cj_rules *rules, const uint8_t *data, size_t size)
{
    cj_measurement captures[2] = {{.channel_count = 2}, {.channel_count = 2}};
    cj_comparison comparison = {.captures = {&captures[0], size & 1 ? &captures[1] : NULL}};
    comparison.path[0] = &captures[0].channel[0];
    comparison.path[1] = &captures[0].channel[1];
    comparison.match = (cj_match)(size % 3);
    comparison.expect_inverted = size & 2;
    for (size_t i = 0; i < 2; i++) {
        fill(&captures[i].channel[0], true, data, size, 1 + i);
        fill(&captures[i].channel[1], true, data, size, 3 + i);
        fill(&captures[i].pair, false, data, size, 5 + i);
    }
    fill(&comparison.pair, false, data, size, 7);
    cj_findings *findings = NULL;
    must(cj_rules_apply(rules, &comparison, true, &findings, NULL) == CJ_OK);
    must(findings->explained.count == cj_rules_count(rules));
    double sum = findings->unexplained;
    for (size_t i = 0; i < findings->count; i++) {
        must(findings->items[i].probability > 0 && findings->items[i].probability < 1);
        sum += findings->items[i].probability;
    }
    must(findings->count == 0 || fabs(sum - 1) < 1e-9);
    cj_findings_free(findings);
    for (size_t i = 0; i < 2; i++) {
        cj_figure_set_free(&captures[i].channel[0]);
        cj_figure_set_free(&captures[i].channel[1]);
        cj_figure_set_free(&captures[i].pair);
    }
    cj_figure_set_free(&comparison.pair);
}

/* A refusal names the file and fits on one line. */
static void check_refusal(cj_status status, const cj_error *err)
{
    must(status == CJ_DATA && strcmp(err->file, "fuzz.yaml") == 0 && err->message[0] != '\0');
    must(strchr(err->message, '\n') == NULL && err->line >= 0 && err->column >= 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    cj_rules *rules = NULL;
    cj_error err = {0};
    must(cj__rules_new(&rules, NULL) == CJ_OK);
    cj_status status = cj_rules_add_text(rules, "fuzz.yaml", (const char *)data, size, &err);
    if (status == CJ_OK)
        apply(rules, data, size);
    else
        check_refusal(status, &err);
    cj_rules_free(rules);
    cj_instruments instruments;
    status = cj__instruments_read_text("fuzz.yaml", (const char *)data, size, &instruments, &err);
    if (status != CJ_OK)
        check_refusal(status, &err);
    return 0;
}
