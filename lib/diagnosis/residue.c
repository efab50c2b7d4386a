/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is left of the tone at an output that sits at its rail: how large, and how much of it the
 * steps have in common. */
#include <math.h>

#include "diagnosis/scene.h"

/* Of the drive: -70 dB, 15 dB either way (fault_physics 4); what leaks through a part without a
 * supply is as large as its manner says, but may be bent. Its columns are filled for 1e-3, or for
 * what the manner says. */
/* of_leaks: the shares of what leaks; judged. */
static const struct {
    double size, share, of_leaks;
} ways[CJ__RESIDUES] = {
    [CJ__LOUD] = {1, 0.3, 0.4},  [CJ__MIDDLING] = {0.2, 0.3, 0}, [CJ__QUIET] = {0.03, 0.24, 0},
    [CJ__LOUDER] = {6, 0.06, 0}, [CJ__APART] = {1, 0.1, 0.1},    [CJ__ROUGHLY] = {1, 0, 0.5},
};

/* Each step's own share of it; from OWN_RISE hertz on more, in proportion: what lies behind the
 * output turns it. Judged from blind sets. */
#define OWN 0.003
#define OWN_RISE 1500

/* What leaks through junctions is no pure tone: couplings and loads treat its bends otherwise than
 * the tone, by that much of it. Judged. */
#define BENT_OWN 0.12

/* What an output that goes from rail to rail puts through its stray: alike in the steps of low
 * frequency, turned by whatever lies before its inputs in the others. Judged. */
#define SLAM_OWN 0.1
#define SLOW_HZ 2000

static double feature_hz(const cj__scene *scene, const cj__feature *feature)
{
    return scene->board != NULL ? scene->board->steps[feature->step].hz[0] : 0;
}

static double own_share(const cj__scene *scene, const cj__outlook *outlook,
                        const cj__feature *feature)
{
    if (outlook->way == CJ__APART)
        return 1;
    if (outlook->way == CJ__ROUGHLY)
        return BENT_OWN;
    if (outlook->slams) /* its phase is that of the tone at its inputs */
        return feature_hz(scene, feature) > SLOW_HZ ? 1 : SLAM_OWN;
    double hz = feature_hz(scene, feature);
    return OWN * fmin(fmax(hz / OWN_RISE, 1), 10);
}

double cj__residue_share(cj__residue way, bool leaks)
{
    return leaks ? ways[way].of_leaks : ways[way].share;
}

double cj__residue_size(const cj__outlook *outlook)
{
    return ways[outlook->way].size;
}

double cj__column_size(const cj__outlook *outlook, size_t column)
{
    size_t knob = column - outlook->knob_first;
    if (column >= outlook->knob_first && column + CJ__BEHIND < (size_t)outlook->columns)
        return outlook->moved >> knob & 1;
    if (!outlook->residue || !outlook->is_residue[column])
        return 1;
    return outlook->way == CJ__APART ? 0 : cj__residue_size(outlook);
}

void cj__residue_variance(const cj__scene *scene, const cj__outlook *outlook, size_t index,
                          double more[2])
{
    const cj__feature *feature = &scene->features[index];
    size_t columns = (size_t)outlook->columns;
    double size = cj__residue_size(outlook), own = own_share(scene, outlook, feature);
    for (int r = 0; r < feature->rows; r++) {
        const double *by = outlook->by + (size_t)(feature->row + r) * columns;
        double sum = 0;
        for (size_t c = outlook->residue_first; c < columns; c++)
            sum += outlook->is_residue[c] ? by[c] * by[c] : 0;
        more[r] = size * size * (own * own * sum + outlook->residue_var[2 * index + (size_t)r]);
    }
}
