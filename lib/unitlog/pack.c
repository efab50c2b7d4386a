/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bytes: packed, their digests, UUIDs; and the time. */
#include "unitlog/internal.h"

#include <errno.h>
#include <nettle/sha2.h>
#include <stdio.h>
#include <string.h>
#include <sys/random.h>
#include <time.h>
#include <zlib.h>

cj_status cj__pack(const char *text, size_t length, unsigned char **out, size_t *count,
                   cj_error *err)
{
    uLongf room = compressBound((uLong)length);
    unsigned char *packed = cj_new(room, 1);
    if (packed == NULL)
        return cj_fail_memory(err);
    /* the one way to fail with enough room is memory */
    if (compress2(packed, &room, (const unsigned char *)text, (uLong)length, Z_BEST_COMPRESSION) !=
        Z_OK) {
        cj_free(packed);
        return cj_fail_memory(err);
    }
    *out = packed;
    *count = room;
    return CJ_OK;
}

cj_status cj__unpack(const cj_log *log, const void *packed, size_t count, size_t size, char **out,
                     cj_error *err)
{
    /* deflate never packs more than 1032 to 1 (zlib's own statement): a damaged size asks for no
     * more */
    uLongf got = (uLongf)size;
    if (size > count * 1040 + 64)
        return cj__log_fail(log, SQLITE_CORRUPT, err);
    char *text = cj_new(size + 1, 1);
    if (text == NULL)
        return cj_fail_memory(err);
    if (uncompress((unsigned char *)text, &got, packed, (uLong)count) != Z_OK || got != size) {
        cj_free(text);
        return cj__log_fail(log, SQLITE_CORRUPT, err);
    }
    *out = text;
    return CJ_OK;
}

void cj__sha256(const void *bytes, size_t count, unsigned char digest[CJ__SHA_BYTES])
{
    struct sha256_ctx sha;
    sha256_init(&sha);
    sha256_update(&sha, count, bytes);
    sha256_digest(&sha, CJ__SHA_BYTES, digest);
}

void cj__hex(const unsigned char *bytes, size_t count, char *text)
{
    static const char digits[] = "0123456789abcdef";
    for (size_t i = 0; i < count; i++) {
        text[2 * i] = digits[bytes[i] >> 4];
        text[2 * i + 1] = digits[bytes[i] & 15];
    }
    text[2 * count] = '\0';
}

static int digit_of(char digit)
{
    return digit >= '0' && digit <= '9'   ? digit - '0'
           : digit >= 'a' && digit <= 'f' ? digit - 'a' + 10
                                          : -1;
}

bool cj__unhex(const char *text, unsigned char *bytes, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        int high = digit_of(text[2 * i]);
        int low = high < 0 ? -1 : digit_of(text[2 * i + 1]);
        if (low < 0)
            return false;
        bytes[i] = (unsigned char)(high * 16 + low);
    }
    return text[2 * count] == '\0';
}

void cj__uuid_text(const unsigned char bytes[CJ__UUID_BYTES], char text[CJ_UUID_TEXT])
{
    static const int groups[] = {4, 2, 2, 2, 6};
    for (size_t group = 0; group < 5; group++) {
        if (group > 0)
            *text++ = '-';
        cj__hex(bytes, (size_t)groups[group], text);
        text += 2 * groups[group];
        bytes += groups[group];
    }
}

bool cj__uuid_read(const char *text, unsigned char bytes[CJ__UUID_BYTES])
{
    char digits[2 * CJ__UUID_BYTES + 1], again[CJ_UUID_TEXT];
    size_t count = 0;
    for (const char *at = text; *at != '\0' && count < sizeof digits - 1; at++)
        if (*at != '-')
            digits[count++] = *at;
    digits[count] = '\0';
    if (!cj__unhex(digits, bytes, CJ__UUID_BYTES))
        return false;
    cj__uuid_text(bytes, again);
    return strcmp(again, text) == 0;
}

cj_status cj__uuid_fill(char text[CJ_UUID_TEXT], unsigned char bytes[CJ__UUID_BYTES], cj_error *err)
{
    if (text[0] != '\0')
        return cj__uuid_read(text, bytes)
                   ? CJ_OK
                   : cj_fail(err, CJ_DATA, NULL, 0, 0, "'%.40s' is no UUID", text);
    ssize_t got;
    do
        got = getrandom(bytes, CJ__UUID_BYTES, 0);
    while (got < 0 && errno == EINTR);
    if (got != CJ__UUID_BYTES)
        return cj_fail(err, CJ_IO, NULL, 0, 0, "no random numbers: %s", strerror(errno));
    /* RFC 9562, 5.4: version 4 and the variant */
    bytes[6] = (unsigned char)((bytes[6] & 0x0f) | 0x40);
    bytes[8] = (unsigned char)((bytes[8] & 0x3f) | 0x80);
    cj__uuid_text(bytes, text);
    return CJ_OK;
}

cj_status cj__time_fill(char text[CJ_TIME_TEXT], cj_error *err)
{
    struct timespec now;
    struct tm parts;
    if (text[0] != '\0')
        return cj__is_date(text) ? CJ_OK
                                 : cj_fail(err, CJ_DATA, NULL, 0, 0, "'%.30s' is no time", text);
    if (clock_gettime(CLOCK_REALTIME, &now) != 0 || gmtime_r(&now.tv_sec, &parts) == NULL ||
        parts.tm_year > 9999 - 1900 || parts.tm_year < 0)
        return cj_fail(err, CJ_IO, NULL, 0, 0, "the clock gives no time of day");
    size_t length = strftime(text, CJ_TIME_TEXT, "%Y-%m-%dT%H:%M:%S", &parts);
    snprintf(text + length, CJ_TIME_TEXT - length, ".%03dZ", (int)(now.tv_nsec / 1000000 % 1000));
    return CJ_OK;
}
