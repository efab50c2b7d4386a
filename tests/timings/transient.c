/* SPDX-License-Identifier: GPL-3.0-or-later */
/* transient.c - the time of one clipping transient of a step, for transient.py.
 *
 *   transient BOARD STEP [value REF A | lift REF PIN OHM FARAD]
 *
 * Netlist and transient, the median of 21 turns, as one line of JSON with what channel 2 reads. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "circuit/netlist.h"
#include "long_wav.h"

enum { TURNS = 21 };

static bool read_edit(const cj_board *board, int count, char **words, cj_edit *edit)
{
    if (count < 3)
        return false;
    *edit = (cj_edit){.part = cj_board_part(board, words[1])};
    if (strcmp(words[0], "value") == 0) {
        edit->kind = CJ_EDIT_VALUE;
        edit->a = strcmp(words[2], "inf") == 0 ? (double)INFINITY : strtod(words[2], NULL);
    } else if (count == 5) {
        edit->kind = CJ_EDIT_LIFT;
        edit->pin = atoi(words[2]);
        edit->a = strtod(words[3], NULL), edit->b = strtod(words[4], NULL);
    } else {
        return false;
    }
    return edit->part >= 0;
}

static cj_status one(const cj_board *board, const cj_step *step, const cj_variant *variant,
                     cj__transient_answer *out, cj_error *err)
{
    cj__netlist *netlist = NULL;
    cj_status status = cj__netlist_make(board, step, variant, &netlist, err);
    if (status != CJ_OK)
        return status;
    cj__transient_setup setup = {
        .hz = step->hz[0], .peak_v = step->peak[0], .channels = step->see_count};
    for (int c = 0; c < step->see_count; c++) {
        setup.see[c] = step->see[c].net - 1;
        setup.against[c] = step->see[c].against - 1;
    }
    status = cj__transient(netlist, &setup, out, err);
    cj__netlist_free(netlist);
    return status;
}

int main(int argc, char **argv)
{
    cj_board *board = NULL;
    cj_errors errors;
    cj_error err;
    cj_edit edit;
    cj__transient_answer got = {0};
    double seconds[TURNS];
    int result = 1;
    if (argc < 3 || cj_board_read(argv[1], &board, &errors) != CJ_OK)
        return 1;
    int step = cj_board_step(board, argv[2]);
    if (step < 0 || (argc > 3 && !read_edit(board, argc - 3, argv + 3, &edit)))
        goto out;
    cj_variant variant = {&edit, argc > 3};
    for (int k = 0; k < TURNS; k++) {
        double begin = processor_seconds();
        if (one(board, &board->steps[step], &variant, &got, &err) != CJ_OK) {
            fprintf(stderr, "%s\n", err.message);
            goto out;
        }
        seconds[k] = processor_seconds() - begin;
    }
    sort(seconds, TURNS);
    printf("{\"seconds\": %.6g, \"steps\": %d, \"dc\": %.6g, \"tone\": %.6g, \"thd\": %.6g}\n",
           seconds[TURNS / 2], got.steps, got.dc_v[1], hypot(got.tone[1].re, got.tone[1].im),
           got.thd[1]);
    result = 0;
out:
    cj_board_free(board);
    return result;
}
