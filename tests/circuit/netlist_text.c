/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "netlist_text.h"

#include "check.h"

enum { WORDS = 12, TYPES = 8 };

typedef struct amp_type {
    char name[16];
    double figures[7];
} amp_type;

int netlist_text_node(netlist_text *text, const char *name)
{
    if (strcmp(name, "0") == 0)
        return CJ__EARTH;
    for (int k = 0; k < text->netlist.nodes; k++)
        if (strcmp(text->nodes[k], name) == 0)
            return k;
    assert_true(text->netlist.nodes < 256);
    snprintf(text->nodes[text->netlist.nodes], sizeof *text->nodes, "%.15s", name);
    return text->netlist.nodes++;
}

static void add_amp(netlist_text *text, char words[][48], const amp_type *types, int type_count)
{
    const double *figure = NULL;
    size_t length = 0;
    for (int k = 0; k < type_count; k++)
        if (strncmp(types[k].name, words[4], strlen(types[k].name)) == 0) {
            figure = types[k].figures;
            length = strlen(types[k].name);
        }
    assert_non_null(figure);
    cj__amp *amp = &text->amps[text->netlist.amp_count++];
    *amp = (cj__amp){.section = (int)text->netlist.amp_count - 1,
                     .out = netlist_text_node(text, words[1]),
                     .inverting = netlist_text_node(text, words[2]),
                     .plus = netlist_text_node(text, words[3]),
                     .v_plus = CJ__EARTH,
                     .v_minus = CJ__EARTH,
                     .gbw_hz = figure[0],
                     .slew_v_per_s = figure[1],
                     .gain = figure[2],
                     .offset_v = figure[3],
                     .bias_a = figure[4],
                     .output_ohm = figure[5],
                     .input_conductance = 1 / figure[6],
                     .high_v = atof(words[5]),
                     .low_v = atof(words[6]),
                     .mode = CJ_LINEAR,
                     .plus_low = -INFINITY,
                     .plus_high = INFINITY,
                     .inverting_low = -INFINITY,
                     .inverting_high = INFINITY,
                     .clamped = words[4][length] == 'c'};
}

static void add_limit(netlist_text *text, char words[][48])
{
    cj__amp *amp = &text->amps[text->netlist.amp_count - 1];
    int node = netlist_text_node(text, words[1]);
    assert_true(node == amp->plus || node == amp->inverting);
    *(node == amp->plus ? &amp->plus_low : &amp->inverting_low) = atof(words[2]);
    *(node == amp->plus ? &amp->plus_high : &amp->inverting_high) = atof(words[3]);
}

static void add_windings(netlist_text *text, char words[][48])
{
    text->windings[text->netlist.winding_count++] = (cj__winding_pair){
        .a = {netlist_text_node(text, words[1]), netlist_text_node(text, words[3])},
        .b = {netlist_text_node(text, words[2]), netlist_text_node(text, words[4])},
        .ohm = {atof(words[5]), atof(words[6])},
        .henry = {atof(words[7]), atof(words[8])},
        .mutual_h = atof(words[9])};
}

static void add_element(netlist_text *text, char words[][48])
{
    cj__netlist *n = &text->netlist;
    const char *word = words[0];
    int a = netlist_text_node(text, words[1]);
    if (strcmp(word, "drive") == 0 || strcmp(word, "hold") == 0) {
        text->sources[n->source_count++] = (cj__source){.node = a,
                                                        .conductance = 1 / atof(words[2]),
                                                        .dc_v = word[0] == 'h' ? atof(words[3]) : 0,
                                                        .drives = word[0] == 'd'};
    } else if (strcmp(word, "r") == 0 || strcmp(word, "c") == 0) {
        double value = atof(words[3]);
        text->branches[n->branch_count++] =
            (cj__branch){.a = a,
                         .b = netlist_text_node(text, words[2]),
                         .parameter = -1,
                         .setting = -1,
                         .conductance = word[0] == 'r' ? 1 / value : 0,
                         .capacitance = word[0] == 'c' ? value : 0};
    } else if (strcmp(word, "diode") == 0) {
        text->junctions[n->junction_count++] =
            (cj__junction){.anode = a,
                           .cathode = netlist_text_node(text, words[2]),
                           .saturation_a = atof(words[3]),
                           .volt = atof(words[4]),
                           .series_conductance = 1 / atof(words[5])};
    } else if (strcmp(word, "limit") == 0) {
        add_limit(text, words);
    } else if (strcmp(word, "windings") == 0) {
        add_windings(text, words);
    } else {
        print_error("a case with the word %s\n", word);
        fail();
    }
}

static int split(const char *line, char words[][48])
{
    int count = 0, used = 0;
    while (count < WORDS && sscanf(line, "%47s%n", words[count], &used) == 1 &&
           words[count][0] != '#') {
        line += used;
        count++;
    }
    return count;
}

static void wire_up(netlist_text *text)
{
    text->netlist.branches = text->branches;
    text->netlist.sources = text->sources;
    text->netlist.amps = text->amps;
    text->netlist.windings = text->windings;
    text->netlist.junctions = text->junctions;
    text->netlist.leak = 1e-12;
}

void netlist_text_read(const char *path, const char *name, netlist_text *out)
{
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    *out = (netlist_text){0};
    amp_type types[TYPES];
    int type_count = 0;
    bool inside = false, found = false;
    char line[256], words[WORDS][48];
    while (fgets(line, sizeof line, file)) {
        int count = split(line, words);
        if (count == 0)
            continue;
        if (strcmp(words[0], "type") == 0) {
            assert_true(type_count < TYPES && count == 9);
            snprintf(types[type_count].name, sizeof types->name, "%.15s", words[1]);
            for (int k = 0; k < 7; k++)
                types[type_count].figures[k] = atof(words[2 + k]);
            type_count++;
        } else if (strcmp(words[0], "case") == 0) {
            inside = strcmp(words[1], name) == 0;
            found = found || inside;
            if (inside)
                out->setup = (cj__transient_setup){.hz = atof(words[2]), .peak_v = atof(words[3])};
        } else if (inside && strcmp(words[0], "see") == 0) {
            out->setup.see[out->setup.channels] = netlist_text_node(out, words[1]);
            out->setup.against[out->setup.channels++] = netlist_text_node(out, words[2]);
        } else if (inside && strcmp(words[0], "amp") == 0) {
            add_amp(out, words, types, type_count);
        } else if (inside) {
            add_element(out, words);
        }
    }
    fclose(file);
    assert_true(found);
    wire_up(out);
}
