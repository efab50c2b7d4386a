/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * DC that may be elsewhere than it is predicted to rest.
 *
 * An output that may rest at either rail may also go to and fro between them: millivolts decide,
 * and a trace of the tone is enough. Nothing narrow can be said of it then: DC anywhere between the
 * two, a tone of any size and phase (fault_physics 4: "uniform between the rails"). Or it rests at
 * one rail in most steps and at the other one in the rest of them. And behind a capacitor there may
 * still be the charge of the step before.
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

#define AT_RAIL 2.0 /* V of DC: more than an offset */

/* DC predicted at a rail and seen at one: +1 at that one, -1 at the other, 0 not so. */
static int side(const cj__feature *feature, double mean)
{
    if (feature->kind != CJ__F_DC || !(fabs(mean) > AT_RAIL && fabs(feature->x[0]) > AT_RAIL))
        return 0;
    return mean * feature->x[0] < 0 ? -1 : 1;
}

/* Whether that net also was where it was predicted: one that never is, does not go both ways. */
static bool goes_both_ways(const cj__scene *scene, const cj__feature *of,
                           const cj__outlook *outlook)
{
    const cj_step *steps = scene->board->steps;
    int net = steps[of->step].see[of->channel].net;
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        if (side(feature, outlook->mean[feature->row]) > 0 &&
            steps[feature->step].see[feature->channel].net == net)
            return true;
    }
    return false;
}

/* Which rows were turned stays in outlook->up. */
size_t cj__between_turn(const cj__scene *scene, cj__outlook *outlook)
{
    size_t turned = 0;
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        bool other = side(feature, outlook->mean[feature->row]) < 0 &&
                     goes_both_ways(scene, feature, outlook);
        outlook->up[feature->row] = other ? -1 : 1;
        turned += other;
    }
    cj__between_turn_back(scene, outlook);
    return turned;
}

void cj__between_turn_back(const cj__scene *scene, cj__outlook *outlook)
{
    for (size_t f = 0; f < scene->count; f++)
        outlook->mean[scene->features[f].row] *= outlook->up[scene->features[f].row];
}

/* V: where a capacitor stands before it, DC hangs on the parts by less. */
#define BLOCKED 1e-4
#define OFF 6 /* standard deviations */

/* Whether it is read at the driven jack. */
static bool at_source(const cj__scene *scene, const cj__feature *feature)
{
    for (size_t i = 0; i < scene->look_count; i++)
        if (scene->looks[i] == feature->look)
            return cj__look_source(scene, i, feature->channel);
    return false;
}

#define COUPLES 10e-9 /* F: smaller ones settle before anything is read */

/* Whether DC can be blocked: a capacitor between two signal nets. */
static bool coupled(const cj_board *board)
{
    for (size_t p = 0; p < board->part_count; p++) {
        const cj_part *part = &board->parts[p];
        if (part->kind != CJ_CAPACITOR || part->value < COUPLES)
            continue;
        bool signal = true;
        for (int pin = 0; pin < 2; pin++)
            signal = signal && part->pins[pin] != CJ_GND && part->pins[pin] != board->v_plus &&
                     part->pins[pin] != board->v_minus;
        if (signal)
            return true;
    }
    return false;
}

size_t cj__between_unsettled(const cj__scene *scene, const cj__outlook *good, cj__outlook *outlook)
{
    size_t unsettled = 0, columns = (size_t)outlook->columns;
    if (!(outlook->steps_in_time || outlook->residue) || !coupled(scene->board))
        return 0;
    for (size_t f = 0; f < scene->count; f++) {
        const cj__feature *feature = &scene->features[f];
        const double *by = good->by + (size_t)feature->row * columns;
        double off = feature->x[0] - outlook->mean[feature->row], spread = 0,
               variance = feature->var[0] + outlook->var[3 * f];
        bool plain = feature->kind == CJ__F_DC && off * off > OFF * OFF * variance;
        for (size_t c = 0; c < columns && plain; c++)
            spread += by[c] * by[c];
        if (!plain || spread > BLOCKED * BLOCKED || fabs(good->mean[feature->row]) > BLOCKED ||
            at_source(scene, feature))
            continue;
        outlook->var[3 * f] += off * off;
        unsettled++;
    }
    return unsettled;
}
