/* SPDX-License-Identifier: GPL-3.0-or-later */
/* dice.h - seeded random numbers that are the same everywhere: splitmix64 (Steele, Lea, Flood 2014,
 * "Fast splittable pseudorandom number generators"; from memory). */
#ifndef CJ_BASE_DICE_H
#define CJ_BASE_DICE_H

#include <stdint.h>

static inline uint64_t cj__dice_bits(uint64_t *state)
{
    uint64_t z = *state += 0x9e3779b97f4a7c15u;
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

/* 0 < u < 1 */
static inline double cj__dice_uniform(uint64_t *state)
{
    return ((double)(cj__dice_bits(state) >> 11) + 0.5) * 0x1p-53;
}

#endif
