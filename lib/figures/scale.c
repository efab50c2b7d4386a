/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Volts at digital full scale, from one recorded tone and one meter reading of it. */
#include "figures/internal.h"

#include <math.h>
#include <string.h>

cj_status cj_full_scale(const cj_measurement *measurement, double reads_v_rms, double *full_scale_v,
                        double *u, cj_error *err)
{
    const char *name = measurement->capture->name;
    const cj_figure *peak = cj_figure_find(&measurement->channel[0], "tone_peak_v");
    if (!(reads_v_rms > 0) || !isfinite(reads_v_rms))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "the meter reading must be volts RMS above zero");
    if (peak == NULL || !isfinite(peak->value))
        return cj_fail(err, CJ_DATA, name, 0, 0,
                       "no tone to scale by in channel 1: %s; record a steady sine",
                       peak ? peak->why : "nothing measured");
    if (strcmp(peak->unit, "FS") != 0)
        return cj_fail(err, CJ_DATA, name, 0, 0,
                       "channel 1 is in %s already; an audio recording without a full scale is "
                       "what needs scaling",
                       peak->unit);
    const cj_figure *flat = cj_figure_find(&measurement->channel[0], "clip_fraction");
    if (flat && flat->value > 0)
        return cj_fail(err, CJ_DATA, name, 0, 0,
                       "the recording is clipped; turn the level down and record again");
    /* the level's own gain uncertainty is what is being calibrated: only the scatter of the fit and
     * the meter (1 %) remain, and the scatter of a usable tone is far below that */
    *full_scale_v = reads_v_rms * sqrt(2) / peak->value;
    *u = 0.01 * *full_scale_v;
    return CJ_OK;
}
