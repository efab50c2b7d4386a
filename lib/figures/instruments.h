/* SPDX-License-Identifier: GPL-3.0-or-later */
/* figures/instruments.h - reading an instruments file from memory, for the reader of files and for
 * tests. */
#ifndef COLDJOINT_FIGURES_INSTRUMENTS_H
#define COLDJOINT_FIGURES_INSTRUMENTS_H

#include "coldjoint/figures.h"

/* As cj_instruments_read; name is what errors call the text. */
CJ_MUST_CHECK cj_status cj__instruments_read_text(const char *name, const char *text, size_t length,
                                                  cj_instruments *out, cj_error *err);

#endif
