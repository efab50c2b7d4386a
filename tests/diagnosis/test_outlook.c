/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is expected of an output that is not simply linear; and tolerances solved at where they are.
 */
#include "check.h"

#include "board_tests.h"
#include "diagnosis/look.h"
#include "diagnosis/rank.h"

struct expected {
    cj_board *board;
    cj_bench *bench;
    cj__scene *scene;
    cj__outlook *outlook;
};

static void expected_of(struct expected *job, cj_board *board)
{
    cj_error err;
    *job = (struct expected){.board = board};
    if (cj_bench_make(board, &job->bench, &err) != CJ_OK ||
        cj__scene_new(board, job->bench, &job->scene, &err) != CJ_OK)
        fail_msg("%s", err.message);
}

static void expect(struct expected *job, cj__feature_kind kind, const char *step, int channel,
                   double x, double u)
{
    cj_error err;
    size_t index = (size_t)cj_board_step(job->board, step);
    cj__feature feature = {.kind = kind,
                           .step = index,
                           .look = index,
                           .channel = channel,
                           .x = {x},
                           .var = {u * u, 0, u * u}};
    if (cj__scene_feature(job->scene, &feature, &err) != CJ_OK)
        fail_msg("%s", err.message);
}

static void expected_ready(struct expected *job)
{
    cj_error err;
    if (cj__scene_ready(job->scene, &err) != CJ_OK ||
        cj__outlook_make(job->scene, &job->outlook, &err) != CJ_OK)
        fail_msg("%s", err.message);
}

static void expected_free(struct expected *job)
{
    cj__outlook_free(job->outlook);
    cj__scene_free(job->scene);
    cj_bench_free(job->bench);
    cj_board_free(job->board);
}

void between_the_rails_anything_may_be_read(void **state)
{
    (void)state;
    struct expected job;
    expected_of(&job, board_fixture("hall-mixer"));
    expect(&job, CJ__F_RATIO, "in1-left", 1, 1, 1e-3);
    expect(&job, CJ__F_DC, "in1-left", 0, 0, 0);
    expect(&job, CJ__F_DC, "in1-left", 1, 0, 0);
    expected_ready(&job);
    /* rows: ratio, DC of channel 1, DC of channel 2 */
    const double low[] = {0, 0, 0.001, -10.5}, high[] = {0, 0, -0.001, 10.5},
                 near_by[] = {0, 0, 0, -10};
    assert_true(cj__between_rails(job.scene, low, high));
    assert_false(cj__between_rails(job.scene, low, near_by));
    cj__between_widen(job.scene, low, high, job.outlook);
    check_close("DC", job.outlook->mean[3], 0.0, 1e-12);
    /* a uniform spread of 21 V */
    check_ratio("DC", sqrt(job.outlook->var[3 * 2]), 21 / sqrt(12), 0.03);
    assert_true(job.outlook->var[3 * 1] == 0); /* the driven net does not move */
    assert_true(sqrt(job.outlook->var[0]) > 2 && sqrt(job.outlook->var[2]) > 2);
    expected_free(&job);
}

/* A net that was seen at the rail where it was predicted may be at the other one in another step;
 * one that never was is not excused. */
void a_net_that_goes_both_ways_is_turned(void **state)
{
    (void)state;
    struct expected job;
    expected_of(&job, board_fixture("hall-mixer"));
    expect(&job, CJ__F_DC, "in1-left", 1, -10, 0.01);
    expect(&job, CJ__F_DC, "in2-left", 1, 8, 0.01);
    expected_ready(&job);
    double *mean = job.outlook->mean;
    mean[0] = -10.5;
    mean[1] = -7.5;
    assert_int_equal(cj__between_turn(job.scene, job.outlook), 1);
    check_close("stays", mean[0], -10.5, 1e-12);
    check_close("turned", mean[1], 7.5, 1e-12);
    cj__between_turn_back(job.scene, job.outlook);
    check_close("back", mean[1], -7.5, 1e-12);
    job.scene->features[0].x[0] = 10;
    assert_int_equal(cj__between_turn(job.scene, job.outlook), 0);
    check_close("never there", mean[1], -7.5, 1e-12);
    expected_free(&job);
}

/* DC behind a coupling capacitor may be anywhere for a while, where a step drives an output out of
 * its swing or holds it at a rail; not where the good unit's parts decide it, nor on a board
 * without such a capacitor. */
void a_capacitor_may_keep_its_charge(void **state)
{
    (void)state;
    static const struct {
        const char *board, *step;
        bool in_time, residue, hangs;
        size_t unsettled;
    } cases[] = {
        {"summing-stage", "in1", true, false, false, 1},
        {"summing-stage", "in1", false, true, false, 1},
        {"summing-stage", "in1", false, false, false, 0},
        {"summing-stage", "in1", true, false, true, 0},
        {"hall-mixer", "mono", true, false, false, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct expected job;
        cj__outlook *good = NULL;
        cj_error err;
        expected_of(&job, board_fixture(cases[i].board));
        expect(&job, CJ__F_DC, cases[i].step, 0, 5, 0.01); /* the driven jack: never */
        expect(&job, CJ__F_DC, cases[i].step, 1, 5, 0.01);
        expected_ready(&job);
        assert_int_equal(cj__outlook_make(job.scene, &good, &err), CJ_OK);
        good->by[(size_t)good->columns] = cases[i].hangs ? 0.01 : 0;
        job.outlook->steps_in_time = cases[i].in_time;
        job.outlook->residue = cases[i].residue;
        assert_int_equal(cj__between_unsettled(job.scene, good, job.outlook), cases[i].unsettled);
        check_close("widened", job.outlook->var[3], cases[i].unsettled ? 25.0 : 0.0, 1e-9);
        check_close("the jack", job.outlook->var[0], 0.0, 1e-12);
        cj__outlook_free(good);
        expected_free(&job);
    }
}

/* Without feedback at DC the gradient by an offset is volts times the gain of the open section. */
void no_reading_is_spread_beyond_the_supply(void **state)
{
    (void)state;
    static const char text[] =
        "board: loop\nrails: {v+: 12, v-: -12}\ninputs:\n  - {net: in, source: 50}\nparts:\n"
        "  - {ref: C1, kind: capacitor, value: 100n, tolerance: 5%, pins: [in, q]}\n"
        "  - {ref: C2, kind: capacitor, value: 100n, tolerance: 5%, pins: [q, out]}\n"
        "  - {ref: R1, kind: resistor, value: 1M, tolerance: 1%, pins: [q, out]}\n"
        "  - {ref: U1, kind: opamp, type: OPA2134, pins: [out, q, gnd, v-, gnd, b, b, v+]}\n"
        "steps:\n  - {step: a, drive: in, tone: {hz: 1000, peak: 1}, see: [in, out]}\n";
    struct expected job;
    cj_error err;
    expected_of(&job, board_text(text));
    expect(&job, CJ__F_DC, "a", 1, 0, 0.01);
    expected_ready(&job);
    cj_edit open = {.kind = CJ_EDIT_LIFT, .part = 2, .pin = 1, .a = 1e13, .b = 0.5e-12};
    const cj__manner healthy = {.weight = 1},
                     opened = {.weight = 1, .edits = &open, .edit_count = 1};
    const cj__manner *manners[] = {&healthy, &opened};
    for (int i = 0; i < 2; i++) {
        double sum = 0;
        assert_int_equal(cj__outlook_fill(job.scene, manners[i], NAN, CJ_SPREAD | CJ__FIRST_ORDER,
                                          NULL, job.outlook, &err),
                         CJ_OK);
        for (int c = 0; c < job.outlook->columns; c++)
            sum += pow(job.outlook->by[c], 2);
        if (i == 0)
            assert_true(sqrt(sum) < 0.01);
        else
            check_close("from rail to rail", sqrt(sum), 24, 1e-6);
    }
    expected_free(&job);
}

/* A fault whose circuit comes to no rest predicts nothing, and nothing that was read speaks against
 * it as it would against a wrong number. */
void what_comes_to_no_rest_is_not_predicted(void **state)
{
    (void)state;
    struct expected job;
    expected_of(&job, board_fixture("hall-mixer"));
    expect(&job, CJ__F_DC, "in1-left", 1, 7, 0.01);
    expect(&job, CJ__F_RATIO, "in1-left", 1, 3, 0.01);
    expect(&job, CJ__F_DC, "in2-left", 1, 7, 0.01);
    expected_ready(&job);
    job.outlook->mean[0] = job.outlook->mean[3] = 5;
    cj__look_lost(job.scene, (size_t)cj_board_step(job.board, "in1-left"), job.outlook);
    check_close("DC", job.outlook->mean[0], 0, 1e-12);
    check_close("rail to rail", job.outlook->var[0], 24 * 24, 1e-9);
    check_close("ratio", job.outlook->var[3], 16, 1e-9);
    check_close("ratio", job.outlook->var[5], 1, 1e-9);
    check_close("another step", job.outlook->mean[3], 5, 1e-12);
    check_close("another step", job.outlook->var[6], 0, 1e-12);
    expected_free(&job);
}

static const cj__suspect *open_output(const cj__suspects *suspects, const char *part, int pin)
{
    for (size_t i = 1; i < suspects->count; i++) {
        const cj_fault *fault = &suspects->items[i].fault;
        if (fault->kind == CJ_FAULT_OPEN_PIN && fault->pin == pin && strcmp(fault->part, part) == 0)
            return &suspects->items[i];
    }
    fail_msg("%s pin %d cannot be open", part, pin);
    return NULL;
}

/* Closed form: a square wave of the supply's size has a first harmonic of 4/pi of it; what the
 * stray C lets through, 2 pi f C V, flows into R17 to the inverter's virtual ground beside R14, R2
 * and the level at a quarter behind it; the inverter passes it on. */
void an_open_output_slams_through_its_stray(void **state)
{
    (void)state;
    struct expected job;
    cj__suspects *suspects = NULL;
    cj_error err;
    expected_of(&job, board_fixture("hall-mixer"));
    expect(&job, CJ__F_RATIO, "in1-right", 1, 0.08, 1e-4);
    expected_ready(&job);
    assert_int_equal(cj__suspects_make(job.board, &suspects, &err), CJ_OK);
    const cj__suspect *open = open_output(suspects, "U1", 7);
    int checked = 0;
    for (size_t m = 0; m < open->count; m++) {
        const cj__manner *manner = &open->manners[m];
        if (!manner->slams)
            continue;
        assert_int_equal(
            cj__outlook_fill(job.scene, manner, NAN, CJ_SPREAD, NULL, job.outlook, &err), CJ_OK);
        double sum = 0, behind = 100e3 + 100e3 + 10e3 * 0.25 * 0.75,
               ohm = 1 / (1 / 100e3 + 1 / behind), farad = manner->edits[0].b;
        for (size_t c = job.outlook->residue_first; c < (size_t)job.outlook->columns; c++)
            sum += job.outlook->is_residue[c] ? pow(job.outlook->by[c], 2) : 0;
        double peak = 4 / M_PI * 12 * 2 * M_PI * 1000 * farad * ohm, input = 1 - 0.005;
        check_ratio("passed on", sqrt(2 * sum), peak / input, 0.03);
        assert_true(job.outlook->slams && job.outlook->residue);
        checked++;
    }
    assert_true(checked >= 3);
    cj__suspects_free(suspects);
    expected_free(&job);
}

static const char divider[] =
    "board: divider\ntitle: one over ten\nrails: {v+: 12, v-: -12}\n"
    "inputs:\n  - {net: in, source: 0.001}\n"
    "parts:\n"
    "  - {ref: R1, kind: resistor, value: 90k, tolerance: 20%, pins: [in, out]}\n"
    "  - {ref: R2, kind: resistor, value: 10k, tolerance: 20%, pins: [out, gnd]}\n"
    "  - {ref: R3, kind: resistor, value: 10k, tolerance: 20%, pins: [in, gnd]}\n"
    "steps:\n  - {step: a, drive: in, tone: {hz: 1000, peak: 1}, see: [in, out]}\n";

/* Closed form: of a divider of two parts with normal logarithms (sigma s) the ratio r has the
 * density of d = ln (r / (1 - r)), normal with s sqrt 2, over r (1 - r); that normal is as often
 * wider as cj__normal_log has it. A constant is left out. */
static double exact(double r, double nominal, double s)
{
    double d = log(r / (1 - r)) - log(nominal / (1 - nominal)), far = d * d / (2 * s * s);
    double density = 0.89 * exp(-far / 2) + 0.10 / 1.5 * exp(-far / (2 * 1.5 * 1.5)) +
                     0.01 / 3 * exp(-far / (2 * 3 * 3));
    return log(density) - log(r * (1 - r));
}

void settled_parts_follow_the_exact_density(void **state)
{
    (void)state;
    static const double readings[] = {0.075, 0.09, 0.1, 0.115, 0.135};
    double density[5];
    for (int i = 0; i < 5; i++) {
        struct expected job;
        cj_board *board = NULL;
        cj_errors errors;
        cj_error err;
        cj__suspects *suspects = NULL;
        cj__ranking *ranking = NULL;
        if (cj_board_read_text("divider", divider, sizeof divider - 1, &board, &errors) != CJ_OK)
            fail_msg("%s", errors.items[0].message);
        expected_of(&job, board);
        expect(&job, CJ__F_MAGNITUDE, "a", 1, readings[i], 1e-4);
        expected_ready(&job);
        /* R3 open reads like a good unit: two that are close, as settling asks for */
        cj_fault fault = cj_fault_none(CJ_FAULT_OPEN_PIN);
        snprintf(fault.part, sizeof fault.part, "R3");
        assert_int_equal(cj__suspects_new(&suspects, &err), CJ_OK);
        cj__manner *manner = cj__suspect_manner(cj__suspects_add(suspects, &fault, 1), 1, 1);
        assert_non_null(manner);
        manner->edits[0] =
            (cj_edit){.kind = CJ_EDIT_VALUE, .part = cj_board_part(board, "R3"), .a = INFINITY};
        if (cj__rank(job.scene, suspects, 0.5, &ranking, &err) != CJ_OK)
            fail_msg("%s", err.message);
        density[i] = ranking->trials[ranking->best[0]].density;
        assert_true(ranking->trials[ranking->best[0]].settled);

        cj__ranking_free(ranking);
        cj__suspects_free(suspects);
        expected_free(&job);
    }
    /* against the nominal reading, so that what is common to all does not count */
    double s = 0.2 / sqrt(3);
    for (int i = 0; i < 5; i++)
        check_close("density", density[i] - density[2],
                    exact(readings[i], 0.1, s) - exact(readings[2], 0.1, s), 0.02);
}

/* Offsets are zero on average: R22 moves no DC, but how far DC lies from zero; a resistor behind a
 * switch that is off moves nothing. */
void a_value_reaches_a_look_by_its_spread(void **state)
{
    (void)state;
    struct expected job;
    cj__suspects *suspects = NULL;
    cj__ranking *ranking = NULL;
    cj_error err;
    expected_of(&job, board_fixture("hall-mixer"));
    expect(&job, CJ__F_DC, "quiet-mono", 0, 0.005, 1e-3);
    expected_ready(&job);
    assert_int_equal(cj__suspects_make(job.board, &suspects, &err), CJ_OK);
    if (cj__rank(job.scene, suspects, 0.5, &ranking, &err) != CJ_OK)
        fail_msg("%s", err.message);
    int checked = 0;
    for (size_t i = 1; i < ranking->singles; i++) {
        const cj_fault *fault = &suspects->items[i].fault;
        bool r22 = strcmp(fault->part, "R22") == 0, r7 = strcmp(fault->part, "R7") == 0;
        if (fault->kind != CJ_FAULT_WRONG_VALUE || !(r22 || r7))
            continue;
        assert_int_equal(ranking->touches[i * job.scene->look_count], r22);
        checked++;
    }
    assert_int_equal(checked, 2);
    cj__ranking_free(ranking);
    cj__suspects_free(suspects);
    expected_free(&job);
}
