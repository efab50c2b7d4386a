/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Test signals in words and as JSON. */
#include "report/signals.h"

#include <math.h>
#include <string.h>

#define DBU_V 0.7745966692414834 /* 0 dBu: 1 mW in 600 ohm, the root of 0.6 (IEC 60268-17) */

void cj__write_short(cj_text *out, double value, const char *unit)
{
    static const struct {
        const char *sign;
        double factor;
    } prefixes[] = {{"M", 1e6}, {"k", 1e3}, {"", 1}, {"m", 1e-3}, {"\xc2\xb5", 1e-6}};
    size_t i = 0, last = sizeof prefixes / sizeof *prefixes - 1;
    bool seconds = strcmp(unit, "s") == 0;
    while (i < last && fabs(value) < prefixes[i].factor * (1 - 1e-9))
        i++;
    if (value == 0 || (seconds && fabs(value) >= 1))
        i = 2;
    cj__write_plain(out, value / prefixes[i].factor, 4);
    cj_text_add(out, " %s%s", prefixes[i].sign, unit);
}

double cj__signal_rms(const cj_stimulus *s)
{
    switch (s->signal) {
    case CJ_SIG_SINE:
    case CJ_SIG_SWEEP:
        return s->peak[0] / sqrt(2);
    case CJ_SIG_TWO_TONE:
        return hypot(s->peak[0], s->peak[1]) / sqrt(2);
    case CJ_SIG_SQUARE:
    case CJ_SIG_MLS:
        return s->peak[0];
    case CJ_SIG_WHITE:
    case CJ_SIG_PINK:
        return s->rms;
    case CJ_SIG_STEPPED:
    case CJ_SIG_SILENCE:
        break;
    }
    return NAN;
}

void cj__write_shape(cj_text *out, const cj_stimulus *s)
{
    switch (s->signal) {
    case CJ_SIG_SINE:
        cj_text_add(out, "tone of ");
        break;
    case CJ_SIG_SQUARE:
        cj_text_add(out, "square of ");
        break;
    case CJ_SIG_STEPPED:
        cj_text_add(out, "tone in %d steps of ", s->steps);
        break;
    case CJ_SIG_TWO_TONE:
        cj_text_add(out, "two tones of ");
        cj__write_short(out, s->hz[0], "Hz");
        cj_text_add(out, " and ");
        cj__write_short(out, s->hz[1], "Hz");
        return;
    case CJ_SIG_SWEEP:
        cj_text_add(out, "sweep from ");
        cj__write_short(out, s->from_hz, "Hz");
        cj_text_add(out, " to ");
        cj__write_short(out, s->to_hz, "Hz");
        return;
    case CJ_SIG_MLS:
        cj_text_add(out, "maximum-length sequence");
        return;
    case CJ_SIG_WHITE:
    case CJ_SIG_PINK:
        cj_text_add(out, "%s noise", cj_signal_word(s->signal));
        return;
    case CJ_SIG_SILENCE:
        cj_text_add(out, "silence");
        return;
    }
    cj__write_short(out, s->hz[0], "Hz");
}

/* Volts, or dBFS: those count RMS from that of a full-scale sine (AES17), whose RMS is its peak
 * over root 2. */
static void write_level(cj_text *out, double peak, double rms, bool volts)
{
    if (volts) {
        cj__write_short(out, peak, "V");
        return;
    }
    cj__write_plain(out, round(2000 * log10(rms * sqrt(2))) / 100, 4);
    cj_text_add(out, " dBFS");
}

static void write_levels(cj_text *out, const cj_stimulus *s, bool volts)
{
    bool noise = s->signal == CJ_SIG_WHITE || s->signal == CJ_SIG_PINK;
    bool stepped = s->signal == CJ_SIG_STEPPED;
    cj_text_add(out, " at ");
    if (stepped || s->signal == CJ_SIG_TWO_TONE) {
        double first = stepped ? s->from_v : s->peak[0], last = stepped ? s->to_v : s->peak[1];
        write_level(out, first, first / sqrt(2), volts);
        cj_text_add(out, stepped ? " to " : " and ");
        write_level(out, last, last / sqrt(2), volts);
    } else {
        double rms = cj__signal_rms(s);
        write_level(out, noise ? rms : s->peak[0], rms, volts);
    }
    if (volts)
        cj_text_add(out, noise ? " RMS" : " peak");
}

void cj__write_signal(cj_text *out, const cj_stimulus *s, double full_scale_v)
{
    bool volts = full_scale_v > 0;
    cj__write_shape(out, s);
    if (s->signal == CJ_SIG_SILENCE)
        return;
    write_levels(out, s, volts);
    double rms = cj__signal_rms(s);
    if (!volts || !isfinite(rms))
        return;
    cj_text_add(out, " (");
    if (s->signal != CJ_SIG_WHITE && s->signal != CJ_SIG_PINK) {
        cj__write_short(out, rms, "V");
        cj_text_add(out, " RMS, ");
    }
    cj__write_plain(out, round(200 * log10(rms / DBU_V)) / 10, 4);
    cj_text_add(out, " dBu)");
}

cj_status cj_report_stimulus_text(const cj_played *played, cj_text *out, cj_error *err)
{
    size_t start = out->length;
    const cj_stimulus *s = played->stimulus;
    cj_layout layout;
    cj_status status = cj_stimulus_layout(s, &layout, err);
    if (status != CJ_OK)
        return status;
    cj__write_clean(out, played->file);
    cj_text_add(out, ": ");
    cj__write_signal(out, s, played->full_scale_v);
    cj_text_add(out, ", ");
    cj__write_short(out, (double)layout.length / s->rate_hz, "s");
    cj_text_add(out, layout.start > 0 ? " behind a marker, " : ", ");
    cj__write_short(out, s->rate_hz, "Hz");
    if (played->format->bits > 0)
        cj_text_add(out, ", %d bits%s\n", played->format->bits,
                    played->format->dither ? " with dither" : "");
    else
        cj_text_add(out, ", floating point\n");
    return cj__finish(out, start, err);
}

static json_t *pair_of(struct cj__json *json, const double pair[2])
{
    json_t *list = json_array();
    cj__json_append(json, list, cj__json_number(pair[0]));
    cj__json_append(json, list, cj__json_number(pair[1]));
    return list;
}

void cj__json_signal(struct cj__json *json, json_t *object, const cj_stimulus *s,
                     double full_scale_v)
{
    bool two = s->signal == CJ_SIG_TWO_TONE, noise = false;
    cj__json_set(json, object, "shape", json_string(cj_signal_word(s->signal)));
    cj__json_set(json, object, "unit", json_string(full_scale_v > 0 ? "V" : "FS"));
    if (full_scale_v > 0)
        cj__json_set(json, object, "full_scale_v", cj__json_number(full_scale_v));
    if (s->signal == CJ_SIG_SWEEP) {
        cj__json_set(json, object, "from", cj__json_number(s->from_hz));
        cj__json_set(json, object, "to", cj__json_number(s->to_hz));
    } else if (s->signal == CJ_SIG_STEPPED) {
        cj__json_set(json, object, "from", cj__json_number(s->from_v));
        cj__json_set(json, object, "to", cj__json_number(s->to_v));
        cj__json_set(json, object, "steps", json_integer(s->steps));
    }
    if (s->signal == CJ_SIG_WHITE || s->signal == CJ_SIG_PINK || s->signal == CJ_SIG_MLS) {
        cj__json_set(json, object, "seed", json_integer((json_int_t)s->seed));
        noise = s->signal != CJ_SIG_MLS;
    }
    if (s->signal == CJ_SIG_SINE || s->signal == CJ_SIG_SQUARE || s->signal == CJ_SIG_STEPPED ||
        two)
        cj__json_set(json, object, "hz", two ? pair_of(json, s->hz) : cj__json_number(s->hz[0]));
    if (noise)
        cj__json_set(json, object, "rms", cj__json_number(s->rms));
    else if (s->signal != CJ_SIG_STEPPED && s->signal != CJ_SIG_SILENCE)
        cj__json_set(json, object, "peak",
                     two ? pair_of(json, s->peak) : cj__json_number(s->peak[0]));
}

cj_status cj_report_stimulus_json(const cj_played *played, cj_text *out, cj_error *err)
{
    const cj_stimulus *s = played->stimulus;
    struct cj__json json;
    cj_layout layout;
    cj_status status = cj_stimulus_layout(s, &layout, err);
    if (status != CJ_OK)
        return status;
    cj__json_start(&json, "stimulus");
    cj__json_set(&json, json.root, "file", cj__json_text(played->file));
    json_t *signal = json_object();
    cj__json_signal(&json, signal, s, played->full_scale_v);
    cj__json_set(&json, json.root, "signal", signal);
    cj__json_set(&json, json.root, "rate_hz", cj__json_number(s->rate_hz));
    cj__json_set(&json, json.root, "bits",
                 played->format->bits ? json_integer(played->format->bits) : json_string("float"));
    cj__json_set(&json, json.root, "dither", json_boolean(played->format->dither));
    cj__json_set(&json, json.root, "samples", json_integer((json_int_t)layout.total));
    cj__json_set(&json, json.root, "start", json_integer((json_int_t)layout.start));
    cj__json_set(&json, json.root, "length", json_integer((json_int_t)layout.length));
    cj__json_set(&json, json.root, "marker", json_boolean(layout.start > 0));
    return cj__json_end(&json, out, err);
}
