/* SPDX-License-Identifier: GPL-3.0-or-later */
/* spectra.c - FFTW plans, kept per size with their scratch memory. */
#include "signal/internal.h"

#include <string.h>

typedef struct slot {
    size_t n;
    bool complex_input;
    fftw_plan plan;
} slot;

struct cj_spectra {
    slot *slots;
    size_t count, capacity;
    double *in; /* fftw_malloc: aligned */
    fftw_complex *out;
    size_t size; /* doubles of in; out has as many complex values */
};

cj_spectra *cj_spectra_new(void)
{
    return cj_new(1, sizeof(cj_spectra));
}

static void drop_plans(cj_spectra *spectra)
{
    for (size_t i = 0; i < spectra->count; i++) {
        fftw_destroy_plan(spectra->slots[i].plan);
    }
    spectra->count = 0;
}

void cj_spectra_free(cj_spectra *spectra)
{
    if (spectra == NULL) {
        return;
    }
    drop_plans(spectra);
    cj_free(spectra->slots);
    fftw_free(spectra->in);
    fftw_free(spectra->out);
    cj_free(spectra);
}

/* Plans refer to the scratch memory, so growing it drops them. */
static bool make_room(cj_spectra *spectra, size_t n)
{
    if (n <= spectra->size) {
        return true;
    }
    drop_plans(spectra);
    fftw_free(spectra->in);
    fftw_free(spectra->out);
    spectra->size = 0;
    spectra->in = fftw_alloc_real(2 * n);
    spectra->out = fftw_alloc_complex(n);
    if (spectra->in == NULL || spectra->out == NULL) {
        return false;
    }
    spectra->size = n;
    return true;
}

/* FFTW_ESTIMATE: the plan, and so every digit, is the same on each run. */
static fftw_plan plan_of(cj_spectra *spectra, size_t n, bool complex_input)
{
    if (n > INT32_MAX / 2 || !make_room(spectra, n)) {
        return NULL;
    }
    for (size_t i = 0; i < spectra->count; i++) {
        if (spectra->slots[i].n == n && spectra->slots[i].complex_input == complex_input) {
            return spectra->slots[i].plan;
        }
    }
    if (!cj_reserve((void **)&spectra->slots, &spectra->capacity, spectra->count, sizeof(slot))) {
        return NULL;
    }
    fftw_plan plan = complex_input
                         ? fftw_plan_dft_1d((int)n, (fftw_complex *)spectra->in, spectra->out,
                                            FFTW_FORWARD, FFTW_ESTIMATE)
                         : fftw_plan_dft_r2c_1d((int)n, spectra->in, spectra->out, FFTW_ESTIMATE);
    if (plan != NULL) {
        spectra->slots[spectra->count++] = (slot){n, complex_input, plan};
    }
    return plan;
}

cj_status cj__spectrum_padded(cj_spectra *spectra, const double *x, size_t n, size_t padded,
                              const cj_complex **out)
{
    fftw_plan plan = plan_of(spectra, padded, false);
    if (plan == NULL) {
        return CJ_NOMEM;
    }
    memcpy(spectra->in, x, n * sizeof *x);
    memset(spectra->in + n, 0, (padded - n) * sizeof *x);
    fftw_execute(plan);
    *out = (const cj_complex *)spectra->out;
    return CJ_OK;
}

cj_status cj_spectrum(cj_spectra *spectra, const double *x, size_t n, cj_complex *out,
                      cj_error *err)
{
    const cj_complex *values = NULL;
    if (n == 0) {
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "a spectrum of no samples was asked for");
    }
    cj_status status = cj__spectrum_padded(spectra, x, n, n, &values);
    if (status != CJ_OK) {
        return cj_fail_memory(err);
    }
    memcpy(out, values, (n / 2 + 1) * sizeof *out);
    return CJ_OK;
}
