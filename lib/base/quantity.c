/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "coldjoint/base.h"

#include <ctype.h>
#include <locale.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

double cj_strtod(const char *text, char **end)
{
    /* newlocale of "C" makes nothing and cannot fail on glibc; freed at once, so nothing is kept */
    locale_t plain = newlocale(LC_ALL_MASK, "C", (locale_t)0);
    if (plain == (locale_t)0)
        return strtod(text, end);
    double value = strtod_l(text, end, plain);
    freelocale(plain);
    return value;
}

struct suffix {
    const char *text;
    double factor;
};

/* R is the decimal point of IEC 60062; u, U+00B5 and U+03BC are micro. */
static const struct suffix suffixes[] = {
    {"p", 1e-12}, {"n", 1e-9}, {"u", 1e-6}, {"\xc2\xb5", 1e-6}, {"\xce\xbc", 1e-6}, {"m", 1e-3},
    {"R", 1}, {"k", 1e3}, {"K", 1e3}, {"M", 1e6}, {"G", 1e9}, {"g", 1e9},
};

static const struct suffix *find_suffix(const char *text)
{
    for (size_t i = 0; i < sizeof suffixes / sizeof suffixes[0]; i++)
        if (strncmp(text, suffixes[i].text, strlen(suffixes[i].text)) == 0)
            return &suffixes[i];
    return NULL;
}

static const char *skip_blanks(const char *text)
{
    while (*text == ' ' || *text == '\t')
        text++;
    return text;
}

/* Length of the plain decimal number at text (sign, digits, point, exponent), 0 where there is none.
 * Not left to strtod, which also takes "inf", "nan" and hexadecimal. */
static size_t number_length(const char *text)
{
    size_t at = 0, digits = 0;
    if (text[at] == '+' || text[at] == '-')
        at++;
    for (; isdigit((unsigned char)text[at]); at++)
        digits++;
    if (text[at] == '.')
        for (at++; isdigit((unsigned char)text[at]); at++)
            digits++;
    if (digits == 0)
        return 0;
    if (text[at] == 'e' || text[at] == 'E') {
        size_t power = at + 1;
        if (text[power] == '+' || text[power] == '-')
            power++;
        if (isdigit((unsigned char)text[power])) {
            while (isdigit((unsigned char)text[power]))
                power++;
            at = power;
        }
    }
    return at;
}

/* "4k7": the suffix stands where the point would. Rewrites it as "4.7" with the factor of the suffix. */
static bool read_code(const char *text, const char **rest, double *value)
{
    const char *at = text;
    char plain[64];
    size_t length = 0;
    if (*at == '+' || *at == '-')
        plain[length++] = *at++;
    size_t whole = strspn(at, "0123456789");
    const struct suffix *suffix = find_suffix(at + whole);
    if (suffix == NULL)
        return false;
    const char *fraction = at + whole + strlen(suffix->text);
    size_t decimals = strspn(fraction, "0123456789");
    if (decimals == 0 || whole + decimals > 40)
        return false;
    memcpy(plain + length, at, whole);
    length += whole;
    plain[length++] = '.';
    memcpy(plain + length, fraction, decimals);
    plain[length + decimals] = '\0';
    *value = cj_strtod(plain, NULL) * suffix->factor;
    *rest = fraction + decimals;
    return true;
}

/* What may stand behind the number: nothing, "%", a suffix, the unit, or suffix and unit. */
static bool read_tail(const char *tail, const char *unit, double *value)
{
    tail = skip_blanks(tail);
    if (strcmp(tail, "%") == 0) {
        *value /= 100;
        return true;
    }
    if (*tail == '\0' || (*unit && strcmp(tail, unit) == 0))
        return true;
    const struct suffix *suffix = find_suffix(tail);
    if (suffix == NULL)
        return false;
    tail = skip_blanks(tail + strlen(suffix->text));
    if (*tail != '\0' && !(*unit && strcmp(tail, unit) == 0))
        return false;
    /* dividing by a power of ten rounds once where multiplying by 1e-12 would round twice */
    *value = suffix->factor < 1 ? *value / nearbyint(1 / suffix->factor) : *value * suffix->factor;
    return true;
}

cj_status cj_quantity_read(const char *text, const char *unit, double *value, cj_error *err)
{
    const char *want = unit && *unit ? unit : "";
    const char *start = text ? skip_blanks(text) : "";
    double read = 0;
    const char *tail = start;
    size_t plain = number_length(start);
    bool good = false;
    if (read_code(start, &tail, &read)) {
        tail = skip_blanks(tail);
        good = *tail == '\0' || (*want && strcmp(tail, want) == 0);
    } else if (plain > 0) {
        read = cj_strtod(start, NULL);
        good = read_tail(start + plain, want, &read);
    }
    if (!good || !isfinite(read))
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "'%.60s' is no quantity%s%s; write it like 4700, 4.7k or 4k7%s%s",
                       text ? text : "", *want ? " in " : "", want, *want ? " " : "", want);
    *value = read;
    return CJ_OK;
}
