/* SPDX-License-Identifier: GPL-3.0-or-later */
/* An hour of tone without a loss, noise 40 dB below it: how many losses are counted, and in what
 * time beside that of making the samples. The capture is made as it is read: this program brings
 * its own cj_capture_read. */
#include "../figures/memory_capture.h"

#include "coldjoint/figures.h"

#include <stdint.h>
#include <math.h>
#include <stdio.h>
#include <time.h>

#define RATE 48000.0
#define BLOCK ((size_t)65536)

struct hour {
    cj_capture_info info;
    cj_channel_info channel;
    double hz;
    size_t made; /* block of samples that is ready */
    double block[BLOCK];
    double seconds; /* spent on making samples */
};

static double now(void)
{
    struct timespec at;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &at);
    return (double)at.tv_sec + 1e-9 * (double)at.tv_nsec;
}

static double uniform(unsigned long long *state)
{
    *state ^= *state >> 12;
    *state ^= *state << 25;
    *state ^= *state >> 27;
    return (double)((*state * 2685821657736338717ull) >> 11) * 0x1p-53;
}

static void make(struct hour *h, size_t index)
{
    double begin = now();
    unsigned long long seed = 88172645463325252ull + index;
    for (int i = 0; i < 8; i++)
        uniform(&seed);
    for (size_t i = 0; i < BLOCK; i += 2) {
        double radius = 0.01 / sqrt(2) * sqrt(-2 * log(uniform(&seed) + 1e-300));
        double turn = 2 * M_PI * uniform(&seed);
        for (size_t k = 0; k < 2; k++) {
            double cycles = fmod((double)(index * BLOCK + i + k) * h->hz / RATE, 1);
            h->block[i + k] = sin(2 * M_PI * cycles) + radius * (k ? sin(turn) : cos(turn));
        }
    }
    h->made = index;
    h->seconds += now() - begin;
}

const cj_capture_info *cj_capture_about(const cj_capture *capture)
{
    return &((const struct hour *)capture)->info;
}

cj_status cj_capture_read(cj_capture *capture, size_t start, size_t count, double *const out[2],
                          cj_error *err)
{
    struct hour *h = (struct hour *)capture;
    if (start > h->info.samples || count > h->info.samples - start)
        return cj_fail(err, CJ_BUG, "hour", 0, 0, "read past the end");
    for (size_t i = 0; out[0] && i < count; i++) {
        if ((start + i) / BLOCK != h->made)
            make(h, (start + i) / BLOCK);
        out[0][i] = h->block[(start + i) % BLOCK];
    }
    return CJ_OK;
}

int main(void)
{
    static const cj_lines no_notes;
    static struct hour h;
    int wrong = 0;
    for (int k = 0; k < 2; k++) {
        h = (struct hour){.hz = k ? 5003.3 : 500.7, .made = SIZE_MAX};
        h.channel = (cj_channel_info){.name = "CH1", .unit = "V"};
        h.info = (cj_capture_info){.name = "hour",
                                   .file_count = 1,
                                   .kind = CJ_KIND_AUDIO,
                                   .rate_hz = RATE,
                                   .samples = (size_t)(3600 * RATE),
                                   .coupling = CJ_COUPLING_DC,
                                   .channel_count = 1,
                                   .channels = &h.channel,
                                   .selected_count = 1,
                                   .notes = &no_notes};
        cj_measurement *m = NULL;
        cj_error err = {0};
        double begin = now();
        if (cj_measure((cj_capture *)&h, NULL, &m, &err) != CJ_OK) {
            fprintf(stderr, "%s\n", err.message);
            return 1;
        }
        const cj_figure *dropouts = cj_figure_find(&m->channel[0], "dropouts");
        printf("an hour of %g Hz at 40 dB: %g losses counted; measured in %.2f of the samples' "
               "making\n",
               h.hz, dropouts ? dropouts->value : NAN, (now() - begin - h.seconds) / h.seconds);
        wrong += !(dropouts && dropouts->value < 1);
        cj_measurement_free(m);
    }
    return wrong;
}
