/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Prints the figures of an audio file as NAME.CHANNEL VALUE U, one a line, and losses as
 * loss.CHANNEL AT SECONDS: for outside checks. */
#include "coldjoint/coldjoint.h"

#include <math.h>
#include <stdio.h>

int main(int argc, char **argv)
{
    cj_capture *capture = NULL;
    cj_measurement *m = NULL;
    cj_error err = {0};
    cj_instruments ideal = {.full_scale_v = NAN};
    cj_measure_options options = {.instruments = &ideal};
    cj_capture_options how = {.coupling = CJ_COUPLING_DC};
    if (argc != 2 || cj_capture_open(argv[1], &how, &capture, &err) != CJ_OK ||
        cj_measure(capture, &options, &m, &err) != CJ_OK) {
        fprintf(stderr, "%s\n", err.message);
        return 1;
    }
    for (int c = 0; c < m->channel_count; c++) {
        for (size_t i = 0; i < m->channel[c].count; i++)
            printf("%s.%d %.17g %.17g\n", m->channel[c].items[i].name, c + 1,
                   m->channel[c].items[i].value, m->channel[c].items[i].u);
        for (size_t i = 0; i < m->loss_count[c]; i++)
            printf("loss.%d %.17g %.17g\n", c + 1, m->losses[c][i].at_s, m->losses[c][i].seconds);
    }
    for (size_t i = 0; i < m->pair.count; i++)
        printf("%s.0 %.17g %.17g\n", m->pair.items[i].name, m->pair.items[i].value,
               m->pair.items[i].u);
    cj_measurement_free(m);
    cj_capture_free(capture);
    return 0;
}
