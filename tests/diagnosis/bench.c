/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench.h"

#include "diagnosis/internal.h"

/* What a good pair reads: 1 kHz, 1 V peak, both channels alike. */
static const char healthy_channel[] =
    "signal=tone dc_v=0.003~0.004 rms_v=0.707~0.01 peak_v=1.0~0.02 tone_hz=1000~0.01 "
    "tone_peak_v=1~0.02 "
    "thd_percent<0.05 thd_db<-66 even_percent<0.05 odd_percent<0.05 noise_v=0.0003~0.00002 "
    "clip_fraction=0~0 "
    "clip_high_fraction=0~0 clip_low_fraction=0~0 hum_v<0.0001 hum_hz=?no_mains_line_stands_out "
    "hum_sideband_db<-90 hum_sideband_hz=?no_sideband "
    "stray_v<0.0002 stray_hz=?no_line_stands_out dropouts=0";
static const char healthy_pair[] =
    "gain=1~0.01 gain_db=0~0.087 phase_deg=0.1~0.1 polarity=same turn=as-expected "
    "difference_db=-42 correlation=0.9999";

static const cj__quantity *quantity(const char *name)
{
    for (const cj__quantity *what = cj__quantities; what->name; what++)
        if (strcmp(what->name, name) == 0)
            return what;
    fail_msg("no quantity '%s'", name);
    return NULL;
}

/* A static word, as figures have them. */
static const char *word_of(const cj__quantity *what, const char *text)
{
    for (size_t i = 0; what->words[i]; i++)
        if (strcmp(what->words[i], text) == 0)
            return what->words[i];
    fail_msg("'%s' is no word of %s", text, what->name);
    return NULL;
}

static const char *unit_of(const char *text)
{
    static const char *const units[] = {"FS", "?", "A"};
    for (size_t i = 0; i < 3; i++)
        if (strcmp(units[i], text) == 0)
            return units[i];
    fail_msg("no unit '%s'", text);
    return NULL;
}

static cj_figure read_figure(const cj__quantity *what, char sign, char *text)
{
    cj_figure figure = {
        .name = what->name, .unit = what->unit, .value = NAN, .u = NAN, .bound = NAN};
    char *at = strchr(text, '@');
    if (at != NULL) {
        figure.unit = unit_of(at + 1);
        *at = '\0';
    }
    if (*text == '?') {
        snprintf(figure.why, sizeof figure.why, "%s", text + 1);
        for (char *c = figure.why; *c; c++)
            *c = *c == '_' ? ' ' : *c;
    } else if (sign != '=') {
        figure.bound = cj_strtod(text, NULL);
        figure.bound_kind = sign == '<' ? CJ_BELOW : CJ_ABOVE;
        snprintf(figure.why, sizeof figure.why, "only a bound is known");
    } else if (what->words != NULL) {
        figure.word = word_of(what, text);
    } else {
        char *u = NULL;
        figure.value = cj_strtod(text, &u);
        figure.u = *u == '~' ? cj_strtod(u + 1, NULL) : 0;
    }
    return figure;
}

static void put(cj_figure_set *set, const char *name, char sign, char *text)
{
    cj_figure figure = read_figure(quantity(name), sign, text);
    for (size_t i = 0; i < set->count; i++)
        if (strcmp(set->items[i].name, name) == 0) {
            set->items[i] = figure;
            return;
        }
    assert_int_equal(cj_figure_add(set, &figure), CJ_OK);
}

static cj_figure_set *scope_set(bench *made, const char *scope)
{
    bool two = made->comparison.captures[1] != NULL;
    if (strcmp(scope, "first") == 0)
        return &made->captures[0].channel[two ? 1 : 0];
    if (strcmp(scope, "second") == 0)
        return &made->captures[two ? 1 : 0].channel[1];
    if (strcmp(scope, "pair") == 0)
        return &made->comparison.pair;
    assert_true(two);
    if (strcmp(scope, "stimulus") == 0)
        return &made->captures[1].channel[0];
    if (strcmp(scope, "first_path") == 0)
        return &made->captures[0].pair;
    assert_string_equal(scope, "second_path");
    return &made->captures[1].pair;
}

static void set_match(bench *made, const char *text)
{
    made->comparison.match = strcmp(text, "match") == 0    ? CJ_MATCH
                             : strcmp(text, "differ") == 0 ? CJ_DIFFER
                                                           : CJ_UNDECIDED;
}

/* Reads facts; scope NULL: each is SCOPE.NAME, else a bare name. */
static void put_all(bench *made, const char *scope, const char *facts)
{
    char *copy = cj_copy_text(facts), *save = NULL;
    assert_non_null(copy);
    for (char *fact = strtok_r(copy, " \n", &save); fact; fact = strtok_r(NULL, " \n", &save)) {
        char *sign = strpbrk(fact, "=<>");
        assert_non_null(sign);
        char kind = *sign;
        *sign = '\0';
        char *point = strchr(fact, '.');
        if (strcmp(fact, "match") == 0) {
            set_match(made, sign + 1);
            continue;
        }
        if (scope == NULL) {
            assert_non_null(point);
            *point = '\0';
        }
        put(scope_set(made, scope ? scope : fact), scope ? fact : point + 1, kind, sign + 1);
    }
    cj_free(copy);
}

void bench_set(bench *made, int captures, const char *facts)
{
    *made = (struct bench){0};
    cj_comparison *comparison = &made->comparison;
    comparison->captures[0] = &made->captures[0];
    comparison->captures[1] = captures == 2 ? &made->captures[1] : NULL;
    made->captures[0].channel_count = made->captures[1].channel_count = 2;
    comparison->match = CJ_MATCH;
    put_all(made, "first", healthy_channel);
    put_all(made, "second", healthy_channel);
    put_all(made, "pair", healthy_pair);
    if (captures == 2) {
        put_all(made, "stimulus", healthy_channel);
        put_all(made, "first_path",
                "gain=1~0.01 gain_db=0~0.087 phase_deg=0 polarity=same difference_db=-42");
        put_all(made, "second_path",
                "gain=1~0.01 gain_db=0~0.087 phase_deg=0 polarity=same difference_db=-42");
    }
    put_all(made, NULL, facts);
    comparison->path[0] = scope_set(made, "first");
    comparison->path[1] = scope_set(made, "second");
}

void bench_free(bench *made)
{
    for (int i = 0; i < 2; i++) {
        cj_figure_set_free(&made->captures[i].channel[0]);
        cj_figure_set_free(&made->captures[i].channel[1]);
        cj_figure_set_free(&made->captures[i].pair);
    }
    cj_figure_set_free(&made->comparison.pair);
}

const char *bench_line(const cj_findings *findings, const char *rule)
{
    size_t length = strlen(rule);
    for (size_t i = 0; i < findings->explained.count; i++) {
        const char *line = findings->explained.items[i];
        if (strncmp(line, rule, length) == 0 && strncmp(line + length, ": ", 2) == 0)
            return line + length + 2;
    }
    fail_msg("nothing explained about '%s'", rule);
    return NULL;
}

const cj_finding *bench_finding(const cj_findings *findings, const char *rule)
{
    for (size_t i = 0; i < findings->count; i++)
        if (strcmp(findings->items[i].rule, rule) == 0)
            return &findings->items[i];
    return NULL;
}

cj_findings *bench_apply(const cj_rules *rules, int captures, const char *facts)
{
    bench made;
    cj_findings *findings = NULL;
    cj_error err = {0};
    bench_set(&made, captures, facts);
    if (cj_rules_apply(rules, &made.comparison, true, &findings, &err) != CJ_OK)
        fail_msg("%s", err.message);
    bench_free(&made);
    return findings;
}
