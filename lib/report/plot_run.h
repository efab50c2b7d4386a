/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plot_run.h - one run of gnuplot. */
#ifndef COLDJOINT_REPORT_PLOT_RUN_H
#define COLDJOINT_REPORT_PLOT_RUN_H

#include "coldjoint/base.h"

/* Its standard output, given that script; false with the reason, one clause, in why. */
bool cj__run_gnuplot(const cj_text *script, cj_text *output, char *why, size_t size);

#endif
