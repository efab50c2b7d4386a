/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Statistics of many units against published worked examples: the NIST/SEMATECH e-Handbook of
 * Statistical Methods (US Government, public domain), by section. Where the handbook prints a
 * figure it is compared to the digits printed; the twelve digits beside it are the same formula on
 * the same data in SciPy.
 */
#include "tests.h"

#include "verdict/distributions.h"

#define DIGITS 1e-11 /* relative: the references have 12 digits */

/* Printed with so many decimals. */
#define check_printed(label, got, want, decimals)                                                  \
    check_close(label, got, want, 0.5 * pow(10, -(decimals)) * (1 + 1e-9))

/* 7.2.4.1: Wilson's interval; the handbook prints no digits of its own there */
void test_wilson(void **state)
{
    (void)state;
    static const struct {
        size_t good, count;
        double confidence, low, high;
    } cases[] = {
        {26, 200, 0.95, 0.0902820227967, 0.183663518722},
        {26, 200, 0.90, 0.0957727482108, 0.174104150674},
        {4, 20, 0.90, 0.0931180165812, 0.378376685835},
        {4, 20, 0.95, 0.0806576625798, 0.416017432252},
        {0, 20, 0.95, 0, 0.161125158053},
        {0, 50, 0.95, 0, 0.0713475991334},
        {1, 50, 0.95, 0.00353925927165, 0.104954435896},
        {3, 20, 0.95, 0.0523687458962, 0.360418864741},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_interval got = cj_wilson(cases[i].good, cases[i].count, cases[i].confidence);
        check_close("Wilson, lower", got.low, cases[i].low, 1e-12);
        check_close("Wilson, upper", got.high, cases[i].high, 1e-12);
        /* of the others: the mirror */
        cj_interval rest =
            cj_wilson(cases[i].count - cases[i].good, cases[i].count, cases[i].confidence);
        check_close("Wilson, mirrored", rest.high, 1 - cases[i].low, 1e-12);
        check_close("Wilson, mirrored", rest.low, 1 - cases[i].high, 1e-12);
    }
    cj_interval none = cj_wilson(0, 0, 0.95);
    check_close("none of none", none.low, 0, 0);
    check_close("none of none", none.high, 1, 0);
}

/* 6.1.6: limits 8 and 20, mean 16, s 2; Cpu and Cpl are cpk with one limit. */
void test_capability(void **state)
{
    (void)state;
    const cj_summary summary = {.count = 50, .mean = 16, .spread = 2};
    cj_capability both = cj_capable(&summary, 8, 20);
    check_printed("Cp", both.cp, 1.0, 4);
    check_printed("Cpk", both.cpk, 0.6667, 4);
    check_printed("Cpu", cj_capable(&summary, NAN, 20).cpk, 0.6667, 4);
    check_printed("Cpl", cj_capable(&summary, 8, NAN).cpk, 1.3333, 4);
    assert_true(isnan(cj_capable(&summary, 8, NAN).cp));
    /* Cpk = (1 - k) Cp with k = |14 - 16| / 6 (6.1.6) */
    check_close("k", 1 - both.cpk / both.cp, 0.333333333333, 1e-12);
    const cj_summary same = {.count = 5, .mean = 16, .spread = 0}, one = {1, 16, NAN, 16, 16};
    assert_true(isnan(cj_capable(&same, 8, 20).cpk) && isnan(cj_capable(&one, 8, 20).cpk));
    assert_true(isnan(cj_capable(&summary, NAN, NAN).cpk));
    /* 6.1.6, 95 % interval of a Cp of 1 */
    static const struct {
        size_t count;
        double low, high;
    } cases[] = {
        {10, 0.547762063104, 1.45383660241},
        {30, 0.743873174567, 1.25563949642},
        {50, 0.80248232815, 1.19712592527},
        {100, 0.860825773332, 1.13894328414},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const cj_summary of = {.count = cases[i].count, .mean = 0, .spread = 1};
        cj_capability got = cj_capable(&of, -3, 3);
        check_ratio("Cp, lower", got.cp_interval.low, cases[i].low, DIGITS);
        check_ratio("Cp, upper", got.cp_interval.high, cases[i].high, DIGITS);
    }
}

static unsigned next(unsigned *seed)
{
    return *seed = *seed * 1664525u + 1013904223u; /* Numerical Recipes' constants (from memory) */
}

/* Normal by Box and Muller 1958. */
static double random_normal(unsigned *seed)
{
    double a = (next(seed) >> 8) + 0.5, b = (next(seed) >> 8) + 0.5, whole = 1 << 24;
    return sqrt(-2 * log(a / whole)) * cos(2 * M_PI * b / whole);
}

/* The interval of Cpk holds the true one in 95 % of batches, within what is left out by the
 * approximation. */
void test_capability_coverage(void **state)
{
    (void)state;
    enum { BATCHES = TRIALS_OF(4000), UNITS = 25 };
    unsigned seed = 7;
    int held = 0;
    for (int b = 0; b < BATCHES; b++) {
        double values[UNITS];
        for (int i = 0; i < UNITS; i++)
            values[i] = 16 + 2 * random_normal(&seed);
        cj_summary summary = cj_summarise(values, UNITS);
        cj_interval got = cj_capable(&summary, 8, 20).cpk_interval;
        held += got.low <= 4.0 / 6 && got.high >= 4.0 / 6;
    }
    check_close("held", (double)held / BATCHES, 0.95, 0.02 + 3 * sqrt(0.95 * 0.05 / BATCHES));
}

/* 6.3.2.2, ten flow rates. */
static const double flow[] = {49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1};

void test_individuals(void **state)
{
    (void)state;
    unsigned char out[30];
    cj_chart chart = cj_chart_make(flow, 10);
    cj_summary summary = cj_summarise(flow, 10);
    check_printed("mean", chart.centre, 50.81, 2);
    check_printed("mean range", chart.range_mean, 1.8778, 4);
    check_printed("upper", chart.upper, 55.8041, 4);
    check_printed("lower", chart.lower, 45.8159, 4);
    check_ratio("sigma", (chart.upper - chart.centre) / 3, 1.66469661151, DIGITS);
    check_ratio("range limit", chart.range_upper, 6.1347, 1e-5);
    check_ratio("spread", summary.spread, 2.03385239276, DIGITS);
    check_close("lowest", summary.lowest, 47.6, 0);
    check_close("highest", summary.highest, 53.6, 0);
    assert_int_equal(cj_chart_check(&chart, flow, 10, out), 0);
    /* beyond a limit, with a jump there and back; the eighth in a row on one side */
    const double more[] = {50, 57, 51, 51, 51, 51, 51, 51, 51, 51, 50, 51};
    const unsigned char want[] = {
        0, CJ_OUT_LIMITS | CJ_OUT_RANGE, 0, 0, 0, 0, 0, 0, CJ_OUT_RUN, CJ_OUT_RUN, 0, 0};
    assert_int_equal(cj_chart_check(&chart, more, 12, out), 3);
    assert_memory_equal(out, want, 12);
    const double jump[] = {47.5, 54, 54};
    assert_int_equal(cj_chart_check(&chart, jump, 3, out), 1);
    assert_int_equal(out[1], CJ_OUT_RANGE);
    assert_true(isnan(cj_chart_make(flow, 1).upper));
}

/* 1.3.5.17.1: uranium data of Tietjen and Moore; then critical values. */
void test_grubbs(void **state)
{
    (void)state;
    static const double uranium[] = {199.31, 199.53, 200.19, 200.82,
                                     201.92, 201.95, 202.18, 245.57};
    cj_outlier got = cj_grubbs(uranium, 8, 0.95);
    assert_int_equal(got.index, 7);
    check_close("G, printed cut off after four decimals", floor(got.g * 1e4) / 1e4, 2.4687, 1e-9);
    check_ratio("G", got.g, 2.46876461121, DIGITS);
    check_ratio("critical", got.critical, 2.1266450872, DIGITS);
    check_close("critical, printed cut off", floor(got.critical * 1e3) / 1e3, 2.126, 1e-9);
    check_ratio("mean", cj_summarise(uranium, 8).mean, 206.43375, 1e-15);
    check_printed("s", cj_summarise(uranium, 8).spread, 15.85256, 5);
    /* without it nothing is left that stands out */
    got = cj_grubbs(uranium, 7, 0.95);
    assert_true(got.g < got.critical);
    static const struct {
        size_t count;
        double one_sided, two_sided;
    } cases[] = {
        {3, 1.15311806142, 1.15430485134},  {4, 1.46250000008, 1.48125},
        {5, 1.67138566949, 1.71503731211},  {6, 1.82211964234, 1.88714511779},
        {7, 1.93813471626, 2.01996850768},  {9, 2.10956178861, 2.21500422333},
        {10, 2.17606839419, 2.28995408448}, {15, 2.40903841995, 2.54830776883},
        {20, 2.55658133441, 2.70824564544}, {30, 2.74513172445, 2.90847305972},
        {50, 2.95697484715, 3.12824733433},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        double values[60];
        for (size_t k = 0; k < cases[i].count; k++)
            values[k] = (double)(k * k);
        /* one-sided at 5 % is two-sided at 10 %; SciPy's t quantile (1.10) is good to some 1e-9
         * here, where its incomplete beta function and the closed forms below agree with ours */
        check_ratio("Grubbs, two-sided", cj_grubbs(values, cases[i].count, 0.95).critical,
                    cases[i].two_sided, 1e-8);
        check_ratio("Grubbs, one-sided", cj_grubbs(values, cases[i].count, 0.90).critical,
                    cases[i].one_sided, 1e-8);
    }
    /* t of two and of three have closed forms */
    check_ratio("of four", cj_grubbs(flow, 4, 0.95).critical, 1.48125, 1e-12);
    check_ratio("of four, one-sided", cj_grubbs(flow, 4, 0.90).critical, 1.4625, 1e-12);
    check_ratio("of five", cj_grubbs(flow, 5, 0.95).critical, 1.7150373123433633, 1e-12);
    assert_true(isnan(cj_grubbs(flow, 2, 0.95).g));
    const double same[] = {1, 1, 1, 1};
    assert_true(isnan(cj_grubbs(same, 4, 0.95).g));
}

/* 7.2.6.3: 43 wafers, 90 % of them with 99 % confidence, and six; then a table. The handbook's
 * two-sided factor is Howe's approximation (1969), its one-sided ones Natrella's and the noncentral
 * t. */
void test_tolerance(void **state)
{
    (void)state;
    const double z90 = 1.2815515655446004, z99 = 2.3263478740408408; /* normal quantiles, SciPy */
    check_printed("chi-squared", cj__chi2_quantile(0.01, 42), 23.650, 3);
    check_ratio("chi-squared", cj__chi2_quantile(0.01, 42), 23.6500946778, DIGITS);
    check_printed("noncentral t", cj__t_quantile(0.99, 42, z90 * sqrt(43)), 12.28834, 5);
    check_printed("one-sided, 43", cj_tolerance_one_sided(43, 0.90, 0.99), 1.8740, 4);
    check_printed("one-sided, 6", cj_tolerance_one_sided(6, 0.90, 0.99), 4.4111, 4);
    check_ratio("one-sided, 43", cj_tolerance_one_sided(43, 0.90, 0.99), 1.87395360585, DIGITS);
    check_ratio("one-sided, 6", cj_tolerance_one_sided(6, 0.90, 0.99), 4.4110805724, DIGITS);
    double a = 1 - z99 * z99 / 84, b = z90 * z90 - z99 * z99 / 43;
    check_printed("Natrella, near the noncentral t", (z90 + sqrt(z90 * z90 - a * b)) / a, 1.8752,
                  4);
    check_close("Natrella", cj_tolerance_one_sided(43, 0.90, 0.99), 1.8752, 0.002);
    double howe = 1.6448536269514722 * sqrt(42 * (1 + 1 / 43.0) / cj__chi2_quantile(0.01, 42));
    check_printed("Howe", howe, 2.217, 3);
    check_close("Howe's against the exact", cj_tolerance_two_sided(43, 0.90, 0.99), howe, 0.01);
    static const struct {
        size_t count;
        double coverage, one, two, howe;
    } cases[] = {
        {5, 0.95, 4.20268074126, 5.07687453206, 5.09352589186},
        {5, 0.99, 5.74108451723, 6.5979767394, 6.69402772405},
        {10, 0.95, 2.91096341308, 3.39342947871, 3.38191349051},
        {10, 0.99, 3.98111784527, 4.43690872895, 4.44458772693},
        {20, 0.95, 2.39600168375, 2.76034617845, 2.75228488853},
        {20, 0.99, 3.29515693617, 3.62098617376, 3.61711547943},
        {30, 0.95, 2.21983753204, 2.55489281328, 2.54963529517},
        {30, 0.99, 3.06390112624, 3.35457584479, 3.35078876881},
        {43, 0.95, 2.10480999662, 2.42537652737, 2.42198558337},
        {43, 0.99, 2.91407466135, 3.18595099648, 3.18302861054},
        {50, 0.95, 2.06499341774, 2.38155974212, 2.37876933426},
        {50, 0.99, 2.86244926382, 3.1287687825, 3.12623283178},
        {100, 0.95, 1.92653885051, 2.23388202304, 2.23280292137},
        {100, 0.99, 2.68395785569, 2.93554924115, 2.9344004478},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        double p = cases[i].coverage, n = (double)cases[i].count;
        check_ratio("one-sided", cj_tolerance_one_sided(cases[i].count, p, 0.95), cases[i].one,
                    DIGITS);
        check_ratio("two-sided", cj_tolerance_two_sided(cases[i].count, p, 0.95), cases[i].two,
                    DIGITS);
        double z = p == 0.95 ? 1.959963984540054 : 2.5758293035489004;
        check_ratio("Howe", z * sqrt((n - 1) * (1 + 1 / n) / cj__chi2_quantile(0.05, n - 1)),
                    cases[i].howe, DIGITS);
    }
    assert_true(isnan(cj_tolerance_one_sided(1, 0.9, 0.9)));
    assert_true(isnan(cj_tolerance_two_sided(1, 0.9, 0.9)));
    /* very many units: the normal quantile itself */
    check_close("very many", cj_tolerance_one_sided(1000000, 0.95, 0.95), 1.6448536, 3e-3);
}

/* Where a closed form exists. */
void test_distributions(void **state)
{
    (void)state;
    for (double x = 0.1; x < 60; x *= 1.7) {
        check_close("chi-squared of two", cj__chi2_below(x, 2), 1 - exp(-x / 2), 1e-14);
        check_close("chi-squared of four", cj__chi2_below(x, 4), 1 - exp(-x / 2) * (1 + x / 2),
                    1e-14);
        check_close("t of one", cj__t_below(x, 1, 0), 0.5 + atan(x) / M_PI, 1e-13);
        check_close("t of two", cj__t_below(x, 2, 0), 0.5 + x / (2 * sqrt(2 + x * x)), 1e-13);
        check_close("t, below", cj__t_below(-x, 2, 0), 0.5 - x / (2 * sqrt(2 + x * x)), 1e-13);
        check_close("t of very many", cj__t_below(x, 1e10, 0.3), cj__normal_below(x - 0.3), 1e-9);
    }
    /* P(T <= 0) is that of the normal alone (Johnson and Kotz, from memory) */
    check_close("noncentral, at nought", cj__t_below(0, 7, 1.3), cj__normal_below(-1.3), 1e-14);
    /* of a million: normal, skewness 2 sqrt(2 / nu) (Wilson and Hilferty 1931) */
    double nu = 1e6, cube = 1 - 2 / (9 * nu) + 2 * sqrt(2 / (9 * nu));
    check_close("chi-squared of a million", cj__chi2_below(nu * cube * cube * cube, nu),
                cj__normal_below(2), 1e-7);
}

void test_angles_together(void **state)
{
    (void)state;
    double values[] = {179, -179, 178, -178};
    cj_unwrap_degrees(values, 4);
    cj_summary summary = cj_summarise(values, 4);
    check_close("middle", remainder(summary.mean - 180, 360), 0, 1e-9);
    check_close("spread", summary.spread, sqrt(10.0 / 3), 1e-9);
}
