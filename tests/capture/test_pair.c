/* SPDX-License-Identifier: GPL-3.0-or-later */
/* FILE+FILE: two captures of one channel as one of two. */
#include "check.h"
#include "failing.h"
#include "files.h"

#include <sndfile.h>
#include <unistd.h>

#define WAV24 (SF_FORMAT_WAV | SF_FORMAT_PCM_24)

static double second(size_t k, int c)
{
    return files_ramp(k, c + 1); /* what channel 2 of files_ramp is, as the only one of its file */
}

static const char *joined(const char *a, const char *b)
{
    static char name[2100];
    snprintf(name, sizeof name, "%s+%s", a, b);
    return name;
}

static const char *one(const char *name, double start, size_t samples, files_signal *value)
{
    files_csv csv = {1, 1e6, start, samples, value};
    return files_scope(name, &csv);
}

static double late(size_t k, int c)
{
    return second(k + 10, c);
}

/* Both channels are those of files_ramp. */
static void check_ramp(cj_capture *capture)
{
    size_t samples = cj_capture_about(capture)->samples;
    static double got[2][1000];
    assert_in_range(samples, 16, 1000);
    assert_int_equal(cj_capture_read(capture, 0, samples, (double *const[2]){got[0], got[1]}, NULL),
                     CJ_OK);
    for (int c = 0; c < 2; c++)
        for (size_t k = 0; k < samples; k++)
            check_close("ramp", got[c][k], files_ramp(k, c), 0);
}

static void two_files_are_one_capture(void **state)
{
    (void)state;
    const char *a = one("a.csv", 0, 1000, files_ramp), *b = one("b.csv", 0, 1000, second);
    cj_capture *capture = opened(joined(a, b), NULL);
    const cj_capture_info *info = cj_capture_about(capture);
    assert_string_equal(info->name, joined(a, b));
    assert_int_equal(info->file_count, 2);
    assert_int_equal(info->kind, CJ_KIND_SCOPE);
    assert_int_equal(info->coupling, CJ_COUPLING_DC);
    assert_int_equal(info->channel_count, 2);
    assert_int_equal(info->selected_count, 2);
    assert_int_equal(info->samples, 1000);
    for (int k = 0; k < 2; k++) {
        assert_int_equal(info->selected[k], k);
        assert_string_equal(info->channels[k].name, "CH1");
        assert_string_equal(info->channels[k].unit, "V");
    }
    assert_true(files_noted(capture, a) && files_noted(capture, b));
    check_ratio("rate", info->rate_hz, 1e6, 1e-6);
    check_ramp(capture);
    char hex[2][65], each[65];
    for (int k = 0; k < 2; k++) {
        assert_int_equal(cj_capture_digest(capture, k, hex[k], NULL), CJ_OK);
        cj_capture *part = opened(k == 0 ? a : b, NULL);
        assert_int_equal(cj_capture_digest(part, 0, each, NULL), CJ_OK);
        assert_string_equal(hex[k], each);
        assert_string_equal(cj_capture_file(capture, k), k == 0 ? a : b);
        assert_int_equal(cj_capture_size(capture, k), cj_capture_size(part, 0));
        cj_capture_free(part);
    }
    assert_string_not_equal(hex[0], hex[1]);
    assert_int_equal(cj_capture_digest(capture, 2, each, NULL), CJ_USAGE);
    size_t got = 0;
    assert_int_equal(cj_capture_bytes(capture, 2, 0, each, 1, &got, NULL), CJ_USAGE);
    assert_null(cj_capture_file(capture, 2));
    assert_int_equal(cj_capture_size(capture, -1), 0);
    cj_capture_free(capture);
}

static void records_are_aligned_by_time(void **state)
{
    (void)state;
    static const struct {
        double start;
        size_t samples;
        files_signal *value;
        size_t common, first;
        double begins;
        const char *note;
    } cases[] = {
        {0, 900, second, 900, 0, 0, "cut to the 900"},
        {0, 1100, second, 1000, 0, 0, "cut to the 1000"},
        {10e-6, 1000, late, 990, 10, 10e-6, "10 samples after"},
        {-10e-6, 500, second, 490, 10, 0, "10 samples before"},
    };
    const char *a = one("a.csv", 0, 1000, files_ramp);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const char *b = one("b.csv", cases[i].start, cases[i].samples, cases[i].value);
        cj_capture *capture = opened(joined(a, b), NULL);
        const cj_capture_info *info = cj_capture_about(capture);
        assert_int_equal(info->samples, cases[i].common);
        check_close("start", info->start_s, cases[i].begins, 1e-10);
        if (!files_noted(capture, cases[i].note))
            fail_msg("no note '%s'", cases[i].note);
        double got[2][1000];
        assert_int_equal(
            cj_capture_read(capture, 0, info->samples, (double *const[2]){got[0], got[1]}, NULL),
            CJ_OK);
        size_t first = cases[i].start > 0 ? cases[i].first : 0;
        for (size_t k = 0; k < info->samples; k++) {
            check_close("first file", got[0][k], files_ramp(k + first, 0), 0);
            check_close("second file", got[1][k], files_ramp(k + cases[i].first, 1), 0);
        }
        cj_capture_free(capture);
    }
}

static void what_is_no_pair_is_refused(void **state)
{
    (void)state;
    const char *a = one("a.csv", 0, 1000, files_ramp);
    check_refused(joined(a, one("b.csv", 0.3e-6, 1000, second)), NULL, CJ_DATA, NULL,
                  "of a sample beside");
    check_refused(joined(a, one("b.csv", 5e-3, 1000, second)), NULL, CJ_DATA, NULL,
                  "no moment in common");
    check_refused(joined(a, one("b.csv", -5e-3, 1000, second)), NULL, CJ_DATA, NULL,
                  "no moment in common");
    check_refused(joined(a, one("b.csv", 990e-6, 1000, second)), NULL, CJ_DATA, NULL,
                  "10 samples in common");
    files_csv faster = {1, 1.001e6, 0, 1000, second};
    check_refused(joined(a, files_scope("b.csv", &faster)), NULL, CJ_DATA, NULL, "Hz");
    files_sound sound = {WAV24, 1, 48000, 1000, files_code};
    const char *wav = files_audio("b.wav", &sound);
    check_refused(joined(a, wav), NULL, CJ_DATA, NULL, "one file is audio");
    const char *empty = files_text("empty.csv", "");
    check_refused(joined(a, empty), NULL, CJ_DATA, empty, "empty");
    check_refused(joined(empty, a), NULL, CJ_DATA, empty, "empty");
    const char *missing = files_path("missing");
    check_refused(joined(a, missing), NULL, CJ_NOINPUT, NULL, "no such file");
    check_refused(joined(missing, a), NULL, CJ_NOINPUT, NULL, "no such file");
    check_refused(joined(a, ""), NULL, CJ_NOINPUT, NULL, "no such file");
    check_refused(joined("", a), NULL, CJ_NOINPUT, NULL, "no such file");
    check_refused(joined(a, wav), &(cj_capture_options){.channels = {1, 2}}, CJ_USAGE, wav,
                  "the file has 1");
}

static void audio_files_pair_too(void **state)
{
    (void)state;
    files_sound mono = {WAV24, 1, 96000, 2000, files_code};
    files_sound stereo = {SF_FORMAT_FLAC | SF_FORMAT_PCM_16, 2, 96000, 2100, files_code};
    const char *a = files_audio("a.wav", &mono), *b = files_audio("b.flac", &stereo);
    static const struct {
        int channels[2], taken;
    } cases[] = {{{0, 0}, 0}, {{1, 2}, 1}, {{0, 2}, 1}, {{1, 0}, 0}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_capture_options options = {.channels = {cases[i].channels[0], cases[i].channels[1]},
                                      .probe = {10, 100},
                                      .full_scale_v = 2};
        cj_capture *capture = opened(joined(a, b), &options);
        const cj_capture_info *info = cj_capture_about(capture);
        assert_int_equal(info->kind, CJ_KIND_AUDIO);
        assert_int_equal(info->coupling, CJ_COUPLING_AC);
        assert_int_equal(info->bits, 16);
        assert_int_equal(info->samples, 2000);
        assert_string_equal(info->channels[0].name, "1");
        assert_string_equal(info->channels[1].name, cases[i].taken ? "right" : "left");
        check_ratio("step", info->channels[0].step, 20.0 / 8388608, 1e-15);
        check_ratio("step", info->channels[1].step, 200.0 / 32768, 1e-15);
        double got[2][2000];
        assert_int_equal(
            cj_capture_read(capture, 0, 2000, (double *const[2]){got[0], got[1]}, NULL), CJ_OK);
        for (size_t k = 0; k < 2000; k++) {
            check_close("a", got[0][k], 20 * files_code(k, 0), 1e-14);
            check_close("b", got[1][k], 200 * files_code(k, cases[i].taken), 1e-13);
        }
        cj_capture_free(capture);
    }
}

static double ends_in_gaps(size_t k, int c)
{
    return k >= 990 || k == 5 ? NAN : files_code(k, c);
}

/* Gaps that lie in what was cut away are no longer counted. */
static void a_cut_file_loses_its_gaps(void **state)
{
    (void)state;
    files_sound gaps = {SF_FORMAT_WAV | SF_FORMAT_FLOAT, 1, 48000, 1000, ends_in_gaps};
    files_sound plain = {SF_FORMAT_WAV | SF_FORMAT_FLOAT, 1, 48000, 992, files_code};
    cj_capture *capture = opened(joined(files_audio("g", &gaps), files_audio("p", &plain)), NULL);
    assert_int_equal(cj_capture_about(capture)->channels[0].gaps, 3);
    assert_int_equal(cj_capture_about(capture)->channels[1].gaps, 0);
    cj_capture_free(capture);
}

static void a_plus_in_a_name_is_a_plus(void **state)
{
    (void)state;
    const char *a = one("in+1.csv", 0, 1000, files_ramp), *b = one("out+1.csv", 0, 1000, second);
    cj_capture *capture = opened(a, NULL); /* the folder has no file "in" */
    assert_int_equal(cj_capture_about(capture)->file_count, 1);
    cj_capture_free(capture);
    capture = opened(joined(a, b), NULL);
    assert_int_equal(cj_capture_about(capture)->file_count, 2);
    check_ramp(capture);
    cj_capture_free(capture);
    /* a file of the literal name comes first, though its halves are there too */
    char here[1024];
    assert_non_null(getcwd(here, sizeof here));
    assert_int_equal(chdir(files_path("")), 0);
    one("l", 0, 1000, files_ramp);
    one("r", 0, 1000, second);
    capture = opened("l+r", NULL);
    assert_int_equal(cj_capture_about(capture)->file_count, 2);
    cj_capture_free(capture);
    one("l+r", 0, 500, files_ramp);
    capture = opened("l+r", NULL);
    assert_int_equal(cj_capture_about(capture)->file_count, 1);
    assert_int_equal(cj_capture_about(capture)->samples, 500);
    cj_capture_free(capture);
    pid_t writer = 0;
    int old = files_feed("r", &writer);
    capture = opened("l+-", NULL);
    files_unfeed(old, writer);
    assert_int_equal(cj_capture_about(capture)->file_count, 2);
    check_ramp(capture);
    cj_capture_free(capture);
    assert_int_equal(chdir(here), 0);
}

static void standard_input_is_read_once(void **state)
{
    (void)state;
    check_refused("-+-", NULL, CJ_USAGE, "-+-", "twice");
}

static void memory_may_run_out(void **state)
{
    (void)state;
    files_sound mono = {SF_FORMAT_WAV | SF_FORMAT_FLOAT, 1, 48000, 1000, ends_in_gaps};
    files_sound shorter = {WAV24, 1, 48000, 900, files_code};
    char name[2100];
    strcpy(name, joined(files_audio("a.wav", &mono), files_audio("b.wav", &shorter)));
    failing_each("audio pair", files_use, name);
    strcpy(name, joined(one("c.csv", 0, 100, files_ramp), one("d.csv", 5e-6, 100, second)));
    failing_each("scope pair", files_use, name);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_files_are_one_capture),
        cmocka_unit_test(records_are_aligned_by_time),
        cmocka_unit_test(what_is_no_pair_is_refused),
        cmocka_unit_test(audio_files_pair_too),
        cmocka_unit_test(a_cut_file_loses_its_gaps),
        cmocka_unit_test(a_plus_in_a_name_is_a_plus),
        cmocka_unit_test(standard_input_is_read_once),
        cmocka_unit_test(memory_may_run_out),
    };
    return cmocka_run_group_tests_name("capture: pairs", tests, files_begin, files_end);
}
