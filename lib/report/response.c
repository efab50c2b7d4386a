/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A response: a short table for a person, all points in JSON. */
#include "report/internal.h"
#include "report/json.h"

#include <math.h>
#include <string.h>

/* The point nearest to a frequency, within a third of an octave; count: none. */
static size_t nearest(const cj_response *r, double hz)
{
    size_t best = r->count;
    double least = log(2) / 3;
    for (size_t i = 0; i < r->count; i++)
        if (fabs(log(r->hz[i] / hz)) < least) {
            least = fabs(log(r->hz[i] / hz));
            best = i;
        }
    return best;
}

static void cell(cj_text *out, size_t start, size_t column, double value, double u,
                 const char *unit)
{
    cj__pad(out, start, column);
    if (isfinite(value))
        cj__write_value(out, value, u, unit);
    else
        cj_text_add(out, "-");
}

/* One line: at `hz` where that lies among the points, else at point k itself. */
static void write_point(cj_text *out, const cj_response *r, size_t k, double hz)
{
    size_t start = out->length;
    double gain = r->gain_db[k], u_gain = r->u_gain_db[k];
    double phase = r->phase_deg[k], u_phase = r->u_phase_deg[k];
    if (hz >= r->hz[0] && hz <= r->hz[r->count - 1] && hz != r->hz[k]) {
        cj_response_at(r, hz, &gain, &u_gain, &phase, &u_phase);
    } else { /* four digits tell it from its neighbours */
        double unit = pow(10, floor(log10(r->hz[k])) - 3);
        hz = round(r->hz[k] / unit) * unit;
    }
    cj_text_add(out, "  ");
    cj__write_value(out, hz, NAN, "Hz");
    cell(out, start, 14, gain, u_gain, "dB");
    cell(out, start, 36, phase, u_phase, "deg");
    if (isfinite(r->thd_percent[k])) {
        cj__pad(out, start, 58);
        cj_text_add(out, "THD ");
        cj__write_rounded(out, r->thd_percent[k], r->thd_percent[k] / 50, "%");
    }
    cj_text_add(out, "\n");
}

void cj__write_response(cj_text *out, const cj_response *r, const char *heading)
{
    static const double shown[] = {10,   20,   50,    100,   200,   500,  1000,
                                   2000, 5000, 10000, 20000, 40000, 80000};
    const size_t rows = sizeof shown / sizeof shown[0];
    size_t last = r->count;
    if (r->count == 0)
        return;
    cj_text_add(out, "\n%s\n", heading);
    for (size_t k = 0; r->count <= rows && k < r->count; k++) /* of two tones: both */
        write_point(out, r, k, r->hz[k]);
    for (size_t i = 0; r->count > rows && i < rows; i++) {
        size_t k = nearest(r, shown[i]);
        if (k == r->count || k == last)
            continue;
        last = k;
        write_point(out, r, k, shown[i]);
    }
}

static json_t *array(struct cj__json *json, const double *values, size_t count)
{
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++)
        cj__json_append(json, list, cj__json_number(values[i]));
    return list;
}

json_t *cj__json_response(struct cj__json *json, const cj_response *r)
{
    const struct {
        const char *key;
        const double *values;
    } arrays[] = {{"hz", r->hz},
                  {"gain_db", r->gain_db},
                  {"u_gain_db", r->u_gain_db},
                  {"phase_deg", r->phase_deg},
                  {"u_phase_deg", r->u_phase_deg},
                  {"delay_s", r->delay_s},
                  {"coherence", r->coherence},
                  {"thd_percent", r->thd_percent}};
    json_t *object = json_object();
    for (size_t i = 0; i < sizeof arrays / sizeof arrays[0]; i++)
        cj__json_set(json, object, arrays[i].key, array(json, arrays[i].values, r->count));
    cj__json_set(json, object, "reference_hz", cj__json_number(r->reference_hz));
    cj__json_set(json, object, "against", json_string(r->of_stimulus ? "stimulus" : "channel 1"));
    return object;
}
