/* SPDX-License-Identifier: GPL-3.0-or-later */
/* audio_write.c - audio files of one channel through libsndfile, a block at a time. */
#include "base/dice.h"
#include "capture/aside.h"
#include "coldjoint/capture.h"

#include <errno.h>
#include <math.h>
#include <sndfile.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

enum { BLOCK = 16384 };

#define MOST_BYTES 4294900000.0 /* lengths in WAV and AIFF are 32 bits */
#define HIGHEST_RATE_HZ 655350  /* what FLAC can state; sound cards end far below */

typedef struct writer {
    cj__aside aside;
    int error; /* errno of the write that failed; 0: none did */
    SNDFILE *sound;
    cj_audio_format format;
    uint64_t dice;
    double *values;
    int *steps;
} writer;

/* ---- what can be written ---- */

static int container_of(const char *path)
{
    static const struct {
        const char *ending;
        int format;
    } known[] = {{".wav", SF_FORMAT_WAV},
                 {".aif", SF_FORMAT_AIFF},
                 {".aiff", SF_FORMAT_AIFF},
                 {".flac", SF_FORMAT_FLAC}};
    const char *slash = strrchr(path, '/');
    const char *ending = strrchr(slash ? slash : path, '.');
    for (size_t i = 0; ending != NULL && i < sizeof known / sizeof *known; i++)
        if (strcasecmp(ending, known[i].ending) == 0)
            return known[i].format;
    return 0;
}

cj_status cj_audio_check(const char *path, const cj_audio_format *format, size_t samples,
                         cj_error *err)
{
    int container = container_of(path), bits = format->bits;
    double rate = format->rate_hz;
    if (container == 0)
        return cj_fail(err, CJ_USAGE, path, 0, 0,
                       "the end of the name says the kind of file: .wav, .flac or .aiff");
    if (bits != 0 && bits != 16 && bits != 24)
        return cj_fail(err, CJ_USAGE, path, 0, 0, "%d bits: 16, 24 or float are possible", bits);
    if (bits == 0 && container == SF_FORMAT_FLAC)
        return cj_fail(err, CJ_USAGE, path, 0, 0,
                       "FLAC holds no floating point; 24 bits, or a .wav file");
    if (!(rate >= 1 && rate <= HIGHEST_RATE_HZ) || rate != floor(rate))
        return cj_fail(err, CJ_USAGE, path, 0, 0,
                       "a rate of %g Hz: an audio file has whole hertz, %d at most", rate,
                       HIGHEST_RATE_HZ);
    if (container != SF_FORMAT_FLAC && (double)samples * (bits ? bits / 8 : 4) > MOST_BYTES)
        return cj_fail(
            err, CJ_USAGE, path, 0, 0,
            "longer than 4 GiB, which this kind of file cannot hold; a .flac file, or less");
    return CJ_OK;
}

/* ---- libsndfile writes through these, so that a failed write keeps its reason ---- */

static sf_count_t length_of(void *user)
{
    const writer *w = user;
    off_t here = lseek(w->aside.fd, 0, SEEK_CUR), end = lseek(w->aside.fd, 0, SEEK_END);
    return lseek(w->aside.fd, here, SEEK_SET) < 0 ? -1 : (sf_count_t)end;
}

static sf_count_t seek_to(sf_count_t offset, int whence, void *user)
{
    const writer *w = user;
    return lseek(w->aside.fd, offset, whence);
}

static sf_count_t read_from(void *bytes, sf_count_t count, void *user)
{
    const writer *w = user;
    return read(w->aside.fd, bytes, (size_t)count);
}

static sf_count_t write_to(const void *bytes, sf_count_t count, void *user)
{
    writer *w = user;
    sf_count_t done = 0;
    while (done < count && w->error == 0) {
        ssize_t step = write(w->aside.fd, (const char *)bytes + done, (size_t)(count - done));
        if (step < 0 && errno != EINTR)
            w->error = errno;
        else if (step > 0)
            done += step;
    }
    return done;
}

static sf_count_t place_in(void *user)
{
    const writer *w = user;
    return lseek(w->aside.fd, 0, SEEK_CUR);
}

static cj_status failed(const writer *w, cj_error *err)
{
    const char *why = w->error ? strerror(w->error) : sf_strerror(w->sound);
    return cj_fail(err, CJ_IO, w->aside.name, 0, 0, "cannot be written: %s", why);
}

/* ---- samples ---- */

/* To steps of the format, at the top of an int as libsndfile wants them. */
static void quantise(writer *w, size_t count)
{
    int bits = w->format.bits;
    double top = ldexp(1, bits - 1), scale = top / w->format.full_scale;
    for (size_t i = 0; i < count; i++) {
        double value = w->values[i] * scale;
        if (w->format.dither)
            value += cj__dice_uniform(&w->dice) - cj__dice_uniform(&w->dice);
        value = fmin(fmax(rint(value), -top), top - 1);
        w->steps[i] = (int)((unsigned)(int)value << (32 - bits));
    }
}

static cj_status write_block(writer *w, size_t count, cj_error *err)
{
    sf_count_t done;
    for (size_t i = 0; i < count; i++)
        if (!isfinite(w->values[i]))
            return cj_fail(err, CJ_BUG, w->aside.name, 0, 0, "a sample to be written is no number");
    if (w->format.bits != 0) {
        quantise(w, count);
        done = sf_writef_int(w->sound, w->steps, (sf_count_t)count);
    } else {
        for (size_t i = 0; i < count; i++)
            w->values[i] /= w->format.full_scale;
        done = sf_writef_double(w->sound, w->values, (sf_count_t)count);
    }
    return done == (sf_count_t)count && w->error == 0 ? CJ_OK : failed(w, err);
}

static cj_status open_sound(writer *w, cj_error *err)
{
    static SF_VIRTUAL_IO through = {length_of, seek_to, read_from, write_to, place_in};
    int bits = w->format.bits;
    SF_INFO info = {.samplerate = (int)w->format.rate_hz, .channels = 1};
    info.format = container_of(w->aside.name) | (bits == 16   ? SF_FORMAT_PCM_16
                                                 : bits == 24 ? SF_FORMAT_PCM_24
                                                              : SF_FORMAT_FLOAT);
    w->sound = sf_open_virtual(&through, SFM_WRITE, &info, w);
    if (w->sound == NULL)
        return failed(w, err);
    /* the time of day has no place in it: the same signal is the same file */
    sf_command(w->sound, SFC_SET_ADD_PEAK_CHUNK, NULL, SF_FALSE);
    return CJ_OK;
}

cj_status cj_audio_write(const char *path, const cj_audio_format *format, size_t samples,
                         cj_audio_source source, void *user, cj_error *err)
{
    cj_status status = cj_audio_check(path, format, samples, err);
    if (status != CJ_OK)
        return status;
    writer w = {.aside = {.fd = -1}, .format = *format, .dice = format->seed};
    if (!(w.format.full_scale > 0))
        w.format.full_scale = 1;
    w.values = cj_new(BLOCK, sizeof *w.values);
    w.steps = cj_new(BLOCK, sizeof *w.steps);
    status = w.values && w.steps ? cj__aside_open(path, &w.aside, err) : cj_fail_memory(err);
    if (status == CJ_OK)
        status = open_sound(&w, err);
    for (size_t at = 0; status == CJ_OK && at < samples; at += BLOCK) {
        size_t count = samples - at < BLOCK ? samples - at : BLOCK;
        status = source(user, count, w.values, err);
        if (status == CJ_OK)
            status = write_block(&w, count, err);
    }
    /* closing writes the header, and the rest of FLAC */
    if (w.sound != NULL && sf_close(w.sound) != 0 && status == CJ_OK)
        w.error = w.error ? w.error : EIO;
    w.sound = NULL;
    if (status == CJ_OK && w.error != 0)
        status = failed(&w, err);
    if (status == CJ_OK)
        status = cj__aside_keep(&w.aside, err);
    cj__aside_drop(&w.aside);
    cj_free(w.values);
    cj_free(w.steps);
    return status;
}
