/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_transient.c - the transient against formulas; the circuits stand in transient-closed.txt. */
#include <complex.h>

#include "check.h"
#include "failing.h"
#include "netlist_text.h"

#define CIRCUITS HERE "/transient-closed.txt"

static const double pi = 3.14159265358979323846;

typedef struct circuit {
    netlist_text text;
    cj__transient_answer got;
} circuit;

static circuit loaded(const char *name)
{
    circuit c;
    netlist_text_read(CIRCUITS, name, &c.text);
    return c;
}

static void wire(circuit *c)
{
    c->text.netlist.branches = c->text.branches;
    c->text.netlist.sources = c->text.sources;
    c->text.netlist.amps = c->text.amps;
    c->text.netlist.windings = c->text.windings;
    c->text.netlist.junctions = c->text.junctions;
}

static void run(circuit *c)
{
    cj_error err = {0};
    wire(c);
    cj_status status = cj__transient(&c->text.netlist, &c->text.setup, &c->got, &err);
    if (status)
        print_error("%s\n", err.message);
    assert_int_equal(status, CJ_OK);
    assert_int_equal(c->got.unsettled_steps, 0);
}

static circuit solved(const char *name, int steps)
{
    circuit c = loaded(name);
    c.text.setup.steps_per_period = steps;
    run(&c);
    assert_true(c.got.settled);
    return c;
}

static double complex phasor(const circuit *c, int channel)
{
    return CMPLX(c->got.tone[channel].re, c->got.tone[channel].im);
}

/* dB and degrees off. */
static double db_off(double complex got, double complex want)
{
    return 20 * log10(cabs(got / want));
}

static double degrees_off(double complex got, double complex want)
{
    return carg(got / want) * 180 / pi;
}

/* ---- linear ones: 0.005 dB and 0.8 degrees at 200 steps a period ---- */

static double complex low_pass(double hz)
{
    return 1 / (1 + I * 2 * pi * hz * 1000 * 100e-9);
}

static double complex high_pass_slow(double hz)
{
    double complex s = I * 2 * pi * hz;
    return s * 10e-6 * 1e5 / (1 + s * 10e-6 * (1e5 + 50));
}

/* Primary current i, secondary j: 1 = (100 + 50 + sL) i + sM j, 0 = sM i + (50 + 1e4 + sL) j. */
static double complex winding(double hz)
{
    double complex s = I * 2 * pi * hz, own = 2 * s, mutual = 1.99 * s;
    return 1e4 * mutual / ((150 + own) * (10050 + own) - mutual * mutual);
}

static void linear_ones(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        double complex (*of)(double hz);
        int steps;
        double db, degrees;
    } table[] = {{"low-pass", low_pass, 200, 0.002, 0.01},
                 {"low-pass", low_pass, 400, 0.0005, 0.0025},
                 {"high-pass-slow", high_pass_slow, 200, 1e-4, 1e-3},
                 {"winding", winding, 200, 0.005, 0.01}};
    for (size_t k = 0; k < sizeof table / sizeof *table; k++) {
        circuit c = solved(table[k].name, table[k].steps);
        double complex want = table[k].of(1000);
        check_close(table[k].name, db_off(phasor(&c, 1), want), 0, table[k].db);
        check_close(table[k].name, degrees_off(phasor(&c, 1), want), 0, table[k].degrees);
        check_close(table[k].name, c.got.dc_v[1], 0, 1e-4 * cabs(want));
        check_close(table[k].name, c.got.thd[1], 0, 1e-4);
    }
}

/* Second order: twice the steps, a quarter of the error. */
static void second_order(void **state)
{
    (void)state;
    double off[3];
    for (int k = 0; k < 3; k++) {
        circuit c = loaded("low-pass");
        c.text.setup.steps_per_period = 100 << k;
        c.text.setup.periods = 12;
        run(&c);
        off[k] = cabs(phasor(&c, 1) - low_pass(1000));
    }
    check_close("100 to 200", off[0] / off[1], 4, 0.2);
    check_close("200 to 400", off[1] / off[2], 4, 0.2);
}

/* A square of 1 V: fundamental 4 / pi, THD of the odd ones to the ninth as the low-pass leaves
 * them. */
static void square(void **state)
{
    (void)state;
    circuit c = loaded("low-pass");
    c.text.setup.square = true;
    run(&c);
    assert_true(c.got.settled);
    double complex want = 4 / pi * low_pass(1000);
    double sum = 0;
    for (int n = 3; n <= 9; n += 2)
        sum += pow(cabs(low_pass(1000.0 * n)) / n, 2);
    check_close("tone", db_off(phasor(&c, 1), want), 0, 0.002);
    check_close("phase", degrees_off(phasor(&c, 1), want), 0, 0.05);
    check_ratio("thd", c.got.thd[1], sqrt(sum) / cabs(low_pass(1000)), 0.005);
}

/* ---- clipped: A sin held at `high` above and -`low` below; by integration over the pieces ---- */

/* (1 / pi) times the integral over one half period of what stands for A sin, times sin n. */
static double half_sine_part(double peak, double limit, int n)
{
    double turn = limit < peak ? asin(limit / peak) : pi / 2;
    double rising = n == 1 ? turn - 0.5 * sin(2 * turn)
                           : sin((n - 1) * turn) / (n - 1) - sin((n + 1) * turn) / (n + 1);
    double flat = 0;
    for (int k = 0; k < 2; k++) { /* from turn to pi - turn */
        double at = k ? pi - turn : turn;
        flat += (k ? -1 : 1) * cos(n * at) / n;
    }
    if (n % 2 == 0)
        rising = flat = 0;
    return (peak * rising + limit * flat) / pi;
}

/* The same times cos n (even n only: odd ones vanish by symmetry about a quarter period). n = 0:
 * times 1. */
static double half_cosine_part(double peak, double limit, int n)
{
    if (n % 2)
        return 0;
    double turn = limit < peak ? asin(limit / peak) : pi / 2;
    /* twice the integral from 0 to turn of sin x cos n x, and from turn to pi / 2 of cos n x */
    double rising = n == 0
                        ? 2 * (1 - cos(turn))
                        : (1 - cos((n + 1) * turn)) / (n + 1) - (1 - cos((n - 1) * turn)) / (n - 1);
    double flat = n == 0 ? pi - 2 * turn : 2 * (sin(n * pi / 2) - sin(n * turn)) / n;
    return (peak * rising + limit * flat) / pi;
}

static void clipped_sine(double peak, double high, double low, double *tone, double *dc,
                         double *thd)
{
    *tone = half_sine_part(peak, high, 1) + half_sine_part(peak, low, 1);
    *dc = (half_cosine_part(peak, high, 0) - half_cosine_part(peak, low, 0)) / 2;
    double sum = 0;
    for (int n = 2; n <= 10; n++) {
        double b = half_sine_part(peak, high, n) + half_sine_part(peak, low, n);
        double a = half_cosine_part(peak, high, n) - half_cosine_part(peak, low, n);
        sum += a * a + b * b;
    }
    *thd = sqrt(sum) / *tone;
}

static void clipped_ones(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        double high, low;
        bool coupled;
    } table[] = {{"clipped", 3, 3, false},
                 {"clipped-one-side", 10, 2, false},
                 {"clipped-coupled", 10, 2, true}};
    for (size_t k = 0; k < sizeof table / sizeof *table; k++) {
        double tone, dc, thd;
        circuit c = solved(table[k].name, 0);
        clipped_sine(5, table[k].high, table[k].low, &tone, &dc, &thd);
        check_close(table[k].name, db_off(phasor(&c, 1), tone), 0, 0.002);
        check_close(table[k].name, degrees_off(phasor(&c, 1), tone), 0, 0.02);
        check_close(table[k].name, c.got.dc_v[1], table[k].coupled ? 0 : dc, 0.001);
        check_ratio(table[k].name, c.got.thd[1], thd, 0.002);
    }
}

/* Slews all the time: a triangle of SR / 4f peak, the peak where the falling sine meets it; odd
 * harmonics fall as the square. */
static void triangle(void **state)
{
    (void)state;
    circuit c = solved("triangle", 0);
    double peak = 1e5 / 4e4, lag = pi / 2 - asin(peak / 8);
    double thd = sqrt(pow(3, -4) + pow(5, -4) + pow(7, -4) + pow(9, -4));
    double complex want = 8 / (pi * pi) * peak * cexp(-I * lag);
    check_close("tone", db_off(phasor(&c, 1), want), 0, 0.01);
    check_close("phase", degrees_off(phasor(&c, 1), want), 0, 0.2);
    check_ratio("thd", c.got.thd[1], thd, 0.002);
    check_close("dc", c.got.dc_v[1], 0, 0.002);
}

/* (sin - v) / R = 2 Is sinh(v / nVt) at 4096 instants, each to the last digit by halving. */
static void diodes(void **state)
{
    (void)state;
    enum { POINTS = 4096 };
    double complex line[11] = {0};
    for (int k = 0; k < POINTS; k++) {
        double angle = 2 * pi * k / POINTS, source = 2 * sin(angle), low = -2, high = 2;
        for (int pass = 0; pass < 60; pass++) {
            double v = 0.5 * (low + high);
            bool above = (source - v) / 1000 < 2 * 2.52e-9 * sinh(v / 0.0453);
            *(above ? &high : &low) = v;
        }
        for (int n = 1; n <= 10; n++)
            line[n] += high * 2 / POINTS * (sin(n * angle) + I * cos(n * angle));
    }
    double sum = 0;
    for (int n = 2; n <= 10; n++)
        sum += pow(cabs(line[n]), 2);
    circuit c = solved("diode-clipper", 0);
    check_close("tone", db_off(phasor(&c, 0), line[1]), 0, 1e-4);
    check_close("phase", degrees_off(phasor(&c, 0), line[1]), 0, 1e-3);
    check_ratio("thd", c.got.thd[0], sqrt(sum) / cabs(line[1]), 1e-4);
    check_close("dc", c.got.dc_v[0], 0, 1e-6);
}

/* ---- modes ---- */

/* Two states at rest, and a drive too small to leave either. */
static void start_decides(void **state)
{
    (void)state;
    for (int side = 0; side < 2; side++) {
        circuit c = loaded("trigger");
        signed char mode = side ? CJ_HIGH : CJ_LOW;
        c.text.setup.modes = &mode;
        run(&c);
        double at_output = 10.5 * 5.25e4 / (5.25e4 + 100); /* behind 100 ohm, into 52.5k */
        check_close(side ? "high" : "low", c.got.dc_v[1], side ? at_output : -at_output, 1e-4);
        check_close("no signal", cabs(phasor(&c, 1)), 0, 1e-6);
    }
}

static void driven_through(void **state)
{
    (void)state;
    circuit c = loaded("trigger");
    signed char mode = CJ_LOW;
    c.text.setup.modes = &mode;
    c.text.setup.peak_v = 4;
    run(&c);
    /* a square that turns where the sine passes 2 V against it: at 30 degrees, inverted */
    double complex want = -4 / pi * 10.48 * cexp(-I * pi / 6);
    check_close("tone", db_off(phasor(&c, 1), want), 0, 0.05);
    check_close("phase", degrees_off(phasor(&c, 1), want), 0, 1.5);
    check_close("dc", c.got.dc_v[1], 0, 0.1);
}

static void held_ones(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        cj_mode mode;
        double dc, tone; /* behind 100 ohm into 900 */
    } table[] = {{"high", CJ_HIGH, 10.5 * 0.9, 0},
                 {"low", CJ_LOW, -10.5 * 0.9, 0},
                 {"dead", CJ_DEAD, 0, 0},
                 {"held", CJ_HELD, -3 * 0.9, 0.25 * 0.9}};
    for (size_t k = 0; k < sizeof table / sizeof *table; k++) {
        circuit c = loaded("held");
        c.text.amps[0].mode = table[k].mode;
        c.text.amps[0].held_dc_v = -3;
        c.text.amps[0].held_peak_v = 0.25;
        run(&c);
        check_close(table[k].name, c.got.dc_v[1], table[k].dc, 1e-6);
        check_close(table[k].name, creal(phasor(&c, 1)), table[k].tone, 1e-6);
        check_close(table[k].name, cimag(phasor(&c, 1)), 0, 1e-6);
    }
}

/* What never repeats with the source is said to be so. */
static void never_settles(void **state)
{
    (void)state;
    circuit c = loaded("astable");
    signed char mode = CJ_HIGH;
    c.text.setup.modes = &mode;
    run(&c);
    assert_false(c.got.settled);
}

static void refused(void **state)
{
    (void)state;
    cj_error err;
    circuit c = loaded("low-pass");
    wire(&c);
    c.text.setup.steps_per_period = 8;
    assert_int_equal(cj__transient(&c.text.netlist, &c.text.setup, &c.got, &err), CJ_BUG);
    c.text.setup.steps_per_period = 0;
    c.text.setup.hz = NAN;
    assert_int_equal(cj__transient(&c.text.netlist, &c.text.setup, &c.got, &err), CJ_BUG);
}

static cj_status whole_run(void *user, cj_error *err)
{
    circuit *c = user;
    return cj__transient(&c->text.netlist, &c->text.setup, &c->got, err);
}

static void out_of_memory(void **state)
{
    (void)state;
    circuit c = loaded("winding");
    wire(&c);
    c.text.setup.periods = 1;
    assert_true(failing_each("transient", whole_run, &c) > 10);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(linear_ones),   cmocka_unit_test(square),
        cmocka_unit_test(second_order),  cmocka_unit_test(clipped_ones),
        cmocka_unit_test(triangle),      cmocka_unit_test(diodes),
        cmocka_unit_test(start_decides), cmocka_unit_test(driven_through),
        cmocka_unit_test(held_ones),     cmocka_unit_test(never_settles),
        cmocka_unit_test(refused),       cmocka_unit_test(out_of_memory),
    };
    return cmocka_run_group_tests_name("transient", tests, NULL, NULL);
}
