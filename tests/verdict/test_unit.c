/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The limits of a board against readings of a unit. */
#include "tests.h"

#include "coldjoint/circuit.h"
#include "failing.h"

struct unit {
    cj_board *board;
    cj_observed *observed;
    cj_diagnosis *diagnosis;
    cj_judgement *judgement;
};

static void unit_board(struct unit *unit, const char *text)
{
    cj_errors errors;
    *unit = (struct unit){0};
    if (cj_board_read_text("board", text, strlen(text), &unit->board, &errors) != CJ_OK)
        fail_msg("%s", errors.items[0].message);
    if (cj_observed_make(unit->board, &unit->observed, NULL) != CJ_OK)
        fail_msg("out of memory");
}

static void unit_free(struct unit *unit)
{
    cj_judgement_free(unit->judgement);
    cj_diagnosis_free(unit->diagnosis);
    cj_observed_free(unit->observed);
    cj_board_free(unit->board);
}

/* Readings with blanks between them. */
static void unit_read(struct unit *unit, const char *readings)
{
    char copy[512], *rest = copy;
    snprintf(copy, sizeof copy, "%s", readings);
    for (char *one; (one = strtok_r(rest, " ", &rest)) != NULL;) {
        cj_error err;
        if (cj_observed_add_typed(unit->observed, one, &err) != CJ_OK)
            fail_msg("%s: %s", one, err.message);
    }
}

static void unit_judge(struct unit *unit)
{
    cj_error err;
    if (cj_diagnose(unit->board, unit->observed, NULL, &unit->diagnosis, &err) != CJ_OK ||
        cj_judge(unit->diagnosis, &unit->judgement, &err) != CJ_OK)
        fail_msg("%s", err.message);
}

static const cj_judged *find(const struct unit *unit, const char *step, const char *figure,
                             double hz)
{
    for (size_t i = 0; i < unit->judgement->limit_count; i++) {
        const cj_judged *row = &unit->judgement->limits[i];
        if (strcmp(row->step, step) == 0 && strcmp(row->figure, figure) == 0 &&
            fabs(row->hz - hz) <= 1e-9 * hz)
            return row;
    }
    return NULL;
}

/* Every row as "step figure verdict[ (why)]; ". */
static void rows_text(const struct unit *unit, cj_text *out)
{
    static const char *const words[] = {"pass", "fail", "undecided"};
    for (size_t i = 0; i < unit->judgement->limit_count; i++) {
        const cj_judged *row = &unit->judgement->limits[i];
        cj_text_add(out, "%s %s %s", row->step, row->figure, words[row->verdict]);
        if (row->why != NULL)
            cj_text_add(out, " (%s)", row->why);
        cj_text_add(out, "; ");
        /* a reason with every row that is undecided, and with no other */
        assert_int_equal(row->why != NULL, row->verdict == CJ_VERDICT_UNDECIDED);
    }
}

#define INVERTER                                                                                   \
    "board: inverter\n"                                                                            \
    "rails: {v+: 12, v-: -12}\n"                                                                   \
    "inputs:\n  - {net: in, source: 0, idle: ground}\n"                                            \
    "outputs:\n  - {net: out, load: 1M}\n"                                                         \
    "parts:\n"                                                                                     \
    "  - {ref: R1, kind: resistor, value: 10k, tolerance: 1%, pins: [in, bus]}\n"                  \
    "  - {ref: R2, kind: resistor, value: 20k, tolerance: 2%, pins: [bus, out]}\n"                 \
    "  - {ref: U1, kind: opamp, type: ideal, offset: 1m, pins: [out, bus, gnd]}\n"                 \
    "steps:\n"                                                                                     \
    "  - {step: tone, drive: in, tone: {hz: 1000, peak: 1}, see: [in, out]}\n"                     \
    "  - {step: high, drive: in, tone: {hz: 9000, peak: 1}, see: [in, out]}\n"                     \
    "  - {step: quiet, drive: none, see: [out]}\n"                                                 \
    "limits:\n"

void test_rows(void **state)
{
    (void)state;
    static const struct {
        const char *limits, *readings, *rows;
        cj_verdict verdict;
        int worst;
    } cases[] = {
        /* inside by U and more; outside by more; between */
        {"  - {step: tone, figure: gain_db, min: 5.9, max: 6.1}\n", "tone:gain_db=6.02~0.01",
         "tone gain_db pass; ", CJ_PASS, 0},
        {"  - {step: tone, figure: gain_db, min: 5.9, max: 6.1}\n", "tone:gain_db=7~0.01",
         "tone gain_db fail; ", CJ_FAIL, 0},
        {"  - {step: tone, figure: gain_db, min: 5.9, max: 6.1}\n", "tone:gain_db=6.09~0.01",
         "tone gain_db undecided (nearer to the limit than its uncertainty); ",
         CJ_VERDICT_UNDECIDED, 0},
        {"  - {step: tone, figure: gain_db, min: 5.9, max: 6.1}\n", "tone:gain_db=6~0.2",
         "tone gain_db undecided (its uncertainty is wider than the limits); ",
         CJ_VERDICT_UNDECIDED, 0},
        /* the worst of all: fail, then undecided, then the least margin */
        {"  - {step: tone, figure: gain_db, max: 6.1}\n  - {step: quiet, figure: dc_v, of: out, "
         "max: 1}\n"
         "  - {step: high, figure: gain_db, min: 5}\n",
         "tone:gain_db=6.09~0.01 quiet:dc_v@out=2~0.01 high:gain_db=6~0.1",
         "tone gain_db undecided (nearer to the limit than its uncertainty); quiet dc_v@out fail; "
         "high gain_db pass; ",
         CJ_FAIL, 1},
        {"  - {step: tone, figure: gain_db, max: 6.1}\n  - {step: quiet, figure: dc_v, of: out, "
         "max: 1}\n"
         "  - {step: high, figure: gain_db, min: 5}\n",
         "tone:gain_db=6~0.01 quiet:dc_v@out=0~0.01 high:gain_db=6~0.4",
         "tone gain_db pass; quiet dc_v@out pass; high gain_db pass; ", CJ_PASS, 2},
        /* not captured; captured, and the figure not read */
        {"  - {step: tone, figure: gain_db, min: 5.9, max: 6.1}\n", "quiet:dc_v=0",
         "tone gain_db undecided (the step was not captured); ", CJ_VERDICT_UNDECIDED, 0},
        {"  - {step: tone, figure: gain_db, min: 5.9, max: 6.1}\n", "tone:dc_v@out=0",
         "tone gain_db undecided (it was not read); ", CJ_VERDICT_UNDECIDED, 0},
        /* wherever it is measurable, and once at least */
        {"  - {step: \"*\", figure: dc_v, of: out, min: -1, max: 1}\n",
         "tone:dc_v@out=0~0.01 quiet:dc_v@out=2~0.01 high:gain_db=6~0.1",
         "tone dc_v@out pass; quiet dc_v@out fail; ", CJ_FAIL, 1},
        {"  - {step: \"*\", figure: dc_v, of: out, min: -1, max: 1}\n", "high:gain_db=6~0.1",
         "* dc_v@out undecided (no step that was captured shows it); ", CJ_VERDICT_UNDECIDED, 0},
        /* the same figure of another net is another figure */
        {"  - {step: tone, figure: dc_v, of: in, min: -1, max: 1}\n", "tone:dc_v@out=0",
         "tone dc_v@in undecided (it was not read); ", CJ_VERDICT_UNDECIDED, 0},
        /* an explicit limit beats a derived one, in dB or not; what it leaves stays derived */
        {"  - {step: \"*\", figure: gain, min: 1, max: 3}\n  - {step: tone, figure: dc_v, of: out, "
         "max: 1}\n"
         "  - {step: quiet, figure: dc_v, of: out, max: 1}\n  - {step: \"*\", figure: phase_deg, "
         "min: 90, max: 270}\n"
         "  - {step: high, figure: dc_v, of: out, max: 1}\n  - {from: tolerance, sigmas: 3}\n",
         "tone:gain=2~0.01 tone:gain_db=9~0.01 tone:dc_v@out=0.5~0.01 tone:phase_deg=180~1 "
         "quiet:dc_v=0 "
         "high:dc_v@out=0",
         "tone gain pass; tone dc_v@out pass; quiet dc_v@out pass; tone phase_deg pass; high "
         "dc_v@out "
         "pass; ",
         CJ_PASS, 0},
        /* no limits at all: nothing was decided */
        {"  - {from: tolerance, sigmas: 3}\n", "tone:gain_db=6.02~0.01 tone:dc_v@out=0~0.0001",
         NULL, CJ_VERDICT_UNDECIDED, -1},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct unit unit;
        char text[2000], label[24];
        cj_text rows = {0};
        snprintf(text, sizeof text, "%s%s", INVERTER, cases[i].limits);
        snprintf(label, sizeof label, "case %zu", i);
        unit_board(&unit, text);
        unit_read(&unit, cases[i].readings);
        unit_judge(&unit);
        rows_text(&unit, &rows);
        if (cases[i].rows != NULL)
            assert_string_equal(rows.bytes, cases[i].rows);
        assert_int_equal(unit.judgement->verdict, cases[i].verdict);
        if (cases[i].worst >= 0 && cases[i].rows != NULL &&
            strstr(cases[i].rows, "gain pass") == NULL)
            assert_int_equal(unit.judgement->worst, cases[i].worst);
        cj_text_free(&rows);
        unit_free(&unit);
    }
}

/*
 * Against closed forms. Gain R2 / R1: one sigma is 20 / ln 10 times the root sum of squares of both
 * tolerances over the root of 3 (rectangular, JCGM 100 4.3.7). DC: the offset times 1 + R2 / R1; a
 * typical offset is 0.67 sigma.
 */
void test_derived(void **state)
{
    (void)state;
    struct unit unit;
    const double gain = 20 * log10(2), per_db = 20 / M_LN10;
    const double gain_sigma = per_db * sqrt(0.01 * 0.01 + 0.02 * 0.02) / sqrt(3);
    const double dc_sigma = 3 * 1e-3 / 0.67;
    unit_board(&unit, INVERTER "  - {from: tolerance, sigmas: 2.5}\n");
    unit_read(&unit, "tone:gain_db=6.0~0.01 tone:phase_deg=-180~0.1 tone:dc_v@out=0.02~0.001 "
                     "tone:dc_v@in=0.5~0.001 quiet:dc_v@out=0.002~0.001");
    unit_judge(&unit);
    const cj_judged *row = find(&unit, "tone", "gain_db", 0);
    assert_non_null(row);
    assert_true(row->derived);
    check_close("gain, lower", row->min, gain - 2.5 * gain_sigma, 1e-4);
    check_close("gain, upper", row->max, gain + 2.5 * gain_sigma, 1e-4);
    assert_int_equal(row->verdict, CJ_PASS);
    row = find(&unit, "tone", "dc_v@out", 0);
    assert_non_null(row);
    check_ratio("DC, lower", row->min, -2.5 * dc_sigma, 0.01);
    check_ratio("DC, upper", row->max, 2.5 * dc_sigma, 0.01);
    assert_int_equal(row->verdict, CJ_FAIL);
    assert_int_equal(find(&unit, "quiet", "dc_v@out", 0)->verdict, CJ_PASS);
    assert_null(find(&unit, "tone", "dc_v@in", 0)); /* the source's own */
    assert_null(find(&unit, "tone", "tone_peak_v@out", 0));
    assert_int_equal(unit.judgement->verdict, CJ_FAIL);
    unit_free(&unit);
}

#define LOW_PASS                                                                                   \
    "board: low-pass\n"                                                                            \
    "inputs:\n  - {net: in, source: 0, idle: ground}\n"                                            \
    "outputs:\n  - {net: out, load: 1000G}\n"                                                      \
    "parts:\n"                                                                                     \
    "  - {ref: R1, kind: resistor, value: 10k, tolerance: 1%, pins: [in, out]}\n"                  \
    "  - {ref: C1, kind: capacitor, value: 10n, tolerance: 5%, pins: [out, gnd]}\n"                \
    "steps:\n"                                                                                     \
    "  - {step: sweep, drive: in, sweep: {from: 20, to: 20000, seconds: 5, peak: 1}, see: [in, "   \
    "out]}\n"                                                                                      \
    "limits:\n  - {from: tolerance, sigmas: 3}\n"

/* 1 / (1 + j w R C), x = w R C: ln |H| = -ln(1 + x^2) / 2 falls by x^2 / (1 + x^2) for ln R or ln
 * C, the phase -atan x by x / (1 + x^2). */
void test_derived_response(void **state)
{
    (void)state;
    struct unit unit;
    unit_board(&unit, LOW_PASS);
    const double sigma = sqrt(0.01 * 0.01 + 0.05 * 0.05) / sqrt(3), per_db = 20 / M_LN10;
    cj_step_point points[CJ_STEP_POINTS];
    int count = cj_step_points(&unit.board->steps[0], points);
    assert_true(count > 10);
    for (int p = 0; p < count;
         p++) { /* a unit at the good value, but the last point 3 dB off and one missing */
        double x = 2 * M_PI * points[p].hz * 1e-4;
        cj_observation seen = {.figure = "gain_db",
                               .of = {CJ_NO_NET, CJ_GND},
                               .hz = points[p].hz,
                               .value = -10 * log10(1 + x * x) - (p == count - 1 ? 3 : 0),
                               .u = 1e-4};
        if (p != 3)
            assert_int_equal(cj_observed_add(unit.observed, &seen, NULL), CJ_OK);
    }
    unit_judge(&unit);
    int judged = 0;
    for (int p = 0; p < count; p++) {
        double x = 2 * M_PI * points[p].hz * 1e-4, share = x * x / (1 + x * x);
        const cj_judged *gain = find(&unit, "sweep", "gain_db", points[p].hz);
        const cj_judged *phase = find(&unit, "sweep", "phase_deg", points[p].hz);
        assert_non_null(gain);
        assert_non_null(phase);
        judged++;
        check_close("middle", (gain->min + gain->max) / 2, -10 * log10(1 + x * x), 1e-3);
        check_ratio("width", (gain->max - gain->min) / 6, per_db * share * sigma, 2e-3);
        check_ratio("phase width", (phase->max - phase->min) / 6,
                    180 / M_PI * x / (1 + x * x) * sigma, 2e-3);
        assert_int_equal(phase->verdict, CJ_VERDICT_UNDECIDED);
        if (p == 3)
            check_holds("missing", gain->why, "does not reach that frequency");
        else if (p == count - 1)
            assert_int_equal(gain->verdict, CJ_FAIL);
        else if (share * sigma * 3 * per_db > 4e-4)
            assert_int_equal(gain->verdict, CJ_PASS);
    }
    assert_int_equal(judged, count);
    check_close("worst", unit.judgement->limits[unit.judgement->worst].hz, 20000, 1e-6);
    unit_free(&unit);
}

/* A step that was not captured has its derived limits all the same, the same as when it was. */
void test_open_steps(void **state)
{
    (void)state;
    struct unit open, seen;
    unit_board(&open, INVERTER "  - {from: tolerance, sigmas: 3}\n");
    unit_read(&open, "quiet:dc_v@out=0~0.001");
    unit_judge(&open);
    unit_board(&seen, INVERTER "  - {from: tolerance, sigmas: 3}\n");
    unit_read(&seen, "quiet:dc_v@out=0~0.001 tone:dc_v@out=0~0.001 high:dc_v@out=0~0.001");
    unit_judge(&seen);
    assert_int_equal(open.judgement->limit_count, seen.judgement->limit_count);
    for (size_t i = 0; i < seen.judgement->limit_count; i++) {
        const cj_judged *want = &seen.judgement->limits[i];
        const cj_judged *got = find(&open, want->step, want->figure, want->hz);
        assert_non_null(got);
        check_close(want->figure, got->min, want->min, 0);
        check_close(want->figure, got->max, want->max, 0);
        if (strcmp(want->step, "quiet") != 0)
            check_holds("open", got->why, "not captured");
    }
    assert_int_equal(open.judgement->verdict, CJ_VERDICT_UNDECIDED);
    unit_free(&open);
    unit_free(&seen);
}

/* What a capture could not show keeps its reason. */
void test_unread(void **state)
{
    (void)state;
    struct unit unit;
    cj_figure figures[] = {
        {.name = "dc_v", .unit = "V", .value = NAN, .u = NAN, .why = "the input is AC-coupled"},
        {.name = "rms_v", .unit = "FS", .value = 0.5, .u = 0.01},
    };
    cj_measurement measurement = {.channel_count = 1};
    measurement.channel[0] = (cj_figure_set){.items = figures, .count = 2};
    unit_board(&unit, INVERTER "  - {step: quiet, figure: dc_v, of: out, max: 1}\n"
                               "  - {step: quiet, figure: rms_v, of: out, max: 1}\n");
    assert_int_equal(cj_observed_add_measurement(unit.observed, 2, &measurement, NULL, NULL),
                     CJ_OK);
    unit_judge(&unit);
    check_holds("coupling", find(&unit, "quiet", "dc_v@out", 0)->why, "the input is AC-coupled");
    check_holds("unit", find(&unit, "quiet", "rms_v@out", 0)->why,
                "in FS, not in V: the volts at full scale are not known");
    unit_free(&unit);
}

static cj_status judge_job(void *user, cj_error *err)
{
    cj_judgement *judgement = NULL;
    cj_status status = cj_judge(user, &judgement, err);
    cj_judgement_free(judgement);
    return status;
}

void test_memory(void **state)
{
    (void)state;
    struct unit unit;
    unit_board(&unit, INVERTER "  - {step: tone, figure: thd_percent, of: out, max: 1}\n"
                               "  - {from: tolerance, sigmas: 3}\n");
    unit_read(&unit, "tone:gain_db=6~0.01 tone:thd_percent@out=0.1");
    unit_judge(&unit);
    failing_each("judge", judge_job, unit.diagnosis);
    unit_free(&unit);
}
