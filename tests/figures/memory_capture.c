/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "memory_capture.h"

#include <math.h>
#include <string.h>

cj_capture *as_capture(struct memory_capture *made)
{
    return (cj_capture *)made;
}

const cj_capture_info *cj_capture_about(const cj_capture *capture)
{
    return &((const struct memory_capture *)capture)->info;
}

cj_status cj_capture_read(cj_capture *capture, size_t start, size_t count, double *const out[2],
                          cj_error *err)
{
    const struct memory_capture *made = (const struct memory_capture *)capture;
    if (start > made->info.samples || count > made->info.samples - start)
        return cj_fail(err, CJ_BUG, "memory", 0, 0, "read past the end");
    for (int c = 0; c < made->info.selected_count; c++)
        if (out[c])
            memcpy(out[c], made->x[c] + start, count * sizeof(double));
    return CJ_OK;
}

struct memory_capture *memory_capture_new(int channels, size_t n, double rate)
{
    static const cj_lines no_notes;
    struct memory_capture *made = cj_new(1, sizeof *made);
    made->info = (cj_capture_info){.name = "memory",
                                   .file_count = 1,
                                   .kind = CJ_KIND_SCOPE,
                                   .rate_hz = rate,
                                   .samples = n,
                                   .coupling = CJ_COUPLING_DC,
                                   .channel_count = channels,
                                   .channels = made->channel,
                                   .selected_count = channels,
                                   .selected = {0, 1},
                                   .notes = &no_notes};
    for (int c = 0; c < channels; c++) {
        made->channel[c] = (cj_channel_info){.name = c ? "CH2" : "CH1", .unit = "V"};
        made->x[c] = cj_new(n, sizeof(double));
    }
    return made;
}

void memory_capture_free(struct memory_capture *made)
{
    if (made == NULL)
        return;
    cj_free(made->x[0]);
    cj_free(made->x[1]);
    cj_free(made);
}

void memory_capture_quantise(struct memory_capture *made, int channel, double step)
{
    made->channel[channel].step = step;
    for (size_t i = 0; i < made->info.samples; i++)
        made->x[channel][i] = step * nearbyint(made->x[channel][i] / step);
}

static double uniform(unsigned long long *state)
{
    *state ^= *state >> 12;
    *state ^= *state << 25;
    *state ^= *state >> 27;
    return (double)((*state * 2685821657736338717ull) >> 11) * 0x1p-53;
}

double normal(unsigned long long *state)
{
    double u = uniform(state), v = uniform(state);
    return sqrt(-2 * log(u + 1e-300)) * cos(2 * M_PI * v);
}
