/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum {
    DIGITS_WITHOUT_U = 6,
    ROUNDED_DIGITS = 4, /* what a meter on the bench shows; one more where u carries it */
    MOST_DIGITS = 7,    /* 0.1 ppm: more than a bench tells */
    MOST_DECIMALS = 9,
};

static const double DEAD_DB = -120;   /* nothing on any bench is read below it */
static const double OPEN_OHM = 100e6; /* a bench meter's highest range */

static const double METER_FLOOR_V =
    1e-4; /* the last digit of a bench meter's most sensitive range */

/* snprintf writes the decimal mark of the host program's locale: anything that no number of the C
 * locale holds is that mark. Never "-0.0". */
static void write_fixed(cj_text *out, double value, int decimals)
{
    char raw[400], plain[400];
    size_t length = 0;
    bool zero = true, marked = false;
    snprintf(raw, sizeof raw, "%.*f", decimals, value);
    for (const char *at = raw; *at; at++) {
        if (*at == '-' || (*at >= '0' && *at <= '9')) {
            plain[length++] = *at;
            zero = zero && (*at == '-' || *at == '0');
            marked = false;
        } else if (!marked) { /* a mark may be several bytes long */
            plain[length++] = '.';
            marked = true;
        }
    }
    size_t skip = zero && plain[0] == '-' ? 1 : 0;
    cj_text_add_n(out, plain + skip, length - skip);
}

void cj__write_plain(cj_text *out, double value, int digits)
{
    char raw[64], plain[64];
    size_t length = 0;
    snprintf(raw, sizeof raw, "%.*g", digits, value);
    for (const char *at = raw; *at; at++) {
        if (strchr("0123456789+-eE", *at) != NULL)
            plain[length++] = *at;
        else if (length > 0 && plain[length - 1] != '.')
            plain[length++] = '.';
    }
    cj_text_add_n(out, plain, length);
}

/* Decimal exponent of the value once rounded to that many digits; 0 for 0. */
static int exponent(double value, int digits)
{
    if (!(fabs(value) > 0) || !isfinite(value))
        return 0;
    int power = (int)floor(log10(fabs(value)));
    double scaled = fabs(value) / pow(10, power);
    if (scaled >= 10 - 0.5 * pow(10, 1 - digits))
        power++;
    return power;
}

/* Decimals that show `digits` digits of x. */
static int decimals_of(double x, int digits)
{
    int decimals = digits - 1 - exponent(x, digits);
    return decimals < 0 ? 0 : decimals > MOST_DECIMALS ? MOST_DECIMALS : decimals;
}

/* x rounded to the tens, hundreds, ... that two digits of u leave before the point */
static double rounded_by(double x, double u)
{
    int places = exponent(u, 2) - 1;
    double step = places > 0 ? pow(10, places) : 1;
    return places > 0 ? round(x / step) * step : x;
}

struct prefix {
    const char *sign;
    double factor;
};

/* Prefixes where the trade uses them: volts, seconds, amperes, ohms, hertz from 10 kHz up; and
 * below a thousandth of full scale, where zeros would have to be counted. */
static struct prefix prefix_for(double size, const char *unit)
{
    static const struct prefix all[] = {{"G", 1e9},  {"M", 1e6},         {"k", 1e3},  {"", 1},
                                        {"m", 1e-3}, {"\xc2\xb5", 1e-6}, {"n", 1e-9}, {"p", 1e-12}};
    static const char *const units[] = {"V",   "s",      "A",      "ohm",     "Hz",
                                        "V/s", "V/rtHz", "A/rtHz", "FS/rtHz", "FS"};
    const struct prefix none = {"", 1};
    bool prefixed = false;
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++)
        prefixed = prefixed || strcmp(unit, units[i]) == 0;
    if (!prefixed || !(size > 0) || !isfinite(size) || (strcmp(unit, "Hz") == 0 && size < 1e4) ||
        (strcmp(unit, "FS") == 0 && size >= 1e-3))
        return none;
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
        if (size >= all[i].factor * (1 - 1e-9))
            return all[i];
    return all[sizeof all / sizeof all[0] - 1];
}

static const char *unit_text(const char *unit)
{
    return unit ? unit : "";
}

/* " mV"; degrees without a blank, no unit for plain numbers and for channels whose file states none
 */
static void write_unit(cj_text *out, struct prefix prefix, const char *unit)
{
    if (strcmp(unit, "deg") == 0)
        cj_text_add(out, "\xc2\xb0");
    else if (*unit && strcmp(unit, "1") != 0 && strcmp(unit, "?") != 0)
        cj_text_add(out, " %s%s", prefix.sign, unit);
}

static void write_uncertain(cj_text *out, double shown, double u)
{
    int decimals = decimals_of(u, 2), most = decimals_of(fmax(fabs(shown), u), MOST_DIGITS);
    bool beyond = decimals > most && u < pow(10, -most);
    decimals = decimals < most ? decimals : most;
    write_fixed(out, rounded_by(shown, u), decimals);
    cj_text_add(out, beyond ? " \xc2\xb1 <" : " \xc2\xb1 ");
    write_fixed(out, beyond ? pow(10, -most) : rounded_by(u, u), decimals);
}

void cj__write_value(cj_text *out, double value, double u, const char *unit)
{
    const char *name = unit_text(unit);
    bool uncertain = isfinite(u) && u > 0;
    double size = fmax(fabs(value), uncertain ? u : 0);
    struct prefix prefix = prefix_for(size, name);
    double shown = value / prefix.factor;
    if (!uncertain) {
        int decimals = decimals_of(shown, DIGITS_WITHOUT_U);
        while (decimals > 0 &&
               fabs(shown * pow(10, decimals - 1) - round(shown * pow(10, decimals - 1))) <
                   1e-9 * fabs(shown * pow(10, decimals - 1)) + 1e-300)
            decimals--;
        write_fixed(out, shown, decimals);
    } else {
        write_uncertain(out, shown, u / prefix.factor);
    }
    write_unit(out, prefix, name);
}

/* Decimals beyond which a predicted value means nothing on a bench. */
static int bench_decimals(const char *unit)
{
    static const struct {
        const char *unit;
        int decimals;
    } units[] = {{"dB", 2}, {"deg", 1}, {"%", 3}};
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++)
        if (strcmp(unit, units[i].unit) == 0)
            return units[i].decimals;
    return MOST_DECIMALS;
}

/* A prediction beyond what any meter shows: what the meter shows instead. */
static bool write_out_of_reach(cj_text *out, double value, const char *unit)
{
    bool dead = strcmp(unit, "dB") == 0 && value < DEAD_DB;
    bool open = strcmp(unit, "ohm") == 0 && value > OPEN_OHM;
    if (dead)
        cj_text_add(out, "< -120 dB");
    else if (open)
        cj_text_add(out, "> 100 Mohm");
    return dead || open;
}

void cj__write_predicted(cj_text *out, double value, double u, const char *unit)
{
    const char *name = unit_text(unit);
    bool volts = strcmp(name, "V") == 0, told = isfinite(u) && u > 0;
    double least = volts ? METER_FLOOR_V : 0.5 * pow(10, -bench_decimals(name));
    if (!volts && bench_decimals(name) == MOST_DECIMALS) /* no unit of the bench's: in parts */
        least = 1e-4 * fabs(value);
    if (!told || u < least || write_out_of_reach(out, value, name)) {
        if (!told || u < least)
            cj__write_rounded(out, value, NAN, unit);
        return;
    }
    cj__write_value(out, value, u, unit);
}

void cj__write_rounded(cj_text *out, double value, double u, const char *unit)
{
    const char *name = unit_text(unit);
    bool uncertain = isfinite(u) && u > 0;
    struct prefix prefix = prefix_for(fmax(fabs(value), uncertain ? u : 0), name);
    double shown = value / prefix.factor, shown_u = u / prefix.factor;
    if (!uncertain && strcmp(name, "V") == 0 && fabs(value) < METER_FLOOR_V) {
        cj_text_add(out, "< 0.1 mV");
        return;
    }
    if (write_out_of_reach(out, value, name))
        return;
    int most = decimals_of(shown, uncertain ? ROUNDED_DIGITS + 1 : ROUNDED_DIGITS);
    int decimals = uncertain ? decimals_of(shown_u, 2) : most;
    decimals = decimals < most ? decimals : most;
    if (!uncertain && decimals > bench_decimals(name))
        decimals = bench_decimals(name);
    write_fixed(out, uncertain ? rounded_by(shown, shown_u) : shown, decimals);
    write_unit(out, prefix, name);
}

/* Up to three digits, no trailing zeros: limits are round numbers that people wrote. */
static void write_limit(cj_text *out, double value)
{
    cj_text digits = {0};
    write_fixed(&digits, value, decimals_of(value, 3));
    if (!digits.failed && strchr(digits.bytes, '.') != NULL) {
        while (digits.bytes[digits.length - 1] == '0')
            digits.length--;
        if (digits.bytes[digits.length - 1] == '.')
            digits.length--;
    }
    if (digits.failed)
        out->failed = true;
    else
        cj_text_add_n(out, digits.bytes, digits.length);
    cj_text_free(&digits);
}

void cj__write_range(cj_text *out, double low, double high, const char *unit)
{
    const char *name = unit_text(unit);
    bool open_low = !isfinite(low), open_high = !isfinite(high);
    double size = fmax(open_low ? 0 : fabs(low), open_high ? 0 : fabs(high));
    struct prefix prefix = prefix_for(size, name);
    if (open_low && open_high) {
        cj_text_add(out, "anything");
        return;
    }
    if (open_high)
        cj_text_add(out, "at least ");
    else if (open_low)
        cj_text_add(out, "at most ");
    else {
        write_limit(out, low / prefix.factor);
        cj_text_add(out, " to ");
    }
    write_limit(out, (open_high ? low : high) / prefix.factor);
    write_unit(out, prefix, name);
}

void cj__write_bound(cj_text *out, double bound, bool upper, const char *unit)
{
    const char *name = unit_text(unit);
    struct prefix prefix = prefix_for(fabs(bound), name);
    double shown = bound / prefix.factor;
    int decimals = decimals_of(shown, 2);
    double scale = pow(10, decimals);
    /* the slack keeps 0.2 from becoming 0.21 by the last bit */
    double rounded = upper ? ceil(shown * scale - 1e-9) : floor(shown * scale + 1e-9);
    write_fixed(out, rounded / scale, decimals);
    write_unit(out, prefix, name);
}

void cj__write_probability(cj_text *out, double probability)
{
    if (!isfinite(probability))
        cj_text_add(out, "?");
    else if (probability < 0.005)
        cj_text_add(out, "< 1 %%");
    else if (probability > 0.995)
        cj_text_add(out, "> 99 %%");
    else
        cj_text_add(out, "%.0f %%", 100 * probability);
}

void cj__write_level(cj_text *out, double value, double u, double reference, const char *unit)
{
    if (!(value > 0)) {
        cj_text_add(out, "\xe2\x80\x93 %s", unit);
        return;
    }
    /* dB per relative change: 20 / ln 10 */
    double u_db = isfinite(u) && u > 0 ? 20 / M_LN10 * u / value : 0;
    int decimals = u_db > 0 ? decimals_of(u_db, 2) : 2;
    write_fixed(out, 20 * log10(value / reference), decimals < 2 ? decimals : 2);
    cj_text_add(out, " %s", unit);
}
