/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * diagnosis/observed.h - the figures that can be read at a step, and how a reading finds its place.
 */
#ifndef COLDJOINT_DIAGNOSIS_OBSERVED_H
#define COLDJOINT_DIAGNOSIS_OBSERVED_H

#include "coldjoint/diagnosis.h"

/* A figure that a person may type or a readings file may hold. */
typedef struct cj__readable {
    const char *name, *unit;
    bool pair;     /* of both channels; else of one net */
    bool positive; /* never below zero */
    bool angle;    /* counted modulo 360 */
} cj__readable;

/* NULL: no such figure. */
const cj__readable *cj__readable_find(const char *name);
/* All of them; the last has no name. */
extern const cj__readable cj__readables[];

/* A figure with its net, as in JSON: "gain_db", "dc_v@left_out" (evidence.c). */
void cj__figure_key(const cj_board *board, const char *figure, cj_view of, char *key, size_t size);

/* What is wrong with a reading, and in which part of what was typed: "" or a clause. */
typedef enum cj__reading_part {
    CJ__STEP,
    CJ__FIGURE,
    CJ__NET,
    CJ__VALUE,
    CJ__U,
    CJ__READING_PARTS
} cj__reading_part;

/* A reading as text; net and u are "" where they were left out. */
typedef struct cj__typed {
    const char *part[CJ__READING_PARTS];
} cj__typed;

/* Reads the parts of a reading. On CJ_DATA err->message says what is wrong, and *where in which
 * part. */
CJ_MUST_CHECK cj_status cj__typed_read(const cj_board *board, const cj__typed *typed,
                                       cj_observation *out, cj__reading_part *where, cj_error *err);

#endif
