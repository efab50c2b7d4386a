/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * What a file is, from its first bytes; its name decides nothing. Formats without a magic number
 * (headerless audio and such) would take any bytes for sound, so they are left out.
 */
#include "capture/internal.h"

#include <string.h>

static bool starts(const unsigned char *bytes, size_t size, size_t at, const char *magic)
{
    size_t length = strlen(magic);
    return size >= at + length && memcmp(bytes + at, magic, length) == 0;
}

/* An MPEG audio frame header of layer III (ISO/IEC 11172-3, 2.4.1.3): eleven sync bits, layer bits
 * 01, bit rate and sampling rate not the forbidden ones. The byte order marks FF FE and FE FF are
 * none. */
static bool mpeg_frame(const unsigned char *bytes, size_t size)
{
    return size >= 4 && bytes[0] == 0xff && (bytes[1] & 0xe6) == 0xe2 &&
           (bytes[1] & 0x18) != 0x08 && (bytes[2] & 0xf0) != 0xf0 && (bytes[2] & 0xf0) != 0 &&
           (bytes[2] & 0x0c) != 0x0c;
}

static bool audio(const unsigned char *bytes, size_t size)
{
    static const struct {
        const char *magic;
        size_t at;
        const char *kind;
    } formats[] = {
        {"RIFF", 8, "WAVE"}, {"RIFX", 8, "WAVE"},
        {"RF64", 8, "WAVE"}, {"riff\x2e\x91\xcf\x11", 24, "wave"},
        {"FORM", 8, "AIFF"}, {"FORM", 8, "AIFC"},
        {"caff", 0, ""},     {"fLaC", 0, ""},
        {"OggS", 0, ""},     {".snd", 0, ""},
        {"dns.", 0, ""},
    };
    for (size_t i = 0; i < sizeof formats / sizeof formats[0]; i++)
        if (starts(bytes, size, 0, formats[i].magic) &&
            starts(bytes, size, formats[i].at, formats[i].kind))
            return true;
    /* an ID3 tag, version 2.2 to 2.4, stands before MPEG audio and sometimes before FLAC */
    return mpeg_frame(bytes, size) ||
           (starts(bytes, size, 0, "ID3") && size > 3 && bytes[3] >= 2 && bytes[3] <= 4);
}

/* Text of any 8-bit or UTF-8 encoding has next to no control characters. A stray NUL or two is the
 * CSV reader's to judge, and so is a text that says it is UTF-16. */
static bool binary(const unsigned char *bytes, size_t size)
{
    if (starts(bytes, size, 0, "\xff\xfe") || starts(bytes, size, 0, "\xfe\xff"))
        return false;
    size_t control = 0;
    for (size_t i = 0; i < size; i++)
        if (bytes[i] == 0x7f || (bytes[i] < 0x20 && !(bytes[i] >= '\t' && bytes[i] <= '\r')))
            control++;
    return control > 1 + size / 50;
}

cj__content cj__sniff(const unsigned char *bytes, size_t size)
{
    if (audio(bytes, size))
        return CJ__AUDIO;
    return binary(bytes, size) ? CJ__BINARY : CJ__TEXT;
}
