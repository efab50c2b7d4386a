/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * literature.h - the diagnosis on circuits that the literature of analog fault diagnosis uses.
 *
 * Protocol: a fresh circuit per trial, every part within its tolerance (u: uniform within it; g:
 * normal, the tolerance three standard deviations), the fault's part exactly its factor off;
 * solved exactly (circuit room, itself compared with ngspice); each frequency read with 0.1 dB and
 * 0.5 degree (one sigma) and a floor of -60 dB of the drive; diagnosed with the library's own
 * ranking from nothing but the nominal board, the tolerances and the list of hypotheses. No
 * training data; nothing is set per circuit but the board file, the nets read and how many
 * frequencies (chosen by the program itself among a logarithmic grid).
 */
#ifndef LITERATURE_H
#define LITERATURE_H

#include "coldjoint/circuit.h"
#include "diagnosis/rank.h"

enum { PARTS_MOST = 8, FREQUENCIES_MOST = 12, SEEN_MOST = 4, GRID = 12 };

/* One class: factors on parts' values (1: healthy), exact or anywhere in a range. */
struct fault_class {
    char name[64];
    const char *part[2];
    double factor[2]; /* with a range: NaN */
    double low, high;
    int group; /* classes of one group are one circuit for the nets read */
};

struct trial_set {
    cj_board *board;
    cj_bench *bench;
    cj__scene *scene;
    cj__suspects *suspects;
    struct fault_class *classes; /* [0] is healthy */
    int class_count;
    bool gaussian;
    double hz[FREQUENCIES_MOST];
    int frequencies;
    unsigned long long random;
    double drawn[64]; /* [parts] of the circuit measured last */
};

/* ---- literature_trial.c ---- */

double draw_uniform(struct trial_set *set);
double draw_normal(struct trial_set *set);
/* A fresh circuit with these factors on these parts, read into the scene. factor 0 of a part: open
 * (resistor) or gone (capacitor); infinite: shorted. slow: op-amp with that share of its
 * gain-bandwidth, 1 as it is. */
void measure_circuit(struct trial_set *set, const char *const *parts, const double *factors,
                     int count, double slow);

/* Board, nets to read (each against in), hypotheses; frequencies chosen from low to high. */
void set_make(struct trial_set *set, const char *file, const char *const *see, int see_count,
              const struct fault_class *classes, int class_count, bool gaussian, int frequencies,
              double low, double high);
void set_free(struct trial_set *set);
/* Ranks what was read; the caller frees. */
cj__ranking *set_rank(struct trial_set *set);
void fail(const char *what, const cj_error *err);

/* ---- literature_more.c ---- */

bool row_9(int trials);
bool row_12(int trials);

#endif
