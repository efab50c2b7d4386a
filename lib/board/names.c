/* SPDX-License-Identifier: GPL-3.0-or-later */
/* An index of names: open addressing, linear steps. A file made to collide costs one comparison of
 * two numbers per earlier name, which the limits on a file keep to a fraction of a second. */
#include "board/internal.h"

#include <string.h>

/* FNV-1a, 32 bits (Fowler, Noll, Vo; constants from memory). */
static unsigned hash_of(const char *text)
{
    unsigned hash = 2166136261u;
    for (; *text; text++)
        hash = (hash ^ (unsigned char)*text) * 16777619u;
    return hash;
}

/* The slot of a name, or the free one where it would stand. */
static size_t slot_of(const cj__names *names, const char *text, unsigned hash)
{
    size_t at = hash & (names->slot_count - 1);
    while (names->slots[at] != 0) {
        const cj__name *item = &names->items[names->slots[at] - 1];
        if (item->hash == hash && strcmp(item->text, text) == 0)
            break;
        at = (at + 1) & (names->slot_count - 1);
    }
    return at;
}

const cj__name *cj__names_find(const cj__names *names, const char *text)
{
    if (names->slot_count == 0)
        return NULL;
    size_t at = slot_of(names, text, hash_of(text));
    return names->slots[at] ? &names->items[names->slots[at] - 1] : NULL;
}

static bool grow(cj__names *names)
{
    size_t wanted = names->slot_count ? names->slot_count * 2 : 64;
    unsigned *slots = cj_new(wanted, sizeof *slots);
    if (slots == NULL)
        return false;
    cj_free(names->slots);
    names->slots = slots;
    names->slot_count = wanted;
    for (size_t i = 0; i < names->count; i++)
        slots[slot_of(names, names->items[i].text, names->items[i].hash)] = (unsigned)i + 1;
    return true;
}

bool cj__names_add(cj__names *names, const char *text, int index, long line)
{
    if ((names->count + 1) * 2 > names->slot_count && !grow(names))
        return false;
    if (!cj_reserve((void **)&names->items, &names->capacity, names->count, sizeof *names->items))
        return false;
    unsigned hash = hash_of(text);
    size_t at = slot_of(names, text, hash);
    if (names->slots[at] != 0)
        return true; /* the first of a name stays */
    names->items[names->count++] = (cj__name){text, index, line, hash};
    names->slots[at] = (unsigned)names->count;
    return true;
}

void cj__names_free(cj__names *names)
{
    cj_free(names->items);
    cj_free(names->slots);
    *names = (cj__names){0};
}
