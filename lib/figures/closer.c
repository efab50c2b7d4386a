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

cj_status cj__look_closer(cj_capture *capture, const cj_measure_options *options, cj__analysis *all,
                          cj_error *err)
{
    (void)options;
    cj_status status = CJ_OK;
    if (holds(all, CJ__SIGNAL_TWO_TONE))
        status = cj__two_tones_measure(capture, all, err);
    if (status == CJ_OK && holds(all, CJ__SIGNAL_SQUARE))
        status = cj__edges_measure(capture, all, err);
    return status;
}
