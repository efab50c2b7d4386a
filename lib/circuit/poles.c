/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * poles.c - does the linear circuit oscillate?
 *
 * With every section dead the circuit is passive and stable. The ratio of the determinants, F(s) =
 * det Y(s) / det Y_passive(s), is the return difference (H. W. Bode, 1945): it tends to 1 at high
 * frequency, its zeros are the poles of the closed loops. The angle that F(j w) turns through from
 * 0 to infinity is - pi for each of them in the right half plane (the principle of the argument).
 */
#include <math.h>
#include <string.h>

#include "circuit/internal.h"

/* [n] seen: scratch. 1: odd. */
static int parity(const int *permutation, int n, int *seen)
{
    int odd = 0;
    memset(seen, 0, (size_t)n * sizeof(int));
    for (int k = 0; k < n; k++) {
        for (int i = k, length = 0; !seen[i]; i = permutation[i], length++) {
            seen[i] = 1;
            odd ^= length > 0;
        }
    }
    return odd;
}

/* L U + F = P R A Q with R > 0 and the diagonal of L all 1 (KLU's user guide). */
cj__c cj__plane_direction(const cj__plane *plane)
{
    const cj__frame *frame = plane->frame;
    int n = frame->nodes, *seen = frame->seen;
    cj__c direction = 1;
    const cj__c *diagonal = plane->numeric->Udiag;
    for (int k = 0; k < n; k++) {
        double size = cabs(diagonal[k]);
        direction = cj__mul(direction, size > 0 ? diagonal[k] / size : 1);
    }
    if (parity(plane->numeric->Pnum, n, seen) != parity(frame->symbolic->Q, n, seen))
        direction = -direction;
    return direction;
}
