/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Fuzz target: any bytes as a board file, and as a fault on a command line. A board that is read
 * keeps the promise of its header (every index in range, every value finite and possible), a
 * refusal its own; a fault that is read is written and read back as the same.
 */
#include "coldjoint/board.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool holds)
{
    if (!holds)
        abort();
}

static bool is_net(const cj_board *board, int net)
{
    return net >= 0 && (size_t)net < board->net_count;
}

static bool within(double value, double low, double high)
{
    return value >= low && value <= high; /* false for NaN */
}

static void check_opamp(const cj_part *part)
{
    const cj_opamp *opamp = &part->opamp;
    must(part->section_count >= 1 && part->section_count <= 4);
    for (int i = 0; i < part->section_count; i++) {
        const cj_section *section = &part->sections[i];
        int pins = (int)part->pin_count;
        must(section->out >= 1 && section->out <= pins && cj_part_section(part, section->out) == i);
        must(section->inverting >= 1 && section->inverting <= pins);
        must(section->plus >= 1 && section->plus <= pins);
        must(section->v_plus >= 0 && section->v_plus <= pins);
        must(section->v_minus >= 0 && section->v_minus <= pins);
    }
    must(opamp->gbw_hz > 0 && isfinite(opamp->gbw_hz) && opamp->slew_v_per_s > 0);
    must(isfinite(opamp->slew_v_per_s) && opamp->gain >= 10 && isfinite(opamp->gain));
    must(within(opamp->offset_v, 0, 2) && within(opamp->bias_a, 0, 1e-3));
    must(within(opamp->swing_v, 0, 100) && opamp->output_ohm > 0 && opamp->input_ohm > 0);
}

static void check_part(const cj_board *board, const cj_part *part)
{
    must(part->ref[0] != '\0' && part->pin_count >= 2 && part->line > 0);
    for (size_t i = 0; i < part->pin_count; i++)
        must(part->pins[i] == CJ_NO_NET || is_net(board, part->pins[i]));
    bool valued =
        part->kind == CJ_RESISTOR || part->kind == CJ_CAPACITOR || part->kind == CJ_POTENTIOMETER;
    must(valued ? within(part->value, 1e-15, 1e12) : isnan(part->value));
    must(within(part->tolerance, 0, 0.9));
    must((part->kind == CJ_SWITCH) == (part->position_count > 0));
    for (size_t i = 0; i < part->position_count; i++) {
        const cj_position *position = &part->positions[i];
        must(position->name[0] != '\0');
        for (size_t k = 0; k < position->pair_count; k++) {
            const int *pair = position->pairs[k];
            must(pair[0] >= 1 && (size_t)pair[0] <= part->pin_count && pair[0] != pair[1]);
            must(pair[1] >= 1 && (size_t)pair[1] <= part->pin_count);
        }
    }
    if (part->kind == CJ_TRANSFORMER)
        must(part->pin_count == 4 && part->ratio > 0 && part->inductance_h > 0 &&
             part->winding_ohm[0] > 0 && part->winding_ohm[1] > 0 && within(part->coupling, 0, 1));
    if (part->kind == CJ_DIODE)
        must(part->diode.saturation_a > 0 && part->diode.emission >= 1);
    if (part->kind == CJ_OPAMP)
        check_opamp(part);
}

static void check_view(const cj_board *board, cj_view view)
{
    char text[80];
    cj_view back;
    must(is_net(board, view.net) && is_net(board, view.against) && view.net != view.against);
    cj_board_view_text(board, view, text, sizeof text);
    must(cj_board_view(board, text, &back));
    must(back.net == view.net && back.against == view.against);
}

static void check_step(const cj_board *board, const cj_step *step)
{
    must(step->name[0] != '\0' && step->see_count >= 1 && step->see_count <= 2);
    must(step->drive >= -1 && step->drive < (int)board->input_count);
    must((step->drive < 0) == (step->shape == CJ_QUIET) && !(step->power_off && step->drive >= 0));
    for (int i = 0; i < 2; i++)
        must(within(step->hz[i], 0, 1e7) && within(step->peak[i], 0, 1000));
    must(within(step->from, 0, 1e7) && within(step->to, 0, 1e7) && within(step->rms, 0, 1000));
    must(within(step->seconds, 0, 3600) && within(step->wait_s, 0, 3600));
    for (int i = 0; i < step->see_count; i++)
        check_view(board, step->see[i]);
    for (size_t i = 0; i < board->part_count; i++) {
        const cj_part *part = &board->parts[i];
        double setting = step->settings[i];
        if (part->kind == CJ_SWITCH)
            must(within(setting, 0, (double)part->position_count - 1) && setting == floor(setting));
        else if (part->kind == CJ_POTENTIOMETER)
            must(within(setting, 0, 1));
        else
            must(isnan(setting));
    }
}

static void check_board(const cj_board *board)
{
    must(board->name[0] != '\0' && board->title != NULL && strcmp(board->nets[0], "gnd") == 0);
    must(board->part_count > 0 && board->step_count > 0);
    if (board->v_plus != CJ_NO_NET) {
        must(is_net(board, board->v_plus) && within(board->v_plus_v, 0.1, 1000));
        must(is_net(board, board->v_minus) && within(board->v_minus_v, -1000, 0));
    }
    for (size_t i = 0; i < board->part_count; i++) {
        check_part(board, &board->parts[i]);
        must(cj_board_part(board, board->parts[i].ref) == (int)i);
    }
    for (size_t i = 0; i < board->input_count; i++)
        must(is_net(board, board->inputs[i].net) && within(board->inputs[i].source_ohm, 1e-3, 1e9));
    for (size_t i = 0; i < board->output_count; i++)
        must(is_net(board, board->outputs[i].net) && board->outputs[i].load_ohm > 0);
    for (size_t i = 0; i < board->step_count; i++) {
        check_step(board, &board->steps[i]);
        must(cj_board_step(board, board->steps[i].name) == (int)i);
    }
    for (size_t i = 0; i < board->limit_count; i++) {
        const cj_limit *limit = &board->limits[i];
        must(limit->from_tolerance ? within(limit->sigmas, 0.5, 20) : limit->min <= limit->max);
        if (limit->of.net != CJ_NO_NET)
            check_view(board, limit->of);
    }
}

/* In the file's order, each on one line, at a place. */
static void check_errors(cj_status status, const cj_errors *errors)
{
    must(errors->count >= 1 && errors->count <= CJ_BOARD_ERRORS && status == CJ_DATA);
    for (int i = 0; i < errors->count; i++) {
        const cj_error *error = &errors->items[i];
        must(strcmp(error->file, "fuzz.yaml") == 0 && error->message[0] != '\0');
        must(strchr(error->message, '\n') == NULL && error->status == CJ_DATA);
        must(i == 0 || error->line > error[-1].line ||
             (error->line == error[-1].line && error->column >= error[-1].column));
    }
}

static void check_fault(const uint8_t *data, size_t size)
{
    char text[600];
    size_t length = size < sizeof text - 1 ? size : sizeof text - 1;
    cj_fault fault;
    cj_error err = {0};
    memcpy(text, data, length);
    text[length] = '\0';
    cj_status status = cj_fault_read(text, &fault, &err);
    if (status != CJ_OK) {
        must(status == CJ_DATA && err.message[0] != '\0' && strchr(err.message, '\n') == NULL);
        return;
    }
    cj_text first = {0}, second = {0};
    cj_fault again, copy;
    cj_fault_text(&fault, &first);
    must(!first.failed && cj_fault_read(first.bytes, &again, NULL) == CJ_OK);
    must(cj_fault_copy(&copy, &again));
    cj_fault_text(&copy, &second);
    must(strcmp(first.bytes, second.bytes) == 0);
    cj_text_free(&first);
    cj_text_free(&second);
    cj_fault_clear(&fault);
    cj_fault_clear(&again);
    cj_fault_clear(&copy);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    cj_board *board = NULL;
    cj_errors errors;
    cj_status status = cj_board_read_text("fuzz.yaml", (const char *)data, size, &board, &errors);
    must((status == CJ_OK) == (board != NULL));
    if (status == CJ_OK)
        check_board(board);
    else
        check_errors(status, &errors);
    cj_board_free(board);
    check_fault(data, size);
    return 0;
}
