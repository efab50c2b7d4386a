/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is known beforehand: the file that was played, and what the capture chain does by itself. */
#include "cli.h"

#include <string.h>

static cj_status read_stimulus(struct request *request, cj_error *err)
{
    cj_capture *capture = NULL;
    const cj_capture_options first = {.channels = {1, 0}};
    cj_status status = cj_capture_open(request->stimulus_name, &first, &capture, err);
    if (status == CJ_OK)
        status = cj_stimulus_recognise(capture, &request->stimulus, err);
    cj_capture_free(capture);
    if (status == CJ_OK)
        request->measure.played = &request->stimulus;
    return status;
}

/* Both inputs on one point. The chain's own match and skew are what it measures, so they are no
 * uncertainty of it. */
static cj_status read_match(struct request *request, cj_error *err)
{
    struct request own = *request;
    own.json = false; /* no digest */
    own.measure.played = NULL;
    own.measure.match = NULL;
    own.step_hz = 0;
    own.instruments.match = own.instruments.skew_s = 0;
    own.measure.instruments = &own.instruments;
    request->match = cj_new(1, sizeof *request->match);
    if (request->match == NULL)
        return cj_fail_memory(err);
    cj_status status = measured_make(&own, request->match_name, 0, 1, request->match, err);
    if (status == CJ_OK)
        status = cj_match_check(request->match->measurement, err);
    if (status == CJ_OK)
        request->measure.match = request->match->measurement;
    return status;
}

cj_status chain_read(struct request *request, cj_error *err)
{
    cj_status status = request->stimulus_name != NULL ? read_stimulus(request, err) : CJ_OK;
    if (status == CJ_OK && request->match_name != NULL)
        status = read_match(request, err);
    return status;
}

void chain_free(struct request *request)
{
    if (request->match != NULL)
        measured_free(request->match);
    cj_free(request->match);
    cj_free(request->match_name);
    cj_free(request->stimulus_name);
}
