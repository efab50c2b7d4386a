/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * A supply that is missing, at one package or on the whole board.
 *
 * Weights, levels and spreads: fault_physics sections 2.5 and 4.
 */
#include <math.h>

#include "diagnosis/suspects.h"

/* Every section of the package (part) or of the board (part CJ_NO_PART) a source of `volts`, its
 * rail (+1, -1) missing; that of the board is at 0 V for whatever else hangs on it. */
static cj__manner *all_held(cj__dictionary *dictionary, cj__suspect *suspect, int part, int rail,
                            double volts, double weight)
{
    const cj_board *board = dictionary->board;
    size_t count = part == CJ_NO_PART ? 1 : 0;
    for (size_t p = 0; p < board->part_count; p++)
        if (part == CJ_NO_PART || (int)p == part)
            count += (size_t)board->parts[p].section_count;
    cj__manner *manner = cj__manner_of(dictionary, suspect, count, weight);
    if (manner == NULL)
        return NULL;
    size_t n = 0;
    if (part == CJ_NO_PART)
        manner->edits[n++] = (cj_edit){.kind = CJ_EDIT_RAIL, .part = CJ_NO_PART, .pin = rail};
    for (size_t p = 0; p < board->part_count; p++)
        if (part == CJ_NO_PART || (int)p == part)
            for (int s = 0; s < board->parts[p].section_count; s++)
                manner->edits[n++] =
                    cj__hold((int)p, board->parts[p].sections[s].out, CJ_HELD, volts);
    manner->thd_unknown = true;
    return manner;
}

static size_t packages_of(const cj_board *board)
{
    size_t packages = 0;
    for (size_t p = 0; p < board->part_count; p++)
        packages += board->parts[p].section_count > 0;
    return packages;
}

/* v- gone, of a package or of the board: outputs near the positive rail (fault_physics 4). */
static void negative_missing(cj__dictionary *dictionary, cj__suspect *suspect, int part,
                             double weight)
{
    double rail = dictionary->board->v_plus_v;
    const struct {
        double volts, sigma, weight;
    } ways[] = {{rail - 0.8, 0.3, 0.85}, {1.2, 0.4, 0.12}, {0, 0.6 * rail, 0.03}};
    for (size_t i = 0; i < sizeof ways / sizeof ways[0]; i++) {
        cj__manner *manner =
            all_held(dictionary, suspect, part, -1, ways[i].volts, weight * ways[i].weight);
        if (manner == NULL)
            return;
        manner->held_v = ways[i].sigma;
        manner->residue = 1e-3;
    }
}

/* v+ gone: outputs negative by an amount that hangs on everything, the tone leaking through weakly.
 * What is one package and what is the board is the same where there is but one. */
static void positive_missing(cj__dictionary *dictionary, cj__suspect *suspect, int part,
                             double weight)
{
    static const struct {
        double volts, sigma, residue, weight;
    } package[] = {{-0.7, 0.4, 0.1, 0.4}, {-2, 1, 0.1, 0.3}, {-6, 2.5, 0.15, 0.3}},
      board[] = {{-0.4, 0.4, 0.3, 0.6}, {-1, 0.6, 0.3, 0.4}}, *ways[] = {package, board};
    static const size_t counts[] = {3, 2};
    bool whole = part == CJ_NO_PART, both = packages_of(dictionary->board) == 1;
    for (size_t w = 0; w < 2; w++)
        for (size_t i = 0; i < counts[w] && (both || whole == (w == 1)); i++) {
            cj__manner *manner = all_held(dictionary, suspect, part, 1, ways[w][i].volts,
                                          weight * ways[w][i].weight * (both ? 0.5 : 1));
            if (manner == NULL)
                return;
            manner->held_v = ways[w][i].sigma;
            manner->residue = ways[w][i].residue;
        }
}

enum { PACKAGES_APART = 8 };

/* All near the positive rail but one package. */
static void all_but_one(cj__dictionary *dictionary, cj__suspect *suspect, int part, double volts,
                        double sigma, double weight)
{
    cj__manner *manner =
        all_held(dictionary, suspect, CJ_NO_PART, -1, dictionary->board->v_plus_v - 0.8, weight);
    if (manner == NULL)
        return;
    for (size_t e = 0; e < manner->edit_count; e++)
        if (manner->edits[e].part == part)
            manner->edits[e].a = volts;
    manner->held_v = sigma;
    manner->residue = 1e-3;
}

/* v- gone on the whole board: each package finds its own way (fault_physics 4). All near the
 * positive rail, or one of them a volt above ground, or (0.03 of each) anywhere. */
static void negative_missing_everywhere(cj__dictionary *dictionary, cj__suspect *suspect)
{
    static const double elsewhere[] = {0.6, 0.2, -0.3, -0.7}; /* of the positive rail */
    const cj_board *board = dictionary->board;
    size_t packages = packages_of(board);
    bool apart = packages > 1 && packages <= PACKAGES_APART;
    double all = apart ? pow(0.85, (double)packages) : 1,
           one = apart ? (1 - all) / (double)packages : 0;
    negative_missing(dictionary, suspect, CJ_NO_PART, all);
    for (size_t p = 0; p < board->part_count && one > 0; p++) {
        if (board->parts[p].section_count == 0)
            continue;
        all_but_one(dictionary, suspect, (int)p, 1.2, 0.4, 0.8 * one);
        for (int i = 0; i < 4; i++)
            all_but_one(dictionary, suspect, (int)p, elsewhere[i] * board->v_plus_v, 2, 0.05 * one);
    }
}

void cj__rail_missing(cj__dictionary *dictionary, cj__suspect *suspect, int rail)
{
    if (rail > 0)
        positive_missing(dictionary, suspect, CJ_NO_PART, 1);
    else
        negative_missing_everywhere(dictionary, suspect);
}

void cj__supply_pin_open(cj__dictionary *dictionary, cj__suspect *suspect, int part, int rail)
{
    if (rail > 0)
        positive_missing(dictionary, suspect, part, 1);
    else
        negative_missing(dictionary, suspect, part, 1);
}
