/* SPDX-License-Identifier: GPL-3.0-or-later */
/* board_dump.c - prints a board as the library reads it, as JSON: the figures that it computes
 * with, so that an outside check of the circuit can use the same ones; parts, pins and steps, so
 * that a second reader of the board file can be compared with the library's.  board_dump BOARD */
#include <math.h>
#include <stdio.h>

#include "coldjoint/board.h"

static void number(const char *key, double value, const char *end)
{
    printf("\"%s\": ", key);
    if (isfinite(value))
        printf("%.17g%s", value, end);
    else
        printf("%s%s", value > 0 ? "1e999" : value < 0 ? "-1e999" : "null", end);
}

static void print_opamp(const cj_part *part)
{
    const cj_opamp *amp = &part->opamp;
    static const int way[] = {[CJ_BIAS_UNKNOWN] = 0, [CJ_BIAS_IN] = 1, [CJ_BIAS_OUT] = -1};
    printf("{\"figures\": {");
    number("gbw", amp->gbw_hz, ", ");
    number("slew", amp->slew_v_per_s, ", ");
    number("gain", amp->gain, ", ");
    number("offset", amp->ideal ? 0 : amp->offset_v, ", ");
    number("bias", amp->ideal ? 0 : amp->bias_a, ", ");
    number("swing", amp->swing_v, ", ");
    number("output", amp->output_ohm, ", ");
    number("input", amp->input_ohm, ", ");
    printf("\"way\": %d, \"clamped\": %s}, \"sections\": [", way[amp->bias_way],
           amp->clamped ? "true" : "false");
    for (int s = 0; s < part->section_count; s++) {
        const cj_section *of = &part->sections[s];
        printf("%s[%d, %d, %d, %d, %d]", s ? ", " : "", of->out, of->inverting, of->plus,
               of->v_plus, of->v_minus);
    }
    printf("]}");
}

static void print_opamps(const cj_board *board)
{
    const char *between = "";
    printf("\"opamps\": {");
    for (size_t k = 0; k < board->part_count; k++) {
        if (board->parts[k].kind != CJ_OPAMP)
            continue;
        printf("%s\"%s\": ", between, board->parts[k].ref);
        print_opamp(&board->parts[k]);
        between = ",\n ";
    }
    between = "";
    printf("},\n\"diodes\": {");
    for (size_t k = 0; k < board->part_count; k++) {
        const cj_part *part = &board->parts[k];
        if (part->kind != CJ_DIODE)
            continue;
        printf("%s\"%s\": [%.17g, %.17g, %.17g]", between, part->ref, part->diode.saturation_a,
               part->diode.emission, part->diode.series_ohm);
        between = ", ";
    }
    printf("},\n");
}

static void print_parts(const cj_board *board)
{
    printf("\"parts\": {");
    for (size_t k = 0; k < board->part_count; k++) {
        const cj_part *part = &board->parts[k];
        printf("%s\"%s\": {\"kind\": \"%s\", ", k ? ",\n " : "", part->ref,
               cj_part_word(part->kind));
        number("value", part->value, ", ");
        number("tolerance", part->tolerance, ", ");
        printf("\"pins\": [");
        for (size_t p = 0; p < part->pin_count; p++)
            printf("%s\"%s\"", p ? ", " : "",
                   part->pins[p] == CJ_NO_NET ? "nc" : board->nets[part->pins[p]]);
        printf("]}");
    }
    printf("},\n");
}

static void print_step(const cj_board *board, const cj_step *step)
{
    printf("{\"step\": \"%s\", \"drive\": \"%s\", \"shape\": %d, ", step->name,
           step->drive < 0 ? "none" : board->nets[board->inputs[step->drive].net],
           (int)step->shape);
    number("hz", step->hz[0], ", ");
    number("peak", step->peak[0], ", ");
    printf("\"set\": {");
    const char *between = "";
    for (size_t k = 0; k < board->part_count; k++) {
        const cj_part *part = &board->parts[k];
        if (part->kind == CJ_SWITCH)
            printf("%s\"%s\": \"%s\"", between, part->ref,
                   part->positions[(size_t)step->settings[k]].name);
        else if (part->kind == CJ_POTENTIOMETER)
            printf("%s\"%s\": %.17g", between, part->ref, step->settings[k]);
        else
            continue;
        between = ", ";
    }
    printf("}, \"see\": [");
    for (int c = 0; c < step->see_count; c++) {
        char view[80];
        cj_board_view_text(board, step->see[c], view, sizeof view);
        printf("%s\"%s\"", c ? ", " : "", view);
    }
    printf("]}");
}

int main(int argc, char **argv)
{
    cj_board *board = NULL;
    cj_errors errors = {0};
    if (argc != 2 || cj_board_read(argv[1], &board, &errors) != CJ_OK) {
        fprintf(stderr, "board_dump: %s\n", argc == 2 ? errors.items[0].message : "BOARD");
        return 1;
    }
    printf("{\"board\": \"%s\",\n", board->name);
    print_opamps(board);
    print_parts(board);
    printf("\"steps\": [");
    for (size_t k = 0; k < board->step_count; k++) {
        printf(k ? ",\n " : "");
        print_step(board, &board->steps[k]);
    }
    printf("]}\n");
    cj_board_free(board);
    return 0;
}
