/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * The response of a sweep of five minutes at 96 kHz, 24-bit stereo, beside libsndfile's own
 * decoding of the same file to double, in turns in one run, in processor time; and the most memory
 * the process ever held.
 */
#include "long_wav.h"

#include "coldjoint/figures.h"

#include <math.h>
#include <sndfile.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <unistd.h>

enum { BLOCK = 1 << 16, TURNS = 3, SECONDS = 300 };

static int make(int file)
{
    static double both[2 * BLOCK];
    const cj_stimulus played = {.signal = CJ_SIG_SWEEP,
                                .rate_hz = LONG_RATE,
                                .seconds = SECONDS - 60,
                                .from_hz = 20,
                                .to_hz = 20000,
                                .peak = {0.5}};
    SF_INFO info = {
        .format = SF_FORMAT_WAV | SF_FORMAT_PCM_24, .channels = 2, .samplerate = LONG_RATE};
    cj_sweep sweep;
    SNDFILE *sound = sf_open_fd(file, SFM_WRITE, &info, SF_FALSE);
    if (sound == NULL || cj_sweep_make(&played, &sweep, NULL) != CJ_OK)
        return -1;
    sf_count_t all = (sf_count_t)LONG_RATE * SECONDS, k = 0;
    double held = 0;
    while (k < all) {
        sf_count_t now = all - k < BLOCK ? all - k : BLOCK;
        for (sf_count_t i = 0; i < now; i++, k++) {
            double x = cj_sweep_value(&sweep, (double)k / LONG_RATE - sweep.lead_s - 1);
            held += 0.2 * (x - held);
            both[2 * i] = x;
            both[2 * i + 1] = held;
        }
        if (sf_writef_double(sound, both, now) != now)
            break;
    }
    sf_close(sound);
    return k == all ? 0 : -1;
}

static double pass_plain(const char *path, double *sum)
{
    static double both[2 * BLOCK];
    SF_INFO info = {0};
    double begin = processor_seconds();
    SNDFILE *sound = sf_open(path, SFM_READ, &info);
    if (sound == NULL)
        return NAN;
    for (sf_count_t now; (now = sf_readf_double(sound, both, BLOCK)) > 0;)
        *sum += both[2 * (now / 2)];
    sf_close(sound);
    return processor_seconds() - begin;
}

/* *off: the largest error between 20 Hz and 20 kHz in dB. */
static double pass_response(const char *path, double *off)
{
    double begin = processor_seconds();
    cj_capture *capture = NULL;
    cj_measurement *m = NULL;
    cj_error err;
    if (cj_capture_open(path, NULL, &capture, &err) != CJ_OK ||
        cj_measure(capture, NULL, &m, &err) != CJ_OK || m->response == NULL) {
        cj_capture_free(capture);
        return NAN;
    }
    double took = processor_seconds() - begin;
    *off = m->response->count < 478 ? NAN : 0;
    for (size_t i = 0; i < m->response->count; i++) {
        /* the one-pole y += 0.2 (x - y): |0.2 / (1 - 0.8 z^-1)| */
        double w = 2 * M_PI * m->response->hz[i] / LONG_RATE;
        double want = 20 * log10(0.2 / sqrt(1 - 1.6 * cos(w) + 0.64));
        if (m->response->hz[i] >= 20 && m->response->hz[i] <= 20000)
            *off = fmax(*off, fabs(m->response->gain_db[i] - want));
    }
    cj_measurement_free(m);
    cj_capture_free(capture);
    return took;
}

static int compare(const char *path)
{
    double ratio[TURNS], response[TURNS], plain[TURNS], sum = 0, off = NAN;
    for (int i = 0; i < TURNS; i++) {
        plain[i] = pass_plain(path, &sum);
        response[i] = pass_response(path, &off);
        ratio[i] = response[i] / plain[i];
    }
    sort(ratio, TURNS);
    sort(response, TURNS);
    sort(plain, TURNS);
    struct rusage usage;
    getrusage(RUSAGE_SELF, &usage);
    printf("response: %.3f s beside %.3f s of plain decoding, ratio %.2f (%.2f to %.2f of %d "
           "turns), %ld KiB at "
           "most, off by %.5f dB\n",
           response[TURNS / 2], plain[TURNS / 2], ratio[TURNS / 2], ratio[0], ratio[TURNS - 1],
           TURNS, usage.ru_maxrss, off);
    /* a wrong answer is no fast answer */
    return off < 0.01 && isfinite(ratio[TURNS / 2]) ? 0 : 1;
}

int main(void)
{
    const char *folder = getenv("TMPDIR");
    char path[512];
    snprintf(path, sizeof path, "%s/coldjoint-sweep-XXXXXX",
             folder != NULL && folder[0] ? folder : P_tmpdir);
    int file = mkstemp(path), result = 1;
    if (file < 0)
        return 1;
    if (make(file) == 0)
        result = compare(path);
    unlink(path);
    return result;
}
