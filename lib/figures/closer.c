/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The second look: what a record tells further, once it is known what it holds. */
#include "figures/internal.h"

static bool holds(const cj__analysis *all, cj__signal_kind kind)
{
    for (int c = 0; c < all->channels; c++)
        if (all->signal[c] == kind)
            return true;
    return false;
}

/* A tone that explains all but a part in fifty of its channel has one level. */
static bool may_be_stepped(const cj__analysis *all)
{
    const cj__tone_channel *one = &all->tone.channel[0];
    if (all->sweep || all->signal[0] == CJ__SIGNAL_SQUARE || all->signal[0] == CJ__SIGNAL_SILENCE ||
        all->signal[0] == CJ__SIGNAL_NOISE)
        return false;
    return !all->tone.present || one->residual > 0.02 * one->peak * one->peak / 2 ||
           all->samples < all->about->samples || all->drops[0].count > 0;
}

cj_status cj__look_closer(cj_capture *capture, const cj_measure_options *options, cj__analysis *all,
                          cj_error *err)
{
    cj_status status = CJ_OK;
    bool stepped = false,
         told = options && options->played && options->played->signal == CJ_SIG_STEPPED;
    if (told || may_be_stepped(all))
        status = cj__stepped_measure(capture, all, &stepped, err);
    for (int c = 0; c < all->channels && stepped; c++)
        if (all->signal[c] != CJ__SIGNAL_SILENCE)
            all->signal[c] = CJ__SIGNAL_STEPPED;
    if (status == CJ_OK && holds(all, CJ__SIGNAL_TWO_TONE))
        status = cj__two_tones_measure(capture, all, err);
    if (status == CJ_OK && holds(all, CJ__SIGNAL_SQUARE))
        status = cj__edges_measure(capture, all, err);
    return status;
}
