/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * drawing.h - the board's drawing: each section of an op-amp as a small schematic of its own.
 *
 * A stage is found from the nets alone: what leads to its inverting input, to its other input, from
 * output back to input (feedback), and on from its output. What no stage reaches is left to words.
 */
#ifndef COLDJOINT_REPORT_DRAWING_H
#define COLDJOINT_REPORT_DRAWING_H

#include "report/board.h"

enum { CJ__HOPS = 6, CJ__SHUNTS = 4 };

/* One part passed on the way outward from the op-amp. */
typedef struct cj__hop {
    int part;
    int near, far; /* its pins (from 1): on the op-amp's side, and the other */
    int third;     /* the end of a potentiometer that the way does not use; 0: none */
    int net;       /* behind it */
    int shunts[CJ__SHUNTS]; /* parts from that net to gnd or to a rail */
    int shunt_count;
} cj__hop;

typedef enum cj__place {
    CJ__AT_INVERTING,
    CJ__AT_PLUS,
    CJ__FEEDBACK, /* from the inverting input to the output */
    CJ__AT_OUT,
    CJ__BETWEEN, /* on from a junction that another branch ends at */
} cj__place;

typedef struct cj__branch {
    cj__place place;
    int from, to; /* nets at its ends; `from` on the op-amp's side */
    cj__hop hops[CJ__HOPS];
    int hop_count;
} cj__branch;

typedef struct cj__stage {
    int part, section;
    int out, inverting, plus; /* nets */
    cj__branch *branches;
    size_t count, capacity;
} cj__stage;

typedef struct cj__drawing {
    const cj_board *board;
    cj__stage *stages;
    size_t count;
    bool *drawn; /* [parts] in some stage */
} cj__drawing;

/* ---- drawing_find.c ---- */

/* False: out of memory. cj__drawing_free in either case. */
bool cj__drawing_make(const cj_board *board, cj__drawing *out);
void cj__drawing_free(cj__drawing *drawing);
/* Ground or a rail: no way leads through it. */
bool cj__is_supply(const cj_board *board, int net);

/* ---- drawing_marks.c: what is to be seen in it ---- */

typedef struct cj__suspect {
    int part, pin, pin2; /* pins from 1, 0: the part as a whole */
    int number;          /* of the finding, from 1 */
} cj__suspect;

typedef struct cj__marks {
    cj__suspect *suspects;
    size_t count, capacity;
    bool *path;   /* [parts * 4] on a path that was measured: passive parts at 4 * part, sections
                     of an op-amp at 4 * part + section */
    bool *probed; /* [nets] */
} cj__marks;

enum { CJ__SUSPECTS = 3 /* findings that are marked */ };

/* Either may be NULL. False: out of memory. */
bool cj__marks_make(const cj_board *board, const cj_observed *observed, const cj_findings *findings,
                    cj__marks *out);
void cj__marks_free(cj__marks *marks);
/* The suspect of this part (with that pin, 0: whatever pin), NULL: none. */
const cj__suspect *cj__suspected(const cj__marks *marks, int part, int pin);
/* The suspect among the op-amp's own pins that concerns this section. */
const cj__suspect *cj__section_suspected(const cj__marks *marks, const cj_board *board,
                                         const cj__stage *stage);
bool cj__stage_suspected(const cj__marks *marks, const cj_board *board, const cj__stage *stage);
/* The same of a part in its place: of a part of several pins only where the way uses that pin. */
const cj__suspect *cj__hop_suspected(const cj__marks *marks, const cj__hop *hop);
bool cj__branch_suspected(const cj__marks *marks, const cj__branch *branch);
/* How many hops from the op-amp on lie on a path that was measured. */
int cj__branch_measured(const cj__marks *marks, const cj__branch *branch);

/* ---- drawing_parts.c: the symbols (those of IEC 60617), in one SVG ---- */

typedef struct cj__pen {
    cj_text *out, *under; /* under: the shading, drawn before everything */
    const cj_board *board;
    const cj__marks *marks;
} cj__pen;

typedef struct cj__spot {
    int x, y;
} cj__spot;

enum { CJ__HOP_WIDE = 88, CJ__INPUTS_APART = 36, CJ__TRIANGLE = 72 };

void cj__draw_wire(const cj__pen *pen, cj__spot from, cj__spot to, bool measured);
void cj__draw_ground(const cj__pen *pen, cj__spot at);
void cj__draw_dot(const cj__pen *pen, cj__spot at);
/* anchor: "start", "middle", "end" */
void cj__draw_text(const cj__pen *pen, cj__spot at, const char *anchor, const char *text);
/* A net's name with the mark of a probe; a ground symbol where it is ground. */
void cj__draw_net(const cj__pen *pen, cj__spot at, const char *anchor, int net);
void cj__draw_badge(const cj__pen *pen, cj__spot at, int number);
/* A part in line from x to x + CJ__HOP_WIDE, with what hangs on the net behind it. near_is_right: the
 * op-amp is to the right; measured: on a path. */
void cj__draw_hop(const cj__pen *pen, cj__spot left, const cj__hop *hop, bool near_is_right,
                  bool measured);
/* Height above and below the line that a hop takes. */
void cj__hop_room(const cj_board *board, const cj__hop *hop, int *above, int *below);
/* The triangle; `at` is its upper input (inverting), the other CJ__INPUTS_APART below. */
void cj__draw_section(const cj__pen *pen, cj__spot at, const cj__stage *stage, bool measured);

/* ---- drawing_stage.c, drawing.c ---- */

/* Which branches are drawn; the others are said to be like one of them. */
bool cj__branch_drawn(const cj__stage *stage, const cj__marks *marks, const cj_board *board,
                      size_t index);
void cj__draw_stage(cj_text *out, const cj_board *board, const cj__stage *stage,
                    const cj__marks *marks);
/* All of it as part of a page: the suspected stages first. */
void cj__write_drawing(cj_text *out, const cj_board *board, const cj_observed *observed,
                       const cj_findings *findings);

#endif
