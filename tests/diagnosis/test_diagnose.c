/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From typed readings to a name. The readings are what the circuit room predicts, so these tests
 * are about the ranking alone; whether predictions are right is asked elsewhere (tests/reference).
 */
#include "check.h"

#include "board_tests.h"
#include "coldjoint/circuit.h"
#include "failing.h"

struct unit {
    cj_board *board;
    cj_bench *bench;
    cj_observed *observed;
};

static void unit_of(struct unit *unit, cj_board *board)
{
    cj_error err;
    unit->board = board;
    if (cj_bench_make(unit->board, &unit->bench, &err) != CJ_OK ||
        cj_observed_make(unit->board, &unit->observed, &err) != CJ_OK)
        fail_msg("%s", err.message);
}

static void unit_make(struct unit *unit, const char *board)
{
    unit_of(unit, board_fixture(board));
}

static void unit_free(struct unit *unit)
{
    cj_observed_free(unit->observed);
    cj_bench_free(unit->bench);
    cj_board_free(unit->board);
}

static void see(struct unit *unit, size_t step, const char *figure, cj_view of, double value,
                double u)
{
    cj_error err;
    cj_observation reading = {.step = step, .of = of, .value = value, .u = u};
    snprintf(reading.figure, sizeof reading.figure, "%s", figure);
    if (cj_observed_add(unit->observed, &reading, &err) != CJ_OK)
        fail_msg("%s", err.message);
}

static double size_of(cj_complex z)
{
    return hypot(z.re, z.im);
}

/* Reads one step of a unit with these edits as a scope would. */
static void read_step(struct unit *unit, size_t step, const cj_variant *variant)
{
    cj_error err;
    cj_prediction *seen = NULL;
    const cj_step *s = &unit->board->steps[step];
    const cj_view pair = {CJ_NO_NET, CJ_GND};
    if (cj_prediction_make(unit->bench, step, &seen, &err) != CJ_OK ||
        cj_bench_predict(unit->bench, step, variant, CJ_TRANSIENT, seen, &err) != CJ_OK)
        fail_msg("%s: %s", s->name, err.message);
    for (int c = 0; c < s->see_count; c++) {
        if (seen->points > 0)
            see(unit, step, "tone_peak_v", s->see[c], size_of(seen->tone[c]),
                0.02 * size_of(seen->tone[c]) + 1e-4);
        see(unit, step, "dc_v", s->see[c], seen->dc_v[c], 0.01 + 0.02 * fabs(seen->dc_v[c]));
    }
    if (seen->points > 0 && s->see_count == 2 && size_of(seen->tone[1]) > 1e-3) {
        double gain = size_of(seen->tone[1]) / size_of(seen->tone[0]);
        double turn =
            atan2(seen->tone[1].im, seen->tone[1].re) - atan2(seen->tone[0].im, seen->tone[0].re);
        see(unit, step, "gain_db", pair, 20 * log10(gain), 0.1);
        see(unit, step, "phase_deg", pair, remainder(turn * 180 / M_PI, 360), 0.5);
    }
    cj_prediction_free(seen);
}

static void read_all(struct unit *unit, const cj_edit *edits, size_t count)
{
    cj_variant variant = {edits, count};
    for (size_t s = 0; s < unit->board->step_count; s++)
        read_step(unit, s, &variant);
}

static cj_diagnosis *diagnose(struct unit *unit, const cj_diagnose_options *options)
{
    cj_diagnosis *diagnosis = NULL;
    cj_error err;
    if (cj_diagnose(unit->board, unit->observed, options, &diagnosis, &err) != CJ_OK)
        fail_msg("%s", err.message);
    return diagnosis;
}

static bool lists(const cj_finding *finding, const char *fault)
{
    for (size_t i = 0; i < finding->fault_count; i++) {
        cj_text text = {0};
        cj_fault_text(&finding->faults[i], &text);
        bool same = strncmp(text.bytes, fault, strlen(fault)) == 0;
        cj_text_free(&text);
        if (same)
            return true;
    }
    return false;
}

static void print_finding(const cj_finding *finding)
{
    cj_text text = {0};
    for (size_t i = 0; i < finding->fault_count; i++) {
        cj_text_add(&text, " ");
        cj_fault_text(&finding->faults[i], &text);
    }
    print_error("  %.3f%s\n", finding->probability, text.bytes);
    cj_text_free(&text);
}

/* The first finding lists the fault, with more than that probability. */
static void check_first(const cj_diagnosis *diagnosis, const char *fault, double least,
                        const char *which)
{
    const cj_findings *findings = diagnosis->findings;
    if (findings->count > 0 && lists(&findings->items[0], fault) &&
        findings->items[0].probability > least)
        return;
    for (size_t f = 0; f < findings->count; f++)
        print_finding(&findings->items[f]);
    fail_msg("%s%s is not the first finding", which, fault);
}

static int part(const cj_board *board, const char *ref)
{
    int index = cj_board_part(board, ref);
    assert_true(index >= 0);
    return index;
}

void readings_of_a_fault_name_it(void **state)
{
    (void)state;
    static const struct {
        const char *fault, *part;
        cj_edit edit;
    } cases[] = {
        {"open-pin:U1:7", "U1", {.kind = CJ_EDIT_LIFT, .pin = 7, .a = 1e13, .b = 0.5e-12}},
        {"open-pin:R3:1", "R3", {.kind = CJ_EDIT_VALUE, .a = INFINITY}},
        {"wrong-value:R14", "R14", {.kind = CJ_EDIT_VALUE, .a = 12e3}},
        {"bridge:U1:6-7", "U1", {.kind = CJ_EDIT_JOIN, .pin = 6, .pin2 = 7, .a = 0.01}},
        {"reversed:RV4", "RV4", {.kind = CJ_EDIT_REVERSE}},
        {"open-pin:SW2:3", "SW2", {.kind = CJ_EDIT_LIFT, .pin = 3, .a = 1e13, .b = 0.5e-12}},
        {"at-rail:U2:1", "U2", {.kind = CJ_EDIT_MODE, .pin = 1, .mode = CJ_LOW}},
        {"weak:U3:1=offset",
         "U3",
         {.kind = CJ_EDIT_FIGURE, .pin = 1, .figure = CJ_OFFSET, .a = 0.2}},
        {"wrong-value:C1", "C1", {.kind = CJ_EDIT_VALUE, .a = 220e-12}},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i += SANITIZED ? 4 : 1) {
        struct unit unit;
        unit_make(&unit, "hall-mixer");
        cj_edit edit = cases[i].edit;
        edit.part = part(unit.board, cases[i].part);
        read_all(&unit, &edit, 1);
        cj_diagnosis *diagnosis = diagnose(&unit, NULL);
        /* U2 pin 7 lifted reads nearly like U1 pin 7 lifted: no more than this is to be had */
        check_first(diagnosis, cases[i].fault, 0.5, "");
        assert_int_equal(diagnosis->state, CJ_STATE_FAULT);
        const cj_finding *first = &diagnosis->findings->items[0];
        assert_true(first->evidence_count > 0);
        assert_string_equal(first->from, "board");
        cj_diagnosis_free(diagnosis);
        unit_free(&unit);
    }
}

/* Of a value that makes a loud step clip, the other steps say what it is: between two places of any
 * grid that would be stepped through time. */
void a_clipped_step_leaves_the_value_to_the_others(void **state)
{
    (void)state;
    static const char text[] =
        "board: loud\nrails: {v+: 15, v-: -15}\ninputs:\n  - {net: in, source: 50}\n"
        "  - {net: aux, source: 50}\nparts:\n"
        "  - {ref: R1, kind: resistor, value: 20k, tolerance: 1%, pins: [in, x]}\n"
        "  - {ref: R2, kind: resistor, value: 20k, tolerance: 1%, pins: [aux, x]}\n"
        "  - {ref: R3, kind: resistor, value: 20k, tolerance: 1%, pins: [x, out]}\n"
        "  - {ref: U1, kind: opamp, type: OPA2134, pins: [out, x, gnd, v-, gnd, b, b, v+]}\n"
        "steps:\n  - {step: soft, drive: in, tone: {hz: 1000, peak: 0.5}, see: [in, out]}\n"
        "  - {step: loud, drive: in, tone: {hz: 1000, peak: 1.7}, see: [in, out]}\n"
        "  - {step: louder, drive: in, tone: {hz: 1000, peak: 3.5}, see: [in, out]}\n"
        "  - {step: bass, drive: in, tone: {hz: 80, peak: 0.5}, see: [in, out]}\n"
        "  - {step: treble, drive: in, tone: {hz: 12000, peak: 0.5}, see: [in, out]}\n"
        "  - {step: quiet, drive: none, see: [out]}\n"
        "  - {step: aux, drive: aux, tone: {hz: 1000, peak: 0.3}, see: [aux, out]}\n";
    static const double values[] = {2700, 3900, 1100};
    for (size_t i = 0; i < sizeof values / sizeof values[0]; i++) {
        struct unit unit;
        unit_of(&unit, board_text(text));
        cj_edit edit = {.kind = CJ_EDIT_VALUE, .part = part(unit.board, "R1"), .a = values[i]};
        read_all(&unit, &edit, 1);
        cj_diagnosis *diagnosis = diagnose(&unit, NULL);
        assert_int_equal(diagnosis->state, CJ_STATE_FAULT);
        assert_true(lists(&diagnosis->findings->items[0], "wrong-value:R1"));
        check_ratio("R1", diagnosis->findings->items[0].faults[0].value, values[i], 0.03);
        cj_diagnosis_free(diagnosis);
        unit_free(&unit);
    }
}

/* A lifted JFET input: its DC hangs on the joint and on a leak beside it, its tone on picofarads
 * and ohms alike; two parts that changed places took their tolerances along; a joint of less than a
 * megohm has its picofarads too; an input left to its bias current goes to the rail of its sign.
 * Values invented. */
void two_unknowns_are_found_together(void **state)
{
    (void)state;
    static const struct {
        const char *board, *fault, *part[3];
        cj_edit edits[3];
        size_t count;
    } cases[] = {
        {"hall-mixer",
         "open-pin:U1:6",
         {"U1", "U1", "U1"},
         {{.kind = CJ_EDIT_LIFT, .pin = 6, .a = 1.6e11, .b = 0.5e-12},
          {.kind = CJ_EDIT_LEAK, .pin = 6, .pin2 = 7, .a = 1e11},
          {.kind = CJ_EDIT_LEAK, .pin = 6, .pin2 = 5, .a = 4e10}},
         3},
        {"hall-mixer",
         "open-pin:U1:2",
         {"U1"},
         {{.kind = CJ_EDIT_LIFT, .pin = 2, .a = 4.7e8, .b = 0.35e-12}},
         1},
        {"hall-mixer",
         "swapped:C6",
         {"C6", "C7"},
         {{.kind = CJ_EDIT_VALUE, .a = 82e-9}, {.kind = CJ_EDIT_VALUE, .a = 22e-12}},
         2},
        {"hall-mixer",
         "open-pin:RV1:3",
         {"RV1"},
         {{.kind = CJ_EDIT_LIFT, .pin = 3, .a = 7.2e5, .b = 1.1e-12}},
         1},
        {"hall-mixer",
         "open-pin:U1:2",
         {"U1", "U1", "U1"},
         {{.kind = CJ_EDIT_LIFT, .pin = 2, .a = 1e14, .b = 0.2e-12},
          {.kind = CJ_EDIT_LEAK, .pin = 2, .pin2 = 1, .a = 2.4e9},
          {.kind = CJ_EDIT_FIGURE, .pin = 1, .figure = CJ_BIAS, .a = 117e-12}},
         3},
        {"mill",
         "open-pin:RV1:2",
         {"RV1", "U1"},
         {{.kind = CJ_EDIT_LIFT, .pin = 2, .a = 1e13, .b = 0.25e-12},
          {.kind = CJ_EDIT_FIGURE, .pin = 7, .figure = CJ_BIAS, .a = 4e-12}},
         2},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i += SANITIZED ? 2 : 1) {
        struct unit unit;
        cj_edit edits[3];
        unit_make(&unit, cases[i].board);
        for (size_t e = 0; e < cases[i].count; e++) {
            edits[e] = cases[i].edits[e];
            edits[e].part = part(unit.board, cases[i].part[e]);
        }
        read_all(&unit, edits, cases[i].count);
        cj_diagnosis *diagnosis = diagnose(&unit, NULL);
        check_first(diagnosis, cases[i].fault, 0.5, cases[i].board);
        cj_diagnosis_free(diagnosis);
        unit_free(&unit);
    }
}

/* Behind a stage stuck at a rail an inverter of gain 1 stands at the end of its own swing: with a
 * little more swing than its fellow it still lets the tone through, with a little less it does not.
 * So does a follower's lifted input, whose clamping diodes reach the jack no more; where it is
 * stuck, they pull the source down in two of three steps, which is no question of the generator.
 * Values invented.
 */
void a_stage_behind_a_stuck_one_may_follow_it(void **state)
{
    (void)state;
    static const char text[] =
        "board: two\nrails: {v+: 12, v-: -12}\n"
        "inputs: [{net: a, source: 50}, {net: b, source: 50}]\noutputs: [{net: out, load: 10k}]\n"
        "parts:\n"
        "  - {ref: R1, kind: resistor, value: 100k, pins: [a, gnd]}\n"
        "  - {ref: R2, kind: resistor, value: 22k, pins: [n1, n2]}\n"
        "  - {ref: R3, kind: resistor, value: 22k, pins: [n2, n3]}\n"
        "  - {ref: R4, kind: resistor, value: 47k, pins: [b, n2]}\n"
        "  - {ref: R5, kind: resistor, value: 100, pins: [n3, out]}\n"
        "  - {ref: U1, kind: opamp, type: %s, pins: [n1, n1, a, v-, gnd, n2, n3, v+]}\n"
        "steps:\n"
        "  - {step: a, drive: a, tone: {hz: 1000, peak: 0.1}, see: [a, out]}\n"
        "  - {step: b, drive: b, tone: {hz: 1000, peak: 0.1}, see: [b, out]}\n"
        "  - {step: first, drive: a, tone: {hz: 1000, peak: 0.1}, see: [a, n1]}\n"
        "  - {step: quiet, drive: none, see: [n1, out]}\n";
    static const struct {
        const char *type, *fault;
        cj_edit edit;
        double swing_v;
    } cases[] = {
        {"TL072", "at-rail:U1:1=v-", {.kind = CJ_EDIT_MODE, .pin = 1, .mode = CJ_LOW}, -0.4},
        {"TL072", "at-rail:U1:1=v-", {.kind = CJ_EDIT_MODE, .pin = 1, .mode = CJ_LOW}, 0.4},
        {"NE5532", "at-rail:U1:1=v-", {.kind = CJ_EDIT_MODE, .pin = 1, .mode = CJ_LOW}, -0.4},
        {"NE5532",
         "open-pin:U1:3",
         {.kind = CJ_EDIT_LIFT, .pin = 3, .a = 1e13, .b = 0.5e-12},
         -0.4},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct unit unit;
        char board[sizeof text + 20];
        snprintf(board, sizeof board, text, cases[i].type);
        unit_of(&unit, board_text(board));
        int u1 = part(unit.board, "U1");
        cj_edit edits[2] = {cases[i].edit, {.kind = CJ_EDIT_FIGURE, .pin = 7, .figure = CJ_SWING}};
        edits[0].part = edits[1].part = u1;
        edits[1].a = unit.board->parts[u1].opamp.swing_v + cases[i].swing_v;
        read_all(&unit, edits, 2);
        cj_diagnosis *diagnosis = diagnose(&unit, NULL);
        char which[60];
        snprintf(which, sizeof which, "%s, swing off by %g V: ", cases[i].type, cases[i].swing_v);
        check_first(diagnosis, cases[i].fault, 0.8, which);
        cj_diagnosis_free(diagnosis);
        unit_free(&unit);
    }
}

/* A potentiometer of 20 % that acts as 1k15 may have 1k written on it: the interval is of that. */
void a_marked_value_has_its_tolerance(void **state)
{
    (void)state;
    struct unit unit;
    unit_make(&unit, "hall-mixer");
    cj_edit edit = {.kind = CJ_EDIT_VALUE, .part = part(unit.board, "RV2"), .a = 1150};
    read_all(&unit, &edit, 1);
    cj_diagnosis *diagnosis = diagnose(&unit, NULL);
    const cj_fault *found = NULL;
    for (size_t i = 0; i < diagnosis->findings->count && found == NULL; i++)
        for (size_t f = 0; f < diagnosis->findings->items[i].fault_count; f++)
            if (strcmp(diagnosis->findings->items[i].faults[f].part, "RV2") == 0)
                found = &diagnosis->findings->items[i].faults[f];
    assert_non_null(found);
    check_ratio("acts as", found->value, 1150.0, 0.1);
    assert_true(found->low < 1000 && found->low > 800);
    assert_true(found->high > 1350 && found->high < 1600);
    cj_diagnosis_free(diagnosis);
    unit_free(&unit);
}

void a_good_unit_is_healthy(void **state)
{
    (void)state;
    static const char *const boards[] = {"hall-mixer", "summing-stage", "sallen-key"};
    for (size_t b = 0; b < sizeof boards / sizeof boards[0]; b += SANITIZED ? 2 : 1) {
        struct unit unit;
        unit_make(&unit, boards[b]);
        read_all(&unit, NULL, 0);
        cj_diagnosis *diagnosis = diagnose(&unit, NULL);
        if (diagnosis->state != CJ_STATE_HEALTHY)
            fail_msg("%s: %g healthy, first %s", boards[b], diagnosis->healthy,
                     diagnosis->findings->count ? diagnosis->findings->items[0].says : "nothing");
        assert_int_equal(diagnosis->open_count, 0);
        assert_int_equal(diagnosis->step_count, unit.board->step_count);
        cj_diagnosis_free(diagnosis);
        unit_free(&unit);
    }
}

static void scale_levels(struct unit *unit, int drive, double factor)
{
    for (size_t i = 0; i < unit->observed->count; i++) {
        cj_observation *seen = &unit->observed->items[i];
        if (unit->board->steps[seen->step].drive == drive &&
            strcmp(seen->figure, "tone_peak_v") == 0)
            seen->value *= factor;
    }
}

/* One input that pulls the source down more than the others has too low a resistance, or was fed
 * less: it is not called healthy. Where every input is fed as it comes, levels say nothing. */
void a_level_that_stays_put_shows_a_load(void **state)
{
    (void)state;
    struct unit unit;
    unit_make(&unit, "hall-mixer");
    cj_edit edit = {.kind = CJ_EDIT_VALUE, .part = part(unit.board, "RV2"), .a = 430};
    read_all(&unit, &edit, 1);
    cj_diagnosis *diagnosis = diagnose(&unit, NULL);
    assert_int_not_equal(diagnosis->state, CJ_STATE_HEALTHY);
    bool listed = false;
    for (size_t i = 0; i < diagnosis->findings->count; i++)
        listed = listed || lists(&diagnosis->findings->items[i], "wrong-value:RV2");
    assert_true(listed);
    cj_diagnosis_free(diagnosis);
    static const double fed[] = {1, 0.93, 1.06, 0.98, 1.1, 0.9};
    for (int i = 0; i < 6; i++)
        scale_levels(&unit, i, fed[i]);
    diagnosis = diagnose(&unit, NULL);
    assert_int_equal(diagnosis->state, CJ_STATE_HEALTHY);
    cj_diagnosis_free(diagnosis);
    unit_free(&unit);
}

/* Three faults at once are in nobody's list. */
void a_stranger_is_not_given_a_name(void **state)
{
    (void)state;
    struct unit unit;
    unit_make(&unit, "hall-mixer");
    cj_edit edits[] = {
        {.kind = CJ_EDIT_VALUE, .part = part(unit.board, "R14"), .a = 47e3},
        {.kind = CJ_EDIT_VALUE, .part = part(unit.board, "R16"), .a = 180e3},
        {.kind = CJ_EDIT_VALUE, .part = part(unit.board, "R5"), .a = 22e3},
        {.kind = CJ_EDIT_VALUE, .part = part(unit.board, "R23"), .a = 56e3},
    };
    read_all(&unit, edits, 4);
    cj_diagnosis *diagnosis = diagnose(&unit, NULL);
    assert_int_not_equal(diagnosis->state, CJ_STATE_HEALTHY);
    if (diagnosis->findings->count > 0)
        assert_true(diagnosis->findings->items[0].probability < 0.5);
    assert_true(diagnosis->findings->unexplained > 0.5);
    cj_diagnosis_free(diagnosis);
    unit_free(&unit);
}

void the_next_reading_splits_what_is_left(void **state)
{
    (void)state;
    struct unit unit;
    unit_make(&unit, "hall-mixer");
    cj_edit edit = {
        .kind = CJ_EDIT_LIFT, .part = part(unit.board, "U1"), .pin = 7, .a = 1e13, .b = 0.5e-12};
    cj_variant variant = {&edit, 1};
    read_step(&unit, (size_t)cj_board_step(unit.board, "in2-right"), &variant);
    cj_diagnosis *diagnosis = diagnose(&unit, NULL);
    assert_int_equal(diagnosis->step_count, 1);
    assert_int_equal(diagnosis->open_count, unit.board->step_count - 1);
    assert_true(diagnosis->next_count > 0);
    for (size_t i = 0; i < diagnosis->next_count; i++) {
        const cj_next *next = &diagnosis->next[i];
        assert_true(next->bits > 0.04 && next->bits < 10);
        assert_true(next->expect_count > 1);
        assert_true(i == 0 || next->bits <= diagnosis->next[i - 1].bits + 0.03);
        for (size_t e = 0; e < next->expect_count; e++)
            assert_true(next->expect[e].read_count > 0);
    }
    cj_diagnosis_free(diagnosis);
    unit_free(&unit);
}

void nothing_read_is_undecided(void **state)
{
    (void)state;
    struct unit unit;
    unit_make(&unit, "hall-mixer");
    see(&unit, 0, "hum_v", unit.board->steps[0].see[0], 1e-3,
        1e-4); /* nothing the board could predict */
    cj_diagnosis *diagnosis = diagnose(&unit, NULL);
    assert_int_equal(diagnosis->state, CJ_STATE_UNDECIDED);
    assert_true(diagnosis->notes.count > 0);
    cj_diagnosis_free(diagnosis);
    unit_free(&unit);
}

void a_rule_joins_the_list(void **state)
{
    (void)state;
    struct unit unit;
    unit_make(&unit, "hall-mixer");
    read_all(&unit, NULL, 0);
    cj_finding hum = {
        .probability = 0.9, .says = (char *)"hums", .check = (char *)"look", .from = "rules"};
    snprintf(hum.rule, sizeof hum.rule, "hum-second");
    cj_findings findings = {.items = &hum, .count = 1};
    cj_step_rules rules = {.step = 1, .findings = &findings};
    cj_diagnose_options options = {.rules = &rules, .rule_count = 1};
    cj_diagnosis *diagnosis = diagnose(&unit, &options);
    assert_int_equal(diagnosis->state, CJ_STATE_FAULT);
    assert_string_equal(diagnosis->findings->items[0].rule, "hum-second");
    check_close("hum", diagnosis->findings->items[0].probability, 0.9, 0.02);
    cj_diagnosis_free(diagnosis);
    unit_free(&unit);
}

static bool grouped(const cj_study *study, const char *a, const char *b)
{
    for (size_t g = 0; g < study->group_count; g++) {
        cj_finding as = {.faults = study->groups[g].faults, .fault_count = study->groups[g].count};
        if (lists(&as, a) && lists(&as, b))
            return true;
    }
    return false;
}

/* Rank and group of the Sallen-Key stage read at its output alone: 3 of 7 and {R4, R5}
 * (diagnosis_benchmarks, exact rank with ideal op-amps). */
void a_study_says_what_the_steps_can_tell(void **state)
{
    (void)state;
    cj_study *study = NULL;
    cj_error err;
    cj_board *board = board_fixture("sallen-key");
    size_t kept = 0;
    for (size_t s = 0; s < board->step_count; s++) {
        int out = cj_board_net(board, "out");
        if (board->steps[s].see[1].net != out)
            cj_free(board->steps[s].settings);
        else
            board->steps[kept++] = board->steps[s];
    }
    board->step_count = kept;
    assert_int_equal(cj_study_make(board, NULL, &study, &err), CJ_OK);
    assert_int_equal(study->parts, 7);
    assert_int_equal(study->rank, 3);
    assert_true(grouped(study, "wrong-value:R4", "wrong-value:R5"));
    assert_true(!grouped(study, "wrong-value:R1", "wrong-value:R5"));
    assert_true(study->fault_count > 30);
    cj_study_free(study);
    cj_board_free(board);

    board = board_fixture("hall-mixer");
    assert_int_equal(cj_study_make(board, NULL, &study, &err), CJ_OK);
    cj_finding unseen = {.faults = study->unseen.faults, .fault_count = study->unseen.count};
    assert_true(lists(&unseen, "open-pin:C7:1"));
    assert_true(!lists(&unseen, "open-pin:U1:7"));
    assert_true(study->undecidable_count > 0); /* THD below 0.1 % with eight bits */
    cj_study_free(study);
    cj_board_free(board);
}

struct whole {
    cj_board *board;
    cj_observed *observed;
};

static cj_status whole_job(void *user, cj_error *err)
{
    struct whole *whole = user;
    cj_diagnosis *diagnosis = NULL;
    cj_status status = cj_diagnose(whole->board, whole->observed, NULL, &diagnosis, err);
    if (status == CJ_OK)
        cj_diagnosis_free(diagnosis);
    return status;
}

void diagnosing_runs_out_of_memory(void **state)
{
    (void)state;
    struct unit unit;
    unit_make(&unit, "sallen-key");
    cj_edit edit = {.kind = CJ_EDIT_VALUE, .part = part(unit.board, "R3"), .a = 20e3};
    cj_variant variant = {&edit, 1};
    read_step(&unit, 0, &variant);
    struct whole whole = {unit.board, unit.observed};
    failing_each("diagnose", whole_job, &whole);
    unit_free(&unit);
}
