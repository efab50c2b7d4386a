/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a right board file becomes. */
#include "failing.h"
#include "tests.h"

#include <locale.h>

static const cj_part *part_of(const cj_board *board, const char *ref)
{
    int at = cj_board_part(board, ref);
    if (at < 0)
        fail_msg("no part %s", ref);
    return &board->parts[at];
}

static void check_pins(const cj_board *board, const char *ref, const char *nets)
{
    const cj_part *part = part_of(board, ref);
    char text[400] = "";
    for (size_t i = 0; i < part->pin_count; i++)
        snprintf(text + strlen(text), sizeof text - strlen(text), "%s%s", i ? " " : "",
                 part->pins[i] == CJ_NO_NET ? "nc" : board->nets[part->pins[i]]);
    if (strcmp(text, nets) != 0)
        fail_msg("%s: pins %s, want %s", ref, text, nets);
}

static void parts_have_their_values_and_pins(void **state)
{
    cj_board *board = read_good("small", small_board);
    (void)state;
    assert_string_equal(board->name, "bench");
    assert_string_equal(board->title, "Small bench");
    assert_int_equal(board->part_count, 11);
    assert_int_equal(board->warnings.count, 0);
    assert_string_equal(board->nets[CJ_GND], "gnd");
    check_pins(board, "R1", "in2 bus");
    check_pins(board, "SW1", "wip a1 nc");
    check_pins(board, "U1", "drv bus gnd v- gnd idle idle v+");
    assert_int_equal(part_of(board, "R1")->kind, CJ_RESISTOR);
    assert_int_equal(part_of(board, "R1")->line, 10);
    check_ratio("R1", part_of(board, "R1")->value, 10e3, 1e-15);
    check_ratio("R1", part_of(board, "R1")->tolerance, 0.01, 1e-15);
    check_ratio("R2", part_of(board, "R2")->value, 100e3, 1e-15);
    assert_true(part_of(board, "R2")->tolerance == 0);
    check_ratio("R3", part_of(board, "R3")->value, 4700.0, 1e-15);
    check_ratio("R4", part_of(board, "R4")->value, 2.2, 1e-15);
    check_ratio("C1", part_of(board, "C1")->value, 22e-12, 1e-15);
    assert_true(part_of(board, "C1")->polarised && part_of(board, "RV1")->audio_taper);
    assert_true(isnan(part_of(board, "SW1")->value) && isnan(part_of(board, "U1")->value));
    const cj_part *tr = part_of(board, "T1");
    assert_true(tr->ratio == 2 && tr->inductance_h == 20 && tr->coupling == 0.999 &&
                tr->winding_ohm[0] == 50 && tr->winding_ohm[1] == 50);
    assert_string_equal(part_of(board, "D1")->diode.type, "1N4148");
    cj_board_free(board);
}

static void switches_join_their_pins(void **state)
{
    cj_board *board = read_good("small", small_board);
    const cj_part *sw = part_of(board, "SW1");
    (void)state;
    assert_int_equal(sw->position_count, 2);
    assert_string_equal(sw->positions[0].name, "left");
    assert_int_equal(sw->positions[0].pair_count, 1);
    assert_int_equal(sw->positions[0].pairs[0][0], 1);
    assert_int_equal(sw->positions[0].pairs[0][1], 2);
    assert_string_equal(sw->positions[1].name, "off");
    assert_int_equal(sw->positions[1].pair_count, 0);
    cj_board_free(board);
}

static void the_bench_is_as_written(void **state)
{
    cj_board *board = read_good("small", small_board);
    (void)state;
    assert_string_equal(board->nets[board->v_plus], "v+");
    assert_string_equal(board->nets[board->v_minus], "v-");
    assert_true(board->v_plus_v == 12 && board->v_minus_v == -12);
    assert_int_equal(board->input_count, 2);
    assert_int_equal(board->inputs[0].net, cj_board_net(board, "in1"));
    assert_true(board->inputs[0].idle_open && !board->inputs[1].idle_open);
    assert_true(board->inputs[0].source_ohm == 50 && board->inputs[1].source_ohm == 600);
    assert_int_equal(board->output_count, 1);
    assert_true(board->outputs[0].net == cj_board_net(board, "out") &&
                board->outputs[0].load_ohm == 1e6);
    cj_board_free(board);
}

static void steps_stand_on_rest(void **state)
{
    cj_board *board = read_good("small", small_board);
    int sw = cj_board_part(board, "SW1"), rv = cj_board_part(board, "RV1");
    const cj_step *steps = board->steps;
    (void)state;
    assert_int_equal(board->step_count, 3);
    assert_int_equal(cj_board_step(board, "quiet"), 1);
    assert_int_equal(cj_board_step(board, "loud"), -1);
    assert_true(steps[0].shape == CJ_TONE && steps[0].hz[0] == 1000 && steps[0].peak[0] == 1);
    assert_true(steps[0].drive == 0 && steps[1].drive == -1 && steps[1].shape == CJ_QUIET);
    assert_true(steps[0].settings[sw] == 0 && steps[1].settings[sw] == 1);
    assert_true(steps[0].settings[rv] == 0.5 && isnan(steps[0].settings[0]));
    assert_true(!steps[0].power_off && steps[2].power_off);
    assert_int_equal(steps[0].see_count, 2);
    assert_int_equal(steps[1].see_count, 1);
    assert_true(steps[1].see[0].net == cj_board_net(board, "hot") &&
                steps[1].see[0].against == cj_board_net(board, "cold"));
    assert_true(steps[0].see[1].against == CJ_GND);
    assert_int_equal(steps[0].line, 24);
    cj_board_free(board);
}

static void limits_are_as_written(void **state)
{
    cj_board *board = read_good("small", small_board);
    const cj_limit *limits = board->limits;
    (void)state;
    assert_int_equal(board->limit_count, 3);
    assert_string_equal(limits[0].step, "tone");
    assert_string_equal(limits[0].figure, "gain_db");
    assert_true(limits[0].min == -1 && limits[0].max == 1 && limits[0].of.net == CJ_NO_NET);
    assert_string_equal(limits[1].step, "*");
    assert_true(limits[1].min == -INFINITY && limits[1].max == 0.1);
    assert_int_equal(limits[1].of.net, cj_board_net(board, "out"));
    assert_true(limits[2].from_tolerance && limits[2].sigmas == 3 && limits[2].step[0] == '\0');
    cj_board_free(board);
}

static void per_cent_figures_take_either_form(void **state)
{
    char *text = changed(small_board, "max: 0.1}", "min: 10m, max: 0.1%}");
    cj_board *board = read_good("per cent", text);
    (void)state;
    check_ratio("max", board->limits[1].max, 0.1, 1e-15);
    check_ratio("min", board->limits[1].min, 0.01, 1e-15);
    cj_board_free(board);
    free(text);
}

/* Each shape of a drive, with what comes of it. */
static void every_shape_is_read(void **state)
{
    static const struct {
        const char *text;
        cj_shape shape;
        double hz, hz2, peak, peak2, from, to, seconds, rms;
        int steps;
        bool pink;
    } cases[] = {
        {"tone: {hz: 440, peak: 0.5}", CJ_TONE, 440, 0, 0.5, 0, 0, 0, 0, 0, 0, false},
        {"sweep: {from: 20, to: 20k, seconds: 5, peak: 1}", CJ_SWEEP, 0, 0, 1, 0, 20, 20e3, 5, 0, 0,
         false},
        {"two-tone: {hz: [60, 7k], peak: [0.8, 0.2]}", CJ_TWO_TONE, 60, 7000, 0.8, 0.2, 0, 0, 0, 0,
         0, false},
        {"square: {hz: 1 kHz, peak: 100 mV}", CJ_SQUARE, 1000, 0, 0.1, 0, 0, 0, 0, 0, 0, false},
        {"stepped: {hz: 1k, from: 0.1, to: 8, steps: 20, seconds: 10}", CJ_STEPPED, 1000, 0, 8, 0,
         0.1, 8, 10, 0, 20, false},
        {"noise: {rms: 0.5, colour: pink, seconds: 10}", CJ_NOISE, 0, 0, 0, 0, 0, 0, 10, 0.5, 0,
         true},
        {"noise: {rms: 0.5, colour: white, seconds: 10}", CJ_NOISE, 0, 0, 0, 0, 0, 0, 10, 0.5, 0,
         false},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char *text = changed(small_board, "tone: {hz: 1k, peak: 1}", cases[i].text);
        cj_board *board = read_good(cases[i].text, text);
        const cj_step *step = &board->steps[0];
        assert_int_equal(step->shape, cases[i].shape);
        check_close(cases[i].text, step->hz[0], cases[i].hz, 0);
        check_close(cases[i].text, step->hz[1], cases[i].hz2, 0);
        check_close(cases[i].text, step->peak[0], cases[i].peak, 0);
        check_close(cases[i].text, step->peak[1], cases[i].peak2, 0);
        check_close(cases[i].text, step->from, cases[i].from, 0);
        check_close(cases[i].text, step->to, cases[i].to, 0);
        check_close(cases[i].text, step->seconds, cases[i].seconds, 0);
        check_close(cases[i].text, step->rms, cases[i].rms, 0);
        assert_int_equal(step->level_steps, cases[i].steps);
        assert_int_equal(step->pink, cases[i].pink);
        cj_board_free(board);
        free(text);
    }
}

static void sections_follow_type_and_pins(void **state)
{
    /* pins of U1 for each kind of package; sections as out, -in, +in, V+, V- */
    static const struct {
        const char *text;
        int count;
        int sections[4][5];
    } cases[] = {
        {"TL072, pins: [drv, bus, gnd]", 1, {{1, 2, 3, 0, 0}}},
        {"ideal, pins: [drv, bus, gnd]", 1, {{1, 2, 3, 0, 0}}},
        {"TL074, pins: [drv, bus, gnd]", 1, {{1, 2, 3, 0, 0}}},
        {"NE5534, pins: [nc, bus, gnd, v-, nc, drv, v+, nc]", 1, {{6, 2, 3, 7, 4}}},
        {"NE5534, pins: [drv, bus, gnd]", 1, {{1, 2, 3, 0, 0}}},
        {"ideal, pins: [drv, bus, gnd, v-, gnd, y, y, v+]", 2, {{1, 2, 3, 8, 4}, {7, 6, 5, 8, 4}}},
        {"ideal, sections: 1, pins: [nc, bus, gnd, v-, nc, drv, v+, nc]", 1, {{6, 2, 3, 7, 4}}},
        {"NE5534, sections: 2, pins: [drv, bus, gnd, v-, gnd, y, y, v+]",
         2,
         {{1, 2, 3, 8, 4}, {7, 6, 5, 8, 4}}},
        {"TL074, pins: [drv, bus, gnd, v+, gnd, y, y, z, z, gnd, v-, gnd, w, w]",
         4,
         {{1, 2, 3, 4, 11}, {7, 6, 5, 4, 11}, {8, 9, 10, 4, 11}, {14, 13, 12, 4, 11}}},
        {"ideal, pins: [drv, bus, gnd, v+, gnd, y, y, z, z, gnd, v-, gnd, w, w]",
         4,
         {{1, 2, 3, 4, 11}, {7, 6, 5, 4, 11}, {8, 9, 10, 4, 11}, {14, 13, 12, 4, 11}}},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char *text = changed(small_board, "TL072, pins: [drv, bus, gnd, v-, gnd, idle, idle, v+]",
                             cases[i].text);
        cj_board *board = read_good(cases[i].text, text);
        const cj_part *part = part_of(board, "U1");
        assert_int_equal(part->section_count, cases[i].count);
        for (int k = 0; k < cases[i].count; k++) {
            const cj_section *got = &part->sections[k];
            const int *want = cases[i].sections[k];
            if (got->out != want[0] || got->inverting != want[1] || got->plus != want[2] ||
                got->v_plus != want[3] || got->v_minus != want[4])
                fail_msg("%s: section %d", cases[i].text, k);
            assert_int_equal(cj_part_section(part, want[0]), k);
            assert_int_equal(cj_part_section(part, want[1]), k);
            assert_int_equal(cj_part_section(part, want[2]), k);
        }
        if (part->pin_count == 8)
            assert_int_equal(cj_part_section(part, 4), -1);
        assert_int_equal(cj_part_section(part, 99), -1);
        cj_board_free(board);
        free(text);
    }
}

static void figures_beside_the_type_count(void **state)
{
    char *text = changed(small_board, "type: TL072",
                         "type: tl072, gbw: 3 MHz, slew: 13M, gain: 150k, offset: 2m, bias: 65p, "
                         "swing: 1.2, output: 120, input: 1e12");
    cj_board *board = read_good("figures", text);
    const cj_opamp *opamp = &part_of(board, "U1")->opamp;
    (void)state;
    assert_string_equal(opamp->type, "TL072");
    check_ratio("gbw", opamp->gbw_hz, 3e6, 1e-15);
    check_ratio("slew", opamp->slew_v_per_s, 13e6, 1e-15);
    check_ratio("gain", opamp->gain, 150e3, 1e-15);
    check_ratio("offset", opamp->offset_v, 2e-3 / 0.67, 1e-12);
    check_ratio("bias", opamp->bias_a, 65e-12, 1e-15);
    check_ratio("swing", opamp->swing_v, 1.2, 1e-15);
    check_ratio("output", opamp->output_ohm, 120.0, 1e-15);
    check_ratio("input", opamp->input_ohm, 1e12, 1e-15);
    assert_true(opamp->jfet && !opamp->ideal);
    cj_board_free(board);
    free(text);
    text = changed(small_board, "type: TL072", "type: ideal, gbw: 10M");
    board = read_good("ideal but for", text);
    assert_true(!part_of(board, "U1")->opamp.ideal && part_of(board, "U1")->opamp.offset_v == 0);
    cj_board_free(board);
    free(text);
}

/* One supply, and none. */
static void supplies(void **state)
{
    char *text = changed(small_board, "{v+: 12, v-: -12}", "{v+: 24}");
    cj_board *board = read_good("single supply", text);
    (void)state;
    assert_true(board->v_minus == CJ_GND && board->v_plus_v == 24 && board->v_minus_v == 0);
    assert_int_equal(cj_board_net(board, "v-"), CJ_GND);
    check_pins(board, "U1", "drv bus gnd gnd gnd idle idle v+");
    cj_board_free(board);
    free(text);

    text = changed(small_board, "rails: {v+: 12, v-: -12}\n", "");
    board = read_good("no rails", text);
    assert_true(board->v_plus == CJ_NO_NET && board->v_minus == CJ_NO_NET);
    check_holds("no rails", board->warnings.items[0], "net v+ has no voltage");
    cj_board_free(board);

    char *free_pins = changed(text, "v-, gnd, idle, idle, v+]", "nc, gnd, idle, idle, nc]");
    board = read_good("no rails, supply pins free", free_pins);
    assert_int_equal(part_of(board, "U1")->sections[1].v_plus, 0);
    assert_int_equal(part_of(board, "U1")->sections[1].v_minus, 0);
    cj_board_free(board);
    free(free_pins);
    free(text);
}

static void an_ideal_source_is_nearly_one(void **state)
{
    char *text = changed(small_board, "source: 600", "source: 0");
    cj_board *board = read_good("source 0", text);
    (void)state;
    assert_true(board->inputs[1].source_ohm == 1e-3);
    cj_board_free(board);
    free(text);
}

static void views_are_read_and_written(void **state)
{
    cj_board *board = read_good("small", small_board);
    /* net, against; "" for no view */
    static const char *const cases[][3] = {
        {"out", "out", "gnd"},
        {"hot-cold", "hot", "cold"},
        {"v-", "v-", "gnd"},
        {"v+-v-", "v+", "v-"},
        {"v--v+", "v-", "v+"},
        {"out-v-", "out", "v-"},
        {"out-gnd", "out", "gnd"},
        {"hot-", "", ""},
        {"-hot", "", ""},
        {"hot-hot", "", ""},
        {"nothing", "", ""},
        {"hot-nothing", "", ""},
        {"", "", ""},
        {"gnd-v-", "gnd", "v-"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_view view = {-5, -5};
        bool good = cj_board_view(board, cases[i][0], &view);
        if (good != (cases[i][1][0] != '\0'))
            fail_msg("%s: %d", cases[i][0], good);
        if (!good) {
            assert_int_equal(view.net, -5);
            continue;
        }
        assert_string_equal(board->nets[view.net], cases[i][1]);
        assert_string_equal(board->nets[view.against], cases[i][2]);
        char text[80];
        cj_view again;
        cj_board_view_text(board, view, text, sizeof text);
        assert_true(cj_board_view(board, text, &again));
        assert_true(again.net == view.net && again.against == view.against);
    }
    char text[80] = "x";
    cj_board_view_text(board, (cj_view){CJ_NO_NET, CJ_GND}, text, sizeof text);
    assert_string_equal(text, "");
    cj_board_free(board);
}

static void warnings_name_their_place(void **state)
{
    static const struct {
        const char *find, *replacement, *warning;
    } cases[] = {
        {"pins: [drv, out]}",
         "pins: [drv, out]}\n  - {ref: R6, kind: resistor, value: 1, pins: [out, x1]}",
         "good.yaml:22:53: net x1 has one pin only"},
        {"pins: [wip, a1, nc]", "pins: [wip, a1, b1]", "good.yaml:14:70: net b1 has one pin only"},
        {"of: out", "of: drv",
         "good.yaml:29:42: no step sees drv; only readings typed in can meet this limit"},
        {"{step: \"*\", figure: thd_percent, of: out",
         "{step: cold, figure: resistance_ohm, of: out",
         "good.yaml:29:46: step cold does not see out; only readings typed in can meet this limit"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char *text = changed(small_board, cases[i].find, cases[i].replacement);
        cj_board *board = read_good(cases[i].warning, text);
        assert_int_equal(board->warnings.count, 1);
        assert_string_equal(board->warnings.items[0], cases[i].warning);
        cj_board_free(board);
        free(text);
    }
}

/* Words of YAML's own have no meaning here, and `off` is a word. */
static void scalars_are_text(void **state)
{
    char *text = changed(small_board, "board: bench", "board: 007");
    cj_board *board = read_good("007", text);
    (void)state;
    assert_string_equal(board->name, "007");
    cj_board_free(board);
    free(text);
}

static void the_locale_changes_nothing(void **state)
{
    (void)state;
    if (setlocale(LC_ALL, "de_DE.UTF-8") == NULL && setlocale(LC_ALL, "C.UTF-8") == NULL)
        skip();
    char *text = changed(small_board, "max: 0.1}", "max: 0.125}");
    cj_board *board = read_good("locale", text);
    setlocale(LC_ALL, "C");
    assert_true(board->limits[1].max == 0.125);
    cj_board_free(board);
    free(text);
}

/* ---- the fixtures ---- */

static cj_board *read_fixture(const char *name)
{
    char path[1024];
    cj_board *board = NULL;
    cj_errors errors;
    snprintf(path, sizeof path, "%s/boards/%s.yaml", FIXTURES, name);
    if (cj_board_read(path, &board, &errors) != CJ_OK)
        fail_msg("%s:%ld:%ld: %s", name, errors.items[0].line, errors.items[0].column,
                 errors.items[0].message);
    assert_string_equal(board->name, name);
    return board;
}

static void the_hall_mixer_is_the_one_of_the_table(void **state)
{
    cj_board *board = read_fixture("hall-mixer");
    (void)state;
    assert_int_equal(board->part_count, 61);
    assert_int_equal(board->step_count, 18);
    assert_int_equal(board->input_count, 6);
    assert_int_equal(board->output_count, 3);
    assert_int_equal(board->warnings.count, 0);
    /* rows of fixtures/README.md */
    check_pins(board, "U1", "left_sum left_bus gnd v- gnd right_bus right_sum v+");
    check_pins(board, "U2", "left_drv left_inv gnd v- gnd right_inv right_drv v+");
    check_pins(board, "U3", "mono_sum mono_bus gnd v- gnd mono_inv mono_drv v+");
    check_pins(board, "RV6", "gnd wip6 in6");
    check_pins(board, "SW3", "wip3 a3 b3");
    check_pins(board, "R11", "a6 left_bus");
    check_pins(board, "R12", "b6 right_bus");
    check_pins(board, "R18", "right_inv right_drv");
    check_pins(board, "R22", "right_out mono_bus");
    check_pins(board, "R32", "in6 gnd");
    check_ratio("R19", part_of(board, "R19")->value, 100.0, 1e-15);
    check_ratio("C6", part_of(board, "C6")->value, 22e-12, 1e-15);
    assert_true(part_of(board, "C13")->polarised && !part_of(board, "C12")->polarised);
    const cj_step *step = &board->steps[cj_board_step(board, "in3-right")];
    int sw = cj_board_part(board, "SW3");
    assert_string_equal(board->parts[sw].positions[(int)step->settings[sw]].name, "right");
    check_ratio("RV3", step->settings[cj_board_part(board, "RV3")], 0.25, 1e-15);
    check_ratio("RV1", step->settings[cj_board_part(board, "RV1")], 1.0, 1e-15);
    sw = cj_board_part(board, "SW1");
    assert_string_equal(board->parts[sw].positions[(int)step->settings[sw]].name, "off");
    cj_board_free(board);
}

static void every_fixture_is_read(void **state)
{
    static const struct {
        const char *name;
        size_t parts;
    } cases[] = {{"sallen-key", 8},      {"biquad", 16},   {"biquad-b", 16},
                 {"state-variable", 12}, {"leapfrog", 23}, {"summing-stage", 22}};
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_board *board = read_fixture(cases[i].name);
        assert_int_equal(board->part_count, cases[i].parts);
        assert_int_equal(board->warnings.count, 0);
        cj_board_free(board);
    }
}

static void a_board_comes_from_standard_input(void **state)
{
    cj_board *board = NULL;
    cj_errors errors;
    (void)state;
    assert_non_null(freopen(FIXTURES "/boards/sallen-key.yaml", "r", stdin));
    assert_int_equal(cj_board_read("-", &board, &errors), CJ_OK);
    assert_string_equal(board->name, "sallen-key");
    cj_board_free(board);
    assert_non_null(freopen(FIXTURES "/boards/README.md", "r", stdin));
    assert_int_equal(cj_board_read("-", &board, &errors), CJ_DATA);
    assert_string_equal(errors.items[0].file, "-");
}

static cj_status read_small(void *user, cj_error *err)
{
    cj_board *board = NULL;
    cj_errors errors;
    const char *text = user;
    cj_status status = cj_board_read_text("b.yaml", text, strlen(text), &board, &errors);
    if (status != CJ_OK)
        *err = errors.items[0];
    cj_board_free(board);
    return status;
}

static void memory_runs_out_anywhere(void **state)
{
    (void)state;
    char *text = changed(small_board, "of: out", "of: drv"); /* with a warning */
    assert_true(failing_each("board", read_small, text) > 300);
    free(text);
}

/* The same where the file is wrong: running out of memory is not taken for what is wrong with it.
 */
static cj_status refuse_small(void *user, cj_error *err)
{
    cj_status status = read_small(user, err);
    return status == CJ_DATA ? CJ_OK : status;
}

static void memory_runs_out_while_refusing(void **state)
{
    (void)state;
    char *first = changed(small_board, "see: [in1, out]", "see: [in1, uot]");
    char *text = changed(first, "drive: in1", "drive: in4");
    assert_true(failing_each("wrong board", refuse_small, text) > 300);
    free(text);
    free(first);
}

int run_read_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(parts_have_their_values_and_pins),
        cmocka_unit_test(switches_join_their_pins),
        cmocka_unit_test(the_bench_is_as_written),
        cmocka_unit_test(steps_stand_on_rest),
        cmocka_unit_test(limits_are_as_written),
        cmocka_unit_test(per_cent_figures_take_either_form),
        cmocka_unit_test(every_shape_is_read),
        cmocka_unit_test(sections_follow_type_and_pins),
        cmocka_unit_test(figures_beside_the_type_count),
        cmocka_unit_test(supplies),
        cmocka_unit_test(an_ideal_source_is_nearly_one),
        cmocka_unit_test(views_are_read_and_written),
        cmocka_unit_test(warnings_name_their_place),
        cmocka_unit_test(scalars_are_text),
        cmocka_unit_test(the_locale_changes_nothing),
        cmocka_unit_test(the_hall_mixer_is_the_one_of_the_table),
        cmocka_unit_test(every_fixture_is_read),
        cmocka_unit_test(a_board_comes_from_standard_input),
        cmocka_unit_test(memory_runs_out_anywhere),
        cmocka_unit_test(memory_runs_out_while_refusing),
    };
    return cmocka_run_group_tests_name("read", tests, NULL, NULL);
}
