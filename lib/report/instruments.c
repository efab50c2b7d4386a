/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Volts at full scale, and the instruments file that carries them on. */
#include "report/internal.h"

#include <math.h>
#include <string.h>

cj_status cj_report_scale_text(const cj_scale *scale, cj_text *out, cj_error *err)
{
    size_t start = out->length;
    cj_text_add(out, "full scale: ");
    cj__write_value(out, scale->full_scale_v, scale->u, "V");
    cj_text_add(out, " peak, from a meter reading of ");
    cj__write_value(out, scale->reads_v, NAN, "V");
    cj_text_add(out, " RMS\n");
    return cj__finish(out, start, err);
}

/* A YAML scalar in single quotes: only the quote itself is special there. */
static void write_quoted(cj_text *out, const char *text)
{
    cj_text clean = {0};
    cj__write_clean(&clean, text);
    cj_text_add(out, "'");
    for (size_t i = 0; !clean.failed && i < clean.length; i++)
        cj_text_add_n(out, clean.bytes[i] == '\'' ? "''" : &clean.bytes[i],
                      clean.bytes[i] == '\'' ? 2 : 1);
    cj_text_add(out, "'");
    out->failed = out->failed || clean.failed;
    cj_text_free(&clean);
}

cj_status cj_report_instruments(const cj_instruments *instruments, cj_text *out, cj_error *err)
{
    size_t start = out->length, written = 0;
    const struct {
        const char *key;
        double value;
        const char *unit;
        double factor;
        int digits;
    } fields[] = {
        {"gain", instruments->gain, "%", 100, 3},
        {"match", instruments->match, "%", 100, 6},
        {"skew", instruments->skew_s, "", 1, 6},
        {"offset", instruments->offset_v, "", 1, 6},
        {"noise", instruments->noise_v, "", 1, 6},
        {"full_scale", instruments->full_scale_v, "", 1, 9},
    };
    if (instruments->name[0]) {
        cj_text_add(out, "instruments: ");
        write_quoted(out, instruments->name);
        cj_text_add(out, "\n");
    }
    cj_text_add(out, "capture: {");
    for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++) {
        if (!isfinite(fields[i].value))
            continue;
        cj_text_add(out, "%s%s: ", written++ ? ", " : "", fields[i].key);
        cj__write_plain(out, fields[i].value * fields[i].factor, fields[i].digits);
        cj_text_add(out, "%s", fields[i].unit);
    }
    if (instruments->coupling != CJ_COUPLING_DEFAULT)
        cj_text_add(out, "%scoupling: %s", written++ ? ", " : "",
                    instruments->coupling == CJ_COUPLING_AC ? "ac" : "dc");
    cj_text_add(out, "}\n");
    return cj__finish(out, start, err);
}
