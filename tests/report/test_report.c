/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "check.h"

#include <jansson.h>
#include <locale.h>

#include "report/internal.h"
#include "sample.h"

/* ---- numbers ---- */

static void numbers__value(void **state)
{
    (void)state;
    static const struct {
        double value, u;
        const char *unit, *want;
    } cases[] = {
        {0.70711, 0.0012, "V", "707.1 ± 1.2 mV"},
        {-20.003, 0.104, "dB", "-20.00 ± 0.10 dB"},
        {-20.003, 0.0996, "dB", "-20.00 ± 0.10 dB"},
        {1000.0213, 0.0113, "Hz", "1000.021 ± 0.011 Hz"},
        {48000, NAN, "Hz", "48 kHz"},
        {44100, 0, "Hz", "44.1 kHz"},
        {-179.81, 0.31, "deg", "-179.81 ± 0.31°"},
        {0.0003, 0.005, "V", "0.3 ± 5.0 mV"},
        {0.00412, 0.00013, "FS", "0.00412 ± 0.00013 FS"},
        {2.85e-6, 1.4e-7, "FS", "2.85 ± 0.14 µFS"},
        {880e-9, 207e-9, "s", "880 ± 210 ns"},
        {997.0000001, 1.3e-7, "Hz", "997.0000 ± <0.0001 Hz"},
        {1.5e-6, 2e-8, "V", "1.500 ± 0.020 µV"},
        {0, NAN, "1", "0"},
        {3, NAN, "1", "3"},
        {0, NAN, "V", "0 V"},
        {-0.0004, 0.05, "V", "0 ± 50 mV"}, /* rounded to nothing: no sign is left */
        {-4e-9, 0.05, "dB", "0.000 ± 0.050 dB"},
        {0.1, NAN, "V/V", "0.1 V/V"},
        {12345.678, 1234, "V", "12.3 ± 1.2 kV"},
        {0.9999999, 0.001, "V", "1000.0 ± 1.0 mV"},
        {1, 1e-15, "V", "1.000000 ± <0.000001 V"},
        {0.5, 0.01, "?", "0.500 ± 0.010"},
        {2, 0.1, NULL, "2.00 ± 0.10"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_text out = {0};
        cj__write_value(&out, cases[i].value, cases[i].u, cases[i].unit);
        assert_string_equal(out.bytes, cases[i].want);
        cj_text_free(&out);
    }
}

static void numbers__range_and_bound(void **state)
{
    (void)state;
    cj_text out = {0};
    cj__write_range(&out, -22, -18, "dB");
    cj_text_add(&out, "|");
    cj__write_range(&out, 5, INFINITY, "V");
    cj_text_add(&out, "|");
    cj__write_range(&out, NAN, 0.02, "V");
    cj_text_add(&out, "|");
    cj__write_range(&out, -INFINITY, INFINITY, "V");
    assert_string_equal(out.bytes, "-22 to -18 dB|at least 5 V|at most 20 mV|anything");
    cj_text_free(&out);

    /* an upper bound is rounded up, a lower one down: it stays a bound */
    cj__write_bound(&out, 0.3961, true, "%");
    cj_text_add(&out, "|");
    cj__write_bound(&out, 0.2, true, "%");
    cj_text_add(&out, "|");
    cj__write_bound(&out, 0.3961, false, "%");
    cj_text_add(&out, "|");
    cj__write_bound(&out, -48.04, true, "dB");
    cj_text_add(&out, "|");
    cj__write_bound(&out, -48.04, false, "dB");
    assert_string_equal(out.bytes, "0.40 %|0.20 %|0.39 %|-48 dB|-49 dB");
    cj_text_free(&out);
}

static void numbers__level(void **state)
{
    (void)state;
    cj_text out = {0};
    cj__write_level(&out, 0.7745966692, 0.00077, 0.7745966692414834, "dBu");
    cj_text_add(&out, "|");
    cj__write_level(&out, 10, NAN, 1, "dBV");
    cj_text_add(&out, "|");
    cj__write_level(&out, 10, 2, 1, "dBV"); /* 1.7 dB: one decimal is left */
    cj_text_add(&out, "|");
    cj__write_level(&out, 0, 0, 1, "dBV");
    assert_string_equal(out.bytes, "0.00 dBu|20.00 dBV|20.0 dBV|– dBV");
    cj_text_free(&out);
}

static void numbers__probability(void **state)
{
    (void)state;
    cj_text out = {0};
    cj__write_probability(&out, 0.001);
    cj__write_probability(&out, 0.874);
    cj__write_probability(&out, 0.999);
    assert_string_equal(out.bytes, "< 1 %87 %> 99 %");
    cj_text_free(&out);
}

/* ---- text ---- */

static void words__clean(void **state)
{
    (void)state;
    static const char *const cases[][2] = {
        {"plain", "plain"},
        {"\xc2\xb5V", "\xc2\xb5V"},
        {"CH\xff", "CH\xef\xbf\xbd"},
        {"\xc0\xaf", "\xef\xbf\xbd\xef\xbf\xbd"},                 /* overlong */
        {"\xed\xa0\x80", "\xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbd"}, /* surrogate */
        {"\xe2\x82", "\xef\xbf\xbd\xef\xbf\xbd"},                 /* cut short */
        {"a\033[31mb\n", "a?[31mb?"},
        {"\xc2\x9b"
         "31m",
         "?31m"}, /* C1 CSI */
        {"", ""},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_text out = {0};
        cj__write_clean(&out, cases[i][0]);
        assert_string_equal(out.bytes, cases[i][1]);
        cj_text_free(&out);
    }
}

static void words__label(void **state)
{
    (void)state;
    static const char *const paths[2] = {"ch 1", "ch 2"};
    static const char *const cases[][2] = {{"dc_v@left_out", "DC, left_out"},
                                           {"dc_v of the second path", "DC, ch 2"},
                                           {"dc_v of the stimulus", "DC of the stimulus"},
                                           {"gain_db", "gain"},
                                           {"wow_percent", "wow_percent"}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_text out = {0};
        cj__write_label(&out, cases[i][0], paths);
        assert_string_equal(out.bytes, cases[i][1]);
        cj_text_free(&out);
    }
}

static size_t count_of(const char *text, const char *part)
{
    size_t count = 0;
    for (const char *at = strstr(text, part); at != NULL; at = strstr(at + 1, part))
        count++;
    return count;
}

static void check_page(const char *text)
{
    size_t width = 0;
    for (const char *at = text; *at; at++) {
        width = *at == '\n' ? 0 : width + (((unsigned char)*at & 0xc0) != 0x80);
        if (width > CJ__PAGE) {
            print_error("a line of more than %d columns:\n%s\n", CJ__PAGE, text);
            fail();
        }
        if (*at == '\n')
            assert_true(at == text || at[-1] != ' '); /* no blanks at the end of a line */
    }
}

static void text__measure(void **state)
{
    struct sample *s = *state;
    cj_text out = {0};
    cj_error err = {0};
    assert_int_equal(cj_report_measure_text(&s->measurement, NULL, &out, &err), CJ_OK);
    check_page(out.bytes);
    check_holds("header", out.bytes, "scope, DC-coupled, 2500 samples at 250 kHz (10 ms)");
    check_holds("gaps", out.bytes, "3 samples of channel 2 are missing");
    check_holds("level", out.bytes,
                "level, RMS         707 ± 14 mV                   70.7 ± 1.4 mV\n");
    check_holds("dBu", out.bytes, "-0.79 dBu  -3.01 dBV");
    check_holds("bound", out.bytes, "THD                0.120 ± 0.012 %  -58.4 dB     < 0.40 %\n");
    check_holds("mark", out.bytes, "dropouts           none                          – (a)\n");
    check_holds("reason", out.bytes, "(a) too little signal in this channel\n");
    check_holds("gap", out.bytes, "hum, RMS: the record is too short for mains hum\n");
    check_holds("unknown figure", out.bytes, "wow_percent        0.250 ± 0.010 %");
    check_holds("phase", out.bytes, "-179.81 ± 0.31°");
    check_holds("bad byte", out.bytes, "2: CH\xef\xbf\xbd\n");
    assert_null(strstr(out.bytes, "even"));
    assert_null(strstr(out.bytes, "\033"));
    /* advice stands before every figure */
    assert_true(strstr(out.bytes, "12 of 256 steps") < strstr(out.bytes, "level, RMS"));
    cj_text_free(&out);
}

static void text__compare(void **state)
{
    struct sample *s = *state;
    cj_text out = {0};
    cj_error err = {0};
    cj_report_style style = {.explain = true};
    assert_int_equal(cj_report_compare_text(&s->comparison, &s->findings, &style, &out, &err),
                     CJ_OK);
    check_page(out.bytes);
    check_holds("match", out.bytes,
                "\nDIFFER: the level differs by -20.00 dB where 0.5 dB is allowed\n");
    check_holds("finding", out.bytes, "\n 1. 87 %  The summing op-amp's output pin");
    check_holds("place", out.bytes, "Where: summing op-amp, output pin; or: R22\n");
    check_holds("evidence", out.bytes,
                "    gain                   -20.00 ± 0.10 dB    -22 to -18 dB    -0.5 to 0.5 dB\n");
    check_holds("words", out.bytes,
                "    polarity               inverted            inverted         same\n");
    check_holds("check", out.bytes, "Next:  Measure from the op-amp's output pin");
    check_holds("hearing", out.bytes, "Take care: Keep headphones off");
    check_holds("explained", out.bytes, "- hum-loop: silent");
    check_holds("notes", out.bytes, "- comma between values");
    assert_int_equal(count_of(out.bytes, "Power off and let the supply discharge"), 1);
    /* the reader is sent to the board only behind the caution, and the answer ends on the finding
     */
    assert_true(strstr(out.bytes, "Power off and let") < strstr(out.bytes, "Next:"));
    assert_true(strstr(out.bytes, "hum-loop") < strstr(out.bytes, "What this points at"));
    cj_text_free(&out);

    s->finding.touches_board = false;
    assert_int_equal(cj_report_compare_text(&s->comparison, &s->findings, NULL, &out, &err), CJ_OK);
    assert_int_equal(count_of(out.bytes, "Power off and let the supply discharge"), 0);
    s->finding.touches_board = true;
    cj_text_free(&out);
}

static void text__two_captures_and_colour(void **state)
{
    struct sample *s = *state;
    cj_text out = {0};
    cj_error err = {0};
    cj_report_style style = {.colour = true};
    cj_findings none = {0};
    cj_comparison two = s->comparison;
    two.captures[1] = &s->measurement;
    two.match = CJ_MATCH;
    two.why[0] = '\0';
    assert_int_equal(cj_report_compare_text(&two, &none, &style, &out, &err), CJ_OK);
    check_holds("first", out.bytes, "First:  ");
    check_holds("title", out.bytes, "second, channel 2: CH");
    check_holds("heading", out.bytes, "Second path against the first");
    check_holds("match", out.bytes, "\033[1;32mMATCH\033[0m: level and phase agree\n");
    assert_null(strstr(out.bytes, "points at"));
    cj_text_free(&out);
}

/* ---- JSON ---- */

static json_t *parse(const cj_text *out)
{
    json_error_t error;
    json_t *root = json_loadb(out->bytes, out->length, JSON_REJECT_DUPLICATES, &error);
    if (root == NULL)
        fail_msg("no JSON: %s", error.text);
    return root;
}

/* Follows "a.b.0.c". */
static json_t *at(json_t *root, const char *path)
{
    char step[64];
    while (root != NULL && *path) {
        size_t length = strcspn(path, ".");
        memcpy(step, path, length);
        step[length] = '\0';
        root = json_is_array(root) ? json_array_get(root, (size_t)atoi(step))
                                   : json_object_get(root, step);
        path += length + (path[length] == '.');
    }
    return root;
}

static void check_word(json_t *root, const char *path, const char *want)
{
    const char *got = json_string_value(at(root, path));
    if (got == NULL || strcmp(got, want) != 0)
        fail_msg("%s: got %s, want %s", path, got ? got : "nothing", want);
}

static void json__measure(void **state)
{
    struct sample *s = *state;
    cj_text out = {0};
    cj_error err = {0};
    assert_int_equal(cj_report_measure_json(&s->measurement, &s->digests, &out, &err), CJ_OK);
    json_t *root = parse(&out);
    check_word(root, "coldjoint", "measure");
    assert_int_equal(json_integer_value(at(root, "version")), 1);
    check_word(root, "capture.file", "unit-07.csv");
    check_word(root, "capture.kind", "scope");
    check_word(root, "capture.coupling", "dc");
    assert_int_equal(strlen(json_string_value(at(root, "capture.sha256"))), 64);
    assert_int_equal(json_integer_value(at(root, "capture.samples")), 2500);
    assert_int_equal(json_integer_value(at(root, "capture.channels")), 2);
    check_close("rate", json_number_value(at(root, "capture.rate_hz")), 250e3, 0);
    assert_int_equal(json_array_size(at(root, "capture.notes")), 1);
    assert_int_equal(json_array_size(at(root, "capture.advice")), 1);
    assert_int_equal(json_integer_value(at(root, "channels.1.channel")), 2);
    check_word(root, "channels.1.name", "CH\xef\xbf\xbd");
    check_word(root, "channels.0.figures.signal.value", "tone");
    check_close("value", json_number_value(at(root, "channels.0.figures.rms_v.value")), 0.7071, 0);
    check_close("u", json_number_value(at(root, "channels.0.figures.rms_v.u")), 0.014142, 1e-15);
    check_word(root, "channels.0.figures.rms_v.unit", "V");
    assert_true(json_is_null(at(root, "channels.0.figures.peak_v.u")));
    assert_true(json_is_null(at(root, "channels.1.figures.thd_percent.value")));
    check_close("below", json_number_value(at(root, "channels.1.figures.thd_percent.below")),
                0.3961, 0);
    check_word(root, "channels.1.figures.hum_v.why", "the record is too short for mains hum");
    assert_null(at(root, "channels.1.figures.hum_v.u"));
    check_word(root, "pair.figures.polarity.value", "inverted");
    check_close("gain", json_number_value(at(root, "pair.figures.gain_db.value")), -20.003, 0);
    json_decref(root);

    s->capture.rate_hz = 0;
    s->digests.count = 2;
    memset(s->digests.hex[1], 'b', 64);
    out.length = 0;
    assert_int_equal(cj_report_measure_json(&s->measurement, &s->digests, &out, &err), CJ_OK);
    root = parse(&out);
    assert_true(json_is_null(at(root, "capture.rate_hz")));
    assert_int_equal(json_array_size(at(root, "capture.sha256")), 2);
    json_decref(root);
    cj_text_free(&out);
}

static void json__compare(void **state)
{
    struct sample *s = *state;
    const cj_digests digests[2] = {s->digests};
    cj_text out = {0};
    cj_error err = {0};
    assert_int_equal(cj_report_compare_json(&s->comparison, &s->findings, digests, &out, &err),
                     CJ_OK);
    json_t *root = parse(&out);
    check_word(root, "coldjoint", "compare");
    check_word(root, "match", "differ");
    assert_int_equal(json_array_size(at(root, "captures")), 1);
    check_word(root, "captures.0.file", "unit-07.csv");
    assert_int_equal(json_integer_value(at(root, "findings.0.rank")), 1);
    check_close("p", json_number_value(at(root, "findings.0.probability")), 0.87, 0);
    check_word(root, "findings.0.faults.0.fault", "outside");
    assert_true(json_is_null(at(root, "findings.0.faults.0.part")));
    check_word(root, "findings.0.faults.0.role", "summing op-amp, output pin");
    check_word(root, "findings.0.faults.1.part", "R22");
    check_word(root, "findings.0.faults.1.nearest", "10k");
    assert_true(
        json_is_null(at(root, "findings.0.faults.1.high"))); /* infinite: no number of JSON */
    check_word(root, "findings.0.evidence.0.figure", "gain_db");
    check_close("measured", json_number_value(at(root, "findings.0.evidence.0.measured.value")),
                -20.003, 0);
    check_close("low", json_number_value(at(root, "findings.0.evidence.0.expected.low")), -22, 0);
    check_close("healthy", json_number_value(at(root, "findings.0.evidence.0.healthy.high")), 0.5,
                0);
    check_word(root, "findings.0.evidence.1.healthy.value", "same");
    check_word(root, "findings.0.from", "rules");
    check_word(root, "findings.0.caution", "Keep headphones off until it is repaired.");
    check_word(root, "explained.0", "hum-loop: silent, hum_v could not be told");
    check_close("unexplained", json_number_value(at(root, "unexplained")), 0.13, 0);
    json_decref(root);
    cj_text_free(&out);
}

/* ---- instruments ---- */

static void instruments__read_back(void **state)
{
    (void)state;
    char path[] = "instruments-XXXXXX";
    cj_instruments written, read;
    cj_text out = {0};
    cj_error err = {0};
    cj_instruments_default(&written);
    strcpy(written.name, "Anna's # table");
    written.gain = 0.0112;
    written.match = 0.005;
    written.skew_s = 2e-8;
    written.full_scale_v = 5.19615242;
    written.coupling = CJ_COUPLING_AC;
    assert_int_equal(cj_report_instruments(&written, &out, &err), CJ_OK);

    int file = mkstemp(path);
    assert_true(file >= 0);
    FILE *stream = fdopen(file, "w");
    assert_int_equal(fwrite(out.bytes, 1, out.length, stream), out.length);
    assert_int_equal(fclose(stream), 0);
    cj_status status = cj_instruments_read(path, &read, &err);
    remove(path);
    if (status != CJ_OK)
        fail_msg("%ld:%ld: %s\n%s", err.line, err.column, err.message, out.bytes);
    assert_string_equal(read.name, written.name);
    check_ratio("gain", read.gain, written.gain, 1e-12);
    check_ratio("match", read.match, written.match, 1e-12);
    check_ratio("skew", read.skew_s, written.skew_s, 1e-12);
    check_ratio("full scale", read.full_scale_v, written.full_scale_v, 1e-8);
    assert_true(isnan(read.offset_v) && isnan(read.noise_v));
    assert_int_equal(read.coupling, CJ_COUPLING_AC);
    cj_text_free(&out);
}

static void scale__answers(void **state)
{
    struct sample *s = *state;
    const cj_scale scale = {.full_scale_v = 5.1962, .u = 0.052, .reads_v = 0.7071};
    cj_text out = {0};
    cj_error err = {0};
    assert_int_equal(cj_report_scale_text(&scale, &out, &err), CJ_OK);
    assert_string_equal(out.bytes,
                        "full scale: 5.196 ± 0.052 V peak, from a meter reading of 707.1 mV RMS\n");
    out.length = 0;
    assert_int_equal(cj_report_scale_json(&s->measurement, NULL, &scale, &out, &err), CJ_OK);
    json_t *root = parse(&out);
    check_word(root, "coldjoint", "scale");
    check_close("full scale", json_number_value(at(root, "full_scale_v.value")), 5.1962, 0);
    check_close("u", json_number_value(at(root, "full_scale_v.u")), 0.052, 0);
    assert_null(at(root, "capture.sha256"));
    json_decref(root);
    cj_text_free(&out);
}

/* ---- locale ---- */

/* A locale with a decimal comma, made in `folder` where the machine has the sources of locales. */
static bool set_comma_locale(const char *folder)
{
    char command[256];
    snprintf(command, sizeof command, "localedef -i de_DE -f UTF-8 %s/de_DE.UTF-8 >/dev/null 2>&1",
             folder);
    int ignored = system(command); /* whether it worked shows below */
    (void)ignored;
    setenv("LOCPATH", folder, 1);
    bool set = setlocale(LC_ALL, "de_DE.UTF-8") != NULL;
    unsetenv("LOCPATH");
    return set && strcmp(localeconv()->decimal_point, ",") == 0;
}

static void locale__changes_nothing(void **state)
{
    struct sample *s = *state;
    cj_text plain = {0}, other = {0};
    cj_error err = {0};
    char folder[] = "locale-XXXXXX", command[64];
    assert_int_equal(cj_report_compare_text(&s->comparison, &s->findings, NULL, &plain, &err),
                     CJ_OK);
    assert_int_equal(cj_report_compare_json(&s->comparison, &s->findings, NULL, &plain, &err),
                     CJ_OK);
    assert_non_null(mkdtemp(folder));
    bool set = set_comma_locale(folder);
    if (set) {
        assert_int_equal(cj_report_compare_text(&s->comparison, &s->findings, NULL, &other, &err),
                         CJ_OK);
        assert_int_equal(cj_report_compare_json(&s->comparison, &s->findings, NULL, &other, &err),
                         CJ_OK);
        setlocale(LC_ALL, "C");
        assert_string_equal(plain.bytes, other.bytes);
    }
    snprintf(command, sizeof command, "rm -r %s", folder);
    assert_int_equal(system(command), 0);
    cj_text_free(&plain);
    cj_text_free(&other);
    if (!set) {
        print_message("no locale with a decimal comma can be made on this machine\n");
        skip();
    }
}

static int make(void **state)
{
    static struct sample sample;
    sample_make(&sample);
    *state = &sample;
    return 0;
}

static int unmake(void **state)
{
    sample_free(*state);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers__value),
        cmocka_unit_test(numbers__range_and_bound),
        cmocka_unit_test(numbers__level),
        cmocka_unit_test(numbers__probability),
        cmocka_unit_test(words__clean),
        cmocka_unit_test(words__label),
        cmocka_unit_test_setup_teardown(text__measure, make, unmake),
        cmocka_unit_test_setup_teardown(text__compare, make, unmake),
        cmocka_unit_test_setup_teardown(text__two_captures_and_colour, make, unmake),
        cmocka_unit_test_setup_teardown(json__measure, make, unmake),
        cmocka_unit_test_setup_teardown(json__compare, make, unmake),
        cmocka_unit_test(instruments__read_back),
        cmocka_unit_test_setup_teardown(scale__answers, make, unmake),
        cmocka_unit_test_setup_teardown(locale__changes_nothing, make, unmake),
    };
    return cmocka_run_group_tests_name("report", tests, NULL, NULL);
}
