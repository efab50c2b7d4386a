/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Preferred values and how values are written on parts. */
#include "coldjoint/board.h"

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

void cj_value_text(double value, char *text, size_t size)
{
    static const struct {
        double factor;
        const char *letter;
    } units[] = {{1e-12, "p"}, {1e-9, "n"}, {1e-6, "u"}, {1e-3, "m"},
                 {1, "R"},     {1e3, "k"},  {1e6, "M"},  {1e9, "G"}};
    enum { UNITS = sizeof units / sizeof units[0] };
    char digits[32];
    if (!isfinite(value) || value < 1e-12 || value >= 999.5e9) {
        snprintf(text, size, "%.3g", value);
        return;
    }
    /* to three digits first: 999.7 is 1k */
    snprintf(digits, sizeof digits, "%.2e", value);
    double rounded = cj_strtod(digits, NULL);
    int unit = UNITS - 1;
    while (unit > 0 && rounded < units[unit].factor * (1 - 1e-9))
        unit--;
    /* 0.47 ohm is R47; nothing else is written that way */
    if (rounded >= 0.0999 && rounded < 1)
        unit = 4;
    double scaled = rounded / units[unit].factor;
    int whole = (int)floor(scaled + 1e-9);
    int decimals = whole >= 100 ? 0 : whole >= 10 ? 1 : whole >= 1 ? 2 : 3;
    int fraction = (int)nearbyint((scaled - whole) * pow(10, decimals));
    while (decimals > 0 && fraction % 10 == 0) {
        fraction /= 10;
        decimals--;
    }
    if (decimals > 0 && whole == 0)
        snprintf(text, size, "R%0*d", decimals, fraction);
    else if (decimals > 0)
        snprintf(text, size, "%d%s%0*d", whole, units[unit].letter, decimals, fraction);
    else
        snprintf(text, size, "%d%s", whole, unit == 4 ? "" : units[unit].letter);
}
