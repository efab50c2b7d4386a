/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Every single fault a board can have: enumerated from its parts and pins.
 *
 * How common each kind is, is judgement (nobody counts): joints and bridges before wrong parts,
 * wrong parts before dead ones. A kind's share is divided among the places where it can happen,
 * weighed by `ease`.
 */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "diagnosis/suspects.h"

static const double share[] = {
    [CJ_FAULT_OPEN_PIN] = 0.40,    [CJ_FAULT_BRIDGE] = 0.14,  [CJ_FAULT_SHORTED] = 0.06,
    [CJ_FAULT_WRONG_VALUE] = 0.22, [CJ_FAULT_SWAPPED] = 0.03, [CJ_FAULT_REVERSED] = 0.04,
    [CJ_FAULT_AT_RAIL] = 0.05,     [CJ_FAULT_WEAK] = 0.03,    [CJ_FAULT_UNPOWERED] = 0.03,
};

/* What the strays across a bad joint change of what it lets through, at 1 kHz, where that is
 * stepped through time; judged. Elsewhere they are solved: sigma of ln farad, 10^U(-13.0, -11.7) of
 * fault_physics. */
#define JOINT_DB 1
#define JOINT_STRAYS 0.86

static cj__suspect *add(cj__dictionary *dictionary, cj_fault_kind kind, const cj_part *part,
                        double ease)
{
    cj_fault fault = cj_fault_none(kind);
    if (part != NULL)
        snprintf(fault.part, sizeof fault.part, "%s", part->ref);
    cj__suspect *suspect = cj__suspects_add(dictionary->suspects, &fault, ease);
    if (suspect == NULL)
        dictionary->failed = true;
    return suspect;
}

static bool two_ended(const cj_part *part)
{
    return part->pin_count == 2;
}

/* A package's pins are small, close together, and bent in sockets: twice as often as those of
 * larger parts (judgement). */
static double fine(const cj_part *part)
{
    return part->kind == CJ_OPAMP ? 2 : 1;
}

static bool connected(const cj_part *part, int pin)
{
    return part->pins[pin - 1] != CJ_NO_NET;
}

/* A joint that still conducts: from so many ohm to 1e10, the strays beside it known loosely. */
static void conducting_joint(cj__dictionary *dictionary, cj__suspect *suspect, int index, int pin,
                             double least_ohm)
{
    cj_edit lift = {.kind = CJ_EDIT_LIFT, .part = index, .pin = pin, .a = 1e7, .b = CJ__STRAY_F};
    cj__manner *manner = cj__manner_one(dictionary, suspect, lift, 0.15);
    if (manner == NULL)
        return;
    manner->prior = CJ__ANY;
    manner->low = least_ohm;
    manner->high = 1e10;
    cj__also_unknown(manner, 0, true, JOINT_STRAYS);
    manner->loose_db = JOINT_DB;
    manner->loose_ohm = CJ__STRAYS_OHM;
    manner->loose_in_time = true;
}

/* The tone can still creep across an open resistor or capacitor: 0.1 to 2 pF (fault_physics 4). */
static void open_two_ended(cj__dictionary *dictionary, cj__suspect *suspect, int index)
{
    const cj_part *part = &dictionary->board->parts[index];
    bool resistor = part->kind == CJ_RESISTOR;
    cj__manner *manner = cj__suspect_manner(suspect, 2, 0.85);
    if (manner == NULL) {
        dictionary->failed = true;
        return;
    }
    manner->edits[0] =
        (cj_edit){.kind = CJ_EDIT_VALUE, .part = index, .a = resistor ? INFINITY : 0};
    manner->edits[1] =
        (cj_edit){.kind = CJ_EDIT_LEAK, .part = index, .pin = 1, .pin2 = 2, .a = INFINITY};
    cj__stray_unknown(manner, 1);
    conducting_joint(dictionary, suspect, index, 1, 1e5);
}

static void open_pins(cj__dictionary *dictionary, int index)
{
    const cj_part *part = &dictionary->board->parts[index];
    bool simple = part->kind == CJ_RESISTOR || part->kind == CJ_CAPACITOR;
    int pins = two_ended(part) ? 1 : (int)part->pin_count;
    for (int pin = 1; pin <= pins && !dictionary->failed; pin++) {
        if (!connected(part, pin))
            continue;
        cj__suspect *suspect =
            add(dictionary, CJ_FAULT_OPEN_PIN, part, two_ended(part) ? 1.5 : fine(part));
        if (suspect == NULL)
            return;
        suspect->fault.pin = pin;
        suspect->both_pins = two_ended(part);
        if (simple) {
            open_two_ended(dictionary, suspect, index);
        } else if (part->kind == CJ_OPAMP) {
            cj__opamp_open(dictionary, suspect, index, pin);
        } else {
            cj_edit lift = {
                .kind = CJ_EDIT_LIFT, .part = index, .pin = pin, .a = 1e13, .b = CJ__STRAY_F};
            cj__stray_unknown(cj__manner_one(dictionary, suspect, lift, 0.85), 0);
            conducting_joint(dictionary, suspect, index, pin, 1e4);
        }
    }
}

/* Neighbouring pins of one row: of a package with two rows never across the body or its ends. */
static void bridges(cj__dictionary *dictionary, int index)
{
    const cj_part *part = &dictionary->board->parts[index];
    int count = (int)part->pin_count;
    bool two_rows = part->kind == CJ_OPAMP && count >= 8;
    for (int pin = 1; pin < count && count > 2 && !dictionary->failed; pin++) {
        if (two_rows && pin == count / 2)
            continue;
        if (!connected(part, pin) || !connected(part, pin + 1) ||
            part->pins[pin - 1] == part->pins[pin])
            continue;
        cj__suspect *suspect = add(dictionary, CJ_FAULT_BRIDGE, part, fine(part));
        if (suspect == NULL)
            return;
        suspect->fault.pin = pin;
        suspect->fault.pin2 = pin + 1;
        cj__pins_joined(dictionary, suspect, index, pin, pin + 1);
    }
}

static void shorted(cj__dictionary *dictionary, int index)
{
    const cj_part *part = &dictionary->board->parts[index];
    if (!two_ended(part) || part->pins[0] == part->pins[1])
        return;
    cj__suspect *suspect =
        add(dictionary, CJ_FAULT_SHORTED, part, part->kind == CJ_RESISTOR ? 0.4 : 1);
    if (suspect != NULL)
        cj__pins_joined(dictionary, suspect, index, 1, 2);
}

/* What lies in a drawer: beyond that a resistor is an open one. Judged. */
#define MOST_OHM 22e6
#define FAR_OFF 40

static void wrong_value(cj__dictionary *dictionary, int index)
{
    const cj_part *part = &dictionary->board->parts[index];
    if (!(part->kind == CJ_RESISTOR || part->kind == CJ_CAPACITOR ||
          part->kind == CJ_POTENTIOMETER))
        return;
    cj__suspect *suspect =
        add(dictionary, CJ_FAULT_WRONG_VALUE, part, part->kind == CJ_RESISTOR ? 1 : 0.6);
    if (suspect == NULL)
        return;
    cj__manner *manner = cj__manner_one(
        dictionary, suspect, (cj_edit){.kind = CJ_EDIT_VALUE, .part = index, .a = part->value}, 1);
    if (manner == NULL)
        return;
    manner->prior = CJ__PART_VALUE;
    manner->middle = part->value;
    manner->width = part->tolerance;
    manner->low = part->value * 1e-3;
    manner->high = part->value * 1e3;
    if (part->kind != CJ_CAPACITOR)
        manner->high = fmin(manner->high, fmax(part->value * FAR_OFF, MOST_OHM));
}

static void reversed(cj__dictionary *dictionary, int index)
{
    const cj_part *part = &dictionary->board->parts[index];
    bool turns =
        part->kind == CJ_POTENTIOMETER || part->kind == CJ_TRANSFORMER || part->kind == CJ_DIODE;
    if (!turns && !(part->kind == CJ_CAPACITOR && part->polarised))
        return;
    cj__suspect *suspect = add(dictionary, CJ_FAULT_REVERSED, part, 1);
    if (suspect == NULL)
        return;
    if (turns) {
        cj__manner_one(dictionary, suspect, (cj_edit){.kind = CJ_EDIT_REVERSE, .part = index}, 1);
        return;
    }
    /* a reversed electrolytic reads like a good one until it fails (fault_physics, table) */
    suspect->silent = true;
    if (cj__suspect_manner(suspect, 0, 1) == NULL)
        dictionary->failed = true;
}

static void sections(cj__dictionary *dictionary, int index)
{
    const cj_board *board = dictionary->board;
    const cj_part *part = &board->parts[index];
    for (int s = 0; s < part->section_count && board->v_plus != CJ_NO_NET; s++) {
        for (int side = 0; side < 2 && !dictionary->failed; side++) {
            cj__suspect *suspect = add(dictionary, CJ_FAULT_AT_RAIL, part, 1);
            if (suspect == NULL)
                return;
            suspect->fault.pin = part->sections[s].out;
            snprintf(suspect->fault.rail, sizeof suspect->fault.rail, "%s", side ? "v-" : "v+");
            cj__section_held(dictionary, suspect, index, s, side ? CJ_LOW : CJ_HIGH, 1);
        }
    }
}

/* Out of its own specification: offset of either sign, or a gain-bandwidth product or gain far too
 * small. */
static void weak_section(cj__dictionary *dictionary, int index, int s, int figure)
{
    static const char *const names[] = {"offset", "gbw", "gain"};
    static const cj_section_figure figures[] = {CJ_OFFSET, CJ_GBW, CJ_GAIN};
    const cj_part *part = &dictionary->board->parts[index];
    cj__suspect *suspect = add(dictionary, CJ_FAULT_WEAK, part, figure == 0 ? 1 : 0.4);
    if (suspect == NULL)
        return;
    suspect->fault.pin = part->sections[s].out;
    snprintf(suspect->fault.figure, sizeof suspect->fault.figure, "%s", names[figure]);
    for (int sign = 0; sign < (figure == 0 ? 2 : 1); sign++) {
        cj_edit edit = {.kind = CJ_EDIT_FIGURE,
                        .part = index,
                        .pin = part->sections[s].out,
                        .figure = figures[figure]};
        cj__manner *manner = cj__manner_one(dictionary, suspect, edit, figure == 0 ? 0.5 : 1);
        if (manner == NULL)
            return;
        manner->prior = CJ__ANY;
        manner->free_negative = sign == 1;
        if (figure == 0) {
            manner->low = fmax(3 * part->opamp.offset_v, 5e-3);
            manner->high = fmax(2, 2 * manner->low);
        } else {
            double nominal = figure == 1 ? part->opamp.gbw_hz : part->opamp.gain;
            manner->low = nominal / 1e4;
            manner->high = nominal / 4;
        }
    }
}

static void weak(cj__dictionary *dictionary, int index)
{
    const cj_part *part = &dictionary->board->parts[index];
    for (int s = 0; s < part->section_count; s++)
        for (int figure = 0; figure < 3 && !dictionary->failed; figure++)
            weak_section(dictionary, index, s, figure);
}

static double reference_number(const char *ref)
{
    const char *digits = ref + strcspn(ref, "0123456789");
    double number = 0;
    for (; *digits >= '0' && *digits <= '9'; digits++)
        number = number * 10 + (*digits - '0');
    return number;
}

/* Neighbours by number, or sharing a net that is not a rail or ground. */
static bool neighbours(const cj_board *board, const cj_part *a, const cj_part *b)
{
    size_t letters = strcspn(a->ref, "0123456789");
    if (letters == strcspn(b->ref, "0123456789") && strncmp(a->ref, b->ref, letters) == 0 &&
        fabs(reference_number(a->ref) - reference_number(b->ref)) == 1)
        return true;
    for (size_t i = 0; i < a->pin_count; i++)
        for (size_t j = 0; j < b->pin_count; j++)
            if (a->pins[i] == b->pins[j] && a->pins[i] > CJ_GND && a->pins[i] != board->v_plus &&
                a->pins[i] != board->v_minus)
                return true;
    return false;
}

static void swapped(cj__dictionary *dictionary, int index)
{
    const cj_board *board = dictionary->board;
    const cj_part *a = &board->parts[index];
    if (!(a->kind == CJ_RESISTOR || a->kind == CJ_CAPACITOR))
        return;
    for (size_t i = (size_t)index + 1; i < board->part_count && !dictionary->failed; i++) {
        const cj_part *b = &board->parts[i];
        if (b->kind != a->kind || fabs(log(a->value / b->value)) < log(1.05) ||
            !neighbours(board, a, b))
            continue;
        cj__suspect *suspect = add(dictionary, CJ_FAULT_SWAPPED, a, 1);
        if (suspect == NULL)
            return;
        snprintf(suspect->fault.other, sizeof suspect->fault.other, "%s", b->ref);
        cj__manner *manner = cj__suspect_manner(suspect, 2, 1);
        if (manner == NULL) {
            dictionary->failed = true;
            return;
        }
        manner->tolerant = true;
        manner->edits[0] = (cj_edit){.kind = CJ_EDIT_VALUE, .part = index, .a = b->value};
        manner->edits[1] = (cj_edit){.kind = CJ_EDIT_VALUE, .part = (int)i, .a = a->value};
        /* each took its own tolerance along; places have theirs: the wider part lacks the rest */
        double wider = b->tolerance * b->tolerance - a->tolerance * a->tolerance;
        if (wider != 0)
            cj__also_unknown(manner, wider > 0 ? 0 : 1, false, sqrt(fabs(wider) / 3));
    }
}

/* A rail gone, or low: a third or more of it missing. */
static void unpowered(cj__dictionary *dictionary)
{
    const cj_board *board = dictionary->board;
    for (int side = 0; side < 2 && board->v_plus != CJ_NO_NET; side++) {
        if (side == 1 && board->v_minus == CJ_GND)
            return;
        cj__suspect *suspect = add(dictionary, CJ_FAULT_UNPOWERED, NULL, 1);
        if (suspect == NULL)
            return;
        snprintf(suspect->fault.rail, sizeof suspect->fault.rail, "%s", side ? "v-" : "v+");
        cj__rail_missing(dictionary, suspect, side ? -1 : 1);
    }
}

/* Priors become shares of the kinds, healthy apart. */
static void normalise(cj__suspects *suspects)
{
    double total[sizeof share / sizeof share[0]] = {0};
    for (size_t i = 1; i < suspects->count; i++)
        total[suspects->items[i].fault.kind] += suspects->items[i].prior;
    for (size_t i = 1; i < suspects->count; i++) {
        cj_fault_kind kind = suspects->items[i].fault.kind;
        suspects->items[i].prior *= share[kind] / total[kind];
    }
}

/* A pin whose loss is not modelled (balance, compensation): it reads like a good one here. */
static void fill_silent(cj__dictionary *dictionary)
{
    for (size_t i = 0; i < dictionary->suspects->count && !dictionary->failed; i++) {
        cj__suspect *suspect = &dictionary->suspects->items[i];
        if (suspect->count > 0)
            continue;
        suspect->silent = true;
        dictionary->failed = cj__suspect_manner(suspect, 0, 1) == NULL;
    }
}

cj_status cj__suspects_make(const cj_board *board, cj__suspects **out, cj_error *err)
{
    cj__dictionary dictionary = {.board = board};
    cj_status status = cj__suspects_new(&dictionary.suspects, err);
    if (status != CJ_OK)
        return status;
    for (int i = 0; i < (int)board->part_count && !dictionary.failed; i++) {
        open_pins(&dictionary, i);
        bridges(&dictionary, i);
        shorted(&dictionary, i);
        wrong_value(&dictionary, i);
        reversed(&dictionary, i);
        sections(&dictionary, i);
        weak(&dictionary, i);
        swapped(&dictionary, i);
    }
    unpowered(&dictionary);
    fill_silent(&dictionary);
    if (dictionary.failed) {
        cj__suspects_free(dictionary.suspects);
        return cj_fail_memory(err);
    }
    normalise(dictionary.suspects);
    *out = dictionary.suspects;
    return CJ_OK;
}
