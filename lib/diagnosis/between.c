/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * An output that may rest at either rail may also go to and fro between them: millivolts decide,
 * and a trace of the tone is enough. Nothing narrow can be said of it then: DC anywhere between the
 * two, a tone of any size and phase (fault_physics 4: "uniform between the rails").
 */
#include <math.h>

#include "diagnosis/rank.h"

#define RAILS_APART 1.0 /* V: less is an offset, not a rail */
#define EVEN 1.7        /* half a range over the sigma of a uniform spread */
#define TONE 3          /* the same for the tone, mostly smaller than the rails would have it */

/* How far apart the two rests of a channel of a look are; 0: not read, or not in question. */
static double apart(const cj__scene *scene, size_t look, int channel, const double *low,
                    const double *high)
{
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        double volts = fabs(high[feature->row] - low[feature->row]);
        if (feature->kind == CJ__F_DC && feature->look == look && feature->channel == channel &&
            volts > RAILS_APART)
            return volts;
    }
    return 0;
}

static double drive_of(const cj__scene *scene, size_t look)
{
    for (size_t i = 0; i < scene->look_count; i++)
        if (scene->looks[i] == look)
            return cj__look_drive(scene, i);
    return 0;
}

bool cj__between_rails(const cj__scene *scene, const double *low, const double *high)
{
    for (size_t f = 0; f < scene->count; f++)
        if (apart(scene, scene->features[f].look, scene->features[f].channel, low, high) > 0)
            return true;
    return false;
}

void cj__between_widen(const cj__scene *scene, const double *low, const double *high,
                       cj__outlook *outlook)
{
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        bool ratio = feature->kind == CJ__F_RATIO || feature->kind == CJ__F_MAGNITUDE;
        int channel = ratio ? 1 : feature->channel;
        double volts = apart(scene, feature->look, channel, low, high) / 2,
               drive = drive_of(scene, feature->look);
        if (volts == 0 || feature->kind == CJ__F_RESISTANCE)
            continue;
        if (feature->kind == CJ__F_DC)
            outlook->mean[feature->row] = (low[feature->row] + high[feature->row]) / 2;
        double size = feature->kind == CJ__F_DC ? volts / EVEN
                      : ratio && drive > 0      ? volts / TONE / drive
                                                : volts / TONE;
        outlook->var[3 * f] += size * size;
        outlook->var[3 * f + 2] += size * size;
    }
}
