/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Faults in words: part, pin, mechanism; and what to do with a meter. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "diagnosis/answer.h"

static const cj_part *part_of(const cj_board *board, const cj_fault *fault)
{
    int index = cj_board_part(board, fault->part);
    return index >= 0 ? &board->parts[index] : NULL;
}

/* A resistor between two nets, NULL where there is none. */
static const cj_part *between(const cj_board *board, int a, int b)
{
    for (size_t i = 0; i < board->part_count; i++) {
        const cj_part *part = &board->parts[i];
        if (part->kind == CJ_RESISTOR && ((part->pins[0] == a && part->pins[1] == b) ||
                                          (part->pins[0] == b && part->pins[1] == a)))
            return part;
    }
    return NULL;
}

enum pin_role { NO_ROLE, OUTPUT, INVERTING, PLUS, V_PLUS, V_MINUS };

static enum pin_role role_of(const cj_part *part, int pin, const cj_section **section)
{
    for (int s = 0; s < part->section_count; s++) {
        *section = &part->sections[s];
        if (pin == (*section)->out)
            return OUTPUT;
        if (pin == (*section)->inverting)
            return INVERTING;
        if (pin == (*section)->plus)
            return PLUS;
        if (pin == (*section)->v_plus)
            return V_PLUS;
        if (pin == (*section)->v_minus)
            return V_MINUS;
    }
    return NO_ROLE;
}

static const char *role_word(enum pin_role role)
{
    static const char *const words[] = {"",
                                        "output",
                                        "inverting input",
                                        "non-inverting input",
                                        "positive supply",
                                        "negative supply"};
    return words[role];
}

static void open_opamp(const cj_board *board, const cj_part *part, const cj_fault *fault,
                       cj_text *out)
{
    const cj_section *section = NULL;
    enum pin_role role = role_of(part, fault->pin, &section);
    cj_text_add(out, "%s pin %d (%s) makes no contact", part->ref, fault->pin, role_word(role));
    if (role == OUTPUT) {
        const cj_part *feedback =
            between(board, part->pins[section->out - 1], part->pins[section->inverting - 1]);
        if (feedback != NULL)
            cj_text_add(out, "; the signal only leaks past it through %s", feedback->ref);
    } else if (role == INVERTING || role == PLUS) {
        cj_text_add(out, "; the input floats and the output runs away");
    } else {
        cj_text_add(out, "; the whole package lacks that supply");
    }
}

static void open_pin(const cj_board *board, const cj_part *part, const cj_fault *fault,
                     cj_text *out)
{
    if (part->kind == CJ_OPAMP)
        open_opamp(board, part, fault, out);
    else if (part->pin_count == 2)
        cj_text_add(out, "%s is open: one of its ends makes no contact, or it is broken",
                    part->ref);
    else
        cj_text_add(out, "%s pin %d makes no contact", part->ref, fault->pin);
}

static const char *unit_of(const cj_part *part)
{
    return part->kind == CJ_CAPACITOR ? "F" : "ohm";
}

static void wrong_value(const cj_part *part, const cj_fault *fault, cj_text *out)
{
    char written[24], found[24], low[24], high[24];
    cj_value_text(part->value, written, sizeof written);
    if (!isfinite(fault->value)) {
        cj_text_add(out, "%s is not %s", part->ref, written);
        return;
    }
    cj_value_text(fault->value, found, sizeof found);
    cj_value_text(fault->low, low, sizeof low);
    cj_value_text(fault->high, high, sizeof high);
    bool snaps = isfinite(fault->value) && fault->nearest[0] != '\0';
    cj_text_add(out, "%s acts as %s instead of %s; marked %s to %s %s", part->ref, found, written,
                low, high, unit_of(part));
    if (snaps)
        cj_text_add(out, ", nearest preferred value %s", fault->nearest);
}

static void reversed(const cj_part *part, cj_text *out)
{
    static const char *const words[] = {
        [CJ_POTENTIOMETER] = "is connected the wrong way round: its ends are interchanged",
        [CJ_TRANSFORMER] = "has one winding reversed",
        [CJ_DIODE] = "is the wrong way round",
        [CJ_CAPACITOR] = "is the wrong way round (polarised)",
        [CJ_OPAMP] = "is reversed"};
    cj_text_add(out, "%s %s", part->ref, words[part->kind] ? words[part->kind] : "is reversed");
}

static void weak(const cj_part *part, const cj_fault *fault, cj_text *out)
{
    const char *what = strcmp(fault->figure, "offset") == 0 ? "has too large an offset"
                       : strcmp(fault->figure, "gbw") == 0  ? "is too slow (gain-bandwidth product)"
                       : strcmp(fault->figure, "gain") == 0 ? "has too little open-loop gain"
                                                            : "is out of its specification";
    cj_text_add(out, "the op-amp at %s pin %d %s", part->ref, fault->pin, what);
}

static void say_one(const cj_board *board, const cj_fault *fault, cj_text *out)
{
    const cj_part *part = part_of(board, fault);
    if (fault->kind == CJ_FAULT_UNPOWERED) {
        cj_text_add(out, "the supply %s is missing on the whole board", fault->rail);
        return;
    }
    if (part == NULL) {
        cj_text_add(out, "%s",
                    fault->role[0] ? fault->role : "something outside the board's parts");
        return;
    }
    switch (fault->kind) {
    case CJ_FAULT_OPEN_PIN:
        open_pin(board, part, fault, out);
        break;
    case CJ_FAULT_BRIDGE:
        cj_text_add(out, "%s pins %d and %d are joined (solder bridge)", part->ref, fault->pin,
                    fault->pin2);
        break;
    case CJ_FAULT_SHORTED:
        cj_text_add(out, "%s is shorted", part->ref);
        break;
    case CJ_FAULT_WRONG_VALUE:
        wrong_value(part, fault, out);
        break;
    case CJ_FAULT_SWAPPED:
        cj_text_add(out, "%s and %s are interchanged", part->ref, fault->other);
        break;
    case CJ_FAULT_REVERSED:
        reversed(part, out);
        break;
    case CJ_FAULT_AT_RAIL:
        cj_text_add(out, "the op-amp at %s pin %d is dead, its output at %s", part->ref, fault->pin,
                    fault->rail);
        break;
    case CJ_FAULT_WEAK:
        weak(part, fault, out);
        break;
    default:
        cj_text_add(out, "%s", fault->role);
        break;
    }
}

static char *finish(cj_text *text)
{
    char *result = text->failed || text->bytes == NULL ? NULL : cj_copy_text(text->bytes);
    if (result != NULL && result[0] >= 'a' && result[0] <= 'z')
        result[0] = (char)(result[0] - 'a' + 'A');
    cj_text_free(text);
    return result;
}

char *cj__fault_says(const cj_board *board, const cj_fault *fault)
{
    cj_text text = {0};
    say_one(board, fault, &text);
    if (fault->with != NULL) {
        cj_text_add(&text, ", and ");
        say_one(board, fault->with, &text);
    }
    return finish(&text);
}

/* ---- what to do ---- */

static const char *net_name(const cj_board *board, int net)
{
    return net == CJ_NO_NET ? "nothing" : board->nets[net];
}

static void check_open(const cj_board *board, const cj_part *part, const cj_fault *fault,
                       cj_text *out)
{
    if (part->pin_count == 2 && part->kind == CJ_RESISTOR) {
        char value[24];
        cj_value_text(part->value, value, sizeof value);
        cj_text_add(
            out,
            "measure %s in place from net %s to net %s (%s or a little less expected), then "
            "reflow both ends",
            part->ref, net_name(board, part->pins[0]), net_name(board, part->pins[1]), value);
        return;
    }
    int pin = part->pin_count == 2 ? 1 : fault->pin;
    cj_text_add(
        out,
        "buzz from the metal of %s pin %d to net %s (a part's leg, not the pad), then reflow the "
        "pin",
        part->ref, pin, net_name(board, part->pins[pin - 1]));
}

static void check_one(const cj_board *board, const cj_fault *fault, cj_text *out)
{
    const cj_part *part = part_of(board, fault);
    if (fault->kind == CJ_FAULT_UNPOWERED) {
        cj_text_add(out,
                    "power on, meter on DC: %s at the supply's connector, then at each package",
                    fault->rail);
        return;
    }
    if (part == NULL) {
        cj_text_add(out, "look at cables, supply and settings before the board");
        return;
    }
    const char *first = net_name(board, part->pins[0]);
    switch (fault->kind) {
    case CJ_FAULT_OPEN_PIN:
        check_open(board, part, fault, out);
        break;
    case CJ_FAULT_BRIDGE:
        cj_text_add(
            out,
            "look at %s pins %d and %d with a lens and measure between them (near 0 ohm: bridged)",
            part->ref, fault->pin, fault->pin2);
        break;
    case CJ_FAULT_SHORTED:
        cj_text_add(out, "measure across %s (near 0 ohm: shorted), lift one end to be sure",
                    part->ref);
        break;
    case CJ_FAULT_WRONG_VALUE:
    case CJ_FAULT_SWAPPED:
        cj_text_add(out, "read the marking of %s%s%s and measure with one end lifted", part->ref,
                    fault->other[0] ? " and " : "", fault->other);
        break;
    case CJ_FAULT_REVERSED:
        cj_text_add(out, "compare how %s is fitted with the drawing; pin 1 belongs on net %s",
                    part->ref, first);
        break;
    case CJ_FAULT_AT_RAIL:
        cj_text_add(
            out,
            "power on, meter on DC: %s pin %d and its inputs; inputs that would drive it elsewhere "
            "mean a dead op-amp: exchange it",
            part->ref, fault->pin);
        break;
    default:
        cj_text_add(out, "exchange %s for a good one", part->ref);
        break;
    }
}

char *cj__fault_check(const cj_board *board, const cj_fault *fault)
{
    cj_text text = {0};
    check_one(board, fault, &text);
    if (fault->with != NULL) {
        cj_text_add(&text, "; then ");
        check_one(board, fault->with, &text);
    }
    return finish(&text);
}
