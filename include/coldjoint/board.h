/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * board.h - what a fault is. (The board file itself comes to live here too.)
 */
#ifndef COLDJOINT_BOARD_H
#define COLDJOINT_BOARD_H

#include "coldjoint/base.h"

#ifdef __cplusplus
extern "C" {
#endif

/* The one list of fault kinds: enumerator, word as written in JSON and on a command line. */
#define CJ_FAULT_LIST(X)                                                                           \
    X(CJ_FAULT_OPEN_PIN, "open-pin")                                                               \
    X(CJ_FAULT_BRIDGE, "bridge")                                                                   \
    X(CJ_FAULT_SHORTED, "shorted")                                                                 \
    X(CJ_FAULT_WRONG_VALUE, "wrong-value")                                                         \
    X(CJ_FAULT_SWAPPED, "swapped")                                                                 \
    X(CJ_FAULT_REVERSED, "reversed")                                                               \
    X(CJ_FAULT_AT_RAIL, "at-rail")                                                                 \
    X(CJ_FAULT_WEAK, "weak")                                                                       \
    X(CJ_FAULT_UNPOWERED, "unpowered")                                                             \
    X(CJ_FAULT_OUTSIDE, "outside")

typedef enum cj_fault_kind {
#define CJ_FAULT_ENUM(name, word) name,
    CJ_FAULT_LIST(CJ_FAULT_ENUM)
#undef CJ_FAULT_ENUM
} cj_fault_kind;

CJ_API const char *cj_fault_word(cj_fault_kind kind);

/* One fault. Strings that do not apply are empty, pins 0, values NaN. */
typedef struct cj_fault {
    cj_fault_kind kind;
    char part[32];
    int pin, pin2;
    double value, low, high; /* wrong-value: ohm or farad, and its 90 % interval */
    char nearest[16];
    char other[32];
    char rail[16];
    char figure[24];
    char role[96];           /* outside: the place in words, "summing op-amp, output pin" */
} cj_fault;

#ifdef __cplusplus
}
#endif
#endif
