/* SPDX-License-Identifier: GPL-3.0-or-later */
/* files.h - small captures in a temporary folder, for the tests of this room. */
#ifndef FILES_H
#define FILES_H

#include <stddef.h>

/* Makes the folder (asserting) and removes it with all that is in it; for group set-up and
 * tear-down. */
int files_begin(void **state);
int files_end(void **state);

/* The path of a name in the folder; valid for the next seven calls. */
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
/* Half of full scale, a hundred samples a period, a quarter period further for each channel. */
double files_sine(size_t k, int c);

#endif
