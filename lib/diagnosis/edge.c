/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Outputs that rest where their swing ends (an inverter behind one that is stuck at its rail): how
 * far they swing, and how far the stuck one does, decides what still comes through. */
#include <math.h>
#include <string.h>

#include "diagnosis/rank.h"

#define LEAST_SWING 0.02 /* V: the rail itself, but for a little */

/* The swing of all that rest near the end of theirs, off by so much. What holds them there is one
 * output that is stuck, and how far that one goes: they come away together. */
bool cj__edge_swings(const cj__trial *trial, const cj_board *board, cj_edit *edits, cj__manner *out)
{
    bool room = true;
    int index = 0;
    for (int p = 0; p < (int)board->part_count; p++)
        for (int s = 0; s < board->parts[p].section_count; s++, index++)
            if (index < 64 && trial->edges >> index & 1)
                room = room && cj__trial_figure(
                                   board, p, s, CJ_SWING,
                                   fmax(board->parts[p].opamp.swing_v + trial->edge, LEAST_SWING),
                                   edits, out);
    return room;
}

/* ---- the best place ---- */

#define SLOPE_V 0.04
#define MOST_V 0.5    /* of one step */
#define FOUND_V 0.015 /* smaller steps are not worth one */
#define WORTH 100     /* nats that a better place may be worth; judged */
enum { ROUNDS = 5 };

/* The manner as the trial has it, the swings off by that much. */
static cj_status moved_to(const cj__ranking *ranking, const cj__trial *trial, double edge,
                          cj_edit *edits, cj__manner *out, cj_error *err)
{
    const cj__manner *manner = &ranking->suspects->items[trial->suspect].manners[trial->manner];
    cj__trial at = *trial;
    at.edge = edge;
    if (!cj__trial_split(manner, &at, ranking->scene->board, edits, out))
        return cj_fail(err, CJ_BUG, "", 0, 0, "too many edits at once");
    return CJ_OK;
}

/* How the means move with the swings, whitened, into slope. The trial stands judged in the
 * ranking; its outlook is spent. */
static cj_status slope_at(cj__ranking *ranking, const cj__trial *trial, double *slope,
                          cj_error *err)
{
    size_t rows = (size_t)ranking->scene->rows;
    double step = trial->edge + SLOPE_V > trial->edge_high ? -SLOPE_V : SLOPE_V;
    cj_edit edits[CJ__TRIAL_EDITS];
    cj__manner there;
    memcpy(slope, ranking->outlook->mean, rows * sizeof *slope);
    cj_status status = moved_to(ranking, trial, trial->edge + step, edits, &there, err);
    if (status == CJ_OK)
        status = cj__trial_fill(ranking, &there, trial->free_value, CJ_BARE | CJ_TRANSIENT, err);
    for (size_t r = 0; r < rows && status == CJ_OK; r++)
        slope[r] = (ranking->outlook->mean[r] - slope[r]) / step;
    if (status == CJ_OK)
        cj__forward(ranking->normal->factor, (int)rows, slope);
    return status;
}

/* One step towards it; *better: it was one. The trial stands judged in the ranking before and
 * after. */
static cj_status step_edge(cj__ranking *ranking, unsigned want, double *slope, cj__trial *trial,
                           double *size, bool *better, cj_error *err)
{
    double precision = pow(trial->edge_sigma, -2), along = -trial->edge * precision;
    const double *white = ranking->normal->white;
    cj_edit edits[CJ__TRIAL_EDITS];
    cj__manner there;
    *better = false;
    *size = precision;
    cj_status status = slope_at(ranking, trial, slope, err);
    for (int r = 0; r < ranking->scene->rows && status == CJ_OK; r++) {
        along += slope[r] * white[r];
        *size += slope[r] * slope[r];
    }
    double to = trial->edge + fmin(fmax(along / *size, -MOST_V), MOST_V);
    cj__trial moved = *trial;
    moved.edge = fmin(fmax(to, trial->edge_low), trial->edge_high);
    if (status == CJ_OK)
        status = moved_to(ranking, trial, moved.edge, edits, &there, err);
    if (status == CJ_OK)
        status = cj__trial_at(ranking, &there, trial->free_value, want, &moved, err);
    if (status != CJ_OK)
        return status;
    *better = moved.density - 0.5 * precision * moved.edge * moved.edge >
              trial->density - 0.5 * precision * trial->edge * trial->edge;
    if (*better) {
        *better = fabs(moved.edge - trial->edge) > FOUND_V;
        *trial = moved;
        return CJ_OK;
    }
    status = moved_to(ranking, trial, trial->edge, edits, &there, err);
    return status == CJ_OK ? cj__trial_at(ranking, &there, trial->free_value, want, trial, err)
                           : status;
}

cj_status cj__edge_settle(cj__ranking *ranking, unsigned want, cj__trial *trial, double *weight,
                          cj_error *err)
{
    if (trial->density < ranking->most - WORTH || cj__worked_enough(ranking))
        return CJ_OK;
    double *slope = cj_new((size_t)ranking->scene->rows + 1, sizeof *slope), size = 1;
    cj_status status = slope != NULL ? CJ_OK : cj_fail_memory(err);
    bool better = true;
    for (int i = 0; i < ROUNDS && better && status == CJ_OK; i++)
        status = step_edge(ranking, want, slope, trial, &size, &better, err);
    cj_free(slope);
    if (status != CJ_OK)
        return status;
    ranking->most = fmax(ranking->most, trial->density);
    double off = trial->edge / trial->edge_sigma;
    *weight = fmin(-0.5 * off * off - log(trial->edge_sigma * sqrt(size)), *weight);
    return CJ_OK;
}

/* ---- both sides ---- */

/* Judged. */
#define WELL_BEYOND 0.25 /* V: where the other side begins for certain */
#define HARDLY 0.02      /* of sections that are so far off their usual swing */
#define FARTHEST 2.0     /* V */

cj_status cj__edge_add(cj__ranking *ranking, const cj__trial *setup, unsigned want, cj_error *err)
{
    const cj__outlook *outlook = ranking->outlook;
    if (outlook->edge_part < 0 || setup->suspect == 0)
        return CJ_OK;
    cj__trial other = *setup, *usual = &ranking->trials[ranking->trial_count - 1];
    /* two outputs differ, the stuck one and the one behind it */
    double sigma = M_SQRT2 * ranking->scene->board->parts[outlook->edge_part].opamp.swing_spread;
    double way = outlook->edge_rails ? -1 : 1, at = way * outlook->edge_v;
    double beyond = sigma > 0 ? 0.5 * erfc(outlook->edge_v / sigma * M_SQRT1_2) : 0;
    if (beyond < HARDLY)
        return CJ_OK;
    other.edges = usual->edges = outlook->edges;
    other.edge_sigma = usual->edge_sigma = sigma;
    other.edge_over = true;
    other.edge = at + way * WELL_BEYOND;
    usual->edge_low = way < 0 ? at : -FARTHEST;
    usual->edge_high = way < 0 ? FARTHEST : at;
    other.edge_low = way < 0 ? -FARTHEST : at;
    other.edge_high = way < 0 ? at : FARTHEST;
    other.split_weight = beyond;
    usual->split_weight = 1 - beyond;
    usual->log += log(1 - beyond);
    usual->robust += log(1 - beyond);
    return cj__trial_new(ranking, &other, want, err);
}
