/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Preferred values and how values are written on parts. */
#include "board/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* E24 of IEC 60063: a rounded geometric series but for eight values, so it is written out (from
 * memory; the tests hold it against a list read from a public page on the standard). */
static const int e24[] = {10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30,
                          33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91};

/* Value number `at` of a series, counted over decades, as digits and a power of ten, so that 22p is
 * 22 / 1e12 and nothing else. E96 is the geometric series rounded to three digits. */
static double series_value(int series, int at)
{
    int decade = at >= 0 ? at / series : -((series - 1 - at) / series);
    int within = at - decade * series;
    double digits = series == 24 ? e24[within] : nearbyint(100 * pow(10, within / 96.0));
    int power = decade - (series == 24 ? 1 : 2);
    return power < 0 ? digits / pow(10, -power) : digits * pow(10, power);
}

double cj_preferred(double value, int series)
{
    if (!(value >= 1e-30 && value <= 1e30) || (series != 24 && series != 96))
        return NAN;
    int near = (int)floor(log10(value) * series);
    double best = NAN, off = INFINITY;
    /* E24 strays from the geometric series by less than two places */
    for (int at = near - 3; at <= near + 3; at++) {
        double candidate = series_value(series, at);
        double away = fabs(log(candidate / value));
        if (away < off) {
            off = away;
            best = candidate;
        }
    }
    return best;
}

/* snprintf writes the decimal mark of the host program's locale: what no number of the C locale
 * holds is that. */
void cj__number_text(double value, int digits, char *text, size_t size)
{
    char raw[40];
    size_t used = 0;
    snprintf(raw, sizeof raw, "%.*g", digits, value);
    for (const char *at = raw; *at && used + 1 < size; at++) {
        bool plain = strchr("0123456789+-einfa", *at) != NULL;
        if (plain || text[used - (used > 0)] != '.')
            text[used++] = plain ? *at : '.';
    }
    if (size > 0)
        text[used] = '\0';
}

/* The three first digits of a value and the power of ten behind them: 4700 is 470 and 1. */
static int three_digits(double value, int *power)
{
    *power = (int)floor(log10(value)) - 2;
    double digits = nearbyint(*power < 0 ? value * pow(10, -*power) : value / pow(10, *power));
    if (digits > 999) { /* 999.7 is 1k */
        digits = 100;
        ++*power;
    }
    return (int)digits;
}

void cj_value_text(double value, char *text, size_t size)
{
    static const char *const letters[] = {"p", "n", "u", "m", "", "k", "M", "G"};
    enum { ONES = 4 };
    if (!isfinite(value) || value < 1e-12 || value >= 999.5e9) {
        cj__number_text(value, 3, text, size);
        return;
    }
    int power;
    int digits = three_digits(value, &power);
    int unit = (power + 2 + 12) / 3; /* the value is from 1 to below 1000 of it */
    /* 0.47 ohm is R47; nothing else is written that way */
    if (power == -3)
        unit = ONES;
    int decimals = (unit - ONES) * 3 - power; /* 0 to 3 */
    for (; decimals > 0 && digits % 10 == 0; decimals--)
        digits /= 10;
    char fraction[4] = "";
    for (int i = decimals; i > 0 && i < 4; i--, digits /= 10)
        fraction[i - 1] = (char)('0' + digits % 10);
    if (decimals == 0)
        snprintf(text, size, "%d%s", digits, letters[unit]);
    else if (digits == 0)
        snprintf(text, size, "R%s", fraction);
    else
        snprintf(text, size, "%d%s%s", digits, unit == ONES ? "R" : letters[unit], fraction);
}
