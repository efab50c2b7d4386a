/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Levels against frequency. Power under a window, averaged over blocks of the record; on paper each
 * of some hundred columns, even in ln f, shows its strongest bin.
 */
#include "report/plot.h"
#include "report/signals.h"

#include <math.h>
#include <string.h>

enum { COLUMNS = 380, BLOCK = 1 << 16, BLOCKS = 8, MOST_HARMONIC = 10, HUM_LINES = 6 };

static const double RANGE_DB = 150; /* shown below the strongest line at most */

struct levels {
    double low_hz, high_hz; /* of the picture */
    double db[2][COLUMNS];  /* strongest line in each column; NaN: no bin there */
    double floor_db, top_db;
    double bin_hz;
    bool compact;
    int channels;
};

/* Four-term Blackman-Harris (Harris 1978, Proc. IEEE 66): side lobes at -92 dB, four bins to either
 * side; the Hann window where the record holds too few periods for that. */
static double window_at(size_t i, size_t n, bool wide)
{
    double a = 2 * M_PI * (double)i / (double)n;
    if (!wide)
        return 0.5 - 0.5 * cos(a);
    return 0.35875 - 0.48829 * cos(a) + 0.14128 * cos(2 * a) - 0.01168 * cos(3 * a);
}

/* The mean is taken out; samples that are missing count as the mean. */
static void prepare(double *x, size_t n, bool wide, double *sum)
{
    double mean = 0;
    size_t valid = 0;
    *sum = 0;
    for (size_t i = 0; i < n; i++)
        if (isfinite(x[i])) {
            mean += x[i];
            valid++;
        }
    mean = valid > 0 ? mean / (double)valid : 0;
    for (size_t i = 0; i < n; i++) {
        double w = window_at(i, n, wide);
        x[i] = isfinite(x[i]) ? (x[i] - mean) * w : 0;
        *sum += w;
    }
}

/* Mean square of a line in bin k at power[k]. */
static cj_status add_block(cj_spectra *spectra, double *x, size_t n, bool wide, double *power,
                           cj_error *err)
{
    double sum;
    cj_complex *bins = cj_new(n / 2 + 1, sizeof *bins);
    if (bins == NULL)
        return cj_fail_memory(err);
    prepare(x, n, wide, &sum);
    cj_status status = cj_spectrum(spectra, x, n, bins, err);
    for (size_t k = 0; status == CJ_OK && k <= n / 2; k++)
        power[k] += 2 * (bins[k].re * bins[k].re + bins[k].im * bins[k].im) / (sum * sum);
    cj_free(bins);
    return status;
}

static int column_of(const struct levels *levels, double hz)
{
    return (int)floor(COLUMNS * log(hz / levels->low_hz) / log(levels->high_hz / levels->low_hz));
}

static double column_hz(const struct levels *levels, int column)
{
    return levels->low_hz * pow(levels->high_hz / levels->low_hz, (column + 0.5) / (double)COLUMNS);
}

static void to_columns(struct levels *levels, int channel, const double *power, size_t n,
                       double rate)
{
    double *db = levels->db[channel];
    for (int i = 0; i < COLUMNS; i++)
        db[i] = NAN;
    for (size_t k = 1; k < n / 2; k++) {
        double hz = (double)k * rate / (double)n, level = 10 * log10(power[k]);
        if (hz < levels->low_hz || hz >= levels->high_hz || !isfinite(level))
            continue;
        int column = column_of(levels, hz);
        if (column >= 0 && column < COLUMNS && !(db[column] >= level))
            db[column] = level;
    }
}

static cj_status fill(const cj__plotted *of, struct levels *levels, bool wide, cj_error *err)
{
    const cj_capture_info *info = of->measurement->capture;
    size_t n = info->samples < BLOCK ? info->samples & ~(size_t)1 : BLOCK;
    size_t blocks = info->samples / n < BLOCKS ? info->samples / n : BLOCKS;
    size_t stride = blocks > 1 ? (info->samples - n) / (blocks - 1) : 0;
    cj_spectra *spectra = cj_spectra_new();
    double *x[2] = {NULL, NULL}, *power[2] = {NULL, NULL};
    cj_status status = spectra == NULL ? cj_fail_memory(err) : CJ_OK;
    levels->channels = of->measurement->channel_count;
    for (int c = 0; c < levels->channels; c++) {
        x[c] = cj_new(n, sizeof **x);
        power[c] = cj_new(n / 2 + 1, sizeof **power);
        if (x[c] == NULL || power[c] == NULL)
            status = cj_fail_memory(err);
    }
    for (size_t b = 0; status == CJ_OK && b < blocks; b++) {
        status = cj_capture_read(of->capture, b * stride, n, x, err);
        for (int c = 0; status == CJ_OK && c < levels->channels; c++)
            status = add_block(spectra, x[c], n, wide, power[c], err);
    }
    for (int c = 0; status == CJ_OK && c < levels->channels; c++) {
        for (size_t k = 0; k <= n / 2; k++)
            power[c][k] /= (double)blocks;
        to_columns(levels, c, power[c], n, info->rate_hz);
    }
    for (int c = 0; c < 2; c++) {
        cj_free(x[c]);
        cj_free(power[c]);
    }
    cj_spectra_free(spectra);
    return status;
}

static void find_range(struct levels *levels)
{
    double top = -INFINITY, low = INFINITY;
    for (int c = 0; c < levels->channels; c++)
        for (int i = 0; i < COLUMNS; i++)
            if (isfinite(levels->db[c][i])) {
                top = fmax(top, levels->db[c][i]);
                low = fmin(low, levels->db[c][i]);
            }
    if (!(low <= top))
        low = top = 0;
    levels->top_db = 10 * ceil(top / 10) + 15;
    levels->floor_db = fmax(10 * floor(low / 10), levels->top_db - RANGE_DB);
}

/* ---- marks ---- */

/* The strongest column within a bin or so of hz, NaN where the picture does not reach. */
static double level_at(const struct levels *levels, int channel, double hz)
{
    double level = NAN;
    if (!(hz > levels->low_hz) || !(hz < levels->high_hz))
        return NAN;
    int first = column_of(levels, fmax(hz - levels->bin_hz, levels->low_hz));
    int last = column_of(levels, hz + levels->bin_hz);
    for (int i = first; i <= last; i++)
        if (i >= 0 && i < COLUMNS && isfinite(levels->db[channel][i]))
            level = fmax(level, levels->db[channel][i]); /* of NaN and a number the number */
    return level;
}

/* A line of a comb with that spacing stands out where it is this far above what lies half way to
 * its neighbours. */
static bool stands_out(const struct levels *levels, int channel, double hz, double spacing)
{
    static const double OUT_DB = 8;
    double level = level_at(levels, channel, hz);
    double below = level_at(levels, channel, hz - spacing / 2);
    double above = level_at(levels, channel, hz + spacing / 2);
    double beside = isfinite(below) && isfinite(above) ? (below + above) / 2
                    : isfinite(below)                  ? below
                                                       : above;
    return level > beside + OUT_DB;
}

static void mark(cj__plots *plots, double hz, double level, const char *text)
{
    cj_text_add(&plots->script, "set arrow from");
    cj__plot_number(plots, hz);
    cj_text_add(&plots->script, ",");
    cj__plot_number(plots, level + 5);
    cj_text_add(&plots->script, " to");
    cj__plot_number(plots, hz);
    cj_text_add(&plots->script, ",");
    cj__plot_number(plots, level + 1);
    cj_text_add(&plots->script, " nohead lw 1.5 lc rgb " CJ__INK_MARK " front\n");
    if (*text == '\0')
        return;
    cj_text_add(&plots->script, "set label ");
    cj__plot_text(plots, text);
    cj_text_add(&plots->script, " at");
    cj__plot_number(plots, hz);
    cj_text_add(&plots->script, ",");
    cj__plot_number(plots, level + 6);
    cj_text_add(&plots->script, " center offset 0,0.4 font 'sans-serif,11' front\n");
}

static double value_of(const cj__plotted *of, int channel, const char *name)
{
    const cj_figure *figure = cj_figure_find(&of->measurement->channel[channel], name);
    bool told = figure != NULL && isfinite(figure->value) &&
                !(isfinite(figure->u) && figure->value < 2 * figure->u);
    return told ? figure->value : NAN;
}

/* To three digits. */
static double round_to(double value)
{
    double step = pow(10, floor(log10(value)) - 2);
    return round(value / step) * step;
}

/* The tone and those of its harmonics that stand out; above the fifth there is room for few
 * numbers. */
static void mark_harmonics(cj__plots *plots, const cj__plotted *of, const struct levels *levels,
                           int channel)
{
    static const char *const names[MOST_HARMONIC + 1] = {"", "",  "2", "3", "4", "5",
                                                         "", "7", "",  "",  "10"};
    double tone = value_of(of, channel, "tone_hz"), level = level_at(levels, channel, tone);
    cj_text name = {0};
    if (!isfinite(level))
        return;
    cj__write_short(&name, round_to(tone), "Hz");
    for (int c = 0; c < levels->channels; c++)
        level = fmax(level, level_at(levels, c, tone));
    mark(plots, tone, level, name.failed ? "" : name.bytes);
    plots->script.failed = plots->script.failed || name.failed;
    cj_text_free(&name);
    for (int k = 2; k <= MOST_HARMONIC; k++) {
        level = level_at(levels, channel, k * tone);
        if (stands_out(levels, channel, k * tone, tone))
            mark(plots, k * tone, level, levels->compact && k > 3 ? "" : names[k]);
    }
}

static void mark_hum(cj__plots *plots, const cj__plotted *of, const struct levels *levels,
                     int channel)
{
    double hum = value_of(of, channel, "hum_hz"), tone = value_of(of, channel, "tone_hz");
    if (!(value_of(of, channel, "hum_v") > 0))
        return;
    for (int k = 1; k <= HUM_LINES; k++) {
        double hz = k * hum, level = level_at(levels, channel, hz);
        bool apart = !(tone > 0) || fabs(log(hz / tone)) > 0.15;
        if (apart && stands_out(levels, channel, hz, hum))
            mark(plots, hz, level, k > 1 ? "" : hum < 55 ? "50 Hz hum" : "60 Hz hum");
    }
}

static void mark_stray(cj__plots *plots, const cj__plotted *of, const struct levels *levels,
                       int channel)
{
    double hz = value_of(of, channel, "stray_hz"), level = level_at(levels, channel, hz);
    cj_text name = {0};
    if (!isfinite(level) || !(value_of(of, channel, "stray_v") > 0))
        return;
    cj_text_add(&name, "stray ");
    cj__write_short(&name, round_to(hz), "Hz");
    mark(plots, hz, level, name.failed ? "" : name.bytes);
    plots->script.failed = plots->script.failed || name.failed;
    cj_text_free(&name);
}

/* ---- the picture ---- */

static void write_curve(cj__plots *plots, const struct levels *levels, int channel)
{
    for (int i = 0; i < COLUMNS; i++)
        if (isfinite(levels->db[channel][i])) {
            cj__plot_number(plots, column_hz(levels, i));
            cj__plot_number(plots, levels->db[channel][i]);
            cj_text_add(&plots->script, "\n");
        }
    cj_text_add(&plots->script, "e\n");
}

static void write_plot(cj__plots *plots, const cj__plotted *of, const struct levels *levels)
{
    static const char *const styles[] = {
        " with lines lw 0.9 dt (6,3) lc rgb " CJ__INK_FIRST,
        " with lines lw 1.2 lc rgb " CJ__INK_SECOND,
    };
    const cj_capture_info *info = of->measurement->capture;
    const char *unit = info->channels[info->selected[levels->channels - 1]].unit;
    cj_text *script = &plots->script;
    int last = levels->channels - 1;
    cj_text_add(script,
                "set logscale x\nset xlabel 'frequency, Hz'\nset ylabel '%s'\n"
                "set xtics format '%%.0s%%c'\nset mxtics 10\nset xrange [",
                strcmp(unit, "V") == 0    ? "dBV"
                : strcmp(unit, "FS") == 0 ? "dBFS"
                                          : "dB");
    cj__plot_number(plots, levels->low_hz);
    cj_text_add(script, ":");
    cj__plot_number(plots, levels->high_hz);
    cj_text_add(script, "]\nset yrange [");
    cj__plot_number(plots, levels->floor_db);
    cj_text_add(script, ":");
    cj__plot_number(plots, levels->top_db);
    cj_text_add(script, "]\nset key above left horizontal samplen 3\n"
                        "set grid y lw 0.4 lc rgb " CJ__INK_GRID "\n");
    mark_harmonics(plots, of, levels, last);
    mark_hum(plots, of, levels, last);
    mark_stray(plots, of, levels, last);
    cj_text_add(script, "plot ");
    for (int c = last; c >= 0; c--) { /* the dashed one lies on top */
        cj_text_add(script, "'-' title ");
        cj__plot_text(plots, cj__plot_channel(of, c));
        cj_text_add(script, "%s%s", last == 0 ? styles[1] : styles[c], c > 0 ? ", " : "\n");
    }
    for (int c = last; c >= 0; c--)
        write_curve(plots, levels, c);
}

cj_status cj__plot_spectrum(cj__plots *plots, const cj__plotted *of, int *plot, cj_error *err)
{
    const cj_capture_info *info = of->measurement->capture;
    struct levels *levels = NULL;
    *plot = CJ__NO_PLOT;
    if (!(info->rate_hz > 0) || info->samples < 64 || info->envelope ||
        of->measurement->response != NULL)
        return CJ_OK;
    levels = cj_new(1, sizeof *levels);
    if (levels == NULL)
        return cj_fail_memory(err);
    size_t n = info->samples < BLOCK ? info->samples : BLOCK;
    double bin = info->rate_hz / (double)n, tone = value_of(of, 0, "tone_hz");
    levels->bin_hz = bin;
    levels->compact = of->compact;
    levels->low_hz = fmax(10, 1.5 * bin);
    levels->high_hz = info->rate_hz / 2;
    cj_status status = CJ_OK;
    if (levels->high_hz > 2 * levels->low_hz) {
        status = fill(of, levels, !(tone < 9 * bin), err);
        find_range(levels);
        if (status == CJ_OK) {
            *plot = cj__plot_begin(plots, of->compact ? CJ__PLOT_HALF : CJ__PLOT_WIDE,
                                   of->compact ? 180 : 250);
            write_plot(plots, of, levels);
        }
    }
    cj_free(levels);
    return status;
}
