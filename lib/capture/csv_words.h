/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * csv_words.h - inside the CSV reader: the words met in headers, and what they mean.
 */
#ifndef COLDJOINT_CAPTURE_CSV_WORDS_H
#define COLDJOINT_CAPTURE_CSV_WORDS_H

#include "capture/csv_table.h"

typedef enum cj__meaning {
    CJ__UNIT_NONE,     /* no unit word */
    CJ__UNIT_TIME,     /* s, ms, ... */
    CJ__UNIT_VALUE,    /* V, A, m, rad, a.u., anything else that may be a channel's */
    CJ__UNIT_SILENT,   /* "Value": a unit word that says nothing */
    CJ__UNIT_SPECTRUM, /* Hz, dB, ... */
    CJ__UNIT_INDEX     /* "Sequence" */
} cj__meaning;

typedef struct cj__unit {
    cj__meaning meaning;
    char base[24]; /* "V" for mV; "" where meaning is not TIME or VALUE */
    int shift;     /* -3 for mV: power of ten from the number written to the base unit */
} cj__unit;

/* A unit word with or without brackets. Unknown words are CJ__UNIT_NONE, or, where `any` is set
 * (the place says that it is a unit), CJ__UNIT_VALUE in itself. */
cj__unit cj__unit_read(cj__span word, bool any);

typedef enum cj__role_word {
    CJ__WORD_OTHER,
    CJ__WORD_EMPTY,
    CJ__WORD_TIME,
    CJ__WORD_INDEX,
    CJ__WORD_CHANNEL,  /* CH1, C1, 1, Channel A, ... */
    CJ__WORD_GENERIC,  /* "col 1", "Unnamed: 7", a spreadsheet's letter: says nothing */
    CJ__WORD_SPECTRUM, /* Freq, FFT, Magnitude, ... */
    CJ__WORD_NOT,      /* a computed trace, a generator output: no channel */
    CJ__WORD_PEAK,     /* "CH1 Peak Detect": the other half of an envelope */
    CJ__WORD_DIGITAL   /* D0 ... D15 */
} cj__role_word;

typedef struct cj__title {
    char name[64]; /* without unit and quotes; "" where nothing is left */
    cj__unit unit;
    cj__role_word word;
} cj__title;

cj__title cj__title_read(cj__span text);
cj__role_word cj__role_find(cj__span text);

/* Letters and digits only, lower case: what keys and titles are compared by. Returns the length. */
size_t cj__squeeze(cj__span text, char *to, size_t size);

typedef struct cj__prefix {
    const char *text;
    int shift;
} cj__prefix;
extern const cj__prefix cj__prefixes[];
extern const size_t cj__prefix_count;

typedef enum cj__key_id {
    CJ__KEY_NONE,
    CJ__KEY_INTERVAL,
    CJ__KEY_RATE,
    CJ__KEY_START,
    CJ__KEY_LENGTH,
    CJ__KEY_SOURCE,
    CJ__KEY_VALUE_UNIT,
    CJ__KEY_TIME_UNIT, /* of the interval and start keys where they stand as HUnit */
    CJ__KEY_SCALE,     /* volts per division */
    CJ__KEY_PER_CODE,  /* volts per ADC code */
    CJ__KEY_SEGMENTS,
    CJ__KEY_OTHER /* known to be a key, of no use here */
} cj__key_id;

cj__key_id cj__key_find(cj__span text);

/* A key's value: "0.50uS", "Analog:2.0E-09", "1.0e6(uV)", "1 MSa/s". False where it is no number.
 * precision: relative half unit of the last digit written. */
typedef struct cj__amount {
    double value;
    double half_digit; /* half a unit of the last digit written, same unit as value */
    cj__unit unit;     /* of what was written behind the number */
} cj__amount;
bool cj__amount_read(cj__span text, char point, cj__amount *amount);

/* Case-insensitive comparison with a plain word. */
bool cj__span_is(cj__span text, const char *word);

#endif
