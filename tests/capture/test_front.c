/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The way in: what is refused before a reader sees it, standard input, two files as one, digests.
 */
#include "check.h"
#include "failing.h"
#include "files.h"

#include "coldjoint/capture.h"

#include <fcntl.h>
#include <sndfile.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#define WAV24 (SF_FORMAT_WAV | SF_FORMAT_PCM_24)

/* ---- what is no capture ---- */

static void what_is_not_there_is_no_input(void **state)
{
    (void)state;
    const char *missing = files_path("missing.wav");
    check_refused(missing, NULL, CJ_NOINPUT, missing, "no such file");
    check_refused("", NULL, CJ_NOINPUT, "", "no such file");
    const char *file = files_text("plain", "x\n");
    char below[2048], name[5000];
    snprintf(below, sizeof below, "%s/deeper", file);
    check_refused(below, NULL, CJ_NOINPUT, below, "no such file");
    memset(name, 'n', sizeof name);
    name[sizeof name - 1] = '\0';
    check_refused(name, NULL, CJ_NOINPUT, NULL, "no such file");
    const char *loop = files_path("loop");
    assert_int_equal(symlink(loop, loop), 0);
    check_refused(loop, NULL, CJ_NOINPUT, loop, "no such file");
    const char *dangling = files_path("dangling");
    assert_int_equal(symlink(missing, dangling), 0);
    check_refused(dangling, NULL, CJ_NOINPUT, dangling, "no such file");
}

static void what_is_no_file_is_bad_data(void **state)
{
    (void)state;
    const char *folder = files_path("folder.wav");
    assert_int_equal(mkdir(folder, 0700), 0);
    check_refused(folder, NULL, CJ_DATA, folder, "a directory");
    check_refused("/dev/null", NULL, CJ_DATA, "/dev/null", "not a regular file");
    check_refused("/dev/zero", NULL, CJ_DATA, "/dev/zero", "not a regular file");
    const char *pipe = files_path("pipe");
    assert_int_equal(mkfifo(pipe, 0600), 0);
    check_refused(pipe, NULL, CJ_DATA, pipe,
                  "nothing came through"); /* and does not wait for a writer */
    const char *empty = files_text("empty.csv", "");
    check_refused(empty, NULL, CJ_DATA, empty, "an empty file");
}

static void what_may_not_be_read_says_so(void **state)
{
    (void)state;
    files_sound sound = {WAV24, 2, 48000, 100, files_code};
    const char *path = files_audio("secret.wav", &sound);
    assert_int_equal(chmod(path, 0), 0);
    assert_int_equal(chmod(files_path(""), 0711), 0);
    uid_t self = geteuid();
    if (self == 0) /* the administrator may read anything: look with a stranger's eyes */
        assert_int_equal(seteuid(65534), 0);
    cj_error err = {0};
    cj_capture *capture = NULL;
    cj_status status = cj_capture_open(path, NULL, &capture, &err);
    assert_int_equal(seteuid(self), 0);
    assert_int_equal(status, CJ_NOINPUT);
    check_holds("secret", err.message, "permission denied");
}

/* Random bytes are no sound and no table, whatever they are called. Seeds 1 to 40, all of them. */
static void random_bytes_are_refused(void **state)
{
    (void)state;
    static const char *const suffixes[] = {"gsm",  "vox", "au",  "raw", "wav",
                                           "flac", "mp3", "csv", "sd2", "ogg"};
    for (uint64_t seed = 1; seed <= 40; seed++)
        for (size_t i = 0; i < sizeof suffixes / sizeof suffixes[0]; i++) {
            unsigned char bytes[6000];
            uint64_t x = seed * 0x9e3779b97f4a7c15u + i;
            for (size_t k = 0; k < sizeof bytes; k++) { /* xorshift64, Marsaglia 2003 */
                x ^= x << 13;
                x ^= x >> 7;
                x ^= x << 17;
                bytes[k] = (unsigned char)(x >> 32);
            }
            char name[32];
            snprintf(name, sizeof name, "random.%s", suffixes[i]);
            const char *path = files_bytes(name, bytes, sizeof bytes);
            check_refused(path, NULL, CJ_DATA, path, "binary");
        }
}

/* The first bytes of a format and nonsense behind them; another kind of file; audio with a wrong
 * name. */
static void content_decides_not_the_name(void **state)
{
    (void)state;
    static const struct {
        const char *bytes;
        size_t size;
        const char *part;
    } cases[] = {
        {"RIFF\x10\0\0\0WAVE", 12, "cut off"},
        {"RIFF\x04\0\0\0WAVE", 12, "damaged"},
        {"FORM\0\0\0\4AIFF", 12, "damaged"},
        {"fLaC", 4, "damaged"},
        {"OggS", 4, "cut off"},
        {"caff\0\1\0\0", 8, "damaged"},
        {".snd\0\0\0\x18\0\0\0\x10", 12, "promise 28 bytes more"},
        {"\xff\xfb\x90\0", 4, "too short"},
        {"ID3\4\0\0\0\0\0\x10", 10, "promise 16 bytes more"},
        {"\x7f"
         "ELF\2\1\1\0\0\0\0\0\0\0\0\0",
         16, "binary"},
        {"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0", 18, "binary"},
        {"PK\3\4\x14\0\0\0\b\0", 10, "binary"},
        {"hello, bench\n", 13, ""},
        {"\n", 1, ""},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const char *path = files_bytes("capture.wav", cases[i].bytes, cases[i].size);
        check_refused(path, NULL, CJ_DATA, path, cases[i].part);
    }
    files_sound sound = {SF_FORMAT_FLAC | SF_FORMAT_PCM_24, 2, 48000, 100, files_code};
    cj_capture *capture = opened(files_audio("flac.csv", &sound), NULL);
    assert_int_equal(cj_capture_about(capture)->kind, CJ_KIND_AUDIO);
    cj_capture_free(capture);
    files_csv csv = {2, 1e6, 0, 100, files_ramp};
    capture = opened(files_scope("scope.wav", &csv), NULL);
    assert_int_equal(cj_capture_about(capture)->kind, CJ_KIND_SCOPE);
    cj_capture_free(capture);
}

static void check_ramp(cj_capture *capture, size_t first, double tolerance)
{
    const cj_capture_info *info = cj_capture_about(capture);
    static double got[2][4096];
    assert_true(info->samples <= 4096);
    double *const out[2] = {got[0], got[1]};
    assert_int_equal(cj_capture_read(capture, 0, info->samples, out, NULL), CJ_OK);
    for (int k = 0; k < info->selected_count; k++)
        for (size_t i = 0; i < info->samples; i++)
            check_close("ramp", got[k][i], files_ramp(first + i, info->selected[k]), tolerance);
}

static void a_scope_file_comes_through(void **state)
{
    (void)state;
    files_csv csv = {3, 1e6, -2e-3, 4000, files_ramp};
    cj_capture *capture = opened(files_scope("scope.csv", &csv), NULL);
    const cj_capture_info *info = cj_capture_about(capture);
    assert_int_equal(info->kind, CJ_KIND_SCOPE);
    assert_int_equal(info->coupling, CJ_COUPLING_DC);
    assert_int_equal(info->file_count, 1);
    assert_int_equal(info->samples, 4000);
    assert_int_equal(info->bits, 0);
    assert_int_equal(info->channel_count, 3);
    assert_int_equal(info->selected_count, 2);
    assert_true(info->notes->count > 0);
    check_ratio("rate", info->rate_hz, 1e6, 1e-6);
    check_close("start", info->start_s, -2e-3, 1e-9);
    check_ramp(capture, 0, 0);
    double one = 0;
    assert_int_equal(cj_capture_read(capture, 3999, 1, (double *const[2]){&one, NULL}, NULL),
                     CJ_OK);
    check_close("last", one, files_ramp(3999, 0), 0);
    assert_int_equal(cj_capture_read(capture, 4000, 1, (double *const[2]){&one, NULL}, NULL),
                     CJ_BUG);
    cj_capture_free(capture);

    cj_capture_options ac = {.coupling = CJ_COUPLING_AC, .channels = {3, 1}};
    capture = opened(files_path("scope.csv"), &ac);
    assert_int_equal(cj_capture_about(capture)->coupling, CJ_COUPLING_AC);
    assert_int_equal(cj_capture_about(capture)->selected[0], 2);
    check_ramp(capture, 0, 0);
    cj_capture_free(capture);
    check_refused(files_path("scope.csv"), &(cj_capture_options){.channels = {4, 1}}, CJ_USAGE,
                  NULL, "");
}

/* ---- standard input ---- */

/* The bytes of a capture, asked for in odd pieces, are those of the file. */
static void check_bytes(const cj_capture *capture, const char *path)
{
    size_t size = 0, got = 1;
    unsigned char *whole = files_load(path, &size), piece[777];
    assert_int_equal(cj_capture_size(capture, 0), size);
    for (size_t at = 0; at < size; at += got) {
        assert_int_equal(cj_capture_bytes(capture, 0, at, piece, sizeof piece, &got, NULL), CJ_OK);
        assert_in_range(got, 1, sizeof piece);
        assert_memory_equal(piece, whole + at, got);
    }
    assert_int_equal(cj_capture_bytes(capture, 0, size, piece, sizeof piece, &got, NULL), CJ_OK);
    assert_int_equal(got, 0);
    free(whole);
}

/* Every sample through the pipe is the one in the file; so is the digest. */
static void check_pipe(const char *path)
{
    pid_t writer = 0;
    int old = files_feed(path, &writer);
    cj_capture *piped = opened("-", NULL), *direct = opened(path, NULL);
    files_unfeed(old, writer);
    const cj_capture_info *p = cj_capture_about(piped), *d = cj_capture_about(direct);
    assert_string_equal(p->name, "-");
    assert_int_equal(p->kind, d->kind);
    assert_int_equal(p->samples, d->samples);
    assert_true(p->rate_hz == d->rate_hz);
    static double got[2][2][5000];
    assert_in_range(p->samples, 16, 5000);
    assert_int_equal(
        cj_capture_read(piped, 0, p->samples, (double *const[2]){got[0][0], got[0][1]}, NULL),
        CJ_OK);
    assert_int_equal(
        cj_capture_read(direct, 0, p->samples, (double *const[2]){got[1][0], got[1][1]}, NULL),
        CJ_OK);
    for (int k = 0; k < p->selected_count; k++)
        assert_memory_equal(got[0][k], got[1][k], p->samples * sizeof(double));
    char hex[2][65];
    assert_int_equal(cj_capture_digest(piped, 0, hex[0], NULL), CJ_OK);
    assert_int_equal(cj_capture_digest(direct, 0, hex[1], NULL), CJ_OK);
    assert_string_equal(hex[0], hex[1]);
    assert_string_equal(cj_capture_file(piped, 0), "-");
    assert_int_equal(cj_capture_size(piped, 0), cj_capture_size(direct, 0));
    check_bytes(piped, path);
    cj_capture_free(piped);
    cj_capture_free(direct);
}

static void standard_input_reads_as_the_file_does(void **state)
{
    (void)state;
    static const int formats[] = {WAV24,
                                  SF_FORMAT_FLAC | SF_FORMAT_PCM_24,
                                  SF_FORMAT_CAF | SF_FORMAT_PCM_24,
                                  SF_FORMAT_W64 | SF_FORMAT_PCM_24,
                                  SF_FORMAT_RF64 | SF_FORMAT_PCM_24,
                                  SF_FORMAT_AIFF | SF_FORMAT_FLOAT,
                                  SF_FORMAT_OGG | SF_FORMAT_VORBIS};
    for (size_t i = 0; i < sizeof formats / sizeof formats[0]; i++) {
        files_sound sound = {formats[i], 2, 48000, 4800, files_sine};
        check_pipe(files_audio("through", &sound));
    }
    files_csv csv = {2, 1e6, 0, 3000, files_ramp};
    check_pipe(files_scope("through", &csv));
}

/* Programs that write WAV to a pipe cannot go back for the length: as a stream it is taken, as a
 * file not. */
static void streamed_wav_has_no_length(void **state)
{
    (void)state;
    files_sound sound = {SF_FORMAT_WAV | SF_FORMAT_PCM_16, 2, 48000, 1000, files_code};
    size_t size = 0;
    unsigned char *bytes = files_load(files_audio("stream", &sound), &size);
    memset(bytes + 4, 0xff, 4);
    memset(bytes + 40, 0xff, 4);
    const char *path = files_bytes("stream", bytes, size);
    free(bytes);
    check_refused(path, NULL, CJ_DATA, path, "no length");
    pid_t writer = 0;
    int old = files_feed(path, &writer);
    cj_capture *capture = opened("-", NULL);
    files_unfeed(old, writer);
    assert_int_equal(cj_capture_about(capture)->samples, 1000);
    assert_true(files_noted(capture, "no length"));
    double got[1000];
    assert_int_equal(cj_capture_read(capture, 0, 1000, (double *const[2]){NULL, got}, NULL), CJ_OK);
    for (size_t k = 0; k < 1000; k++)
        assert_true(got[k] == files_code(k, 1));
    cj_capture_free(capture);
}

static void refuse_fed(const char *path, cj_status status, const char *part)
{
    pid_t writer = 0;
    int old = files_feed(path, &writer);
    cj_error err = {0};
    cj_capture *capture = NULL;
    cj_status got = cj_capture_open("-", NULL, &capture, &err);
    files_unfeed(old, writer);
    assert_int_equal(got, status);
    assert_string_equal(err.file, "-");
    check_holds("fed", err.message, part);
}

static void bad_standard_input_is_refused(void **state)
{
    (void)state;
    refuse_fed(files_text("fed", ""), CJ_DATA, "nothing came through");
    refuse_fed(files_bytes("fed",
                           "\x7f"
                           "ELF\1\2\3\4\5\6\7",
                           11),
               CJ_DATA, "binary");
    files_sound sound = {WAV24, 2, 48000, 480, files_code};
    size_t size = 0;
    unsigned char *bytes = files_load(files_audio("fed", &sound), &size);
    refuse_fed(files_bytes("fed", bytes, size - 100), CJ_DATA, "promise 100 bytes more");
    free(bytes);
    char *kept = getenv("TMPDIR") ? strdup(getenv("TMPDIR")) : NULL;
    setenv("TMPDIR", files_path("no such folder"), 1);
    refuse_fed(files_text("fed", "1,2\n"), CJ_IO, "TMPDIR");
    kept ? setenv("TMPDIR", kept, 1) : unsetenv("TMPDIR");
    free(kept);
    int old = dup(STDIN_FILENO);
    close(STDIN_FILENO);
    check_refused("-", NULL, CJ_IO, "-", "reading failed");
    assert_int_equal(dup2(old, STDIN_FILENO), STDIN_FILENO);
    close(old);
}

/* ---- digests ---- */

/* Against the tool of the system, at sizes about the block of the digest and of the hash. */
static void digests_are_sha256(void **state)
{
    (void)state;
    static const size_t samples[] = {16, 17, 5461, 10916, 10923, 30000};
    for (size_t i = 0; i < sizeof samples / sizeof samples[0]; i++) {
        files_sound sound = {WAV24, 2, 48000, samples[i], files_code};
        const char *path = files_audio("digest", &sound);
        char command[1200], want[65] = "", got[65];
        snprintf(command, sizeof command, "sha256sum '%s'", path);
        FILE *tool = popen(command, "r");
        assert_non_null(tool);
        assert_non_null(fgets(want, sizeof want, tool));
        pclose(tool);
        cj_capture *capture = opened(path, NULL);
        double block[16];
        for (int again = 0; again < 2; again++) { /* between reads, which it must not disturb */
            assert_int_equal(cj_capture_read(capture, 8u * (unsigned)again, 8,
                                             (double *const[2]){block + 8 * again, NULL}, NULL),
                             CJ_OK);
            memset(got, 0, sizeof got);
            assert_int_equal(cj_capture_digest(capture, 0, got, NULL), CJ_OK);
            assert_string_equal(got, want);
        }
        for (size_t k = 0; k < 16; k++)
            assert_true(block[k] == files_code(k, 0));
        assert_int_equal(cj_capture_digest(capture, 1, got, NULL), CJ_USAGE);
        assert_int_equal(cj_capture_digest(capture, -1, got, NULL), CJ_USAGE);
        cj_capture_free(capture);
    }
}

/* ---- memory ---- */

/* Standard input from a file, so that it can be had again and again. */
static cj_status use_standard_input(void *path, cj_error *err)
{
    int old = dup(STDIN_FILENO), file = open(path, O_RDONLY);
    dup2(file, STDIN_FILENO);
    close(file);
    char name[] = "-";
    cj_status status = files_use(name, err);
    dup2(old, STDIN_FILENO);
    close(old);
    return status;
}

static void memory_may_run_out(void **state)
{
    (void)state;
    files_csv csv = {2, 1e6, 0, 100, files_ramp};
    files_sound sound = {WAV24, 2, 48000, 100, files_code};
    char *scope = strdup(files_scope("memory.csv", &csv)),
         *wav = strdup(files_audio("memory.wav", &sound));
    failing_each("scope", files_use, scope);
    failing_each("scope through standard input", use_standard_input, scope);
    failing_each("audio through standard input", use_standard_input, wav);
    free(scope);
    free(wav);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_not_there_is_no_input),
        cmocka_unit_test(what_is_no_file_is_bad_data),
        cmocka_unit_test(what_may_not_be_read_says_so),
        cmocka_unit_test(random_bytes_are_refused),
        cmocka_unit_test(content_decides_not_the_name),
        cmocka_unit_test(a_scope_file_comes_through),
        cmocka_unit_test(standard_input_reads_as_the_file_does),
        cmocka_unit_test(streamed_wav_has_no_length),
        cmocka_unit_test(bad_standard_input_is_refused),
        cmocka_unit_test(digests_are_sha256),
        cmocka_unit_test(memory_may_run_out),
    };
    return cmocka_run_group_tests_name("capture: the way in", tests, files_begin, files_end);
}
