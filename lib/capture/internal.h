/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * What the files of this room share. The way in is capture.c: it opens the file (file.c, spool.c),
 * looks at its first bytes (sniff.c), and hands it to the audio reader (audio.c, after container.c
 * has checked the lengths in its headers) or to the scope CSV reader (scope.h). pair.c joins two
 * captures.
 */
#ifndef CAPTURE_INTERNAL_H
#define CAPTURE_INTERNAL_H

#include "coldjoint/capture.h"
#include "capture/scope.h"

#include <stdint.h>

/* A tone needs some samples to be fitted to: fewer than this are refused by both readers. */
#define CJ__FEWEST_SAMPLES 16

/* An opened file: regular, or spooled so that it behaves like one. */
typedef struct cj__file {
    const char *name; /* for messages, borrowed */
    int fd;           /* -1: none */
    uint64_t size;    /* bytes */
    bool spooled;     /* came through a pipe */
} cj__file;

/* Opens a path, or standard input for "-". Errors: CJ_NOINPUT, CJ_DATA (directory, device, empty),
 * CJ_IO. */
cj_status cj__file_open(const char *name, cj__file *file, cj_error *err);
void cj__file_close(cj__file *file);
/* Up to size bytes at offset; fewer only at the end of the file. */
cj_status cj__file_peek(const cj__file *file, uint64_t offset, void *bytes, size_t size,
                        size_t *got, cj_error *err);

/* Copies what fd gives until its end into an unlinked temporary file; *spool is that file, at its
 * start. */
cj_status cj__spool(int fd, const char *name, int *spool, cj_error *err);

/* What the first bytes say. */
typedef enum cj__content { CJ__TEXT, CJ__AUDIO, CJ__BINARY } cj__content;
cj__content cj__sniff(const unsigned char *bytes, size_t size);

/* What the headers of an audio file promise, held against its length. */
typedef struct cj__container {
    bool endless;    /* written as a stream: the headers give no length */
    uint64_t frames; /* the header's own count of frames, 0 where it has none */
} cj__container;
/* CJ_DATA where the file is shorter than its headers say, with the number of bytes missing. */
cj_status cj__container_check(const cj__file *file, cj__container *container, cj_error *err);

/* The same for the two formats that are streams of pages or frames. */
cj_status cj__ogg_check(const cj__file *file, cj_error *err);
cj_status cj__mpeg_check(const cj__file *file, cj_error *err);
/* The error for a file that ends before its headers say. */
cj_status cj__cut_off(const cj__file *file, uint64_t missing, cj_error *err);

/* The audio reader. It borrows the file and fills info, channels (info->channel_count of them) and
 * notes. */
typedef struct cj__audio cj__audio;
cj_status cj__audio_open(cj_capture *capture, const cj_capture_options *options, cj_error *err);
cj_status cj__audio_read(cj__audio *audio, size_t start, size_t count, double *const out[2],
                         cj_error *err);
void cj__audio_free(cj__audio *audio);

struct cj_capture {
    cj_capture_info info;
    char *name;
    cj_lines notes;
    cj__file file;   /* of a pair: none */
    char digest[65]; /* "" until asked for */
    /* one of the three: */
    cj__audio *audio;
    cj__scope *scope;
    cj_capture *parts[2];
    /* of a pair: */
    size_t skip[2]; /* samples left out at the start of each part */
    cj_channel_info pair_channels[2];
};

/* One file, whatever is in its name. */
cj_status cj__single_open(const char *name, const cj_capture_options *options, cj_capture **out,
                          cj_error *err);

/* "A+B" as two captures on one time axis. */
cj_status cj__pair_open(cj_capture *capture, const char *names[2],
                        const cj_capture_options *options, cj_error *err);

#endif
