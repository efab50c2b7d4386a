/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests.h"

const char small_board[] =
    "board: bench\n"
    "title: Small bench\n"
    "rails: {v+: 12, v-: -12}\n"
    "inputs:\n"
    "  - {net: in1, source: 50, idle: open}\n"
    "  - {net: in2, source: 600}\n"
    "outputs:\n"
    "  - {net: out, load: 1M}\n"
    "parts:\n"
    "  - {ref: R1, kind: resistor, value: 10k, tolerance: 1%, pins: [in2, bus]}\n"
    "  - {ref: R2, kind: resistor, value: 100 kohm, pins: [bus, drv]}\n"
    "  - {ref: C1, kind: capacitor, value: 22p, tolerance: 5%, polarised: true, pins: [bus, drv]}\n"
    "  - {ref: RV1, kind: potentiometer, value: 10k, taper: audio, pins: [gnd, wip, in1]}\n"
    "  - {ref: SW1, kind: switch, positions: [left, off], pins: [wip, a1, nc],\n"
    "     closes: {left: [[1, 2]], off: []}}\n"
    "  - {ref: R3, kind: resistor, value: 4k7, pins: [a1, bus]}\n"
    "  - {ref: T1, kind: transformer, ratio: 2, pins: [drv, gnd, hot, cold]}\n"
    "  - {ref: R4, kind: resistor, value: 2R2, pins: [hot, cold]}\n"
    "  - {ref: D1, kind: diode, type: 1N4148, pins: [drv, v+]}\n"
    "  - {ref: U1, kind: opamp, type: TL072, pins: [drv, bus, gnd, v-, gnd, idle, idle, v+]}\n"
    "  - {ref: R5, kind: resistor, value: 100, pins: [drv, out]}\n"
    "rest: {SW1: off, RV1: 50%}\n"
    "steps:\n"
    "  - {step: tone, drive: in1, tone: {hz: 1k, peak: 1}, set: {SW1: left}, see: [in1, out]}\n"
    "  - {step: quiet, drive: none, see: [hot-cold]}\n"
    "  - {step: cold, power: off, drive: none, see: [bus]}\n"
    "limits:\n"
    "  - {step: tone, figure: gain_db, min: -1, max: 1 dB}\n"
    "  - {step: \"*\", figure: thd_percent, of: out, max: 0.1}\n"
    "  - {from: tolerance, sigmas: 3}\n";

char *changed(const char *text, const char *find, const char *replacement)
{
    const char *at = strstr(text, find);
    if (at == NULL)
        fail_msg("'%s' is not in the text to change", find);
    size_t size = strlen(text) + strlen(replacement) + 1;
    char *made = malloc(size);
    assert_non_null(made);
    snprintf(made, size, "%.*s%s%s", (int)(at - text), text, replacement, at + strlen(find));
    return made;
}

cj_board *read_good(const char *label, const char *text)
{
    cj_board *board = NULL;
    cj_errors errors;
    cj_status status = cj_board_read_text("good.yaml", text, strlen(text), &board, &errors);
    if (status != CJ_OK)
        fail_msg("%s: %ld:%ld: %s", label, errors.items[0].line, errors.items[0].column,
                 errors.items[0].message);
    assert_int_equal(errors.count, 0);
    return board;
}

int main(void)
{
    return run_read_tests() + run_refusal_tests() + run_hostile_tests() + run_table_tests() +
           run_value_tests() + run_fault_tests() + run_plan_tests();
}
