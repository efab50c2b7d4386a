/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * One figure against its limits. Rule: JCGM 106:2012 with the three answers of ISO 14253-1. The
 * numbers are the normal integral in 12 digits (computed with SciPy's norm.cdf from the formulas of
 * JCGM 106; its example data from memory).
 */
#include "tests.h"

static cj_judged row(const char *figure, double value, double u, double min, double max)
{
    static char name[32];
    snprintf(name, sizeof name, "%s", figure);
    return (cj_judged){
        .figure = name, .value = value, .u = u, .bound = NAN, .min = min, .max = max};
}

static const char *word(cj_verdict verdict)
{
    return verdict == CJ_PASS ? "pass" : verdict == CJ_FAIL ? "fail" : "undecided";
}

static cj_verdict decided(cj_judged *judged)
{
    cj_judged_decide(judged);
    return judged->verdict;
}

/* Gain limit +-0.10 dB, u = 0.01 dB, the edges 0.08 and 0.12 among them. */
void test_rule(void **state)
{
    (void)state;
    static const struct {
        double y, conforms, margin;
        const char *verdict;
    } cases[] = {
        {0.000, 1.000000000000, 5, "pass"},          {0.050, 0.999999713348, 2.5, "pass"},
        {0.079, 0.982135579437, 1.05, "pass"},       {0.080, 0.977249868052, 1, "pass"},
        {0.090, 0.841344746068, 0.5, "undecided"},   {0.100, 0.500000000000, 0, "undecided"},
        {0.110, 0.158655253931, -0.5, "undecided"},  {0.119, 0.028716559816, -0.95, "undecided"},
        {0.120, 0.022750131948, -1, "undecided"},    {0.130, 0.001349898032, -1.5, "fail"},
        {-0.095, 0.691462461274, 0.25, "undecided"}, {-0.080, 0.977249868052, 1, "pass"},
        {-0.120, 0.022750131948, -1, "undecided"},   {-0.121, 0.017864420563, -1.05, "fail"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char label[32];
        cj_judged judged = row("gain_db", cases[i].y, 0.01, -0.10, 0.10);
        snprintf(label, sizeof label, "%g dB", cases[i].y);
        check_holds(label, word(decided(&judged)), cases[i].verdict);
        check_close(label, cj_judged_conforms(&judged), cases[i].conforms, 6e-13);
        check_close(label, judged.margin, cases[i].margin, 1e-9);
    }
    /* a count has no uncertainty: its limit is a limit */
    cj_judged count = row("dropouts@out", 0, NAN, NAN, 0);
    assert_int_equal(decided(&count), CJ_PASS);
    assert_true(isnan(count.margin));
    count.value = 1;
    assert_int_equal(decided(&count), CJ_FAIL);
    check_close("count", cj_judged_conforms(&count), 0, 0);
}

/* Modulo 360 about the middle; u 0.1 degrees. */
void test_angles(void **state)
{
    (void)state;
    static const struct {
        double value, min, max, margin;
        cj_verdict verdict;
    } cases[] = {
        {179.5, 178, 182, 7.5, CJ_PASS},
        {-179.5, 178, 182, 7.5, CJ_PASS},
        {-178.1, 178, 182, 0.5, CJ_VERDICT_UNDECIDED},
        {-177.5, 178, 182, -2.5, CJ_FAIL},
        {0, 178, 182, -890, CJ_FAIL},
        {1, -2, 2, 5, CJ_PASS},
        {359, -2, 2, 5, CJ_PASS},
        {-179, 170, 190, 45, CJ_PASS},
        {90, -180, 180, NAN, CJ_PASS}, /* any phase */
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char label[48];
        cj_judged judged = row("phase_deg", cases[i].value, 0.1, cases[i].min, cases[i].max);
        snprintf(label, sizeof label, "%g in %g..%g", cases[i].value, cases[i].min, cases[i].max);
        check_holds(label, word(decided(&judged)), word(cases[i].verdict));
        if (isnan(cases[i].margin))
            assert_true(isnan(judged.margin));
        else
            check_close(label, judged.margin, cases[i].margin, 1e-9);
    }
}

/* What is only known to lie below or above something. */
void test_bounds(void **state)
{
    (void)state;
    static const struct {
        cj_bound kind;
        double bound, min, max;
        cj_verdict verdict;
    } cases[] = {
        {CJ_BELOW, 0.01, NAN, 0.1, CJ_PASS}, /* THD below 0.01 % passes a limit of 0.1 % */
        {CJ_BELOW, 0.1, NAN, 0.1, CJ_PASS},
        {CJ_BELOW, 0.2, NAN, 0.1, CJ_VERDICT_UNDECIDED},
        {CJ_BELOW, 0.2, 0.3, NAN, CJ_FAIL},
        {CJ_BELOW, 0.4, 0.3, NAN, CJ_VERDICT_UNDECIDED},
        {CJ_BELOW, 0.2, 0.1, 0.3, CJ_VERDICT_UNDECIDED}, /* it may lie below both */
        {CJ_ABOVE, 5, 3, NAN, CJ_PASS},
        {CJ_ABOVE, 5, 7, NAN, CJ_VERDICT_UNDECIDED},
        {CJ_ABOVE, 5, NAN, 4, CJ_FAIL},
        {CJ_ABOVE, 5, NAN, 6, CJ_VERDICT_UNDECIDED},
        {CJ_BOUND_NONE, NAN, NAN, 6, CJ_VERDICT_UNDECIDED},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char label[48];
        cj_judged judged = row("thd_percent@out", NAN, NAN, cases[i].min, cases[i].max);
        judged.bound_kind = cases[i].kind;
        judged.bound = cases[i].bound;
        snprintf(label, sizeof label, "case %zu", i);
        check_holds(label, word(decided(&judged)), word(cases[i].verdict));
        assert_true(isnan(judged.margin));
        assert_true(isnan(cj_judged_conforms(&judged)));
    }
}

/* Probability of being wrong with "pass", for a value on the acceptance limit TU - r U; and two
 * one-sided examples of JCGM 106. */
void test_false_acceptance(void **state)
{
    (void)state;
    static const struct {
        double r, wrong;
    } cases[] = {{0, 0.5},
                 {0.83, 0.0484572262667},
                 {1, 0.0227501319482},
                 {1.5, 0.00134989803163},
                 {3, 9.86587645038e-10}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_judged judged = row("gain_db", 5 - cases[i].r * 2 * 0.25, 0.25, NAN, 5);
        check_close("at the acceptance limit", 1 - cj_judged_conforms(&judged), cases[i].wrong,
                    2e-13);
        assert_int_equal(decided(&judged), cases[i].r >= 1 ? CJ_PASS : CJ_VERDICT_UNDECIDED);
    }
    cj_judged diode = row("dc_v@out", -5.47, 0.05, NAN, -5.4);
    check_close("breakdown voltage", cj_judged_conforms(&diode), 0.919243340766, 1e-12);
    cj_judged burst = row("dc_v@out", 509.7, 8.6, 490, NAN);
    check_close("burst pressure", cj_judged_conforms(&burst), 0.989009547, 1e-9);
}

static double normal(double x, double sigma)
{
    return exp(-x * x / (2 * sigma * sigma)) / (sigma * sqrt(2 * M_PI));
}

static double normal_below(double x)
{
    return 0.5 * erfc(-x / M_SQRT2);
}

/* How wide cj_judged_decide really accepts: the edge found by halving. */
static double accepted_half(double limit, double u)
{
    double in = 0, out = limit;
    for (int i = 0; i < 60; i++) {
        cj_judged judged = row("gain_db", (in + out) / 2, u, -limit, limit);
        *(decided(&judged) == CJ_PASS ? &in : &out) = (in + out) / 2;
    }
    return in;
}

/*
 * Over a production of known spread: the shares of units that are out and accepted, and in but not
 * accepted (JCGM 106, global risks; the precision resistors and a gain limit, both integrated with
 * SciPy).
 */
void test_global_risks(void **state)
{
    (void)state;
    static const struct {
        const char *label;
        double limit, spread, u, out_accepted, in_refused;
    } cases[] = {
        {"resistors", 0.2, 0.12, 0.04, 0.000468633599, 0.247669640},
        {"gain", 0.10, 0.05, 0.01, 0.000160700236, 0.0713249011},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        double limit = cases[i].limit, u = cases[i].u, accepted = accepted_half(limit, u);
        double out = 0, in = 0, step = limit / 20000;
        for (int k = -160000; k < 160000; k++) { /* midpoints; the limits lie between two */
            double x = (k + 0.5) * step, share = normal(x, cases[i].spread) * step;
            double pass = normal_below((accepted - x) / u) - normal_below((-accepted - x) / u);
            *(fabs(x) > limit ? &out : &in) += share * (fabs(x) > limit ? pass : 1 - pass);
        }
        check_ratio(cases[i].label, out, cases[i].out_accepted, 1e-6);
        check_ratio(cases[i].label, in, cases[i].in_refused, 1e-6);
    }
}

void test_too_wide(void **state)
{
    (void)state;
    static const struct {
        const char *figure;
        double u, min, max;
        bool wide;
    } cases[] = {
        {"gain_db", 0.049, -0.1, 0.1, false},       {"gain_db", 0.051, -0.1, 0.1, true},
        {"gain_db", 10, NAN, 0.1, false}, /* low enough passes */
        {"thd_percent@out", 0.051, NAN, 0.1, true}, {"thd_percent@out", 0.049, NAN, 0.1, false},
        {"thd_db@out", 3, NAN, -60, false},         {"noise_a_v@out", 2e-5, NAN, 3e-5, true},
        {"dropouts@out", NAN, NAN, 0, false},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_judged judged = row(cases[i].figure, 0, cases[i].u, cases[i].min, cases[i].max);
        check_close(cases[i].figure, cj_judged_too_wide(&judged), cases[i].wide, 0);
    }
}
