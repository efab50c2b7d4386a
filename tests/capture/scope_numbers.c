/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Numbers must read as strtod reads them, bit for bit: a table of hard cases, then some millions of
 * random ones of every kind (short, long, 17 digits, near the middle between two doubles).
 */
#include "check.h"
#include "scope_tests.h"

#include "capture/number.h"

#include <limits.h>

/* Returns whether the quick way took it. */
static bool check_same(const char *text)
{
    cj__number number;
    const char *end = text + strlen(text);
    double want = cj_strtod(text, NULL), quick;
    if (cj__number_read(text, end, '.', 0, &number) != end ||
        memcmp(&number.value, &want, sizeof want) != 0)
        fail_msg("%s reads as %.17g, want %.17g", text, number.value, want);
    uint64_t mantissa;
    int last;
    const char *behind =
        cj__number_quick(text, strlen(text) % 2 ? end : NULL, '.', 0, &quick, &mantissa, &last);
    if (behind == NULL)
        return false;
    if (behind != end || memcmp(&quick, &want, sizeof want) != 0 || last != number.last ||
        cj__number_lead(mantissa, last) != number.lead)
        fail_msg("%s reads quickly as %.17g, want %.17g", text, quick, want);
    return true;
}

void test_numbers_table(void **state)
{
    (void)state;
    static const char *const same[] = {
        "0",
        "-0",
        "+0.0E+00",
        "-402.0E-06",
        "5e-011",
        "6.6E-3",
        "1E1",
        "0.",
        "5.e-002",
        ".5",
        "00.025",
        "-00.025",
        "-880.000006873E-6",
        "0.30000000000000004",
        "9007199254740993",
        "9007199254740992.5",
        "9007199254740993.0000000000000000000000000000001",
        "1e22",
        "1e23",
        "8.5e22",
        "123456789012345678",
        "12345678901234567890123",
        "2.2250738585072011e-308",
        "2.2250738585072014e-308",
        "4.9e-324",
        "2.4703282292062327e-324",
        "2.4703282292062328e-324",
        "1.7976931348623157e308",
        "1.7976931348623159e308",
        "1e400",
        "-1e-400",
        "1e2147483648",
        "1e-2147483649",
        "0e99999999999",
        "1e99999999999999999999",
        "0.000000000000000000000000000000000000000000000000000000001e57",
        "6929495644600919.5",
        "3.7455744005952583e15",
        "100000000000000016777215",
        "7.2057594037927933e16",
        "1.00000000000000011102230246251565404236316680908203125",
        "1.00000000000000011102230246251565404236316680908203124",
        "1.00000000000000011102230246251565404236316680908203126",
        "18446744073709551615",
        "18446744073709551616",
        "9999999999999999999",
        "1.0000000000000000000e-5"};
    for (size_t i = 0; i < sizeof same / sizeof same[0]; i++)
        check_same(same[i]);
    static const struct {
        const char *text;
        int read; /* characters that belong to the number, -1: none begins */
        int last, lead;
        bool whole;
    } parts[] = {{"1.25e-3,", 7, -5, -3, false}, {"12 V", 2, 0, 1, true},
                 {"0.50uS", 4, -2, -1, false},   {"5e", 1, 0, 0, true},
                 {"5e+", 1, 0, 0, true},         {"1.2.3", 3, -1, 0, false},
                 {"-.", -1, 0, 0, false},        {"+", -1, 0, 0, false},
                 {"", -1, 0, 0, false},          {"e5", -1, 0, 0, false},
                 {"nan", -1, 0, 0, false},       {"0.00", 4, -2, INT_MIN, false},
                 {"0x10", 1, 0, INT_MIN, true},  {"999999999999", 12, 0, 11, true}};
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        cj__number number;
        const char *text = parts[i].text;
        const char *end = cj__number_read(text, text + strlen(text), '.', 0, &number);
        assert_int_equal(end ? (int)(end - text) : -1, parts[i].read);
        if (end == NULL)
            continue;
        assert_int_equal(number.last, parts[i].last);
        assert_int_equal(number.lead, parts[i].lead);
        assert_int_equal(number.whole, parts[i].whole);
    }
    cj__number number;
    const char *comma = "-0,32";
    assert_non_null(cj__number_read(comma, comma + 5, ',', 0, &number));
    check_close("comma", number.value, -0.32, 0);
    const char *milli = "162.5"; /* rounds once, not twice */
    assert_non_null(cj__number_read(milli, milli + 5, '.', -3, &number));
    check_close("millivolts", number.value, 0.1625, 0);
}

/* xorshift64*, Vigna 2016 (from memory): a fixed start, so every run tests the same numbers. */
static uint64_t next_random(uint64_t *state)
{
    *state ^= *state >> 12;
    *state ^= *state << 25;
    *state ^= *state >> 27;
    return *state * UINT64_C(2685821657736338717);
}

static double any_double(uint64_t *state)
{
    double value;
    uint64_t bits;
    do {
        bits = next_random(state);
        memcpy(&value, &bits, sizeof value);
    } while (!isfinite(value));
    return value;
}

static void make_number(uint64_t *state, char *text, size_t size)
{
    uint64_t kind = next_random(state) % 6, bits = next_random(state);
    int power = (int)(next_random(state) % 60) - 40;
    double value = any_double(state);
    switch (kind) {
    case 0: /* what scopes write */
        snprintf(text, size, "%.*f", (int)(bits % 10), (double)(int64_t)(bits >> 20) / 1e12);
        break;
    case 1:
        snprintf(text, size, "%.*e", (int)(bits % 18), value);
        break;
    case 2: /* many digits, moderate power: the 64-bit way */
        snprintf(text, size, "%llue%d", (unsigned long long)bits, power);
        break;
    case 3:
        snprintf(text, size, "%llu.%llue%d", (unsigned long long)(bits % 1000),
                 (unsigned long long)(next_random(state) % 10000000000000000u), power);
        break;
    case 4: { /* the middle between two doubles of moderate size, to 20 to 60 digits */
        double size_of = ldexp((double)(bits >> 11), (int)(bits % 80) - 90);
        long double middle = ((long double)size_of + (long double)nextafter(size_of, INFINITY)) / 2;
        snprintf(text, size, "%.*Le", (int)(bits % 40) + 16, middle);
        break;
    }
    default: /* 17 to 19 digits around the same middle, where only the last digits decide */
        snprintf(text, size, "%.*e", 16 + (int)(bits % 3),
                 ldexp((double)(bits >> 11) + 0.5, (int)(bits % 60) - 70));
    }
}

void test_numbers_random(void **state)
{
    (void)state;
    uint64_t random = 20240517;
    char text[200];
    int quick = 0;
    for (int i = 0; i < 3000000; i++) {
        make_number(&random, text, sizeof text);
        quick += check_same(text);
    }
    /* one kind of six is what scopes write, and some of the others are short enough */
    assert_true(quick > 500000);
}
