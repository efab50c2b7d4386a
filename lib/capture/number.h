/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * number.h - inside the capture room: decimal numbers as instruments write them.
 */
#ifndef COLDJOINT_CAPTURE_NUMBER_H
#define COLDJOINT_CAPTURE_NUMBER_H

#include <stdbool.h>
#include <stdint.h>

typedef struct cj__number {
    double value; /* correctly rounded, as strtod in the C locale has it */
    int last;     /* power of ten of the last digit written: -5 for 1.25e-3 */
    int lead;     /* power of ten of the first digit that is not 0; INT_MIN for a zero */
    bool whole;   /* neither a point nor an exponent was written */
} cj__number;

/*
 * Reads the number at text[0..end): sign, digits with `point` as the decimal mark, exponent; no
 * blanks, no words. The value is that of the digits times ten to the power of shift (-3 reads
 * millivolts as volts, rounding once). Returns what follows, or NULL (and *number untouched) where
 * no number begins.
 */
const char *cj__number_read(const char *text, const char *end, char point, int shift,
                            cj__number *number);

#endif
