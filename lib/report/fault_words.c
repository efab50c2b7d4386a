/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A fault in words, as someone at the bench would say it. */
#include "report/board.h"

#include <math.h>
#include <string.h>

static const cj_part *part_of(const cj_board *board, const char *ref)
{
    int index = board != NULL && ref[0] ? cj_board_part(board, ref) : CJ_NO_PART;
    return index >= 0 ? &board->parts[index] : NULL;
}

static void write_pin(cj_text *out, const cj_board *board, const cj_fault *fault)
{
    const cj_part *part = part_of(board, fault->part);
    cj__write_clean(out, fault->part);
    /* which end of a two-pin part it is makes no difference to any reading */
    if (part == NULL || part->pin_count != 2)
        cj_text_add(out, " pin %d", fault->pin);
    cj_text_add(out, " makes no contact");
}

static void write_value(cj_text *out, const cj_board *board, const cj_fault *fault)
{
    const cj_part *part = part_of(board, fault->part);
    char text[32] = "";
    cj__write_clean(out, fault->part);
    cj_text_add(out, " is ");
    if (!fault->nearest[0] && isfinite(fault->value))
        cj_value_text(fault->value, text, sizeof text);
    cj__write_clean(out, fault->nearest[0] ? fault->nearest : text[0] ? text : "of another value");
    if (part == NULL || !isfinite(part->value))
        return;
    cj_value_text(part->value, text, sizeof text);
    cj_text_add(out, " instead of ");
    cj__write_clean(out, text);
}

static void write_weak(cj_text *out, const cj_fault *fault)
{
    static const char *const words[][2] = {
        {"offset", "offset out of specification"},
        {"bias", "bias current out of specification"},
        {"gbw", "slower than it should be (gain-bandwidth product)"},
        {"slew", "slew rate out of specification"},
        {"swing", "output swing short of its specification"},
        {"gain", "open-loop gain out of specification"},
    };
    cj__write_clean(out, fault->part);
    if (fault->pin > 0)
        cj_text_add(out, ", output pin %d", fault->pin);
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (strcmp(words[i][0], fault->figure) == 0) {
            cj_text_add(out, ": %s", words[i][1]);
            return;
        }
    cj_text_add(out, " is out of specification");
}

static void write_single(cj_text *out, const cj_board *board, const cj_fault *fault)
{
    switch (fault->kind) {
    case CJ_FAULT_OPEN_PIN:
        write_pin(out, board, fault);
        return;
    case CJ_FAULT_BRIDGE:
        cj__write_clean(out, fault->part);
        cj_text_add(out, " pins %d and %d are joined", fault->pin, fault->pin2);
        return;
    case CJ_FAULT_SHORTED:
        cj__write_clean(out, fault->part);
        cj_text_add(out, " is shorted");
        return;
    case CJ_FAULT_WRONG_VALUE:
        write_value(out, board, fault);
        return;
    case CJ_FAULT_SWAPPED:
        cj__write_clean(out, fault->part);
        cj_text_add(out, " and ");
        cj__write_clean(out, fault->other);
        cj_text_add(out, " are exchanged");
        return;
    case CJ_FAULT_REVERSED:
        cj__write_clean(out, fault->part);
        cj_text_add(out, " is the wrong way round");
        return;
    case CJ_FAULT_AT_RAIL:
        cj__write_clean(out, fault->part);
        cj_text_add(out, ", output pin %d, is stuck at ", fault->pin);
        cj__write_clean(out, fault->rail[0] ? fault->rail : "a rail");
        return;
    case CJ_FAULT_WEAK:
        write_weak(out, fault);
        return;
    case CJ_FAULT_UNPOWERED:
        cj_text_add(out, "the rail ");
        cj__write_clean(out, fault->rail);
        cj_text_add(out, " is missing or low");
        return;
    case CJ_FAULT_OUTSIDE:
        cj__write_clean(out, fault->role[0] ? fault->role : "something else");
        return;
    }
}

void cj__write_fault(cj_text *out, const cj_board *board, const cj_fault *fault)
{
    for (const cj_fault *one = fault; one != NULL; one = one->with) {
        if (one != fault)
            cj_text_add(out, " and, at the same time, ");
        write_single(out, board, one);
    }
}

void cj__write_alternatives(cj_text *out, const cj_board *board, const cj_finding *finding,
                            size_t from, size_t most)
{
    size_t count = finding->fault_count, named = 0, left = 0;
    cj_text *words = cj_new(count + 1, sizeof *words);
    if (words == NULL) {
        out->failed = true;
        return;
    }
    for (size_t i = 0; i < count; i++) {
        bool again = false;
        cj__write_fault(&words[i], board, &finding->faults[i]);
        out->failed = out->failed || words[i].failed;
        for (size_t k = 0; k < i && !again && !out->failed; k++)
            again = strcmp(words[k].bytes, words[i].bytes) == 0;
        if (i < from || again || out->failed)
            continue;
        if (named == most)
            left++;
        else
            cj_text_add(out, "%s%s", named++ ? ", or " : "", words[i].bytes);
    }
    if (left > 0)
        cj_text_add(out, ", or one of %zu more", left);
    for (size_t i = 0; i < count; i++)
        cj_text_free(&words[i]);
    cj_free(words);
}

bool cj__same_words(const cj_board *board, const cj_fault *one, const cj_fault *other)
{
    cj_text words[2] = {0};
    cj__write_fault(&words[0], board, one);
    cj__write_fault(&words[1], board, other);
    bool same = !words[0].failed && !words[1].failed && strcmp(words[0].bytes, words[1].bytes) == 0;
    cj_text_free(&words[0]);
    cj_text_free(&words[1]);
    return same;
}
