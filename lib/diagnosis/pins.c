/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * The pins of an op-amp: what a lifted, bridged or stuck one does.
 *
 * Weights, levels and spreads: fault_physics sections 3 and 4. P-channel JFET inputs and NPN inputs
 * draw their bias current into the pin, PNP inputs push it out of it; a floating pin follows.
 */
#include <math.h>

#include "diagnosis/suspects.h"

#define OPEN_OHM 1e13
#define LITTLE_BIAS 1e-9 /* A: leaks of 1e11 ohm and more hold it within the swing; judged */
#define STRAY_SPREAD 0.7 /* sigma of ln farad about each of three sizes; judged */
#define STRAY_DB                                                                                   \
    0.3 /* what strays beside the one that is solved change a gain by, at 1 kHz; judged */

cj__manner *cj__manner_one(cj__dictionary *dictionary, cj__suspect *suspect, cj_edit edit,
                           double weight)
{
    cj__manner *manner = cj__suspect_manner(suspect, 1, weight);
    if (manner == NULL)
        dictionary->failed = true;
    else
        manner->edits[0] = edit;
    return manner;
}

cj__manner *cj__manner_of(cj__dictionary *dictionary, cj__suspect *suspect, size_t edits,
                          double weight)
{
    cj__manner *manner = cj__suspect_manner(suspect, edits, weight);
    if (manner == NULL)
        dictionary->failed = true;
    return manner;
}

cj_edit cj__hold(int part, int pin, cj_mode mode, double volts)
{
    return (cj_edit){.kind = CJ_EDIT_MODE, .part = part, .pin = pin, .mode = mode, .a = volts};
}

void cj__section_held(cj__dictionary *dictionary, cj__suspect *suspect, int part, int section,
                      cj_mode mode, double weight)
{
    int out = dictionary->board->parts[part].sections[section].out;
    cj__manner *manner = cj__manner_one(dictionary, suspect, cj__hold(part, out, mode, 0), weight);
    if (manner != NULL)
        manner->residue = 1e-3;
}

static cj_edit lift(int part, int pin, double ohm)
{
    return (cj_edit){.kind = CJ_EDIT_LIFT, .part = part, .pin = pin, .a = ohm, .b = CJ__STRAY_F};
}

/* A joint that still conducts a little: 1e5 to 1e10 ohm, solved as it is. Its capacitance matters
 * where the pin draws no current: three sizes from a loose pin to a hairline crack. */
static void bad_joint(cj__dictionary *dictionary, cj__suspect *suspect, int part, int pin,
                      double weight)
{
    static const double farad[] = {0.2e-12, 0.8e-12, 3e-12};
    for (int i = 0; i < 3; i++) {
        cj_edit edit = lift(part, pin, 1e7);
        edit.b = farad[i];
        cj__manner *manner = cj__manner_one(dictionary, suspect, edit, weight / 3);
        if (manner == NULL)
            return;
        manner->prior = CJ__ANY;
        manner->low = 1e5;
        manner->high = 1e10;
        cj__also_unknown(manner, 0, true, STRAY_SPREAD);
        manner->loose_db = STRAY_DB;
        manner->loose_ohm = CJ__STRAYS_OHM;
    }
}

void cj__also_unknown(cj__manner *manner, size_t edit, bool farad, double sigma)
{
    manner->also_edit = edit;
    manner->also_b = farad;
    manner->also_sigma = sigma;
}

void cj__stray_unknown(cj__manner *manner, size_t edit)
{
    if (manner == NULL)
        return;
    manner->prior = CJ__AROUND;
    manner->free_edit = edit;
    manner->free_b = true;
    manner->middle = CJ__STRAY_F;
    manner->width = 0.8;
    manner->low = CJ__STRAY_F / 12;
    manner->high = CJ__STRAY_F * 12;
}

cj__manner *cj__joined(cj__dictionary *dictionary, cj__suspect *suspect, int part, int pin,
                       int pin2)
{
    cj__manner *manner = cj__manner_one(
        dictionary, suspect,
        (cj_edit){.kind = CJ_EDIT_JOIN, .part = part, .pin = pin, .pin2 = pin2, .a = 0.05}, 1);
    if (manner == NULL)
        return NULL;
    manner->prior = CJ__ANY; /* from a blob of solder to a whisker */
    manner->low = 2e-3;
    manner->high = 2;
    return manner;
}

/* The section at a rail with the pin lifted: what the diodes across its inputs do, or the input's
 * own current, does not reach the net. */
static void lifted_at(cj__dictionary *dictionary, cj__suspect *suspect, int part, int pin, int out,
                      cj_mode mode, double weight)
{
    if (weight <= 0)
        return;
    cj__manner *manner = cj__manner_of(dictionary, suspect, 2, weight);
    if (manner == NULL)
        return;
    manner->edits[0] = cj__hold(part, out, mode, 0);
    manner->edits[1] = lift(part, pin, OPEN_OHM);
    manner->residue = 1e-3;
}

/* Ohms of the lifted joint over those of the leak that closes the loop, where it closes; sigma of
 * the logarithm. Judged: the leaks of fault_physics 2.2 are of one size, give or take a decade. */
#define JOINT_OVER_LEAK 4
#define JOINT_SPREAD 2
#define SMALL_LEAK_OHM 3e9 /* half a picofarad carries ten times as much at 1 kHz; judged */
/* Sigma of the bias current, in those of the table: of a TL072 it is typically 20 pA (ST) or 30 pA
 * (Motorola), and 200 pA at most in both sheets (opamp_facts). Judged, and so are the range of the
 * leak and its weight. */
#define SMALL_LEAK_BIAS 4
/* A leak beside the joint, and sigma of its logarithm: about as fault_physics 4 sampled them (a
 * decade either way). */
#define LEAK_OHM 1e12
#define LEAK_SPREAD 2

/* Where nobody says which way the bias current goes, both are tried. */
static int bias_ways(const cj_opamp *opamp)
{
    return opamp->bias_way == CJ_BIAS_UNKNOWN ? 2 : 1;
}

static cj_edit biased(int part, const cj_section *section, double ampere)
{
    return (cj_edit){
        .kind = CJ_EDIT_FIGURE, .part = part, .pin = section->out, .figure = CJ_BIAS, .a = ampere};
}

/* The leak that closes the loop so small that it turns the tone too: searched for, its picofarads
 * beside it. bias: the one to put in; 0: the part's own. */
static void small_leak(cj__dictionary *dictionary, cj__suspect *suspect, int part,
                       const cj_section *section, double bias, double weight)
{
    cj__manner *manner = cj__manner_of(dictionary, suspect, bias != 0 ? 3 : 2, weight);
    if (manner == NULL)
        return;
    if (bias != 0)
        manner->edits[2] = biased(part, section, bias);
    manner->edits[0] = lift(part, section->inverting, OPEN_OHM);
    manner->edits[1] = (cj_edit){.kind = CJ_EDIT_LEAK,
                                 .part = part,
                                 .pin = section->out,
                                 .pin2 = section->inverting,
                                 .a = SMALL_LEAK_OHM};
    cj__also_unknown(manner, 0, true, 1);
    manner->prior = CJ__AROUND;
    manner->free_edit = 1;
    manner->middle = SMALL_LEAK_OHM;
    manner->width = 1.5;
    manner->low = SMALL_LEAK_OHM / 30;
    manner->high = SMALL_LEAK_OHM * 7;
    manner->bias = SMALL_LEAK_BIAS;
    manner->loose_db = STRAY_DB;
}

/* A JFET's lifted inverting input: a leak from the output closes the loop at DC, the pin's
 * capacitances for the tone (fault_physics 2.2). Its DC is the bias current through the leak. */
static void leaky_inverting(cj__dictionary *dictionary, cj__suspect *suspect, int part,
                            const cj_section *section, double weight)
{
    static const double volts[] = {0.6, 3, 8};
    const cj_opamp *opamp = &dictionary->board->parts[part].opamp;
    double bias = fmax(opamp->bias_a, 1e-12);
    int ways = bias_ways(opamp);
    for (int way = 0; way < ways; way++)
        small_leak(dictionary, suspect, part, section, ways > 1 ? (way ? -bias : bias) : 0,
                   0.1 * weight / ways);
    for (int i = 0; i < 3 * ways; i++) {
        cj__manner *manner =
            cj__manner_of(dictionary, suspect, ways > 1 ? 3 : 2, 0.3 * weight / ways);
        if (manner == NULL)
            return;
        if (ways > 1)
            manner->edits[2] = biased(part, section, i < 3 ? bias : -bias);
        manner->edits[0] = lift(part, section->inverting, JOINT_OVER_LEAK * volts[i % 3] / bias);
        cj__also_unknown(manner, 0, false, JOINT_SPREAD);
        manner->edits[1] = (cj_edit){.kind = CJ_EDIT_LEAK,
                                     .part = part,
                                     .pin = section->out,
                                     .pin2 = section->inverting,
                                     .a = volts[i % 3] / bias,
                                     .b = CJ__STRAY_F};
        manner->prior = CJ__AROUND;
        manner->free_edit = 1;
        manner->free_b = true;
        manner->middle = CJ__STRAY_F;
        manner->width = 1;
        manner->low = CJ__STRAY_F / 20;
        manner->high = CJ__STRAY_F * 20;
        manner->bias = 0.5;
        manner->loose_db = STRAY_DB;
    }
}

static void open_inverting(cj__dictionary *dictionary, cj__suspect *suspect, int part,
                           const cj_section *section)
{
    const cj_opamp *opamp = &dictionary->board->parts[part].opamp;
    double high = opamp->bias_way == CJ_BIAS_IN    ? 0.97
                  : opamp->bias_way == CJ_BIAS_OUT ? 0.03
                                                   : 0.5;
    double low = 1 - high, leak = 0;
    if (opamp->jfet) {
        high = 0.77;
        leak = 0.20;
        low = 0.03;
    } else if (opamp->bias_a < LITTLE_BIAS) { /* either rail, or the same leaks; judged */
        high = low = 0.4;
        leak = 0.2;
    }
    lifted_at(dictionary, suspect, part, section->inverting, section->out, CJ_HIGH, 0.85 * high);
    lifted_at(dictionary, suspect, part, section->inverting, section->out, CJ_LOW, 0.85 * low);
    if (leak > 0)
        leaky_inverting(dictionary, suspect, part, section, 0.85 * leak);
    bad_joint(dictionary, suspect, part, section->inverting, 0.15);
}

/* Whether the pin beside it in its row of the package is the positive supply's. */
static bool supply_beside(const cj_part *part, int pin, int supply)
{
    int row = (int)part->pin_count / 2, apart = supply - pin;
    bool same_row = (supply <= row) == (pin <= row);
    return supply > 0 && same_row && (apart == 1 || apart == -1);
}

/* A JFET's lifted input beside the positive supply: what leaks over from there holds the bias
 * current at bay, and the pin stays within the swing. DC as of the leak and the joint, both not
 * known; judged. */
static void leaky_plus(cj__dictionary *dictionary, cj__suspect *suspect, int part,
                       const cj_section *section, double weight)
{
    cj__manner *manner = cj__manner_of(dictionary, suspect, 2, weight);
    if (manner == NULL)
        return;
    manner->edits[0] = lift(part, section->plus, LEAK_OHM);
    cj__also_unknown(manner, 0, false, JOINT_SPREAD);
    manner->edits[1] = (cj_edit){.kind = CJ_EDIT_LEAK,
                                 .part = part,
                                 .pin = section->plus,
                                 .pin2 = section->v_plus,
                                 .a = LEAK_OHM};
    manner->prior = CJ__AROUND;
    manner->free_edit = 1;
    manner->middle = LEAK_OHM;
    manner->width = LEAK_SPREAD;
    manner->low = LEAK_OHM / 300;
    manner->high = LEAK_OHM * 100;
}

/* A leak of the lifted pin to its own pad leaves the gain, and DC by the bias current. */
static void leak_to_pad(cj__dictionary *dictionary, cj__suspect *suspect, int part,
                        const cj_section *section, double weight)
{
    const cj_opamp *opamp = &dictionary->board->parts[part].opamp;
    int ways = bias_ways(opamp);
    for (int way = 0; way < ways; way++) {
        cj__manner *manner = cj__manner_of(dictionary, suspect, (size_t)ways, weight / ways);
        if (manner == NULL)
            return;
        manner->edits[0] = lift(part, section->plus, 1e10);
        if (ways > 1)
            manner->edits[1] = biased(part, section, way ? opamp->bias_a : -opamp->bias_a);
        manner->prior = CJ__ANY;
        manner->low = 3e8;
        manner->high = 1e12;
    }
}

static void open_plus(cj__dictionary *dictionary, cj__suspect *suspect, int part,
                      const cj_section *section)
{
    const cj_opamp *opamp = &dictionary->board->parts[part].opamp;
    double low = opamp->bias_way == CJ_BIAS_IN ? 0.97 : opamp->bias_way == CJ_BIAS_OUT ? 0.03 : 0.5;
    double high = 1 - low, leak = 0;
    if (opamp->jfet) { /* fault_physics 4; beside the positive supply judged */
        bool beside =
            supply_beside(&dictionary->board->parts[part], section->plus, section->v_plus);
        low = beside ? 0.6 : 0.90;
        high = beside ? 0.18 : 0.03;
        leak = 0.07;
        if (beside)
            leaky_plus(dictionary, suspect, part, section, 0.85 * 0.15);
    } else if (opamp->bias_a < LITTLE_BIAS) { /* as for the inverting input */
        high = low = 0.4;
        leak = 0.2;
    }
    lifted_at(dictionary, suspect, part, section->plus, section->out, CJ_HIGH, 0.85 * high);
    lifted_at(dictionary, suspect, part, section->plus, section->out, CJ_LOW, 0.85 * low);
    if (leak > 0)
        leak_to_pad(dictionary, suspect, part, section, 0.85 * leak);
    bad_joint(dictionary, suspect, part, section->plus, 0.15);
}

#define SQUARE 1.27      /* 4 / pi: a square wave's first harmonic over its peak */
#define SOME_SUPPLY 12.0 /* V, of a board that does not say */

/* The leak through the feedback resistor; inside, the section slams from rail to rail and its stray
 * capacitance rings through as distortion that hangs on picofarads (fault_physics 2.1: a median of
 * 0.5 pF, a factor of 2.5 either way; the sizes and weights below follow that, roughly). What it
 * adds to the tone has a size, and a phase that the solver does not follow. */
static void open_output(cj__dictionary *dictionary, cj__suspect *suspect, int part,
                        const cj_section *section)
{
    static const struct {
        double farad, weight;
    } strays[] = {{0.15e-12, 0.15}, {0.5e-12, 0.45}, {1.2e-12, 0.3}, {3.5e-12, 0.1}};
    double volts = dictionary->board->v_plus_v > 0 ? dictionary->board->v_plus_v : SOME_SUPPLY;
    for (size_t i = 0; i < sizeof strays / sizeof strays[0]; i++) {
        cj_edit edit = lift(part, section->out, OPEN_OHM);
        edit.b = strays[i].farad;
        cj__manner *manner = cj__manner_one(dictionary, suspect, edit, 0.85 * strays[i].weight);
        if (manner == NULL)
            return;
        manner->loose_db = 0.3;
        manner->thd_unknown = true;
        manner->slams = true;
        manner->residue = SQUARE * volts;
    }
    bad_joint(dictionary, suspect, part, section->out, 0.15);
}

void cj__opamp_open(cj__dictionary *dictionary, cj__suspect *suspect, int part, int pin)
{
    const cj_part *p = &dictionary->board->parts[part];
    for (int s = 0; s < p->section_count; s++) {
        const cj_section *section = &p->sections[s];
        if (pin == section->out)
            open_output(dictionary, suspect, part, section);
        else if (pin == section->inverting)
            open_inverting(dictionary, suspect, part, section);
        else if (pin == section->plus)
            open_plus(dictionary, suspect, part, section);
        else if (pin == section->v_plus)
            cj__supply_pin_open(dictionary, suspect, part, 1);
        else if (pin == section->v_minus)
            cj__supply_pin_open(dictionary, suspect, part, -1);
        else
            continue;
        return;
    }
}

/* Which rail a net is: +1, -1, 0 none. A board with one supply has v- at gnd, which is no rail
 * here. */
static int rail_of(const cj_board *board, int net)
{
    if (net == CJ_NO_NET || net == CJ_GND)
        return 0;
    return net == board->v_plus ? 1 : net == board->v_minus ? -1 : 0;
}

static const cj_section *section_with(const cj_part *part, int pin, bool output)
{
    for (int s = 0; s < part->section_count; s++) {
        const cj_section *section = &part->sections[s];
        if (output ? pin == section->out : pin == section->plus || pin == section->inverting)
            return section;
    }
    return NULL;
}

/* The inputs of one section joined: its own offset decides for a rail. A joint of an ohm may leave
 * a fast op-amp enough of a difference to work with: solved as it is. */
static bool inputs_joined(cj__dictionary *dictionary, cj__suspect *suspect, int part, int pin,
                          int pin2)
{
    const cj_part *p = &dictionary->board->parts[part];
    for (int s = 0; s < p->section_count; s++) {
        const cj_section *section = &p->sections[s];
        if (!((pin == section->plus && pin2 == section->inverting) ||
              (pin == section->inverting && pin2 == section->plus)))
            continue;
        double works = p->opamp.jfet ? 0.03 : 0.11;
        cj__manner *alive = cj__joined(dictionary, suspect, part, pin, pin2);
        if (alive == NULL)
            return true;
        alive->weight = works;
        for (int side = 0; side < 2; side++) {
            cj__manner *manner = cj__manner_of(dictionary, suspect, 2, 0.5 * (1 - works));
            if (manner == NULL)
                return true;
            manner->edits[0] =
                (cj_edit){.kind = CJ_EDIT_JOIN, .part = part, .pin = pin, .pin2 = pin2, .a = 0.01};
            manner->edits[1] = cj__hold(part, section->out, side ? CJ_HIGH : CJ_LOW, 0);
            manner->residue = 1e-3;
        }
        return true;
    }
    return false;
}

/* A pin of the package joined with a rail; false: the plain joint says enough. */
static bool joined_to_rail(cj__dictionary *dictionary, cj__suspect *suspect, int part, int pin,
                           int rail)
{
    const cj_board *board = dictionary->board;
    const cj_part *p = &board->parts[part];
    const cj_section *section = section_with(p, pin, true);
    if (section != NULL) { /* at the rail itself, beyond the swing */
        double volts = rail > 0 ? board->v_plus_v : board->v_minus_v;
        cj__manner *manner =
            cj__manner_one(dictionary, suspect, cj__hold(part, pin, CJ_HELD, volts), 1);
        if (manner != NULL) {
            manner->held_v = 0.1;
            manner->residue = 1e-3;
        }
        return true;
    }
    section = section_with(p, pin, false);
    if (section == NULL)
        return false;
    bool plus = pin == section->plus;
    /* an input at the negative rail: p-channel JFET parts reverse (fault_physics 3) */
    double high = rail > 0 ? (plus ? 0.95 : 0.05)
                  : plus   ? (p->opamp.jfet ? 0.75 : 0.15)
                           : (p->opamp.jfet ? 0.85 : 0.95);
    for (int side = 0; side < 2; side++) {
        cj__manner *manner = cj__manner_of(dictionary, suspect, 2, side ? high : 1 - high);
        if (manner == NULL)
            return true;
        manner->edits[0] = (cj_edit){.kind = CJ_EDIT_JOIN,
                                     .part = part,
                                     .pin = pin,
                                     .pin2 = rail > 0 ? section->v_plus : section->v_minus,
                                     .a = 0.01};
        manner->edits[1] = cj__hold(part, section->out, side ? CJ_HIGH : CJ_LOW, 0);
        manner->residue = 1e-3;
    }
    return true;
}

static bool is_v_minus(const cj_part *part, int pin)
{
    for (int s = 0; s < part->section_count; s++)
        if (part->sections[s].v_minus == pin)
            return true;
    return false;
}

void cj__pins_joined(cj__dictionary *dictionary, cj__suspect *suspect, int part, int pin, int pin2)
{
    const cj_board *board = dictionary->board;
    const cj_part *p = &board->parts[part];
    int net = p->pins[pin - 1], net2 = p->pins[pin2 - 1];
    int rail = rail_of(board, net), rail2 = rail_of(board, net2);
    if ((rail && (rail2 || net2 == CJ_GND)) || (rail2 && net == CJ_GND)) {
        /* a rail joined to ground or to the other one: it is down on the whole board */
        cj__rail_missing(dictionary, suspect, rail ? rail : rail2);
        return;
    }
    if (p->kind == CJ_OPAMP) {
        if (inputs_joined(dictionary, suspect, part, pin, pin2))
            return;
        if (rail && joined_to_rail(dictionary, suspect, part, pin2, rail))
            return;
        if (rail2 && joined_to_rail(dictionary, suspect, part, pin, rail2))
            return;
        bool low = board->v_plus != CJ_NO_NET && board->v_minus == CJ_GND && net != net2;
        bool first = low && net == CJ_GND && is_v_minus(p, pin),
             second = low && net2 == CJ_GND && is_v_minus(p, pin2);
        /* ground, where it is the package's negative supply */
        if ((first || second) && joined_to_rail(dictionary, suspect, part, first ? pin2 : pin, -1))
            return;
    }
    cj__joined(dictionary, suspect, part, pin, pin2);
}
