/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "sample.h"

#include <math.h>
#include <string.h>

static void add(cj_figure_set *set, const char *name, const char *unit, double value, double u)
{
    cj_figure figure = {.name = name, .unit = unit, .value = value, .u = u, .bound = NAN};
    if (cj_figure_add(set, &figure) != CJ_OK)
        set->count = 0; /* the checks then find nothing */
}

static void add_word(cj_figure_set *set, const char *name, const char *word)
{
    cj_figure figure = {.name = name, .unit = "", .value = NAN, .u = NAN, .word = word};
    if (cj_figure_add(set, &figure) != CJ_OK)
        set->count = 0;
}

static void add_missing(cj_figure_set *set, const char *name, const char *unit, const char *why)
{
    cj_figure figure = {.name = name, .unit = unit, .value = NAN, .u = NAN, .bound = NAN};
    strcpy(figure.why, why);
    if (cj_figure_add(set, &figure) != CJ_OK)
        set->count = 0;
}

static void add_bound(cj_figure_set *set, const char *name, const char *unit, cj_bound kind,
                      double bound)
{
    cj_figure figure = {
        .name = name, .unit = unit, .value = NAN, .u = NAN, .bound = bound, .bound_kind = kind};
    strcpy(figure.why, "the harmonics do not stand out of the noise");
    if (cj_figure_add(set, &figure) != CJ_OK)
        set->count = 0;
}

static void make_channel(cj_figure_set *set, double level, bool first)
{
    add_word(set, "signal", "tone");
    add(set, "dc_v", "V", first ? 0.0012 : -0.0031, 0.0052);
    add(set, "rms_v", "V", level, 0.02 * level);
    add(set, "peak_v", "V", level * 1.5, NAN);
    add(set, "tone_hz", "Hz", 1000.0213, 0.0113);
    add(set, "tone_peak_v", "V", level * 1.4142, 0.02 * level);
    if (first) {
        add(set, "thd_percent", "%", 0.12, 0.012);
        add(set, "thd_db", "dB", -58.4164, 0.87);
    } else {
        add_bound(set, "thd_percent", "%", CJ_BELOW, 0.3961);
        add_bound(set, "thd_db", "dB", CJ_BELOW, -48.04);
    }
    add(set, "even_percent", "%", 0.05, 0.012);
    add(set, "noise_v", "V", 0.0041, 0.0001);
    add_missing(set, "hum_v", "V", "the record is too short for mains hum");
    add_missing(set, "hum_hz", "Hz", "the record is too short for mains hum");
    add(set, "clip_fraction", "1", 0, NAN);
    if (first)
        add(set, "dropouts", "1", 0, NAN);
    else
        add_missing(set, "dropouts", "1", "too little signal in this channel");
    add(set, "wow_percent", "%", first ? 0.25 : 0.5,
        0.01); /* a figure this room has never heard of */
}

static void make_capture(struct sample *s)
{
    s->channels[0] = (cj_channel_info){.name = "CH1", .unit = "V", .step = 0.04};
    s->channels[1] = (cj_channel_info){.name = "CH\xff", .unit = "V", .step = 0.04, .gaps = 3};
    if (cj_lines_add(&s->notes, "comma between values, times in column 1") != CJ_OK)
        s->notes.count = 0;
    s->capture = (cj_capture_info){.name = "unit-07.csv",
                                   .file_count = 1,
                                   .kind = CJ_KIND_SCOPE,
                                   .rate_hz = 250e3,
                                   .samples = 2500,
                                   .coupling = CJ_COUPLING_DC,
                                   .channel_count = 2,
                                   .channels = s->channels,
                                   .selected_count = 2,
                                   .selected = {0, 1},
                                   .notes = &s->notes};
    s->measurement = (cj_measurement){.capture = &s->capture, .channel_count = 2};
    make_channel(&s->measurement.channel[0], 0.7071, true);
    make_channel(&s->measurement.channel[1], 0.0707, false);
    if (cj_lines_add(&s->measurement.advice,
                     "Channel 2 uses 12 of 256 steps: set fewer volts a division "
                     "and capture again.") != CJ_OK)
        s->measurement.advice.count = 0;
}

static void make_pair(cj_figure_set *set)
{
    add(set, "gain", "V/V", 0.1, 0.0012);
    add(set, "gain_db", "dB", -20.003, 0.104);
    add(set, "phase_deg", "deg", -179.81, 0.31);
    add_word(set, "polarity", "inverted");
    add_missing(set, "delay_s", "s", "noise, no tone");
}

static void make_finding(struct sample *s)
{
    s->faults[0] = (cj_fault){.kind = CJ_FAULT_OUTSIDE, .value = NAN, .low = NAN, .high = NAN};
    strcpy(s->faults[0].role, "summing op-amp, output pin");
    s->faults[1] = (cj_fault){
        .kind = CJ_FAULT_WRONG_VALUE, .part = "R22", .value = 1e4, .low = 9e3, .high = INFINITY};
    strcpy(s->faults[1].nearest, "10k");
    s->evidence[0] = (cj_evidence){.figure = "gain_db",
                                   .measured = {-20.003, 0.104, NAN, NAN, "", "dB"},
                                   .expected = {NAN, NAN, -22, -18, "", "dB"},
                                   .healthy = {NAN, NAN, -0.5, 0.5, "", "dB"}};
    s->evidence[1] = (cj_evidence){.figure = "polarity",
                                   .measured = {NAN, NAN, NAN, NAN, "inverted", NULL},
                                   .expected = {NAN, NAN, NAN, NAN, "inverted", NULL},
                                   .healthy = {NAN, NAN, NAN, NAN, "same", NULL}};
    s->finding = (cj_finding){
        .rank = 1,
        .probability = 0.87,
        .faults = s->faults,
        .fault_count = 2,
        .says = (char *)"The summing op-amp's output pin makes no contact: the signal reaches "
                        "the output only through the summing and feedback resistors.",
        .evidence = s->evidence,
        .evidence_count = 2,
        .check = (char *)"Measure from the op-amp's output pin to its pad and resolder it.",
        .touches_board = true,
        .caution = (char *)"Keep headphones off until it is repaired.",
        .from = "rules",
        .rule = "output-open"};
    s->findings = (cj_findings){.items = &s->finding, .count = 1, .unexplained = 0.13};
    if (cj_lines_add(&s->findings.explained, "hum-loop: silent, hum_v could not be told") != CJ_OK)
        s->findings.explained.count = 0;
}

void sample_make(struct sample *s)
{
    memset(s, 0, sizeof *s);
    make_capture(s);
    make_pair(&s->measurement.pair);
    make_finding(s);
    s->comparison =
        (cj_comparison){.captures = {&s->measurement, NULL},
                        .path = {&s->measurement.channel[0], &s->measurement.channel[1]},
                        .match = CJ_DIFFER,
                        .why = "the level differs by -20.00 dB where 0.5 dB is allowed"};
    make_pair(&s->comparison.pair);
    s->digests.count = 1;
    memset(s->digests.hex[0], 'a', 64);
}

void sample_free(struct sample *s)
{
    cj_lines_free(&s->notes);
    cj_lines_free(&s->measurement.advice);
    cj_lines_free(&s->findings.explained);
    cj_figure_set_free(&s->measurement.channel[0]);
    cj_figure_set_free(&s->measurement.channel[1]);
    cj_figure_set_free(&s->measurement.pair);
    cj_figure_set_free(&s->comparison.pair);
}
