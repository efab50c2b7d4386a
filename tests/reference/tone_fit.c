/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * tone_fit.c - the library's tone fit as one JSON object, for the comparison with
 * tone_reference.py.
 *
 *     tone_fit raw FILE CHANNELS [HARMONICS [REPEAT]]     doubles, one channel after the other
 *     tone_fit capture FILE RAW                           reads a capture, leaves its doubles in
 * RAW
 *
 * With REPEAT the fit is made that often, and "seconds" is the least time one took.
 */
#include "coldjoint/capture.h"
#include "coldjoint/signal.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static int complain(const cj_error *err)
{
    char text[2048];
    cj_error_text(err, text, sizeof text);
    fprintf(stderr, "%s\n", text);
    return 1;
}

static void print_number(const char *name, double value)
{
    if (isfinite(value))
        printf("\"%s\": %.17g", name, value);
    else
        printf("\"%s\": null", name);
}

static void print_channel(const cj_tone_fit *fit, int c)
{
    const cj_tone_channel *of = &fit->channel[c];
    printf("%s{", c ? ", " : "");
    print_number("dc", of->dc);
    printf(", ");
    print_number("dc_u", of->dc_u);
    printf(", ");
    print_number("residual", of->residual);
    printf(", \"line\": [");
    for (int k = 0; k < fit->harmonics; k++)
        printf("%s[%.17g, %.17g]", k ? ", " : "", of->line[k].re, of->line[k].im);
    printf("], \"peak_u\": [");
    for (int k = 0; k < fit->harmonics; k++)
        printf("%s%.17g", k ? ", " : "", of->peak_u[k]);
    printf("], \"phase_u\": [");
    for (int k = 0; k < fit->harmonics; k++)
        printf("%s%.17g", k ? ", " : "", of->phase_u[k]);
    printf("]}");
}

static double now(void)
{
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return (double)at.tv_sec + 1e-9 * (double)at.tv_nsec;
}

static int print_fit(const double *const x[], int channels, size_t n, int harmonics, int repeat)
{
    cj_error err;
    cj_tone_fit *fit = NULL;
    cj_tone_options options = {.harmonics = harmonics};
    cj_spectra *spectra = cj_spectra_new();
    double best = INFINITY;
    for (int i = 0; i < repeat; i++) {
        double start = now();
        cj_tone_fit_free(fit);
        if (cj_tone_fit_make(spectra, x, channels, n, &options, &fit, &err) != CJ_OK) {
            cj_spectra_free(spectra);
            return complain(&err);
        }
        best = fmin(best, now() - start);
    }
    printf("{\"frequency\": %.17g, \"frequency_u\": %.17g, \"harmonics\": %d, \"converged\": %s, "
           "\"seconds\": %.9f, \"channels\": [",
           fit->frequency, fit->frequency_u, fit->harmonics, fit->converged ? "true" : "false",
           best);
    for (int c = 0; c < channels; c++)
        print_channel(fit, c);
    printf("]}\n");
    cj_tone_fit_free(fit);
    cj_spectra_free(spectra);
    return 0;
}

static int run_raw(const char *path, int channels, int harmonics, int repeat)
{
    FILE *file = fopen(path, "rb");
    if (file == NULL || channels < 1 || channels > 2 || fseek(file, 0, SEEK_END) != 0) {
        fprintf(stderr, "%s: cannot be read as %d channels\n", path, channels);
        return 1;
    }
    size_t n = (size_t)ftell(file) / sizeof(double) / (size_t)channels;
    double *all = calloc(n * (size_t)channels, sizeof *all);
    rewind(file);
    size_t got = fread(all, sizeof *all, n * (size_t)channels, file);
    fclose(file);
    const double *x[2] = {all, all + (channels > 1 ? n : 0)};
    int bad = got == n * (size_t)channels ? print_fit(x, channels, n, harmonics, repeat) : 1;
    free(all);
    return bad;
}

static int run_capture(const char *name, const char *raw)
{
    cj_error err;
    cj_capture *capture = NULL;
    if (cj_capture_open(name, NULL, &capture, &err) != CJ_OK)
        return complain(&err);
    const cj_capture_info *about = cj_capture_about(capture);
    size_t n = about->samples;
    int channels = about->selected_count, bad = 1;
    double *x[2] = {calloc(n, sizeof(double)), channels > 1 ? calloc(n, sizeof(double)) : NULL};
    FILE *file = fopen(raw, "wb");
    if (file != NULL && cj_capture_read(capture, 0, n, x, &err) == CJ_OK) {
        for (int c = 0; c < channels; c++)
            fwrite(x[c], sizeof(double), n, file);
        const double *in[2] = {x[0], x[1]};
        bad = print_fit(in, channels, n, 0, 1);
    }
    if (file != NULL)
        fclose(file);
    free(x[0]);
    free(x[1]);
    cj_capture_free(capture);
    return bad;
}

int main(int argc, char **argv)
{
    if (argc >= 4 && strcmp(argv[1], "raw") == 0)
        return run_raw(argv[2], atoi(argv[3]), argc > 4 ? atoi(argv[4]) : 0,
                       argc > 5 ? atoi(argv[5]) : 1);
    if (argc == 4 && strcmp(argv[1], "capture") == 0)
        return run_capture(argv[2], argv[3]);
    fprintf(stderr, "tone_fit raw FILE CHANNELS [HARMONICS [REPEAT]] | capture FILE RAW\n");
    return 64;
}
