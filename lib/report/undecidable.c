/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Limits that the capture chain cannot decide: said once for each kind of figure, with what would
 * help. */
#include "report/log.h"

#include <math.h>
#include <string.h>

enum { STEPS = 4 };

/* By the beginning of the figure's name; the last is for all others. */
static const struct {
    const char *figure, *help;
} helps[] = {
    {"gain", "A capture of both inputs on one point (--match), or 'match' in an instruments file, "
             "narrows it."},
    {"phase_deg", "A capture of both inputs on one point (--match), or 'skew' in an instruments "
                  "file, narrows it."},
    {"delay_s", "A capture of both inputs on one point (--match), or 'skew' in an instruments "
                "file, narrows it."},
    {"dc_v", "The chain's 'offset' and 'gain' in an instruments file, or a meter's reading, "
             "narrow it."},
    {"rms_v", "The chain's 'gain' in an instruments file narrows it."},
    {"peak_v", "The chain's 'gain' in an instruments file narrows it."},
    {"tone_peak_v", "The chain's 'gain' in an instruments file narrows it."},
    {"thd", "More bits (an audio interface), a smaller range or a longer capture show less."},
    {"imd", "More bits (an audio interface), a smaller range or a longer capture show less."},
    {"noise", "A more sensitive range, or the chain's own 'noise' in an instruments file, show "
              "less."},
    {"hum", "A more sensitive range or a longer capture show less."},
    {"", "A longer capture, or a chain that is known better, narrows it."},
};

static const char *help_for(const char *figure)
{
    size_t i = 0;
    while (strncmp(figure, helps[i].figure, strlen(helps[i].figure)) != 0)
        i++;
    return helps[i].help;
}

/* No reading could pass, or what the capture can show at all ends on the wrong side of the limit.
 */
static bool is_beyond(const cj_judged *limit)
{
    return !isfinite(limit->value) && limit->bound_kind != CJ_BOUND_NONE;
}

bool cj__undecidable(const cj_judged *limit)
{
    if (limit->verdict != CJ_VERDICT_UNDECIDED)
        return false;
    return is_beyond(limit) || (isfinite(limit->value) && cj_judged_too_wide(limit));
}

static bool same_kind(const cj_judged *one, const cj_judged *other)
{
    size_t length = strcspn(one->figure, "@");
    return cj__undecidable(other) && is_beyond(one) == is_beyond(other) &&
           strcspn(other->figure, "@") == length &&
           strncmp(one->figure, other->figure, length) == 0;
}

static void write_steps(cj_text *out, const cj_run *run, const cj_judged *of)
{
    size_t named = 0, more = 0;
    const char *last = "";
    for (size_t i = 0; i < run->limit_count; i++) {
        const cj_judged *limit = &run->limits[i];
        if (!same_kind(of, limit) || strcmp(limit->step, last) == 0)
            continue;
        last = limit->step;
        if (named == STEPS) {
            more++;
            continue;
        }
        cj_text_add(out, named++ > 0 ? ", " : "");
        cj__write_clean(out, limit->step);
    }
    if (more > 0)
        cj_text_add(out, " and %zu more", more);
}

static void write_reason(cj_text *out, const cj_judged *limit, const char *unit)
{
    bool below = limit->bound_kind == CJ_BELOW;
    double room = isnan(limit->min) ? limit->max : (limit->max - limit->min) / 2;
    if (is_beyond(limit)) {
        cj_text_add(out, "only that it is %s ", below ? "below" : "above");
        cj__write_bound(out, limit->bound, below, unit);
        cj_text_add(out, " can be told, which does not decide a limit of ");
        cj__write_range(out, isnan(limit->min) ? -INFINITY : limit->min,
                        isnan(limit->max) ? INFINITY : limit->max, unit);
        return;
    }
    cj_text_add(out, "no reading can pass: the expanded uncertainty, ");
    cj__write_bound(out, 2 * limit->u, true, unit);
    cj_text_add(out, ", is wider than the room, ");
    cj__write_bound(out, room, false, unit);
}

static cj_status add_line(cj_lines *out, const cj_run *run, size_t which, cj_error *err)
{
    const cj_judged *limit = &run->limits[which];
    cj_text line = {0}, name = {0};
    size_t count = 0;
    for (size_t i = 0; i < run->limit_count; i++)
        count += same_kind(limit, &run->limits[i]);
    cj_text_add(&name, "%.*s", (int)strcspn(limit->figure, "@"), limit->figure);
    if (!name.failed)
        cj__write_label(&line, name.bytes, (const char *const[2]){"", ""});
    cj_text_add(&line, ", %zu limit%s (", count, count == 1 ? "" : "s");
    write_steps(&line, run, limit);
    cj_text_add(&line, "): ");
    write_reason(&line, limit, cj__limit_unit(run, limit));
    cj_text_add(&line, ". %s", help_for(limit->figure));
    bool failed = line.failed || name.failed || cj_lines_add(out, "%s", line.bytes) != CJ_OK;
    cj_text_free(&line);
    cj_text_free(&name);
    return failed ? cj_fail_memory(err) : CJ_OK;
}

cj_status cj__undecidable_lines(const cj_run *run, cj_lines *out, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < run->limit_count; i++) {
        bool said = !cj__undecidable(&run->limits[i]);
        for (size_t k = 0; k < i && !said; k++)
            said = same_kind(&run->limits[i], &run->limits[k]);
        if (!said)
            status = add_line(out, run, i, err);
    }
    return status;
}
