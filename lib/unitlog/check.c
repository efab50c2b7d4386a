/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Text that comes from outside: a line of it, or refused. */
#include "unitlog/internal.h"

#include <string.h>

#include "base/utf8.h"

static bool is_control(const unsigned char *at)
{
    return *at < 0x20 || *at == 0x7f || (at[0] == 0xc2 && at[1] < 0xa0);
}

cj_status cj__plain(const char *what, const char *text, size_t longest, cj_error *err)
{
    size_t length = strlen(text);
    if (length > longest)
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "%s: %zu bytes are too long; at most %zu", what,
                       length, longest);
    for (size_t at = 0; at < length;) {
        const unsigned char *here = (const unsigned char *)text + at;
        size_t step = cj__utf8_length(here, length - at);
        if (step == 0)
            return cj_fail(err, CJ_DATA, NULL, 0, 0, "%s: byte 0x%02X at place %zu is not UTF-8",
                           what, *here, at + 1);
        if (is_control(here))
            return cj_fail(err, CJ_DATA, NULL, 0, 0,
                           "%s: a control character (0x%02X) at place %zu; expected one line of "
                           "plain text",
                           what, here[step - 1], at + 1);
        at += step;
    }
    return CJ_OK;
}

cj_status cj__serial(const char *text, cj_error *err)
{
    if (text == NULL || text[strspn(text, " ")] == '\0')
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "the serial number is empty");
    return cj__plain("the serial number", text, CJ_SERIAL_LONGEST, err);
}

/* 0: a digit; others as they stand; what comes after the seconds is not compared */
bool cj__is_date(const char *text)
{
    static const char form[] = "0000-00-00T00:00:00";
    size_t length = strlen(text);
    if (length < 4 || length >= CJ_TIME_TEXT)
        return false;
    for (size_t i = 0; i < length && i < sizeof form - 1; i++) {
        bool digit = text[i] >= '0' && text[i] <= '9';
        if (form[i] == '0' ? !digit : text[i] != form[i])
            return false;
    }
    if (length > sizeof form - 1 &&
        strspn(text + sizeof form - 1, ".0123456789Z") != length - (sizeof form - 1))
        return false;
    /* half a number is none */
    bool whole = length == 4 || length == 7 || length == 10 || length >= 13;
    int month = length >= 7 ? (text[5] - '0') * 10 + text[6] - '0' : 1;
    int day = length >= 10 ? (text[8] - '0') * 10 + text[9] - '0' : 1;
    return whole && month >= 1 && month <= 12 && day >= 1 && day <= 31;
}
