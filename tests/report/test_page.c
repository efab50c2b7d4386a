/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Pages: the stages found, what is marked, levels of the curves, what a good unit reads, hostile
 * text. */
#include "check.h"

#include "board_sample.h"
#include "failing.h"
#include "report/drawing.h"
#include "report/page.h"

#include <sys/stat.h>
#include <unistd.h>

static cj_board *board_of(const char *text)
{
    cj_board *board = NULL;
    cj_errors errors = {0};
    if (cj_board_read_text("test.yaml", text, strlen(text), &board, &errors) != CJ_OK)
        print_error("%s\n", errors.items[0].message);
    assert_non_null(board);
    return board;
}

static cj_board *board_file(const char *name)
{
    char path[512];
    cj_board *board = NULL;
    snprintf(path, sizeof path, "%s/boards/%s.yaml", FIXTURES, name);
    assert_int_equal(cj_board_read(path, &board, NULL), CJ_OK);
    return board;
}

static size_t count_of(const char *text, const char *part)
{
    size_t count = 0;
    for (const char *at = text; (at = strstr(at, part)) != NULL; at++)
        count++;
    return count;
}

/* ---- stages ---- */

/* Counted by hand from the tables of parts in the board files. */
static void stages_of_fixtures(void **state)
{
    (void)state;
    static const struct {
        const char *board;
        size_t stages;
        const char *out;                          /* one of them, by its output net */
        size_t inverting, plus, feedback, onward; /* its branches */
    } cases[] = {
        {"hall-mixer", 6, "left_sum", 6, 0, 2, 0}, {"hall-mixer", 6, "left_drv", 1, 0, 2, 1},
        {"hall-mixer", 6, "mono_sum", 2, 0, 2, 0}, {"hall-mixer", 6, "mono_drv", 1, 0, 2, 1},
        {"sallen-key", 1, "out", 1, 2, 1, 1},      {"biquad", 4, "o1", 2, 0, 2, 0},
        {"biquad", 4, "out", 3, 0, 1, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_board *board = board_file(cases[i].board);
        cj__drawing drawing;
        size_t counts[5] = {0};
        assert_true(cj__drawing_make(board, &drawing));
        check_close(cases[i].board, (double)drawing.count, (double)cases[i].stages, 0);
        for (size_t s = 0; s < drawing.count; s++)
            for (size_t b = 0; b < drawing.stages[s].count; b++)
                if (strcmp(board->nets[drawing.stages[s].out], cases[i].out) == 0)
                    counts[drawing.stages[s].branches[b].place]++;
        check_close(cases[i].out, (double)counts[CJ__AT_INVERTING], (double)cases[i].inverting, 0);
        check_close(cases[i].out, (double)counts[CJ__AT_PLUS], (double)cases[i].plus, 0);
        check_close(cases[i].out, (double)counts[CJ__FEEDBACK], (double)cases[i].feedback, 0);
        check_close(cases[i].out, (double)counts[CJ__AT_OUT], (double)cases[i].onward, 0);
        cj__drawing_free(&drawing);
        cj_board_free(board);
    }
}

/* Whatever the board: every part is drawn, said to be like one drawn, or named as in no stage. */
static void every_part_is_there(void **state)
{
    (void)state;
    static const char *const boards[] = {"hall-mixer", "sallen-key",     "biquad",
                                         "leapfrog",   "state-variable", "summing-stage"};
    for (size_t i = 0; i < sizeof boards / sizeof boards[0]; i++) {
        cj_board *board = board_file(boards[i]);
        cj_text out = {0};
        cj__write_drawing(&out, board, NULL, NULL);
        assert_false(out.failed);
        for (size_t p = 0; p < board->part_count; p++)
            if (strstr(out.bytes, board->parts[p].ref) == NULL)
                fail_msg("%s: %s is nowhere", boards[i], board->parts[p].ref);
        cj_text_free(&out);
        cj_board_free(board);
    }
}

/* The pin of the first finding has a ring and a number, and its stage comes first. */
static void suspect_is_marked(void **state)
{
    (void)state;
    cj_board *board = board_file("hall-mixer");
    cj_fault fault = cj_fault_none(CJ_FAULT_OPEN_PIN);
    strcpy(fault.part, "U2");
    fault.pin = 7;
    cj_finding finding = {.rank = 1, .probability = 0.9, .faults = &fault, .fault_count = 1};
    cj_findings findings = {.items = &finding, .count = 1};
    cj_text out = {0}, plain = {0};
    cj__write_drawing(&out, board, NULL, &findings);
    cj__write_drawing(&plain, board, NULL, NULL);
    assert_int_equal(count_of(out.bytes, "class=\"r\""), 1);
    assert_int_equal(count_of(plain.bytes, "class=\"r\""), 0);
    check_holds("legend", out.bytes, "U2 pin 7 makes no contact (90 %)");
    const char *first = strstr(out.bytes, "<figcaption>");
    assert_non_null(first);
    assert_memory_equal(first, "<figcaption><b>U2 B</b>", strlen("<figcaption><b>U2 B</b>"));
    cj_text_free(&out);
    cj_text_free(&plain);
    cj_board_free(board);
}

/* From the generator to the probe it leads through these parts and no other: not backwards through
 * a feedback. */
static void check_path(const char *name, const char *step, const char *const *through, size_t parts,
                       size_t sections)
{
    cj_board *board = board_file(name);
    cj_observed *observed = NULL;
    cj__marks marks;
    size_t count = 0;
    assert_int_equal(cj_observed_make(board, &observed, NULL), CJ_OK);
    observed->seen[cj_board_step(board, step)] = true;
    assert_true(cj__marks_make(board, observed, NULL, &marks));
    for (size_t i = 0; i < 4 * board->part_count; i++)
        count += marks.path[i];
    check_close(name, (double)count, (double)(parts + sections), 0);
    for (size_t i = 0; i < parts; i++)
        check_close(through[i], marks.path[4 * cj_board_part(board, through[i])], 1, 0);
    cj__marks_free(&marks);
    cj_observed_free(observed);
    cj_board_free(board);
}

static void measured_path(void **state)
{
    (void)state;
    static const char *const through[] = {"RV1", "SW1", "R1", "R15", "R19"};
    static const char *const filter[] = {"R1", "C2", "U1"};
    check_path("sallen-key", "f-26k", filter, 3, 0);
    check_path("hall-mixer", "in1-left", through, 5, 2);
    cj_board *board = board_file("hall-mixer");
    cj_observed *observed = NULL;
    cj__marks marks;
    assert_int_equal(cj_observed_make(board, &observed, NULL), CJ_OK);
    observed->seen[cj_board_step(board, "in1-left")] = true;
    assert_true(cj__marks_make(board, observed, NULL, &marks));
    assert_true(marks.path[4 * cj_board_part(board, "U1") + 0]);
    assert_true(marks.path[4 * cj_board_part(board, "U2") + 0]);
    assert_true(marks.probed[cj_board_net(board, "in1")]);
    assert_true(marks.probed[cj_board_net(board, "left_out")]);
    cj__marks_free(&marks);
    cj_observed_free(observed);
    cj_board_free(board);
}

/* ---- curves ---- */

enum { RATE = 48000, SAMPLES = 48000 };

/* 0.5 V peak of 1 kHz on both lines of sight: one channel, with a third harmonic 40 dB below. */
static cj_status sample_source(void *user, size_t count, double *out, cj_error *err)
{
    size_t *at = user;
    (void)err;
    for (size_t i = 0; i < count; i++, ++*at) {
        double turn = 2 * M_PI * 1000 * (double)*at / RATE;
        out[i] = 0.5 * sin(turn) + 0.005 * sin(3 * turn);
    }
    return CJ_OK;
}

struct taken {
    char path[64];
    cj_capture *capture;
    cj_measurement *measurement;
};

static void take(struct taken *taken)
{
    const cj_audio_format format = {.rate_hz = RATE, .bits = 0};
    const cj_capture_options how = {.full_scale_v = 1};
    const cj_measure_options options = {0};
    size_t at = 0;
    snprintf(taken->path, sizeof taken->path, "%s/test-page-%d.wav", P_tmpdir, (int)getpid());
    assert_int_equal(cj_audio_write(taken->path, &format, SAMPLES, sample_source, &at, NULL),
                     CJ_OK);
    assert_int_equal(cj_capture_open(taken->path, &how, &taken->capture, NULL), CJ_OK);
    assert_int_equal(cj_measure(taken->capture, &options, &taken->measurement, NULL), CJ_OK);
}

static void give_back(struct taken *taken)
{
    cj_measurement_free(taken->measurement);
    cj_capture_free(taken->capture);
    unlink(taken->path);
}

/* The largest second column of the data between two first columns. */
static double largest(const char *script, double from, double to)
{
    double best = -INFINITY;
    const char *at = strstr(script, "\nplot ");
    for (at = at ? strchr(at + 1, '\n') : NULL; at != NULL; at = strchr(at + 1, '\n')) {
        double x, y;
        if (sscanf(at + 1, "%lf %lf", &x, &y) == 2 && x >= from && x <= to && y > best)
            best = y;
    }
    return best;
}

static void spectrum_levels(void **state)
{
    (void)state;
    struct taken taken;
    cj__plots plots = {0};
    int plot;
    take(&taken);
    cj__plotted of = {.capture = taken.capture, .measurement = taken.measurement};
    assert_int_equal(cj__plot_spectrum(&plots, &of, &plot, NULL), CJ_OK);
    assert_int_equal(plot, 0);
    /* 0.5 V peak is 20 lg(0.5 / sqrt 2) = -9.03 dBV. The window (Harris 1978) loses 0.83 dB at most
     * between two bins; here lines lie on bins. */
    check_close("tone", largest(plots.script.bytes, 950, 1050), 20 * log10(0.5 / sqrt(2)), 0.05);
    check_close("third", largest(plots.script.bytes, 2900, 3100), 20 * log10(0.005 / sqrt(2)),
                0.05);
    assert_true(largest(plots.script.bytes, 4500, 20000) < -120);
    check_holds("mark", plots.script.bytes, "set label '1 kHz'");
    check_holds("mark", plots.script.bytes, "set label '3'");
    assert_null(strstr(plots.script.bytes, "set label '2'")); /* there is no second */
    cj__plots_free(&plots);
    give_back(&taken);
}

static void trace_of_three_periods(void **state)
{
    (void)state;
    struct taken taken;
    cj__plots plots = {0};
    int plot;
    take(&taken);
    cj__plotted of = {.capture = taken.capture, .measurement = taken.measurement};
    assert_int_equal(cj__plot_trace(&plots, &of, &plot, NULL), CJ_OK);
    assert_int_equal(plot, 0);
    check_holds("axis", plots.script.bytes, "set xrange [0: 3]");
    /* the sum's own peak: sin + 0.01 sin 3 at a quarter turn is 1 - 0.01 */
    check_close("peak", largest(plots.script.bytes, 0, 3), 0.5 * 0.99, 0.002);
    /* it starts where the tone rises through zero, within a sample: its slope there is that of both
     * lines */
    check_close("start", largest(plots.script.bytes, 0, 0.001), 0,
                0.5 * 1.03 * 2 * M_PI * 1000 / RATE);
    cj__plots_free(&plots);
    give_back(&taken);
}

/* A low pass of R and C: |H| = 1 / sqrt(1 + x^2), x = w R C, so d ln|H| = -x^2 / (1 + x^2) (dR/R +
 * dC/C); a rectangular spread of +-t has the deviation t / sqrt 3. Phase: -atan x, d phase = -x /
 * (1 + x^2). */
static void band_of_a_low_pass(void **state)
{
    (void)state;
    static const char text[] =
        "board: low-pass\ninputs:\n  - {net: in, source: 0}\noutputs:\n  - {net: out, load: "
        "1G}\nparts:\n"
        "  - {ref: R1, kind: resistor, value: 10k, tolerance: 1%, pins: [in, out]}\n"
        "  - {ref: C1, kind: capacitor, value: 10n, tolerance: 5%, pins: [out, gnd]}\n"
        "steps:\n  - {step: sweep, drive: in, sweep: {from: 20, to: 20000, seconds: 5, peak: 1}, "
        "see: [in, out]}\n";
    cj_board *board = board_of(text);
    cj__healthy_band band;
    cj__page_band(board, 0, false, &band);
    assert_true(band.count >= 10);
    for (size_t i = 0; i < band.count; i++) {
        double x = 2 * M_PI * band.hz[i] * 10e3 * 10e-9, share = x * x / (1 + x * x);
        double spread = hypot(0.01, 0.05) / sqrt(3);
        check_close("gain", band.gain_db[i], -10 * log10(1 + x * x), 1e-3);
        check_close("gain's", band.gain_sigma[i], 20 / M_LN10 * share * spread, 1e-4);
        check_close("phase", band.phase_deg[i], -atan(x) * 180 / M_PI, 0.01);
        check_close("phase's", band.phase_sigma[i], x / (1 + x * x) * spread * 180 / M_PI, 1e-3);
    }
    cj__page_band(board, 0, true, &band); /* two channels: not of the stimulus */
    assert_int_equal(band.count, 0);
    cj_board_free(board);
}

/* ---- the page ---- */

static void make_page(const struct board_sample *sample, cj_text *out)
{
    const cj_page page = {.unit = "<b>7</b>\n\"&'",
                          .board = sample->board,
                          .observed = sample->observed,
                          .diagnosis = &sample->diagnosis,
                          .note = "<script>alert(1)</script>\x1b[31m\xff"};
    assert_int_equal(cj_report_page(&page, out, NULL), CJ_OK);
}

static void page_is_whole_and_harmless(void **state)
{
    (void)state;
    struct board_sample sample;
    cj_text out = {0};
    board_sample_make(&sample);
    make_page(&sample, &out);
    check_holds("start", out.bytes, "<!DOCTYPE html>");
    check_holds("end", out.bytes, "</html>\n");
    check_holds("unit", out.bytes, "&lt;b&gt;7&lt;/b&gt;?&quot;&amp;&#39;");
    check_holds("note", out.bytes, "&lt;script&gt;alert(1)&lt;/script&gt;?[31m\xef\xbf\xbd");
    check_holds("a sentence", out.bytes, "<p class=\"verdict\">");
    check_holds("a drawing", out.bytes, "<svg class=\"stage\"");
    check_holds("the check", out.bytes, "Next check:");
    assert_null(strstr(out.bytes, "<script"));
    assert_null(strstr(out.bytes, "<b>7"));
    assert_null(strstr(out.bytes, "http")); /* nothing is fetched */
    assert_null(strstr(out.bytes, "url("));
    assert_true(strstr(out.bytes, "class=\"verdict\"") < strstr(out.bytes, "class=\"stage\""));
    assert_true(strstr(out.bytes, "class=\"stage\"") < strstr(out.bytes, "<table"));
    cj_text_free(&out);
    board_sample_free(&sample);
}

/* Without gnuplot, and with one that fails, the page is there and says what is missing. */
static void page_without_gnuplot(void **state)
{
    (void)state;
    static const struct {
        const char *script, *says;
    } cases[] = {
        {NULL, "No curves: gnuplot is not installed (Debian: gnuplot-nox)."},
        {"#!/bin/sh\nexit 3\n", "No curves: gnuplot ended with status 3."},
        {"#!/bin/sh\nexit 0\n", "No curves: gnuplot did not draw every curve."},
    };
    char *before = cj_copy_text(getenv("PATH")), folder[] = P_tmpdir "/test-page-XXXXXX", file[64];
    struct taken taken;
    take(&taken);
    assert_non_null(mkdtemp(folder));
    snprintf(file, sizeof file, "%s/gnuplot", folder);
    const cj_page_capture capture = {
        .name = "a.wav", .capture = taken.capture, .measurement = taken.measurement};
    const cj_page page = {.captures = &capture, .capture_count = 1};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_text out = {0};
        if (cases[i].script != NULL) {
            FILE *made = fopen(file, "w");
            assert_non_null(made);
            fputs(cases[i].script, made);
            fchmod(fileno(made), 0755);
            fclose(made);
        }
        setenv("PATH", folder, 1);
        assert_int_equal(cj_report_page(&page, &out, NULL), CJ_OK);
        setenv("PATH", before, 1);
        check_holds("says", out.bytes, cases[i].says);
        check_holds("figures are there", out.bytes, "<td>THD</td>");
        assert_null(strstr(out.bytes, "<figure>"));
        cj_text_free(&out);
    }
    unlink(file);
    rmdir(folder);
    cj_free(before);
    give_back(&taken);
}

/* Names reach gnuplot as text and nothing else. */
static void gnuplot_text(void **state)
{
    (void)state;
    cj__plots plots = {0};
    cj__plot_text(&plots, "a'b`touch x`\"\n\\");
    assert_string_equal(plots.script.bytes, "'a''b`touch x`\"?\\'");
    cj__plots_free(&plots);
}

/* Every allocation in turn: an error and no half page, never a page that lacks something. */
static cj_status page_job(void *user, cj_error *err)
{
    const struct board_sample *sample = user;
    const cj_page page = {
        .board = sample->board, .observed = sample->observed, .diagnosis = &sample->diagnosis};
    cj_text out = {0};
    cj_status status = cj_report_page(&page, &out, err);
    assert_true(status == CJ_OK || out.length == 0);
    cj_text_free(&out);
    return status;
}

static void page_out_of_memory(void **state)
{
    (void)state;
    struct board_sample sample;
    board_sample_make(&sample);
    assert_true(failing_each("page", page_job, &sample) > 20);
    board_sample_free(&sample);
}

/* ---- findings back from JSON ---- */

static void findings_read_back(void **state)
{
    (void)state;
    struct board_sample sample;
    cj_text first = {0}, second = {0};
    cj_findings *read = NULL;
    cj_error err = {0};
    board_sample_make(&sample);
    assert_int_equal(cj_report_findings_json(&sample.findings, &first, NULL), CJ_OK);
    assert_int_equal(cj__findings_read(first.bytes, &read, NULL), CJ_OK);
    assert_int_equal(cj_report_findings_json(read, &second, NULL), CJ_OK);
    for (size_t i = 0; i <= first.length; i++)
        if (first.bytes[i] != second.bytes[i])
            fail_msg("they part at '%.60s' and '%.60s'", first.bytes + i, second.bytes + i);
    cj_findings_free(read);
    assert_int_equal(cj__findings_read("{}", &read, &err), CJ_DATA);
    assert_int_equal(cj__findings_read("[", &read, &err), CJ_DATA);
    assert_int_equal(cj__findings_read("[1, {}, {\"faults\": 3}]", &read, &err), CJ_OK);
    assert_int_equal(read->count, 3);
    assert_int_equal(read->items[2].fault_count, 0);
    cj_findings_free(read);
    cj_text_free(&first);
    cj_text_free(&second);
    board_sample_free(&sample);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(stages_of_fixtures),   cmocka_unit_test(every_part_is_there),
        cmocka_unit_test(suspect_is_marked),    cmocka_unit_test(measured_path),
        cmocka_unit_test(spectrum_levels),      cmocka_unit_test(trace_of_three_periods),
        cmocka_unit_test(band_of_a_low_pass),   cmocka_unit_test(page_is_whole_and_harmless),
        cmocka_unit_test(page_without_gnuplot), cmocka_unit_test(gnuplot_text),
        cmocka_unit_test(page_out_of_memory),   cmocka_unit_test(findings_read_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
