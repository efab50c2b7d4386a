/* SPDX-License-Identifier: GPL-3.0-or-later */
/* report/internal.h - what the files of this room share. */
#ifndef COLDJOINT_REPORT_INTERNAL_H
#define COLDJOINT_REPORT_INTERNAL_H

#include "coldjoint/report.h"

enum {
    CJ__PAGE = 80 /* columns of a text answer */
};

/* ---- number.c: numbers as a person reads them; a decimal point whatever the locale ---- */

/* "707.1 ± 1.2 mV": both rounded to two digits of u, an SI prefix chosen. Without u (NaN or 0) six
 * digits. */
void cj__write_value(cj_text *out, double value, double u, const char *unit);
/* A predicted value and its spread from unit to unit, the spread only where a bench shows it; what lies
 * beyond any meter as its bound. */
void cj__write_predicted(cj_text *out, double value, double u, const char *unit);
/* "707.1 mV": rounded as above but not followed by u. Without u to four digits, no more than a
 * bench shows, and volts under a meter's last digit as "< 0.1 mV". */
void cj__write_rounded(cj_text *out, double value, double u, const char *unit);
/* "-22.0 to -18.0 dB", "at least 5 V", "at most 3 V" (an infinite end is open). */
void cj__write_range(cj_text *out, double low, double high, const char *unit);
/* "0.2 %": a bound, rounded to two digits away from what it bounds (up for an upper bound). */
void cj__write_bound(cj_text *out, double bound, bool upper, const char *unit);
/* "87 %", "< 1 %", "> 99 %" */
void cj__write_probability(cj_text *out, double probability);
/* 20 lg (value / reference) with the decimals that u leaves (at most two): "-0.81 dBu". */
void cj__write_level(cj_text *out, double value, double u, double reference, const char *unit);
/* printf's %.*g with a decimal point whatever the locale is. */
void cj__write_plain(cj_text *out, double value, int digits);

/* ---- words.c ---- */

/* Valid UTF-8 without control characters: bytes that are none become U+FFFD, controls '?'. */
void cj__write_clean(cj_text *out, const char *text);
/* Columns the text takes on a terminal (one a code point: all we write are narrow). */
size_t cj__width(const char *text);
/* Spaces up to column; at least one where the text is already there. start: offset of the line in
 * out. */
void cj__pad(cj_text *out, size_t start, size_t column);
/* Breaks text at blanks to lines of CJ__PAGE columns. The first line goes on behind what out
 * already has on its line from `start`; the others begin with `indent` spaces. Ends with a newline.
 */
void cj__wrap(cj_text *out, size_t start, size_t indent, const char *text);
/* A figure's name as the trade says it ("dc_v@left_out" -> "DC, left_out"); its own name if
 * unknown. paths: what the first and the second path are called. */
void cj__write_label(cj_text *out, const char *figure, const char *const paths[2]);
/* The figures of a channel in the order they are read, and how. */
enum cj__row_kind {
    CJ__ROW_PLAIN,
    CJ__ROW_RMS,      /* volts RMS: levels in dBu and dBV beneath */
    CJ__ROW_RATIO,    /* its name ends in _percent: the figure in dB beside it */
    CJ__ROW_GAIN,     /* gain_db, with the plain ratio beside it */
    CJ__ROW_FRACTION, /* of the samples */
    CJ__ROW_COUNT,
    CJ__ROW_HIDDEN, /* for the rules and JSON only, or shown beside another one */
};
struct cj__row {
    const char *figure, *label;
    enum cj__row_kind kind;
    bool quiet; /* left out where it has no value: its absence says nothing */
};
const struct cj__row *cj__row_find(const char *figure);
extern const struct cj__row cj__rows[];
extern const size_t cj__row_count;

/* ---- table.c ---- */

/* The figures of one or two channels side by side, then what cannot be told and why. */
void cj__write_channels(cj_text *out, const cj_figure_set *const sets[2],
                        const char *const titles[2], int count);
/* The figures of a pair, one below the other. */
void cj__write_pair(cj_text *out, const cj_figure_set *pair);

/* ---- response.c ---- */

/* Gain, phase and THD at round frequencies, a line each. */
void cj__write_response(cj_text *out, const cj_response *response, const char *heading);

/* ---- text.c, findings.c ---- */

/* Terminal colours that are empty text without colour. */
struct cj__colours {
    const char *bold, *good, *bad, *open, *off;
};
struct cj__colours cj__colours_of(const cj_report_style *style);
/* paths: what the first and the second path are called. */
void cj__write_findings(cj_text *out, const cj_findings *findings, const char *const paths[2],
                        const struct cj__colours *colours);
/* A word, a value (with_u: and its uncertainty), a range, or a dash. */
void cj__write_reading(cj_text *out, const cj_reading *reading, bool with_u);
/* Lines as a list, each wrapped behind a dash. */
void cj__write_bullets(cj_text *out, const cj_lines *lines);
/* Whether a finding sends someone to the board. */
bool cj__findings_touch(const cj_findings *findings);
extern const char cj__caution[];

/* The end of every report function: CJ_NOMEM, and out back at `start`, where an addition failed. */
cj_status cj__finish(cj_text *out, size_t start, cj_error *err);

#endif
