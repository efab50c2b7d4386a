/* SPDX-License-Identifier: GPL-3.0-or-later */
/* files.h - small captures in a temporary folder, for the tests of this room. */
#ifndef FILES_H
#define FILES_H

#include "coldjoint/capture.h"

#include <sys/types.h>

/* Makes the folder (asserting) and removes it with all that is in it; for group set-up and
 * tear-down. */
int files_begin(void **state);
int files_end(void **state);

/* The path of a name in the folder; valid for the next thirty calls. */
const char *files_path(const char *name);

/* Write a file and return its path, as files_path does. */
const char *files_bytes(const char *name, const void *bytes, size_t size);
const char *files_text(const char *name, const char *text);

/* The whole of a file, for the caller to free. */
unsigned char *files_load(const char *path, size_t *size);

/* An audio file by libsndfile; value gives channel c of sample k. NULL where libsndfile cannot
 * write it. */
typedef double files_signal(size_t k, int c);
typedef struct files_sound {
    int format, channels, rate;
    size_t samples;
    files_signal *value;
} files_sound;
const char *files_audio(const char *name, const files_sound *sound);

/* A scope's CSV: "Time (s)" from start on in steps of 1 / rate, then `channels` channels in volts.
 */
typedef struct files_csv {
    int channels;
    double rate, start;
    size_t samples;
    files_signal *value;
} files_csv;
const char *files_scope(const char *name, const files_csv *csv);

/* A coded position: different for every sample and channel, exact in 16 bits of full scale 1. */
double files_code(size_t k, int c);
/* A millivolt a sample from -1 V on, 10 V higher for each channel: exactly what its decimal digits
 * read to. */
double files_ramp(size_t k, int c);
/* Half of full scale, a hundred samples a period, a quarter period further for each channel. */
double files_sine(size_t k, int c);

/* Puts the bytes of a file into a pipe and the pipe in the place of standard input, which
 * files_unfeed puts back. Returns the descriptor of the old one. */
int files_feed(const char *path, pid_t *writer);
void files_unfeed(int old, pid_t writer);

/* ---- assertions ---- */

/* The capture of that name, which has to open. */
#define opened(name, options) files_opened_at(name, options, __FILE__, __LINE__)
cj_capture *files_opened_at(const char *name, const cj_capture_options *options, const char *file,
                            int line);

/* Refused with that status, naming that file (NULL: any), with that part in a message of one line.
 */
void check_refused(const char *name, const cj_capture_options *options, cj_status status,
                   const char *file, const char *part);

/* Opens the capture, reads 64 samples of it, takes the digest of its first file: a job for
 * failing_each. */
cj_status files_use(void *name, cj_error *err);

/* A note of the capture holds part. */
bool files_noted(const cj_capture *capture, const char *part);

#endif
