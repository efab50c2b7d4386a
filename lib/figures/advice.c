/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What to set and capture again, where the capture is poor. A sentence each, most useful first. */
#include "figures/internal.h"

#include <math.h>
#include <string.h>

#define ADD(call)                                                                                  \
    do {                                                                                           \
        if ((call) != CJ_OK)                                                                       \
            return CJ_NOMEM;                                                                       \
    } while (0)

#define FEW_STEPS                                                                                  \
    24 /* a dozen or two of 256 steps: one step is then several per cent of the signal */

static const cj_channel_info *info_of(const cj__analysis *all, int channel)
{
    return &all->about->channels[all->about->selected[channel]];
}

static cj_status advise_level(const cj__analysis *all, int c, cj_lines *advice)
{
    const cj_channel_info *info = info_of(all, c);
    double range = all->level[c].high - all->level[c].low;
    bool scope = all->about->kind == CJ_KIND_SCOPE;
    if (scope && info->step > 0 && all->signal[c] != CJ__SIGNAL_SILENCE &&
        range / info->step < FEW_STEPS)
        ADD(cj_lines_add(
            advice,
            "Channel %d (%s) uses only %.0f of the converter's steps: set more volts per screen "
            "away and capture again.",
            c + 1, info->name, range / info->step + 1));
    double top = fmax(fabs(all->level[c].high), fabs(all->level[c].low));
    bool full_scale = strcmp(info->unit, "FS") == 0;
    if (full_scale && top >= 0.9999)
        ADD(cj_lines_add(
            advice,
            "Channel %d (%s) reaches digital full scale: what looks clipped may be the recorder. "
            "Turn its input down and record again.",
            c + 1, info->name));
    if (full_scale && all->tone.present && all->tone.channel[c].seen && top < 0.01)
        ADD(cj_lines_add(
            advice,
            "Channel %d (%s) is recorded 40 dB or more below full scale: turn the input up.", c + 1,
            info->name));
    return CJ_OK;
}

static cj_status advise_flat_tops(const cj__analysis *all, const cj_measurement *measurement,
                                  cj_lines *advice)
{
    for (int c = 0; c < all->channels; c++) {
        double flat = cj__value(&measurement->channel[c], "clip_fraction");
        if (flat > 0 && all->signal[c] != CJ__SIGNAL_SQUARE)
            ADD(cj_lines_add(
                advice,
                "Channel %d (%s) has flat tops: if the trace left the screen or the recorder "
                "was full, lower the level and capture again; if not, the unit itself clips.",
                c + 1, info_of(all, c)->name));
    }
    return CJ_OK;
}

static cj_status advise_time(const cj__analysis *all, cj_lines *advice)
{
    const cj_capture_info *about = all->about;
    if (!(about->rate_hz > 0))
        ADD(cj_lines_add(
            advice, "The file states no sample rate: frequencies and delays cannot be told. Export "
                    "the time column with it."));
    if (all->tone.present && all->tone.periods < 3)
        ADD(cj_lines_add(
            advice,
            "Only %.1f periods of the tone are in the record: a slower time base (five periods or "
            "more) tells more.",
            all->tone.periods));
    if (all->tone.present && all->tone.frequency > 0.2)
        ADD(cj_lines_add(advice, "Fewer than five samples a period: a faster time base or sample "
                                 "rate shows harmonics."));
    if (!all->tone.steady && all->tone.present)
        ADD(cj_lines_add(advice,
                         "The tone's frequency wanders during the record: the mean is given."));
    return CJ_OK;
}

cj_status cj__advise(const cj__analysis *all, const cj_measurement *measurement, cj_lines *advice)
{
    for (int c = 0; c < all->channels; c++)
        ADD(advise_level(all, c, advice));
    ADD(advise_flat_tops(all, measurement, advice));
    ADD(advise_time(all, advice));
    /* every audio interface is: there the figure's own reason says enough */
    if (all->about->coupling == CJ_COUPLING_AC && all->about->kind == CJ_KIND_SCOPE)
        ADD(cj_lines_add(
            advice,
            "AC-coupled: DC offset cannot be seen here. Set the input to DC, or use a meter."));
    if (all->tone.present && all->signal[all->tone.reference] != CJ__SIGNAL_STEPPED &&
        all->used < all->part_samples)
        ADD(cj_lines_add(advice, "The tone fills %zu of %zu samples: the rest is left out.",
                         all->used, all->part_samples));
    return CJ_OK;
}
