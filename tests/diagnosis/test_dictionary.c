/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Every fault of a board is enumerated, once. */
#include "check.h"

#include "board_tests.h"
#include "diagnosis/suspects.h"

static cj__suspects *suspects_of(const cj_board *board)
{
    cj__suspects *suspects = NULL;
    cj_error err;
    if (cj__suspects_make(board, &suspects, &err) != CJ_OK)
        fail_msg("%s", err.message);
    return suspects;
}

static const cj__suspect *find(const cj__suspects *suspects, cj_fault_kind kind, const char *part,
                               int pin, int pin2)
{
    const cj__suspect *found = NULL;
    for (size_t i = 1; i < suspects->count; i++) {
        const cj_fault *fault = &suspects->items[i].fault;
        if (fault->kind != kind || strcmp(fault->part, part) != 0 || fault->pin != pin ||
            fault->pin2 != pin2)
            continue;
        if (found != NULL)
            fail_msg("%s %s:%d-%d stands twice", cj_fault_word(kind), part, pin, pin2);
        found = &suspects->items[i];
    }
    return found;
}

/* A section held at its rail for a lifted input has the input lifted too. */
static void check_lifted(const cj__suspect *suspect, int pin)
{
    for (size_t m = 0; m < suspect->count; m++) {
        const cj__manner *manner = &suspect->manners[m];
        bool held = false, lifted = false;
        for (size_t e = 0; e < manner->edit_count; e++) {
            held = held || (manner->edits[e].kind == CJ_EDIT_MODE);
            lifted = lifted || (manner->edits[e].kind == CJ_EDIT_LIFT &&
                                manner->edits[e].pin == pin && manner->edits[e].a > 1e9);
        }
        if (held && !lifted)
            fail_msg("pin %d, manner %zu: at its rail, but the pin is not lifted", pin, m);
    }
}

void every_pin_can_be_open(void **state)
{
    (void)state;
    static const char *const boards[] = {"hall-mixer", "summing-stage", "biquad"};
    for (size_t b = 0; b < sizeof boards / sizeof boards[0]; b++) {
        cj_board *board = board_fixture(boards[b]);
        cj__suspects *suspects = suspects_of(board);
        for (size_t p = 0; p < board->part_count; p++) {
            const cj_part *part = &board->parts[p];
            for (int pin = 1; pin <= (int)part->pin_count; pin++) {
                /* the two ends of a two-pin part are one suspect */
                int as = part->pin_count == 2 ? 1 : pin;
                const cj__suspect *suspect = find(suspects, CJ_FAULT_OPEN_PIN, part->ref, as, 0);
                bool wanted = part->pins[pin - 1] != CJ_NO_NET;
                if ((suspect != NULL) != wanted)
                    fail_msg("%s: %s pin %d: %s", boards[b], part->ref, pin,
                             wanted ? "missing" : "nc");
                if (suspect != NULL)
                    assert_int_equal(suspect->both_pins, part->pin_count == 2);
                for (int s = 0; suspect != NULL && s < part->section_count; s++)
                    if (pin == part->sections[s].plus || pin == part->sections[s].inverting)
                        check_lifted(suspect, pin);
            }
        }
        cj__suspects_free(suspects);
        cj_board_free(board);
    }
}

void bridges_join_neighbours_of_one_row(void **state)
{
    (void)state;
    static const struct {
        const char *part;
        int pin, pin2;
        bool there;
    } cases[] = {
        {"U1", 1, 2, true},  {"U1", 2, 3, true},  {"U1", 3, 4, true},  {"U1", 4, 5, false},
        {"U1", 5, 6, true},  {"U1", 6, 7, true},  {"U1", 7, 8, true},  {"U1", 8, 1, false},
        {"U1", 1, 8, false}, {"SW1", 1, 2, true}, {"SW1", 2, 3, true}, {"SW1", 1, 3, false},
        {"RV1", 1, 2, true}, {"R1", 1, 2, false},
    };
    cj_board *board = board_fixture("hall-mixer");
    cj__suspects *suspects = suspects_of(board);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        if ((find(suspects, CJ_FAULT_BRIDGE, cases[i].part, cases[i].pin, cases[i].pin2) != NULL) !=
            cases[i].there)
            fail_msg("bridge %s:%d-%d", cases[i].part, cases[i].pin, cases[i].pin2);
    /* a bridge of a rail to ground is that rail missing on the whole board: whatever hangs on it is
     * at 0 V, and every section is held */
    const cj__suspect *rail = find(suspects, CJ_FAULT_BRIDGE, "U1", 3, 4);
    for (size_t m = 0; m < rail->count; m++) {
        assert_int_equal(rail->manners[m].edit_count, 7);
        assert_int_equal(rail->manners[m].edits[0].kind, CJ_EDIT_RAIL);
        assert_int_equal(rail->manners[m].edits[0].pin, -1);
        assert_true(rail->manners[m].edits[0].a == 0);
        assert_int_equal(rail->manners[m].edits[1].kind, CJ_EDIT_MODE);
    }
    cj__suspects_free(suspects);
    cj_board_free(board);
}

static const cj__manner *heaviest(const cj__suspect *suspect)
{
    const cj__manner *most = &suspect->manners[0];
    for (size_t m = 1; m < suspect->count; m++)
        if (suspect->manners[m].weight > most->weight)
            most = &suspect->manners[m];
    return most;
}

/* fault_physics 3: a p-channel JFET input at V- turns its output high, also where V- is ground; a
 * floating one falls, unless the positive supply is the pin beside it. And a capacitor's joint may
 * conduct a little. */
void inputs_know_their_supply(void **state)
{
    (void)state;
    static const char text[] =
        "board: one\nrails: {v+: 12}\ninputs:\n  - {net: in, source: 50}\nparts:\n"
        "  - {ref: C1, kind: capacitor, value: 1u, tolerance: 10%, pins: [in, a]}\n"
        "  - {ref: R1, kind: resistor, value: 10k, tolerance: 1%, pins: [a, b]}\n"
        "  - {ref: R2, kind: resistor, value: 100k, tolerance: 1%, pins: [b, o]}\n"
        "  - {ref: R5, kind: resistor, value: 1M, tolerance: 1%, pins: [a, gnd]}\n"
        "  - {ref: U1, kind: opamp, type: TL072, pins: [o, b, half, gnd, half, q, q, v+]}\n"
        "  - {ref: U2, kind: opamp, type: TL074, pins: [c, c, half, v+, half, d, d, e, e, half,"
        " gnd, half, f, f]}\n"
        "  - {ref: R3, kind: resistor, value: 10k, tolerance: 1%, pins: [v+, half]}\n"
        "  - {ref: R4, kind: resistor, value: 10k, tolerance: 1%, pins: [half, gnd]}\n"
        "steps:\n  - {step: a, drive: in, tone: {hz: 1000, peak: 1}, see: [in, o]}\n";
    cj_board *board = board_text(text);
    cj__suspects *suspects = suspects_of(board);
    const cj__manner *joined = heaviest(find(suspects, CJ_FAULT_BRIDGE, "U1", 3, 4));
    assert_int_equal(joined->edits[1].kind, CJ_EDIT_MODE);
    assert_int_equal(joined->edits[1].mode, CJ_HIGH);
    check_close("turned", joined->weight, 0.75, 1e-9);
    static const struct {
        const char *part;
        int pin;
        bool beside;
    } inputs[] = {{"U1", 3, false}, {"U1", 5, false}, {"U2", 3, true}, {"U2", 10, false}};
    for (size_t i = 0; i < sizeof inputs / sizeof inputs[0]; i++) {
        const cj__suspect *open =
            find(suspects, CJ_FAULT_OPEN_PIN, inputs[i].part, inputs[i].pin, 0);
        int leaks = 0;
        assert_int_equal(heaviest(open)->edits[0].mode, CJ_LOW);
        for (size_t m = 0; m < open->count; m++)
            for (size_t e = 0; e < open->manners[m].edit_count; e++)
                leaks += open->manners[m].edits[e].kind == CJ_EDIT_LEAK;
        assert_int_equal(leaks, inputs[i].beside ? 1 : 0);
    }
    const cj__suspect *open = find(suspects, CJ_FAULT_OPEN_PIN, "C1", 1, 0);
    assert_int_equal(open->count, 2);
    assert_int_equal(open->manners[1].edits[0].kind, CJ_EDIT_LIFT);
    assert_int_equal(open->manners[1].prior, CJ__ANY);
    /* up to what lies in a drawer */
    check_close("R1", find(suspects, CJ_FAULT_WRONG_VALUE, "R1", 0, 0)->manners[0].high, 10e6, 1);
    check_close("R5", find(suspects, CJ_FAULT_WRONG_VALUE, "R5", 0, 0)->manners[0].high, 40e6, 1);
    check_close("R2", find(suspects, CJ_FAULT_WRONG_VALUE, "R2", 0, 0)->manners[0].high, 22e6, 1);
    cj__suspects_free(suspects);
    cj_board_free(board);
}

void every_suspect_is_whole(void **state)
{
    (void)state;
    cj_board *board = board_fixture("hall-mixer");
    cj__suspects *suspects = suspects_of(board);
    double total = 0;
    for (size_t i = 0; i < suspects->count; i++) {
        const cj__suspect *suspect = &suspects->items[i];
        double weight = 0;
        for (size_t m = 0; m < suspect->count; m++) {
            const cj__manner *manner = &suspect->manners[m];
            weight += manner->weight;
            if (manner->prior != CJ__FIXED) {
                assert_true(manner->low > 0 && manner->high > manner->low);
                assert_true(manner->free_edit < manner->edit_count);
            }
            for (size_t e = 0; e < manner->edit_count; e++)
                if (manner->edits[e].kind != CJ_EDIT_RAIL)
                    assert_in_range(manner->edits[e].part, 0, board->part_count - 1);
        }
        check_close(suspect->fault.part, weight, 1, 1e-9);
        total += i > 0 ? suspect->prior : 0;
    }
    /* the shares of the kinds: all of them occur on this board but the swapped ones without
     * neighbours */
    check_close("priors", total, 1, 0.05);
    cj__suspects_free(suspects);
    cj_board_free(board);
}

void pairs_join_their_manners(void **state)
{
    (void)state;
    cj_board *board = board_fixture("hall-mixer");
    cj__suspects *suspects = suspects_of(board);
    const cj__suspect *value = find(suspects, CJ_FAULT_WRONG_VALUE, "R14", 0, 0);
    const cj__suspect *open = find(suspects, CJ_FAULT_OPEN_PIN, "U1", 7, 0);
    size_t first = (size_t)(open - suspects->items), second = (size_t)(value - suspects->items);
    size_t manners = open->count;
    cj__suspect *pair =
        cj__suspects_add_pair(suspects, &suspects->items[first], &suspects->items[second], 0.5);
    assert_non_null(pair);
    assert_int_equal(pair->count, manners);
    assert_int_equal(pair->manners[0].edit_count, 2);
    assert_int_equal(pair->manners[0].free_edit, 1); /* R14's value is what is searched for */
    assert_int_equal(pair->manners[0].prior, CJ__PART_VALUE);
    assert_string_equal(pair->fault.part, "U1");
    assert_non_null(pair->fault.with);
    assert_string_equal(pair->fault.with->part, "R14");
    /* and so it is when it comes first and the other has a stray to search for */
    open = find(suspects, CJ_FAULT_OPEN_PIN, "R1", 1, 0);
    assert_int_not_equal(open->manners[0].prior, CJ__FIXED);
    pair = cj__suspects_add_pair(suspects, &suspects->items[second], open, 0.5);
    assert_non_null(pair);
    assert_int_equal(pair->manners[0].free_edit, 0);
    assert_int_equal(pair->manners[0].prior, CJ__PART_VALUE);
    cj__suspects_free(suspects);
    cj_board_free(board);
}
