/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Edited boards: the low-rank change against a fresh factorization; rests, rails, loose ends,
 * oscillation. */
#include "boards.h"
#include "circuit/internal.h"

static double distance(cj_complex x, cj_complex y)
{
    return hypot(x.re - y.re, x.im - y.im);
}

/* The largest difference of two predictions, over what is allowed: 1e-6 of the value, and 5e-8 of
 * the drive (a milliohm of contact that is opened leaves so many digits). NaN counts as different.
 */
static double difference(const cj_prediction *fast, const cj_prediction *exact, size_t sections)
{
    double worst = 0;
    for (int k = 0; k < fast->points * fast->channels; k++) {
        cj_complex x = fast->tone[k], y = exact->tone[k];
        worst = fmax(worst, distance(x, y) / (1e-6 * hypot(y.re, y.im) + 5e-8));
        if (isnan(x.re + x.im + y.re + y.im))
            return INFINITY;
    }
    for (int c = 0; c < fast->channels; c++) {
        double x = fast->dc_v[c], y = exact->dc_v[c], rx = fast->resistance_ohm[c],
               ry = exact->resistance_ohm[c];
        worst = fmax(worst, fabs(x - y) / (1e-6 * fabs(y) + 1e-9));
        if (isnan(x + y) || isnan(rx) != isnan(ry))
            return INFINITY;
        if (!isnan(rx))
            worst = fmax(worst, fabs(rx / ry - 1) / 1e-6);
    }
    bool same = fast->by == exact->by && fast->fragile_part == exact->fragile_part &&
                memcmp(fast->modes, exact->modes, sections) == 0;
    return same ? worst : INFINITY;
}

/* The same for the gradients, each times its parameter's spread. */
static double spread_difference(const rig *r, const cj_prediction *fast, const cj_prediction *exact)
{
    size_t parameters = cj_bench_parameter_count(r->bench);
    const cj_parameter *of = cj_bench_parameters(r->bench);
    double worst = 0;
    for (size_t k = 0; k < (size_t)(fast->points * fast->channels) * parameters; k++) {
        double sigma = of[k % parameters].sigma,
               size = hypot(exact->tone_by[k].re, exact->tone_by[k].im);
        worst = fmax(worst, sigma * distance(fast->tone_by[k], exact->tone_by[k]) /
                                (1e-6 * sigma * size + 5e-8));
    }
    for (size_t k = 0; k < (size_t)fast->channels * parameters; k++) {
        double sigma = of[k % parameters].sigma, y = exact->dc_by[k];
        double ohm = exact->resistance_ohm[k / parameters]; /* power off: the gradients are of it */
        double floor = 1e-9 * (ohm > 1 ? ohm : 1);
        worst = fmax(worst, sigma * fabs(fast->dc_by[k] - y) / (1e-6 * sigma * fabs(y) + floor));
    }
    return worst;
}

static size_t sections_of(const cj_board *board)
{
    size_t count = 0;
    for (size_t k = 0; k < board->part_count; k++)
        count += board->parts[k].kind == CJ_OPAMP ? (size_t)board->parts[k].section_count : 0;
    return count;
}

static void compare_paths(const char *file)
{
    rig r = rig_file(file);
    cases all = every_edit(r.board);
    cj_error err = {0};
    double worst = 0;
    size_t sections = sections_of(r.board);
    for (size_t s = 0; s < r.board->step_count; s++) {
        cj_prediction *fast, *exact;
        assert_int_equal(cj_prediction_make(r.bench, s, &fast, &err), CJ_OK);
        assert_int_equal(cj_prediction_make(r.bench, s, &exact, &err), CJ_OK);
        for (size_t k = 0; k < all.count; k++) {
            cj_variant variant = {all.edits[k], all.counts[k]};
            if (cj_bench_predict(r.bench, s, &variant, CJ_SPREAD, fast, &err) != CJ_OK ||
                cj_bench_predict(r.bench, s, &variant, CJ_SPREAD | CJ_EXACT, exact, &err) != CJ_OK)
                fail_msg("%s, %s: %s", all.names[k], r.board->steps[s].name, err.message);
            double off =
                fmax(difference(fast, exact, sections), spread_difference(&r, fast, exact));
            if (!(off < 1))
                fail_msg("%s: %s, step %s: %g of what is allowed", file, all.names[k],
                         r.board->steps[s].name, off);
            worst = fmax(worst, off);
        }
        cj_prediction_free(fast);
        cj_prediction_free(exact);
    }
    print_message("%s: %zu edits, %zu steps: %.3f of what is allowed\n", file, all.count,
                  r.board->step_count, worst);
    cases_free(&all);
    rig_free(&r);
}

/* A store that is always full: everything solved anew each time, the same answers. */
static void a_full_store_changes_nothing(void **state)
{
    (void)state;
    rig r = rig_file("summing-stage.yaml");
    cases all = every_edit(r.board);
    cj_error err;
    cj_prediction *keeping, *forgetting;
    assert_int_equal(cj_prediction_make(r.bench, 0, &keeping, &err), CJ_OK);
    assert_int_equal(cj_prediction_make(r.bench, 0, &forgetting, &err), CJ_OK);
    for (size_t k = 0; k < all.count; k++) {
        cj_variant variant = {all.edits[k], all.counts[k]};
        r.bench->store.most = CJ__STORE_MOST;
        assert_int_equal(cj_bench_predict(r.bench, 0, &variant, CJ_SPREAD, keeping, &err), CJ_OK);
        assert_true(r.bench->store.kept > 0);
        r.bench->store.most = 0;
        assert_int_equal(cj_bench_predict(r.bench, 0, &variant, CJ_SPREAD, forgetting, &err),
                         CJ_OK);
        double off = difference(forgetting, keeping, sections_of(r.board));
        if (!(fmax(off, spread_difference(&r, forgetting, keeping)) < 1e-3))
            fail_msg("%s: %g of what is allowed", all.names[k], off);
    }
    cj_prediction_free(keeping);
    cj_prediction_free(forgetting);
    cases_free(&all);
    rig_free(&r);
}

static void a_change_is_what_a_fresh_factorization_gives(void **state)
{
    (void)state;
    compare_paths("hall-mixer.yaml");
    compare_paths("summing-stage.yaml");
    compare_paths("state-variable.yaml");
}

/* ---- rests: fault_physics, table 1 and section 3 ---- */

static const char *const two_stages =
    "board: two\nrails: {v+: 12, v-: -12}\ninputs:\n  - {net: in, source: 50, idle: ground}\n"
    "outputs:\n  - {net: z, load: 1M}\nparts:\n"
    "  - {ref: R1, kind: resistor, value: 100k, pins: [in, x]}\n"
    "  - {ref: R2, kind: resistor, value: 100k, pins: [x, y]}\n"
    "  - {ref: R3, kind: resistor, value: 100k, pins: [y, w]}\n"
    "  - {ref: R4, kind: resistor, value: 100k, pins: [w, z]}\n"
    "  - {ref: R5, kind: resistor, value: 1k, pins: [p, gnd]}\n"
    "  - {ref: C1, kind: capacitor, value: 100n, pins: [v+, gnd]}\n"
    "  - {ref: U1, kind: opamp, type: NE5532, pins: [y, x, p, v-, gnd, w, z, v+]}\nsteps:\n"
    "  - {step: s, drive: in, tone: {hz: 1000, peak: 1}, see: [y, z]}\n"
    "  - {step: quiet, drive: none, see: [y, z]}\n  - {step: node, drive: none, see: [x, p]}\n";

static void sections_rest_at_the_rail_their_bias_finds(void **state)
{
    (void)state;
    rig r = rig_text(two_stages);
    int u1 = part_of(&r, "U1");
    double swing = r.board->parts[u1].opamp.swing_v;
    static const struct {
        int pin;
        double sign; /* of the output: current into the pins, so that a loose pin falls */
    } table[] = {{2, 1}, {3, -1}};
    for (size_t k = 0; k < 2; k++) {
        cj_edit open = {
            .kind = CJ_EDIT_LIFT, .part = u1, .pin = table[k].pin, .a = 1e13, .b = 0.5e-12};
        const cj_prediction *p = rig_predict(&r, "quiet", &open, 1, 0);
        check_close("at its rail", p->dc_v[0], table[k].sign * (12 - swing), 0.1);
        check_close("the other", p->dc_v[1], -p->dc_v[0], 0.1);
        assert_int_equal(p->by, CJ_BY_HELD);
        assert_int_equal(p->modes[0], table[k].sign > 0 ? CJ_HIGH : CJ_LOW);
        p = rig_predict(&r, "s", &open, 1, 0);
        assert_true(cabs(tone_of(p, 0, 0)) < 1e-3);
    }
    rig_free(&r);
}

static void held_sections_are_sources(void **state)
{
    (void)state;
    rig r = rig_text(two_stages);
    int u1 = part_of(&r, "U1");
    cj_edit held = {
        .kind = CJ_EDIT_MODE, .part = u1, .pin = 1, .mode = CJ_HELD, .a = 2.5, .b = 0.25};
    const cj_prediction *p = rig_predict(&r, "s", &held, 1, 0);
    double out = r.board->parts[u1].opamp.output_ohm;
    /* 2.5 V behind its resistance into R2 to x (held by nothing: R1 to the source) and R3 to a
     * virtual earth */
    double load = 1 / (1 / 100e3 + 1 / 200.05e3);
    check_ratio("held DC", p->dc_v[0], 2.5 * load / (load + out), 1e-2);
    double complex own = 0.25 * load / (load + out) + 1 * out / (200.05e3 + out);
    check_ratio("held tone", creal(tone_of(p, 0, 0)), creal(own), 1e-2);
    check_ratio("inverted", creal(tone_of(p, 0, 1)), -creal(tone_of(p, 0, 0)), 1e-3);
    /* the ladder of the source's 50 ohm, R1, R2 and R3; the input's own resistance hangs on x */
    double shunt = 1 / (r.board->parts[u1].opamp.input_ohm + 1e3);
    double leak = 0.5 / 100.05e3 / (1 / 100.05e3 + 1 / 200e3 + shunt);
    cj_edit dead = {.kind = CJ_EDIT_MODE, .part = u1, .pin = 1, .mode = CJ_DEAD};
    p = rig_predict(&r, "s", &dead, 1, 0);
    check_close("dead: the leak", creal(tone_of(p, 0, 0)), leak, 1e-4);
    rig_free(&r);
}

static void rails_limit_and_break_down(void **state)
{
    (void)state;
    rig r = rig_text(two_stages);
    int u1 = part_of(&r, "U1"), c1 = part_of(&r, "C1");
    double swing = r.board->parts[u1].opamp.swing_v;
    cj_edit edits[2] = {{.kind = CJ_EDIT_LIFT, .part = u1, .pin = 2, .a = 1e13, .b = 0.5e-12},
                        {.kind = CJ_EDIT_RAIL, .pin = 1, .a = 5}};
    check_close("rail at 5 V", rig_predict(&r, "quiet", edits, 2, 0)->dc_v[0], 5 - swing, 0.1);
    /* shorted, a rail is at 0 V board-wide (fault_physics 6.4): nothing can be above it */
    cj_edit shorted = {.kind = CJ_EDIT_JOIN, .part = c1, .pin = 1, .pin2 = 2, .a = 0.1};
    const cj_prediction *p = rig_predict(&r, "quiet", &shorted, 1, 0);
    check_close("no rail", p->dc_v[0], -swing, 0.1);
    /* a healthy section that sees 100 kohm to the other rail does not take it down */
    cj_edit load = {.kind = CJ_EDIT_TO_NET, .part = u1, .pin = 8, .pin2 = CJ_GND, .a = 100};
    assert_int_equal(rig_predict(&r, "quiet", &load, 1, 0)->by, CJ_BY_LINEAR);
    rig_free(&r);
}

/* Loose ends all over, one supply: outputs hold each other at their rails, and changing over the
 * one that is furthest off goes round in circles. Out: 1.1993 V by the operating point of ngspice
 * 39 with the same equations. */
static void circles_are_left_by_lot(void **state)
{
    (void)state;
    rig r = rig_text(
        "board: lots\nrails: {v+: 12}\ninputs:\n  - {net: in1, source: 50, idle: ground}\n"
        "  - {net: in2, source: 50, idle: ground}\noutputs:\n  - {net: out, load: 10k}\nparts:\n"
        "  - {ref: R1, kind: resistor, value: 10k, tolerance: 1%, pins: [v+, half]}\n"
        "  - {ref: C2, kind: capacitor, value: 1u, tolerance: 10%, pins: [in1, n1]}\n"
        "  - {ref: SW1, kind: switch, positions: [a, b], pins: [n1, n2, gnd],"
        " closes: {a: [[1, 2]], b: [[2, 3]]}}\n"
        "  - {ref: C3, kind: capacitor, value: 1u, tolerance: 10%, pins: [in2, n3]}\n"
        "  - {ref: RV1, kind: potentiometer, value: 100k, tolerance: 20%, taper: linear,"
        " pins: [n8, n10, n9]}\n"
        "  - {ref: R10, kind: resistor, value: 22k, tolerance: 1%, pins: [n7, n12]}\n"
        "  - {ref: RV2, kind: potentiometer, value: 10k, tolerance: 20%, taper: audio,"
        " pins: [half, n14, n13]}\n"
        "  - {ref: R12, kind: resistor, value: 47k, tolerance: 1%, pins: [n15, half]}\n"
        "  - {ref: R13, kind: resistor, value: 100, tolerance: 1%, pins: [n15, out]}\n"
        "  - {ref: U1, kind: opamp, type: NE5532, pins: [n4, n5, n3, gnd, half, n11, n7, v+]}\n"
        "  - {ref: U2, kind: opamp, type: NE5532, pins: [n13, n12, half, gnd, half, s, s, v+]}\n"
        "rest: {SW1: a, RV1: 50%, RV2: 100%}\n"
        "steps:\n  - {step: quiet, drive: none, see: [out]}\n");
    check_close("out", rig_predict(&r, "quiet", NULL, 0, 0)->dc_v[0], 1.1993, 0.005);
    rig_free(&r);
}

/* Joined inputs leave no feedback: the rail hangs on the offset. Crossed inputs latch. */
static void what_hangs_on_the_offset_is_told(void **state)
{
    (void)state;
    rig r = rig_text(two_stages);
    int u1 = part_of(&r, "U1");
    assert_int_equal(rig_predict(&r, "quiet", NULL, 0, 0)->fragile_part, -1);
    cj_edit join = {.kind = CJ_EDIT_JOIN, .part = u1, .pin = 2, .pin2 = 3, .a = 1e-3};
    const cj_prediction *p = rig_predict(&r, "quiet", &join, 1, 0);
    assert_int_equal(p->fragile_part, u1);
    assert_int_equal(p->fragile_section, 0);
    cj_edit with[2] = {join, {.kind = CJ_EDIT_FIGURE, .part = u1, .pin = 1, .figure = CJ_OFFSET}};
    for (int sign = -1; sign <= 1; sign += 2) {
        with[1].a = sign * 1e-3;
        p = rig_predict(&r, "quiet", with, 2, 0);
        assert_int_equal(p->modes[0], sign > 0 ? CJ_HIGH : CJ_LOW);
    }
    rig_free(&r);

    rig latch = rig_text("board: latch\nrails: {v+: 12, v-: -12}\ninputs:\n"
                         "  - {net: in, source: 50, idle: ground}\nparts:\n"
                         "  - {ref: R1, kind: resistor, value: 10k, pins: [in, x]}\n"
                         "  - {ref: R2, kind: resistor, value: 100k, pins: [x, y]}\n"
                         "  - {ref: U1, kind: opamp, type: TL072, pins: [y, gnd, x]}\nsteps:\n"
                         "  - {step: quiet, drive: none, see: [y]}\n");
    p = rig_predict(&latch, "quiet", NULL, 0, 0);
    assert_int_equal(p->by, CJ_BY_HELD);
    check_close("at a rail", fabs(p->dc_v[0]), 12 - latch.board->parts[2].opamp.swing_v, 0.1);
    rig_free(&latch);
}

static void a_tone_beyond_the_swing_is_told(void **state)
{
    (void)state;
    rig r = rig_text(two_stages);
    cj_edit louder = {.kind = CJ_EDIT_VALUE, .part = part_of(&r, "R1"), .a = 5e3};
    const cj_prediction *p = rig_predict(&r, "s", &louder, 1, 0);
    assert_int_equal(p->by, CJ_BY_EXCESS);
    assert_true(isnan(p->thd[0]));
    p = rig_predict(&r, "s", &louder, 1, CJ_TRANSIENT);
    assert_int_equal(p->by, CJ_BY_TRANSIENT);
    /* a sine of gain 20 cut at the swing: between the swing and 4 / pi of it, and its harmonics */
    double swing = 12 - r.board->parts[part_of(&r, "U1")].opamp.swing_v;
    assert_true(cabs(tone_of(p, 0, 0)) > swing && cabs(tone_of(p, 0, 0)) < 4 / M_PI * swing);
    assert_true(p->thd[0] > 0.1 && p->thd[0] < 0.43);
    /* slew: 1 V peak at 100 kHz is beyond 0.1 V/us */
    cj_edit slow = {
        .kind = CJ_EDIT_FIGURE, .part = part_of(&r, "U1"), .pin = 1, .figure = CJ_SLEW, .a = 1e3};
    assert_int_equal(rig_predict(&r, "s", &slow, 1, 0)->by, CJ_BY_EXCESS);
    slow.a = 1e4;
    assert_int_equal(rig_predict(&r, "s", &slow, 1, 0)->by, CJ_BY_LINEAR);
    /* an output that is lifted switches inside; what leaks is linear, its distortion is not known
     */
    cj_edit open = {
        .kind = CJ_EDIT_LIFT, .part = part_of(&r, "U1"), .pin = 1, .a = 1e13, .b = 0.5e-12};
    p = rig_predict(&r, "s", &open, 1, 0);
    assert_int_equal(p->by, CJ_BY_LINEAR);
    assert_true(isnan(p->thd[0]));
    assert_true(cabs(tone_of(p, 0, 0)) < 1 / 3.0 && creal(tone_of(p, 0, 0)) > 0.2);
    rig_free(&r);
}

/* Two inverters of gain 1 behind one that is stuck: both rest where their swing ends. */
static void followers_rest_at_their_edge(void **state)
{
    (void)state;
    rig r = rig_file("porch.yaml");
    cj_edit stuck = {.kind = CJ_EDIT_MODE, .part = part_of(&r, "U1"), .pin = 7, .mode = CJ_LOW};
    const cj_prediction *p = rig_predict(&r, "inside", &stuck, 1, 0);
    assert_true(p->edges == (1ULL << 2 | 1ULL << 3)); /* both of U2, the second package */
    assert_int_equal(p->edge_part, part_of(&r, "U2"));
    assert_true(p->edge_v >= 0 && p->edge_v < 0.1);
    assert_true(rig_predict(&r, "inside", NULL, 0, 0)->edges == 0);
    rig_free(&r);
}

/* The mono sum clips on a right channel that stands at its rail: the left output does not show it.
 */
static void clipping_out_of_sight_is_no_matter(void **state)
{
    (void)state;
    rig r = rig_file("hall-mixer.yaml");
    cj_edit join = {.kind = CJ_EDIT_JOIN, .part = part_of(&r, "U1"), .pin = 7, .pin2 = 8, .a = 0.1};
    assert_int_equal(rig_predict(&r, "mono", &join, 1, 0)->by, CJ_BY_EXCESS);
    double complex healthy = tone_of(rig_predict(&r, "in1-left", NULL, 0, 0), 0, 1);
    const cj_prediction *p = rig_predict(&r, "in1-left", &join, 1, 0);
    assert_int_equal(p->by, CJ_BY_HELD);
    check_close("left", decibel(tone_of(p, 0, 1) / healthy), 0, 0.01);
    double complex linear = tone_of(p, 0, 1);
    double complex stepped = tone_of(rig_predict(&r, "in1-left", &join, 1, CJ_TRANSIENT), 0, 1);
    check_close("nothing to step", cabs(stepped - linear), 0, 0);
    rig_free(&r);
}

/* Nets that hang on nothing but their leak of 1e-12 S are solved like any other. */
static void loose_nets(void **state)
{
    (void)state;
    rig r = rig_text("board: loose\ninputs:\n  - {net: in, source: 50}\nparts:\n"
                     "  - {ref: C1, kind: capacitor, value: 1n, pins: [in, a]}\n"
                     "  - {ref: C2, kind: capacitor, value: 3n, pins: [a, gnd]}\n"
                     "  - {ref: R1, kind: resistor, value: 1k, pins: [b, c]}\n"
                     "  - {ref: R2, kind: resistor, value: 1k, pins: [c, b]}\nsteps:\n"
                     "  - {step: s, drive: in, tone: {hz: 1000, peak: 1}, see: [a, b]}\n"
                     "  - {step: off, power: off, drive: none, see: [a, b]}\n");
    const cj_prediction *p = rig_predict(&r, "s", NULL, 0, 0);
    check_close("capacitive divider", creal(tone_of(p, 0, 0)), 0.25, 1e-5);
    check_close("nothing", cabs(tone_of(p, 0, 1)), 0, 1e-12);
    check_close("DC", p->dc_v[0], 0, 1e-12);
    p = rig_predict(&r, "off", NULL, 0, 0);
    check_ratio("leak of one net", p->resistance_ohm[0], 1e12, 1e-3);
    check_ratio("leaks of two nets", p->resistance_ohm[1], 0.5e12, 1e-2);
    cj_edit gone[2] = {{.kind = CJ_EDIT_VALUE, .part = 2, .a = INFINITY},
                       {.kind = CJ_EDIT_VALUE, .part = 0}};
    p = rig_predict(&r, "off", gone, 1, 0);
    check_ratio("still one group", p->resistance_ohm[1], 0.5e12, 1e-2);
    p = rig_predict(&r, "s", gone, 2, 0);
    check_close("no capacitor", cabs(tone_of(p, 0, 0)), 0, 1e-9);
    rig_free(&r);
}

/* Two lags in the feedback of an op-amp turn its phase beyond 180 degrees where the loop still has
 * gain; far above its bandwidth they do nothing. A tight loop, a latch's rest and a passive
 * resonance do not oscillate. */
static void poles(void **state)
{
    (void)state;
    const char *text =
        "board: lags\nrails: {v+: 12, v-: -12}\ninputs:\n  - {net: in, source: 50}\nparts:\n"
        "  - {ref: R1, kind: resistor, value: 1k, pins: [y, a]}\n"
        "  - {ref: C1, kind: capacitor, value: 100n, pins: [a, gnd]}\n"
        "  - {ref: R2, kind: resistor, value: 100k, pins: [a, x]}\n"
        "  - {ref: C2, kind: capacitor, value: 1n, pins: [x, gnd]}\n"
        "  - {ref: U1, kind: opamp, type: ideal, gbw: 1M, gain: 100k, swing: 1, pins: [y, x, in]}\n"
        "steps:\n  - {step: s, drive: in, tone: {hz: 100, peak: 0.1}, see: [y]}\n";
    rig r = rig_text(text);
    assert_int_equal(rig_predict(&r, "s", NULL, 0, CJ_POLES)->by, CJ_BY_POLES);
    cj_edit less[2] = {{.kind = CJ_EDIT_VALUE, .part = 1, .a = 1e-13},
                       {.kind = CJ_EDIT_VALUE, .part = 3, .a = 1e-15}};
    assert_int_equal(rig_predict(&r, "s", less, 2, CJ_POLES)->by, CJ_BY_LINEAR);
    assert_int_equal(rig_predict(&r, "s", less, 1, CJ_POLES)->by, CJ_BY_LINEAR);
    rig_free(&r);
    rig mixer = rig_file("hall-mixer.yaml");
    assert_int_equal(rig_predict(&mixer, "mono", NULL, 0, CJ_POLES)->by, CJ_BY_LINEAR);
    rig_free(&mixer);
}

static void what_makes_no_sense_is_refused(void **state)
{
    (void)state;
    rig r = rig_text(two_stages);
    int u1 = part_of(&r, "U1");
    const cj_edit table[] = {
        {.kind = CJ_EDIT_LIFT, .part = -1, .pin = 1, .a = 1},
        {.kind = CJ_EDIT_LIFT, .part = 99, .pin = 1, .a = 1},
        {.kind = CJ_EDIT_LIFT, .part = u1, .pin = 9, .a = 1},
        {.kind = CJ_EDIT_LIFT, .part = u1, .pin = 0, .a = 1},
        {.kind = CJ_EDIT_LIFT, .part = u1, .pin = 1, .a = -1},
        {.kind = CJ_EDIT_LIFT, .part = u1, .pin = 1, .a = NAN},
        {.kind = CJ_EDIT_JOIN, .part = u1, .pin = 1, .pin2 = 9, .a = 1},
        {.kind = CJ_EDIT_TO_NET, .part = u1, .pin = 1, .pin2 = 99, .a = 1},
        {.kind = CJ_EDIT_VALUE, .part = u1, .a = 1},
        {.kind = CJ_EDIT_VALUE, .part = 0, .a = -1},
        {.kind = CJ_EDIT_VALUE, .part = 0, .a = NAN},
        {.kind = CJ_EDIT_MODE, .part = u1, .pin = 2, .mode = CJ_HIGH},
        {.kind = CJ_EDIT_FIGURE, .part = u1, .pin = 1, .figure = CJ_GBW, .a = INFINITY},
        {.kind = CJ_EDIT_RAIL, .pin = 0, .a = 0},
    };
    cj_error err;
    cj_prediction *p;
    assert_int_equal(cj_prediction_make(r.bench, 0, &p, &err), CJ_OK);
    for (size_t k = 0; k < sizeof table / sizeof *table; k++) {
        cj_variant variant = {&table[k], 1};
        err.message[0] = '\0';
        if (cj_bench_predict(r.bench, 0, &variant, 0, p, &err) != CJ_USAGE)
            fail_msg("edit %zu was taken", k);
        check_holds("edit", err.message, "edit 1 of a variant");
    }
    size_t look;
    cj_view nowhere = {99, CJ_GND}, somewhere = {1, 2};
    assert_int_equal(cj_bench_predict(r.bench, 99, NULL, 0, p, &err), CJ_USAGE);
    assert_int_equal(cj_bench_predict(r.bench, 1, NULL, 0, p, &err), CJ_USAGE);
    assert_int_equal(cj_prediction_make(r.bench, 99, &p, &err), CJ_USAGE);
    assert_int_equal(cj_bench_look(r.bench, 99, &somewhere, 1, &look, &err), CJ_USAGE);
    assert_int_equal(cj_bench_look(r.bench, 0, &nowhere, 1, &look, &err), CJ_USAGE);
    assert_int_equal(cj_bench_look(r.bench, 0, &somewhere, 3, &look, &err), CJ_USAGE);
    cj_prediction_free(p);
    rig_free(&r);
}

static void a_look_sees_other_nets(void **state)
{
    (void)state;
    rig r = rig_text(two_stages);
    cj_view views[2] = {{cj_board_net(r.board, "z"), cj_board_net(r.board, "y")},
                        {cj_board_net(r.board, "z"), CJ_GND}};
    size_t look;
    cj_error err;
    cj_prediction *p;
    assert_int_equal(cj_bench_look(r.bench, 0, views, 2, &look, &err), CJ_OK);
    assert_int_equal(cj_prediction_make(r.bench, look, &p, &err), CJ_OK);
    assert_int_equal(cj_bench_predict(r.bench, look, NULL, 0, p, &err), CJ_OK);
    const cj_prediction *step = rig_predict(&r, "s", NULL, 0, 0);
    double complex between = tone_of(step, 0, 1) - tone_of(step, 0, 0);
    check_close("z against y", cabs(tone_of(p, 0, 0) - between), 0, 1e-12);
    check_close("z", cabs(tone_of(p, 0, 1) - tone_of(step, 0, 1)), 0, 1e-12);
    cj_prediction_free(p);
    rig_free(&r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_change_is_what_a_fresh_factorization_gives),
        cmocka_unit_test(a_full_store_changes_nothing),
        cmocka_unit_test(sections_rest_at_the_rail_their_bias_finds),
        cmocka_unit_test(held_sections_are_sources),
        cmocka_unit_test(rails_limit_and_break_down),
        cmocka_unit_test(circles_are_left_by_lot),
        cmocka_unit_test(what_hangs_on_the_offset_is_told),
        cmocka_unit_test(a_tone_beyond_the_swing_is_told),
        cmocka_unit_test(followers_rest_at_their_edge),
        cmocka_unit_test(clipping_out_of_sight_is_no_matter),
        cmocka_unit_test(loose_nets),
        cmocka_unit_test(poles),
        cmocka_unit_test(what_makes_no_sense_is_refused),
        cmocka_unit_test(a_look_sees_other_nets),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
