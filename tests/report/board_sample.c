/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "board_sample.h"
#include "check.h"

static const char board_text[] =
    "board: two-sums\n"
    "title: Two summing stages\n"
    "rails: {v+: 12, v-: -12}\n"
    "inputs: [{net: in1, source: 50}, {net: in2, source: 50}]\n"
    "outputs: [{net: left_out, load: 1M}, {net: right_out, load: 1M}]\n"
    "parts:\n"
    "  - {ref: R1, kind: resistor, value: 100k, pins: [in1, left_bus]}\n"
    "  - {ref: R2, kind: resistor, value: 100k, pins: [in2, right_bus]}\n"
    "  - {ref: R13, kind: resistor, value: 100k, pins: [left_bus, left_out]}\n"
    "  - {ref: R14, kind: resistor, value: 100k, pins: [right_bus, right_out]}\n"
    "  - {ref: C13, kind: capacitor, value: 47u, polarised: true, pins: [v+, gnd]}\n"
    "  - {ref: U1, kind: opamp, type: TL072, pins: [left_out, left_bus, gnd, v-, gnd, right_bus,"
    " right_out, v+]}\n"
    "steps:\n"
    "  - {step: in1-left, drive: in1, tone: {hz: 1000, peak: 1}, see: [in1, left_out]}\n"
    "  - {step: in2-right, drive: in2, tone: {hz: 1000, peak: 1}, see: [in2, right_out]}\n"
    "  - {step: quiet, drive: none, see: [left_out, right_out]}\n"
    "  - {step: across, drive: in1, tone: {hz: 1000, peak: 1}, see: [left_out-right_out]}\n"
    "limits:\n"
    "  - {step: in1-left, figure: gain_db, min: -0.3, max: 0.3}\n"
    "  - {step: \"*\", figure: thd_percent, of: left_out, max: 0.1}\n"
    "  - {from: tolerance, sigmas: 3}\n";

static cj_fault fault(const char *text)
{
    cj_fault made;
    cj_error err = {0};
    if (cj_fault_read(text, &made, &err) != CJ_OK)
        fail_msg("%s: %s", text, err.message);
    return made;
}

static void make_findings(struct board_sample *s)
{
    static const cj_reading none = {NAN, NAN, NAN, NAN, "", NULL};
    static const cj_evidence evidence[8] = {
        {"in2-right",
         "gain_db",
         {-19.08, 0.1, NAN, NAN, "", "dB"},
         {-19.1, 0.12, NAN, NAN, "", "dB"},
         {0.001, 0.06, NAN, NAN, "", "dB"},
         0},
        {"in2-right",
         "polarity",
         {NAN, NAN, NAN, NAN, "inverted", NULL},
         {NAN, NAN, NAN, NAN, "inverted", NULL},
         {NAN, NAN, NAN, NAN, "same", NULL},
         0},
        {"quiet",
         "dc_v@right_out",
         {-0.0104, 0.0006, NAN, NAN, "", "V"},
         {-0.012, 0.003, NAN, NAN, "", "V"},
         {0.0001, 0.003, NAN, NAN, "", "V"},
         0},
        {"quiet", "noise_v@right_out", {1e-3, 1e-5, NAN, NAN, "", "V"}, none, none, 0},
        {"across", "rms_v@left_out-right_out", {0.7, 0.02, NAN, NAN, "", "V"}, none, none, 0},
    };
    s->faults[0] = fault("open-pin:U1:7");
    s->faults[1] = fault("open-pin:R14:1");
    s->faults[2] = fault("open-pin:R14:2");
    s->faults[3] = fault("bridge:U1:6-7");
    s->value = fault("wrong-value:R14=10.2k");
    s->value.low = 9.9e3;
    s->value.high = INFINITY;
    strcpy(s->value.nearest, "10k");
    s->pair[1] = fault("unpowered:v+");
    s->pair[0] = fault("weak:U1:7=offset");
    s->pair[0].with = cj_new(1, sizeof *s->pair[0].with);
    assert_non_null(s->pair[0].with);
    *s->pair[0].with = s->pair[1];
    s->rule = fault("outside:supply");
    for (size_t i = 0; i < 8; i++)
        s->evidence[i] = evidence[i % 5];
    const char *says = "U1 pin 7 makes no contact: what is left of the signal leaks through R2 and "
                       "R14, a ninth of it, upside down.";
    s->items[0] = (cj_finding){.probability = 0.93,
                               .faults = s->faults,
                               .fault_count = 4,
                               .says = (char *)says,
                               .evidence = s->evidence,
                               .evidence_count = 8,
                               .check = (char *)"Measure from U1 pin 7 to its pad; resolder it.",
                               .touches_board = true,
                               .caution = (char *)"Keep headphones off until it is repaired.",
                               .from = "board"};
    s->items[1] = (cj_finding){.probability = 0.03,
                               .faults = &s->value,
                               .fault_count = 1,
                               .says = (char *)"R14 is 10k instead of 100k.",
                               .from = "board"};
    s->items[2] = (cj_finding){.probability = 0.01,
                               .faults = s->pair,
                               .fault_count = 1,
                               .says = (char *)"Two at once.",
                               .from = "board"};
    for (size_t i = 3; i < BOARD_SAMPLE_OTHERS; i++)
        s->items[i] = (cj_finding){.probability = 0.001,
                                   .faults = &s->rule,
                                   .fault_count = 1,
                                   .says = (char *)"The supply hums: a ground loop, or a rectifier "
                                                   "that lets half a wave through, or a capacitor.",
                                   .from = "rules",
                                   .rule = "hum"};
    for (size_t i = 0; i < BOARD_SAMPLE_OTHERS; i++)
        s->items[i].rank = (int)i + 1;
    s->findings = (cj_findings){.items = s->items, .count = 4, .unexplained = 0.02};
    assert_int_equal(cj_lines_add(&s->findings.explained, "hum: silent in step quiet"), CJ_OK);
}

static void make_next(struct board_sample *s)
{
    /* the third and the fourth read alike; microvolts, and THD bounds, tell nothing */
    static const double gains[4] = {-19.1, -20, 0, 0}, dc[4] = {2e-6, 5e-12, -1e-5, 1e-5};
    for (int i = 0; i < 4; i++) {
        s->reads[i][0] =
            (cj_keyed_figure){"dc_v@right_out", dc[i], NAN, CJ_BOUND_NONE, NAN, "V", NULL, 0};
        s->reads[i][1] =
            (cj_keyed_figure){"gain_db", gains[i], 0.1, CJ_BOUND_NONE, NAN, "dB", NULL, 0};
        s->reads[i][2] = (cj_keyed_figure){
            "polarity", NAN, NAN, CJ_BOUND_NONE, NAN, "", i < 1 ? "inverted" : "same", 0};
        s->reads[i][3] =
            (cj_keyed_figure){"thd_percent@right_out", NAN, NAN, CJ_BELOW, 0.4, "%", NULL, 0};
        s->expect[i] = (cj_expectation){.reads = s->reads[i], .read_count = 4};
    }
    s->expect[0].fault = s->faults[0];
    s->expect[1].fault = s->value;
    s->expect[2].fault = cj_fault_none(CJ_FAULT_OUTSIDE);
    s->expect[2].healthy = true;
    s->expect[3].fault = s->rule;
    s->next[0] = (cj_next){.step = 3, .bits = 0.8, .expect = s->expect, .expect_count = 4};
    s->next[1] = (cj_next){.probe = true,
                           .step = 1,
                           .look = {cj_board_net(s->board, "right_bus"), CJ_GND},
                           .bits = 0.4,
                           .expect = s->expect,
                           .expect_count = 2};
    s->next[2] = s->next[1]; /* another net that reads the same */
    s->next[2].look.net = cj_board_net(s->board, "left_bus");
    s->next[3] = (cj_next){.step = 0, .bits = NAN};
    s->next[4] = (cj_next){.step = 2, .bits = 0.1, .expect = &s->expect[2], .expect_count = 2};
}

static void make_study(struct board_sample *s)
{
    s->group = (cj_fault_group){s->faults, 3};
    for (size_t i = 0; i < 3; i++)
        s->undecidable[i] = i;
    s->study = (cj_study){.board = s->board,
                          .steps = s->steps,
                          .step_count = 2,
                          .fault_count = 40,
                          .groups = &s->group,
                          .group_count = 1,
                          .parts = 5,
                          .rank = 3,
                          .unseen = {s->faults, 4},
                          .undecidable = s->undecidable,
                          .undecidable_count = 3};
}

void board_sample_make(struct board_sample *s)
{
    cj_errors errors = {0};
    *s = (struct board_sample){0};
    if (cj_board_read_text("two-sums.yaml", board_text, strlen(board_text), &s->board, &errors) !=
        CJ_OK)
        fail_msg("%ld: %s", errors.items[0].line, errors.items[0].message);
    assert_int_equal(cj_observed_make(s->board, &s->observed, NULL), CJ_OK);
    assert_int_equal(cj_observed_add_typed(s->observed, "in2-right:gain_db=-19.1", NULL), CJ_OK);
    assert_int_equal(cj_observed_add_typed(s->observed, "quiet:dc_v@right_out=-0.0104", NULL),
                     CJ_OK);
    s->observed->files[1] = cj_copy_text("unit/in2-\xffright.csv");
    make_findings(s);
    make_next(s);
    const cj_keyed_figure figures[5] = {
        {"gain_db", -19.08, 0.1, CJ_BOUND_NONE, NAN, "dB", NULL, 0},
        {"gain", 0.111, 0.001, CJ_BOUND_NONE, NAN, "V/V", NULL, 0},
        {"dc_v@right_out", NAN, NAN, CJ_BOUND_NONE, NAN, "V", NULL, 0},
        {"thd_percent@right_out", NAN, NAN, CJ_BELOW, 0.3961, "%", NULL, 0},
        {"polarity", NAN, NAN, CJ_BOUND_NONE, NAN, "", "inverted", 0},
    };
    memcpy(s->figures, figures, sizeof figures);
    for (size_t i = 0; i < 2; i++)
        s->steps[i] = (cj_step_figures){.step = i + 1,
                                        .measured = s->figures,
                                        .measured_count = 5,
                                        .predicted = s->figures,
                                        .predicted_count = 5};
    s->open[0] = 0;
    s->open[1] = 3;
    s->diagnosis = (cj_diagnosis){.board = s->board,
                                  .steps = s->steps,
                                  .step_count = 2,
                                  .state = CJ_STATE_FAULT,
                                  .healthy = 0.0001,
                                  .why = "in2-right: gain is 19.1 dB below a healthy unit's",
                                  .findings = &s->findings,
                                  .next = s->next,
                                  .next_count = 5,
                                  .open_steps = s->open,
                                  .open_count = 2};
    assert_int_equal(cj_lines_add(&s->diagnosis.notes, "noise_v is not predicted"), CJ_OK);
    make_study(s);
}

void board_sample_free(struct board_sample *s)
{
    cj_fault_clear(&s->pair[0]);
    cj_lines_free(&s->diagnosis.notes);
    cj_lines_free(&s->findings.explained);
    cj_observed_free(s->observed);
    cj_board_free(s->board);
}
