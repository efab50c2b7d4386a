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

/* How many of eight bytes are digits before something else comes, and their value; no loop, no
 * guess. */
static inline int cj__some_digits(const char *text, uint64_t *value)
{
#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
    uint64_t word;
    memcpy(&word, text, 8);
    uint64_t low = word - 0x3030303030303030u;
    /* a borrow or carry spoils only bytes behind the first that is no digit */
    uint64_t other = ((word + 0x4646464646464646u) | low) & 0x8080808080808080u;
    int digits = other ? __builtin_ctzll(other) >> 3 : 8;
    low = digits ? low << (64 - 8 * digits) : 0; /* zeros in front */
    low = low * 10 + (low >> 8);
    *value = ((low & 0x000000ff000000ffu) * 0x000f424000000064u +
              ((low >> 16) & 0x000000ff000000ffu) * 0x0000271000000001u) >>
             32;
    return digits;
#else
    (void)text;
    *value = 0;
    return 0;
#endif
}

/*
 * The short way for what nearly all cells hold: at most 19 digits, an exponent of one to three
 * digits, an exact mantissa and power of ten. A byte that is no part of a number must stand between
 * text and end. NULL where the number is not of that kind; then cj__number_read tells. *mantissa
 * and *last are the digits without the point and the power of ten of the last of them, as written.
 */
static inline const char *cj__number_quick(const char *text, const char *end, char point, int shift,
                                           double *value, uint64_t *mantissa, int *last)
{
    const char *at = text;
    uint64_t negative = *at == '-', digits = 0, eight;
    at += (*at == '-') | (*at == '+'); /* no branches on what cannot be predicted, here and below */
    const char *first = at;
    for (; (unsigned char)(*at - '0') < 10; at++)
        digits = digits * 10 + (uint64_t)(*at - '0');
    long count = at - first;
    int power = 0;
    if (*at == point) {
        const char *fraction = ++at;
        if (end - at >= 8) {
            int taken = cj__some_digits(at, &eight);
            digits = digits * cj__whole_powers[taken] + eight;
            at += taken;
        }
        for (; (unsigned char)(*at - '0') < 10; at++)
            digits = digits * 10 + (uint64_t)(*at - '0');
        count += at - fraction;
        power = -(int)(at - fraction);
    }
    if ((*at | 0x20) == 'e') {
        int down = at[1] == '-';
        at += 1 + (down | (at[1] == '+'));
        if ((unsigned char)(*at - '0') >= 10)
            return NULL;
        int exponent = *at++ - '0';
        for (int more = 0; more < 2 && (unsigned char)(*at - '0') < 10; more++)
            exponent = exponent * 10 + (*at++ - '0');
        power += (exponent ^ -down) + down; /* -exponent where down is 1 */
    }
    int scale = power + shift;
    if (count <= 0 || count > 19 || digits > (UINT64_C(1) << 53) || scale < -22 || scale > 22 ||
        (unsigned char)(*at - '0') < 10)
        return NULL;
    double size = scale < 0 ? (double)digits / cj__powers_of_ten[-scale]
                            : (double)digits * cj__powers_of_ten[scale];
    uint64_t bits;
    memcpy(&bits, &size, sizeof bits);
    bits |= negative << 63; /* without a branch: the signs of a waveform cannot be predicted */
    memcpy(value, &bits, sizeof bits);
    *mantissa = digits;
    *last = power;
    return at;
}

/* Power of ten of the first digit of mantissa x 10^last; INT_MIN for a zero. */
int cj__number_lead(uint64_t mantissa, long last);

#endif
