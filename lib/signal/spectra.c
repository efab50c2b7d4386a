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

bool cj__transform(cj_spectra *spectra, cj_complex *z, size_t n, bool inverse)
{
    fftw_plan plan = make_room(spectra, n) ? plan_of(spectra, n, true) : NULL;
    if (plan == NULL)
        return false;
    for (size_t i = 0; i < n; i++) {
        spectra->in[2 * i] = z[i].re;
        spectra->in[2 * i + 1] = inverse ? -z[i].im : z[i].im;
    }
    fftw_execute(plan);
    for (size_t i = 0; i < n; i++)
        z[i] = (cj_complex){spectra->out[i][0], inverse ? -spectra->out[i][1] : spectra->out[i][1]};
    return true;
}

/* x + jy through the complex transform of the padded size; the result stays in spectra->out. */
static bool transform_pair(cj_spectra *spectra, const double *x, const double *y, size_t n,
                           size_t padded)
{
    fftw_plan plan = make_room(spectra, padded) ? plan_of(spectra, padded, true) : NULL;
    if (plan == NULL)
        return false;
    for (size_t i = 0; i < n; i++) {
        spectra->in[2 * i] = x[i];
        spectra->in[2 * i + 1] = y[i];
    }
    memset(spectra->in + 2 * n, 0, 2 * (padded - n) * sizeof(double));
    fftw_execute(plan);
    return true;
}

/* The transforms of the real and of the imaginary input at k, from that of their sum. */
static void part(const fftw_complex *z, size_t k, size_t n, cj_complex *x, cj_complex *y)
{
    const double *a = z[k], *b = z[k == 0 ? 0 : n - k];
    *x = (cj_complex){0.5 * (a[0] + b[0]), 0.5 * (a[1] - b[1])};
    *y = (cj_complex){0.5 * (a[1] + b[1]), 0.5 * (b[0] - a[0])};
}

cj_status cj_spectrum_two(cj_spectra *spectra, const double *x, const double *y, size_t n,
                          cj_complex *x_out, cj_complex *y_out, cj_error *err)
{
    if (n == 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "a spectrum of no samples was asked for");
    if (!transform_pair(spectra, x, y, n, n))
        return cj_fail_memory(err);
    for (size_t k = 0; k <= n / 2; k++)
        part(spectra->out, k, n, &x_out[k], &y_out[k]);
    return CJ_OK;
}

/* The inverse transform by a forward one: that of the conjugate, conjugated. */
cj_status cj__cross(cj_spectra *spectra, const double *x, const double *y, size_t n, size_t padded,
                    cj_complex *out)
{
    if (!transform_pair(spectra, x, y, n, padded))
        return CJ_NOMEM;
    for (size_t k = 0; k < padded; k++) {
        cj_complex a, b;
        part(spectra->out, k, padded, &a, &b);
        /* conj(conj(a) b) */
        spectra->in[2 * k] = a.re * b.re + a.im * b.im;
        spectra->in[2 * k + 1] = a.im * b.re - a.re * b.im;
    }
    fftw_execute(plan_of(spectra, padded, true));
    for (size_t k = 0; k < padded; k++)
        out[k] =
            (cj_complex){spectra->out[k][0] / (double)padded, -spectra->out[k][1] / (double)padded};
    return CJ_OK;
}
