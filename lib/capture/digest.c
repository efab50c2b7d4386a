/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "capture/internal.h"

#include <nettle/sha2.h>
#include <stdio.h>
#include <string.h>

static cj_status digest_file(const cj__file *file, char hex[65], cj_error *err)
{
    enum { BLOCK = 1 << 16 };
    unsigned char *block = cj_new(BLOCK, 1);
    if (block == NULL)
        return cj_fail_memory(err);
    struct sha256_ctx sha;
    sha256_init(&sha);
    cj_status status = CJ_OK;
    uint64_t offset = 0;
    while (status == CJ_OK && offset < file->size) {
        size_t got = 0;
        status = cj__file_peek(file, offset, block, BLOCK, &got, err);
        if (status == CJ_OK && got == 0)
            status = cj_fail(err, CJ_IO, file->name, 0, 0, "became shorter while it was read");
        sha256_update(&sha, got, block);
        offset += got;
    }
    cj_free(block);
    if (status != CJ_OK)
        return status;
    unsigned char digest[SHA256_DIGEST_SIZE];
    sha256_digest(&sha, sizeof digest, digest);
    for (size_t i = 0; i < sizeof digest; i++)
        snprintf(hex + 2 * i, 3, "%02x", digest[i]);
    return CJ_OK;
}

static bool has_file(const cj_capture *capture, int file)
{
    return file >= 0 && file < capture->info.file_count;
}

static cj_status no_such_file(const cj_capture *capture, int file, cj_error *err)
{
    return cj_fail(err, CJ_USAGE, capture->name, 0, 0, "file %d asked for, this capture has %d",
                   file, capture->info.file_count);
}

static const cj_capture *part_of(const cj_capture *capture, int file)
{
    return capture->parts[0] != NULL ? capture->parts[file] : capture;
}

const char *cj_capture_file(const cj_capture *capture, int file)
{
    return has_file(capture, file) ? part_of(capture, file)->name : NULL;
}

uint64_t cj_capture_size(const cj_capture *capture, int file)
{
    return has_file(capture, file) ? part_of(capture, file)->file.size : 0;
}

cj_status cj_capture_bytes(const cj_capture *capture, int file, uint64_t offset, void *bytes,
                           size_t size, size_t *got, cj_error *err)
{
    if (!has_file(capture, file))
        return no_such_file(capture, file, err);
    return cj__file_peek(&part_of(capture, file)->file, offset, bytes, size, got, err);
}

cj_status cj_capture_digest(cj_capture *capture, int file, char hex[65], cj_error *err)
{
    if (!has_file(capture, file))
        return no_such_file(capture, file, err);
    if (capture->parts[0] != NULL)
        return cj_capture_digest(capture->parts[file], 0, hex, err);
    if (capture->digest[0] == '\0') {
        char fresh[65] = "";
        cj_status status = digest_file(&capture->file, fresh, err);
        if (status != CJ_OK)
            return status;
        memcpy(capture->digest, fresh, sizeof fresh);
    }
    memcpy(hex, capture->digest, sizeof capture->digest);
    return CJ_OK;
}
