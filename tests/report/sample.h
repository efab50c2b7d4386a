/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A comparison built by hand, as the rooms above would give it: a summing op-amp's output pin open,
 * seen on a scope. Channel 2's name holds a byte that is no UTF-8. */
#ifndef REPORT_SAMPLE_H
#define REPORT_SAMPLE_H

#include "coldjoint/report.h"

struct sample {
    cj_lines notes;
    cj_channel_info channels[2];
    cj_capture_info capture;
    cj_measurement measurement;
    cj_comparison comparison;
    cj_findings findings;
    cj_finding finding;
    cj_fault faults[2];
    cj_evidence evidence[2];
    cj_digests digests;
};

void sample_make(struct sample *sample);
void sample_free(struct sample *sample);

#endif
