/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * number.c - decimal digits to the nearest double, fast for what scopes write and right for all
 * else.
 *
 * Three ways, each exact or aware that it may not be: (1) a mantissa below 2^53 and a power of ten
 * up to 10^22, both exact doubles, make one rounding (Clinger, "How to read floating point numbers
 * accurately", 1990, the fast path); (2) the same in a 64-bit mantissa, refused where the result
 * lies so near the middle between two doubles that its own rounding could decide; (3) strtod in the
 * C locale.
 */
#include "capture/number.h"

#include <float.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "coldjoint/base.h"

/* Exponents beyond this overflow or vanish whatever the digits (up to a million of them). */
#define EXPONENT_LIMIT 2000000

const double cj__powers_of_ten[23] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,
                                      1e8,  1e9,  1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
                                      1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};

const uint64_t cj__whole_powers[9] = {1,      10,      100,      1000,     10000,
                                      100000, 1000000, 10000000, 100000000};

#if LDBL_MANT_DIG == 64
static const long double long_powers[] = {1e0L,  1e1L,  1e2L,  1e3L,  1e4L,  1e5L,  1e6L,
                                          1e7L,  1e8L,  1e9L,  1e10L, 1e11L, 1e12L, 1e13L,
                                          1e14L, 1e15L, 1e16L, 1e17L, 1e18L, 1e19L, 1e20L,
                                          1e21L, 1e22L, 1e23L, 1e24L, 1e25L, 1e26L, 1e27L};

/* mantissa x 10^power in 64 bits; false where the nearest double cannot be told from the result. */
static bool convert_long(uint64_t mantissa, int power, double *value)
{
    int size = power < 0 ? -power : power;
    if (size > 54)
        return false;
    int first = size > 27 ? 27 : size;
    long double result = (long double)mantissa;
    result = power < 0 ? result / long_powers[first] : result * long_powers[first];
    if (size > 27)
        result = power < 0 ? result / long_powers[size - 27] : result * long_powers[size - 27];
    uint64_t bits;
    memcpy(&bits, &result, sizeof bits); /* the 64-bit mantissa stands first in the x87 format */
    int below = (int)(bits & 0x7ff);     /* what a double has no room for; 0x400 is half way */
    int margin = size > 27 ? 3 : 0;      /* two roundings, in units of the last of the 64 bits */
    if (below >= 0x400 - margin && below <= 0x400 + margin)
        return false;
    *value = (double)result;
    return true;
}
#else
static bool convert_long(uint64_t mantissa, int power, double *value)
{
    (void)mantissa, (void)power, (void)value;
    return false;
}
#endif

/* The slow way, from the text: at most 800 digits decide (767 are needed, and whether more follow).
 */
static double convert_text(const char *digits, const char *end, char point, long power)
{
    char plain[840];
    size_t count = 0;
    bool more = false;
    for (const char *at = digits; at < end; at++) {
        if (*at == point)
            continue;
        if (count == 0 && *at == '0')
            continue;
        if (count < 800)
            plain[count++] = *at;
        else {
            more = more || *at != '0';
            power++;
        }
    }
    if (count == 0)
        return 0;
    if (more) {
        plain[count++] = '1';
        power--;
    }
    snprintf(plain + count, sizeof plain - count, "e%ld", power);
    return cj_strtod(plain, NULL);
}

static bool is_digit(char c)
{
    return (unsigned char)(c - '0') < 10;
}

static const char *read_digits(const char *at, const char *end, uint64_t *mantissa)
{
    uint64_t eight;
    while (end - at >= 8 && cj__eight_digits(at, &eight)) {
        *mantissa = *mantissa * 100000000u + eight;
        at += 8;
    }
    while (at < end && is_digit(*at))
        *mantissa = *mantissa * 10 + (uint64_t)(*at++ - '0');
    return at;
}

/* The exponent behind `at`, or `at` itself where none is written ("5e" and "5 V" are a 5 and more).
 */
static const char *read_exponent(const char *at, const char *end, long *power)
{
    const char *digits = at + 1;
    bool negative = false;
    if (digits < end && (*digits == '+' || *digits == '-'))
        negative = *digits++ == '-';
    if (digits >= end || !is_digit(*digits))
        return at;
    long exponent = 0;
    for (; digits < end && is_digit(*digits); digits++)
        if (exponent < EXPONENT_LIMIT)
            exponent = exponent * 10 + (*digits - '0');
    *power += negative ? -exponent : exponent;
    return digits;
}

/* The number of digits is told from the number of bits, as 1233 / 4096 is just above log10(2). */
int cj__number_lead(uint64_t mantissa, long last)
{
    static const uint64_t tens[] = {1u,
                                    10u,
                                    100u,
                                    1000u,
                                    10000u,
                                    100000u,
                                    1000000u,
                                    10000000u,
                                    100000000u,
                                    1000000000u,
                                    10000000000u,
                                    100000000000u,
                                    1000000000000u,
                                    10000000000000u,
                                    100000000000000u,
                                    1000000000000000u,
                                    10000000000000000u,
                                    100000000000000000u,
                                    1000000000000000000u,
                                    10000000000000000000u};
    if (mantissa == 0)
        return INT_MIN;
    int digits = ((64 - __builtin_clzll(mantissa)) * 1233) >> 12;
    return (int)(last + digits - (mantissa < tens[digits]));
}

bool cj__number_convert(uint64_t mantissa, long power, double *value)
{
    *value = 0;
    if (mantissa == 0)
        return true;
    if (mantissa > (UINT64_C(1) << 53) || power < -22 || power > 22)
        return power > -55 && power < 55 && convert_long(mantissa, (int)power, value);
    *value = power < 0 ? (double)mantissa / cj__powers_of_ten[-power]
                       : (double)mantissa * cj__powers_of_ten[power];
    return true;
}

const char *cj__number_read(const char *text, const char *end, char point, int shift,
                            cj__number *number)
{
    const char *at = text;
    bool negative = false;
    if (at < end && (*at == '-' || *at == '+'))
        negative = *at++ == '-';
    const char *digits = at;
    uint64_t mantissa = 0;
    at = read_digits(at, end, &mantissa);
    long power = 0;
    long count = at - digits;
    bool whole = true;
    if (at < end && *at == point) {
        const char *fraction = at + 1;
        at = read_digits(fraction, end, &mantissa);
        power = -(long)(at - fraction);
        count += at - fraction;
        whole = false;
    }
    if (count == 0)
        return NULL;
    const char *digits_end = at;
    if (at < end && (*at == 'e' || *at == 'E')) {
        const char *behind = read_exponent(at, end, &power);
        whole = whole && behind == at;
        at = behind;
    }
    double value;
    int lead;
    for (const char *zero = digits; count > 19 && zero < digits_end; zero++) {
        if (*zero != '0' && *zero != point)
            break;
        count -= *zero == '0';
    }
    if (count > 19) { /* the mantissa may have wrapped */
        value = convert_text(digits, digits_end, point, power + shift);
        lead = value > 0 && value <= DBL_MAX ? (int)floor(log10(value)) - shift : INT_MIN;
    } else {
        if (!cj__number_convert(mantissa, power + shift, &value))
            value = convert_text(digits, digits_end, point, power + shift);
        lead = cj__number_lead(mantissa, power);
    }
    *number = (cj__number){negative ? -value : value, (int)power, lead, whole};
    return at;
}
