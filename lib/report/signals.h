/* SPDX-License-Identifier: GPL-3.0-or-later */
/* signals.h - test signals in words, for `stimulus` and `plan`. */
#ifndef CJ_REPORT_SIGNALS_H
#define CJ_REPORT_SIGNALS_H

#include "report/internal.h"
#include "report/json.h"

/* "1 kHz", "0.5 s", "2.5 V": as it was typed, no digits added. */
void cj__write_short(cj_text *out, double value, const char *unit);
/* "tone of 1 kHz at 1 V peak (0.7071 V RMS, -0.8 dBu)" without the file's format. */
void cj__write_signal(cj_text *out, const cj_stimulus *stimulus, double full_scale_v);
/* "sweep from 20 Hz to 20 kHz" without the level */
void cj__write_shape(cj_text *out, const cj_stimulus *stimulus);
/* RMS of the signal itself, in the unit of its levels; NaN for a stepped tone. */
double cj__signal_rms(const cj_stimulus *stimulus);
/* The signal's own keys: "shape", "hz", "peak", ... */
void cj__json_signal(struct cj__json *json, json_t *object, const cj_stimulus *stimulus,
                     double full_scale_v);

#endif
