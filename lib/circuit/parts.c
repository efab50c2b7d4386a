/* SPDX-License-Identifier: GPL-3.0-or-later */
/* parts.c - a part, with what the edits do to it, becomes elements of the equation. */
#include <math.h>

#include "circuit/internal.h"

/* fault_physics 6.1: a lifted input pin */
#define PIN_FARAD 3e-12
#define NEIGHBOUR_FARAD 0.5e-12
/* What "ideal" is in numbers: small enough that the equations stay well conditioned. */
#define MOST_GAIN 1e9
#define MOST_GBW 1e13
/* Where an output held high or low stands on a board that names no rails: what such circuits are
 * drawn for. */
#define NO_RAIL_V 15.0

/* ---- edits ---- */

static bool has_pin(const cj_part *part, int pin)
{
    return pin >= 1 && (size_t)pin <= part->pin_count;
}

static int section_of_output(const cj_part *part, int pin)
{
    for (int s = 0; part->kind == CJ_OPAMP && s < part->section_count; s++)
        if (part->sections[s].out == pin)
            return s;
    return -1;
}

static const char *edit_trouble(const cj_board *board, const cj_edit *edit)
{
    if (edit->kind == CJ_EDIT_RAIL)
        return (edit->pin == 1 || edit->pin == -1) && isfinite(edit->a) &&
                       board->v_plus != CJ_NO_NET
                   ? NULL
                   : "no such rail";
    if (edit->part < 0 || (size_t)edit->part >= board->part_count)
        return "no such part";
    const cj_part *part = &board->parts[edit->part];
    switch (edit->kind) {
    case CJ_EDIT_VALUE:
        return cj__has_value(part) && edit->a >= 0 ? NULL : "a value that this part does not take";
    case CJ_EDIT_REVERSE:
        return NULL;
    case CJ_EDIT_MODE:
    case CJ_EDIT_FIGURE:
        if (section_of_output(part, edit->pin) < 0)
            return "no output of a section";
        return edit->kind == CJ_EDIT_MODE || isfinite(edit->a) ? NULL : "no number";
    case CJ_EDIT_TO_NET:
        if (edit->pin2 < 0 || (size_t)edit->pin2 >= board->net_count)
            return "no such net";
        break;
    case CJ_EDIT_JOIN:
    case CJ_EDIT_LEAK:
        if (!has_pin(part, edit->pin2))
            return "no such pin";
        break;
    default:
        break;
    }
    if (!has_pin(part, edit->pin))
        return "no such pin";
    return edit->a >= 0 && edit->b >= 0 && isfinite(edit->b) ? NULL
                                                             : "no resistance or capacitance";
}

static bool add_lift(cj__emission *emission, const cj_edit *edit)
{
    const cj_part *part = &emission->numbering->board->parts[edit->part];
    if (part->pins[edit->pin - 1] == CJ_NO_NET)
        return true; /* it met nothing before */
    for (size_t k = 0; k < emission->lift_count; k++) {
        cj__lift *lift = &emission->lifts[k];
        if (lift->part == edit->part && lift->pin == edit->pin) {
            lift->ohm = edit->a, lift->farad = edit->b;
            return true;
        }
    }
    if (!cj_reserve((void **)&emission->lifts, &emission->lift_capacity, emission->lift_count,
                    sizeof(cj__lift)))
        return false;
    emission->lifts[emission->lift_count++] =
        (cj__lift){edit->part, edit->pin, emission->nodes++, edit->a, edit->b};
    return true;
}

cj_status cj__emission_start(cj__emission *emission, const cj_step *step, const cj_variant *variant,
                             cj_error *err)
{
    const cj_board *board = emission->numbering->board;
    emission->step = step;
    emission->edits = variant ? variant->edits : NULL;
    emission->edit_count = variant ? variant->count : 0;
    emission->lift_count = 0;
    emission->nodes = (int)board->net_count - 1;
    emission->plus_v = board->v_plus == CJ_NO_NET ? (double)INFINITY : board->v_plus_v;
    emission->minus_v = board->v_plus == CJ_NO_NET ? -(double)INFINITY : board->v_minus_v;
    for (size_t k = 0; k < emission->edit_count; k++) {
        const cj_edit *edit = &emission->edits[k];
        const char *trouble = edit_trouble(board, edit);
        if (trouble)
            return cj_fail(err, CJ_USAGE, "", 0, 0, "edit %zu of a variant: %s", k + 1, trouble);
        if (edit->kind == CJ_EDIT_RAIL)
            *(edit->pin > 0 ? &emission->plus_v : &emission->minus_v) = edit->a;
        if (edit->kind == CJ_EDIT_LIFT && !add_lift(emission, edit))
            return cj_fail_memory(err);
    }
    return CJ_OK;
}

void cj__emission_clear(cj__emission *emission)
{
    cj_free(emission->lifts);
    *emission = (cj__emission){0};
}

static const cj__lift *find_lift(const cj__emission *emission, int part, int pin)
{
    for (size_t k = 0; k < emission->lift_count; k++)
        if (emission->lifts[k].part == part && emission->lifts[k].pin == pin)
            return &emission->lifts[k];
    return NULL;
}

int cj__pin_node(const cj__emission *emission, int part, int pin, bool *nowhere)
{
    const cj__lift *lift = find_lift(emission, part, pin);
    if (lift)
        return lift->node;
    int net = emission->numbering->board->parts[part].pins[pin - 1];
    if (net == CJ_NO_NET)
        *nowhere = true;
    return net == CJ_NO_NET ? CJ__EARTH : net - 1;
}

/* The value an edit puts in place of the part's own. */
static double value_in_place(const cj__emission *emission, int part)
{
    double value = emission->numbering->board->parts[part].value;
    for (size_t k = 0; k < emission->edit_count; k++)
        if (emission->edits[k].kind == CJ_EDIT_VALUE && emission->edits[k].part == part)
            value = emission->edits[k].a;
    return value;
}

static bool is_reversed(const cj__emission *emission, int part)
{
    bool reversed = false;
    for (size_t k = 0; k < emission->edit_count; k++)
        if (emission->edits[k].kind == CJ_EDIT_REVERSE && emission->edits[k].part == part)
            reversed = !reversed;
    return reversed;
}

/* ---- elements ---- */

static bool push_branch(cj__netlist *into, cj__branch branch, bool nowhere)
{
    if (!cj_reserve((void **)&into->branches, &into->branch_capacity, into->branch_count,
                    sizeof(cj__branch)))
        return false;
    if (nowhere) { /* keeps its place, carries nothing */
        branch.a = branch.b = CJ__EARTH;
        branch.conductance = branch.capacitance = branch.setting_slope = 0;
    }
    into->branches[into->branch_count++] = branch;
    return true;
}

bool cj__add_branch(cj__netlist *into, int a, int b, double siemens, double farad)
{
    return push_branch(into, (cj__branch){a, b, siemens, farad, -1, 0, -1, 0}, false);
}

/* Siemens of a resistance; never more than those of a contact. */
static double siemens_of(double ohm)
{
    return 1 / fmax(ohm, CJ__CONTACT_OHM);
}

static bool emit_two_pin(const cj__emission *emission, int part, cj__netlist *into)
{
    bool nowhere = false;
    const cj_part *of = &emission->numbering->board->parts[part];
    double value = value_in_place(emission, part);
    cj__branch branch = {cj__pin_node(emission, part, 1, &nowhere),
                         cj__pin_node(emission, part, 2, &nowhere),
                         0,
                         0,
                         emission->numbering->first_parameter[part],
                         0,
                         -1,
                         0};
    if (of->kind == CJ_RESISTOR) {
        branch.conductance = siemens_of(value);
        branch.log_slope = value > CJ__CONTACT_OHM ? -1 : 0;
    } else {
        branch.capacitance = value;
        branch.log_slope = 1;
    }
    return push_branch(into, branch, nowhere);
}

/* The part of the track between pin 1 and the wiper. Audio taper: 15 % at half rotation (board.h).
 */
static double taper(const cj_part *part, double rotation, double *slope)
{
    *slope = 1;
    if (!part->audio_taper)
        return rotation;
    *slope = rotation < 0.5 ? 0.3 : 1.7;
    return rotation < 0.5 ? 0.3 * rotation : 0.15 + 1.7 * (rotation - 0.5);
}

static cj__branch half_track(int a, int b, double ohm, double share, double share_slope)
{
    cj__branch half = {a, b, siemens_of(ohm * share), 0, -1, 0, -1, 0};
    if (ohm * share > CJ__CONTACT_OHM) {
        half.log_slope = -1;
        half.setting_slope = -half.conductance * share_slope / share;
    }
    return half;
}

static bool emit_potentiometer(const cj__emission *emission, int part, cj__netlist *into)
{
    const cj_part *of = &emission->numbering->board->parts[part];
    bool ends_nowhere[2] = {false, false}, wiper_nowhere = false;
    bool turned = is_reversed(emission, part);
    int first = cj__pin_node(emission, part, turned ? 3 : 1, &ends_nowhere[0]);
    int last = cj__pin_node(emission, part, turned ? 1 : 3, &ends_nowhere[1]);
    int wiper = cj__pin_node(emission, part, 2, &wiper_nowhere);
    double slope, ohm = value_in_place(emission, part), rotation = emission->step->settings[part];
    double share = taper(of, rotation, &slope);
    cj__branch halves[2] = {half_track(first, wiper, ohm, share, slope),
                            half_track(wiper, last, ohm, 1 - share, -slope)};
    if (wiper_nowhere) { /* the whole track, and nothing */
        halves[0] = half_track(first, last, ohm, 1, 0);
        ends_nowhere[0] = ends_nowhere[0] || ends_nowhere[1];
        ends_nowhere[1] = true;
    }
    for (int k = 0; k < 2; k++) {
        halves[k].parameter = emission->numbering->first_parameter[part];
        if (rotation > 0.01 && rotation < 0.99)
            halves[k].setting = halves[k].parameter + 1;
        if (!push_branch(into, halves[k], ends_nowhere[k]))
            return false;
    }
    return true;
}

static bool emit_switch(const cj__emission *emission, int part, cj__netlist *into)
{
    const cj_part *of = &emission->numbering->board->parts[part];
    double setting = emission->step->settings[part];
    if (!(setting >= 0 && setting < (double)of->position_count))
        return true;
    const cj_position *position = &of->positions[(size_t)setting];
    for (size_t k = 0; k < position->pair_count; k++) {
        bool nowhere = false;
        int a = cj__pin_node(emission, part, position->pairs[k][0], &nowhere);
        int b = cj__pin_node(emission, part, position->pairs[k][1], &nowhere);
        if (!push_branch(into, (cj__branch){a, b, siemens_of(0), 0, -1, 0, -1, 0}, nowhere))
            return false;
    }
    return true;
}

static bool emit_transformer(const cj__emission *emission, int part, cj__netlist *into)
{
    const cj_part *of = &emission->numbering->board->parts[part];
    bool nowhere[2] = {false, false};
    cj__winding_pair pair = {.henry = {of->inductance_h, of->inductance_h * of->ratio * of->ratio}};
    pair.mutual_h = of->coupling * of->inductance_h * of->ratio;
    for (int w = 0; w < 2; w++) {
        pair.a[w] = cj__pin_node(emission, part, 2 * w + 1, &nowhere[w]);
        pair.b[w] = cj__pin_node(emission, part, 2 * w + 2, &nowhere[w]);
        pair.ohm[w] = fmax(of->winding_ohm[w], CJ__CONTACT_OHM);
        if (nowhere[w]) /* no current: as good as nothing between its ends */
            pair.a[w] = pair.b[w] = CJ__EARTH, pair.ohm[w] = 1e12;
    }
    if (is_reversed(emission, part)) {
        int end = pair.a[1];
        pair.a[1] = pair.b[1], pair.b[1] = end;
    }
    if (!cj_reserve((void **)&into->windings, &into->winding_capacity, into->winding_count,
                    sizeof(cj__winding_pair)))
        return false;
    into->windings[into->winding_count++] = pair;
    return true;
}

/* n Vt at 300.15 K (27 degrees, the usual reference of simulators): k T / q with the SI's exact k
 * and q. */
#define THERMAL_VOLT 0.025864926

static bool emit_diode(const cj__emission *emission, int part, cj__netlist *into)
{
    const cj_part *of = &emission->numbering->board->parts[part];
    bool nowhere = false, turned = is_reversed(emission, part);
    cj__junction junction = {cj__pin_node(emission, part, turned ? 2 : 1, &nowhere),
                             cj__pin_node(emission, part, turned ? 1 : 2, &nowhere),
                             of->diode.saturation_a, of->diode.emission * THERMAL_VOLT,
                             of->diode.series_ohm > 0 ? 1 / of->diode.series_ohm
                                                      : (double)INFINITY};
    if (nowhere)
        junction.anode = junction.cathode = CJ__EARTH;
    if (!cj_reserve((void **)&into->junctions, &into->junction_capacity, into->junction_count,
                    sizeof(cj__junction)))
        return false;
    into->junctions[into->junction_count++] = junction;
    return true;
}

/* ---- op-amps ---- */

/* Volts of a supply pin: those of the rail it is on. A net that is no rail is taken to be fed from
 * the rail of that pin (through a resistor or a bead: the supply current is not modelled). */
static double supply_volts(const cj__emission *emission, const cj_part *part, int pin,
                           bool positive)
{
    const cj_board *board = emission->numbering->board;
    int net = pin ? part->pins[pin - 1] : CJ_NO_NET;
    if (net == CJ_GND)
        return 0;
    if (net != CJ_NO_NET && net == board->v_plus)
        return emission->plus_v;
    if (net != CJ_NO_NET && net == board->v_minus)
        return emission->minus_v;
    return positive ? emission->plus_v : emission->minus_v;
}

static void apply_figure(cj__amp *amp, const cj_edit *edit, double *swing)
{
    switch (edit->figure) {
    case CJ_GBW:
        amp->gbw_hz = edit->a;
        break;
    case CJ_SLEW:
        amp->slew_v_per_s = edit->a;
        break;
    case CJ_GAIN:
        amp->gain = edit->a;
        break;
    case CJ_OFFSET:
        amp->offset_v = edit->a;
        break;
    case CJ_BIAS:
        amp->bias_a = edit->a;
        break;
    case CJ_SWING:
        *swing = edit->a;
        break;
    case CJ_OUTPUT_OHM:
        amp->output_ohm = edit->a;
        break;
    }
}

static void amp_edits(const cj__emission *emission, cj__amp *amp, int out_pin, double *swing)
{
    for (size_t k = 0; k < emission->edit_count; k++) {
        const cj_edit *edit = &emission->edits[k];
        if (edit->part != amp->part || edit->pin != out_pin)
            continue;
        if (edit->kind == CJ_EDIT_FIGURE)
            apply_figure(amp, edit, swing);
        if (edit->kind == CJ_EDIT_MODE) {
            amp->mode = edit->mode;
            amp->held_dc_v = edit->mode == CJ_HELD ? edit->a : 0;
            amp->held_peak_v = edit->mode == CJ_HELD ? edit->b : 0;
        }
    }
}

/* A section without a supply is dead; a lifted input stays between the rails. */
static void amp_supply(const cj__emission *emission, cj__amp *amp, const cj_section *section,
                       double swing)
{
    const cj_part *part = &emission->numbering->board->parts[amp->part];
    double high = supply_volts(emission, part, section->v_plus, true);
    double low = supply_volts(emission, part, section->v_minus, false);
    bool unpowered = emission->step->power_off || high - swing <= low + swing;
    if (section->v_plus && find_lift(emission, amp->part, section->v_plus))
        unpowered = true;
    if (section->v_minus && find_lift(emission, amp->part, section->v_minus))
        unpowered = true;
    if (emission->step->power_off || (unpowered && amp->mode == CJ_LINEAR))
        amp->mode = CJ_DEAD;
    if (emission->step->power_off)
        amp->bias_a = 0;
    amp->high_v = high - swing, amp->low_v = low + swing;
    if (!isfinite(high) && cj__is_cut_off(amp) && amp->mode == CJ_LINEAR)
        amp->mode = CJ_DEAD; /* it has no swing to end at: a lifted output would drive its pad with
                                kilovolts */
    if (!isfinite(high) && amp->mode != CJ_LINEAR) /* a section that is held somewhere */
        amp->high_v = NO_RAIL_V, amp->low_v = -NO_RAIL_V;
    bool plus = find_lift(emission, amp->part, section->plus) != NULL;
    bool inverting = find_lift(emission, amp->part, section->inverting) != NULL;
    amp->plus_low = plus ? low : -(double)INFINITY;
    amp->plus_high = plus ? high : (double)INFINITY;
    amp->inverting_low = inverting ? low : -(double)INFINITY;
    amp->inverting_high = inverting ? high : (double)INFINITY;
}

static void amp_finish(cj__amp *amp, const cj_opamp *type)
{
    amp->gain = fmin(fmax(amp->gain, 1), MOST_GAIN);
    amp->gbw_hz = fmin(fmax(amp->gbw_hz, 1), MOST_GBW);
    amp->output_ohm = fmax(amp->output_ohm, CJ__CONTACT_OHM);
    amp->input_conductance =
        isfinite(type->input_ohm) && type->input_ohm > 0 ? 1 / type->input_ohm : 0;
    if (!(amp->slew_v_per_s > 0))
        amp->slew_v_per_s = (double)INFINITY;
    amp->clamped = type->clamped;
}

static cj__amp make_amp(const cj__emission *emission, int part, int s)
{
    const cj_part *of = &emission->numbering->board->parts[part];
    const cj_opamp *type = &of->opamp;
    const cj_section *section = &of->sections[s];
    bool nowhere = false; /* an unused section: its pins are as good as on ground */
    double swing = type->swing_v;
    static const double sign[] = {[CJ_BIAS_UNKNOWN] = 0, [CJ_BIAS_IN] = 1, [CJ_BIAS_OUT] = -1};
    const cj__lift *out = find_lift(emission, part, section->out);
    cj__amp amp = {.part = part, .section = s, .gbw_hz = type->gbw_hz, .gain = type->gain};
    amp.slew_v_per_s = type->slew_v_per_s;
    amp.bias_a = type->ideal ? 0 : sign[type->bias_way] * type->bias_a;
    amp.output_ohm = type->output_ohm;
    amp.out = cj__pin_node(emission, part, section->out, &nowhere);
    amp.inverting = cj__pin_node(emission, part, section->inverting, &nowhere);
    amp.plus = cj__pin_node(emission, part, section->plus, &nowhere);
    amp.v_plus = amp.v_minus = CJ__EARTH;
    if (section->v_plus)
        amp.v_plus = cj__pin_node(emission, part, section->v_plus, &nowhere);
    if (section->v_minus)
        amp.v_minus = cj__pin_node(emission, part, section->v_minus, &nowhere);
    amp.joint_conductance = out ? 1 / out->ohm : (double)INFINITY;
    amp_edits(emission, &amp, section->out, &swing);
    amp_finish(&amp, type);
    amp_supply(emission, &amp, section, swing);
    return amp;
}

static bool emit_opamp(const cj__emission *emission, int part, cj__netlist *into)
{
    const cj_part *of = &emission->numbering->board->parts[part];
    for (int s = 0; s < of->section_count; s++) {
        if (!cj_reserve((void **)&into->amps, &into->amp_capacity, into->amp_count,
                        sizeof(cj__amp)))
            return false;
        into->amps[into->amp_count++] = make_amp(emission, part, s);
    }
    return true;
}

bool cj__emit_part(const cj__emission *emission, int part, cj__netlist *into)
{
    switch (emission->numbering->board->parts[part].kind) {
    case CJ_RESISTOR:
    case CJ_CAPACITOR:
        return emit_two_pin(emission, part, into);
    case CJ_POTENTIOMETER:
        return emit_potentiometer(emission, part, into);
    case CJ_SWITCH:
        return emit_switch(emission, part, into);
    case CJ_TRANSFORMER:
        return emit_transformer(emission, part, into);
    case CJ_DIODE:
        return emit_diode(emission, part, into);
    case CJ_OPAMP:
        return emit_opamp(emission, part, into);
    }
    return true;
}

/* ---- what edits add ---- */

/* Pins of a package stand in two rows; those of a bare section in one. */
static bool are_neighbours(const cj_part *part, int pin, int other)
{
    int row = part->pin_count >= 6 ? (int)part->pin_count / 2 : (int)part->pin_count;
    return has_pin(part, other) && (pin - 1) / row == (other - 1) / row;
}

static bool is_input(const cj_part *part, int pin)
{
    for (int s = 0; part->kind == CJ_OPAMP && s < part->section_count; s++)
        if (part->sections[s].inverting == pin || part->sections[s].plus == pin)
            return true;
    return false;
}

static bool emit_lift(const cj__emission *emission, const cj__lift *lift, cj__netlist *into)
{
    const cj_part *part = &emission->numbering->board->parts[lift->part];
    int net = part->pins[lift->pin - 1] - 1;
    double siemens = lift->ohm > 0 ? 1 / fmax(lift->ohm, CJ__CONTACT_OHM) : siemens_of(0);
    if (!cj__add_branch(into, lift->node, net, siemens, lift->farad))
        return false;
    if (!is_input(part, lift->pin))
        return true;
    if (!cj__add_branch(into, lift->node, CJ__EARTH, 0, PIN_FARAD))
        return false;
    for (int other = lift->pin - 1; other <= lift->pin + 1; other += 2) {
        bool nowhere = false;
        if (!are_neighbours(part, lift->pin, other))
            continue;
        int node = cj__pin_node(emission, lift->part, other, &nowhere);
        if (!nowhere && !cj__add_branch(into, lift->node, node, 0, NEIGHBOUR_FARAD))
            return false;
    }
    return true;
}

static bool emit_edit(const cj__emission *emission, const cj_edit *edit, cj__netlist *into)
{
    const cj_part *part = &emission->numbering->board->parts[edit->part];
    bool nowhere = false;
    int a, b;
    if (edit->kind == CJ_EDIT_JOIN) {
        a = part->pins[edit->pin - 1], b = part->pins[edit->pin2 - 1];
        nowhere = a == CJ_NO_NET || b == CJ_NO_NET;
        a--, b--;
    } else {
        a = cj__pin_node(emission, edit->part, edit->pin, &nowhere);
        b = edit->kind == CJ_EDIT_TO_NET ? edit->pin2 - 1
                                         : cj__pin_node(emission, edit->part, edit->pin2, &nowhere);
    }
    if (nowhere || a == b)
        return true;
    double farad = edit->kind == CJ_EDIT_JOIN ? 0 : edit->b;
    return cj__add_branch(into, a, b, siemens_of(edit->a), farad);
}

bool cj__emit_edits(const cj__emission *emission, cj__netlist *into)
{
    for (size_t k = 0; k < emission->lift_count; k++)
        if (!emit_lift(emission, &emission->lifts[k], into))
            return false;
    for (size_t k = 0; k < emission->edit_count; k++) {
        cj_edit_kind kind = emission->edits[k].kind;
        if ((kind == CJ_EDIT_JOIN || kind == CJ_EDIT_LEAK || kind == CJ_EDIT_TO_NET) &&
            !emit_edit(emission, &emission->edits[k], into))
            return false;
    }
    return true;
}
