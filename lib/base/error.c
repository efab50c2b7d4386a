/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "coldjoint/base.h"

#include <stdio.h>
#include <string.h>

/* Errors are one line each and go to terminals: control characters have no place in them. */
static void make_printable(char *text)
{
    for (; *text; text++)
        if ((unsigned char)*text < 0x20 || *text == 0x7f)
            *text = '?';
}

/* A long name keeps its end, which tells files apart better than the beginning does. */
static void copy_name(char *to, size_t size, const char *name)
{
    size_t length = name ? strlen(name) : 0;
    if (length < size)
        memcpy(to, name ? name : "", length + 1);
    else
        snprintf(to, size, "...%s", name + length - (size - 4));
    make_printable(to);
}

cj_status cj_fail(cj_error *err, cj_status status, const char *file, long line, long column,
                  const char *format, ...)
{
    if (err == NULL)
        return status;
    /* file or an argument may lie inside *err (an error being reworded): build it aside first */
    cj_error made = {.status = status, .line = line, .column = column};
    copy_name(made.file, sizeof made.file, file);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(made.message, sizeof made.message, format, arguments);
    va_end(arguments);
    make_printable(made.message);
    *err = made;
    return status;
}

cj_status cj_fail_memory(cj_error *err)
{
    return cj_fail(err, CJ_NOMEM, NULL, 0, 0, "out of memory");
}

void cj_error_text(const cj_error *err, char *buffer, size_t size)
{
    char place[64] = "";
    if (err->line > 0 && err->column > 0)
        snprintf(place, sizeof place, ":%ld:%ld", err->line, err->column);
    else if (err->line > 0)
        snprintf(place, sizeof place, ":%ld", err->line);
    if (err->file[0])
        snprintf(buffer, size, "%s%s: %s", err->file, place, err->message);
    else
        snprintf(buffer, size, "%s", err->message);
}

const char *cj_status_text(cj_status status)
{
    switch (status) {
#define CJ_STATUS_CASE(name, number, text)                                                         \
    case name:                                                                                     \
        return text;
        CJ_STATUS_LIST(CJ_STATUS_CASE)
#undef CJ_STATUS_CASE
    }
    return "unknown status";
}

#define TEXT_OF(x) #x
#define VERSION_TEXT(a, b, c) TEXT_OF(a) "." TEXT_OF(b) "." TEXT_OF(c)

const char *cj_version(void)
{
    return VERSION_TEXT(CJ_VERSION_MAJOR, CJ_VERSION_MINOR, CJ_VERSION_PATCH);
}
