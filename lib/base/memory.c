/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "coldjoint/base.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

void *cj_new(size_t count, size_t size)
{
    if (size != 0 && count > SIZE_MAX / size)
        return NULL;
    /* at least one byte, so that NULL always means failure */
    return calloc(count ? count : 1, size ? size : 1);
}

void *cj_resize(void *old, size_t count, size_t size)
{
    if (size != 0 && count > SIZE_MAX / size)
        return NULL;
    size_t bytes = count * size;
    return realloc(old, bytes ? bytes : 1);
}

char *cj_copy_text_n(const char *text, size_t length)
{
    if (length == SIZE_MAX)
        return NULL;
    char *copy = malloc(length + 1);
    if (copy == NULL)
        return NULL;
    memcpy(copy, text, length);
    copy[length] = '\0';
    return copy;
}

char *cj_copy_text(const char *text)
{
    return text ? cj_copy_text_n(text, strlen(text)) : NULL;
}

void cj_free(void *memory)
{
    free(memory);
}

bool cj_reserve(void **items, size_t *capacity, size_t count, size_t size)
{
    if (count < *capacity)
        return true;
    size_t wanted = *capacity ? *capacity : 8;
    while (wanted <= count) {
        if (wanted > SIZE_MAX / 2)
            return false;
        wanted *= 2;
    }
    void *grown = cj_resize(*items, wanted, size);
    if (grown == NULL)
        return false;
    *items = grown;
    *capacity = wanted;
    return true;
}
