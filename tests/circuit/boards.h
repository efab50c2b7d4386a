/* SPDX-License-Identifier: GPL-3.0-or-later */
/* boards.h - boards for tests: read from text or from fixtures, with a bench, and one line to
 * predict. */
#ifndef BOARDS_H
#define BOARDS_H

#include "check.h"
#include "coldjoint/board.h"
#include "coldjoint/circuit.h"

#include <complex.h>

typedef struct rig {
    cj_board *board;
    cj_bench *bench;
    cj_prediction *prediction;
    size_t look; /* that the prediction was made for */
} rig;

rig rig_text(const char *text);
rig rig_file(const char *fixture); /* below fixtures/boards */
void rig_free(rig *of);

/* Predicts into of->prediction; fails the test where the library does. */
const cj_prediction *rig_predict(rig *of, const char *step, const cj_edit *edits, size_t count,
                                 unsigned want);
double complex tone_of(const cj_prediction *prediction, int point, int channel);
double decibel(double complex z);
double degree(double complex z);
int part_of(const rig *of, const char *ref);

/* Every kind of edit on every part it suits, pairs of edits included. */
typedef struct cases {
    cj_edit (*edits)[2];
    size_t *counts;
    char (*names)[48];
    size_t count, capacity;
} cases;
cases every_edit(const cj_board *board);
void cases_free(cases *of);

#endif
