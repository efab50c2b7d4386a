/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Two tones: intermodulation, and channel 2 against channel 1 at each.
 *
 * Modulation (SMPTE RP 120 with 60 Hz and 7 kHz 4:1, IEC 60268-3 "modulation distortion of the n-th
 * order"; from memory, with U(f) the level of the line at f):
 *     d2 = [U(f2 + f1) + U(f2 - f1)] / U(f2),  d3 = [U(f2 + 2 f1) + U(f2 - 2 f1)] / U(f2)
 * Difference frequency (IEC 60268-3, two close tones of one level; from memory):
 *     d2 = U(f2 - f1) / (2 U(f2)),  d3 = [U(2 f1 - f2) + U(2 f2 - f1)] / (2 U(f2))
 * The figure is the root of d2^2 + d3^2: the lines of a pair add as volts, the orders as powers.
 */
#include "figures/internal.h"

#include <math.h>
#include <string.h>

#define ADD(call)                                                                                  \
    do {                                                                                           \
        if ((call) != CJ_OK)                                                                       \
            return CJ_NOMEM;                                                                       \
    } while (0)

#define LOOKS 8   /* blocks of a long record that are fitted */
#define CLEAR 4.5 /* standard uncertainties a tone stands out by */

/* ---- the two strongest lines ---- */

/* A Hann-windowed bin of a plain spectrum, squared. */
static double hann_square(const cj_complex *bins, size_t k)
{
    double re = bins[k].re / 2 - (bins[k - 1].re + bins[k + 1].re) / 4;
    double im = bins[k].im / 2 - (bins[k - 1].im + bins[k + 1].im) / 4;
    return re * re + im * im;
}

struct peak {
    double frequency; /* cycles a sample */
    double square;    /* of its peak value; 0: none */
};

/* The largest bin not within `apart` of `but`, its frequency by a parabola through the logarithms.
 */
static struct peak strongest(const cj_complex *bins, size_t n, double but, double apart)
{
    size_t at = 0;
    double best = 0;
    for (size_t k = 2; k + 2 < n / 2; k++) {
        double square = hann_square(bins, k);
        if (square > best && fabs((double)k - but) > apart) {
            best = square;
            at = k;
        }
    }
    if (at == 0)
        return (struct peak){0};
    double low = hann_square(bins, at - 1), high = hann_square(bins, at + 1), shift = 0;
    if (low > 0 && high > 0) {
        double bend = log(low) - 2 * log(best) + log(high);
        shift = bend < 0 ? (log(low) - log(high)) / (2 * bend) : 0;
    }
    /* half a bin off a Hann line shows 1.42 dB less (window tables: Harris 1978) */
    double loss = pow(10, -0.142 * 4 * shift * shift);
    double peak = 4 * sqrt(best / loss) / (double)n;
    return (struct peak){((double)at + shift) / (double)n, peak * peak};
}

/* Lines that a single distorted tone makes stand at small whole multiples of it. */
static bool is_harmonic(double low, double high, size_t n)
{
    double ratio = high / low, whole = nearbyint(ratio);
    double tolerance = 2.0 / (low * (double)n) * whole / ratio;
    return whole < 8 && fabs(ratio - whole) < fmax(tolerance, 1e-3);
}

cj_status cj__two_lines(cj_spectra *spectra, const double *x, size_t n, double least,
                        cj_complex *bins, double frequency[2], bool *found, cj_error *err)
{
    *found = false;
    if (n < 64)
        return CJ_OK;
    cj_status status = cj_spectrum(spectra, x, n, bins, err);
    if (status != CJ_OK)
        return status;
    struct peak one = strongest(bins, n, -1e9, 0);
    struct peak two = strongest(bins, n, one.frequency * (double)n, 4);
    double power = 2 * cj_band_power(bins, n, 1.5 / (double)n, 0.5);
    if (!(two.square > least * least * one.square) || one.square + two.square < 0.8 * power)
        return CJ_OK;
    bool swap = one.frequency > two.frequency;
    frequency[0] = swap ? two.frequency : one.frequency;
    frequency[1] = swap ? one.frequency : two.frequency;
    *found = !is_harmonic(frequency[0], frequency[1], n);
    return CJ_OK;
}

/* ---- sums over the blocks ---- */

enum { FIRST, SECOND, UPPER, LOWER, UPPER_3, LOWER_3, LINES };

struct sums {
    int blocks;
    bool lacks[LINES];       /* a line that could not be fitted */
    double square[2][LINES]; /* |a|^2, noise in */
    double noise[2][LINES];  /* 2 u^2: what noise adds to it */
    double clear[2];         /* |a|^2 / u^2 of the products */
    cj_complex product[2];   /* a2 conj(a1) at the tones */
    double frequency[2], frequency_w[2];
    bool alive[2];
};

static void add_fit(struct sums *s, const cj_two_tone_fit *fit, const int at[LINES])
{
    for (int c = 0; c < fit->channels; c++) {
        const cj_line *lines = fit->channel[c].line;
        s->alive[c] = s->alive[c] || fit->channel[c].alive;
        for (int k = 0; k < LINES; k++) {
            if (at[k] < 0) {
                s->lacks[k] = true;
                continue;
            }
            const cj_line *line = &lines[at[k]];
            double square = line->line.re * line->line.re + line->line.im * line->line.im;
            s->square[c][k] += square;
            s->noise[c][k] += 2 * line->u * line->u;
            if (k >= UPPER && line->u > 0)
                s->clear[c] += square / (line->u * line->u);
        }
    }
    for (int i = 0; i < 2; i++) {
        cj_complex a = fit->channel[0].line[i].line, b = fit->channel[1].line[i].line;
        s->product[i].re += b.re * a.re + b.im * a.im;
        s->product[i].im += b.im * a.re - b.re * a.im;
        double u = fit->frequency_u[i], weight = u > 0 ? 1 / (u * u) : 1;
        s->frequency[i] += weight * fit->frequency[i];
        s->frequency_w[i] += weight;
    }
    s->blocks++;
}

/* ---- which of the standard's methods, and its figure ---- */

static const char modulation[] = "modulation", difference[] = "difference-frequency";

/* The usual pairs are 117 and 32 apart for modulation; 1.005 to 1.17 for the difference frequency,
 * and 1.49 for total difference-frequency distortion, which is another figure. */
static const char *kind_of(const double f[2])
{
    double ratio = f[1] / f[0];
    return ratio >= 8 ? modulation : ratio <= 1.25 ? difference : NULL;
}

static void products_of(const cj_two_tone_fit *fit, const char *kind, int at[LINES])
{
    bool close = kind == difference;
    at[FIRST] = 0;
    at[SECOND] = 1;
    at[UPPER] = close ? cj_two_tone_line(fit, -1, 1) : cj_two_tone_line(fit, 1, 1);
    at[LOWER] = cj_two_tone_line(fit, -1, 1);
    at[UPPER_3] = close ? cj_two_tone_line(fit, -1, 2) : cj_two_tone_line(fit, 2, 1);
    at[LOWER_3] = close ? cj_two_tone_line(fit, 2, -1) : cj_two_tone_line(fit, -2, 1);
}

static const char *why_not(const struct sums *s, const char *kind, const double f[2])
{
    if (kind == NULL)
        return "two tones of no standard pair: neither far apart nor close together";
    double top = kind == difference ? 2 * f[1] - f[0] : f[1] + 2 * f[0];
    if (top >= 0.5)
        return "a product lies above half the sample rate";
    for (int k = 0; k < LINES; k++)
        if (s->lacks[k])
            return "the record is too short to tell the products from the tones";
    return NULL;
}

static double level(const struct sums *s, int c, int k)
{
    return sqrt(fmax(0, s->square[c][k] - s->noise[c][k]));
}

static void set_imd(const struct sums *s, int c, const double f[2], cj__imd *imd)
{
    imd->kind = kind_of(f);
    imd->why = why_not(s, imd->kind, f);
    if (imd->why == NULL && !(level(s, c, SECOND) > 0))
        imd->why = "the upper tone does not stand out of the noise";
    if (imd->why != NULL)
        return;
    imd->measured = true;
    bool close = imd->kind == difference;
    double reference = level(s, c, SECOND) * (close ? 2 : 1);
    double second = (level(s, c, UPPER) + (close ? 0 : level(s, c, LOWER))) / reference;
    double third = (level(s, c, UPPER_3) + level(s, c, LOWER_3)) / reference;
    /* one part (real or imaginary) of each line scatters by u: 2 u^2 stands in noise */
    double u2 = sqrt((s->noise[c][UPPER] + (close ? 0 : s->noise[c][LOWER])) / 2) / reference;
    double u3 = sqrt((s->noise[c][UPPER_3] + s->noise[c][LOWER_3]) / 2) / reference;
    double own = sqrt(s->noise[c][SECOND] / 2) / level(s, c, SECOND), blocks = s->blocks;
    /* over several blocks the squares are averaged, and so is their scatter */
    u2 /= sqrt(blocks);
    u3 /= sqrt(blocks);
    imd->ratio = hypot(second, third);
    /* white noise alone: chi-square of two degrees of freedom a line */
    double freedom = 2 * blocks * (LINES - UPPER);
    imd->seen = s->clear[c] > freedom + 4.3 * sqrt(2 * freedom) || !(u2 > 0);
    imd->u = imd->ratio > 0 ? hypot(hypot(second * u2, third * u3) / imd->ratio,
                                    imd->ratio * own / sqrt(blocks))
                            : 0;
    imd->bound = imd->ratio + 2 * sqrt(2 * blocks) * hypot(u2, u3);
}

static void set_point(const struct sums *s, int i, cj__tone_point *point)
{
    double blocks = s->blocks;
    point->frequency = s->frequency[i] / s->frequency_w[i];
    point->frequency_u = 1 / sqrt(s->frequency_w[i]);
    double relative[2];
    for (int c = 0; c < 2; c++) {
        double square = s->square[c][i], noise = s->noise[c][i];
        point->peak[c] = sqrt(fmax(0, square - noise) / blocks);
        point->seen[c] = s->alive[c] && square > 0 && square > CLEAR * CLEAR * noise;
        relative[c] = square > 0 ? sqrt(noise / 2 / square / blocks) : 0;
    }
    double one = s->square[0][i] - s->noise[0][i];
    if (one > 0) {
        point->ratio = (cj_complex){s->product[i].re / one, s->product[i].im / one};
        point->bound = (sqrt(s->square[1][i]) + 2 * sqrt(s->noise[1][i])) / sqrt(one);
    }
    point->gain_u = point->phase_u = hypot(relative[0], relative[1]);
}

/* ---- the look ---- */

static cj_status look_at(cj_spectra *spectra, double *const x[2], size_t n, cj__analysis *all,
                         struct sums *s, cj_error *err)
{
    cj_complex *bins = cj_new(n / 2 + 1, sizeof *bins);
    double *y = cj_new(n, sizeof *y);
    cj_status status = bins && y ? CJ_OK : cj_fail_memory(err);
    double start[2];
    bool found = false;
    for (int c = 0; c < all->channels && !found && status == CJ_OK; c++) {
        if (all->signal[c] != CJ__SIGNAL_TWO_TONE)
            continue;
        double mean = cj__level_mean(&all->level[c]);
        for (size_t i = 0; i < n; i++)
            y[i] = isnan(x[c][i]) ? 0 : x[c][i] - mean;
        status = cj__two_lines(spectra, y, n, 0.05, bins, start, &found, err);
    }
    if (status == CJ_OK && found) {
        const double *const in[2] = {x[0], x[1]};
        cj_two_tone_fit fit = {0};
        int at[LINES];
        status = cj_two_tone_fit_make(in, all->channels, n, start, &fit, NULL);
        if (status == CJ_OK) {
            products_of(&fit, kind_of(fit.frequency), at);
            add_fit(s, &fit, at);
        } else if (status == CJ_NOMEM) {
            cj_fail_memory(err);
        } else {
            status = CJ_OK; /* tones that cannot be told apart: no figure */
        }
    }
    cj_free(bins);
    cj_free(y);
    return status;
}

cj_status cj__two_tones_measure(cj_capture *capture, cj__analysis *all, cj_error *err)
{
    bool whole = all->samples <= CJ__WHOLE;
    size_t n = whole ? all->samples : CJ__BLOCK, looks = whole ? 1 : LOOKS;
    double *x[2] = {cj_new(n, sizeof(double)), cj_new(n, sizeof(double))};
    cj_spectra *spectra = cj_spectra_new();
    struct sums s = {0};
    cj_status status = x[0] && x[1] && spectra ? CJ_OK : cj_fail_memory(err);
    for (size_t i = 0; i < looks && status == CJ_OK; i++) {
        size_t from = whole ? 0 : (all->samples - n) / (looks - 1) * i;
        status = cj_capture_read(capture, all->first + from, n, x, err);
        if (status == CJ_OK)
            status = look_at(spectra, x, n, all, &s, err);
    }
    cj__two_tones *two = &all->two;
    if (status == CJ_OK && s.blocks > 0) {
        two->present = true;
        for (int i = 0; i < 2; i++)
            set_point(&s, i, &two->point[i]);
        const double f[2] = {two->point[0].frequency, two->point[1].frequency};
        for (int c = 0; c < all->channels; c++)
            set_imd(&s, c, f, &two->imd[c]);
        if (all->channels == 2 && all->signal[0] == CJ__SIGNAL_TWO_TONE &&
            (two->point[0].seen[1] || two->point[1].seen[1]))
            all->signal[1] = CJ__SIGNAL_TWO_TONE;
        two->stronger = two->point[1].peak[0] > two->point[0].peak[0];
    }
    cj_free(x[0]);
    cj_free(x[1]);
    cj_spectra_free(spectra);
    return status;
}

/* ---- wording ---- */

static cj_status add_all_missing(cj_figure_set *set, const char *why)
{
    ADD(cj__add_missing(set, "imd_percent", "%", why));
    return cj__add_missing(set, "imd_db", "dB", why);
}

cj_status cj__imd_figures(const cj__analysis *all, int channel, cj_figure_set *set)
{
    const cj__imd *imd = &all->two.imd[channel];
    if (all->signal[channel] != CJ__SIGNAL_TWO_TONE)
        return CJ_OK;
    if (!all->two.present || !imd->measured) {
        ADD(add_all_missing(set, all->two.present && imd->why
                                     ? imd->why
                                     : "the record is too short to tell the tones apart"));
    } else if (!imd->seen) {
        static const char why[] = "no product stands out of the noise";
        ADD(cj__add_bound(set, "imd_percent", "%", CJ_BELOW, 100 * imd->bound, why));
        ADD(cj__add_bound(set, "imd_db", "dB", CJ_BELOW, cj__to_db(imd->bound), why));
    } else {
        ADD(cj__add_value(set, "imd_percent", "%", 100 * imd->ratio, 100 * imd->u));
        ADD(cj__add_value(set, "imd_db", "dB", cj__to_db(imd->ratio),
                          20 / M_LN10 * imd->u / imd->ratio));
    }
    if (imd->kind != NULL)
        return cj__add_word(set, "imd_kind", imd->kind);
    return cj__add_missing(set, "imd_kind", "", "two tones of no standard pair");
}
