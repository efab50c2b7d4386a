/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_keywords.c - the keys met in headers, and the amounts written behind them.
 */
#include "capture/csv_words.h"

#include <math.h>
#include <string.h>

#define COUNT(list) (sizeof(list) / sizeof(list)[0])

struct key_word {
    const char *word; /* squeezed */
    cj__key_id id;
};

static const struct key_word key_words[] = {
    {"sampleinterval", CJ__KEY_INTERVAL},
    {"samplinginterval", CJ__KEY_INTERVAL},
    {"sampleperiod", CJ__KEY_INTERVAL},
    {"samplingperiod", CJ__KEY_INTERVAL},
    {"increment", CJ__KEY_INTERVAL},
    {"xincrement", CJ__KEY_INTERVAL},
    {"xincr", CJ__KEY_INTERVAL},
    {"timeinterval", CJ__KEY_INTERVAL},
    {"timeincrement", CJ__KEY_INTERVAL},
    {"timeperpoint", CJ__KEY_INTERVAL},
    {"timepersample", CJ__KEY_INTERVAL},
    {"hresolution", CJ__KEY_INTERVAL},
    {"dt", CJ__KEY_INTERVAL},
    {"deltat", CJ__KEY_INTERVAL},
    {"abtastintervall", CJ__KEY_INTERVAL},
    {"samplerate", CJ__KEY_RATE},
    {"samplingrate", CJ__KEY_RATE},
    {"samplefrequency", CJ__KEY_RATE},
    {"samplingfrequency", CJ__KEY_RATE},
    {"samplespersecond", CJ__KEY_RATE},
    {"fs", CJ__KEY_RATE},
    {"abtastrate", CJ__KEY_RATE},
    {"start", CJ__KEY_START},
    {"hoffset", CJ__KEY_START},
    {"starttime", CJ__KEY_START},
    {"recordlength", CJ__KEY_LENGTH},
    {"memorylength", CJ__KEY_LENGTH},
    {"blocksize", CJ__KEY_LENGTH},
    {"segmentsize", CJ__KEY_LENGTH},
    {"samples", CJ__KEY_LENGTH},
    {"size", CJ__KEY_LENGTH},
    {"numberofsamples", CJ__KEY_LENGTH},
    {"numberofpoints", CJ__KEY_LENGTH},
    {"datapoints", CJ__KEY_LENGTH},
    {"source", CJ__KEY_SOURCE},
    {"tracename", CJ__KEY_SOURCE},
    {"channel", CJ__KEY_SOURCE},
    {"label", CJ__KEY_SOURCE},
    {"verticalunits", CJ__KEY_VALUE_UNIT},
    {"verticalunit", CJ__KEY_VALUE_UNIT},
    {"vunit", CJ__KEY_VALUE_UNIT},
    {"yunit", CJ__KEY_VALUE_UNIT},
    {"hunit", CJ__KEY_TIME_UNIT},
    {"verticalscale", CJ__KEY_SCALE},
    {"voltbase", CJ__KEY_SCALE},
    {"vscale", CJ__KEY_SCALE},
    {"voltsdiv", CJ__KEY_SCALE},
    {"voltageperadcvalue", CJ__KEY_PER_CODE},
    {"segments", CJ__KEY_SEGMENTS},
    {"horizontaloffset", CJ__KEY_START},
    {"horizontalunits", CJ__KEY_OTHER},
    {"horizontalscale", CJ__KEY_OTHER},
    {"verticaloffset", CJ__KEY_OTHER},
    {"verticalposition", CJ__KEY_OTHER},
    {"probe", CJ__KEY_OTHER},
    {"probeatten", CJ__KEY_OTHER},
    {"probeattenuation", CJ__KEY_OTHER},
    {"proberatio", CJ__KEY_OTHER},
    {"triggerpoint", CJ__KEY_OTHER},
    {"timebase", CJ__KEY_OTHER},
    {"yzero", CJ__KEY_OTHER},
    {"voffset", CJ__KEY_OTHER},
    {"vresolution", CJ__KEY_OTHER},
    {"waveformdata", CJ__KEY_OTHER},
    {"waveformtype", CJ__KEY_OTHER},
    {"firmwareversion", CJ__KEY_OTHER},
    {"model", CJ__KEY_OTHER},
    {"note", CJ__KEY_OTHER},
    {"date", CJ__KEY_OTHER},
};

cj__key_id cj__key_find(cj__span text)
{
    char word[64];
    text = cj__trim(text);
    if (text.length == 0 || text.length > 60)
        return CJ__KEY_NONE;
    /* a unit in brackets belongs to the value: "Sample Interval (s)" */
    const char *open = memchr(text.at, '(', text.length);
    if (open == NULL)
        open = memchr(text.at, '[', text.length);
    if (open != NULL && open > text.at)
        text.length = (size_t)(open - text.at);
    cj__squeeze(text, word, sizeof word);
    for (size_t i = 0; i < COUNT(key_words); i++)
        if (strcmp(word, key_words[i].word) == 0)
            return key_words[i].id;
    return CJ__KEY_NONE;
}

/* "Sa/s", "S/s", "Samples/s", "sps" behind an optional prefix: samples a second. */
static bool read_rate_unit(cj__span text, int *shift)
{
    static const char *const words[] = {"sa/s",           "s/s", "samples/s",
                                        "samples/second", "sps", "pts/s"};
    for (size_t p = 0; p <= cj__prefix_count; p++) {
        const char *prefix = p < cj__prefix_count ? cj__prefixes[p].text : "";
        size_t length = strlen(prefix);
        if (text.length <= length || memcmp(text.at, prefix, length) != 0)
            continue;
        cj__span rest = {text.at + length, text.length - length};
        for (size_t i = 0; i < COUNT(words); i++)
            if (cj__span_is(rest, words[i])) {
                *shift = p < cj__prefix_count ? cj__prefixes[p].shift : 0;
                return true;
            }
    }
    return false;
}

/* What may stand before a value of one group of channels: Analog:2.0E-09, CH1:0.5 */
static bool is_group_word(cj__span text)
{
    return cj__span_is(text, "analog") || cj__span_is(text, "digital") ||
           cj__role_find(text) == CJ__WORD_CHANNEL;
}

bool cj__amount_read(cj__span text, char point, cj__amount *amount)
{
    text = cj__trim(text);
    const char *colon = memchr(text.at, ':', text.length);
    if (colon != NULL && is_group_word(cj__trim((cj__span){text.at, (size_t)(colon - text.at)})))
        text = cj__trim((cj__span){colon + 1, (size_t)(text.at + text.length - colon - 1)});
    cj__number number;
    const char *end = text.at + text.length;
    const char *behind = cj__number_read(text.at, end, point, 0, &number);
    if (point == ',' && behind != NULL && behind < end && *behind == '.')
        behind = cj__number_read(text.at, end, point = '.', 0, &number);
    if (behind == NULL)
        return false;
    cj__span rest = cj__trim((cj__span){behind, (size_t)(end - behind)});
    cj__unit unit = cj__unit_read(rest, false);
    int shift = unit.shift;
    if (unit.meaning == CJ__UNIT_NONE && read_rate_unit(rest, &shift))
        unit.meaning = CJ__UNIT_SPECTRUM;
    else if (unit.meaning == CJ__UNIT_NONE && rest.length > 0)
        return false;
    cj__number_read(text.at, end, point, shift, &number);
    if (number.last < -400 || number.last > 400)
        return false;
    unit.shift = 0;
    *amount = (cj__amount){number.value, 0.5 * pow(10, number.last + shift), unit};
    return true;
}
