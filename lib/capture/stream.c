/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Whether Ogg and MPEG audio files are whole. Ogg pages: RFC 3533, section 6. MPEG frame headers:
 * ISO/IEC 11172-3, 2.4.1.3; the ID3v2 tag header: ID3 v2.4.0, section 3.1; the length field that
 * encoders put into the first MPEG frame ("Xing" or "Info") is common practice, from memory.
 */
#include "capture/internal.h"

#include <string.h>

enum { LONGEST_PAGE = 65307, PAGE_HEAD = 27 };

/* Bytes from a page's start to its end. have: the bytes of it that are there, at least the header.
 */
static size_t page_length(const unsigned char *page, size_t have)
{
    size_t segments = page[PAGE_HEAD - 1], length = PAGE_HEAD + segments;
    for (size_t i = 0; i < segments && PAGE_HEAD + i < have; i++)
        length += page[PAGE_HEAD + i];
    return length;
}

/* The last page of a whole stream is whole itself and carries the end-of-stream flag. */
cj_status cj__ogg_check(const cj__file *file, cj_error *err)
{
    unsigned char *tail = cj_new(LONGEST_PAGE, 1);
    if (tail == NULL)
        return cj_fail_memory(err);
    size_t got = 0, end = 0;
    uint64_t from = file->size > LONGEST_PAGE ? file->size - LONGEST_PAGE : 0;
    cj_status status = cj__file_peek(file, from, tail, LONGEST_PAGE, &got, err);
    bool ended = false;
    for (size_t i = 0; status == CJ_OK && i + PAGE_HEAD <= got; i++)
        if (memcmp(tail + i, "OggS", 4) == 0 && tail[i + 4] == 0) {
            ended = (tail[i + 5] & 4) != 0;
            end = i + page_length(tail + i, got - i);
        }
    if (status == CJ_OK && end > got)
        status = cj_fail(err, CJ_DATA, file->name, 0, 0,
                         "cut off: its last page alone lacks %zu bytes; copy or record it again",
                         end - got);
    else if (status == CJ_OK && !ended)
        status = cj_fail(
            err, CJ_DATA, file->name, 0, 0,
            "cut off: the page that ends an Ogg stream is missing; copy or record it again");
    cj_free(tail);
    return status;
}

static uint32_t big32(const unsigned char *bytes)
{
    return (uint32_t)bytes[0] << 24 | (uint32_t)bytes[1] << 16 | (uint32_t)bytes[2] << 8 | bytes[3];
}

/* Where the first MPEG frame begins: behind the ID3 tag, if there is one. */
static cj_status first_frame(const cj__file *file, uint64_t *at, cj_error *err)
{
    unsigned char tag[10];
    size_t got = 0;
    *at = 0;
    cj_status status = cj__file_peek(file, 0, tag, sizeof tag, &got, err);
    if (status != CJ_OK || got < sizeof tag || memcmp(tag, "ID3", 3) != 0)
        return status;
    uint64_t size = 0; /* seven bits a byte */
    for (int i = 6; i < 10; i++)
        size = size << 7 | (tag[i] & 0x7f);
    *at = sizeof tag + size + ((tag[5] & 0x10) != 0 ? 10 : 0);
    return *at > file->size ? cj__cut_off(file, *at - file->size, err) : CJ_OK;
}

/* The number of bytes the first frame says all frames have together; 0 where it does not. */
static uint64_t stated_length(const unsigned char *frame, size_t size)
{
    bool mono = frame[3] >> 6 == 3, first_version = (frame[1] >> 3 & 3) == 3;
    size_t side = first_version ? (mono ? 17 : 32) : (mono ? 9 : 17);
    const unsigned char *tag = frame + 4 + side;
    if (size < 4 + side + 16 || (memcmp(tag, "Xing", 4) != 0 && memcmp(tag, "Info", 4) != 0))
        return 0;
    uint32_t flags = big32(tag + 4);
    if ((flags & 2) == 0)
        return 0;
    return big32(tag + 8 + ((flags & 1) != 0 ? 4 : 0));
}

cj_status cj__mpeg_check(const cj__file *file, cj_error *err)
{
    enum {
        SHORTEST = 1024
    }; /* less is not a second of the lowest bit rate, and upsets the decoder */
    uint64_t at = 0;
    cj_status status = first_frame(file, &at, err);
    unsigned char frame[64];
    size_t got = 0;
    if (status == CJ_OK)
        status = cj__file_peek(file, at, frame, sizeof frame, &got, err);
    if (status != CJ_OK || (got >= 4 && memcmp(frame, "fLaC", 4) == 0))
        return status;
    if (file->size - at < SHORTEST)
        return cj_fail(err, CJ_DATA, file->name, 0, 0, "too short for MPEG audio, or cut off");
    if (got < sizeof frame || frame[0] != 0xff || (frame[1] & 0xe0) != 0xe0)
        return cj_fail(err, CJ_DATA, file->name, 0, 0,
                       "damaged: no MPEG audio where it should begin");
    uint64_t stated = stated_length(frame, sizeof frame);
    return stated > file->size - at ? cj__cut_off(file, stated - (file->size - at), err) : CJ_OK;
}
