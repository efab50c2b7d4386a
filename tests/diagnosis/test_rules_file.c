/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Rules files, and what conditions and facts make of figures. */
#include "bench.h"

#include "diagnosis/internal.h"
#include "failing.h"
#include "tests.h"

/* The least rule, with `when` and one more line as given. */
#define RULE(when, more)                                                                           \
    "rules:\n- rule: mine\n  when: " when                                                          \
    "\n  roles: a place\n  says: it is so\n  check: do it\n" more

static cj_status add(cj_rules *rules, const char *text, cj_error *err)
{
    return cj_rules_add_text(rules, "mine.yaml", text, strlen(text), err);
}

void rules_files_that_are_refused(void **state)
{
    (void)state;
    static const struct {
        const char *text, *says;
        long line, column;
    } cases[] = {
        {"", "nothing in this file", 1, 1},
        {"rules: none\n", "'none' given for rules; expected a list", 1, 8},
        {"rulez: []\n", "unknown key 'rulez' in a rules file; did you mean 'rules'?", 1, 1},
        {"healthy: {}\n", "the key 'rules' is missing", 1, 1},
        {"rules: [a]\n", "'a' given for a rule; expected a mapping", 1, 9},
        {"rules:\n- {rule: a}\n", "the key 'when' is missing", 2, 3},
        {"rules:\n- rule: Bad Name\n", "'Bad Name' is no name of a rule", 2, 9},
        {RULE("{second.dcv: {from: 1 V}}", ""),
         "unknown fact 'second.dcv'; did you mean 'second.dc_v'?", 3, 10},
        {RULE("{secnd.dc_v: {from: 1 V}}", ""),
         "unknown fact 'secnd.dc_v'; did you mean 'second.dc_v'?", 3, 10},
        {RULE("{dc_v: {from: 1 V}}", ""), "unknown fact 'dc_v'; expected SCOPE.NAME", 3, 10},
        {RULE("{pair.dc_v: {from: 1 V}}", ""), "unknown fact 'pair.dc_v'", 3, 10},
        {RULE("{first_path.match: differ}", ""), "unknown fact 'first_path.match'", 3, 10},
        {RULE("{pair.turn: fliped}", ""),
         "'fliped' is no word of turn; expected one of: as-expected, flipped, unclear", 3, 21},
        {RULE("{pair.turn: [flipped, flipped]}", ""), "given twice", 3, 31},
        {RULE("{pair.turn: []}", ""), "turn is a word", 3, 21},
        {RULE("{pair.turn: {from: 1}}", ""), "turn is a word", 3, 21},
        {RULE("{second.dc_v: high}", ""), "dc_v is a number; expected a range", 3, 23},
        {RULE("{second.dc_v: {from: 1 dB}}", ""), "'1 dB' is no quantity in V", 3, 30},
        {RULE("{second.dc_v: {from: 2, to: 1}}", ""), "'from' lies above 'to'", 3, 23},
        {RULE("{second.dc_v: {}}", ""), "expected {from: X, to: Y}", 3, 23},
        {RULE("{second.dc_v: {near: 1}}", ""), "expected {from: X, to: Y}", 3, 23},
        {RULE("{second.dc_v: {from: 1, within: 2}}", ""), "expected {from: X, to: Y}", 3, 23},
        {RULE("{second.dc_v: {within: 0}}", ""), "'within' has to be above 0", 3, 23},
        {RULE("{second.dc_v: {beyond: 1, to: 3}}", ""), "'beyond' stands alone", 3, 23},
        {RULE("{second.dc_v: {beyond: -1}}", ""), "'beyond' stands alone", 3, 23},
        {RULE("{second.dc_v: {form: 1}}", ""),
         "unknown key 'form' in a condition; did you mean 'from'?", 3, 24},
        {RULE("{}", ""), "0 conditions; expected 1 to 16", 3, 9},
        {RULE("{pair.turn: flipped}", "  weight: 0\n"), "the weight '0' is not above 0", 7, 11},
        {RULE("{pair.turn: flipped}", "  weight: heavy\n"), "'heavy' is no quantity", 7, 11},
        {RULE("{pair.turn: flipped}", "  board: perhaps\n"), "expected true or false", 7, 10},
        {RULE("{pair.turn: flipped}", "  number: -3\n"), "'-3' is no number of a rule", 7, 11},
        {RULE("{pair.turn: flipped}", "  number: 100\n"),
         "the number 100 is that of the rule 'summing-output-pin-open'", 7, 11},
        {RULE("{pair.turn: flipped}", "  number: 5\nretired: [4, 5]\n"), "the number 5 is retired",
         7, 11},
        {RULE("{pair.turn: flipped}", "  over: [hum-secnd]\n"), "there is no rule 'hum-secnd'", 7,
         9},
        {RULE("{pair.turn: flipped}", "  caution: hot {second.dcv}\n"),
         "unknown placeholder '{second.dcv}'; did you mean 'second.dc_v'?", 7, 12},
        {RULE("{pair.turn: flipped}", "  solution: none\n"),
         "unknown key 'solution' in a rule; expected one of: rule, number", 7, 3},
        {RULE("{pair.turn: flipped}",
              "- rule: mine\n  when: {pair.turn: flipped}\n  roles: x\n  says: x\n  check: x\n"),
         "the rule 'mine' is given twice", 7, 9},
        {"rules: []\nunexplained: 0\n", "the weight '0'", 2, 14},
        {"rules: []\nhealthy: {second.dcv: {to: 1}}\n", "did you mean 'second.dc_v'?", 2, 11},
        {"rules: []\nretired: [x]\n", "'x' is no number of a rule", 2, 11},
        {"rules:\n- rule: a\n  when: {pair.turn: flipped}\n  roles: [x, x]\n  says: x\n  check: "
         "x\n",
         "'x' is given twice", 4, 14},
        {"rules:\n- rule: a\n  when: {pair.turn: flipped}\n  roles: []\n  says: x\n  check: x\n",
         "0 entries", 4, 10},
        {"rules:\n- rule: a\n  when: {pair.turn: flipped}\n  roles: x\n  says:\n  check: x\n",
         "nothing given for says", 5, 8},
        {"rules: *a\n", "aliases are not used here", 1, 8},
    };
    cj_rules *rules = NULL;
    assert_int_equal(cj_rules_builtin(&rules, NULL), CJ_OK);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_error err = {0};
        if (add(rules, cases[i].text, &err) != CJ_DATA)
            fail_msg("case %zu was read:\n%s", i, cases[i].text);
        check_holds(cases[i].text, err.message, cases[i].says);
        assert_string_equal(err.file, "mine.yaml");
        if (err.line != cases[i].line || err.column != cases[i].column)
            fail_msg("case %zu: at %ld:%ld, not %ld:%ld (%s)", i, err.line, err.column,
                     cases[i].line, cases[i].column, err.message);
    }
    cj_error err = {0};
    assert_int_equal(cj_rules_add(rules, "does/not/exist.yaml", &err), CJ_NOINPUT);
    assert_int_equal(cj_rules_add(rules, FIXTURES, &err), CJ_DATA);
    cj_rules_free(rules);
    cj_rules_free(NULL);
}

void a_refused_file_changes_nothing(void **state)
{
    (void)state;
    cj_rules *rules = NULL;
    assert_int_equal(cj_rules_builtin(&rules, NULL), CJ_OK);
    size_t count = cj_rules_count(rules);
    assert_int_equal(add(rules, RULE("{pair.turn: flipped}", "- rule: other\n"), NULL), CJ_DATA);
    assert_int_equal(cj_rules_count(rules), count);
    cj_rules_free(rules);
}

void own_rules_add_and_replace(void **state)
{
    (void)state;
    cj_rules *rules = NULL;
    cj_error err = {0};
    assert_int_equal(cj_rules_builtin(&rules, NULL), CJ_OK);
    size_t count = cj_rules_count(rules);
    /* adding the built-in file again replaces every rule by itself */
    assert_int_equal(cj_rules_add(rules, FIXTURES "/rules/bench.yaml", &err), CJ_OK);
    assert_int_equal(cj_rules_count(rules), count);
    assert_int_equal(
        add(rules,
            "unexplained: 3\nhealthy: {pair.gain_db: {near: 6 dB, within: 1 dB}}\nrules:\n"
            "- rule: level-off\n  number: 145\n  when: {pair.gain_db: {from: 30 dB}}\n  roles: my "
            "place\n"
            "  says: >-\n    {first} then\n    {pair.gain_db}\n  check: look\n"
            "- rule: mine\n  when: {first.signal: two-tone}\n  roles: x\n  says: x\n  check: x\n",
            &err),
        CJ_OK);
    assert_int_equal(cj_rules_count(rules), count + 1);
    cj_findings *findings = bench_apply(rules, 1, "match=differ pair.gain=100 pair.gain_db=40~0.1");
    assert_string_equal(findings->items[0].rule, "level-off");
    assert_string_equal(findings->items[0].says, "Channel 1 then 40.0 dB");
    assert_string_equal(findings->items[0].faults[0].role, "my place");
    check_close("healthy", findings->items[0].evidence[0].healthy.value, 6, 0);
    check_close("none", findings->unexplained, 0.75, 1e-12);
    cj_findings_free(findings);
    cj_rules_free(rules);
}

/* ---- conditions ---- */

/* Probability a condition gives a fact of the second path or the pair; NaN where it could not be
 * told. */
static double judged(const char *condition, const char *facts, char *why, size_t size)
{
    cj__yaml *yaml = NULL;
    cj_error err = {0};
    cj__condition read;
    if (cj__yaml_read_text("condition", condition, strlen(condition), &yaml, &err) != CJ_OK ||
        cj__condition_read(yaml, yaml->root->child, &read, &err) != CJ_OK)
        fail_msg("%s: %s", condition, err.message);
    bench made;
    bench_set(&made, 1, facts);
    cj_figure figure = cj__fact_figure(&read.fact, &made.comparison, 1);
    double p = cj__condition_judge(&read, &figure, why, size);
    bench_free(&made);
    cj__yaml_free(yaml);
    return p;
}

/* Expected values: scipy.stats.norm.cdf. */
void conditions_are_judged_with_their_uncertainty(void **state)
{
    (void)state;
    static const struct {
        const char *condition, *facts;
        double p;
    } cases[] = {
        {"second.dc_v: {from: 1 V}", "second.dc_v=1~0.1", 0.5},
        {"second.dc_v: {from: 1 V}", "second.dc_v=1.1~0.1", 0.8413447460685429},
        {"second.dc_v: {to: 1 V}", "second.dc_v=1.1~0.1", 0.15865525393145707},
        {"second.dc_v: {from: 1 V, to: 1.2 V}", "second.dc_v=1.1~0.1", 0.6826894921370859},
        {"second.dc_v: {near: 1.1 V, within: 100 mV}", "second.dc_v=1.1~0.1", 0.6826894921370859},
        {"second.dc_v: {within: 100 mV}", "second.dc_v=0~0.1", 0.6826894921370859},
        {"second.dc_v: {beyond: 100 mV}", "second.dc_v=0~0.1", 0.15865525393145707},
        {"second.dc_v: {beyond: 100 mV}", "second.dc_v=-0.3~0.1", 0.9772498680518208},
        {"second.dc_v: {from: 1 V}", "second.dc_v=0~0.1", 7.61985302416047e-24},
        {"second.dc_v: {from: 1 V}", "second.dc_v=1", 1},
        {"second.dc_v: {from: 1 V}", "second.dc_v=0.999", 0},
        {"second.dc_v: {beyond: 1 V}", "second.dc_v=-1.5", 1},
        {"pair.phase_deg: {near: 180 deg, within: 10 deg}", "pair.phase_deg=-175", 1},
        {"pair.phase_deg: {near: 180 deg, within: 10 deg}", "pair.phase_deg=165", 0},
        {"pair.phase_deg: {from: 170, to: 190}", "pair.phase_deg=-178~1", 0.9999999999999993},
        {"second.thd_percent: {from: 5 %}", "second.thd_percent=6", 1},
        {"second.thd_percent: {from: 5}", "second.thd_percent=4.9", 0},
        {"second.clip_fraction: {from: 1 %}", "second.clip_fraction=0.02", 1},
        {"pair.turn: flipped", "pair.turn=flipped", 1},
        {"pair.turn: [flipped, unclear]", "pair.turn=as-expected", 0},
        {"pair.match: [differ, undecided]", "match=undecided", 1},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char why[200];
        check_close(cases[i].condition, judged(cases[i].condition, cases[i].facts, why, sizeof why),
                    cases[i].p, 1e-13 * cases[i].p + 1e-40);
    }
}

void bounds_count_where_they_settle_it(void **state)
{
    (void)state;
    static const struct {
        const char *condition, *facts;
        double p; /* NaN: could not be told */
        const char *why;
    } cases[] = {
        {"pair.gain_db: {to: -50 dB}", "pair.gain_db<-60", 1, ""},
        {"pair.gain_db: {to: -50 dB}", "pair.gain_db<-50", 1, ""},
        {"pair.gain_db: {to: -50 dB}", "pair.gain_db<-40", NAN, "only a bound is known"},
        {"pair.gain_db: {from: -50 dB}", "pair.gain_db<-60", 0, ""},
        {"pair.gain_db: {from: -50 dB, to: -30 dB}", "pair.gain_db<-40", NAN, ""},
        {"pair.gain_db: {from: -50 dB, to: -30 dB}", "pair.gain_db<-20", NAN, ""},
        {"pair.gain_db: {from: -50 dB, to: -30 dB}", "pair.gain_db<-55", 0, ""},
        {"pair.gain_db: {from: -50 dB}", "pair.gain_db>-40", 1, ""},
        {"pair.gain_db: {to: -50 dB}", "pair.gain_db>-40", 0, ""},
        {"pair.gain_db: {to: -30 dB}", "pair.gain_db>-40", NAN, ""},
        {"pair.gain_db: {beyond: 50 dB}", "pair.gain_db<-60", 1, ""},
        {"pair.gain_db: {beyond: 50 dB}", "pair.gain_db>60", 1, ""},
        {"pair.gain_db: {beyond: 50 dB}", "pair.gain_db<40", NAN, ""},
        {"pair.step_db: {from: 50 dB}", "pair.gain_db<-60", 1, ""},
        {"pair.step_db: {from: 50 dB}", "pair.gain_db<60", NAN, ""},
        {"second.dc_v: {from: 1 V}", "second.dc_v=?AC-coupled_input", NAN, "AC-coupled input"},
        {"second.dc_v: {from: 1 V}", "second.dc_v=2@FS", NAN,
         "the unit is FS, not volts: give --full-scale"},
        {"second.dc_v: {from: 1 V}", "second.dc_v=2@?", NAN, "the file states no unit"},
        {"second.dc_v: {from: 1 V}", "second.dc_v=2@A", NAN, "the unit is A, not volts"},
        {"second.stray_v: {to: 1 V}", "second.stray_v<0.1@FS", NAN, "FS"},
        {"stimulus.dc_v: {from: 1 V}", "", NAN, "takes two captures of two channels"},
        {"second_path.gain_db: {from: 1 dB}", "", NAN, "takes two captures"},
        {"pair.coherence: {from: 0.5}", "", NAN, "not measured in this capture"},
        {"pair.turn: flipped", "pair.turn=?no_phase", NAN, "no phase"},
        /* ratios do not need volts */
        {"second.hum_ratio_db: {from: -40 dB}", "second.hum_v=0.02@FS second.tone_peak_v=1@FS", 1,
         ""},
        {"second.hum_ratio_db: {from: -40 dB}", "second.hum_v=0.02 second.tone_peak_v<0.1", 1, ""},
        {"second.hum_ratio_db: {from: -40 dB}", "second.hum_v<0.001 second.tone_peak_v<0.1", NAN,
         "only a bound is known"},
        {"second.hum_ratio_db: {from: -40 dB}", "second.hum_v=0", NAN, "a level is zero"},
        {"second.hum_ratio_db: {to: -40 dB}", "second.hum_v<0.001", 1, ""},
        {"pair.hum_rise_db: {from: 10 dB}", "second.hum_v=0.02 first.hum_v<0.001", 1, ""},
        {"pair.hum_rise_db: {to: -10 dB}", "first.hum_v=0.02 second.hum_v<0.001", 1, ""},
        {"pair.hum_rise_db: {from: 10 dB}", "first.hum_v<0.02 second.hum_v<0.001", NAN, ""},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char why[200];
        double p = judged(cases[i].condition, cases[i].facts, why, sizeof why);
        if (isnan(p) != isnan(cases[i].p) || (!isnan(p) && p != cases[i].p))
            fail_msg("%s with %s: %g, not %g (%s)", cases[i].condition, cases[i].facts, p,
                     cases[i].p, why);
        if (isnan(p))
            check_holds(cases[i].condition, why, cases[i].why);
    }
}

static cj_figure fact_of(const char *name, int captures, const char *facts)
{
    cj__fact fact;
    char hint[200];
    if (!cj__fact_read(name, &fact, hint, sizeof hint))
        fail_msg("%s: %s", name, hint);
    bench made;
    bench_set(&made, captures, facts);
    cj_figure figure = cj__fact_figure(&fact, &made.comparison, 1);
    bench_free(&made);
    return figure;
}

/* 20/ln 10 = 8.685889638; first-order propagation worked by hand. */
void ratios_carry_their_uncertainty(void **state)
{
    (void)state;
    cj_figure hum =
        fact_of("second.hum_ratio_db", 1,
                "second.hum_v=0.01~0.001 second.tone_peak_v=1.41421356237~0.0282842712");
    check_close("hum", hum.value, -40, 1e-9);
    check_close("hum u", hum.u, 8.685889638 * hypot(0.1, 0.02), 1e-8);
    cj_figure rise = fact_of("pair.thd_rise_db", 1, "second.thd_db=-30~0.3 first.thd_db=-60~0.4");
    check_close("rise", rise.value, 30, 0);
    check_close("rise u", rise.u, 0.5, 1e-12);
    cj_figure n = fact_of("pair.inputs", 1, "pair.gain=0.1111111111~0.002");
    check_close("n", n.value, 4, 1e-8);
    /* dn/dg = 1/(2 g^2) */
    check_close("n u", n.u, 0.002 / (2 * 0.1111111111 * 0.1111111111), 1e-8);
    cj_figure skewed =
        fact_of("second.clip_asymmetry", 1,
                "second.clip_high_fraction=0.03~0.001 second.clip_low_fraction=0.01~0.002");
    check_close("asymmetry", skewed.value, 0.5, 1e-12);
    /* 2 (l dh - h dl) / (h + l)^2 */
    check_close("asymmetry u", skewed.u, 2 * hypot(0.01 * 0.001, 0.03 * 0.002) / (0.04 * 0.04),
                1e-12);
    cj_figure swap =
        fact_of("pair.swap_db", 2, "first_path.gain_db=12~0.3 second_path.gain_db=-11.5~0.4");
    check_close("swap", swap.value, 0.5, 1e-12);
    check_close("swap u", swap.u, 0.5, 1e-12);
    cj_figure quarter = fact_of("pair.quadrature_deg", 1, "pair.phase_deg=-91~3");
    check_close("quarter", quarter.value, 1, 1e-12);
    cj_figure turn = fact_of("pair.turn_deg", 1, "pair.phase_deg=-12~1");
    check_close("turn", turn.value, 12, 1e-12);
}

void an_earlier_rule_wins_a_circle(void **state)
{
    (void)state;
    cj_rules *rules = NULL;
    cj_error err = {0};
    assert_int_equal(cj__rules_new(&rules, NULL), CJ_OK);
    assert_int_equal(add(rules,
                         "rules:\n- {rule: a, when: {pair.turn: flipped}, roles: x, says: aaa, "
                         "check: x, over: b}\n"
                         "- {rule: b, when: {pair.turn: flipped}, roles: y, says: bbb, check: x, "
                         "over: [a, b]}\n",
                         &err),
                     CJ_OK);
    cj_findings *findings = bench_apply(rules, 1, "match=differ pair.turn=flipped");
    assert_int_equal(findings->count, 1);
    assert_string_equal(findings->items[0].rule, "a");
    check_holds("b", bench_line(findings, "b"), "'a' says more, 1.00 sure");
    cj_findings_free(findings);
    cj_rules_free(rules);
}

void numbers_are_said_as_on_the_bench(void **state)
{
    (void)state;
    static const struct {
        const char *fact;
        double value;
        const char *unit, *says;
    } cases[] = {
        {"pair.gain_db", -19.08, "dB", "-19.1 dB"},
        {"pair.gain_db", 0.123, "dB", "0.12 dB"},
        {"pair.phase_deg", 179.6, "deg", "180 degrees"},
        {"pair.phase_deg", -3.21, "deg", "-3.2 degrees"},
        {"second.dc_v", 0.0123, "V", "12.3 mV"},
        {"second.dc_v", -10.64, "V", "-10.6 V"},
        {"second.dc_v", 0.00012, "V", "120 \xc2\xb5V"},
        {"second.dc_v", 0, "V", "0 V"},
        {"second.dc_v", 0.9999, "V", "1 V"},
        {"second.dc_v", 0.25, "FS", "0.25 FS"},
        {"second.dc_v", 2, "?", "2 units"},
        {"second.thd_percent", 0.0123, "%", "0.012 %"},
        {"second.hum_hz", 50, "Hz", "50 Hz"},
        {"second.stray_hz", 172000, "Hz", "172 kHz"},
        {"pair.delay_s", 3.2e-5, "s", "32 \xc2\xb5s"},
        {"second.dropouts", 3, "1", "3"},
        {"pair.gain", 0.11111, "V/V", "0.11"},
        {"pair.inputs", 3.9, "1", "4"},
        {"second.clip_fraction", 0.314, "1", "31 %"},
        {"pair.gain_db", NAN, "dB", "unknown"},
        {"pair.gain_db", -0.001, "dB", "0.00 dB"},
        {"pair.gain_db", -1e300, "dB", "-1e+300 dB"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj__fact fact;
        char hint[200];
        cj_text text = {0};
        assert_true(cj__fact_read(cases[i].fact, &fact, hint, sizeof hint));
        cj__say_number(fact.what, cases[i].unit, cases[i].value, &text);
        assert_string_equal(text.bytes, cases[i].says);
        cj_text_free(&text);
    }
}

/* ---- memory ---- */

static cj_status load_and_apply(void *user, cj_error *err)
{
    const bench *made = user;
    cj_rules *rules = NULL;
    cj_findings *findings = NULL;
    static const char text[] =
        RULE("{pair.turn: [flipped, unclear]}", "  over: noisy\n  caution: hot\n");
    cj_status status = cj__rules_new(&rules, err);
    if (status == CJ_OK)
        status = add(rules,
                     "healthy: {pair.turn: as-expected}\nretired: [9]\nrules:\n"
                     "- {rule: noisy, when: {either.signal: tone}, roles: [x, y], says: '{path}', "
                     "check: x}\n",
                     err);
    if (status == CJ_OK)
        status = add(rules, text, err);
    if (status == CJ_OK)
        status = cj_rules_apply(rules, &made->comparison, true, &findings, err);
    cj_findings_free(findings);
    cj_rules_free(rules);
    return status;
}

void memory_runs_out_anywhere(void **state)
{
    (void)state;
    bench made;
    bench_set(&made, 1, "match=differ pair.turn=flipped");
    assert_true(failing_each("rules", load_and_apply, &made) > 50);
    bench_free(&made);
}
