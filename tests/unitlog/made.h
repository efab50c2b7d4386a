/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * made.h - runs of invented units, as many and as large as a test wants them. Values come from a
 * seeded generator: they stand for no board.
 */
#ifndef MADE_H
#define MADE_H

#include "coldjoint/unitlog.h"

typedef struct made_size {
    int steps, figures; /* figures of each step; every tenth one has a limit, one at least */
} made_size;

/* A run of the unit of that number: serial "MADE-000042", every twentieth fails, with a finding.
 * Ends the program where memory is out. */
cj_run *made_run(int number, const made_size *size);

#endif
