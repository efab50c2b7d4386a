/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Numbers, figures and sentences as a bench says them. */
#include "diagnosis/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* ---- numbers ---- */

/* snprintf writes the decimal mark of the host program's locale: whatever no number of the C locale
 * holds is that mark (which may be several bytes). Never "-0.0". */
static void add_plain(const char *raw, cj_text *out)
{
    char plain[64];
    size_t length = 0;
    bool zero = raw[strcspn(raw, "123456789")] == '\0';
    for (const char *at = raw + (zero && *raw == '-' ? 1 : 0); *at && length < sizeof plain; at++) {
        if (strchr("0123456789+-e", *at) != NULL)
            plain[length++] = *at;
        else if (length > 0 && plain[length - 1] != '.')
            plain[length++] = '.';
    }
    cj_text_add_n(out, plain, length);
}

/* Significant digits. */
static void say_digits(double value, int digits, cj_text *out)
{
    char raw[64];
    snprintf(raw, sizeof raw, "%.*g", digits, value);
    add_plain(raw, out);
}

void cj__say_decimals(double value, int decimals, cj_text *out)
{
    char raw[64];
    if (fabs(value) >= 1e9) { /* no bench reads that many places */
        say_digits(value, 3, out);
        return;
    }
    snprintf(raw, sizeof raw, "%.*f", decimals, value);
    add_plain(raw, out);
}

/* Three digits and an SI prefix: "12.3 mV". */
static void say_prefixed(const char *unit, double value, cj_text *out)
{
    static const struct {
        double from;
        const char *prefix;
        double factor;
    } steps[] = {{1e6, "M", 1e-6},        {1e3, "k", 1e-3}, {1, "", 1},        {1e-3, "m", 1e3},
                 {1e-6, "\xc2\xb5", 1e6}, {1e-9, "n", 1e9}, {1e-12, "p", 1e12}};
    double size = fabs(value);
    if (size == 0) {
        cj_text_add(out, "0 %s", unit);
        return;
    }
    size_t i = 0, last = sizeof steps / sizeof steps[0] - 1;
    while (i < last && size < steps[i].from * 0.9995)
        i++;
    say_digits(value * steps[i].factor, 3, out);
    cj_text_add(out, " %s%s", steps[i].prefix, unit);
}

void cj__say_number(const cj__quantity *what, const char *unit, double value, cj_text *out)
{
    double size = fabs(value);
    if (!isfinite(value)) {
        cj_text_add(out, "unknown");
    } else if (what->whole) {
        cj__say_decimals(value, 0, out);
    } else if (what->share || strcmp(unit, "%") == 0) {
        say_digits(what->share ? 100 * value : value, 2, out);
        cj_text_add(out, " %%");
    } else if (strncmp(unit, "dB", 2) == 0) { /* or dB/octave */
        cj__say_decimals(value, size < 1 ? 2 : 1, out);
        cj_text_add(out, " %s", unit);
    } else if (strcmp(unit, "deg") == 0) {
        cj__say_decimals(value, size < 10 ? 1 : 0, out);
        cj_text_add(out, " degrees");
    } else if (strcmp(unit, "V") == 0 || strcmp(unit, "A") == 0 || strcmp(unit, "s") == 0 ||
               strcmp(unit, "Hz") == 0) {
        say_prefixed(unit, value, out);
    } else if (strcmp(unit, "FS") == 0 || strcmp(unit, "?") == 0) {
        say_digits(value, 3, out);
        cj_text_add(out, " %s", strcmp(unit, "?") == 0 ? "units" : unit);
    } else {
        say_digits(value, 2, out);
    }
}

void cj__say_figure(const cj__quantity *what, const cj_figure *figure, cj_text *out)
{
    const char *unit = figure->unit && *figure->unit ? figure->unit : what->unit;
    if (figure->word != NULL) {
        cj_text_add(out, "%s", figure->word);
    } else if (!isnan(figure->value)) {
        cj__say_number(what, unit, figure->value, out);
    } else if (figure->bound_kind != CJ_BOUND_NONE && !isnan(figure->bound)) {
        cj_text_add(out, figure->bound_kind == CJ_BELOW ? "below " : "above ");
        cj__say_number(what, unit, figure->bound, out);
    } else {
        cj_text_add(out, "unknown");
    }
}

/* ---- sentences with {placeholders} ---- */

/* The next {...} from *at on: its name copied, *at moved behind it. False where there is none.
 * `before` gets the text passed over. */
static bool next_place(const char **at, char *name, size_t size, cj_text *before)
{
    const char *open = strchr(*at, '{');
    const char *close = open ? strchr(open, '}') : NULL;
    if (close == NULL)
        return false;
    if (before != NULL)
        cj_text_add_n(before, *at, (size_t)(open - *at));
    size_t length = (size_t)(close - open - 1);
    if (length >= size)
        length = size - 1;
    memcpy(name, open + 1, length);
    name[length] = '\0';
    *at = close + 1;
    return true;
}

cj_status cj__say_check(const cj__yaml *yaml, const cj__yaml_node *node, cj_error *err)
{
    static const char *const paths[] = {"path", "first", "second"};
    const char *at = node->text;
    char name[80], hint[160];
    cj__fact fact;
    while (next_place(&at, name, sizeof name, NULL)) {
        bool path = false;
        for (size_t i = 0; i < sizeof paths / sizeof paths[0]; i++)
            path = path || strcmp(name, paths[i]) == 0;
        if (!path && !cj__fact_read(name, &fact, hint, sizeof hint))
            return cj__yaml_fail(yaml, node, err, "unknown placeholder '{%.60s}'; %s", name, hint);
    }
    return CJ_OK;
}

static const char *path_text(const cj_comparison *comparison, unsigned paths)
{
    bool two = comparison->captures[1] != NULL;
    if (paths == 3)
        return two ? "both paths" : "both channels";
    if (paths == 1)
        return two ? "the first capture's path" : "channel 1";
    return two ? "the second capture's path" : "channel 2";
}

static void say_place(const char *name, const cj_comparison *comparison, unsigned paths,
                      cj_text *out)
{
    char hint[160];
    cj__fact fact;
    if (strcmp(name, "path") == 0) {
        cj_text_add(out, "%s", path_text(comparison, paths));
    } else if (strcmp(name, "first") == 0) {
        cj_text_add(out, "%s", path_text(comparison, 1));
    } else if (strcmp(name, "second") == 0) {
        cj_text_add(out, "%s", path_text(comparison, 2));
    } else if (cj__fact_read(name, &fact, hint, sizeof hint)) {
        bool each = fact.scope == CJ__BOTH || (fact.scope == CJ__EITHER && paths == 3);
        cj_figure figure = cj__fact_figure(&fact, comparison, each || paths == 1 ? 0 : 1);
        cj__say_figure(fact.what, &figure, out);
        if (each) {
            cj_text_add(out, " and ");
            figure = cj__fact_figure(&fact, comparison, 1);
            cj__say_figure(fact.what, &figure, out);
        }
    }
}

char *cj__say(const char *sentence, const cj_comparison *comparison, unsigned paths)
{
    cj_text out = {0};
    char name[80];
    const char *at = sentence;
    while (next_place(&at, name, sizeof name, &out))
        say_place(name, comparison, paths, &out);
    cj_text_add(&out, "%s", at);
    if (out.failed) {
        cj_text_free(&out);
        return NULL;
    }
    if (out.length > 0 && out.bytes[0] >= 'a' && out.bytes[0] <= 'z')
        out.bytes[0] = (char)(out.bytes[0] - 'a' + 'A'); /* no toupper: it follows the locale */
    return out.bytes;
}
