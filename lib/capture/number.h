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

/* mantissa x 10^power correctly rounded; false where only strtod can tell. */
bool cj__number_convert(uint64_t mantissa, long power, double *value);

/* Digits 0 in front, which make no mantissa longer. */
static inline unsigned long cj__leading_zeros(const char *at, char point)
{
    unsigned long zeros = 0;
    for (; *at == '0' || *at == point; at++)
        zeros += *at == '0';
    return zeros;
}

/*
 * The short way for what nearly all cells hold: at most 19 digits, an exponent of one to three
 * digits. A byte that is no part of a number must come behind it. NULL where the number is not of
 * that kind; then cj__number_read tells. *mantissa and *last are the digits without the point and
 * the power of ten of the last of them, as written. wide_end: NULL, or the end of the bytes where
 * many decimals are to be expected and may be read eight at a time.
 */
static inline const char *cj__number_quick(const char *text, const char *wide_end, char point,
                                           int shift, double *value, uint64_t *mantissa, int *last)
{
    const char *at = text;
    /* No branches on what cannot be predicted, as signs; but the plain loop over digits, whose
     * length is the same from row to row, lets the processor run ahead. */
    uint64_t negative = *at == '-', digits = 0, eight;
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
        if (wide_end != NULL && wide_end - at >= 8 && cj__eight_digits(at, &eight)) {
            digits = digits * 100000000u + eight;
            at += 8;
        }
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
                if ((digit = (unsigned char)*++at - '0') < 10)
                    return NULL;
            }
        }
        power += (exponent ^ -down) + down; /* -exponent where down is 1 */
    }
    if (count - 1 > 18 && (count == 0 || count - cj__leading_zeros(first, point) > 19))
        return NULL;
    double size = (double)(int64_t)digits;
    if (digits <= (UINT64_C(1) << 53) && (unsigned)(power + 22) <= 44)
        size = power <= 0 ? size / cj__powers_of_ten[-power] : size * cj__powers_of_ten[power];
    else if (!cj__number_convert(digits, power, &size))
        return NULL;
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
