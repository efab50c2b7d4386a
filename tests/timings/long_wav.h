/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Ten minutes of 96 kHz, 24-bit stereo in the temporary folder, for timings. */
#ifndef LONG_WAV_H
#define LONG_WAV_H

#include <stddef.h>

enum { LONG_RATE = 96000, LONG_SECONDS = 600, NOISE_SECONDS = 300 };

/* Makes the file, calls use with its path, removes it; returns what use returned, 1 where it cannot
 * be made. */
int with_long_wav(int (*use)(const char *path));
/* The same with five minutes of noise alone. */
int with_noise_wav(int (*use)(const char *path));

/* Of this process, so that other work on the machine counts little. */
double processor_seconds(void);
void sort(double *values, size_t count);

#endif
