/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

struct cj__colours cj__colours_of(const cj_report_style *style)
{
    if (style != NULL && style->colour)
        return (struct cj__colours){"\033[1m", "\033[1;32m", "\033[1;31m", "\033[1;33m", "\033[0m"};
    return (struct cj__colours){"", "", "", "", ""};
}

/* What the file does not give of the channels shown. */
static void write_lacks(cj_text *out, const cj_capture_info *capture)
{
    int without_unit = 0, last = 0;
    for (int i = 0; i < capture->selected_count; i++) {
        const cj_channel_info *channel = &capture->channels[capture->selected[i]];
        if (channel->gaps > 0)
            cj_text_add(out, "  %zu samples of channel %d are missing\n", channel->gaps,
                        capture->selected[i] + 1);
        if (strcmp(channel->unit, "?") == 0) {
            without_unit++;
            last = capture->selected[i] + 1;
        }
    }
    if (without_unit > 0 && without_unit == capture->selected_count)
        cj_text_add(out, "  the file states no unit\n");
    else if (without_unit > 0)
        cj_text_add(out, "  the file states no unit for channel %d\n", last);
}

/* What was captured, in one line beneath its name. */
static void write_capture(cj_text *out, const char *head, const cj_capture_info *capture,
                          const struct cj__colours *colours)
{
    cj_text_add(out, "%s%s", head, colours->bold);
    cj__write_clean(out, capture->name);
    cj_text_add(out, "%s\n  %s, %s-coupled, %zu samples", colours->off,
                capture->kind == CJ_KIND_AUDIO ? "audio" : "scope",
                capture->coupling == CJ_COUPLING_AC ? "AC" : "DC", capture->samples);
    if (capture->rate_hz > 0) {
        cj_text_add(out, " at ");
        cj__write_value(out, capture->rate_hz, NAN, "Hz");
        cj_text_add(out, " (");
        /* three digits are enough to know which record this is */
        double length = (double)capture->samples / capture->rate_hz;
        double step = pow(10, floor(log10(fmax(length, 1e-15))) - 2);
        cj__write_value(out, round(length / step) * step, NAN, "s");
        cj_text_add(out, ")");
    } else {
        cj_text_add(out, ", sample rate not stated");
    }
    cj_text_add(out, "\n");
    write_lacks(out, capture);
}

void cj__write_bullets(cj_text *out, const cj_lines *lines)
{
    for (size_t i = 0; i < lines->count; i++) {
        cj_text clean = {0};
        size_t start = out->length;
        cj__write_clean(&clean, lines->items[i]);
        cj_text_add(out, "  - ");
        out->failed = out->failed || clean.failed;
        cj__wrap(out, start, 4, clean.failed ? "" : clean.bytes);
        cj_text_free(&clean);
    }
}

/* Before any figure: what makes them poor. */
static void write_advice(cj_text *out, const char *of, const cj_measurement *measurement,
                         const struct cj__colours *colours)
{
    if (measurement->advice.count == 0)
        return;
    cj_text_add(out, "\n%sBefore you trust the figures%s:%s\n", colours->open, of, colours->off);
    cj__write_bullets(out, &measurement->advice);
}

static void write_notes(cj_text *out, const char *which, const cj_capture_info *capture)
{
    if (capture->notes == NULL || capture->notes->count == 0)
        return;
    cj_text_add(out, "\nHow the %sfile was read\n", which);
    cj__write_bullets(out, capture->notes);
}

/* "1: CH1" */
static void make_title(cj_text *title, const char *head, const cj_capture_info *capture,
                       int channel)
{
    int index = capture->selected[channel];
    cj_text_add(title, "%s%d: ", head, index + 1);
    cj__write_clean(title, capture->channels[index].name);
}

static void write_measured(cj_text *out, const cj_measurement *measurement)
{
    cj_text titles[2] = {0};
    const cj_figure_set *const sets[2] = {&measurement->channel[0], &measurement->channel[1]};
    for (int i = 0; i < measurement->channel_count; i++)
        make_title(&titles[i], "", measurement->capture, i);
    const char *const names[2] = {titles[0].bytes, titles[1].bytes};
    cj_text_add(out, "\n");
    if (titles[0].failed || titles[1].failed)
        out->failed = true;
    else
        cj__write_channels(out, sets, names, measurement->channel_count);
    cj_text_free(&titles[0]);
    cj_text_free(&titles[1]);
}

#define LOSSES_SHOWN 8

/* When a suspected joint let go: to be held against what was pressed or moved then. */
static void write_losses(cj_text *out, const cj_measurement *measurement)
{
    for (int c = 0; c < measurement->channel_count; c++) {
        size_t count = measurement->loss_count[c];
        if (count == 0)
            continue;
        cj_text_add(out, "  Channel %d lost its signal at", measurement->capture->selected[c] + 1);
        for (size_t i = 0; i < count && i < LOSSES_SHOWN; i++)
            cj_text_add(out, "%s %.4f s (%.1f ms)", i ? "," : "", measurement->losses[c][i].at_s,
                        1e3 * measurement->losses[c][i].seconds);
        cj_text_add(out, count > LOSSES_SHOWN ? ", and %zu times more\n" : "\n",
                    count - (count > LOSSES_SHOWN ? LOSSES_SHOWN : count));
    }
}

cj_status cj_report_measure_text(const cj_measurement *measurement, const cj_report_style *style,
                                 cj_text *out, cj_error *err)
{
    size_t start = out->length;
    struct cj__colours colours = cj__colours_of(style);
    write_capture(out, "", measurement->capture, &colours);
    write_advice(out, "", measurement, &colours);
    write_measured(out, measurement);
    write_losses(out, measurement);
    if (measurement->channel_count == 2) {
        cj_text_add(out, "\n%sChannel %d against channel %d%s\n", colours.bold,
                    measurement->capture->selected[1] + 1, measurement->capture->selected[0] + 1,
                    colours.off);
        cj__write_pair(out, &measurement->pair);
    }
    if (measurement->response != NULL)
        cj__write_response(out, measurement->response,
                           measurement->response->of_stimulus
                               ? "Response, against the signal played"
                               : "Response");
    if (style != NULL && style->explain)
        write_notes(out, "", measurement->capture);
    return cj__finish(out, start, err);
}

/* ---- compare ---- */

/* The two paths side by side: two channels of one capture, or channel 2 of each of two. */
static void write_paths(cj_text *out, const cj_comparison *comparison)
{
    const cj_measurement *first = comparison->captures[0], *second = comparison->captures[1];
    cj_text titles[2] = {0};
    if (second == NULL) {
        make_title(&titles[0], "", first->capture, 0);
        make_title(&titles[1], "", first->capture, first->channel_count - 1);
    } else {
        make_title(&titles[0], "first, channel ", first->capture, first->channel_count - 1);
        make_title(&titles[1], "second, channel ", second->capture, second->channel_count - 1);
    }
    const char *const names[2] = {titles[0].bytes, titles[1].bytes};
    cj_text_add(out, "\n");
    if (titles[0].failed || titles[1].failed)
        out->failed = true;
    else
        cj__write_channels(out, comparison->path, names, 2);
    cj_text_free(&titles[0]);
    cj_text_free(&titles[1]);
}

static void write_match(cj_text *out, const cj_comparison *comparison,
                        const struct cj__colours *colours)
{
    static const char *const words[] = {
        [CJ_MATCH] = "MATCH", [CJ_DIFFER] = "DIFFER", [CJ_UNDECIDED] = "UNDECIDED"};
    const char *colour = comparison->match == CJ_MATCH    ? colours->good
                         : comparison->match == CJ_DIFFER ? colours->bad
                                                          : colours->open;
    cj_text why = {0};
    cj__write_clean(&why, comparison->why);
    cj_text_add(out, "\n%s%s%s", colour, words[comparison->match], colours->off);
    out->failed = out->failed || why.failed;
    if (!why.failed && why.length > 0) {
        size_t start = out->length - strlen(words[comparison->match]);
        cj_text_add(out, ": ");
        cj__wrap(out, start, 2, why.bytes);
    } else {
        cj_text_add(out, comparison->match == CJ_MATCH ? ": level and phase agree\n" : "\n");
    }
    cj_text_free(&why);
}

static void write_explained(cj_text *out, const cj_comparison *comparison,
                            const cj_findings *findings)
{
    bool two = comparison->captures[1] != NULL;
    write_notes(out, two ? "first " : "", comparison->captures[0]->capture);
    if (two)
        write_notes(out, "second ", comparison->captures[1]->capture);
    if (findings == NULL || findings->explained.count == 0)
        return;
    cj_text_add(out, "\nWhy each rule fired or stayed silent\n");
    cj__write_bullets(out, &findings->explained);
}

cj_status cj_report_compare_text(const cj_comparison *comparison, const cj_findings *findings,
                                 const cj_report_style *style, cj_text *out, cj_error *err)
{
    size_t start = out->length;
    struct cj__colours colours = cj__colours_of(style);
    const cj_measurement *first = comparison->captures[0], *second = comparison->captures[1];
    write_capture(out, second ? "First:  " : "", first->capture, &colours);
    if (second != NULL)
        write_capture(out, "Second: ", second->capture, &colours);
    write_advice(out, second ? " of the first capture" : "", first, &colours);
    if (second != NULL)
        write_advice(out, " of the second capture", second, &colours);
    write_paths(out, comparison);

    if (second != NULL)
        cj_text_add(out, "\n%sSecond path against the first%s\n", colours.bold, colours.off);
    else
        cj_text_add(out, "\n%sChannel %d against channel %d%s\n", colours.bold,
                    first->capture->selected[first->channel_count - 1] + 1,
                    first->capture->selected[0] + 1, colours.off);
    cj__write_pair(out, &comparison->pair);
    if (comparison->response != NULL)
        cj__write_response(out, comparison->response, "Response");
    write_match(out, comparison, &colours);
    if (style != NULL && style->explain)
        write_explained(out, comparison, findings);
    char names[2][24];
    const char *const paths[2] = {names[0], names[1]};
    for (int i = 0; i < 2; i++) {
        if (second != NULL)
            snprintf(names[i], sizeof names[i], "%s path", i ? "2nd" : "1st");
        else
            snprintf(names[i], sizeof names[i], "ch %d",
                     first->capture->selected[i ? first->channel_count - 1 : 0] + 1);
    }
    if (findings != NULL)
        cj__write_findings(out, findings, paths, &colours);
    return cj__finish(out, start, err);
}
