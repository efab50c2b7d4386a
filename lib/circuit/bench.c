/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bench.c - placeholder while the room is being built: everything answers that it is not there yet.
 */
#include "circuit/netlist.h"

#define CJ__NOT_YET(err) cj_fail(err, CJ_BUG, "", 0, 0, "the circuit room is not there yet")

cj_status cj_bench_make(const cj_board *board, cj_bench **out, cj_error *err)
{
    (void)board, (void)out;
    return CJ__NOT_YET(err);
}

void cj_bench_free(cj_bench *bench)
{
    cj_free(bench);
}

size_t cj_bench_parameter_count(const cj_bench *bench)
{
    (void)bench;
    return 0;
}

const cj_parameter *cj_bench_parameters(const cj_bench *bench)
{
    (void)bench;
    return NULL;
}

cj_status cj_bench_look(cj_bench *bench, size_t step, const cj_view *see, int see_count,
                        size_t *look, cj_error *err)
{
    (void)bench, (void)step, (void)see, (void)see_count, (void)look;
    return CJ__NOT_YET(err);
}

cj_status cj_prediction_make(const cj_bench *bench, size_t look, cj_prediction **out, cj_error *err)
{
    (void)bench, (void)look, (void)out;
    return CJ__NOT_YET(err);
}

void cj_prediction_free(cj_prediction *prediction)
{
    cj_free(prediction);
}

cj_status cj_bench_predict(cj_bench *bench, size_t look, const cj_variant *variant, unsigned want,
                           cj_prediction *out, cj_error *err)
{
    (void)bench, (void)look, (void)variant, (void)want, (void)out;
    return CJ__NOT_YET(err);
}

cj_status cj_bench_response(cj_bench *bench, size_t look, const cj_variant *variant,
                            const double *hz, size_t count, cj_complex *out, cj_error *err)
{
    (void)bench, (void)look, (void)variant, (void)hz, (void)count, (void)out;
    return CJ__NOT_YET(err);
}
