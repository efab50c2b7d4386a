/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "coldjoint/base.h"

#include <stdio.h>
#include <string.h>

void cj_text_add_n(cj_text *text, const char *bytes, size_t length)
{
    if (text->failed)
        return;
    if (length > (size_t)-1 - text->length - 1 ||
        !cj_reserve((void **)&text->bytes, &text->capacity, text->length + length, 1)) {
        text->failed = true;
        return;
    }
    memcpy(text->bytes + text->length, bytes, length);
    text->length += length;
    text->bytes[text->length] = '\0';
}

static void add_list(cj_text *text, const char *format, va_list arguments)
{
    char small[256];
    va_list again;
    va_copy(again, arguments);
    int length = vsnprintf(small, sizeof small, format, arguments);
    if (length < 0) {
        text->failed = true;
    } else if ((size_t)length < sizeof small) {
        cj_text_add_n(text, small, (size_t)length);
    } else if (!text->failed) {
        if (cj_reserve((void **)&text->bytes, &text->capacity, text->length + (size_t)length, 1)) {
            vsnprintf(text->bytes + text->length, (size_t)length + 1, format, again);
            text->length += (size_t)length;
        } else {
            text->failed = true;
        }
    }
    va_end(again);
}

void cj_text_add(cj_text *text, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    add_list(text, format, arguments);
    va_end(arguments);
}

void cj_text_free(cj_text *text)
{
    if (text == NULL)
        return;
    cj_free(text->bytes);
    *text = (cj_text){0};
}

cj_status cj_lines_add(cj_lines *lines, const char *format, ...)
{
    cj_text line = {0};
    va_list arguments;
    va_start(arguments, format);
    add_list(&line, format, arguments);
    va_end(arguments);
    if (!line.failed && line.bytes == NULL)
        cj_text_add_n(&line, "", 0);
    if (line.failed || !cj_reserve((void **)&lines->items, &lines->capacity, lines->count, sizeof(char *))) {
        cj_text_free(&line);
        return CJ_NOMEM;
    }
    lines->items[lines->count++] = line.bytes;
    return CJ_OK;
}

void cj_lines_free(cj_lines *lines)
{
    if (lines == NULL)
        return;
    for (size_t i = 0; i < lines->count; i++)
        cj_free(lines->items[i]);
    cj_free(lines->items);
    *lines = (cj_lines){0};
}
