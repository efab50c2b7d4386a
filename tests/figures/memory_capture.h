/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A capture made of samples in memory, in place of files: this program brings its own
 * cj_capture_read. */
#ifndef MEMORY_CAPTURE_H
#define MEMORY_CAPTURE_H

#include "coldjoint/capture.h"

struct memory_capture {
    cj_capture_info info;
    cj_channel_info channel[2];
    double *x[2];
};

/* channels of n samples at rate (0: unknown), in volts, DC-coupled, as a scope gives them. */
struct memory_capture *memory_capture_new(int channels, size_t n, double rate);
void memory_capture_free(struct memory_capture *made);
cj_capture *as_capture(struct memory_capture *made);

/* Rounds to steps, as a converter does. */
void memory_capture_quantise(struct memory_capture *made, int channel, double step);

/* Normal deviates, the same on every machine (xorshift64* and Box-Muller). */
double normal(unsigned long long *state);

#endif
