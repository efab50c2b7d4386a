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
    /* a bridge of a rail to ground is that rail missing on the whole board: every section is held
     */
    const cj__suspect *rail = find(suspects, CJ_FAULT_BRIDGE, "U1", 3, 4);
    assert_int_equal(rail->manners[0].edit_count, 6);
    assert_int_equal(rail->manners[0].edits[0].kind, CJ_EDIT_MODE);
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
    cj__suspects_free(suspects);
    cj_board_free(board);
}
