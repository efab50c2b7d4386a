/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Limits from good units, for a board that has none. */
#include "unitlog/stats.h"

#include <math.h>

enum side { BOTH, UPPER, LOWER };

static const struct {
    const char *figure;
    enum side side;
} proposable[] = {
    {"gain_db", BOTH},      {"phase_deg", BOTH},    {"dc_v", BOTH},
    {"thd_percent", UPPER}, {"imd_percent", UPPER}, {"noise_a_v", UPPER},
    {"hum_v", UPPER},       {"low_3db_hz", UPPER},  {"high_3db_hz", LOWER},
};
enum { PROPOSABLE = sizeof proposable / sizeof proposable[0] };

/* Outward to two digits of what was added to the mean. */
static double outward(double limit, double reach, bool up)
{
    double step = pow(10, floor(log10(reach)) - 1);
    double rounded = (up ? ceil(limit / step) : floor(limit / step)) * step;
    return rounded == 0 ? 0 : rounded;
}

static int row_of(const char *key)
{
    for (int i = 0; i < PROPOSABLE; i++)
        if (cj__is_figure(key, proposable[i].figure))
            return i;
    return -1;
}

struct good {
    bool *keep;
    double *values;
    size_t *places;
    cj__factors factors;
};

static void propose(cj_batch *batch, const cj_logged_values *logged, struct good *good)
{
    int row = row_of(logged->key);
    if (row < 0 || logged->hz > 0)
        return;
    size_t count = cj__measured(batch->log, logged, good->keep, good->values, good->places);
    cj_summary summary = cj_summarise(good->values, count);
    if (count < CJ_PROPOSE_LEAST || !(summary.spread > 0))
        return;
    enum side side = proposable[row].side;
    const cj__factors *factors = cj__factors_of(&good->factors, count);
    double reach = summary.spread * (side == BOTH ? factors->two_sided : factors->one_sided);
    batch->proposed[batch->proposed_count++] =
        (cj_proposed){.logged = logged,
                      .min = side == UPPER ? NAN : outward(summary.mean - reach, reach, false),
                      .max = side == LOWER ? NAN : outward(summary.mean + reach, reach, true),
                      .count = count};
}

static bool is_good(const cj_run_head *run)
{
    return run->verdict != CJ_FAIL && !cj__is_suspect(run);
}

cj_status cj__propose(cj_batch *batch, cj_error *err)
{
    const cj_batch_log *log = batch->log;
    struct good good = {.keep = cj_new(log->run_count + 1, sizeof *good.keep),
                        .values = cj_new(log->run_count + 1, sizeof *good.values),
                        .places = cj_new(log->run_count + 1, sizeof *good.places)};
    batch->proposed = cj_new(log->figure_count + 1, sizeof *batch->proposed);
    bool made =
        good.keep != NULL && good.values != NULL && good.places != NULL && batch->proposed != NULL;
    bool limited = false;
    for (size_t i = 0; made && i < log->run_count; i++) {
        good.keep[i] = is_good(&log->runs[i]);
        batch->good += good.keep[i];
    }
    for (size_t i = 0; i < log->figure_count; i++)
        limited = limited || log->figures[i].limited;
    for (size_t i = 0; made && !limited && i < log->figure_count; i++)
        propose(batch, &log->figures[i], &good);
    cj_free(good.keep);
    cj_free(good.values);
    cj_free(good.places);
    return made ? CJ_OK : cj_fail_memory(err);
}
