/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The script of a page's plots, and what gnuplot makes of it turned into parts of the page. */
#include "report/plot.h"
#include "report/html.h"
#include "report/plot_run.h"

#include <math.h>
#include <string.h>

int cj__plot_begin(cj__plots *plots, int wide, int high)
{
    cj_text *script = &plots->script;
    cj_text_add(script,
                "reset\nset encoding utf8\nset term svg size %d,%d dynamic noenhanced font "
                "'sans-serif,12' linewidth 1\n"
                "set border 3 lw 0.7\nset tics nomirror out scale 0.5\nunset key\n"
                "set lmargin 9\nset rmargin %d\nset bmargin 3\nset xlabel offset 0,0.6\n"
                "set datafile missing 'nan'\n",
                wide, high, wide > CJ__PLOT_HALF ? 8 : 2);
    return script->failed ? CJ__NO_PLOT : plots->count++;
}

void cj__plot_text(cj__plots *plots, const char *text)
{
    cj_text clean = {0};
    cj__write_clean(&clean, text != NULL ? text : "");
    cj_text_add(&plots->script, "'");
    for (const char *at = clean.failed ? "" : clean.bytes; *at; at++)
        cj_text_add_n(&plots->script, *at == '\'' ? "''" : at, *at == '\'' ? 2 : 1);
    cj_text_add(&plots->script, "'");
    plots->script.failed = plots->script.failed || clean.failed;
    cj_text_free(&clean);
}

void cj__plot_number(cj__plots *plots, double value)
{
    cj_text_add(&plots->script, " ");
    if (isfinite(value))
        cj__write_plain(&plots->script, value, 6);
    else
        cj_text_add(&plots->script, "nan");
}

/* What stands in gnuplot's SVG, and what becomes of it: less, and in the page's colours. */
static const char *const rewritten[][2] = {
    {" color=\"black\"", ""},
    {" color=\"#FFFFFF\"", ""},
    {" stroke-linecap=\"butt\" stroke-linejoin=\"miter\"", ""},
    {" stroke='black'", ""},
    {" font-family=\"sans-serif\"", ""},
    {"fill=\"black\"", "fill=\"currentColor\""},
    {"fill = 'black'", "fill=\"currentColor\""},
    {"fill=\"#ffffff\"", "fill=\"none\""},
    {"stroke='rgb(  1,   1,   1)'", "style=\"stroke:var(--first)\""},
    {"stroke='rgb(  2,   2,   2)'", "style=\"stroke:var(--second)\""},
    {"stroke='rgb(  3,   3,   3)'", "style=\"stroke:var(--mark)\""},
    {"stroke='rgb(  4,   4,   4)'", "style=\"stroke:var(--band)\""},
    {"stroke='rgb(  5,   5,   5)'", "style=\"stroke:var(--grid)\""},
    {"stroke=\"rgb(  1,   1,   1)\"", "style=\"stroke:var(--first)\""},
    {"stroke=\"rgb(  2,   2,   2)\"", "style=\"stroke:var(--second)\""},
    {"stroke=\"rgb(  3,   3,   3)\"", "style=\"stroke:var(--mark)\""},
    {"stroke=\"rgb(  4,   4,   4)\"", "style=\"stroke:var(--band)\""},
    {"stroke=\"rgb(  5,   5,   5)\"", "style=\"stroke:var(--grid)\""},
    {"fill=\"rgb(  2,   2,   2)\"", "style=\"fill:var(--second)\""},
    {"fill=\"rgb(  3,   3,   3)\"", "style=\"fill:var(--mark)\""},
    {"fill = 'rgb(  4,   4,   4)'", "style=\"fill:var(--band)\""},
    {"fill='rgb(  4,   4,   4)'", "style=\"fill:var(--band)\""},
    {"color='rgb(  2,   2,   2)'", "style=\"color:var(--second)\""},
    {"color='rgb(  3,   3,   3)'", "style=\"color:var(--mark)\""},
    {"\t", ""},
    {"\n\n", "\n"},
    {"  '", "'"},
};

/* Ids would be there once a plot, and titles show when the pointer rests there: both go. */
static const char *skipped(const char *at)
{
    const char *end = NULL;
    if (strncmp(at, "<title>", 7) == 0 && (end = strstr(at, "</title>")) != NULL)
        return end + strlen("</title>");
    if (strncmp(at, " id=\"", 5) == 0 && (end = strchr(at + 5, '"')) != NULL)
        return end + 1;
    /* a group with nothing in it */
    if (strncmp(at, "<g ", 3) == 0 && (end = strchr(at, '>')) != NULL &&
        strncmp(end + 1, "\n</g>\n", 6) == 0)
        return end + 7;
    return NULL;
}

static void rewrite(cj_text *out, const char *at, const char *end)
{
    enum { RULES = sizeof rewritten / sizeof rewritten[0] };
    while (at < end && *at) {
        const char *next = *at == '<' || *at == ' ' ? skipped(at) : NULL;
        bool may = strchr(" <fsc\t\n", *at) != NULL; /* what a rule can begin with */
        for (int i = 0; may && next == NULL && i < RULES; i++) {
            size_t length = strlen(rewritten[i][0]);
            if (strncmp(at, rewritten[i][0], length) == 0) {
                cj_text_add(out, "%s", rewritten[i][1]);
                next = at + length;
            }
        }
        if (next == NULL) {
            cj_text_add_n(out, at, 1);
            next = at + 1;
        }
        at = next;
    }
}

/* One picture of gnuplot's output from *at on; false: no more. */
static bool take_one(const char **at, cj_text *out)
{
    const char *start = strstr(*at, "<svg"), *end = start ? strstr(start, "</svg>") : NULL;
    const char *box = start ? strstr(start, "viewBox=\"") : NULL;
    const char *body = start ? strstr(start, "</defs>") : NULL;
    if (end == NULL || box == NULL || body == NULL || body > end || box > body)
        return false;
    box += strlen("viewBox=\"");
    const char *box_end = strchr(box, '"');
    if (box_end == NULL)
        return false;
    cj_text_add(out, "<svg viewBox=\"");
    cj_text_add_n(out, box, (size_t)(box_end - box));
    cj_text_add(out, "\" role=\"img\"><g>");
    rewrite(out, body + strlen("</defs>"), end);
    cj_text_add(out, "</svg>");
    *at = end + strlen("</svg>");
    return true;
}

bool cj__plots_run(cj__plots *plots)
{
    cj_text output = {0};
    if (plots->script.failed)
        return false;
    if (plots->count == 0)
        return true;
    plots->drawn = cj_new((size_t)plots->count, sizeof *plots->drawn);
    if (plots->drawn == NULL)
        return false;
    bool good = cj__run_gnuplot(&plots->script, &output, plots->why, sizeof plots->why);
    const char *at = good && output.bytes != NULL ? output.bytes : "";
    int made = 0;
    while (made < plots->count && take_one(&at, &plots->drawn[made]))
        made++;
    if (made < plots->count && !plots->why[0])
        strncpy(plots->why, "gnuplot did not draw every curve", sizeof plots->why - 1);
    bool failed = output.failed;
    for (int i = 0; i < made; i++)
        failed = failed || plots->drawn[i].failed;
    cj_text_free(&output);
    return !failed;
}

void cj__plot_write(cj_text *out, const cj__plots *plots, int plot, const char *caption)
{
    if (plot < 0 || plot >= plots->count || plots->drawn == NULL || plots->drawn[plot].length == 0)
        return;
    cj_text_add(out, "<figure>");
    if (caption[0]) {
        cj_text_add(out, "<figcaption>");
        cj__html_text(out, caption);
        cj_text_add(out, "</figcaption>");
    }
    cj_text_add_n(out, plots->drawn[plot].bytes, plots->drawn[plot].length);
    cj_text_add(out, "</figure>\n");
}

void cj__plots_free(cj__plots *plots)
{
    for (int i = 0; plots->drawn != NULL && i < plots->count; i++)
        cj_text_free(&plots->drawn[i]);
    cj_free(plots->drawn);
    cj_text_free(&plots->script);
    *plots = (cj__plots){0};
}

const char *cj__plot_channel(const cj__plotted *of, int channel)
{
    const cj_capture_info *info = of->measurement->capture;
    const char *name = of->names[channel];
    return name != NULL ? name : info->channels[info->selected[channel]].name;
}
