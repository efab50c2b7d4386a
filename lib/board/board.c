/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Questions to a board that was read, and its end. */
#include "coldjoint/board.h"

#include <stdio.h>
#include <string.h>

#include "board/internal.h"

const char *cj_part_word(cj_part_kind kind)
{
    static const char *const words[] = {
#define CJ_PART_WORD(name, word) [name] = word,
        CJ_PART_LIST(CJ_PART_WORD)
#undef CJ_PART_WORD
    };
    return (size_t)kind < sizeof words / sizeof words[0] ? words[kind] : "part";
}

static void free_part(cj_part *part)
{
    for (size_t i = 0; i < part->position_count; i++)
        cj_free(part->positions[i].pairs);
    cj_free(part->positions);
    cj_free(part->pins);
}

void cj_board_free(cj_board *board)
{
    if (board == NULL)
        return;
    for (size_t i = 0; i < board->part_count; i++)
        free_part(&board->parts[i]);
    for (size_t i = 0; i < board->step_count; i++)
        cj_free(board->steps[i].settings);
    cj_free(board->title);
    cj_free(board->nets);
    cj_free(board->parts);
    cj_free(board->inputs);
    cj_free(board->outputs);
    cj_free(board->steps);
    cj_free(board->limits);
    cj_lines_free(&board->warnings);
    cj_free(board);
}

int cj_board_part(const cj_board *board, const char *ref)
{
    for (size_t i = 0; i < board->part_count; i++)
        if (strcmp(board->parts[i].ref, ref) == 0)
            return (int)i;
    return -1;
}

int cj__net_of(const cj_board *board, const char *name, size_t length)
{
    for (size_t i = 0; i < board->net_count; i++)
        if (strlen(board->nets[i]) == length && memcmp(board->nets[i], name, length) == 0)
            return (int)i;
    bool single = board->v_plus != CJ_NO_NET && board->v_minus == CJ_GND;
    return single && length == 2 && memcmp(name, "v-", 2) == 0 ? CJ_GND : -1;
}

int cj_board_net(const cj_board *board, const char *name)
{
    return cj__net_of(board, name, strlen(name));
}

int cj_board_step(const cj_board *board, const char *name)
{
    for (size_t i = 0; i < board->step_count; i++)
        if (strcmp(board->steps[i].name, name) == 0)
            return (int)i;
    return -1;
}

bool cj_board_view(const cj_board *board, const char *text, cj_view *out)
{
    int net = cj_board_net(board, text);
    int against = CJ_GND;
    /* "v-" is a net, so each dash may be the one between two nets */
    for (const char *dash = strchr(text, '-'); net < 0 && dash; dash = strchr(dash + 1, '-')) {
        net = cj__net_of(board, text, (size_t)(dash - text));
        against = cj_board_net(board, dash + 1);
        if (against < 0)
            net = -1;
    }
    if (net < 0 || (net == against && against != CJ_GND))
        return false;
    *out = (cj_view){net, against};
    return true;
}

void cj_board_view_text(const cj_board *board, cj_view view, char *text, size_t size)
{
    bool known = view.net >= 0 && (size_t)view.net < board->net_count && view.against >= 0 &&
                 (size_t)view.against < board->net_count;
    if (!known)
        snprintf(text, size, "%s", "");
    else if (view.against == CJ_GND)
        snprintf(text, size, "%s", board->nets[view.net]);
    else
        snprintf(text, size, "%s-%s", board->nets[view.net], board->nets[view.against]);
}

int cj_part_section(const cj_part *part, int pin)
{
    for (int i = 0; i < part->section_count; i++) {
        const cj_section *section = &part->sections[i];
        if (pin == section->out || pin == section->inverting || pin == section->plus)
            return i;
    }
    return -1;
}
