/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Gradients against central differences of fresh factorizations, for every parameter there is. */
#include "boards.h"

typedef struct pair {
    double complex tone[64][2]; /* point, channel */
    double dc_v[2], ohm[2];
} pair;

static pair read_pair(const cj_prediction *p)
{
    pair got = {.dc_v = {p->dc_v[0], p->dc_v[1]},
                .ohm = {p->resistance_ohm[0], p->resistance_ohm[1]}};
    for (int k = 0; k < p->points && k < 64; k++)
        for (int c = 0; c < p->channels; c++)
            got.tone[k][c] = tone_of(p, k, c);
    return got;
}

/* The edit that moves a parameter by delta from where the part (with what it was edited to) stands.
 * False: the parameter is a setting, or there is no edit for it. */
static bool moving_edit(const rig *r, const cj_parameter *of, double delta, double peak,
                        const cj_prediction *at, int section_index, cj_edit *edit)
{
    const cj_part *part = &r->board->parts[of->part];
    *edit = (cj_edit){.part = of->part};
    if (of->section >= 0)
        edit->pin = part->sections[of->section].out;
    static const double sign[] = {[CJ_BIAS_UNKNOWN] = 0, [CJ_BIAS_IN] = 1, [CJ_BIAS_OUT] = -1};
    int mode = of->section >= 0 ? at->modes[section_index] : CJ_LINEAR;
    double rail = mode == CJ_HIGH ? r->board->v_plus_v - part->opamp.swing_v
                                  : r->board->v_minus_v + part->opamp.swing_v;
    edit->kind = CJ_EDIT_FIGURE;
    switch (of->kind) {
    case CJ_P_VALUE:
        edit->kind = CJ_EDIT_VALUE;
        edit->a = part->value * exp(delta);
        return true;
    case CJ_P_OFFSET:
        edit->figure = CJ_OFFSET, edit->a = delta;
        return true;
    case CJ_P_BIAS:
        edit->figure = CJ_BIAS, edit->a = sign[part->opamp.bias_way] * part->opamp.bias_a + delta;
        return true;
    case CJ_P_GBW:
        edit->figure = CJ_GBW, edit->a = part->opamp.gbw_hz * exp(delta);
        return true;
    case CJ_P_OUTPUT:
        edit->figure = CJ_OUTPUT_OHM, edit->a = part->opamp.output_ohm * exp(delta);
        return true;
    case CJ_P_HELD:
    case CJ_P_RESIDUE:
        if (mode == CJ_LINEAR || mode == CJ_DEAD)
            return false;
        edit->kind = CJ_EDIT_MODE, edit->mode = CJ_HELD, edit->a = mode == CJ_HELD ? 0.5 : rail;
        edit->b = mode == CJ_HELD ? 0.1 : 0;
        *(of->kind == CJ_P_HELD ? &edit->a : &edit->b) +=
            of->kind == CJ_P_HELD ? delta : delta * peak;
        return true;
    default:
        return false;
    }
}

static double step_of(const cj_parameter *of)
{
    switch (of->kind) {
    case CJ_P_OFFSET:
        return 1e-7;
    case CJ_P_BIAS:
        return 1e-12;
    case CJ_P_HELD:
        return 1e-2;
    case CJ_P_RESIDUE:
        return 1e-3;
    default:
        return 1e-4;
    }
}

static void compare(const char *label, double complex got, double complex want, double sigma,
                    double scale)
{
    /* a difference of step 1e-4 is off by its third derivative, about 1e-8 of the value; digits of
     * the fresh factorizations are lost in the subtraction */
    if (!(cabs(got - want) * sigma <= 2e-6 * cabs(want) * sigma + 1e-7 * scale))
        fail_msg("%s: %g%+gj, by differences %g%+gj", label, creal(got), cimag(got), creal(want),
                 cimag(want));
}

static void compare_parameter(rig *r, const char *step, const cj_edit *base, size_t count,
                              size_t which, const cj_prediction *at)
{
    const cj_parameter *of = &cj_bench_parameters(r->bench)[which];
    size_t parameters = cj_bench_parameter_count(r->bench);
    cj_edit edits[3];
    pair ends[2];
    double h = step_of(of);
    int section = 0;
    for (int k = 0; k < of->part; k++)
        section += r->board->parts[k].kind == CJ_OPAMP ? r->board->parts[k].section_count : 0;
    section += of->section > 0 ? of->section : 0;
    const cj_step *board_step = &r->board->steps[cj_board_step(r->board, step)];
    for (size_t k = 0; k < count; k++)
        edits[k] = base[k];
    for (int e = 0; e < 2; e++) {
        double delta = e ? h : -h;
        if (!moving_edit(r, of, delta, board_step->peak[0], at, section, &edits[count]))
            return;
        ends[e] = read_pair(rig_predict(r, step, edits, count + 1, CJ_EXACT));
    }
    char label[96];
    snprintf(label, sizeof label, "%s, parameter %d of %s, section %d", step, of->kind,
             r->board->parts[of->part].ref, of->section);
    double sigma = of->sigma > 0 ? of->sigma : 1e-3;
    for (int c = 0; c < at->channels; c++) {
        double dc = at->dc_by[(size_t)c * parameters + which];
        bool off = !isnan(at->resistance_ohm[c]);
        double want = off ? (ends[1].ohm[c] - ends[0].ohm[c]) / (2 * h)
                          : (ends[1].dc_v[c] - ends[0].dc_v[c]) / (2 * h);
        compare(label, dc, want, sigma, off ? at->resistance_ohm[c] : 1);
        for (int p = 0; p < at->points; p++) {
            size_t k = ((size_t)p * (size_t)at->channels + (size_t)c) * parameters + which;
            double complex by = CMPLX(at->tone_by[k].re, at->tone_by[k].im);
            compare(label, by, (ends[1].tone[p][c] - ends[0].tone[p][c]) / (2 * h), sigma, 1);
        }
    }
}

/* All parameters of a step with some edits. Of the part that is edited only those the edit leaves
 * alone. */
static void compare_step(rig *r, const char *step, const cj_edit *base, size_t count, unsigned want)
{
    cj_error err;
    cj_prediction *at;
    size_t look = (size_t)cj_board_step(r->board, step),
           parameters = cj_bench_parameter_count(r->bench);
    cj_variant variant = {base, count};
    assert_int_equal(cj_prediction_make(r->bench, look, &at, &err), CJ_OK);
    if (cj_bench_predict(r->bench, look, &variant, CJ_SPREAD | want, at, &err) != CJ_OK)
        fail_msg("%s: %s", step, err.message);
    for (size_t k = 0; k < parameters; k++) {
        const cj_parameter *of = &cj_bench_parameters(r->bench)[k];
        bool valued = false;
        for (size_t e = 0; e < count; e++)
            valued = valued || (base[e].kind == CJ_EDIT_VALUE && base[e].part == of->part);
        if (!valued || of->kind != CJ_P_VALUE)
            compare_parameter(r, step, base, count, k, at);
    }
    cj_prediction_free(at);
}

static void every_parameter_of_the_mixer(void **state)
{
    (void)state;
    rig r = rig_file("hall-mixer.yaml");
    int u1 = part_of(&r, "U1"), r13 = part_of(&r, "R13"), c1 = part_of(&r, "C1");
    const cj_edit lifted_out = {
        .kind = CJ_EDIT_LIFT, .part = u1, .pin = 1, .a = 1e13, .b = 0.5e-12};
    const cj_edit joint = {.kind = CJ_EDIT_LIFT, .part = u1, .pin = 2, .a = 1e6, .b = 0.5e-12};
    const cj_edit open = {.kind = CJ_EDIT_LIFT, .part = c1, .pin = 1, .a = 1e13, .b = 0.5e-12};
    const cj_edit half = {.kind = CJ_EDIT_LIFT, .part = r13, .pin = 2, .a = 20e3, .b = 10e-12};
    const cj_edit value = {.kind = CJ_EDIT_VALUE, .part = r13, .a = 220e3};
    /* the last stage: another would put the next one right at its own rail */
    const cj_edit high = {
        .kind = CJ_EDIT_MODE, .part = part_of(&r, "U3"), .pin = 7, .mode = CJ_HIGH};
    const cj_edit held = {
        .kind = CJ_EDIT_MODE, .part = u1, .pin = 1, .mode = CJ_HELD, .a = 0.5, .b = 0.1};
    static const char *const steps[] = {"in1-left", "in1-right", "mono-high", "quiet"};
    for (size_t s = 0; s < 4; s++) {
        const cj_edit *one[] = {&lifted_out, &joint, &open, &half, &value, &high, &held};
        compare_step(&r, steps[s], NULL, 0, 0);
        for (size_t k = 0; k < sizeof one / sizeof *one; k++)
            compare_step(&r, steps[s], one[k], 1, 0);
    }
    compare_step(&r, "mono-high", &joint, 1, CJ_EXACT);
    rig_free(&r);
}

static void every_parameter_of_the_summing_stage(void **state)
{
    (void)state;
    rig r = rig_file("summing-stage.yaml");
    static const char *const steps[] = {"in1", "half", "two-tone", "cold", "sweep"};
    for (size_t s = 0; s < 5; s++)
        compare_step(&r, steps[s], NULL, 0, 0);
    rig_free(&r);
}

/* A rotation has no edit: the board's own setting is moved. */
static void rotations(void **state)
{
    (void)state;
    double complex tone[2][2];
    const double h = 1e-4, at = 0.25;
    rig r = rig_file("hall-mixer.yaml");
    size_t step = (size_t)cj_board_step(r.board, "in1-right"), found = 0;
    int rv1 = part_of(&r, "RV1");
    const cj_prediction *p = rig_predict(&r, "in1-right", NULL, 0, CJ_SPREAD);
    for (size_t k = 0; k < cj_bench_parameter_count(r.bench); k++)
        if (cj_bench_parameters(r.bench)[k].kind == CJ_P_SETTING &&
            cj_bench_parameters(r.bench)[k].part == rv1)
            found = k;
    size_t second = cj_bench_parameter_count(r.bench) + found;
    double complex by[2] = {CMPLX(p->tone_by[found].re, p->tone_by[found].im),
                            CMPLX(p->tone_by[second].re, p->tone_by[second].im)};
    check_close("at its end a rotation does nothing",
                fabs(rig_predict(&r, "in1-left", NULL, 0, CJ_SPREAD)->tone_by[second].re), 0, 0);
    for (int e = 0; e < 2; e++) {
        cj_error err;
        cj_bench_free(r.bench);
        r.board->steps[step].settings[rv1] = at + (e ? h : -h);
        assert_int_equal(cj_bench_make(r.board, &r.bench, &err), CJ_OK);
        p = rig_predict(&r, "in1-right", NULL, 0, 0);
        tone[e][0] = tone_of(p, 0, 0), tone[e][1] = tone_of(p, 0, 1);
    }
    for (int c = 0; c < 2; c++)
        compare("rotation", by[c], (tone[1][c] - tone[0][c]) / (2 * h), 0.02, 1);
    assert_true(cabs(by[1]) > 0.9);
    rig_free(&r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_parameter_of_the_mixer),
        cmocka_unit_test(every_parameter_of_the_summing_stage),
        cmocka_unit_test(rotations),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
