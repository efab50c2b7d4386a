/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "capture/internal.h"

#include <errno.h>
#include <math.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

static cj_status check_options(const char *name, const cj_capture_options *options, cj_error *err)
{
    for (int i = 0; i < 2; i++)
        if (!(options->probe[i] >= 0) || isinf(options->probe[i]))
            return cj_fail(err, CJ_USAGE, name, 0, 0,
                           "a probe's attenuation must be a number above zero, such as 10");
    if (!(options->full_scale_v >= 0) || isinf(options->full_scale_v))
        return cj_fail(err, CJ_USAGE, name, 0, 0,
                       "volts at full scale must be a number above zero");
    return CJ_OK;
}

static cj_status scope_open(cj_capture *capture, const cj_capture_options *options, cj_error *err)
{
    const cj__file *file = &capture->file;
    if (file->size > SIZE_MAX)
        return cj_fail(err, CJ_DATA, file->name, 0, 0, "too large for this machine");
    size_t size = (size_t)file->size;
    void *bytes = mmap(NULL, size, PROT_READ, MAP_PRIVATE, file->fd, 0);
    if (bytes == MAP_FAILED)
        return cj_fail(err, CJ_IO, file->name, 0, 0, "cannot be mapped: %s", strerror(errno));
    madvise(bytes, size, MADV_SEQUENTIAL);
    cj_status status = cj__scope_read(file->name, bytes, size, options, &capture->scope, err);
    munmap(bytes, size);
    if (status != CJ_OK)
        return status;
    cj__scope *scope = capture->scope;
    cj_capture_info *info = &capture->info;
    info->kind = CJ_KIND_SCOPE;
    info->rate_hz = scope->rate_hz;
    info->rate_u = scope->rate_u;
    info->start_s = scope->start_s;
    info->samples = scope->samples;
    info->envelope = scope->envelope;
    info->channel_count = scope->channel_count;
    info->channels = scope->channels;
    info->selected_count = scope->selected_count;
    memcpy(info->selected, scope->selected, sizeof scope->selected);
    info->notes = &scope->notes;
    return CJ_OK;
}

/* One file. */
static cj_status single_open(cj_capture *capture, const cj_capture_options *options, cj_error *err)
{
    cj_status status = cj__file_open(capture->name, &capture->file, err);
    if (status != CJ_OK)
        return status;
    enum { HEAD = 4096 };
    unsigned char head[HEAD];
    size_t got = 0;
    status = cj__file_peek(&capture->file, 0, head, sizeof head, &got, err);
    if (status != CJ_OK)
        return status;
    capture->info.file_count = 1;
    switch (cj__sniff(head, got)) {
    case CJ__AUDIO:
        return cj__audio_open(capture, options, err);
    case CJ__TEXT:
        return scope_open(capture, options, err);
    default:
        return cj_fail(
            err, CJ_DATA, capture->name, 0, 0,
            "neither audio (WAV, W64, RF64, AIFF, FLAC, CAF, AU, Ogg, MP3) nor the CSV of a scope: "
            "a binary file of another kind");
    }
}

/* There is something of that name, or it is standard input. */
static bool is_there(const char *name)
{
    return strcmp(name, "-") == 0 || access(name, F_OK) == 0;
}

/* Opens "A+B" at the first '+' on both sides of which there is a file; *found says whether there is
 * one. */
static cj_status joined_open(cj_capture *capture, const cj_capture_options *options, bool *found,
                             cj_error *err)
{
    char *left = cj_copy_text(capture->name);
    if (left == NULL)
        return cj_fail_memory(err);
    cj_status status = CJ_OK;
    *found = false;
    for (char *plus = strchr(left, '+'); plus != NULL && !*found; plus = strchr(plus + 1, '+')) {
        *plus = '\0';
        if (left[0] != '\0' && plus[1] != '\0' && is_there(left) && is_there(plus + 1)) {
            *found = true;
            status = cj__pair_open(capture, (const char *[2]){left, plus + 1}, options, err);
        }
        *plus = '+';
    }
    cj_free(left);
    return status;
}

/* The error for a name with a '+' that is neither a file nor two. */
static cj_status no_such_pair(const char *name, cj_error *err)
{
    const char *plus = strchr(name, '+');
    if (strchr(plus + 1, '+') != NULL || plus == name || plus[1] == '\0')
        return cj_fail(err, CJ_NOINPUT, name, 0, 0, "no such file, nor two files joined by '+'");
    bool right = is_there(plus + 1);
    return cj_fail(err, CJ_NOINPUT, name, 0, 0,
                   "no such file, and as FILE+FILE the %s is not there",
                   right ? "first" : "second, or both,");
}

static cj_status open_any(cj_capture *capture, const cj_capture_options *options, cj_error *err)
{
    if (strchr(capture->name, '+') == NULL || is_there(capture->name))
        return single_open(capture, options, err);
    bool found = false;
    cj_status status = joined_open(capture, options, &found, err);
    return status == CJ_OK && !found ? no_such_pair(capture->name, err) : status;
}

typedef cj_status opener(cj_capture *capture, const cj_capture_options *options, cj_error *err);

static cj_status open_by(opener *how, const char *name, const cj_capture_options *options,
                         cj_capture **out, cj_error *err)
{
    cj_capture *capture = cj_new(1, sizeof *capture);
    if (capture == NULL)
        return cj_fail_memory(err);
    capture->file.fd = -1;
    capture->info.notes = &capture->notes;
    capture->info.name = capture->name = cj_copy_text(name);
    cj_status status = capture->name ? how(capture, options, err) : cj_fail_memory(err);
    if (status != CJ_OK) {
        cj_capture_free(capture);
        return status;
    }
    cj_coupling usual = capture->info.kind == CJ_KIND_AUDIO ? CJ_COUPLING_AC : CJ_COUPLING_DC;
    capture->info.coupling = options->coupling == CJ_COUPLING_DEFAULT ? usual : options->coupling;
    *out = capture;
    return CJ_OK;
}

cj_status cj__single_open(const char *name, const cj_capture_options *options, cj_capture **out,
                          cj_error *err)
{
    return open_by(single_open, name, options, out, err);
}

cj_status cj_capture_open(const char *name, const cj_capture_options *options, cj_capture **out,
                          cj_error *err)
{
    static const cj_capture_options defaults = {0};
    *out = NULL;
    if (options == NULL)
        options = &defaults;
    cj_status status = check_options(name, options, err);
    return status == CJ_OK ? open_by(open_any, name, options, out, err) : status;
}

void cj_capture_free(cj_capture *capture)
{
    if (capture == NULL)
        return;
    cj_capture_free(capture->parts[0]);
    cj_capture_free(capture->parts[1]);
    cj__audio_free(capture->audio);
    cj__scope_free(capture->scope);
    cj__file_close(&capture->file);
    cj_lines_free(&capture->notes);
    cj_free(capture->name);
    cj_free(capture);
}

const cj_capture_info *cj_capture_about(const cj_capture *capture)
{
    return &capture->info;
}

static cj_status pair_read(cj_capture *capture, size_t start, size_t count, double *const out[2],
                           cj_error *err)
{
    cj_status status = CJ_OK;
    for (int k = 0; status == CJ_OK && k < 2; k++)
        status = cj_capture_read(capture->parts[k], capture->skip[k] + start, count,
                                 (double *const[2]){out[k], NULL}, err);
    return status;
}

cj_status cj_capture_read(cj_capture *capture, size_t start, size_t count, double *const out[2],
                          cj_error *err)
{
    const cj_capture_info *info = &capture->info;
    if (count > info->samples || start > info->samples - count)
        return cj_fail(err, CJ_BUG, capture->name, 0, 0,
                       "samples %zu to %zu asked for, there are %zu", start, start + count,
                       info->samples);
    bool wanted = out[0] != NULL || (info->selected_count == 2 && out[1] != NULL);
    if (count == 0 || !wanted)
        return CJ_OK;
    if (capture->parts[0] != NULL)
        return pair_read(capture, start, count, out, err);
    if (capture->audio != NULL)
        return cj__audio_read(capture->audio, start, count, out, err);
    for (int k = 0; k < info->selected_count; k++)
        if (out[k] != NULL)
            memcpy(out[k], capture->scope->values[k] + start, count * sizeof *out[k]);
    return CJ_OK;
}
