/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * A recording that was cut off loses samples silently in libsndfile, so the lengths in the headers
 * are held against the length of the file here. Only the outer structure is read: chunks of an
 * identifier, a size and a body (Ogg and MPEG: stream.c). Layouts: RIFF (IBM and Microsoft,
 * Multimedia Programming Interface 1.0, 1991), RF64 (EBU Tech 3306), AIFF and AIFF-C (Apple, 1989
 * and 1991), CAF (Apple, Core Audio Format 1.0), AU (Sun), all and the Wave64 identifiers from
 * memory.
 */
#include "capture/internal.h"

#include <string.h>

/* How a family of formats writes its chunks. */
typedef struct layout {
    unsigned id_bytes, size_bytes, align;
    bool big;      /* big-endian sizes */
    bool includes; /* the size counts the chunk's own header */
} layout;

static const layout riff_layout = {4, 4, 2, false, false};
static const layout rifx_layout = {4, 4, 2, true, false}; /* AIFF's as well */
static const layout wave64_layout = {16, 8, 8, false, true};
static const layout caf_layout = {4, 8, 1, true, false};

typedef struct chunk {
    char id[4];
    uint64_t body, size;
} chunk;

/* More chunks than any recorder writes; a file of nothing but empty chunks must not take for ever.
 */
enum { MOST_CHUNKS = 4096 };

static uint64_t number(const unsigned char *bytes, unsigned size, bool big)
{
    uint64_t value = 0;
    for (unsigned i = 0; i < size; i++)
        value = value << 8 | bytes[big ? i : size - 1 - i];
    return value;
}

cj_status cj__cut_off(const cj__file *file, uint64_t missing, cj_error *err)
{
    return cj_fail(err, CJ_DATA, file->name, 0, 0,
                   "cut off: its headers promise %llu bytes more than the %llu there are; copy or "
                   "record it again",
                   (unsigned long long)missing, (unsigned long long)file->size);
}

/* Writers that cannot go back to fill in a length leave the largest number they dare. */
static bool no_length(uint64_t size)
{
    return size >= 0x7ffff000u;
}

static cj_status unfinished(const cj__file *file, cj_error *err)
{
    return cj_fail(
        err, CJ_DATA, file->name, 0, 0,
        "its header gives no length, as in a recording that was never closed, a stream saved as a "
        "file, or a file that was cut off; save it again from the program that made it");
}

/* The chunk at an offset. *found is false behind the last one. */
static cj_status chunk_at(const cj__file *file, const layout *lay, uint64_t at, chunk *out,
                          bool *found, cj_error *err)
{
    unsigned char head[24];
    size_t size = lay->id_bytes + lay->size_bytes, got = 0;
    cj_status status = cj__file_peek(file, at, head, size, &got, err);
    *found = status == CJ_OK && got == size;
    if (!*found)
        return status;
    memcpy(out->id, head, sizeof out->id);
    out->body = at + size;
    out->size = number(head + lay->id_bytes, lay->size_bytes, lay->big);
    if (lay->includes)
        out->size = out->size > size ? out->size - size : 0;
    return CJ_OK;
}

/* Where the next chunk begins, or UINT64_MAX. */
static uint64_t chunk_end(const layout *lay, const chunk *at)
{
    if (at->size > UINT64_MAX / 2)
        return UINT64_MAX;
    uint64_t end = at->body + at->size;
    return end + (lay->align - end % lay->align) % lay->align;
}

static bool is(const chunk *at, const char *id)
{
    return memcmp(at->id, id, sizeof at->id) == 0;
}

/* What a walk over the chunks looks for beside their ends. */
typedef struct walk {
    const cj__file *file;
    const layout *lay;
    uint64_t first, end; /* of the chunks, as the outer header has it */
    uint64_t
        data_size; /* RF64: the size of the data chunk that does not fit its own field, else 0 */
    cj__container *container;
} walk;

/* A data chunk without a length is the stream's end in CAF, and elsewhere where no file could be
 * gone back in. */
static bool streamed(const walk *over, const chunk *at)
{
    if (over->lay == &caf_layout)
        return at->size == UINT64_MAX;
    return over->lay->size_bytes == 4 && over->file->spooled && no_length(at->size);
}

static cj_status common_chunk(const walk *over, const chunk *at, cj_error *err)
{
    unsigned char head[6];
    size_t got = 0;
    cj_status status = cj__file_peek(over->file, at->body, head, sizeof head, &got, err);
    if (status == CJ_OK && got == sizeof head)
        over->container->frames = number(head + 2, 4, true);
    return status;
}

/* Looks at one chunk; *last where the walk is to stop. */
static cj_status judge_chunk(const walk *over, chunk *at, bool *last, cj_error *err)
{
    bool data = is(at, "data") || is(at, "SSND");
    if (data && over->data_size != 0 && at->size == UINT32_MAX)
        at->size = over->data_size;
    uint64_t rest = over->file->size - at->body;
    if (data && at->size == 0 && rest > 0)
        return unfinished(over->file, err);
    if (data && at->size > rest) {
        over->container->endless = *last = streamed(over, at);
        if (*last)
            return CJ_OK;
        if (over->lay->size_bytes == 4 && over->data_size == 0 && no_length(at->size))
            return unfinished(over->file, err);
    }
    if (at->size > rest)
        return cj__cut_off(over->file, at->size - rest, err);
    return is(at, "COMM") && over->lay->big ? common_chunk(over, at, err) : CJ_OK;
}

static cj_status walk_chunks(const walk *over, cj_error *err)
{
    uint64_t at = over->first;
    uint64_t end = over->end < over->file->size ? over->end : over->file->size;
    for (int i = 0; i < MOST_CHUNKS && at < end; i++) {
        chunk here;
        bool found = false, last = false;
        cj_status status = chunk_at(over->file, over->lay, at, &here, &found, err);
        if (status == CJ_OK && found)
            status = judge_chunk(over, &here, &last, err);
        if (status != CJ_OK || !found || last)
            return status;
        at = chunk_end(over->lay, &here);
    }
    return CJ_OK;
}

/* RIFF, RIFX, RF64, FORM and Wave64: one outer chunk around all others, whose body begins with a
 * kind. */
static cj_status check_nested(const cj__file *file, const layout *lay, cj__container *container,
                              cj_error *err)
{
    chunk outer;
    bool found = false;
    cj_status status = chunk_at(file, lay, 0, &outer, &found, err);
    if (status != CJ_OK || !found)
        return status;
    walk over = {
        .file = file, .lay = lay, .first = outer.body + lay->id_bytes, .container = container};
    unsigned char ds64[16];
    size_t got = 0;
    if (is(&outer, "RF64")) {
        chunk sizes;
        status = chunk_at(file, lay, over.first, &sizes, &found, err);
        if (status == CJ_OK && found && is(&sizes, "ds64"))
            status = cj__file_peek(file, sizes.body, ds64, sizeof ds64, &got, err);
        if (status != CJ_OK)
            return status;
        if (got == sizeof ds64) {
            outer.size = outer.size == UINT32_MAX ? number(ds64, 8, false) : outer.size;
            over.data_size = number(ds64 + 8, 8, false);
        }
    }
    bool known =
        lay->size_bytes != 4 || got == sizeof ds64 || (outer.size != 0 && !no_length(outer.size));
    over.end = known ? chunk_end(lay, &outer) : UINT64_MAX;
    status = walk_chunks(&over, err);
    /* The chunks were whole, so 8 bytes or less are no sample: padding that was not written, or a
     * writer that counted the outer header in. */
    uint64_t have = file->size - outer.body + 8;
    if (status == CJ_OK && known && !container->endless && outer.size > have)
        status = cj__cut_off(file, outer.size - (file->size - outer.body), err);
    return status;
}

static cj_status check_au(const cj__file *file, bool big, cj__container *container, cj_error *err)
{
    unsigned char head[12];
    size_t got = 0;
    cj_status status = cj__file_peek(file, 0, head, sizeof head, &got, err);
    if (status != CJ_OK || got < sizeof head)
        return status;
    uint64_t end = number(head + 4, 4, big) + number(head + 8, 4, big);
    container->endless = number(head + 8, 4, big) == UINT32_MAX; /* the format's own "unknown" */
    if (!container->endless && end > file->size)
        return cj__cut_off(file, end - file->size, err);
    return CJ_OK;
}

cj_status cj__container_check(const cj__file *file, cj__container *container, cj_error *err)
{
    *container = (cj__container){0};
    char magic[4] = "";
    size_t got = 0;
    cj_status status = cj__file_peek(file, 0, magic, sizeof magic, &got, err);
    if (status != CJ_OK || got < sizeof magic)
        return status;
    static const struct {
        char magic[5];
        const layout *lay;
    } nested[] = {{"RIFF", &riff_layout},
                  {"RF64", &riff_layout},
                  {"RIFX", &rifx_layout},
                  {"FORM", &rifx_layout},
                  {"riff", &wave64_layout}};
    for (size_t i = 0; i < sizeof nested / sizeof nested[0]; i++)
        if (memcmp(magic, nested[i].magic, sizeof magic) == 0)
            return check_nested(file, nested[i].lay, container, err);
    if (memcmp(magic, "caff", sizeof magic) == 0) {
        walk over = {file, &caf_layout, .first = 8, .end = UINT64_MAX, .container = container};
        return walk_chunks(&over, err);
    }
    if (memcmp(magic, ".snd", sizeof magic) == 0 || memcmp(magic, "dns.", sizeof magic) == 0)
        return check_au(file, magic[0] == '.', container, err);
    if (memcmp(magic, "OggS", sizeof magic) == 0)
        return cj__ogg_check(file, err);
    if (memcmp(magic, "ID3", 3) == 0 || (unsigned char)magic[0] == 0xff)
        return cj__mpeg_check(file, err);
    return CJ_OK; /* FLAC: libsndfile finds out when it looks for the last sample */
}
