/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * One pass over ten minutes of 96 kHz, 24-bit stereo through cj_capture_read, beside libsndfile's
 * own decoding of the same file to double, in turns in one run. Processor time, so that other work
 * on the machine counts little; the median of the turns. Fails where the ratio is above 1.3. The
 * file is made in the temporary folder and gone after.
 */
#include "long_wav.h"

#include "coldjoint/capture.h"

#include <math.h>
#include <sndfile.h>
#include <stdio.h>
#include <sys/resource.h>

enum { BLOCK = 1 << 16, TURNS = 7 };

static double left[BLOCK], right[BLOCK], both[2 * BLOCK];

/* The sum is printed, so that no pass can be left out by a compiler. */
static double pass_ours(cj_capture *capture, double *sum)
{
    size_t samples = cj_capture_about(capture)->samples;
    double begin = processor_seconds();
    for (size_t at = 0; at < samples; at += BLOCK) {
        size_t now = samples - at < BLOCK ? samples - at : BLOCK;
        if (cj_capture_read(capture, at, now, (double *const[2]){left, right}, NULL) != CJ_OK)
            return NAN;
        *sum += left[now / 2] + right[now / 2];
    }
    return processor_seconds() - begin;
}

static double pass_plain(const char *path, double *sum)
{
    SF_INFO info = {0};
    double begin = processor_seconds();
    SNDFILE *sound = sf_open(path, SFM_READ, &info);
    if (sound == NULL)
        return NAN;
    for (sf_count_t now; (now = sf_readf_double(sound, both, BLOCK)) > 0;)
        *sum += both[2 * (now / 2)] + both[2 * (now / 2) + 1];
    sf_close(sound);
    return processor_seconds() - begin;
}

static int compare(const char *path)
{
    cj_capture *capture = NULL;
    cj_error err;
    if (cj_capture_open(path, NULL, &capture, &err) != CJ_OK) {
        fprintf(stderr, "%s: %s\n", err.file, err.message);
        return 1;
    }
    double ratio[TURNS], ours[TURNS], plain[TURNS], sums[2] = {0, 0};
    for (int i = 0; i < TURNS; i++) {
        ours[i] = pass_ours(capture, &sums[0]);
        plain[i] = pass_plain(path, &sums[1]);
        ratio[i] = ours[i] / plain[i];
    }
    cj_capture_free(capture);
    sort(ratio, TURNS);
    sort(ours, TURNS);
    sort(plain, TURNS);
    struct rusage usage;
    getrusage(RUSAGE_SELF, &usage);
    printf("audio read: %.3f s beside %.3f s of plain decoding, ratio %.3f (%.3f to %.3f of %d "
           "turns), "
           "%ld KiB at most\n",
           ours[TURNS / 2], plain[TURNS / 2], ratio[TURNS / 2], ratio[0], ratio[TURNS - 1], TURNS,
           usage.ru_maxrss);
    if (sums[0] != sums[1]) {
        printf("the two passes read different samples\n");
        return 1;
    }
    return ratio[TURNS / 2] <= 1.3 ? 0 : 1; /* not, where it is NaN */
}

int main(void)
{
    return with_long_wav(compare);
}
