/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "coldjoint/board.h"

static const char *const words[] = {
#define CJ_FAULT_WORD(name, word) [name] = word,
    CJ_FAULT_LIST(CJ_FAULT_WORD)
#undef CJ_FAULT_WORD
};

const char *cj_fault_word(cj_fault_kind kind)
{
    size_t count = sizeof words / sizeof words[0];
    return (size_t)kind < count ? words[kind] : "outside";
}
