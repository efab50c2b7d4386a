/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * number.h - inside the capture room: decimal numbers as instruments write them.
 */
#ifndef COLDJOINT_CAPTURE_NUMBER_H
#define COLDJOINT_CAPTURE_NUMBER_H

#include <stdbool.h>
#include <stdint.h>
#include <string.h>

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

/* 10^0 to 10^22, all exact. */
extern const double cj__powers_of_ten[23];

/* All eight bytes are digits; their value (multiply-and-add of neighbours, pairs and fours). */
static inline bool cj__eight_digits(const char *text, uint64_t *value)
{
#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
    uint64_t word;
    memcpy(&word, text, 8);
    uint64_t low = word - 0x3030303030303030u;
    if (((word + 0x4646464646464646u) | low) & 0x8080808080808080u)
        return false;
    low = low * 10 + (low >> 8);
    *value = ((low & 0x000000ff000000ffu) * 0x000f424000000064u +
              ((low >> 16) & 0x000000ff000000ffu) * 0x0000271000000001u) >>
             32;
    return true;
#else
    (void)text, (void)value;
    return false;
#endif
}

extern const uint64_t cj__whole_powers[9];

/*
 * The short way for what nearly all cells hold: at most 19 digits, an exponent of one to three
 * digits, an exact mantissa and power of ten. A byte that is no part of a number must stand between
 * text and end. NULL where the number is not of that kind; then cj__number_read tells. *mantissa
 * and *last are the digits without the point and the power of ten of the last of them, as written.
 */
static inline const char *cj__number_quick(const char *text, char point, int shift, double *value,
                                           uint64_t *mantissa, int *last)
{
    const char *at = text;
    /* No branches on what cannot be predicted, as signs; but the plain loop over digits, whose
     * length is the same from row to row, lets the processor run ahead. */
    uint64_t negative = *at == '-', digits = 0;
    unsigned digit;
    at += negative | (*at == '+');
    const char *first = at;
    for (; (digit = (unsigned char)*at - '0') < 10; at++)
        digits = digits * 10 + digit;
    unsigned long count = (unsigned long)(at - first);
    int power = shift;
    if (*at == point) {
        const char *fraction = ++at;
        unsigned next;
        for (; (digit = (unsigned char)*at - '0') < 10; at += 2) { /* two at a time */
            if ((next = (unsigned char)at[1] - '0') >= 10) {
                digits = digits * 10 + digit;
                at++;
                break;
            }
            digits = digits * 100 + (digit * 10 + next);
        }
        count += (unsigned long)(at - fraction);
        power -= (int)(at - fraction);
    }
    if ((*at | 0x20) == 'e') {
        int down = at[1] == '-', exponent;
        at += 1 + (down | (at[1] == '+'));
        if ((digit = (unsigned char)*at - '0') >= 10)
            return NULL;
        exponent = (int)digit;
        if ((digit = (unsigned char)*++at - '0') < 10) {
            exponent = exponent * 10 + (int)digit;
            if ((digit = (unsigned char)*++at - '0') < 10) {
                exponent = exponent * 10 + (int)digit;
                if ((unsigned char)*++at - '0' < 10u)
                    return NULL;
            }
        }
        power += (exponent ^ -down) + down; /* -exponent where down is 1 */
    }
    if (count - 1 > 18 || digits > (UINT64_C(1) << 53) || (unsigned)(power + 22) > 44)
        return NULL;
    double size = (double)(int64_t)digits;
    size = power <= 0 ? size / cj__powers_of_ten[-power] : size * cj__powers_of_ten[power];
    uint64_t bits;
    memcpy(&bits, &size, sizeof bits);
    bits |= negative << 63;
    memcpy(value, &bits, sizeof bits);
    *mantissa = digits;
    *last = power - shift;
    return at;
}

/* Power of ten of the first digit of mantissa x 10^last; INT_MIN for a zero. */
int cj__number_lead(uint64_t mantissa, long last);

#endif
