/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * base/yaml.h - one strict way to read YAML for every room (rules, instruments, boards).
 *
 * A file becomes a tree of nodes, each with its line and column. Every scalar is text, read by its
 * key later on: `off` is a word and `007` a name. What invites mistakes is refused with file, line,
 * column, the offending word and what was expected: a key given twice, a second document, anchors,
 * aliases, tags, bad UTF-8, NUL and other control characters, nesting deeper than CJ__YAML_DEPTH.
 * Limits on size keep hostile files cheap.
 */
#ifndef COLDJOINT_BASE_YAML_H
#define COLDJOINT_BASE_YAML_H

#include "coldjoint/base.h"

enum {
    CJ__YAML_DEPTH = 40,      /* lists and mappings inside each other */
    CJ__YAML_NODES = 200000,  /* in one file */
    CJ__YAML_KEYS = 1000,     /* in one mapping */
    CJ__YAML_BYTES = 8 << 20, /* of one file */
};

typedef enum cj__yaml_kind { CJ__YAML_TEXT, CJ__YAML_LIST, CJ__YAML_MAP } cj__yaml_kind;

typedef struct cj__yaml_node {
    cj__yaml_kind kind;
    long line, column; /* 1-based, in characters */
    char *text;        /* a scalar's text (NUL cannot occur inside); NULL for lists and mappings */
    bool quoted;       /* a scalar in quotes or a block scalar */
    char *key;         /* the node's key where it stands in a mapping, else NULL */
    long key_line, key_column;
    struct cj__yaml_node *child; /* first child of a list or mapping, in file order */
    struct cj__yaml_node *next;  /* next sibling */
    size_t count;                /* children */
} cj__yaml_node;

typedef struct cj__yaml {
    char *name;          /* what errors call the file */
    cj__yaml_node *root; /* never NULL */
} cj__yaml;

/* Reads a file, or text in memory that errors call `name`. *out is the caller's. Errors: CJ_NOINPUT
 * (no such file), CJ_IO, CJ_DATA (a directory, too large, not what is described above), CJ_NOMEM.
 */
CJ_MUST_CHECK cj_status cj__yaml_read(const char *path, cj__yaml **out, cj_error *err);
CJ_MUST_CHECK cj_status cj__yaml_read_text(const char *name, const char *text, size_t length,
                                           cj__yaml **out, cj_error *err);
void cj__yaml_free(cj__yaml *yaml);

/* ---- questions to the tree ---- */

/* The value of a key, NULL where the mapping has none (or node is none). */
const cj__yaml_node *cj__yaml_get(const cj__yaml_node *map, const char *key);

/* CJ_DATA at the node (or at its key) with the message made from format. */
cj_status cj__yaml_fail(const cj__yaml *yaml, const cj__yaml_node *node, cj_error *err,
                        const char *format, ...) CJ_PRINTF(4, 5);
cj_status cj__yaml_fail_key(const cj__yaml *yaml, const cj__yaml_node *node, cj_error *err,
                            const char *format, ...) CJ_PRINTF(4, 5);

/* Refuses a node that is not of that kind; `what` names it in the message ("the list of rules"). */
CJ_MUST_CHECK cj_status cj__yaml_expect(const cj__yaml *yaml, const cj__yaml_node *node,
                                        cj__yaml_kind kind, const char *what, cj_error *err);

/* Refuses a node that is no mapping, and a key that is not in `keys` (ends in NULL), suggesting the
 * nearest; `what` as above. */
CJ_MUST_CHECK cj_status cj__yaml_keys(const cj__yaml *yaml, const cj__yaml_node *map,
                                      const char *const *keys, const char *what, cj_error *err);

/* The value of a key that has to be there. */
CJ_MUST_CHECK cj_status cj__yaml_need(const cj__yaml *yaml, const cj__yaml_node *map,
                                      const char *key, const cj__yaml_node **out, cj_error *err);

/* A scalar's text that is not empty; borrowed from the tree. */
CJ_MUST_CHECK cj_status cj__yaml_text(const cj__yaml *yaml, const cj__yaml_node *node,
                                      const char **out, cj_error *err);
/* A quantity as cj_quantity_read has it. */
CJ_MUST_CHECK cj_status cj__yaml_quantity(const cj__yaml *yaml, const cj__yaml_node *node,
                                          const char *unit, double *out, cj_error *err);
/* true or false (also yes or no). */
CJ_MUST_CHECK cj_status cj__yaml_bool(const cj__yaml *yaml, const cj__yaml_node *node, bool *out,
                                      cj_error *err);

/* The word of `known` (ends in NULL) nearest to `word` by typing errors (insert, drop, replace,
 * exchange neighbours), or NULL where none is near enough to be meant. */
const char *cj__nearest(const char *word, const char *const *known);

#endif
