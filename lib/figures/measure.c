/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The figures of one capture. */
#include "figures/response.h"

#include <math.h>

cj_instruments cj__chain_of(const cj_instruments *given, const cj_capture_info *about,
                            double rate_hz)
{
    cj_instruments chain;
    cj_instruments_default(&chain);
    if (given)
        chain = *given;
    bool scope = about->kind == CJ_KIND_SCOPE;
    if (isnan(chain.gain))
        chain.gain = scope ? 0.02 : 0.05;
    if (isnan(chain.match))
        chain.match = scope ? 0.01 : 0.005;
    if (isnan(chain.skew_s))
        chain.skew_s = scope && rate_hz > 0 ? 0.1 / rate_hz : 0;
    if (isnan(chain.offset_v)) {
        double step = 0;
        for (int c = 0; c < about->selected_count; c++)
            step = fmax(step, about->channels[about->selected[c]].step);
        chain.offset_v = step / 2;
    }
    if (isnan(chain.noise_v))
        chain.noise_v = 0;
    return chain;
}

/* The times of what `dropouts` counts. */
static cj_status list_losses(const cj__analysis *all, int c, cj_measurement *out)
{
    const cj_figure *counted = cj_figure_find(&out->channel[c], "dropouts");
    const cj__drops *drops = &all->drops[c];
    double rate = all->about->rate_hz;
    size_t count = drops->count < CJ_LOSSES ? drops->count : CJ_LOSSES;
    if (counted == NULL || !(counted->value > 0) || !(rate > 0) || count == 0)
        return CJ_OK;
    if ((out->losses[c] = cj_new(count, sizeof(cj_loss))) == NULL)
        return CJ_NOMEM;
    out->loss_count[c] = count;
    for (size_t i = 0; i < count; i++)
        out->losses[c][i] = (cj_loss){all->about->start_s + (double)drops->at[i] / rate,
                                      (double)drops->length[i] / rate};
    return CJ_OK;
}

cj_status cj_measure(cj_capture *capture, const cj_measure_options *options, cj_measurement **out,
                     cj_error *err)
{
    cj__analysis *analysis = NULL;
    cj_measurement *measurement = cj_new(1, sizeof *measurement);
    cj_status status = CJ_NOMEM;
    if (measurement == NULL)
        goto out;
    status = cj__analyse(capture, options, &analysis, err);
    if (status != CJ_OK)
        goto out;
    measurement->capture = cj_capture_about(capture);
    measurement->channel_count = analysis->channels;
    status = cj__response_of(capture, options, analysis, &measurement->response, err);
    analysis->response = analysis->two.present ? NULL : measurement->response;
    for (int c = 0; c < analysis->channels && status == CJ_OK; c++)
        status = cj__channel_figures(analysis, c, &measurement->channel[c]);
    for (int c = 0; c < analysis->channels && status == CJ_OK; c++)
        status = list_losses(analysis, c, measurement);
    if (status == CJ_OK && analysis->channels == 2)
        status = cj__pair_figures(analysis, &measurement->pair);
    if (status == CJ_OK && options && options->match && analysis->channels == 2)
        status = cj__apply_match(measurement, options->match);
    if (status == CJ_OK)
        status = cj__advise(analysis, measurement, &measurement->advice);
out:
    cj__analysis_free(analysis);
    if (status == CJ_OK) {
        *out = measurement;
        return CJ_OK;
    }
    cj_measurement_free(measurement);
    return status == CJ_NOMEM ? cj_fail_memory(err) : status;
}

void cj_measurement_free(cj_measurement *measurement)
{
    if (measurement == NULL)
        return;
    for (int c = 0; c < 2; c++) {
        cj_figure_set_free(&measurement->channel[c]);
        cj_free(measurement->losses[c]);
    }
    cj_figure_set_free(&measurement->pair);
    cj_response_free(measurement->response);
    cj_lines_free(&measurement->advice);
    cj_free(measurement);
}
