/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A diagnosis and a study built by hand, as the rooms above would give them: U1 pin 7 open on a
 * board of two channels, with a group, a value, two faults at once, a finding of the rules, and NaN
 * here and there. */
#ifndef REPORT_BOARD_SAMPLE_H
#define REPORT_BOARD_SAMPLE_H

#include "coldjoint/report.h"

enum { BOARD_SAMPLE_OTHERS = 20 };

struct board_sample {
    cj_board *board;
    cj_observed *observed;
    cj_fault faults[4]; /* of the first finding */
    cj_fault value, pair[2], rule;
    cj_evidence evidence[8];
    cj_finding items[BOARD_SAMPLE_OTHERS];
    cj_findings findings;
    cj_keyed_figure figures[5], reads[4][4];
    cj_step_figures steps[2];
    cj_expectation expect[4];
    cj_next next[5];
    size_t open[2];
    cj_diagnosis diagnosis;
    cj_fault_group group;
    size_t undecidable[3];
    cj_study study;
};

void board_sample_make(struct board_sample *sample);
void board_sample_free(struct board_sample *sample);

#endif
