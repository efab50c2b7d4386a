/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * scope.h - inside the capture room: oscilloscope CSV of any dialect, read from a memory image.
 */
#ifndef COLDJOINT_CAPTURE_SCOPE_H
#define COLDJOINT_CAPTURE_SCOPE_H

#include "coldjoint/base.h"
#include "coldjoint/capture.h"

/* What a CSV capture reads to. Everything in it is its own; freed with cj__scope_free. */
typedef struct cj__scope {
    cj_channel_info *channels; /* all of the file's channels; names and units are copies */
    int channel_count;
    int selected_count; /* 1 or 2 */
    int selected[2];    /* index (from 0) into channels */
    double *values[2];  /* [samples] per selected channel, base unit, rising time, NaN where none */
    size_t samples;
    double rate_hz; /* 0: the file states none */
    double rate_u;  /* relative standard uncertainty, 0: exact */
    double start_s; /* time of sample 0 */
    bool has_time;  /* start_s comes from the file */
    bool envelope;  /* values are the middles of a lower and an upper value */
    cj_lines notes; /* what the reader concluded, a sentence each */
} cj__scope;

/*
 * Reads the CSV text bytes[0..length) (not terminated, may be empty). name is what errors call the
 * file. Of options, channels and probe are used; NULL means all defaults. The selected channels
 * only are stored, 16 bytes a row for two of them; while reading, 8 bytes a row more for the time
 * column. Errors: CJ_DATA with line and what was expected, CJ_USAGE for a channel that does not
 * exist, CJ_NOMEM. On failure *out is NULL.
 */
CJ_MUST_CHECK cj_status cj__scope_read(const char *name, const char *bytes, size_t length,
                                       const cj_capture_options *options, cj__scope **out,
                                       cj_error *err);
void cj__scope_free(cj__scope *scope);

#endif
