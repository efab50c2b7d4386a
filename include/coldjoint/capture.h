/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * capture.h - a file becomes volts against time.
 *
 * A capture is one record of one or two selected channels on one time axis, read from an audio file
 * (libsndfile), from oscilloscope CSV of any dialect, from standard input, or from two one-channel files.
 *
 * The scale of every signal, stated once: samples are in the unit of their channel ("V" for volts, "A",
 * "FS" for audio without a known full scale, "?" where a CSV file states none), after probe attenuation
 * and full scale have been taken into account. A sample that the file does not give (an empty cell, nan,
 * a bad row, an infinite or absurd value in floating-point audio) is NaN: never zero, never interpolated.
 * Time runs upward; sample n is at start_s + n / rate_hz.
 */
#ifndef COLDJOINT_CAPTURE_H
#define COLDJOINT_CAPTURE_H

#include "coldjoint/base.h"

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef enum cj_kind { CJ_KIND_SCOPE, CJ_KIND_AUDIO } cj_kind;
typedef enum cj_coupling { CJ_COUPLING_DEFAULT, CJ_COUPLING_AC, CJ_COUPLING_DC } cj_coupling;

/* Zero-initialised means: all defaults. */
typedef struct cj_capture_options {
    int channels[2];      /* 1-based. {0, 0}: the first two in volts, else the first two of one unit;
                             {n, 0}: channel n alone. For FILE+FILE: one of each file, 0 its first */
    double probe[2];      /* attenuation not already in the file; 0 means 1 */
    double full_scale_v;  /* volts peak at digital full scale; 0: audio figures are in "FS" */
    cj_coupling coupling; /* default: audio ac, scope dc */
} cj_capture_options;

typedef struct cj_channel_info {
    const char *name; /* "CH1", "left", ... as the file has it, else "col2" (scope) or "1" (audio) */
    const char *unit; /* base unit: "V", "A", "FS", "?" ... (a column in mV reads in V) */
    double step;      /* quantisation step in that unit, 0 where none was found; selected channels only */
    size_t gaps;      /* samples that are NaN; selected channels only */
} cj_channel_info;

typedef struct cj_capture_info {
    const char *name;     /* as the user gave it: FILE, FILE+FILE or "-" */
    int file_count;       /* 1, or 2 for FILE+FILE */
    cj_kind kind;
    double rate_hz;       /* 0 where the file states none */
    double rate_u;        /* relative standard uncertainty of rate_hz, from rounded time stamps; 0: exact */
    double start_s;       /* time of sample 0, 0 where the file has none */
    size_t samples;       /* per channel */
    int bits;             /* audio: bits a sample, 0 for floating point or unknown */
    bool envelope;        /* peak-detect record (lower and upper value): no THD, no noise */
    cj_coupling coupling; /* never CJ_COUPLING_DEFAULT */
    int channel_count;    /* in the file */
    const cj_channel_info *channels;
    int selected_count;   /* 1 or 2 */
    int selected[2];      /* index (from 0) into channels */
    const cj_lines *notes; /* what the reader concluded, a sentence each */
} cj_capture_info;

typedef struct cj_capture cj_capture;

/*
 * Opens a capture: a path, "-" (standard input, spooled to an unlinked temporary file), or "A+B" (two
 * one-channel files of one time axis; a file that bears the name literally comes first).
 * On success *out is the caller's, freed with cj_capture_free. Errors: CJ_NOINPUT, CJ_DATA (with file,
 * line and what was expected), CJ_IO, CJ_NOMEM, CJ_USAGE (channels that do not exist).
 */
CJ_API CJ_MUST_CHECK cj_status cj_capture_open(const char *name, const cj_capture_options *options,
                                               cj_capture **out, cj_error *err);
CJ_API void cj_capture_free(cj_capture *capture);

/* Never NULL. Valid until the capture is freed. */
CJ_API const cj_capture_info *cj_capture_about(const cj_capture *capture);

/*
 * Reads count samples from start on of each selected channel into out[0] (and out[1] where two are
 * selected; a NULL entry is passed over). start + count must not exceed samples. Any order, any number of
 * passes; going straight on is fastest. Not for two threads at once on one capture.
 */
CJ_API CJ_MUST_CHECK cj_status cj_capture_read(cj_capture *capture, size_t start, size_t count,
                                               double *const out[2], cj_error *err);

/*
 * SHA-256 (FIPS 180-4) of the bytes of one file of the capture, file from 0 to file_count - 1, as lower-case
 * hexadecimal digits with a terminator. Reads the whole file the first time, remembers the answer.
 * Of standard input it is the digest of what was read. Errors: CJ_USAGE (no such file of the capture), CJ_IO.
 */
CJ_API CJ_MUST_CHECK cj_status cj_capture_digest(cj_capture *capture, int file, char hex[65],
                                                 cj_error *err);

/* The name a file of the capture was opened by ("-" is standard input), NULL where there is no such file; owned by the
 * capture. */
CJ_API const char *cj_capture_file(const cj_capture *capture, int file);
/* Its length in bytes; 0 where there is no such file. */
CJ_API uint64_t cj_capture_size(const cj_capture *capture, int file);
/*
 * The bytes of one file as they stand in it: up to size of them from offset on, *got fewer only at its end. Works for
 * standard input too. Errors: CJ_USAGE (no such file of the capture), CJ_IO.
 */
CJ_API CJ_MUST_CHECK cj_status cj_capture_bytes(const cj_capture *capture, int file, uint64_t offset, void *bytes,
                                                size_t size, size_t *got, cj_error *err);

/* ---- the other way: writing an audio file of one channel ---- */

typedef struct cj_audio_format {
    double rate_hz; /* a whole number of hertz */
    int bits;       /* 16, 24, or 0: floating point of 32 bits */
    double full_scale; /* the value that is digital full scale; 0: 1 */
    bool dither;    /* where quantised: triangular, two steps wide (TPDF), so that the error is noise, whatever the
                       signal (Lipshitz, Wannamaker, Vanderkooy 1992, J. Audio Eng. Soc. 40; from memory) */
    unsigned seed;  /* of the dither: the same file each time */
} cj_audio_format;

/* The next count samples into out. Anything but CJ_OK ends the writing with that status. */
typedef cj_status (*cj_audio_source)(void *user, size_t count, double *out, cj_error *err);

/* What the end of the name asks for (.wav, .aif, .aiff, .flac) can be written in this format. CJ_USAGE: it cannot, or
 * the samples do not fit (4 GiB in WAV and AIFF). Nothing is opened. */
CJ_API CJ_MUST_CHECK cj_status cj_audio_check(const char *path, const cj_audio_format *format,
                                              size_t samples, cj_error *err);

/*
 * Writes `samples` samples from `source` (user is handed to it) in blocks: memory does not depend on the length. The
 * file appears under its name when it is whole and not before; where anything fails an older file of
 * that name is as it was, and none is left. Values outside full scale are held at the last step. CJ_USAGE as
 * cj_audio_check; CJ_CANTCREAT; CJ_IO (disk full).
 */
CJ_API CJ_MUST_CHECK cj_status cj_audio_write(const char *path, const cj_audio_format *format,
                                              size_t samples, cj_audio_source source, void *user,
                                              cj_error *err);

#ifdef __cplusplus
}
#endif
#endif
