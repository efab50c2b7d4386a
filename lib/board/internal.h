/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * board/internal.h - what the files of this room share: a reader that collects errors, an index of
 * names, and the table of parts.
 *
 * Reading goes on after an error, so that a file gives all it has at once. What a wrong entry was
 * meant to be is not guessed: the entry is marked spoiled, and checks that hang on it are left out.
 */
#ifndef COLDJOINT_BOARD_INTERNAL_H
#define COLDJOINT_BOARD_INTERNAL_H

#include "base/yaml.h"
#include "coldjoint/board.h"

enum {
    CJ__BOARD_PARTS = 10000,
    CJ__BOARD_STEPS = 500, /* each holds a setting per part */
    CJ__BOARD_LIMITS = 10000,
    CJ__SWITCH_PINS = 64,
    CJ__SWITCH_POSITIONS = 32,
};

/* ---- names.c: name -> index, in constant time ---- */

typedef struct cj__name {
    const char *text; /* borrowed: lives in the YAML tree */
    int index;
    long line;
    unsigned hash;
} cj__name;

typedef struct cj__names {
    cj__name *items; /* in the order they came */
    size_t count, capacity;
    unsigned *slots; /* item + 1; 0: free. A power of two, at most half full */
    size_t slot_count;
} cj__names;

/* NULL where there is none. */
const cj__name *cj__names_find(const cj__names *names, const char *text);
/* false: out of memory. */
bool cj__names_add(cj__names *names, const char *text, int index, long line);
void cj__names_free(cj__names *names);

/* ---- reader.c ---- */

/* What is known about a net while reading. */
typedef struct cj__net_use {
    const cj__yaml_node *first; /* where it is named first; NULL: gnd, a rail */
    size_t pins;                /* of parts */
    bool bench;                 /* an input or an output is there too */
    int input;                  /* index into inputs, -1: none */
} cj__net_use;

typedef struct cj__reader {
    const cj__yaml *yaml;
    cj_board *board;
    cj_errors *errors;
    long wrong; /* how many so far, those beyond the first 20 included */
    bool memory_out;
    cj__names nets, parts, steps, limits;
    cj__net_use *uses; /* [net_count] */
    size_t use_capacity, net_capacity;
    bool *spoiled;               /* [part_count] */
    const cj__yaml_node **nodes; /* [part_count] the value of ref, or else the entry */
    double *rest;                /* [part_count] settings, NaN where none is given */
    char **limit_keys;           /* [limits.count] the texts that `limits` borrows */
    size_t limit_key_capacity;
} cj__reader;

/* Notes an error at a node's value, or at its key. */
void cj__wrong(cj__reader *reader, const cj__yaml_node *node, const char *format, ...)
    CJ_PRINTF(3, 4);
void cj__wrong_key(cj__reader *reader, const cj__yaml_node *node, const char *format, ...)
    CJ_PRINTF(3, 4);
/* Whether an error here would be among those kept; what only serves its words can be left out else.
 */
bool cj__kept(const cj__reader *reader, const cj__yaml_node *node);
/* A warning in the board, with its place. */
void cj__warn(cj__reader *reader, const cj__yaml_node *node, const char *format, ...)
    CJ_PRINTF(3, 4);

/* What a message ends in. */
typedef struct cj__hint {
    char text[112];
} cj__hint;
/* "; did you mean 'x'?" or, where no word is near, `otherwise`. */
cj__hint cj__meant(const char *word, const char *const *known, const char *otherwise);
cj__hint cj__meant_name(cj__reader *reader, const cj__yaml_node *node, const char *word,
                        const cj__names *names, const char *otherwise);

/* Each returns false where something was wrong (and has noted it). */
bool cj__is(cj__reader *reader, const cj__yaml_node *node, cj__yaml_kind kind, const char *what);
bool cj__keys(cj__reader *reader, const cj__yaml_node *map, const char *const *keys,
              const char *what);
const cj__yaml_node *cj__need(cj__reader *reader, const cj__yaml_node *map, const char *key,
                              const char *what);
bool cj__text_of(cj__reader *reader, const cj__yaml_node *node, const char **out);
/* One of the words; *out is its index. */
bool cj__word(cj__reader *reader, const cj__yaml_node *node, const char *const *words, int *out);
/* true, false, yes or no. */
bool cj__truth(cj__reader *reader, const cj__yaml_node *node, bool *out);

/* What a number has to be. */
typedef struct cj__range {
    const char *unit;
    double low, high;
    const char *expected; /* "a resistance from 1m to 1T ohm" */
} cj__range;

bool cj__number(cj__reader *reader, const cj__yaml_node *node, const cj__range *range, double *out);
/* The number at a key; missing is wrong where it is needed, else leaves *out. */
bool cj__number_at(cj__reader *reader, const cj__yaml_node *map, const char *key,
                   const cj__range *range, double *out);
bool cj__number_needed(cj__reader *reader, const cj__yaml_node *map, const char *key,
                       const cj__range *range, const char *what, double *out);
/* A whole number from range[0] to range[1]. */
bool cj__count(cj__reader *reader, const cj__yaml_node *node, const char *what, const int range[2],
               int *out);

/* What a name has to be: letters, digits and these marks, in size bytes with the end. */
typedef struct cj__naming {
    const char *what, *marks;
    size_t size;
} cj__naming;

bool cj__name_of(cj__reader *reader, const cj__yaml_node *node, const cj__naming *naming,
                 char *out);

/* ---- nets.c ---- */

/* The rails (or none) before any part. */
void cj__read_rails(cj__reader *reader, const cj__yaml_node *node);
/* The net a pin is on, made where it is new; nc gives CJ_NO_NET. */
bool cj__pin_net(cj__reader *reader, const cj__yaml_node *node, int *out);
/* A net some pin is on. */
bool cj__known_net(cj__reader *reader, const cj__yaml_node *node, int *out);
/* "net" or "net-net". */
bool cj__known_view(cj__reader *reader, const cj__yaml_node *node, cj_view *out);
void cj__read_inputs(cj__reader *reader, const cj__yaml_node *node);
void cj__read_outputs(cj__reader *reader, const cj__yaml_node *node);
/* A part with all pins on one net, op-amps whose supply cannot be meant; gnd is there; nets with
 * one pin. */
void cj__check_nets(cj__reader *reader, const cj__yaml_node *parts);
/* Whether a text equals a word but for the case of ASCII letters. */
bool cj__same_letters(const char *a, const char *b);

/* ---- parts.c, switch.c, opamp.c ---- */

void cj__read_parts(cj__reader *reader, const cj__yaml_node *node);
void cj__read_switch(cj__reader *reader, const cj__yaml_node *map, cj_part *part);
void cj__read_opamp(cj__reader *reader, const cj__yaml_node *map, cj_part *part);
extern const char *const cj__opamp_keys[];

/* ---- steps.c, shapes.c, limits.c ---- */

void cj__read_rest(cj__reader *reader, const cj__yaml_node *node);
void cj__read_steps(cj__reader *reader, const cj__yaml_node *node);
/* The key of a shape in a step, NULL: none; more than one is wrong. */
const cj__yaml_node *cj__shape_of(cj__reader *reader, const cj__yaml_node *map, cj_step *step);
void cj__read_shape(cj__reader *reader, const cj__yaml_node *node, cj_step *step);
extern const char *const cj__shape_keys[]; /* in the order of cj_shape from CJ_TONE on */
void cj__read_limits(cj__reader *reader, const cj__yaml_node *node);

/* ---- parts_table.c ---- */

typedef struct cj__opamp_type {
    cj_opamp figures;
    int sections; /* 1, 2 or 4; 0: as many as the pins say */
} cj__opamp_type;

extern const cj__opamp_type cj__opamp_types[]; /* ends in an empty type */
extern const cj_diode cj__diode_types[];       /* ends in an empty type */
/* The offset's standard deviation from the typical value of a data sheet, taken as the median of
 * its magnitude: of a normal distribution 0.6745 of the standard deviation (fault_physics takes
 * 0.67, and so do we). */
#define CJ__TYPICAL_OFFSET 0.67

/* ---- value.c ---- */

/* printf's %.*g with a decimal point whatever the locale is. */
void cj__number_text(double value, int digits, char *text, size_t size);

/* ---- board.c ---- */

/* The net of a name; "v-" is gnd with a single supply. */
int cj__net_of(const cj_board *board, const char *name, size_t length);

#endif
