/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/internal.h"
#include "base/utf8.h"

#include <string.h>

const struct cj__row cj__rows[] = {
    {"signal", "signal", CJ__ROW_PLAIN, false},
    {"rms_v", "level, RMS", CJ__ROW_RMS, false},
    {"peak_v", "peak", CJ__ROW_PLAIN, false},
    {"dc_v", "DC", CJ__ROW_PLAIN, false},
    {"tone_hz", "tone", CJ__ROW_PLAIN, false},
    {"tone_peak_v", "tone, peak", CJ__ROW_PLAIN, false},
    {"thd_percent", "THD", CJ__ROW_RATIO, false},
    {"thd_db", "THD", CJ__ROW_HIDDEN, false},
    {"even_percent", "even harmonics", CJ__ROW_HIDDEN, false},
    {"odd_percent", "odd harmonics", CJ__ROW_HIDDEN, false},
    {"thdn_percent", "THD+N", CJ__ROW_RATIO, false},
    {"thdn_db", "THD+N", CJ__ROW_HIDDEN, false},
    {"sinad_db", "SINAD", CJ__ROW_PLAIN, false},
    {"imd_percent", "IMD", CJ__ROW_RATIO, false},
    {"imd_db", "IMD", CJ__ROW_HIDDEN, false},
    {"imd_kind", "IMD kind", CJ__ROW_PLAIN, true},
    {"noise_v", "noise, RMS", CJ__ROW_RMS, false},
    {"noise_a_v", "noise, A-weighted", CJ__ROW_RMS, false},
    {"noise_468_v", "noise, BS.468", CJ__ROW_RMS, false},
    {"noise_density_v", "noise at 1 kHz", CJ__ROW_PLAIN, true},
    {"hum_v", "hum, RMS", CJ__ROW_RMS, false},
    {"hum_hz", "hum at", CJ__ROW_PLAIN, true},
    {"hum_sideband_db", "ripple on the tone", CJ__ROW_PLAIN, true},
    {"hum_sideband_hz", "ripple at", CJ__ROW_PLAIN, true},
    {"stray_v", "stray line", CJ__ROW_PLAIN, true},
    {"stray_hz", "stray line at", CJ__ROW_PLAIN, true},
    {"clip_fraction", "clipped", CJ__ROW_FRACTION, false},
    {"clip_high_v", "clipped above", CJ__ROW_PLAIN, true},
    {"clip_low_v", "clipped below", CJ__ROW_PLAIN, true},
    {"clip_high_fraction", "clipped above", CJ__ROW_HIDDEN, false},
    {"clip_low_fraction", "clipped below", CJ__ROW_HIDDEN, false},
    {"dropouts", "dropouts", CJ__ROW_COUNT, false},
    {"drift_v_per_s", "drift", CJ__ROW_PLAIN, true},
    {"settled_v", "settles at", CJ__ROW_PLAIN, true},
    {"clip_level_v", "THD is 1 % at", CJ__ROW_PLAIN, false},
    {"clip_input_v", "THD is 1 %, input", CJ__ROW_PLAIN, false},
    {"slew_v_per_s", "slew rate", CJ__ROW_PLAIN, true},
    {"rise_s", "rise time", CJ__ROW_PLAIN, true},
    {"fall_s", "fall time", CJ__ROW_PLAIN, true},
    {"overshoot_percent", "overshoot", CJ__ROW_PLAIN, true},
    {"resistance_ohm", "resistance", CJ__ROW_PLAIN, false},
    {"supply_a", "supply current", CJ__ROW_PLAIN, false},
    {"gain_db", "gain", CJ__ROW_GAIN, false},
    {"gain", "gain", CJ__ROW_HIDDEN, false},
    {"phase_deg", "phase", CJ__ROW_PLAIN, false},
    {"polarity", "polarity", CJ__ROW_PLAIN, false},
    {"turn", "polarity", CJ__ROW_HIDDEN, false},
    {"delay_s", "delay", CJ__ROW_PLAIN, false},
    {"low_3db_hz", "3 dB down below", CJ__ROW_PLAIN, false},
    {"high_3db_hz", "3 dB down above", CJ__ROW_PLAIN, false},
    {"coherence", "coherence", CJ__ROW_PLAIN, true},
    {"slope_db_per_octave", "slope", CJ__ROW_PLAIN, true},
    {"difference_db", "difference", CJ__ROW_HIDDEN, false},
    {"correlation", "correlation", CJ__ROW_HIDDEN, false},
    /* what the rules derive, seen as evidence only */
    {"hum_ratio_db", "hum to tone", CJ__ROW_HIDDEN, false},
    {"stray_ratio_db", "stray to tone", CJ__ROW_HIDDEN, false},
    {"noise_ratio_db", "noise to tone", CJ__ROW_HIDDEN, false},
    {"clip_asymmetry", "clipping one-sided", CJ__ROW_HIDDEN, false},
    {"step_db", "gain, up or down", CJ__ROW_HIDDEN, false},
    {"quadrature_deg", "off a quarter turn", CJ__ROW_HIDDEN, false},
    {"inputs", "connected inputs", CJ__ROW_HIDDEN, false},
    {"match", "match", CJ__ROW_HIDDEN, false},
    {"turn_deg", "phase off expected", CJ__ROW_HIDDEN, false},
    {"hum_rise_db", "hum, 2nd over 1st", CJ__ROW_HIDDEN, false},
    {"hum_sideband_rise_db", "ripple, 2nd over 1st", CJ__ROW_HIDDEN, false},
    {"noise_rise_db", "noise, 2nd over 1st", CJ__ROW_HIDDEN, false},
    {"thd_rise_db", "THD, 2nd over 1st", CJ__ROW_HIDDEN, false},
    {"swap_db", "sum of both gains", CJ__ROW_HIDDEN, false},
};
const size_t cj__row_count = sizeof cj__rows / sizeof cj__rows[0];

const struct cj__row *cj__row_find(const char *figure)
{
    for (size_t i = 0; i < cj__row_count; i++)
        if (strcmp(cj__rows[i].figure, figure) == 0)
            return &cj__rows[i];
    return NULL;
}

void cj__write_label(cj_text *out, const char *figure, const char *const paths[2])
{
    char name[48];
    size_t length = strcspn(figure, " @");
    const char *rest = figure + length;
    if (length >= sizeof name)
        length = sizeof name - 1;
    memcpy(name, figure, length);
    name[length] = '\0';
    const struct cj__row *row = cj__row_find(name);
    cj__write_clean(out, row ? row->label : name);
    if (strcmp(rest, " of the first path") == 0)
        cj_text_add(out, ", %s", paths[0]);
    else if (strcmp(rest, " of the second path") == 0)
        cj_text_add(out, ", %s", paths[1]);
    else if (*rest == '@') {
        cj_text_add(out, ", ");
        cj__write_clean(out, rest + 1);
    } else {
        cj__write_clean(out, rest);
    }
}

void cj__write_clean(cj_text *out, const char *text)
{
    const unsigned char *at = (const unsigned char *)(text ? text : "");
    while (*at) {
        size_t length = cj__utf8_length(at, 4); /* the terminator ends a sequence too */
        /* C0 and DEL, and C1 (0xc2 0x80..0x9f), which some terminals obey */
        bool control = *at < 0x20 || *at == 0x7f || (length == 2 && at[0] == 0xc2 && at[1] < 0xa0);
        if (length == 0)
            cj_text_add_n(out, "\xef\xbf\xbd", 3);
        else if (control)
            cj_text_add_n(out, "?", 1);
        else
            cj_text_add_n(out, (const char *)at, length);
        at += length ? length : 1;
    }
    if (out->bytes == NULL)
        cj_text_add_n(out, "", 0);
}

static size_t width_n(const char *text, size_t length)
{
    size_t width = 0;
    for (size_t i = 0; i < length; i++)
        width += ((unsigned char)text[i] & 0xc0) != 0x80;
    return width;
}

size_t cj__width(const char *text)
{
    return width_n(text, strlen(text));
}

void cj__pad(cj_text *out, size_t start, size_t column)
{
    size_t width = out->failed ? 0 : width_n(out->bytes + start, out->length - start);
    do
        cj_text_add_n(out, " ", 1);
    while (++width < column);
}

void cj__wrap(cj_text *out, size_t start, size_t indent, const char *text)
{
    size_t width =
        out->failed || out->length == start ? 0 : width_n(out->bytes + start, out->length - start);
    bool first = true;
    const char *word = text + strspn(text, " ");
    while (*word) {
        size_t length = strcspn(word, " ");
        size_t wide = width_n(word, length);
        if (!first && width + 1 + wide > CJ__PAGE) {
            cj_text_add(out, "\n%*s", (int)indent, "");
            width = indent;
        } else if (!first) {
            cj_text_add_n(out, " ", 1);
            width++;
        }
        cj_text_add_n(out, word, length);
        width += wide;
        first = false;
        word += length;
        word += strspn(word, " ");
    }
    cj_text_add_n(out, "\n", 1);
}

cj_status cj__finish(cj_text *out, size_t start, cj_error *err)
{
    if (!out->failed)
        return CJ_OK;
    out->failed = false;
    out->length = start;
    if (out->bytes != NULL)
        out->bytes[start] = '\0';
    return cj_fail_memory(err);
}
