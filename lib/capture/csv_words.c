/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "capture/csv_words.h"

#include <ctype.h>
#include <math.h>
#include <string.h>
#include <strings.h>

#define COUNT(list) (sizeof(list) / sizeof(list)[0])

bool cj__span_is(cj__span text, const char *word)
{
    return strlen(word) == text.length && strncasecmp(text.at, word, text.length) == 0;
}

static bool is_exactly(cj__span text, const char *word)
{
    return strlen(word) == text.length && memcmp(text.at, word, text.length) == 0;
}

static bool starts_with(cj__span text, const char *word)
{
    size_t length = strlen(word);
    return text.length >= length && strncasecmp(text.at, word, length) == 0;
}

static cj__span part(cj__span text, size_t from, size_t to)
{
    return cj__trim((cj__span){text.at + from, to - from});
}

/* ---- units ---- */

struct unit_word {
    const char *word;
    cj__meaning meaning;
    const char *base;
    int shift;
};

/* Whole words, any case. */
static const struct unit_word unit_words[] = {
    {"second", CJ__UNIT_TIME, "s", 0},
    {"seconds", CJ__UNIT_TIME, "s", 0},
    {"sec", CJ__UNIT_TIME, "s", 0},
    {"secs", CJ__UNIT_TIME, "s", 0},
    {"sekunde", CJ__UNIT_TIME, "s", 0},
    {"sekunden", CJ__UNIT_TIME, "s", 0},
    {"s", CJ__UNIT_TIME, "s", 0},
    {"msec", CJ__UNIT_TIME, "s", -3},
    {"millisecond", CJ__UNIT_TIME, "s", -3},
    {"milliseconds", CJ__UNIT_TIME, "s", -3},
    {"usec", CJ__UNIT_TIME, "s", -6},
    {"microsecond", CJ__UNIT_TIME, "s", -6},
    {"microseconds", CJ__UNIT_TIME, "s", -6},
    {"nsec", CJ__UNIT_TIME, "s", -9},
    {"nanosecond", CJ__UNIT_TIME, "s", -9},
    {"nanoseconds", CJ__UNIT_TIME, "s", -9},
    {"min", CJ__UNIT_VALUE, "min", 0},
    {"volt", CJ__UNIT_VALUE, "V", 0},
    {"volts", CJ__UNIT_VALUE, "V", 0},
    {"v", CJ__UNIT_VALUE, "V", 0},
    {"vdc", CJ__UNIT_VALUE, "V", 0},
    {"vac", CJ__UNIT_VALUE, "V", 0},
    {"millivolt", CJ__UNIT_VALUE, "V", -3},
    {"millivolts", CJ__UNIT_VALUE, "V", -3},
    {"mvolt", CJ__UNIT_VALUE, "V", -3},
    {"microvolt", CJ__UNIT_VALUE, "V", -6},
    {"microvolts", CJ__UNIT_VALUE, "V", -6},
    {"ampere", CJ__UNIT_VALUE, "A", 0},
    {"amperes", CJ__UNIT_VALUE, "A", 0},
    {"amp", CJ__UNIT_VALUE, "A", 0},
    {"amps", CJ__UNIT_VALUE, "A", 0},
    {"a", CJ__UNIT_VALUE, "A", 0},
    {"adc", CJ__UNIT_VALUE, "A", 0},
    {"milliampere", CJ__UNIT_VALUE, "A", -3},
    {"watt", CJ__UNIT_VALUE, "W", 0},
    {"watts", CJ__UNIT_VALUE, "W", 0},
    {"ohm", CJ__UNIT_VALUE, "ohm", 0},
    {"ohms", CJ__UNIT_VALUE, "ohm", 0},
    {"m", CJ__UNIT_VALUE, "m", 0},
    {"rad", CJ__UNIT_VALUE, "rad", 0},
    {"a.u.", CJ__UNIT_VALUE, "a.u.", 0},
    {"vv", CJ__UNIT_VALUE, "V2", 0},
    {"value", CJ__UNIT_SILENT, "", 0},
    {"values", CJ__UNIT_SILENT, "", 0},
    {"unknown", CJ__UNIT_SILENT, "", 0},
    {"sequence", CJ__UNIT_INDEX, "", 0},
    {"hertz", CJ__UNIT_SPECTRUM, "", 0},
    {"hz", CJ__UNIT_SPECTRUM, "", 0},
    {"decibel", CJ__UNIT_SPECTRUM, "", 0},
    {"decibels", CJ__UNIT_SPECTRUM, "", 0},
    {"db", CJ__UNIT_SPECTRUM, "", 0},
    {"dbv", CJ__UNIT_SPECTRUM, "", 0},
    {"dbm", CJ__UNIT_SPECTRUM, "", 0},
    {"dbu", CJ__UNIT_SPECTRUM, "", 0},
    {"dbmv", CJ__UNIT_SPECTRUM, "", 0},
    {"dbuv", CJ__UNIT_SPECTRUM, "", 0},
    {"dbvrms", CJ__UNIT_SPECTRUM, "", 0},
    {"dbfs", CJ__UNIT_SPECTRUM, "", 0},
};

const cj__prefix cj__prefixes[] = {
    {"f", -15},   {"p", -12}, {"n", -9}, {"u", -6}, {"\xc2\xb5", -6}, {"\xce\xbc", -6},
    {"\xb5", -6}, {"m", -3},  {"k", 3},  {"K", 3},  {"M", 6},         {"G", 9},
};

const size_t cj__prefix_count = COUNT(cj__prefixes);

static cj__unit unit_of(const struct unit_word *word, int shift)
{
    cj__unit unit = {word->meaning, "", word->shift + shift};
    strcpy(unit.base, word->base);
    return unit;
}

/* "mV", "uS", "kHz": one of the prefixes before a one- or two-letter unit. */
static cj__unit unit_with_prefix(cj__span word)
{
    static const struct unit_word bases[] = {
        {"V", CJ__UNIT_VALUE, "V", 0},     {"v", CJ__UNIT_VALUE, "V", 0},
        {"Vdc", CJ__UNIT_VALUE, "V", 0},   {"A", CJ__UNIT_VALUE, "A", 0},
        {"s", CJ__UNIT_TIME, "s", 0},      {"S", CJ__UNIT_TIME, "s", 0},
        {"sec", CJ__UNIT_TIME, "s", 0},    {"W", CJ__UNIT_VALUE, "W", 0},
        {"Hz", CJ__UNIT_SPECTRUM, "", 0},  {"hz", CJ__UNIT_SPECTRUM, "", 0},
        {"ohm", CJ__UNIT_VALUE, "ohm", 0},
    };
    for (size_t i = 0; i < COUNT(cj__prefixes); i++) {
        size_t length = strlen(cj__prefixes[i].text);
        if (word.length <= length || memcmp(word.at, cj__prefixes[i].text, length) != 0)
            continue;
        cj__span rest = {word.at + length, word.length - length};
        for (size_t k = 0; k < COUNT(bases); k++)
            if (is_exactly(rest, bases[k].word))
                return unit_of(&bases[k], cj__prefixes[i].shift);
    }
    return (cj__unit){0};
}

static cj__span strip_brackets(cj__span word)
{
    word = cj__trim(word);
    if (word.length >= 2) {
        char first = word.at[0], last = word.at[word.length - 1];
        if ((first == '(' && last == ')') || (first == '[' && last == ']') ||
            (first == '{' && last == '}') || (first == '<' && last == '>'))
            return part(word, 1, word.length - 1);
    }
    return word;
}

/* Letters of a unit that may be printed: an unknown byte must not get into answers in UTF-8. */
static bool is_plain_text(cj__span text)
{
    for (size_t i = 0; i < text.length; i++)
        if ((unsigned char)text.at[i] < 0x20 || (unsigned char)text.at[i] >= 0x7f)
            return false;
    return true;
}

cj__unit cj__unit_read(cj__span word, bool any)
{
    word = strip_brackets(word);
    for (size_t i = 0; i < COUNT(unit_words); i++)
        if (cj__span_is(word, unit_words[i].word))
            return unit_of(&unit_words[i], 0);
    cj__unit unit = unit_with_prefix(word);
    if (unit.meaning != CJ__UNIT_NONE || !any)
        return unit;
    if (starts_with(word, "db") && word.length < 8)
        return (cj__unit){CJ__UNIT_SPECTRUM, "", 0};
    if (word.length > 0 && word.length < sizeof unit.base && is_plain_text(word)) {
        unit.meaning = CJ__UNIT_VALUE;
        memcpy(unit.base, word.at, word.length);
    }
    return unit;
}

/* ---- titles ---- */

/* Letters and digits only, lower case; what keys and titles are compared by. */
size_t cj__squeeze(cj__span text, char *to, size_t size)
{
    size_t length = 0;
    for (size_t i = 0; i < text.length && length + 1 < size; i++)
        if (isalnum((unsigned char)text.at[i]) && (unsigned char)text.at[i] < 0x80)
            to[length++] = (char)(text.at[i] | (isupper((unsigned char)text.at[i]) ? 0x20 : 0));
    to[length] = '\0';
    return length;
}

static bool is_one_of(const char *word, const char *const *list, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(word, list[i]) == 0)
            return true;
    return false;
}

/* ch1, c2, channel a, kanal b, in1, 3: a word for a channel (if any), then its letter or number. */
static bool is_channel_word(const char *word)
{
    static const char *const stems[] = {"channel", "chan",  "kanal", "analog", "input", "in", "ch",
                                        "c",       "trace", "voie",  "canal",  "probe", ""};
    for (size_t i = 0; i < COUNT(stems); i++) {
        size_t length = strlen(stems[i]);
        if (strncmp(word, stems[i], length) != 0)
            continue;
        const char *rest = word + length;
        size_t digits = strspn(rest, "0123456789");
        if (digits >= 1 && digits <= 2 && rest[digits] == '\0')
            return true;
        if (length >= 4 && rest[0] >= 'a' && rest[0] <= 'h' && rest[1] == '\0')
            return true;
    }
    return false;
}

static bool is_generic_word(const char *word, cj__span text)
{
    static const char *const stems[] = {"col", "column", "unnamed", "spalte", "field"};
    for (size_t i = 0; i < COUNT(stems); i++) {
        size_t length = strlen(stems[i]);
        if (strncmp(word, stems[i], length) == 0 &&
            word[length + strspn(word + length, "0123456789")] == '\0')
            return true;
    }
    return text.length == 1 && isalpha((unsigned char)*text.at);
}

cj__role_word cj__role_find(cj__span text)
{
    static const char *const times[] = {"xaxis", "t", "zeit",  "second", "seconds", "sekunden",
                                        "sec",   "s", "temps", "tiempo", "tempo"};
    static const char *const indexes[] = {"x",      "sequence",     "index",    "sample", "samples",
                                          "n",      "nr",           "no",       "number", "point",
                                          "points", "samplenumber", "sampleno", "idx",    "row"};
    static const char *const spectra[] = {"fft",   "hertz", "hz",          "magnitude",
                                          "phase", "gain",  "amplitudedb", "spectrum",
                                          "level", "db",    "bode"};
    char word[64];
    if (cj__squeeze(text, word, sizeof word) == 0)
        return text.length == 1 && *text.at == '#' ? CJ__WORD_INDEX : CJ__WORD_EMPTY;
    if (strstr(word, "peakdetect") != NULL)
        return CJ__WORD_PEAK;
    if (is_one_of(word, times, COUNT(times)) || strncmp(word, "time", 4) == 0 ||
        strncmp(word, "zeit", 4) == 0)
        return CJ__WORD_TIME;
    if (is_one_of(word, indexes, COUNT(indexes)))
        return CJ__WORD_INDEX;
    if (is_one_of(word, spectra, COUNT(spectra)) || strncmp(word, "freq", 4) == 0 ||
        strncmp(word, "fft", 3) == 0)
        return CJ__WORD_SPECTRUM;
    if (strncmp(word, "math", 4) == 0 || strncmp(word, "out", 3) == 0 || strcmp(word, "f1") == 0 ||
        strcmp(word, "f2") == 0 || strncmp(word, "ref", 3) == 0)
        return word[strcspn(word, "0123456789")] != '\0' || strncmp(word, "math", 4) == 0
                   ? CJ__WORD_NOT
                   : CJ__WORD_OTHER;
    if (is_channel_word(word))
        return CJ__WORD_CHANNEL;
    if (word[0] == 'd' && isdigit((unsigned char)word[1]) && strlen(word) <= 3)
        return CJ__WORD_DIGITAL;
    if (strncmp(word, "digital", 7) == 0 || strncmp(word, "logic", 5) == 0)
        return CJ__WORD_DIGITAL;
    return is_generic_word(word, text) ? CJ__WORD_GENERIC : CJ__WORD_OTHER;
}

/* "CH1_Voltage" and "voltage_CH1" are called CH1: a word for volts says nothing beside a channel's.
 */
static cj__span drop_filler(cj__span text)
{
    static const char *const fillers[] = {"voltage", "volt", "volts", "spannung", "value", "wave"};
    for (size_t i = 0; i < COUNT(fillers); i++) {
        size_t length = strlen(fillers[i]);
        if (text.length < length + 2)
            continue;
        cj__span rest = {0};
        if (starts_with(text, fillers[i]) && (text.at[length] == '_' || text.at[length] == ' '))
            rest = part(text, length + 1, text.length);
        cj__span tail = {text.at + text.length - length, length};
        char before = text.at[text.length - length - 1];
        if (cj__span_is(tail, fillers[i]) && (before == '_' || before == ' '))
            rest = part(text, 0, text.length - length - 1);
        char word[64];
        if (rest.length > 0 && cj__squeeze(rest, word, sizeof word) > 0 && is_channel_word(word))
            return rest;
    }
    return text;
}

/* The unit in the last brackets, or the channel in them: "Time (s)", "CH1[V]", "X(CH1)". */
static bool split_brackets(cj__span *text, cj__title *title)
{
    if (text->length < 2)
        return false;
    char last = text->at[text->length - 1];
    char opening = last == ')' ? '(' : last == ']' ? '[' : 0;
    const char *open = opening ? memrchr(text->at, opening, text->length) : NULL;
    if (open == NULL)
        return false;
    size_t at = (size_t)(open - text->at);
    cj__span inside = part(*text, at + 1, text->length - 1);
    cj__span before = part(*text, 0, at);
    cj__unit unit = cj__unit_read(inside, false);
    if (unit.meaning == CJ__UNIT_NONE && cj__role_find(inside) == CJ__WORD_CHANNEL) {
        *text = inside;
        return true;
    }
    if (unit.meaning == CJ__UNIT_NONE && before.length == 1 &&
        memchr("VvIi", *before.at, 4) != NULL) {
        /* V(out), I(R1): a simulation's name of a node */
        title->unit = cj__unit_read(
            (cj__span){toupper((unsigned char)*before.at) == 'V' ? "V" : "A", 1}, false);
        return true;
    }
    title->unit = unit.meaning != CJ__UNIT_NONE ? unit : cj__unit_read(inside, true);
    *text = before;
    return true;
}

/* "C1 in V", "\"Way\" s_1 / m", "voltage_CH1_V" */
static void split_words(cj__span *text, cj__title *title)
{
    cj__span padded = *text;
    if (text->length == 0)
        return;
    for (size_t at = 0; at + 3 <= padded.length; at++) {
        bool begins = at == 0 || padded.at[at - 1] == ' ';
        if (!begins || strncasecmp(padded.at + at, "in ", 3) != 0)
            continue;
        cj__unit unit = cj__unit_read(part(padded, at + 3, padded.length), false);
        if (unit.meaning != CJ__UNIT_NONE) {
            title->unit = unit;
            *text = part(padded, 0, at);
            return;
        }
    }
    const char *slash = memrchr(text->at, '/', text->length);
    if (slash != NULL) {
        size_t at = (size_t)(slash - text->at);
        cj__span word = part(*text, at + 1, text->length);
        bool spaced = at > 0 && text->at[at - 1] == ' ';
        title->unit = cj__unit_read(word, spaced);
        if (title->unit.meaning != CJ__UNIT_NONE) {
            *text = part(*text, 0, at);
            return;
        }
    }
    const char *low = memrchr(text->at, '_', text->length);
    if (low != NULL) {
        size_t at = (size_t)(low - text->at);
        cj__span word = part(*text, at + 1, text->length);
        cj__unit unit = cj__unit_read(word, false);
        bool sure = unit.meaning == CJ__UNIT_TIME || unit.meaning == CJ__UNIT_SPECTRUM ||
                    (unit.meaning == CJ__UNIT_VALUE && strcmp(unit.base, "V") == 0) ||
                    (unit.meaning == CJ__UNIT_VALUE && unit.shift != 0);
        if (sure && at > 0) {
            title->unit = unit;
            *text = part(*text, 0, at);
        }
    }
}

/* DEF="Time" t -> t: behind a quoted word stands its symbol. */
static cj__span take_symbol(cj__span text)
{
    const char *equals = memchr(text.at, '=', text.length);
    if (equals != NULL && equals + 1 < text.at + text.length && equals[1] == '"')
        text = part(text, (size_t)(equals + 1 - text.at), text.length);
    if (text.length > 1 && *text.at == '"') {
        const char *close = memchr(text.at + 1, '"', text.length - 1);
        if (close != NULL && close + 1 < text.at + text.length)
            return part(text, (size_t)(close + 1 - text.at), text.length);
        if (close != NULL)
            return part(text, 1, text.length - 1);
    }
    return text;
}

/* Length of the UTF-8 character at text, 0 where it is none (RFC 3629). */
static size_t character(const unsigned char *text, size_t left)
{
    size_t length = text[0] < 0x80   ? 1
                    : text[0] < 0xc2 ? 0
                    : text[0] < 0xe0 ? 2
                    : text[0] < 0xf0 ? 3
                    : text[0] < 0xf5 ? 4
                                     : 0;
    if (length == 0 || length > left || text[0] < 0x20 || text[0] == 0x7f)
        return 0;
    for (size_t i = 1; i < length; i++)
        if ((text[i] & 0xc0) != 0x80)
            return 0;
    bool bad = (text[0] == 0xe0 && text[1] < 0xa0) || (text[0] == 0xed && text[1] > 0x9f) ||
               (text[0] == 0xf0 && text[1] < 0x90) || (text[0] == 0xf4 && text[1] > 0x8f);
    return bad ? 0 : length;
}

/* Answers are UTF-8: whatever is not becomes a question mark. */
static void copy_name(cj__title *title, cj__span text)
{
    size_t to = 0;
    for (size_t i = 0; i < text.length && to + 4 < sizeof title->name;) {
        size_t length = character((const unsigned char *)text.at + i, text.length - i);
        if (length == 0)
            title->name[to++] = '?';
        else
            memcpy(title->name + to, text.at + i, length);
        to += length;
        i += length ? length : 1;
    }
    title->name[to] = '\0';
}

cj__title cj__title_read(cj__span text)
{
    cj__title title = {0};
    text = cj__trim(text);
    while (text.length > 0 && (*text.at == '%' || (*text.at == '#' && text.length > 1)))
        text = part(text, 1, text.length);
    if (!split_brackets(&text, &title) && text.length > 0)
        split_words(&text, &title);
    text = drop_filler(take_symbol(text));
    copy_name(&title, text);
    title.word = cj__role_find(text);
    return title;
}
