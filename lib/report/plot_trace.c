/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Two channels against time, over each other. */
#include "report/plot.h"

#include <math.h>
#include <string.h>

enum {
    COLUMNS =
        400, /* points of a curve; more samples become the least and the largest of each column */
    PERIODS = 3,
    MOST_SAMPLES = 1 << 20,
};

static const double SILENCE_S = 0.06; /* three periods of 50 Hz where there is no tone to go by */

struct window {
    size_t start, count;
    double seconds_a_sample, from_s;
};

static double figure_value(const cj_measurement *measurement, int channel, const char *name)
{
    const cj_figure *figure = cj_figure_find(&measurement->channel[channel], name);
    return figure != NULL ? figure->value : NAN;
}

static bool is_signal(const cj_measurement *measurement, int channel, const char *word)
{
    const cj_figure *figure = cj_figure_find(&measurement->channel[channel], "signal");
    return figure != NULL && figure->word != NULL && strcmp(figure->word, word) == 0;
}

/* Where to look: three periods from the middle on, or about the first momentary loss. */
static struct window choose(const cj_measurement *measurement)
{
    const cj_capture_info *info = measurement->capture;
    double rate = info->rate_hz, tone = NAN;
    struct window window = {.seconds_a_sample = 1 / rate};
    for (int c = 0; c < measurement->channel_count && !isfinite(tone); c++)
        tone = figure_value(measurement, c, "tone_hz");
    double seconds = tone > 0 ? PERIODS / tone : SILENCE_S, middle = NAN;
    for (int c = measurement->channel_count - 1; c >= 0 && !isfinite(middle); c--)
        if (measurement->loss_count[c] > 0) {
            const cj_loss *loss = &measurement->losses[c][0];
            middle = loss->at_s - info->start_s + loss->seconds / 2;
            seconds = fmin(fmax(2 * seconds, 4 * loss->seconds), 1);
        }
    double count = fmin(fmin(round(seconds * rate) + 1, (double)info->samples), MOST_SAMPLES);
    double at = isfinite(middle) ? middle * rate - count / 2 : ((double)info->samples - count) / 2;
    at = fmax(0, fmin(floor(at), (double)info->samples - count));
    window.start = (size_t)at;
    window.count = (size_t)count;
    window.from_s = info->start_s + at / rate;
    return window;
}

/* Moves the window to where the first channel rises through its middle, so that periods look whole.
 */
static void align(const double *x, const cj_measurement *measurement, struct window *window,
                  size_t spare)
{
    double middle = figure_value(measurement, 0, "dc_v");
    middle = isfinite(middle) ? middle : 0;
    for (size_t i = 1; i < spare; i++)
        if (x[i - 1] < middle && x[i] >= middle) {
            window->start += i;
            window->from_s += (double)i * window->seconds_a_sample;
            return;
        }
}

static void write_curve(cj__plots *plots, const double *x, const struct window *window, double unit,
                        double factor)
{
    size_t step = window->count / COLUMNS;
    for (size_t i = 0; i<window->count; i += step> 1 ? step : 1) {
        double low = x[i], high = x[i], t = ((double)i * window->seconds_a_sample) / unit;
        for (size_t k = i; step > 1 && k < i + step && k < window->count; k++) {
            low = x[k] < low ? x[k] : low;
            high = x[k] > high ? x[k] : high;
        }
        bool rises = i + step < window->count && x[i + step - (step > 0)] > x[i];
        for (int k = 0; k < (step > 1 ? 2 : 1); k++) {
            cj__plot_number(plots, t);
            cj__plot_number(plots, factor * ((k == 0) == rises ? low : high));
            cj_text_add(&plots->script, "\n");
        }
    }
    cj_text_add(&plots->script, "e\n");
}

struct reach {
    double low, high;
};

static struct reach reach_of(const double *x, size_t count)
{
    struct reach reach = {INFINITY, -INFINITY};
    for (size_t i = 0; i < count; i++) {
        reach.low = x[i] < reach.low ? x[i] : reach.low;
        reach.high = x[i] > reach.high ? x[i] : reach.high;
    }
    if (!(reach.low <= reach.high))
        reach = (struct reach){-1, 1};
    return reach;
}

static const char *axis_unit(const cj_measurement *measurement, int channel)
{
    const cj_capture_info *info = measurement->capture;
    const char *unit = info->channels[info->selected[channel]].unit;
    return strcmp(unit, "?") == 0 ? "" : unit;
}

/* Small volts in millivolts or microvolts; what the samples are multiplied by. */
static double axis_factor(const cj_measurement *measurement, int channel, struct reach reach)
{
    double size = fmax(fabs(reach.low), fabs(reach.high));
    if (strcmp(axis_unit(measurement, channel), "V") != 0 || !(size > 0) || size >= 0.3)
        return 1;
    return size >= 3e-4 ? 1e3 : 1e6;
}

static void write_axis(cj__plots *plots, const char *axis, const char *title, struct reach reach)
{
    double size = fmax(fabs(reach.low), fabs(reach.high)), room = (reach.high - reach.low) / 12;
    room = room > 0 ? room : size > 0 ? size / 10 : 1;
    cj_text_add(&plots->script, "set %slabel ", axis);
    cj__plot_text(plots, title);
    cj_text_add(&plots->script, "\nset %srange [", axis);
    cj__plot_number(plots, reach.low - room);
    cj_text_add(&plots->script, ":");
    cj__plot_number(plots, reach.high + room);
    cj_text_add(&plots->script, "]\n");
}

static void set_axis(cj__plots *plots, const cj__plotted *of, int channel, const char *axis,
                     bool named, struct reach reach)
{
    cj_text title = {0};
    const char *unit = axis_unit(of->measurement, channel);
    double factor = axis_factor(of->measurement, channel, reach);
    if (named)
        cj_text_add(&title, "%s%s", cj__plot_channel(of, channel), *unit ? ", " : "");
    cj_text_add(&title, "%s%s", factor == 1e3 ? "m" : factor == 1e6 ? "\xc2\xb5" : "", unit);
    write_axis(plots, axis, title.failed ? "" : title.bytes,
               (struct reach){reach.low * factor, reach.high * factor});
    plots->script.failed = plots->script.failed || title.failed;
    cj_text_free(&title);
}

/* Both on one axis where they are of one size; else each has its own, named. */
static void write_plot(cj__plots *plots, const cj__plotted *of, double *const x[2],
                       const struct window *window)
{
    static const char *const styles[] = {
        " with lines lw 1.4 dt (7,4) lc rgb " CJ__INK_FIRST,
        " with lines lw 1.7 lc rgb " CJ__INK_SECOND,
    };
    cj_text *script = &plots->script;
    int count = of->measurement->channel_count;
    double seconds = (double)window->count * window->seconds_a_sample;
    double unit = seconds < 2e-3 ? 1e-6 : seconds < 2 ? 1e-3 : 1;
    struct reach reach[2] = {reach_of(x[0], window->count), {0, 0}};
    struct reach both = reach[0];
    bool apart = false;
    if (count == 2) {
        reach[1] = reach_of(x[1], window->count);
        double one = reach[0].high - reach[0].low, other = reach[1].high - reach[1].low;
        apart = fmax(one, other) > 5 * fmin(one, other) ||
                strcmp(axis_unit(of->measurement, 0), axis_unit(of->measurement, 1)) != 0;
    }
    cj_text_add(script, "set xlabel 'time, %s'\nset xrange [0:",
                unit == 1      ? "s"
                : unit == 1e-3 ? "ms"
                               : "\xc2\xb5s");
    cj__plot_number(plots, ((double)window->count - 1) * window->seconds_a_sample / unit);
    cj_text_add(
        script,
        "]\nset key above left horizontal samplen 3\nset xzeroaxis lw 0.5 lc rgb " CJ__INK_GRID
        "\n");
    if (apart) {
        set_axis(plots, of, 0, "y", true, reach[0]);
        set_axis(plots, of, 1, "y2", true, reach[1]);
        cj_text_add(script, "set y2tics\nset rmargin 9\nset border 11\nunset xzeroaxis\n");
    } else {
        if (count == 2)
            both = (struct reach){fmin(both.low, reach[1].low), fmax(both.high, reach[1].high)};
        set_axis(plots, of, 0, "y", false, both);
    }
    cj_text_add(script, "plot ");
    for (int c = count - 1; c >= 0; c--) { /* the dashed one lies on top */
        cj_text_add(script, "'-' %stitle ", apart && c == 1 ? "axes x1y2 " : "");
        cj__plot_text(plots, cj__plot_channel(of, c));
        cj_text_add(script, "%s%s", count == 1 ? styles[1] : styles[c], c > 0 ? ", " : "\n");
    }
    for (int c = count - 1; c >= 0; c--)
        write_curve(plots, x[c], window, unit,
                    axis_factor(of->measurement, c, apart ? reach[c] : both));
}

cj_status cj__plot_trace(cj__plots *plots, const cj__plotted *of, int *plot, cj_error *err)
{
    const cj_measurement *measurement = of->measurement;
    const cj_capture_info *info = measurement->capture;
    double *x[2] = {NULL, NULL};
    cj_status status = CJ_OK;
    *plot = CJ__NO_PLOT;
    if (!(info->rate_hz > 0) || info->samples < 8 || is_signal(measurement, 0, "sweep") ||
        is_signal(measurement, 0, "noise"))
        return CJ_OK;
    struct window window = choose(measurement);
    size_t period = window.count / PERIODS + 1;
    size_t spare = info->samples - window.start - window.count;
    spare = spare < period ? spare : period;
    for (int c = 0; c < measurement->channel_count; c++)
        if ((x[c] = cj_new(window.count + spare + 1, sizeof **x)) == NULL)
            status = cj_fail_memory(err);
    if (status == CJ_OK)
        status = cj_capture_read(of->capture, window.start, window.count + spare, x, err);
    if (status == CJ_OK) {
        size_t before = window.start;
        align(x[0], measurement, &window, spare);
        double *const from[2] = {x[0] + (window.start - before),
                                 x[1] != NULL ? x[1] + (window.start - before) : NULL};
        *plot = cj__plot_begin(plots, of->compact ? CJ__PLOT_HALF : CJ__PLOT_WIDE,
                               of->compact ? 180 : 240);
        write_plot(plots, of, from, &window);
    }
    cj_free(x[0]);
    cj_free(x[1]);
    return status;
}
