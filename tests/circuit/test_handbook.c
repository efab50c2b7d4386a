/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Circuits whose answers stand in closed form. */
#include "boards.h"

#define IN "{net: in, source: 0, idle: ground}"

static void inverting_summer(void **state)
{
    (void)state;
    rig r = rig_text("board: summer\ninputs:\n  - {net: a, source: 0, idle: ground}\n"
                     "  - {net: b, source: 0, idle: ground}\nparts:\n"
                     "  - {ref: R1, kind: resistor, value: 10k, pins: [a, x]}\n"
                     "  - {ref: R2, kind: resistor, value: 22k, pins: [b, x]}\n"
                     "  - {ref: R3, kind: resistor, value: 47k, pins: [x, y]}\n"
                     "  - {ref: U1, kind: opamp, type: ideal, pins: [y, x, gnd]}\nsteps:\n"
                     "  - {step: a, drive: a, tone: {hz: 1000, peak: 1}, see: [a, y]}\n"
                     "  - {step: b, drive: b, tone: {hz: 1000, peak: 0.5}, see: [b, y]}\n");
    /* - Rf / R of each input */
    double complex a = tone_of(rig_predict(&r, "a", NULL, 0, 0), 0, 1);
    check_close("a", creal(a), -4.7, 1e-5);
    check_close("a, quadrature", cimag(a), 0, 1e-4);
    double complex b = tone_of(rig_predict(&r, "b", NULL, 0, 0), 0, 1);
    check_close("b", creal(b), -0.5 * 47 / 22, 1e-5);
    rig_free(&r);
}

static rig leak_board(int n, double rf, double rx)
{
    char text[6000];
    int at = snprintf(text, sizeof text, "board: leak\nrails: {v+: 15, v-: -15}\ninputs:\n");
    for (int k = 1; k <= n; k++)
        at += snprintf(text + at, sizeof text - (size_t)at,
                       "  - {net: in%d, source: 0, idle: ground}\n", k);
    at += snprintf(text + at, sizeof text - (size_t)at, "parts:\n");
    for (int k = 1; k <= n; k++)
        at += snprintf(text + at, sizeof text - (size_t)at,
                       "  - {ref: R%d, kind: resistor, value: 10k, pins: [in%d, x]}\n", k, k);
    snprintf(text + at, sizeof text - (size_t)at,
             "  - {ref: RF, kind: resistor, value: %g, pins: [x, y]}\n"
             "  - {ref: RX, kind: resistor, value: %g, pins: [y, w]}\n"
             "  - {ref: RG, kind: resistor, value: %g, pins: [w, z]}\n"
             "  - {ref: U1, kind: opamp, type: ideal, pins: [y, x, gnd]}\n"
             "  - {ref: U2, kind: opamp, type: ideal, pins: [z, w, gnd]}\nsteps:\n"
             "  - {step: s, drive: in1, tone: {hz: 100, peak: 1}, see: [y, z]}\n",
             rf, rx, rx);
    return rig_text(text);
}

/* An output pin that makes no contact: the passive ladder R, Rf, Rx gives, against the healthy
 * stage,
 * - R Rx / (Rf (n (Rf + Rx) + R)); with equal resistors - 1 / (2 n + 1). The dB are those of the
 * table in the reference notes on a summing stage, section 3. */
static void open_output_leaks(void **state)
{
    (void)state;
    static const struct {
        int n;
        double rf, rx, db;
    } table[] = {{1, 10e3, 10e3, -9.542},   {2, 10e3, 10e3, -13.979},  {4, 10e3, 10e3, -19.085},
                 {8, 10e3, 10e3, -24.609},  {32, 10e3, 10e3, -36.258}, {4, 10e3, 47e3, -14.090},
                 {6, 10e3, 4.7e3, -26.400}, {12, 22e3, 10e3, -38.758}, {16, 4.7e3, 10e3, -21.232}};
    for (size_t k = 0; k < sizeof table / sizeof *table; k++) {
        char label[64];
        rig r = leak_board(table[k].n, table[k].rf, table[k].rx);
        snprintf(label, sizeof label, "n %d, Rf %g, Rx %g", table[k].n, table[k].rf, table[k].rx);
        cj_edit open = {
            .kind = CJ_EDIT_LIFT, .part = part_of(&r, "U1"), .pin = 1, .a = 1e13, .b = 0.5e-12};
        const cj_prediction *p = rig_predict(&r, "s", NULL, 0, 0);
        double complex healthy[2] = {tone_of(p, 0, 0), tone_of(p, 0, 1)};
        p = rig_predict(&r, "s", &open, 1, 0);
        for (int c = 0; c < 2; c++) {
            double complex ratio = tone_of(p, 0, c) / healthy[c];
            double n = table[k].n, rf = table[k].rf, rx = table[k].rx;
            check_ratio(label, creal(ratio), -10e3 * rx / (rf * (n * (rf + rx) + 10e3)), 1e-4);
            check_close(label, decibel(ratio), table[k].db, 1.1e-3);
        }
        assert_int_equal(p->by, CJ_BY_LINEAR);
        rig_free(&r);
    }
}

/* Loss in dB of a source into a load; the table of the same notes, section 2. */
static void loaded_divider(void **state)
{
    (void)state;
    static const struct {
        double source, load, db;
    } table[] = {{47, 10e3, -0.0407},   {100, 10e3, -0.0864},  {600, 10e3, -0.5061},
                 {1e3, 20e3, -0.4238},  {10e3, 20e3, -3.5218}, {10e3, 1e6, -0.0864},
                 {10e3, 10e6, -0.00868}};
    for (size_t k = 0; k < sizeof table / sizeof *table; k++) {
        char text[600];
        snprintf(text, sizeof text,
                 "board: divider\ninputs:\n  - {net: in, source: %g}\noutputs:\n  - {net: in, "
                 "load: %g}\n"
                 "parts:\n"
                 "  - {ref: C1, kind: capacitor, value: 1p, pins: [in, gnd]}\nsteps:\n"
                 "  - {step: s, drive: in, tone: {hz: 20, peak: 2}, see: [in]}\n",
                 table[k].source, table[k].load);
        rig r = rig_text(text);
        double complex v = tone_of(rig_predict(&r, "s", NULL, 0, 0), 0, 0) / 2;
        check_close("loss", decibel(v), table[k].db, 6e-5);
        rig_free(&r);
    }
}

static const char *const stage =
    "board: stage\nrails: {v+: 15, v-: -15}\ninputs:\n"
    "  - " IN "\nparts:\n"
    "  - {ref: R1, kind: resistor, value: 10k, pins: [in, x]}\n"
    "  - {ref: R2, kind: resistor, value: 90k, pins: [x, y]}\n"
    "  - {ref: U1, kind: opamp, type: ideal, gbw: 1M, gain: 1G, output: 1, "
    "swing: 1.5, pins: [y, x, gnd]}\nsteps:\n"
    "  - {step: s, drive: in, tone: {hz: 100k, peak: 0.01}, see: [in, y]}\n"
    "  - {step: quiet, drive: none, see: [x, y]}\n";

/* Offset times noise gain 1 + R2 / R1; bias current into -in times R2. */
static void offset_and_bias(void **state)
{
    (void)state;
    rig r = rig_text(stage);
    int u1 = part_of(&r, "U1");
    cj_edit offset = {.kind = CJ_EDIT_FIGURE, .part = u1, .pin = 1, .figure = CJ_OFFSET, .a = 3e-3};
    cj_edit bias = {.kind = CJ_EDIT_FIGURE, .part = u1, .pin = 1, .figure = CJ_BIAS, .a = 200e-9};
    check_close("healthy", rig_predict(&r, "quiet", NULL, 0, 0)->dc_v[1], 0, 1e-9);
    check_ratio("offset", rig_predict(&r, "quiet", &offset, 1, 0)->dc_v[1], 3e-3 * 10, 1e-5);
    check_ratio("bias", rig_predict(&r, "quiet", &bias, 1, 0)->dc_v[1], 200e-9 * 90e3, 1e-5);
    check_ratio("at -in", rig_predict(&r, "quiet", &offset, 1, 0)->dc_v[0], 3e-3, 1e-5);
    rig_free(&r);
}

/* A stage of noise gain N has its corner at GBW / N: 3 dB down, 45 degrees behind. */
static void closed_loop_bandwidth(void **state)
{
    (void)state;
    rig r = rig_text(stage);
    double complex v = tone_of(rig_predict(&r, "s", NULL, 0, 0), 0, 1) / 0.01;
    check_close("gain", decibel(v), 20 * log10(9) - 10 * log10(2), 1e-3);
    check_close("phase", degree(v), 180 - 45, 1e-2);
    cj_complex out[4];
    const double hz[2] = {10e3, 1e6};
    cj_error err;
    assert_int_equal(cj_bench_response(r.bench, 0, NULL, hz, 2, out, &err), CJ_OK);
    for (int k = 0; k < 2; k++) {
        double complex want = -9 / CMPLX(1, hz[k] / 100e3);
        check_close("response", cabs(CMPLX(out[2 * k + 1].re, out[2 * k + 1].im) / 0.01 - want), 0,
                    2e-3);
    }
    rig_free(&r);
}

/* R. P. Sallen and E. L. Key, IRE Transactions on Circuit Theory 2(1), 1955, pages 74-85. Low-pass
 * of gain 1, equal resistors, C1 = 2 C2: f = 1 / (2 pi R sqrt(C1 C2)), Q = sqrt(C1 / C2) / 2; gain
 * Q and -90 degrees there. Band-pass of gain K = 2: w^2 = (R1 + R2) / (R1 R2 R3 C1 C2), in phase
 * there. */
static void sallen_key(void **state)
{
    (void)state;
    double centre = sqrt((1e3 + 3e3) / (1e3 * 3e3 * 2e3 * 5e-9 * 5e-9)) / (2 * M_PI);
    char text[1500];
    snprintf(text, sizeof text,
             "board: filters\ninputs:\n  - " IN "\nparts:\n"
             "  - {ref: R1, kind: resistor, value: 10k, pins: [in, a]}\n"
             "  - {ref: R2, kind: resistor, value: 10k, pins: [a, b]}\n"
             "  - {ref: C1, kind: capacitor, value: 2n, pins: [a, low]}\n"
             "  - {ref: C2, kind: capacitor, value: 1n, pins: [b, gnd]}\n"
             "  - {ref: U1, kind: opamp, type: ideal, pins: [low, low, b]}\n"
             "  - {ref: R3, kind: resistor, value: 1k, pins: [in, c]}\n"
             "  - {ref: R4, kind: resistor, value: 3k, pins: [band, c]}\n"
             "  - {ref: R5, kind: resistor, value: 2k, pins: [d, gnd]}\n"
             "  - {ref: R6, kind: resistor, value: 4k, pins: [n, band]}\n"
             "  - {ref: R7, kind: resistor, value: 4k, pins: [n, gnd]}\n"
             "  - {ref: C3, kind: capacitor, value: 5n, pins: [c, gnd]}\n"
             "  - {ref: C4, kind: capacitor, value: 5n, pins: [c, d]}\n"
             "  - {ref: U2, kind: opamp, type: ideal, pins: [band, n, d]}\nsteps:\n"
             "  - {step: low, drive: in, tone: {hz: %.9g, peak: 1}, see: [low]}\n"
             "  - {step: band, drive: in, tone: {hz: %.9g, peak: 1}, see: [band]}\n",
             1 / (2 * M_PI * 10e3 * sqrt(2e-9 * 1e-9)), centre);
    rig r = rig_text(text);
    double complex low = tone_of(rig_predict(&r, "low", NULL, 0, 0), 0, 0);
    check_close("low-pass, Q", cabs(low), M_SQRT1_2, 1e-4);
    check_close("low-pass, phase", degree(low), -90, 0.01);
    double complex band = tone_of(rig_predict(&r, "band", NULL, 0, 0), 0, 0);
    check_close("band-pass, phase", degree(band), 0, 0.02);
    assert_true(cabs(band) > 1);
    rig_free(&r);
}

static void potentiometers(void **state)
{
    (void)state;
    static const struct {
        const char *taper;
        int percent;
        double share; /* of the track between pin 1 and the wiper */
    } table[] = {{"linear", 25, 0.25}, {"linear", 0, 1e-7},  {"linear", 100, 1},
                 {"audio", 50, 0.15},  {"audio", 25, 0.075}, {"audio", 75, 0.575},
                 {"audio", 100, 1}};
    for (size_t k = 0; k < sizeof table / sizeof *table; k++) {
        char text[700];
        snprintf(
            text, sizeof text,
            "board: level\ninputs:\n  - " IN "\nparts:\n"
            "  - {ref: RV1, kind: potentiometer, value: 10k, taper: %s, pins: [gnd, w, in]}\n"
            "  - {ref: R1, kind: resistor, value: 1G, pins: [w, in]}\nrest: {RV1: %d%%}\nsteps:\n"
            "  - {step: s, drive: in, tone: {hz: 1000, peak: 1}, see: [in, w]}\n",
            table[k].taper, table[k].percent);
        rig r = rig_text(text);
        double got = creal(tone_of(rig_predict(&r, "s", NULL, 0, 0), 0, 1));
        check_close(table[k].taper, got, table[k].share, 1e-5);
        cj_edit turned = {.kind = CJ_EDIT_REVERSE, .part = 0};
        got = creal(tone_of(rig_predict(&r, "s", &turned, 1, 0), 0, 1));
        check_close("turned round", got, 1 - table[k].share, 1e-5);
        rig_free(&r);
    }
}

/* Two coupled inductors into a load, written out: ratio 2, 50 and 80 ohm of copper, 600 ohm. */
static void transformer(void **state)
{
    (void)state;
    rig r =
        rig_text("board: line\ninputs:\n  - {net: in, source: 100}\noutputs:\n  - {net: s, load: "
                 "600}\nparts:\n"
                 "  - {ref: T1, kind: transformer, ratio: 2, inductance: 10, resistance: [50, 80], "
                 "coupling: 0.999, pins: [in, gnd, s, gnd]}\nsteps:\n"
                 "  - {step: s, drive: in, tone: {hz: 1000, peak: 1}, see: [in, s]}\n"
                 "  - {step: bass, drive: in, tone: {hz: 20, peak: 1}, see: [in, s]}\n"
                 "  - {step: cold, power: off, drive: none, see: [in, s]}\n");
    static const double hz[] = {1000, 20};
    static const char *const names[] = {"s", "bass"};
    for (int k = 0; k < 2; k++) {
        double omega = 2 * M_PI * hz[k];
        double complex z1 = CMPLX(100 + 50, omega * 10), z2 = CMPLX(600 + 80, omega * 40);
        double complex m = CMPLX(0, omega * 0.999 * 20), i2 = m / (z1 * z2 - m * m);
        double complex got = tone_of(rig_predict(&r, names[k], NULL, 0, 0), 0, 1);
        check_close("secondary", cabs(got - 600 * i2), 0, 1e-7);
        cj_edit turned = {.kind = CJ_EDIT_REVERSE, .part = 0};
        got = tone_of(rig_predict(&r, names[k], &turned, 1, 0), 0, 1);
        check_close("turned round", cabs(got + 600 * i2), 0, 1e-7);
    }
    /* an input that is not driven is on ground through its source: 50 || 100; 80 || 600 */
    const cj_prediction *p = rig_predict(&r, "cold", NULL, 0, 0);
    check_ratio("primary", p->resistance_ohm[0], 50.0 * 100 / 150, 1e-6);
    check_ratio("secondary", p->resistance_ohm[1], 80.0 * 600 / 680, 1e-6);
    assert_int_equal(p->points, 0);
    rig_free(&r);
}

/* 12 V through 1k and a diode: the point on both curves, by bisection. */
static void diode(void **state)
{
    (void)state;
    rig r = rig_text("board: drop\nrails: {v+: 12}\ninputs:\n  - " IN "\nparts:\n"
                     "  - {ref: R1, kind: resistor, value: 1k, pins: [v+, k]}\n"
                     "  - {ref: D1, kind: diode, type: 1N4148, pins: [k, gnd]}\n"
                     "  - {ref: R2, kind: resistor, value: 10k, pins: [in, k]}\nsteps:\n"
                     "  - {step: s, drive: none, see: [k]}\n");
    const cj_diode *d = &r.board->parts[1].diode;
    double low = 0, high = 12;
    for (int k = 0; k < 200; k++) {
        double v = (low + high) / 2, i = (12 - v) / 1e3 - v / 10e3;
        double junction = v - i * d->series_ohm;
        double through = d->saturation_a * expm1(junction / (d->emission * 0.025864926));
        *(through < i ? &low : &high) = v;
    }
    check_close("forward", rig_predict(&r, "s", NULL, 0, 0)->dc_v[0], low, 1e-6);
    cj_edit turned = {.kind = CJ_EDIT_REVERSE, .part = 1};
    check_close("turned round", rig_predict(&r, "s", &turned, 1, 0)->dc_v[0], 12 * 10 / 11.0, 1e-4);
    cj_edit open = {.kind = CJ_EDIT_LIFT, .part = 1, .pin = 2, .a = 1e13};
    check_close("lifted", rig_predict(&r, "s", &open, 1, 0)->dc_v[0], 12 * 10 / 11.0, 1e-4);
    rig_free(&r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(inverting_summer),
        cmocka_unit_test(open_output_leaks),
        cmocka_unit_test(loaded_divider),
        cmocka_unit_test(offset_and_bias),
        cmocka_unit_test(closed_loop_bandwidth),
        cmocka_unit_test(sallen_key),
        cmocka_unit_test(potentiometers),
        cmocka_unit_test(transformer),
        cmocka_unit_test(diode),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
