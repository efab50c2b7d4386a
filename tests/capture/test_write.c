/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_write.c - audio files that are written: what comes back, and what is left where writing
 * fails. */
#include "check.h"
#include "failing.h"
#include "files.h"

#include <dirent.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

enum { SAMPLES = 100000 };

typedef struct signal_source {
    size_t at, fails_at; /* fails_at 0: never */
    double level, hz;    /* cycles a sample; 0: a constant */
} signal_source;

static double value_at(const signal_source *of, size_t n)
{
    return of->hz > 0 ? of->level * sin(6.283185307179586 * fmod(of->hz * (double)n, 1))
                      : of->level;
}

static cj_status next(void *user, size_t count, double *out, cj_error *err)
{
    signal_source *of = user;
    for (size_t i = 0; i < count; i++, of->at++)
        out[i] = value_at(of, of->at);
    if (of->fails_at > 0 && of->at >= of->fails_at)
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "the source ran dry");
    return CJ_OK;
}

static cj_status write_it(const char *path, const cj_audio_format *format, signal_source source,
                          size_t samples, cj_error *err)
{
    return cj_audio_write(path, format, samples, next, &source, err);
}

static double *read_back(const char *path, size_t *n)
{
    cj_error err = {0};
    cj_capture *capture = NULL;
    if (cj_capture_open(path, &(cj_capture_options){0}, &capture, &err) != CJ_OK)
        fail_msg("%s: %s", path, err.message);
    *n = cj_capture_about(capture)->samples;
    double *x = malloc(*n * sizeof *x);
    assert_non_null(x);
    assert_int_equal(cj_capture_read(capture, 0, *n, (double *[2]){x, NULL}, &err), CJ_OK);
    cj_capture_free(capture);
    return x;
}

static size_t files_in(const char *path)
{
    char folder[512];
    snprintf(folder, sizeof folder, "%s", path);
    *strrchr(folder, '/') = '\0';
    size_t count = 0;
    DIR *open = opendir(folder);
    assert_non_null(open);
    for (struct dirent *entry; (entry = readdir(open)) != NULL;)
        count += entry->d_name[0] != '.' || strlen(entry->d_name) > 2;
    closedir(open);
    return count;
}

/* Every kind and depth comes back within half a step, with dither within a step and a half. */
static void comes_back(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        int bits;
    } cases[] = {{"a.wav", 16},  {"b.wav", 24}, {"c.wav", 0},  {"d.flac", 16}, {"e.flac", 24},
                 {"f.aiff", 16}, {"g.aif", 24}, {"h.aiff", 0}, {"i.WAV", 24}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++)
        for (int dither = 0; dither < 2; dither++) {
            cj_error err = {0};
            size_t n;
            cj_audio_format format = {
                .rate_hz = 44100, .bits = cases[i].bits, .full_scale = 5, .dither = dither};
            signal_source source = {.level = 4, .hz = 0.0123};
            const char *path = files_path(cases[i].name);
            if (write_it(path, &format, source, SAMPLES, &err) != CJ_OK)
                fail_msg("%s: %s", cases[i].name, err.message);
            double *x = read_back(path, &n);
            double step = cases[i].bits ? ldexp(1, 1 - cases[i].bits) : ldexp(1, -24);
            assert_int_equal(n, SAMPLES);
            for (size_t k = 0; k < n; k++)
                check_close(cases[i].name, x[k], value_at(&source, k) / 5,
                            (dither ? 1.5 : 0.501) * step);
            free(x);
            assert_int_equal(unlink(path), 0);
        }
}

/* Amplitude at f over whole periods. */
static double line_of(const double *x, size_t n, double f)
{
    double re = 0, im = 0;
    for (size_t i = 0; i < n; i++) {
        double angle = 6.283185307179586 * fmod(f * (double)i, 1);
        re += x[i] * cos(angle);
        im += x[i] * sin(angle);
    }
    return 2 * hypot(re, im) / (double)n;
}

/* A tone of a step and a third: rounded, its third harmonic is large; dithered, it is in the noise,
 * and the error has the mean square of TPDF and rounding together, a quarter of a step squared,
 * whatever the signal. */
static void dither_is_noise(void **state)
{
    (void)state;
    const double step = ldexp(1, -15);
    double third[2], square[2];
    for (int dither = 0; dither < 2; dither++) {
        size_t n;
        cj_audio_format format = {.rate_hz = 48000, .bits = 16, .dither = dither, .seed = 3};
        signal_source source = {.level = 1.333 * step, .hz = 0.01};
        const char *path = files_path("dither.wav");
        assert_int_equal(write_it(path, &format, source, SAMPLES, NULL), CJ_OK);
        double *x = read_back(path, &n), sum = 0;
        for (size_t k = 0; k < n; k++)
            sum += pow(x[k] - value_at(&source, k), 2);
        square[dither] = sum / (double)n / step / step;
        third[dither] = line_of(x, n, 0.03) / step;
        if (dither)
            check_close("tone, steps", line_of(x, n, 0.01) / step, 1.333,
                        5 * 0.5 * sqrt(2.0 / SAMPLES));
        free(x);
    }
    assert_true(third[0] > 0.1);
    /* a line of noise of 1/4: standard deviation of each part sqrt(2 / n) / 2 */
    assert_true(third[1] < 5 * 0.5 * sqrt(2.0 / SAMPLES));
    check_close("mean square, steps", square[1], 0.25, 0.25 * 5 * sqrt(2.0 / SAMPLES));
    assert_true(square[0] < 0.2);
    /* a third of a step is a third of a step in the mean */
    for (int dither = 0; dither < 2; dither++) {
        size_t n;
        cj_audio_format format = {.rate_hz = 48000, .bits = 16, .dither = dither};
        assert_int_equal(write_it(files_path("dither.wav"), &format,
                                  (signal_source){.level = step / 3}, SAMPLES, NULL),
                         CJ_OK);
        double *x = read_back(files_path("dither.wav"), &n), sum = 0;
        for (size_t k = 0; k < n; k++)
            sum += x[k] / step / (double)n;
        check_close("mean, steps", sum, dither ? 1.0 / 3 : 0, dither ? 5 * 0.5 / sqrt(SAMPLES) : 0);
        free(x);
    }
    unlink(files_path("dither.wav"));
}

static void held_at_full_scale(void **state)
{
    (void)state;
    size_t n;
    cj_audio_format format = {.rate_hz = 48000, .bits = 16, .dither = true};
    assert_int_equal(write_it(files_path("top.wav"), &format,
                              (signal_source){.level = 1.5, .hz = 0.01}, 1000, NULL),
                     CJ_OK);
    double *x = read_back(files_path("top.wav"), &n), most = 0, least = 0;
    for (size_t k = 0; k < n; k++)
        most = fmax(most, x[k]), least = fmin(least, x[k]);
    check_close("top", most, 1 - ldexp(1, -15), 0);
    check_close("bottom", least, -1, 0);
    free(x);
    unlink(files_path("top.wav"));
}

/* The same signal is the same file, byte for byte. */
static void reproducible(void **state)
{
    (void)state;
    static const char *const endings[] = {"x.wav", "x.flac", "x.aiff"};
    for (int i = 0; i < 3; i++) {
        size_t one_size, other_size;
        cj_audio_format format = {
            .rate_hz = 48000, .bits = i == 1 ? 24 : 0, .dither = i == 1, .seed = 5};
        signal_source source = {.level = 0.5, .hz = 0.0123};
        const char *path = files_path(endings[i]);
        assert_int_equal(write_it(path, &format, source, SAMPLES, NULL), CJ_OK);
        unsigned char *one = files_load(path, &one_size);
        sleep(i == 0 ? 1 : 0); /* a time of day in the file would show */
        assert_int_equal(write_it(path, &format, source, SAMPLES, NULL), CJ_OK);
        unsigned char *other = files_load(path, &other_size);
        assert_int_equal(one_size, other_size);
        assert_memory_equal(one, other, one_size);
        free(one), free(other);
        unlink(path);
    }
}

static void refusals(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        cj_audio_format format;
        size_t samples;
        cj_status status;
        const char *says;
    } cases[] = {
        {"x", {.rate_hz = 48000, .bits = 16}, 10, CJ_USAGE, ".wav, .flac or .aiff"},
        {"x.mp3", {.rate_hz = 48000, .bits = 16}, 10, CJ_USAGE, ".wav, .flac or .aiff"},
        {"x.wav/y", {.rate_hz = 48000, .bits = 16}, 10, CJ_USAGE, ".wav, .flac or .aiff"},
        {"x.wav", {.rate_hz = 48000, .bits = 12}, 10, CJ_USAGE, "12 bits"},
        {"x.flac", {.rate_hz = 48000, .bits = 0}, 10, CJ_USAGE, "no floating point"},
        {"x.wav", {.rate_hz = 0, .bits = 16}, 10, CJ_USAGE, "rate of 0 Hz"},
        {"x.wav", {.rate_hz = 44100.5, .bits = 16}, 10, CJ_USAGE, "whole hertz"},
        {"x.wav", {.rate_hz = NAN, .bits = 16}, 10, CJ_USAGE, "rate of nan"},
        {"x.wav", {.rate_hz = 1e9, .bits = 16}, 10, CJ_USAGE, "655350 at most"},
        {"x.wav", {.rate_hz = 48000, .bits = 24}, (size_t)2e9, CJ_USAGE, "4 GiB"},
        {"no-folder/x.wav",
         {.rate_hz = 48000, .bits = 16},
         10,
         CJ_CANTCREAT,
         "cannot be created: No such"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        cj_error err = {0};
        const char *path = files_path(cases[i].name);
        size_t before = files_in(files_path("x"));
        assert_int_equal(
            write_it(path, &cases[i].format, (signal_source){0}, cases[i].samples, &err),
            cases[i].status);
        check_holds(cases[i].name, err.message, cases[i].says);
        assert_string_equal(err.file, path);
        assert_int_equal(files_in(files_path("x")), before);
    }
}

/* Where there is something else already. */
static void in_the_way(void **state)
{
    (void)state;
    cj_error err = {0};
    size_t n;
    cj_audio_format format = {.rate_hz = 48000, .bits = 16};
    const char *folder = files_path("folder.wav"), *pipe = files_path("pipe.wav"),
               *link = files_path("link.wav"), *real = files_path("real.wav");
    assert_int_equal(mkdir(folder, 0777), 0);
    assert_int_equal(write_it(folder, &format, (signal_source){0}, 10, &err), CJ_CANTCREAT);
    check_holds("folder", err.message, "is a folder");
    assert_int_equal(mkfifo(pipe, 0666), 0);
    assert_int_equal(write_it(pipe, &format, (signal_source){0}, 10, &err), CJ_CANTCREAT);
    check_holds("pipe", err.message, "a device or a pipe");
    /* a link stays one, and a file keeps its mode */
    files_text("real.wav", "what was here before");
    assert_int_equal(chmod(real, 0640), 0);
    assert_int_equal(symlink("real.wav", link), 0);
    assert_int_equal(write_it(link, &format, (signal_source){.level = 0.5}, 100, &err), CJ_OK);
    struct stat about;
    assert_true(lstat(link, &about) == 0 && S_ISLNK(about.st_mode));
    assert_true(stat(real, &about) == 0 && (about.st_mode & 0777) == 0640);
    free(read_back(real, &n));
    assert_int_equal(n, 100);
    /* a new one gets what the umask leaves */
    mode_t mask = umask(027);
    assert_int_equal(
        write_it(files_path("new.wav"), &format, (signal_source){.level = 0.5}, 100, &err), CJ_OK);
    umask(mask);
    assert_true(stat(files_path("new.wav"), &about) == 0 && (about.st_mode & 0777) == 0640);
    rmdir(folder), unlink(pipe), unlink(link), unlink(real), unlink(files_path("new.wav"));
}

static void check_old(const char *path)
{
    size_t size;
    unsigned char *bytes = files_load(path, &size);
    assert_int_equal(size, 20);
    assert_memory_equal(bytes, "what was here before", 20);
    free(bytes);
}

/* The source fails in the middle: nothing is left of it. */
static void source_fails(void **state)
{
    (void)state;
    cj_error err = {0};
    cj_audio_format format = {.rate_hz = 48000, .bits = 16};
    const char *path = files_text("old.wav", "what was here before");
    size_t before = files_in(path);
    signal_source source = {.level = 0.5, .hz = 0.01, .fails_at = 50000};
    assert_int_equal(write_it(path, &format, source, SAMPLES, &err), CJ_DATA);
    check_holds("reason", err.message, "ran dry");
    check_old(path);
    assert_int_equal(files_in(path), before);
    assert_int_equal(write_it(files_path("none.wav"), &format, source, SAMPLES, &err), CJ_DATA);
    assert_int_equal(files_in(path), before);
    /* a sample that is no number */
    source = (signal_source){.level = NAN};
    assert_int_equal(write_it(path, &format, source, SAMPLES, &err), CJ_BUG);
    check_old(path);
    unlink(path);
}

/* A file may not grow past a limit, which fails as a full disk does. */
static void disk_full(void **state)
{
    (void)state;
    static const char *const names[] = {"full.wav", "full.flac", "full.aiff"};
    for (int i = 0; i < 3; i++) {
        const char *path = files_text(names[i], "what was here before");
        size_t before = files_in(path);
        pid_t child = fork();
        assert_true(child >= 0);
        if (child == 0) {
            cj_error err = {0};
            cj_audio_format format = {.rate_hz = 48000, .bits = 24, .dither = true};
            signal(SIGXFSZ, SIG_IGN);
            struct rlimit limit = {60000, 60000};
            bool fine = setrlimit(RLIMIT_FSIZE, &limit) == 0;
            signal_source source = {.level = 0.5, .hz = 0.01};
            fine = fine && write_it(path, &format, source, SAMPLES, &err) == CJ_IO &&
                   strcmp(err.message, "cannot be written: File too large") == 0;
            _exit(fine ? 0 : 1);
        }
        int status;
        assert_int_equal(waitpid(child, &status, 0), child);
        assert_true(WIFEXITED(status) && WEXITSTATUS(status) == 0);
        check_old(path);
        assert_int_equal(files_in(path), before);
        unlink(path);
    }
}

static cj_status write_short(void *user, cj_error *err)
{
    cj_audio_format format = {.rate_hz = 48000, .bits = 24, .dither = true};
    return write_it(user, &format, (signal_source){.level = 0.5}, 100, err);
}

static void memory_out(void **state)
{
    (void)state;
    char path[600];
    snprintf(path, sizeof path, "%s", files_path("memory.wav"));
    size_t before = files_in(path);
    failing_each("writing", write_short, path);
    unlink(path);
    assert_int_equal(files_in(path), before);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(comes_back),         cmocka_unit_test(dither_is_noise),
        cmocka_unit_test(held_at_full_scale), cmocka_unit_test(reproducible),
        cmocka_unit_test(refusals),           cmocka_unit_test(in_the_way),
        cmocka_unit_test(source_fails),       cmocka_unit_test(disk_full),
        cmocka_unit_test(memory_out),
    };
    return cmocka_run_group_tests(tests, files_begin, files_end);
}
