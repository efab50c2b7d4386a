/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plan.h - the bench sheet in words, shared by text, JSON and page. */
#ifndef COLDJOINT_REPORT_PLAN_H
#define COLDJOINT_REPORT_PLAN_H

#include "report/board.h"
#include "report/signals.h"

/* How the bench stands after a step: what is not said of a step stays. */
typedef struct cj__stand {
    bool known; /* false: nothing is connected yet */
    bool power_off;
    int drive;
    cj_view see[2];
    bool seen[2];
    const double *settings;
} cj__stand;

/* The stand behind item `i`, from the one before it. */
cj__stand cj__stand_after(const cj_plan *plan, size_t i, const cj__stand *before);

/* What is put in front of what changed, and behind it. */
typedef struct cj__mark {
    const char *open, *close;
} cj__mark;

/* Safety first: written once, in front of everything. False: out of memory. */
bool cj__plan_cautions(const cj_board *board, cj_lines *out);
/* How the player's level is set, and where captures go. */
void cj__plan_level(cj_text *out, const cj_plan *plan);
/* "generator: in1, channel 1: in1, channel 2: left_out"; marked where it was moved. */
void cj__plan_leads(cj_text *out, const cj_plan *plan, size_t i, const cj__stand *before,
                    cj__mark mark);
/* "SW1 left, RV1 25%"; all: with those that stay. "" where there is nothing to say. */
void cj__plan_set(cj_text *out, const cj_plan *plan, size_t i, const cj__stand *before, bool all,
                  cj__mark mark);
/* "tone of 1 kHz at 1 V peak"; why there is nothing to play */
void cj__plan_signal(cj_text *out, const cj_plan *plan, const cj_plan_item *item);
/* "in1-left.csv (scope) or ..."; readings of a meter where the power is off */
void cj__plan_save(cj_text *out, const cj_board *board, const cj_step *step);
/* "left_out", "right_sum (U1 pin 7)", "hot (T1 pin 3) against cold (T1 pin 4)" */
void cj__plan_view(cj_text *out, const cj_board *board, cj_view view);
/* One setting: "left", "25%". */
void cj__plan_setting(cj_text *out, const cj_part *part, double setting);
/* One figure of a good unit: "gain", "-0.01 +- 0.10 dB". */
void cj__plan_figure(cj_text *label, cj_text *value, const cj_keyed_figure *figure);

#endif
