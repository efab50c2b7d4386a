/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "long_wav.h"

#include <math.h>
#include <sndfile.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

enum { BLOCK = 1 << 16 };

double processor_seconds(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

void sort(double *values, size_t count)
{
    qsort(values, count, sizeof *values, by_value);
}

/* Near enough normal, deviation 1: the sum of four uniform ones of deviation 1/2. */
static double noise(unsigned long long *state)
{
    double sum = 0;
    for (int i = 0; i < 4; i++) {
        *state = *state * 6364136223846793005ull + 1442695040888963407ull;
        sum += (double)(*state >> 11) * 0x1p-53 - 0.5;
    }
    return sum * sqrt(3);
}

struct content {
    int seconds;
    double tone, noise; /* peak; RMS */
};

/* A little over a converter's own noise, so that no figure is of silence; and noise alone. */
static const struct content with_tone = {LONG_SECONDS, 0.5, 0.6e-6};
static const struct content noise_alone = {NOISE_SECONDS, 0, 1e-3};

/* A 997 Hz tone, the second channel inverted and at a tenth; noise in both. */
static int make(int file, const struct content *content)
{
    static double both[2 * BLOCK];
    SF_INFO info = {
        .format = SF_FORMAT_WAV | SF_FORMAT_PCM_24, .channels = 2, .samplerate = LONG_RATE};
    SNDFILE *sound = sf_open_fd(file, SFM_WRITE, &info, SF_FALSE);
    if (sound == NULL)
        return -1;
    unsigned long long state = 1;
    sf_count_t left_over = (sf_count_t)LONG_RATE * content->seconds, k = 0;
    while (left_over > 0) {
        sf_count_t now = left_over < BLOCK ? left_over : BLOCK;
        for (sf_count_t i = 0; i < now; i++, k++) {
            double tone = content->tone * sin(2 * 3.14159265358979323846 * 997 *
                                              (double)(k % LONG_RATE) / LONG_RATE);
            both[2 * i] = tone + content->noise * noise(&state);
            both[2 * i + 1] = -0.1 * tone + content->noise * noise(&state);
        }
        if (sf_writef_double(sound, both, now) != now)
            break;
        left_over -= now;
    }
    return sf_close(sound) == 0 && left_over == 0 ? 0 : -1;
}

static int with_wav(int (*use)(const char *path), const struct content *content)
{
    const char *folder = getenv("TMPDIR");
    char path[1024];
    snprintf(path, sizeof path, "%s/coldjoint-timing-XXXXXX",
             folder && folder[0] ? folder : P_tmpdir);
    int file = mkstemp(path);
    if (file < 0 || make(file, content) != 0) {
        fprintf(stderr, "%s: cannot be made\n", path);
        if (file >= 0)
            unlink(path);
        return 1;
    }
    int status = use(path);
    close(file);
    unlink(path);
    return status;
}

int with_long_wav(int (*use)(const char *path))
{
    return with_wav(use, &with_tone);
}

int with_noise_wav(int (*use)(const char *path))
{
    return with_wav(use, &noise_alone);
}
