/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "check.h"
#include "failing.h"
#include "files.h"

#include "coldjoint/capture.h"

#include <float.h>
#include <sndfile.h>

/* Reads all in blocks of a size that divides nothing, and compares. */
static void check_samples(const char *label, cj_capture *capture, files_signal *value, double scale,
                          double tolerance)
{
    const cj_capture_info *info = cj_capture_about(capture);
    enum { BLOCK = 997 };
    static double got[2][BLOCK];
    for (size_t start = 0; start < info->samples; start += BLOCK) {
        size_t count = info->samples - start < BLOCK ? info->samples - start : BLOCK;
        assert_int_equal(
            cj_capture_read(capture, start, count, (double *const[2]){got[0], got[1]}, NULL),
            CJ_OK);
        for (int k = 0; k < info->selected_count; k++)
            for (size_t i = 0; i < count; i++)
                check_close(label, got[k][i], scale * value(start + i, info->selected[k]),
                            tolerance);
    }
}

static void check_names(const cj_capture_info *info)
{
    for (int c = 0; c < info->channel_count; c++) {
        const char *stereo = c == 0 ? "left" : "right";
        char number[16];
        snprintf(number, sizeof number, "%d", c + 1);
        assert_string_equal(info->channels[c].name, info->channel_count == 2 ? stereo : number);
        assert_string_equal(info->channels[c].unit, "FS");
    }
}

static const struct lossless {
    const char *label;
    int format, bits;
} lossless[] = {
    {"wav-8", SF_FORMAT_WAV | SF_FORMAT_PCM_U8, 8},
    {"wav-16", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 16},
    {"wav-24", SF_FORMAT_WAV | SF_FORMAT_PCM_24, 24},
    {"wav-32", SF_FORMAT_WAV | SF_FORMAT_PCM_32, 32},
    {"wav-float", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 0},
    {"wav-double", SF_FORMAT_WAV | SF_FORMAT_DOUBLE, 0},
    {"wav-big-endian", SF_FORMAT_WAV | SF_FORMAT_PCM_24 | SF_ENDIAN_BIG, 24},
    {"wavex-24", SF_FORMAT_WAVEX | SF_FORMAT_PCM_24, 24},
    {"w64-24", SF_FORMAT_W64 | SF_FORMAT_PCM_24, 24},
    {"rf64-24", SF_FORMAT_RF64 | SF_FORMAT_PCM_24, 24},
    {"aiff-16", SF_FORMAT_AIFF | SF_FORMAT_PCM_16, 16},
    {"aiff-24", SF_FORMAT_AIFF | SF_FORMAT_PCM_24, 24},
    {"aiff-24-little", SF_FORMAT_AIFF | SF_FORMAT_PCM_24 | SF_ENDIAN_LITTLE, 24},
    {"aiff-float", SF_FORMAT_AIFF | SF_FORMAT_FLOAT, 0},
    {"flac-16", SF_FORMAT_FLAC | SF_FORMAT_PCM_16, 16},
    {"flac-24", SF_FORMAT_FLAC | SF_FORMAT_PCM_24, 24},
    {"caf-24", SF_FORMAT_CAF | SF_FORMAT_PCM_24, 24},
    {"caf-alac", SF_FORMAT_CAF | SF_FORMAT_ALAC_24, 24},
    {"au-24", SF_FORMAT_AU | SF_FORMAT_PCM_24, 24},
    {"au-float-little", SF_FORMAT_AU | SF_FORMAT_FLOAT | SF_ENDIAN_LITTLE, 0},
};
enum { LOSSLESS = sizeof lossless / sizeof lossless[0] };

static void lossless_formats_read_exactly(void **state)
{
    (void)state;
    static const int channels[] = {1, 2, 6};
    for (size_t i = 0; i < LOSSLESS; i++)
        for (size_t n = 0; n < 3; n++) {
            const struct lossless *kind = &lossless[i];
            files_sound sound = {kind->format, channels[n], 96000, 10007, files_code};
            const char *path = files_audio("exact", &sound);
            assert_non_null(path);
            cj_capture *capture = opened(path, NULL);
            const cj_capture_info *info = cj_capture_about(capture);
            assert_string_equal(info->name, path);
            assert_int_equal(info->file_count, 1);
            assert_int_equal(info->kind, CJ_KIND_AUDIO);
            assert_int_equal(info->coupling, CJ_COUPLING_AC);
            assert_true(info->rate_hz == 96000 && info->rate_u == 0 && info->start_s == 0);
            assert_int_equal(info->samples, 10007);
            assert_int_equal(info->bits, kind->bits);
            assert_int_equal(info->channel_count, channels[n]);
            assert_int_equal(info->selected_count, channels[n] == 1 ? 1 : 2);
            check_names(info);
            double step = kind->bits == 0 ? 0 : ldexp(1, 1 - kind->bits);
            for (int k = 0; k < info->selected_count; k++) {
                assert_int_equal(info->selected[k], k);
                assert_true(info->channels[k].step == step);
                assert_int_equal(info->channels[k].gaps, 0);
            }
            assert_true(files_noted(capture, "96000 Hz"));
            assert_int_equal(files_noted(capture, "the first two of 6 channels"), channels[n] == 6);
            /* 8 bits hold the code to half of their step (libsndfile rounds or cuts: a step at
             * most) */
            check_samples(kind->label, capture, files_code, 1, kind->bits == 8 ? step : 0);
            cj_capture_free(capture);
        }
}

/* What libsndfile gives when it goes straight through, all channels. */
static double *decoded(const char *path, size_t *samples)
{
    SF_INFO info = {0};
    SNDFILE *file = sf_open(path, SFM_READ, &info);
    assert_non_null(file);
    *samples = (size_t)info.frames;
    double *all = malloc(*samples * (size_t)info.channels * sizeof *all);
    assert_non_null(all);
    assert_int_equal(sf_readf_double(file, all, info.frames), info.frames);
    sf_close(file);
    return all;
}

/* Correlation coefficient of got[skip..count) with files_sine of channel c. */
static double likeness(const double *got, size_t skip, size_t count, int c)
{
    double gg = 0, ss = 0, gs = 0;
    for (size_t k = skip; k < count; k++) {
        double sine = files_sine(k, c);
        gg += got[k] * got[k];
        ss += sine * sine;
        gs += got[k] * sine;
    }
    return gs / sqrt(gg * ss);
}

static const struct lossy {
    const char *label;
    int format, channels, rate;
} lossy[] = {
    {"vorbis", SF_FORMAT_OGG | SF_FORMAT_VORBIS, 2, 48000},
    {"opus", SF_FORMAT_OGG | SF_FORMAT_OPUS, 2, 48000},
    {"mp3", SF_FORMAT_MPEG | SF_FORMAT_MPEG_LAYER_III, 2, 48000},
    {"u-law", SF_FORMAT_WAV | SF_FORMAT_ULAW, 2, 48000},
    {"a-law", SF_FORMAT_AIFF | SF_FORMAT_ALAW, 2, 48000},
    {"ms-adpcm", SF_FORMAT_WAV | SF_FORMAT_MS_ADPCM, 2, 48000},
    {"g721", SF_FORMAT_AU | SF_FORMAT_G721_32, 1, 48000},
    {"gsm", SF_FORMAT_WAV | SF_FORMAT_GSM610, 1, 8000},
};

/* A coding that loses something gives what libsndfile decodes, which is about the signal, and says
 * what it is; in any order, as libsndfile's own seeking does not. */
static void lossy_formats_say_so(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof lossy / sizeof lossy[0]; i++) {
        files_sound sound = {lossy[i].format, lossy[i].channels, lossy[i].rate, 40000, files_sine};
        const char *path = files_audio("lossy", &sound);
        if (path == NULL) {
            print_message("note: this libsndfile writes no %s\n", lossy[i].label);
            continue;
        }
        cj_capture *capture = opened(path, NULL);
        const cj_capture_info *info = cj_capture_about(capture);
        assert_true(files_noted(capture, "those of the coding as well"));
        assert_int_equal(info->bits, 0);
        size_t samples = 0;
        double *all = decoded(path, &samples);
        assert_int_equal(info->samples, samples);
        static double got[2][40000];
        static const size_t starts[] = {0, 30000, 39999, 20000, 20500, 1, 0};
        for (size_t j = 0; j < sizeof starts / sizeof starts[0]; j++) {
            size_t start = starts[j], count = j == 6 ? 40000 : (40000 - start) / 2 + 1;
            assert_int_equal(
                cj_capture_read(capture, start, count, (double *const[2]){got[0], got[1]}, NULL),
                CJ_OK);
            for (int c = 0; c < info->channel_count; c++)
                for (size_t k = 0; k < count; k++)
                    check_close(lossy[i].label, got[c][k],
                                all[(start + k) * (size_t)info->channel_count + (size_t)c], 0);
        }
        for (int c = 0; c < info->channel_count; c++)
            assert_true(likeness(got[c], 1000, 40000, c) > 0.9);
        free(all);
        cj_capture_free(capture);
    }
}

/* Any order of reading gives what going straight on gives. */
static void any_order_reads_the_same(void **state)
{
    (void)state;
    static const int formats[] = {
        SF_FORMAT_WAV | SF_FORMAT_PCM_24, SF_FORMAT_FLAC | SF_FORMAT_PCM_24,
        SF_FORMAT_CAF | SF_FORMAT_ALAC_16, SF_FORMAT_W64 | SF_FORMAT_FLOAT,
        SF_FORMAT_AU | SF_FORMAT_G721_32};
    static const size_t from[] = {39999, 0, 20000, 19990, 1, 30000, 12345, 0};
    enum { ALL = 40000 };
    static double all[ALL], part[1000];
    for (size_t i = 0; i < sizeof formats / sizeof formats[0]; i++) {
        files_sound sound = {formats[i], 1, 48000, ALL, files_code};
        cj_capture *capture = opened(files_audio("order", &sound), NULL);
        assert_int_equal(cj_capture_read(capture, 0, ALL, (double *const[2]){all, NULL}, NULL),
                         CJ_OK);
        for (size_t j = 0; j < sizeof from / sizeof from[0]; j++) {
            size_t count = ALL - from[j] < 1000 ? ALL - from[j] : 1000;
            assert_int_equal(
                cj_capture_read(capture, from[j], count, (double *const[2]){part, NULL}, NULL),
                CJ_OK);
            for (size_t k = 0; k < count; k++)
                check_close("any order", part[k], all[from[j] + k], 0);
        }
        assert_int_equal(cj_capture_read(capture, cj_capture_about(capture)->samples, 0,
                                         (double *const[2]){part, NULL}, NULL),
                         CJ_OK);
        assert_int_equal(cj_capture_read(capture, cj_capture_about(capture)->samples, 1,
                                         (double *const[2]){part, NULL}, NULL),
                         CJ_BUG);
        assert_int_equal(
            cj_capture_read(capture, 1, SIZE_MAX, (double *const[2]){part, NULL}, NULL), CJ_BUG);
        cj_capture_free(capture);
    }
}

static void channels_are_picked(void **state)
{
    (void)state;
    files_sound sound = {SF_FORMAT_WAV | SF_FORMAT_PCM_16, 6, 48000, 500, files_code};
    const char *path = files_audio("six", &sound);
    static const struct {
        int asked[2], count, selected[2];
    } cases[] = {
        {{0, 0}, 2, {0, 1}},
        {{5, 2}, 2, {4, 1}},
        {{6, 0}, 1, {5, 0}},
        {{1, 6}, 2, {0, 5}},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_capture_options options = {.channels = {cases[i].asked[0], cases[i].asked[1]}};
        cj_capture *capture = opened(path, &options);
        const cj_capture_info *info = cj_capture_about(capture);
        assert_int_equal(info->selected_count, cases[i].count);
        for (int k = 0; k < cases[i].count; k++)
            assert_int_equal(info->selected[k], cases[i].selected[k]);
        check_samples("six", capture, files_code, 1, 0);
        double got[500];
        assert_int_equal(cj_capture_read(capture, 0, 500, (double *const[2]){NULL, NULL}, NULL),
                         CJ_OK);
        assert_int_equal(cj_capture_read(capture, 0, 500, (double *const[2]){NULL, got}, NULL),
                         CJ_OK);
        if (cases[i].count == 2)
            assert_true(got[7] == files_code(7, cases[i].selected[1]));
        cj_capture_free(capture);
    }
    check_refused(path, &(cj_capture_options){.channels = {7, 1}}, CJ_USAGE, path,
                  "the file has 6");
    check_refused(path, &(cj_capture_options){.channels = {1, -1}}, CJ_USAGE, path,
                  "the file has 6");
    check_refused(path, &(cj_capture_options){.channels = {2, 2}}, CJ_USAGE, path, "twice");
    check_refused(path, &(cj_capture_options){.channels = {0, 2}}, CJ_USAGE, path, "first");
}

static void full_scale_and_probes_make_volts(void **state)
{
    (void)state;
    static const struct {
        const char *label;
        int format, bits;
        double full_scale, probe[2];
        const char *unit;
    } cases[] = {
        {"volts", SF_FORMAT_WAV | SF_FORMAT_PCM_24, 24, 5.2, {0, 0}, "V"},
        {"probes", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 16, 5.2, {10, 1}, "V"},
        {"float", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 0, 3.3, {1, 100}, "V"},
        {"no volts", SF_FORMAT_FLAC | SF_FORMAT_PCM_24, 24, 0, {10, 1}, "FS"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        files_sound sound = {cases[i].format, 2, 44100, 2000, files_code};
        cj_capture_options options = {.full_scale_v = cases[i].full_scale,
                                      .probe = {cases[i].probe[0], cases[i].probe[1]},
                                      .coupling = CJ_COUPLING_DC};
        cj_capture *capture = opened(files_audio("scaled", &sound), &options);
        const cj_capture_info *info = cj_capture_about(capture);
        assert_int_equal(info->coupling, CJ_COUPLING_DC);
        assert_int_equal(files_noted(capture, "in FS"), cases[i].full_scale == 0);
        static double got[2][2000];
        assert_int_equal(
            cj_capture_read(capture, 0, 2000, (double *const[2]){got[0], got[1]}, NULL), CJ_OK);
        for (int c = 0; c < 2; c++) {
            double unit = (cases[i].full_scale > 0 ? cases[i].full_scale : 1) *
                          (cases[i].probe[c] > 0 ? cases[i].probe[c] : 1);
            assert_string_equal(info->channels[c].unit, cases[i].unit);
            check_ratio(cases[i].label, info->channels[c].step,
                        cases[i].bits ? unit / (double)(1L << (cases[i].bits - 1)) : 0, 1e-15);
            for (size_t k = 0; k < 2000; k++)
                check_close(cases[i].label, got[c][k], unit * files_code(k, c), unit * DBL_EPSILON);
        }
        cj_capture_free(capture);
    }
    static const cj_capture_options wrong[] = {
        {.full_scale_v = -1}, {.full_scale_v = NAN}, {.full_scale_v = INFINITY},
        {.probe = {-1, 0}},   {.probe = {1, NAN}},   {.probe = {INFINITY, 1}}};
    const char *path = files_path("scaled");
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        check_refused(path, &wrong[i], CJ_USAGE, path, "above zero");
}

static double with_gaps(size_t k, int c)
{
    if (c == 1 && k % 100 == 3)
        return k % 200 == 3 ? NAN : -INFINITY;
    return c == 1 && k == 50 ? 1e30 : files_code(k, c);
}

static double nothing_but_gaps(size_t k, int c)
{
    return c == 0 && k > 14 ? NAN : 0.25;
}

static void samples_that_are_no_numbers_are_gaps(void **state)
{
    (void)state;
    for (int twice = 0; twice < 2; twice++) {
        int coding = twice ? SF_FORMAT_DOUBLE : SF_FORMAT_FLOAT;
        files_sound sound = {SF_FORMAT_WAV | coding, 2, 48000, 20000, with_gaps};
        cj_capture *capture = opened(files_audio("gaps", &sound), NULL);
        const cj_capture_info *info = cj_capture_about(capture);
        assert_int_equal(info->channels[0].gaps, 0);
        assert_int_equal(info->channels[1].gaps, 201);
        assert_true(files_noted(capture, "channel right: 201 samples"));
        assert_false(files_noted(capture, "channel left"));
        static double got[2][20000];
        double *const out[2] = {got[0], got[1]};
        assert_int_equal(cj_capture_read(capture, 0, 20000, out, NULL), CJ_OK);
        for (size_t k = 0; k < 20000; k++) {
            assert_true(got[0][k] == files_code(k, 0));
            assert_int_equal(isnan(got[1][k]) != 0, k % 100 == 3 || k == 50);
        }
        cj_capture_free(capture);
    }
    files_sound empty = {SF_FORMAT_WAV | SF_FORMAT_FLOAT, 2, 48000, 1000, nothing_but_gaps};
    check_refused(files_audio("gaps", &empty), NULL, CJ_DATA, NULL, "15 numbers");
}

/* ---- damage ---- */

static void cut_off_files_are_refused(void **state)
{
    (void)state;
    static const struct {
        const char *label;
        int format;
        bool counted; /* the message gives the exact number of bytes missing */
    } cases[] = {
        {"wav", SF_FORMAT_WAV | SF_FORMAT_PCM_24, true},
        {"wavex", SF_FORMAT_WAVEX | SF_FORMAT_PCM_24, true},
        {"wav-big-endian", SF_FORMAT_WAV | SF_FORMAT_PCM_16 | SF_ENDIAN_BIG, true},
        {"rf64", SF_FORMAT_RF64 | SF_FORMAT_PCM_24, true},
        {"w64", SF_FORMAT_W64 | SF_FORMAT_PCM_24, true},
        {"aiff", SF_FORMAT_AIFF | SF_FORMAT_PCM_24, true},
        {"aiff-float", SF_FORMAT_AIFF | SF_FORMAT_FLOAT, true},
        {"caf", SF_FORMAT_CAF | SF_FORMAT_PCM_24, true},
        {"au", SF_FORMAT_AU | SF_FORMAT_PCM_24, true},
        {"flac", SF_FORMAT_FLAC | SF_FORMAT_PCM_24, false},
        {"vorbis", SF_FORMAT_OGG | SF_FORMAT_VORBIS, false},
        {"opus", SF_FORMAT_OGG | SF_FORMAT_OPUS, false},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        files_sound sound = {cases[i].format, 2, 48000, 9600, files_sine};
        size_t size = 0;
        unsigned char *bytes = files_load(files_audio("whole", &sound), &size);
        const size_t lost[] = {2, 100, 1001, size / 2, size - 200};
        for (size_t j = 0; j < sizeof lost / sizeof lost[0]; j++) {
            char part[64] = "";
            if (cases[i].counted && j < 4)
                snprintf(part, sizeof part, "promise %zu bytes more than the %zu", lost[j],
                         size - lost[j]);
            check_refused(files_bytes("cut", bytes, size - lost[j]), NULL, CJ_DATA, NULL, part);
        }
        free(bytes);
    }
}

/* Cut between two pages, an Ogg stream is a shorter one but for the flag in its last page. */
static void an_ogg_stream_needs_its_end(void **state)
{
    (void)state;
    files_sound sound = {SF_FORMAT_OGG | SF_FORMAT_VORBIS, 2, 48000, 96000, files_code};
    size_t size = 0, pages = 0;
    unsigned char *bytes = files_load(files_audio("whole", &sound), &size);
    for (size_t at = 1; at + 4 <= size; at++)
        if (memcmp(bytes + at, "OggS", 4) == 0) {
            check_refused(files_bytes("cut", bytes, at), NULL, CJ_DATA, NULL, "the page that ends");
            pages++;
        }
    assert_true(pages >= 3);
    free(bytes);
}

/* One bit off in the middle: what lies before it still reads, before and after it was run into. */
static void damage_inside_is_told(void **state)
{
    (void)state;
    enum { ALL = 60000 };
    files_sound sound = {SF_FORMAT_FLAC | SF_FORMAT_PCM_16, 2, 48000, ALL, files_code};
    size_t size = 0;
    unsigned char *bytes = files_load(files_audio("whole", &sound), &size);
    bytes[size / 2] ^= 1;
    cj_capture *capture = opened(files_bytes("bit.flac", bytes, size), NULL);
    free(bytes);
    static double got[2][ALL];
    double *const out[2] = {got[0], got[1]};
    for (int again = 0; again < 2; again++) {
        assert_int_equal(cj_capture_read(capture, 0, 1000, out, NULL), CJ_OK);
        for (size_t k = 0; k < 1000; k++)
            check_close("before the damage", got[1][k], files_code(k, 1), 0);
        cj_error err = {0};
        assert_int_equal(cj_capture_read(capture, 0, ALL, out, &err), CJ_DATA);
        check_holds("bit.flac", err.message, "of 60000 cannot be read");
    }
    cj_capture_free(capture);
}

static void put32(unsigned char *bytes, size_t at, uint32_t value)
{
    for (int i = 0; i < 4; i++)
        bytes[at + (size_t)i] = (unsigned char)(value >> (8 * i));
}

/* The header libsndfile writes: RIFF size at 4, channels at 22, rate at 24, data size at 40. */
static void headers_that_lie_are_refused(void **state)
{
    (void)state;
    files_sound sound = {SF_FORMAT_WAV | SF_FORMAT_PCM_16, 2, 48000, 1000, files_code};
    size_t size = 0;
    unsigned char *whole = files_load(files_audio("honest", &sound), &size);
    assert_memory_equal(whole + 36, "data", 4);
    static const struct {
        size_t at[2];
        uint32_t value[2];
        const char *part;
    } cases[] = {
        {{40, 40}, {0x60000000, 0x60000000}, "promise 1610608736 bytes more"},
        {{40, 40}, {0xffffffff, 0xffffffff}, "no length"},
        {{4, 40}, {0xffffffff, 0xffffffff}, "no length"},
        {{4, 40}, {0, 0}, "no length"},
        {{4, 4}, {5000, 5000}, "promise 964 bytes more"},
        {{24, 24}, {0, 0}, "sampling rate"},
        {{24, 24}, {0xffffffff, 0xffffffff}, ""},
        {{22, 22}, {0x00100000, 0x00100000}, ""}, /* no channel */
        {{22, 22}, {0x0010ffff, 0x0010ffff}, ""},
        {{16, 16}, {0xfffffff0, 0xfffffff0}, "promise"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        unsigned char *bytes = malloc(size);
        assert_non_null(bytes);
        memcpy(bytes, whole, size);
        if (cases[i].at[0] == 22) /* only two bytes are meant: the rate behind them stays */
            memcpy(bytes + 22, &(uint16_t){(uint16_t)cases[i].value[0]}, 2);
        else
            for (int k = 0; k < 2; k++)
                put32(bytes, cases[i].at[k], cases[i].value[k]);
        check_refused(files_bytes("liar", bytes, size), NULL, CJ_DATA, NULL, cases[i].part);
        free(bytes);
    }
    put32(whole, 40, 0);
    put32(whole, 4, 36);
    check_refused(files_bytes("liar", whole, 44), NULL, CJ_DATA, NULL, "holds 0 samples");
    free(whole);
}

/* Slips of writers that lose no sample: the outer size counts its own header, or stops short of
 * what follows. */
static void harmless_slips_are_taken(void **state)
{
    (void)state;
    files_sound sound = {SF_FORMAT_WAV | SF_FORMAT_PCM_16, 2, 48000, 1000, files_code};
    size_t size = 0;
    unsigned char *bytes = files_load(files_audio("slip", &sound), &size);
    unsigned char longer[5000] = {0};
    memcpy(longer, bytes, size);
    free(bytes);
    static const struct {
        size_t counted,
            behind; /* what the outer size counts of the header; bytes behind the last chunk */
    } cases[] = {{0, 0}, {8, 0}, {0, 100}};
    for (size_t i = 0; i < 3; i++) {
        put32(longer, 4, (uint32_t)(size - 8 + cases[i].counted));
        memset(longer + size, 0xa5, cases[i].behind); /* no chunk, and outside the outer one */
        cj_capture *capture = opened(files_bytes("slip", longer, size + cases[i].behind), NULL);
        assert_int_equal(cj_capture_about(capture)->samples, 1000);
        check_samples("slip", capture, files_code, 1, 0);
        cj_capture_free(capture);
    }
}

static void too_few_samples_are_refused(void **state)
{
    (void)state;
    for (size_t n = 0; n < 20; n++) {
        files_sound sound = {SF_FORMAT_AIFF | SF_FORMAT_PCM_16, 2, 48000, n, files_code};
        const char *path = files_audio("few", &sound);
        cj_capture *capture = NULL;
        if (n < 16) {
            check_refused(path, NULL, CJ_DATA, path, "at least 16");
            continue;
        }
        capture = opened(path, NULL);
        assert_int_equal(cj_capture_about(capture)->samples, n);
        cj_capture_free(capture);
    }
}

/* Whatever stands in the header: an answer or one refusal, and what is answered can be read or says
 * why not. */
static void broken_headers_do_no_harm(void **state)
{
    (void)state;
    static const unsigned char values[] = {0x00, 0x01, 0x7f, 0x80, 0xff};
    static double got[2][4096];
    size_t opened = 0, refused = 0;
    for (size_t i = 0; i < LOSSLESS; i += 3) {
        files_sound sound = {lossless[i].format, 2, 48000, 300, files_code};
        size_t size = 0;
        unsigned char *bytes = files_load(files_audio("whole", &sound), &size);
        for (size_t at = 0; at < size && at < 128; at++)
            for (size_t v = 0; v < sizeof values; v++) {
                unsigned char kept = bytes[at];
                bytes[at] = values[v];
                cj_capture *capture = NULL;
                cj_error err = {0};
                cj_status status =
                    cj_capture_open(files_bytes("broken", bytes, size), NULL, &capture, &err);
                if (status == CJ_OK) {
                    size_t samples = cj_capture_about(capture)->samples;
                    status = cj_capture_read(capture, 0, samples < 4096 ? samples : 4096,
                                             (double *const[2]){got[0], got[1]}, &err);
                }
                cj_capture_free(capture);
                opened += status == CJ_OK;
                refused += status == CJ_DATA;
                if (status != CJ_OK && (status != CJ_DATA || err.message[0] == '\0'))
                    fail_msg("%s: byte %zu as %d: status %d", lossless[i].label, at, values[v],
                             (int)status);
                bytes[at] = kept;
            }
        free(bytes);
    }
    assert_true(opened > 0 && refused > 0);
}

/* ---- memory ---- */

static void memory_may_run_out(void **state)
{
    (void)state;
    static const int formats[] = {
        SF_FORMAT_WAV | SF_FORMAT_PCM_24, SF_FORMAT_AIFF | SF_FORMAT_FLOAT,
        SF_FORMAT_FLAC | SF_FORMAT_PCM_16, SF_FORMAT_OGG | SF_FORMAT_VORBIS};
    for (size_t i = 0; i < sizeof formats / sizeof formats[0]; i++) {
        files_sound sound = {formats[i], 3, 48000, 1000, with_gaps};
        if (i > 1)
            sound.value = files_sine;
        const char *path = files_audio("memory", &sound);
        assert_non_null(path);
        assert_true(failing_each("audio", files_use, (void *)path) >= 8);
    }
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(lossless_formats_read_exactly),
        cmocka_unit_test(lossy_formats_say_so),
        cmocka_unit_test(any_order_reads_the_same),
        cmocka_unit_test(channels_are_picked),
        cmocka_unit_test(full_scale_and_probes_make_volts),
        cmocka_unit_test(samples_that_are_no_numbers_are_gaps),
        cmocka_unit_test(cut_off_files_are_refused),
        cmocka_unit_test(an_ogg_stream_needs_its_end),
        cmocka_unit_test(damage_inside_is_told),
        cmocka_unit_test(headers_that_lie_are_refused),
        cmocka_unit_test(harmless_slips_are_taken),
        cmocka_unit_test(too_few_samples_are_refused),
        cmocka_unit_test(broken_headers_do_no_harm),
        cmocka_unit_test(memory_may_run_out),
    };
    return cmocka_run_group_tests_name("capture: audio", tests, files_begin, files_end);
}
