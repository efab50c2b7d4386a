/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Each way a board file can be wrong: where it is said to be, and in which words. */
#include "tests.h"

/* What is changed in the small board; the ^ in the new text (removed before reading) stands where
 * the error has to be. It is to be the only one. */
static const struct refusal {
    const char *find, *replacement, *message;
} refusals[] = {
    /* the file */
    {"title:", "^titel:", "unknown key 'titel' in a board file; did you mean 'title'?"},
    {"title:", "^colour:",
     "unknown key 'colour' in a board file; expected one of: board, title, rails, inputs, outputs, "
     "parts, rest, steps, limits"},
    {"board: bench\n", "^", "the key 'board' is missing in a board file"},
    {"board: bench", "board: ^hall mixer",
     "'hall mixer' is no name for board; expected letters, digits and -"},
    {"board: bench", "board:^", "nothing given for board; expected text"},
    {"board: bench",
     "board: ^aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa",
     "expected at most 63 characters"},
    {"title: Small bench", "title: ^\"two\\nlines\"", "a title of more than one line"},
    {"title: Small bench", "^board: again", "at 'board:': key given twice, first in line 1"},
    {"title: Small bench", "title: ^&a Small bench", "aliases are not used here"},
    {"  - {from: tolerance, sigmas: 3}", "  - {from: tolerance, sigmas: 3}\n^---\nboard: b",
     "a second document begins here"},
    /* rails */
    {"v+: 12,", "v+: ^-12,", "'-12' given for v+; expected volts from 0.1 to 1000"},
    {"v+: 12,", "v+: ^nan,", "'nan' is no quantity in V"},
    {"v+: 12,", "v+: ^1e999,", "'1e999' is no quantity in V"},
    {"v-: -12}", "v-: ^12}", "'12' given for v-; expected volts from -1000 to -0.1"},
    {"v-: -12}", "v-: ^0}", "or no v- at all (it is gnd then)"},
    {"{v+: 12, v-: -12}", "^{v-: -12}", "the key 'v+' is missing in rails"},
    {"{v+: 12, v-: -12}", "{v+: 12, v-: -12, ^v: 5}", "unknown key 'v' in rails"},
    {"{v+: 12, v-: -12}", "^12", "'12' given for rails; expected a mapping"},
    /* inputs and outputs */
    {"net: in2, source: 600", "net: ^in3, source: 600",
     "no part is on net 'in3'; did you mean 'in"},
    {"source: 50", "source: ^-1", "'-1' given for source; expected a resistance from 0 to 1G ohm"},
    {"source: 50, idle: open", "source: 50, idle: ^opn",
     "'opn' given for idle; did you mean 'open'?"},
    {"source: 50, idle: open", "source: 50, idle: ^float",
     "'float' given for idle; expected one of: ground, open"},
    {"{net: in1, source: 50,", "^{net: in1,", "the key 'source' is missing in an input"},
    {"net: in2, source: 600", "net: ^in1, source: 600", "net 'in1' is an input already"},
    {"net: in2, source: 600", "net: ^gnd, source: 600",
     "'gnd' given for an input; expected a net that carries the signal"},
    {"net: out, load: 1M", "net: out, load: ^0",
     "'0' given for load; expected a resistance from 1m to 1T ohm"},
    {"net: out, load: 1M", "net: ^v+, load: 1M", "'v+' given for an output"},
    {"{net: out, load: 1M}", "^out", "'out' given for an output; expected a mapping"},
    /* parts */
    {"ref: R2", "ref: ^R1", "part 'R1' is given twice; the first is in line 10"},
    {"ref: R2", "ref: ^R-2", "'R-2' is no name for ref; expected letters, digits and _ ."},
    {"{ref: R2, ", "^{", "the key 'ref' is missing in a part"},
    {"R1, kind: resistor", "R1, kind: ^resister", "did you mean 'resistor'?"},
    {"R1, kind: resistor", "R1, kind: ^tube",
     "'tube' given for kind; expected one of: resistor, capacitor, potentiometer, switch, "
     "transformer, diode, opamp"},
    {"R1, kind: resistor, value: 10k", "R1, kind: resistor, value: ^0",
     "'0' given for value; expected a resistance from 1m to 1T ohm"},
    {"R1, kind: resistor, value: 10k", "R1, kind: resistor, value: ^NaN",
     "'NaN' is no quantity in ohm"},
    {"R1, kind: resistor, value: 10k", "R1, kind: resistor, value: ^.inf",
     "'.inf' is no quantity in ohm"},
    {"R1, kind: resistor, value: 10k", "R1, kind: resistor, value: ^1e99",
     "expected a resistance from 1m to 1T ohm"},
    {"R1, kind: resistor, value: 10k", "R1, kind: resistor, value: ^1e-99999",
     "expected a resistance from 1m to 1T ohm"},
    {"R1, kind: resistor, value: 10k", "R1, kind: resistor, value: ^10 kF",
     "'10 kF' is no quantity in ohm"},
    {"R1, kind: resistor, value: 10k", "R1, kind: resistor, value: ^[10k]",
     "a list given for value; expected text"},
    {"value: 22p", "value: ^-22p", "'-22p' given for value; expected a capacitance"},
    {"value: 22p", "value: ^22p ohm", "'22p ohm' is no quantity in F"},
    {"tolerance: 1%", "tolerance: ^100%", "expected a tolerance from 0% to 90%"},
    {"tolerance: 1%", "tolerance: ^-1%", "expected a tolerance from 0% to 90%"},
    {"polarised: true", "polarised: ^maybe", "expected true or false"},
    {"tolerance: 1%", "tolerance: 1%, ^taper: audio", "unknown key 'taper' in a resistor"},
    {"taper: audio", "taper: ^log", "'log' given for taper; expected one of: linear, audio"},
    {"pins: [in2, bus]", "pins: ^[in2, bus, gnd]", "3 pins given for a resistor; expected 2"},
    {"pins: [hot, cold]", "pins: ^hot", "'hot' given for the list of pins; expected a list"},
    {"pins: [gnd, wip, in1]", "pins: ^[gnd, wip, in1, gnd]",
     "4 pins given for a potentiometer; expected 3"},
    {"[in2, bus]", "[in2, ^GND]", "'GND' given for a net; did you mean 'gnd'?"},
    {"[in2, bus]", "[in2, ^V+]", "did you mean 'v+'?"},
    {"[in2, bus]", "[in2, ^left-bus]", "'left-bus' is no name for a net; expected no dash in it"},
    {"[in2, bus]", "[in2, ^none]", "expected nc where a pin is free"},
    {"[in2, bus]", "[in2, ^'']", "nothing given for this entry; expected text"},
    {"[in2, bus]", "[in2, ^a@b]", "'a@b' is no name for a net"},
    {"ref: R1, kind: resistor, value: 10k, tolerance: 1%, pins: [in2, bus]",
     "ref: ^R1, kind: resistor, value: 10k, pins: [bus, bus]}\n  - {ref: R9, kind: resistor, "
     "value: 10k, pins: [in2, bus]",
     "all pins of R1 are on net bus, where it does nothing; expected two nets"},
    {"ref: R4, kind: resistor, value: 2R2, pins: [hot, cold]",
     "ref: ^R4, kind: resistor, value: 2R2, pins: [nc, nc]", "no pin of R4 is connected"},
    /* switches */
    {"positions: [left, off]", "positions: [left, off, ^off]", "position 'off' is given twice"},
    {"positions: [left, off]", "positions: ^[]", "0 positions given; expected 1 to 32"},
    {"{ref: SW1, kind: switch, positions: [left, off], ", "^{ref: SW1, kind: switch, ",
     "the key 'positions' is missing in a switch"},
    {"closes: {left: [[1, 2]], off: []}", "closes: ^{left: [[1, 2]]}",
     "position 'off' is missing in closes; [] joins nothing"},
    {"off: []}", "off: [], ^on: []}", "unknown key 'on' in closes"},
    {"[[1, 2]]", "[[1, ^4]]", "expected a whole number from 1 to 3"},
    {"[[1, 2]]", "[[^0, 2]]", "expected a whole number from 1 to 3"},
    {"[[1, 2]]", "[^[1, 1]]", "pin 1 is joined to itself"},
    {"[[1, 2]]", "[[1, 2], ^[2, 1]]", "pins 2 and 1 are joined twice"},
    {"[[1, 2]]", "[^[1, 2, 3]]", "3 pins given; expected the two that are joined"},
    {"[[1, 2]]", "[[1, 2], ^3]", "'3' given for two pins; expected a list"},
    {"pins: [wip, a1, nc]", "pins: ^[wip]", "1 pins given; expected 2 to 64"},
    /* transformers and diodes */
    {"ratio: 2", "ratio: ^-2", "turns of the secondary over the primary, from 0.001 to 1000"},
    {"{ref: T1, kind: transformer, ratio: 2, ", "^{ref: T1, kind: transformer, ",
     "the key 'ratio' is missing in a transformer"},
    {"ratio: 2", "ratio: 2, coupling: ^1", "expected a coupling from 0.01 to 0.999999"},
    {"ratio: 2", "ratio: 2, inductance: ^0", "expected an inductance from 1u to 100k H"},
    {"ratio: 2", "ratio: 2, resistance: ^[50]",
     "1 given for resistance; expected two, primary and secondary"},
    {"ratio: 2", "ratio: 2, resistance: [50, ^0]", "expected a resistance from 1m to 1M ohm"},
    {"ref: T1, kind: transformer, ratio: 2, pins: [drv, gnd, hot, cold]",
     "ref: ^T1, kind: transformer, ratio: 2, pins: [drv, drv, hot, cold]",
     "both ends of the primary of T1 are on net drv"},
    {"type: 1N4148", "type: ^1N4149", "unknown diode '1N4149'; did you mean '1N4148'?"},
    {"type: 1N4148", "type: ^zener", "unknown diode 'zener'; expected a type of the parts table"},
    {"{ref: D1, kind: diode, type: 1N4148, ", "^{ref: D1, kind: diode, ",
     "the key 'type' is missing in a diode"},
    /* op-amps */
    {"type: TL072", "type: ^TL073", "unknown op-amp 'TL073'; did you mean 'TL07"},
    {"type: TL072", "type: ^LMC6482",
     "unknown op-amp 'LMC6482'; expected a type of the parts table, like TL072, or ideal"},
    {"type: TL072, pins: [", "type: TL074, pins: ^[",
     "8 pins given for TL074; expected 14 (a quad), or 3 (a bare section)"},
    {"[drv, bus, gnd, v-, gnd, idle, idle, v+]", "^[drv, bus, gnd, v-, gnd, idle, v+]",
     "7 pins given for TL072; expected 8 (a dual), or 3"},
    {"type: TL072, pins: [", "type: TL072, sections: ^3, pins: [",
     "'3' given for sections; expected one of: 1, 2, 4"},
    {"type: TL072, pins: [", "type: TL072, sections: 4, pins: ^[",
     "8 pins given for TL072; expected 14 (a quad)"},
    {"type: TL072", "type: TL072, gbw: ^0", "expected a frequency from 1k to 1T Hz"},
    {"type: TL072", "type: TL072, gain: ^1", "expected a gain (V/V) from 10 to 1G"},
    {"type: TL072", "type: TL072, offset: ^-1m", "expected the typical input offset"},
    {"type: TL072", "type: TL072, ^vos: 1m", "unknown key 'vos' in an op-amp"},
    {"ref: U1, kind: opamp, type: TL072, pins: [drv, bus, gnd, v-, gnd, idle, idle, v+]",
     "ref: ^U1, kind: opamp, type: TL072, pins: [drv, bus, gnd, v+, gnd, idle, idle, v+]",
     "pin 4 of U1 is its V-, but is on v+"},
    {"ref: U1, kind: opamp, type: TL072, pins: [drv, bus, gnd, v-, gnd, idle, idle, v+]",
     "ref: ^U1, kind: opamp, type: TL072, pins: [drv, bus, gnd, v-, gnd, idle, idle, nc]",
     "pin 8 of U1 is its V+, but is not connected"},
    {"ref: U1, kind: opamp, type: TL072, pins: [drv, bus, gnd, v-, gnd, idle, idle, v+]",
     "ref: ^U1, kind: opamp, type: TL072, pins: [drv, bus, gnd, v-, gnd, idle, gnd, v+]",
     "output pin 7 of U1 is on gnd"},
    {"ref: U1, kind: opamp, type: TL072, pins: [drv, bus, gnd, v-, gnd, idle, idle, v+]",
     "ref: ^U1, kind: opamp, type: TL072, pins: [drv, bus, gnd, bus, gnd, idle, idle, bus]",
     "V+ and V- of U1 are both on bus; expected two nets"},
    {"{ref: R5, kind: resistor, value: 100, pins: [drv, out]}",
     "{ref: R5, kind: resistor, value: 100, pins: [drv, out]}\n  - ^R6",
     "'R6' given for a part; expected a mapping"},
    /* rest and set */
    {"{SW1: off, RV1: 50%}", "{SW1: ^middle, RV1: 50%}",
     "'middle' given for SW1; expected one of: left, off"},
    {"{SW1: off, RV1: 50%}", "{SW1: ^of, RV1: 50%}", "'of' given for SW1; did you mean 'off'?"},
    {"{SW1: off, RV1: 50%}", "{SW1: off, RV1: ^150%}", "expected a rotation from 0% to 100%"},
    {"{SW1: off, RV1: 50%}", "{SW1: off, RV1: ^50}", "expected a rotation from 0% to 100%"},
    {"{SW1: off, RV1: 50%}", "{SW1: off, RV1: 50%, ^R1: off}",
     "'R1' is a resistor, which cannot be set; expected a switch or a potentiometer"},
    {"{SW1: off, RV1: 50%}", "{SW1: off, RV1: 50%, ^RW1: off}",
     "no part is called 'RW1'; did you mean 'R"},
    {"set: {SW1: left}", "set: {SW1: ^right}", "'right' given for SW1; expected one of: left, off"},
    {"set: {SW1: left}", "set: {^SW9: left}", "no part is called 'SW9'; did you mean 'SW1'?"},
    {"set: {SW1: left}", "set: ^left", "'left' given for set; expected a mapping"},
    /* steps */
    {"step: quiet", "step: ^tone", "step 'tone' is given twice; the first is in line 24"},
    {"step: quiet", "step: ^quiet.1",
     "'quiet.1' is no name for step; expected letters, digits and _ -"},
    {"{step: quiet, ", "^{", "the key 'step' is missing in a step"},
    {"{step: quiet, drive: none, ", "^{step: quiet, ", "the key 'drive' is missing in a step"},
    {"drive: in1", "drive: ^in3", "'in3' is no input; did you mean 'in"},
    {"drive: in1", "drive: ^bus", "'bus' is no input; expected one of the inputs, or none"},
    {"  - {step: tone, drive: in1, tone: {hz: 1k, peak: 1}, ", "  - ^{step: tone, drive: in1, ",
     "'in1' is driven, but with nothing; expected one of: tone, sweep, two-tone"},
    {"drive: in1, tone:", "drive: none, ^tone:", "'tone' with nothing driven"},
    {"tone: {hz: 1k, peak: 1}", "tone: {hz: 1k, peak: 1}, ^square: {hz: 1k, peak: 1}",
     "'square' stands beside 'tone'; expected one of them"},
    {"hz: 1k", "hz: ^0", "expected a frequency from 0.01 to 10M Hz"},
    {"peak: 1}", "peak: ^-1}", "expected volts peak from 1u to 1000"},
    {"tone: {hz: 1k, peak: 1}", "tone: ^{hz: 1k}", "the key 'peak' is missing in a tone"},
    {"tone: {hz: 1k, peak: 1}", "tone: {hz: 1k, peak: 1, ^rms: 1}", "unknown key 'rms' in a tone"},
    {"tone: {hz: 1k, peak: 1}", "sweep: {from: 20, to: ^10, seconds: 5, peak: 1}",
     "the sweep ends at '10'; expected a frequency above"},
    {"tone: {hz: 1k, peak: 1}", "two-tone: {hz: ^[60], peak: [1, 1]}",
     "1 given for hz of a two-tone; expected two"},
    {"tone: {hz: 1k, peak: 1}", "two-tone: {hz: ^[60, 60], peak: [1, 1]}",
     "both tones have one frequency"},
    {"tone: {hz: 1k, peak: 1}", "stepped: {hz: 1k, from: 1, to: 2, steps: ^1, seconds: 5}",
     "expected a whole number from 2 to 1000"},
    {"tone: {hz: 1k, peak: 1}", "stepped: {hz: 1k, from: 1, to: 2, steps: ^2.5, seconds: 5}",
     "expected a whole number from 2 to 1000"},
    {"tone: {hz: 1k, peak: 1}", "stepped: {hz: 1k, from: 1, to: ^1, steps: 2, seconds: 5}",
     "the levels end where they begin"},
    {"tone: {hz: 1k, peak: 1}", "noise: {rms: 1, colour: ^brown, seconds: 5}",
     "expected one of: white, pink"},
    {"step: tone, drive: in1,", "step: tone, power: off, drive: ^in1,",
     "'in1' is driven with the power off; expected drive: none"},
    {"power: off", "power: ^offf", "'offf' given for power; did you mean 'off'?"},
    {"see: [in1, out]", "see: [in1, ^outt]", "no part is on net 'outt'; did you mean 'out'?"},
    {"see: [in1, out]", "see: ^[in1, out, bus]", "3 nets given for see; expected one for each"},
    {"see: [in1, out]", "see: ^[]", "0 nets given for see"},
    {"see: [in1, out]", "see: [in1, ^gnd]", "'gnd' reads nothing; expected a net other than gnd"},
    {"see: [hot-cold]", "see: [^hot-hot]", "'hot-hot' reads nothing"},
    {"see: [hot-cold]", "see: [^hot-clod]", "no part is on net 'clod'; did you mean 'cold'?"},
    {"see: [hot-cold]", "see: [^hto-cold]", "no part is on net 'hto'; did you mean 'hot'?"},
    {"see: [hot-cold]", "see: [hot-cold], wait: ^-1", "expected seconds from 0 to 3600"},
    {"see: [hot-cold]", "see: [hot-cold], ^waits: 1",
     "unknown key 'waits' in a step; did you mean 'wait'?"},
    {"tone: {hz: 1k, peak: 1}", "tone: ^1k", "'1k' given for a tone; expected a mapping"},
    {"tone: {hz: 1k, peak: 1}", "sweep: ^1k", "'1k' given for a sweep; expected a mapping"},
    {"tone: {hz: 1k, peak: 1}", "two-tone: ^[60, 7k]", "a list given for a two-tone; expected a"},
    {"tone: {hz: 1k, peak: 1}", "stepped: ^1k",
     "'1k' given for a stepped tone; expected a mapping"},
    {"tone: {hz: 1k, peak: 1}", "noise: ^pink", "'pink' given for noise; expected a mapping"},
    {"tone: {hz: 1k, peak: 1}", "two-tone: {hz: ^60, peak: [1, 1]}", "'60' given for hz; expected"},
    {"{step: quiet, drive: none, see: [hot-cold]}", "^quiet", "'quiet' given for a step; expected"},
    {"see: [hot-cold]", "see: [^[hot, cold]]", "a list given for this entry; expected text"},
    {"see: [hot-cold]", "see: ^hot-cold", "'hot-cold' given for see; expected a list"},
    {"see: [hot-cold]", "see: [^hot-]", "no part is on net 'hot-'; did you mean 'hot'?"},
    /* limits */
    {"{from: tolerance, sigmas: 3}", "^3 sigmas",
     "'3 sigmas' given for a limit; expected a mapping"},
    {"{step: tone, figure: gain_db, ", "^{figure: gain_db, ",
     "the key 'step' is missing in a limit"},
    {"figure: gain_db", "figure: ^gain_bd", "did you mean 'gain_db'?"},
    {"figure: gain_db", "figure: ^polarity", "'polarity' given for figure; expected one of: dc_v"},
    {"step: tone, figure", "step: ^tona, figure", "no step is called 'tona'; did you mean 'tone'?"},
    {"step: tone, figure", "step: ^x, figure",
     "expected one of the steps, or \"*\" for all of them"},
    {"{step: tone, figure: gain_db, min: -1, max: 1 dB}", "^{step: tone, figure: gain_db}",
     "a limit with no bound; expected min, max or both"},
    {"max: 1 dB", "max: ^-2 dB", "'-2 dB' given for max; expected no less than min"},
    {"max: 1 dB", "max: ^1 V", "'1 V' is no quantity in dB"},
    {"max: 1 dB", "max: 1, ^of: out", "'of' for gain_db, a figure of both channels; expected none"},
    {"step: tone, figure: gain_db", "step: quiet, figure: ^gain_db",
     "gain_db takes two channels, but step 'quiet' sees one net"},
    {"{step: \"*\", figure: thd_percent, of: out, ", "^{step: \"*\", figure: thd_percent, ",
     "the key 'of' is missing; thd_percent is a figure of one net"},
    {"of: out", "of: ^ouut", "no part is on net 'ouut'; did you mean 'out'?"},
    {"{from: tolerance, sigmas: 3}", "{from: tolerance, sigmas: ^0}",
     "how many standard deviations, from 0.5 to 20"},
    {"{from: tolerance, sigmas: 3}", "{from: ^tolerances, sigmas: 3}", "did you mean 'tolerance'?"},
    {"{from: tolerance, sigmas: 3}", "^{from: tolerance}", "the key 'sigmas' is missing"},
    {"{from: tolerance, sigmas: 3}", "{from: tolerance, sigmas: 3, ^step: tone}",
     "unknown key 'step' in a limit from tolerances"},
    {"{from: tolerance, sigmas: 3}",
     "{from: tolerance, sigmas: 3}\n  - ^{from: tolerance, sigmas: 2}",
     "limits from tolerances are asked for twice; the first is in line 30"},
    {"{from: tolerance, sigmas: 3}", "^{step: tone, figure: gain_db, max: 3}",
     "a second limit on gain_db in step 'tone'; the first is in line 28"},
};

/* The text without its ^, and the place of that. */
static char *unmarked(const char *marked, long *line, long *column)
{
    const char *mark = strchr(marked, '^');
    if (mark == NULL)
        fail_msg("no mark in %s", marked);
    *line = *column = 1;
    for (const char *at = marked; at < mark; at++) {
        *column = *at == '\n' ? 1 : *column + 1;
        *line += *at == '\n';
    }
    return changed(marked, "^", "");
}

/* Reads the changed board; false (and told) where the one error is not where and what it has to be.
 */
static bool is_refused(const struct refusal *refusal)
{
    long line, column;
    char *marked = changed(small_board, refusal->find, refusal->replacement);
    char *text = unmarked(marked, &line, &column);
    cj_board *board = NULL;
    cj_errors errors;
    cj_status status = cj_board_read_text("b.yaml", text, strlen(text), &board, &errors);
    const cj_error *first = &errors.items[0];
    bool good = status == CJ_DATA && board == NULL && errors.count == 1 && first->line == line &&
                first->column == column && strcmp(first->file, "b.yaml") == 0 &&
                strstr(first->message, refusal->message) != NULL;
    if (!good)
        print_error("%s: status %d, %d errors (want 1), %ld:%ld (want %ld:%ld) %s; then: %s\n",
                    refusal->replacement, (int)status, errors.count, first->line, first->column,
                    line, column, errors.count ? first->message : "",
                    errors.count > 1 ? errors.items[1].message : "");
    cj_board_free(board);
    free(text);
    free(marked);
    return good;
}

static void each_wrong_entry_is_refused_in_place(void **state)
{
    size_t count = sizeof refusals / sizeof refusals[0], refused = 0;
    (void)state;
    for (size_t i = 0; i < count; i++)
        refused += is_refused(&refusals[i]);
    assert_int_equal(refused, count);
}

/* Errors of a small change that stand elsewhere, or that are several: "LINE:COL words" each. */
static const struct several {
    const char *find, *replacement;
    const char *errors[6];
} several[] = {
    {", RV1: 50%}",
     "}",
     {"13:11 potentiometer 'RV1' stands nowhere in step 'tone'; expected it in rest, or in the "
      "step's set"}},
    {"rest: {SW1: off, RV1: 50%}\n",
     "",
     {"13:11 potentiometer 'RV1' stands nowhere in step 'tone'",
      "14:11 switch 'SW1' stands nowhere in step 'quiet'"}},
    /* in the file's order, not in the order of reading: parts are read before inputs */
    {"  - {net: in2, source: 600}\noutputs:\n  - {net: out, load: 1M}\nparts:\n  - {ref: R1,",
     "  - {net: in7, source: -600}\noutputs:\n  - {net: otu, laod: 1M}\nparts:\n  - {rf: R1,",
     {"6:11 no part is on net 'in7'; did you mean 'in", "6:24 '-600' given for source",
      "8:5 the key 'load' is missing in an output",
      "8:11 no part is on net 'otu'; did you mean 'out'?",
      "8:16 unknown key 'laod' in an output; did you mean 'load'?",
      "10:5 the key 'ref' is missing in a part"}},
    /* a part that is not understood makes no further errors where it is set */
    {"kind: switch,", "kind: swich,", {"14:22 'swich' given for kind; did you mean 'switch'?"}},
    {"value: 10k, taper: audio, pins: [gnd, wip, in1]}",
     "value: 10x, taper: audio, pins: [gnd, wip]}",
     {"13:44 '10x' is no quantity in ohm", "13:69 2 pins given for a potentiometer; expected 3",
      "5:11 no part is on net 'in1'; did you mean 'in", "24:25 'in1' is no input"}},
};

static void several_errors_come_in_the_order_of_the_file(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof several / sizeof several[0]; i++) {
        char *text = changed(small_board, several[i].find, several[i].replacement);
        cj_board *board = NULL;
        cj_errors errors;
        assert_int_equal(cj_board_read_text("b.yaml", text, strlen(text), &board, &errors),
                         CJ_DATA);
        assert_null(board);
        long line = 0, column = 0;
        for (int k = 0; k < errors.count; k++) {
            const cj_error *error = &errors.items[k];
            assert_true(error->line > line || (error->line == line && error->column >= column));
            line = error->line;
            column = error->column;
        }
        for (int k = 0; k < 6 && several[i].errors[k] != NULL; k++) {
            bool found = false;
            for (int e = 0; e < errors.count; e++) {
                char said[1400];
                snprintf(said, sizeof said, "%ld:%ld %s", errors.items[e].line,
                         errors.items[e].column, errors.items[e].message);
                found =
                    found || strncmp(said, several[i].errors[k], strlen(several[i].errors[k])) == 0;
            }
            if (!found)
                fail_msg("%s: not said: %s (first: %ld:%ld %s)", several[i].replacement,
                         several[i].errors[k], errors.items[0].line, errors.items[0].column,
                         errors.items[0].message);
        }
        free(text);
    }
}

static void a_board_without_its_reference_is_refused(void **state)
{
    static const char text[] = "board: b\n"
                               "parts:\n"
                               "  - {ref: R1, kind: resistor, value: 1k, pins: [a, b]}\n"
                               "steps:\n"
                               "  - {step: quiet, drive: none, see: [a]}\n";
    cj_board *board = NULL;
    cj_errors errors;
    (void)state;
    assert_int_equal(cj_board_read_text("b", text, strlen(text), &board, &errors), CJ_DATA);
    assert_int_equal(errors.count, 1);
    assert_int_equal(errors.items[0].line, 2);
    assert_int_equal(errors.items[0].column, 1);
    check_holds("no gnd", errors.items[0].message, "no pin is on gnd");
}

static void errors_may_be_left_out(void **state)
{
    cj_board *board = NULL;
    (void)state;
    assert_int_equal(cj_board_read_text("b", "board: b", 8, &board, NULL), CJ_DATA);
    assert_int_equal(cj_board_read("no-such-folder/board.yaml", &board, NULL), CJ_NOINPUT);
    assert_null(board);
}

static void files_that_are_not_there_or_no_files(void **state)
{
    cj_board *board = NULL;
    cj_errors errors;
    (void)state;
    assert_int_equal(cj_board_read("no-such-folder/board.yaml", &board, &errors), CJ_NOINPUT);
    assert_int_equal(errors.count, 1);
    assert_string_equal(errors.items[0].file, "no-such-folder/board.yaml");
    assert_int_equal(cj_board_read(FIXTURES, &board, &errors), CJ_DATA);
    check_holds("folder", errors.items[0].message, "a directory");
}

int run_refusal_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_wrong_entry_is_refused_in_place),
        cmocka_unit_test(several_errors_come_in_the_order_of_the_file),
        cmocka_unit_test(a_board_without_its_reference_is_refused),
        cmocka_unit_test(errors_may_be_left_out),
        cmocka_unit_test(files_that_are_not_there_or_no_files),
    };
    return cmocka_run_group_tests_name("refusals", tests, NULL, NULL);
}
