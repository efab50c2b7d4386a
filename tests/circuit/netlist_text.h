/* SPDX-License-Identifier: GPL-3.0-or-later */
/* netlist_text.h - netlists as text, for tests (the words: transient-cases.txt). */
#ifndef NETLIST_TEXT_H
#define NETLIST_TEXT_H

#include "circuit/netlist.h"

typedef struct netlist_text {
    cj__netlist netlist;
    cj__transient_setup setup;
    cj__branch branches[256];
    cj__source sources[16];
    cj__amp amps[64];
    cj__winding_pair windings[4];
    cj__junction junctions[8];
    char nodes[256][16];
} netlist_text;

/* Reads one case; fails the running test where there is none. */
void netlist_text_read(const char *path, const char *name, netlist_text *out);
/* The number of a node (CJ__EARTH for "0"), made where it is new. */
int netlist_text_node(netlist_text *text, const char *name);

#endif
