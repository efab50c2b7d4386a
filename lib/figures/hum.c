#include "figures/internal.h"
struct cj__hum_sums {
    int x;
};
cj__hum_sums *cj__hum_new(const cj__analysis *all, double mains_hz)
{
    (void)all;
    (void)mains_hz;
    return cj_new(1, 4);
}
void cj__hum_free(cj__hum_sums *sums)
{
    cj_free(sums);
}
cj_status cj__hum_add(cj__hum_sums *sums, cj_spectra *spectra, const double *const left[2],
                      size_t n, const cj_tone_fit *fit, cj_error *err)
{
    (void)sums;
    (void)spectra;
    (void)left;
    (void)n;
    (void)fit;
    (void)err;
    return CJ_OK;
}
void cj__hum_finish(const cj__hum_sums *sums, int channel, cj__noise *noise)
{
    (void)sums;
    (void)channel;
    (void)noise;
}
cj_status cj__pair_correlate(cj__pair_sums *pair, cj_spectra *spectra, const double *one,
                             const double *two, size_t n, cj_error *err)
{
    (void)pair;
    (void)spectra;
    (void)one;
    (void)two;
    (void)n;
    (void)err;
    return CJ_OK;
}
void cj__pair_finish(cj__pair_sums *pair)
{
    (void)pair;
}
