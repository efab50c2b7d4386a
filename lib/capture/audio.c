/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Audio files through libsndfile, a block at a time: the memory needed does not grow with the file.
 */
#include "capture/internal.h"

#include <math.h>
#include <sndfile.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

/* Values (all channels together) decoded at once: measured, half or a quarter of it costs 5 to 10 %
 * more. */
enum { BLOCK_VALUES = 16384 };

/* A floating-point sample a thousand million full scales high was never a voltage. */
#define ABSURD 1e9

typedef struct label {
    char text[8];
} label;

struct cj__audio {
    SNDFILE *sound;
    int fd;           /* borrowed */
    const char *file; /* for messages */
    size_t channels, samples;
    int picked_count, picked[2]; /* from 0 */
    double scale[2];             /* unit per sample value as the decoder gives it */
    bool floats;                 /* decoded as double in full scales, else as int of 32 bits */
    bool exact_seek;             /* seeking gives the very samples that going straight on gives */
    size_t position;             /* next sample the decoder gives; SIZE_MAX: unknown */
    size_t block;                /* samples a block */
    union {
        int *ints;
        double *doubles;
    } buffer;
    label *labels;
    cj_channel_info *about;
};

/* Bits of a linear integer format, 0 for all others. */
static int bits_of(int format)
{
    switch (format & SF_FORMAT_SUBMASK) {
    case SF_FORMAT_PCM_S8:
    case SF_FORMAT_PCM_U8:
        return 8;
    case SF_FORMAT_PCM_16:
    case SF_FORMAT_ALAC_16:
        return 16;
    case SF_FORMAT_ALAC_20:
        return 20;
    case SF_FORMAT_PCM_24:
    case SF_FORMAT_ALAC_24:
        return 24;
    case SF_FORMAT_PCM_32:
    case SF_FORMAT_ALAC_32:
        return 32;
    default:
        return 0;
    }
}

static bool floating(int format)
{
    int kind = format & SF_FORMAT_SUBMASK;
    return kind == SF_FORMAT_FLOAT || kind == SF_FORMAT_DOUBLE;
}

/* libsndfile 1.2.0 seeks in Vorbis and MPEG audio to a place some hundred samples off or with a
 * wrong beginning (measured), and not at all in GSM and the G.72x family. Only where every sample
 * stands by itself, or a format is made of checked frames, is its seeking relied upon. */
static bool exact_seek(int format)
{
    int kind = format & SF_FORMAT_SUBMASK;
    return bits_of(format) > 0 || floating(format) || kind == SF_FORMAT_ULAW ||
           kind == SF_FORMAT_ALAW;
}

static bool accepted(int format)
{
    static const int major[] = {SF_FORMAT_WAV,  SF_FORMAT_WAVEX, SF_FORMAT_W64, SF_FORMAT_RF64,
                                SF_FORMAT_AIFF, SF_FORMAT_AU,    SF_FORMAT_CAF, SF_FORMAT_FLAC,
                                SF_FORMAT_OGG,  SF_FORMAT_MPEG};
    for (size_t i = 0; i < sizeof major / sizeof major[0]; i++)
        if ((format & SF_FORMAT_TYPEMASK) == major[i])
            return true;
    return false;
}

/* libsndfile's sentences end in a full stop, ours do not. */
static cj_status unreadable(const char *name, SNDFILE *sound, cj_error *err)
{
    char why[256];
    snprintf(why, sizeof why, "%s", sf_strerror(sound));
    /* what libsndfile says of a rate or a count of 0, and means its caller by it */
    if (strstr(why, "SF_INFO") != NULL)
        return cj_fail(err, CJ_DATA, name, 0, 0,
                       "damaged: its header gives no sampling rate, or no sensible one");
    for (size_t n = strlen(why); n > 0 && strchr(". \n", why[n - 1]) != NULL; n--)
        why[n - 1] = '\0';
    return cj_fail(err, CJ_DATA, name, 0, 0, "damaged, or no audio after all: %s", why);
}

static cj_status damaged_at(const cj__audio *audio, size_t sample, cj_error *err)
{
    return cj_fail(err, CJ_DATA, audio->file, 0, 0,
                   "damaged or cut off: sample %zu of %zu cannot be read; copy or record it again",
                   sample + 1, audio->samples);
}

/* What must hold of an opened file before a sample of it is looked at. */
static cj_status check_format(const cj__file *file, const SF_INFO *info,
                              const cj__container *container, cj_error *err)
{
    if (!accepted(info->format))
        return cj_fail(
            err, CJ_DATA, file->name, 0, 0,
            "a kind of audio file that is not taken; expected WAV, W64, RF64, AIFF, FLAC, CAF, AU, "
            "Ogg or MP3");
    if (info->samplerate < 2) /* a rate of 0 in AIFF comes out as 1 */
        return cj_fail(err, CJ_DATA, file->name, 0, 0,
                       "damaged: its header gives no sampling rate, or no sensible one");
    if (info->frames == SF_COUNT_MAX)
        return cj_fail(err, CJ_DATA, file->name, 0, 0,
                       "states no length (it was written to a pipe); encode it again into a file");
    if (info->frames < (sf_count_t)container->frames)
        return cj_fail(err, CJ_DATA, file->name, 0, 0,
                       "cut off: promises %llu samples but holds %lld",
                       (unsigned long long)container->frames, (long long)info->frames);
    if (info->frames < CJ__FEWEST_SAMPLES)
        return cj_fail(err, CJ_DATA, file->name, 0, 0,
                       "holds %lld samples a channel; a tone needs at least %d",
                       (long long)info->frames, CJ__FEWEST_SAMPLES);
    return CJ_OK;
}

/* Which channels are meant, against how many there are. */
static cj_status pick_channels(cj__audio *audio, const cj_capture_options *options, cj_error *err)
{
    const int *asked = options->channels;
    int count = (int)audio->channels;
    for (int i = 0; i < 2; i++)
        if (asked[i] < 0 || asked[i] > count)
            return cj_fail(err, CJ_USAGE, audio->file, 0, 0,
                           "channel %d asked for, the file has %d", asked[i], count);
    if (asked[0] == asked[1] && asked[0] != 0)
        return cj_fail(err, CJ_USAGE, audio->file, 0, 0, "channel %d asked for twice", asked[0]);
    if (asked[0] == 0 && asked[1] != 0)
        return cj_fail(err, CJ_USAGE, audio->file, 0, 0, "the first of two channels is not named");
    if (asked[0] == 0) {
        audio->picked_count = count < 2 ? 1 : 2;
        audio->picked[1] = 1;
    } else {
        audio->picked_count = asked[1] == 0 ? 1 : 2;
        audio->picked[0] = asked[0] - 1;
        audio->picked[1] = asked[1] - 1;
    }
    return CJ_OK;
}

static cj_status describe_channels(cj__audio *audio, const cj_capture_options *options, int bits,
                                   cj_error *err)
{
    audio->labels = cj_new(audio->channels, sizeof *audio->labels);
    audio->about = cj_new(audio->channels, sizeof *audio->about);
    if (audio->labels == NULL || audio->about == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; i < audio->channels; i++) {
        if (audio->channels == 2)
            strcpy(audio->labels[i].text, i == 0 ? "left" : "right");
        else
            snprintf(audio->labels[i].text, sizeof audio->labels[i].text, "%u",
                     (unsigned)(i + 1) % 100000u);
        audio->about[i].name = audio->labels[i].text;
        audio->about[i].unit = options->full_scale_v > 0 ? "V" : "FS";
    }
    for (int k = 0; k < audio->picked_count; k++) {
        double unit = (options->full_scale_v > 0 ? options->full_scale_v : 1) *
                      (options->probe[k] > 0 ? options->probe[k] : 1);
        /* a power of two beside the user's factors: integer samples keep their exact value */
        audio->scale[k] = audio->floats ? unit : ldexp(unit, -31);
        audio->about[audio->picked[k]].step = bits > 0 ? ldexp(unit, 1 - bits) : 0;
    }
    return CJ_OK;
}

static inline void scatter_stride(const int *from, size_t count, size_t stride, double scale,
                                  double *to)
{
    for (size_t i = 0; i < count; i++)
        to[i] = from[i * stride] * scale;
}

static void scatter_ints(const int *from, size_t count, size_t stride, double scale, double *to)
{
    if (stride == 2) /* a known stride lets the compiler use wide loads */
        scatter_stride(from, count, 2, scale, to);
    else
        scatter_stride(from, count, stride, scale, to);
}

static void scatter_doubles(const double *from, size_t count, size_t stride, double scale,
                            double *to)
{
    for (size_t i = 0; i < count; i++) {
        double value = from[i * stride];
        to[i] = fabs(value) <= ABSURD ? value * scale : NAN;
    }
}

/* The next count (at most a block of) samples into the buffer. */
static cj_status decode(cj__audio *audio, size_t count, cj_error *err)
{
    sf_count_t got = audio->floats
                         ? sf_readf_double(audio->sound, audio->buffer.doubles, (sf_count_t)count)
                         : sf_readf_int(audio->sound, audio->buffer.ints, (sf_count_t)count);
    if (got == (sf_count_t)count) {
        audio->position += count;
        return CJ_OK;
    }
    size_t at = audio->position + (got > 0 ? (size_t)got : 0);
    audio->position = SIZE_MAX;
    return damaged_at(audio, at, err);
}

static cj_status start_again(cj__audio *audio, cj_error *err)
{
    if (audio->sound != NULL)
        sf_close(audio->sound);
    audio->sound = NULL;
    SF_INFO info = {0};
    if (lseek(audio->fd, 0, SEEK_SET) == 0)
        audio->sound = sf_open_fd(audio->fd, SFM_READ, &info, SF_FALSE);
    if (audio->sound == NULL)
        return unreadable(audio->file, NULL, err);
    audio->position = 0;
    return CJ_OK;
}

/* Forward by decoding what lies between; finds where a damaged file is damaged, too. */
static cj_status go_on_to(cj__audio *audio, size_t start, cj_error *err)
{
    cj_status status = audio->position <= start ? CJ_OK : start_again(audio, err);
    while (status == CJ_OK && audio->position < start) {
        size_t left = start - audio->position;
        status = decode(audio, left < audio->block ? left : audio->block, err);
    }
    return status;
}

static bool sought(cj__audio *audio, size_t start)
{
    if (audio->sound == NULL ||
        sf_seek(audio->sound, (sf_count_t)start, SEEK_SET) != (sf_count_t)start)
        return false;
    audio->position = start;
    return true;
}

static cj_status move_to(cj__audio *audio, size_t start, cj_error *err)
{
    if (audio->position == start || (audio->exact_seek && sought(audio, start)))
        return CJ_OK;
    return go_on_to(audio, start, err);
}

cj_status cj__audio_read(cj__audio *audio, size_t start, size_t count, double *const out[2],
                         cj_error *err)
{
    cj_status status = move_to(audio, start, err);
    for (size_t done = 0; status == CJ_OK && done < count;) {
        size_t now = count - done < audio->block ? count - done : audio->block;
        status = decode(audio, now, err);
        for (int k = 0; status == CJ_OK && k < audio->picked_count; k++) {
            if (out[k] == NULL)
                continue;
            size_t first = (size_t)audio->picked[k];
            if (audio->floats)
                scatter_doubles(audio->buffer.doubles + first, now, audio->channels,
                                audio->scale[k], out[k] + done);
            else
                scatter_ints(audio->buffer.ints + first, now, audio->channels, audio->scale[k],
                             out[k] + done);
        }
        done += now;
    }
    return status;
}

/* Gaps there can be in floating-point files only; they have to be known before anything is
 * measured. */
static cj_status count_gaps(cj__audio *audio, cj_error *err)
{
    cj_status status = CJ_OK;
    for (size_t done = 0; status == CJ_OK && done < audio->samples; done += audio->block) {
        size_t now = audio->samples - done < audio->block ? audio->samples - done : audio->block;
        status = decode(audio, now, err);
        for (int k = 0; status == CJ_OK && k < audio->picked_count; k++) {
            const double *from = audio->buffer.doubles + audio->picked[k];
            size_t gaps = 0;
            for (size_t i = 0; i < now; i++)
                gaps += !(fabs(from[i * audio->channels]) <= ABSURD);
            audio->about[audio->picked[k]].gaps += gaps;
        }
    }
    for (int k = 0; status == CJ_OK && k < audio->picked_count; k++) {
        const cj_channel_info *about = &audio->about[audio->picked[k]];
        if (audio->samples - about->gaps < CJ__FEWEST_SAMPLES)
            status = cj_fail(
                err, CJ_DATA, audio->file, 0, 0,
                "channel %s holds %zu numbers, all else is NaN or infinite; a tone needs at least "
                "%d",
                about->name, audio->samples - about->gaps, CJ__FEWEST_SAMPLES);
    }
    return status == CJ_OK ? move_to(audio, 0, err) : status;
}

/* The decoder, with its buffer; the last sample is read, as a file may be shorter than it says. */
static cj_status start_decoder(cj__audio *audio, const SF_INFO *info, cj_error *err)
{
    audio->samples = (size_t)info->frames;
    audio->channels = (size_t)info->channels;
    audio->floats = bits_of(info->format) == 0;
    audio->exact_seek = exact_seek(info->format);
    audio->block = audio->channels < BLOCK_VALUES ? BLOCK_VALUES / audio->channels : 1;
    size_t values = audio->block * audio->channels;
    if (audio->floats)
        audio->buffer.doubles = cj_new(values, sizeof *audio->buffer.doubles);
    else
        audio->buffer.ints = cj_new(values, sizeof *audio->buffer.ints);
    if ((audio->floats ? (void *)audio->buffer.doubles : (void *)audio->buffer.ints) == NULL)
        return cj_fail_memory(err);
    cj_status status = CJ_OK;
    if (!sought(audio, audio->samples - 1))
        status = go_on_to(audio, audio->samples - 1, err);
    if (status == CJ_OK)
        status = decode(audio, 1, err);
    return status == CJ_OK ? move_to(audio, 0, err) : status;
}

static const char *format_name(int format)
{
    SF_FORMAT_INFO info = {.format = format};
    sf_command(NULL, SFC_GET_FORMAT_INFO, &info, sizeof info);
    return info.name ? info.name : "?";
}

static cj_status say(const cj__audio *audio, const SF_INFO *info, const cj__container *container,
                     const cj_capture_options *options, cj_lines *notes)
{
    cj_status status = cj_lines_add(notes, "%s, %s, %zu channel%s at %d Hz",
                                    format_name(info->format & SF_FORMAT_TYPEMASK),
                                    format_name(info->format & SF_FORMAT_SUBMASK), audio->channels,
                                    audio->channels == 1 ? "" : "s", info->samplerate);
    if (status == CJ_OK && audio->channels > 2 && options->channels[0] == 0)
        status = cj_lines_add(notes, "the first two of %zu channels are taken", audio->channels);
    if (status == CJ_OK && container->endless)
        status =
            cj_lines_add(notes,
                         "the header gives no length (a stream): the %zu samples that came are "
                         "taken, whether more were meant cannot be told",
                         audio->samples);
    if (status == CJ_OK && bits_of(info->format) == 0 && !floating(info->format))
        status =
            cj_lines_add(notes,
                         "%s does not keep every sample as it was: distortion and noise figures "
                         "are those of the coding as well",
                         format_name(info->format & SF_FORMAT_SUBMASK));
    if (status == CJ_OK && !(options->full_scale_v > 0))
        status = cj_lines_add(notes, "volts at digital full scale are not given: levels are in FS, "
                                     "1 FS being the largest peak the file can hold");
    for (int k = 0; status == CJ_OK && k < audio->picked_count; k++) {
        const cj_channel_info *about = &audio->about[audio->picked[k]];
        if (about->gaps > 0)
            status = cj_lines_add(
                notes, "channel %s: %zu samples are NaN, infinite or absurd and left out",
                about->name, about->gaps);
    }
    return status;
}

static void fill_info(const cj__audio *audio, const SF_INFO *info, cj_capture_info *about)
{
    about->kind = CJ_KIND_AUDIO;
    about->rate_hz = info->samplerate;
    about->samples = audio->samples;
    about->bits = bits_of(info->format);
    about->channel_count = (int)audio->channels;
    about->channels = audio->about;
    about->selected_count = audio->picked_count;
    memcpy(about->selected, audio->picked, sizeof audio->picked);
}

cj_status cj__audio_open(cj_capture *capture, const cj_capture_options *options, cj_error *err)
{
    const cj__file *file = &capture->file;
    cj__container container;
    cj_status status = cj__container_check(file, &container, err);
    if (status != CJ_OK)
        return status;
    cj__audio *audio = capture->audio = cj_new(1, sizeof *audio);
    if (audio == NULL)
        return cj_fail_memory(err);
    audio->file = file->name;
    audio->fd = file->fd;
    audio->position = SIZE_MAX;
    SF_INFO info = {0};
    audio->sound = sf_open_fd(file->fd, SFM_READ, &info, SF_FALSE);
    if (audio->sound == NULL)
        return unreadable(file->name, NULL, err);
    status = check_format(file, &info, &container, err);
    if (status == CJ_OK)
        status = start_decoder(audio, &info, err);
    if (status == CJ_OK)
        status = pick_channels(audio, options, err);
    if (status == CJ_OK)
        status = describe_channels(audio, options, bits_of(info.format), err);
    if (status == CJ_OK && floating(info.format))
        status = count_gaps(audio, err);
    if (status == CJ_OK && say(audio, &info, &container, options, &capture->notes) != CJ_OK)
        status = cj_fail_memory(err);
    if (status == CJ_OK)
        fill_info(audio, &info, &capture->info);
    return status;
}

void cj__audio_free(cj__audio *audio)
{
    if (audio == NULL)
        return;
    if (audio->sound != NULL)
        sf_close(audio->sound);
    cj_free(audio->floats ? (void *)audio->buffer.doubles : (void *)audio->buffer.ints);
    cj_free(audio->labels);
    cj_free(audio->about);
    cj_free(audio);
}
