/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* In the order of `texts`; the levels stand together. */
enum {
    OPTION_HZ = OPTION_COMMAND,
    OPTION_PEAK,
    OPTION_RMS,
    OPTION_DBU,
    OPTION_DBV,
    OPTION_DBFS,
    OPTION_RATE,
    OPTION_BITS,
    OPTION_SECONDS,
    OPTION_FROM,
    OPTION_TO,
    OPTION_STEPS,
    OPTION_COLOUR,
    OPTION_SEED,
    OPTION_NO_MARKER
};

_Static_assert(OPTION_NO_MARKER - OPTION_COMMAND < SIGNAL_TEXTS, "room for each option's text");

static const struct poptOption options[] = {
    {"hz", 0, POPT_ARG_STRING, NULL, OPTION_HZ,
     "frequency (default 1k; of two tones 60,7k), as in 997 or 19k,20k", "HZ[,HZ]"},
    {"peak", 0, POPT_ARG_STRING, NULL, OPTION_PEAK,
     "level in volts peak; two tones: of each; stepped: first and last", "V[,V]"},
    {"rms", 0, POPT_ARG_STRING, NULL, OPTION_RMS, "level in volts RMS", "V"},
    {"dbu", 0, POPT_ARG_STRING, NULL, OPTION_DBU, "level in dBu (0 dBu: 0.7746 V RMS)", "DB"},
    {"dbv", 0, POPT_ARG_STRING, NULL, OPTION_DBV, "level in dBV (0 dBV: 1 V RMS)", "DB"},
    {"dbfs", 0, POPT_ARG_STRING, NULL, OPTION_DBFS,
     "level in dB under a full-scale sine (default -12)", "DB"},
    {"rate", 0, POPT_ARG_STRING, NULL, OPTION_RATE, "samples a second (default 48k)", "HZ"},
    {"bits", 0, POPT_ARG_STRING, NULL, OPTION_BITS, "default 24, with dither; 16 likewise",
     "16|24|float"},
    {"seconds", 0, POPT_ARG_STRING, NULL, OPTION_SECONDS,
     "how long (default 5; stepped, noise and mls 20)", "S"},
    {"from", 0, POPT_ARG_STRING, NULL, OPTION_FROM,
     "a sweep's lowest frequency (default 20); stepped: the first level, volts peak", "HZ|V"},
    {"to", 0, POPT_ARG_STRING, NULL, OPTION_TO,
     "a sweep's highest frequency (default 20k); stepped: the last level", "HZ|V"},
    {"steps", 0, POPT_ARG_STRING, NULL, OPTION_STEPS, "levels of a stepped tone (default 20)", "N"},
    {"colour", 0, POPT_ARG_STRING, NULL, OPTION_COLOUR, "of noise (default white)", "white|pink"},
    {"seed", 0, POPT_ARG_STRING, NULL, OPTION_SEED,
     "another noise; the same number gives the same (default 1)", "N"},
    {"no-marker", 0, POPT_ARG_NONE, NULL, OPTION_NO_MARKER,
     "the signal alone, without the chirps at its head", NULL},
    POPT_TABLEEND,
};

static cj_status take(struct request *request, int option, const char *text, cj_error *err)
{
    char *kept = request->signal_texts[option - OPTION_COMMAND];
    if (text == NULL)
        text = "yes";
    if (*text == '\0' || strlen(text) >= sizeof request->signal_texts[0])
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "--%s: '%.40s' is not what is wanted there",
                       options[option - OPTION_COMMAND].longName, text);
    strcpy(kept, text);
    return CJ_OK;
}

/* What was given, NULL where nothing was. */
static const char *given(const struct request *request, int option)
{
    const char *text = request->signal_texts[option - OPTION_COMMAND];
    return *text ? text : NULL;
}

static const char *named(int option, char name[32])
{
    snprintf(name, 32, "--%s", options[option - OPTION_COMMAND].longName);
    return name;
}

/* One number, or two with a comma between where `most` is 2. Returns how many by *count. */
static cj_status numbers(int option, const char *text, const char *unit, int most, double value[2],
                         int *count, cj_error *err)
{
    char name[32], first[64];
    const char *comma = strchr(text, ',');
    cj_error why = {0};
    if (comma != NULL && most < 2)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s: '%.40s' is two numbers; this signal has one",
                       named(option, name), text);
    snprintf(first, sizeof first, "%.*s", comma ? (int)(comma - text) : (int)strlen(text), text);
    cj_status status = cj_quantity_read(first, unit, &value[0], &why);
    if (status == CJ_OK && comma != NULL)
        status = cj_quantity_read(comma + 1, unit, &value[1], &why);
    *count = comma != NULL ? 2 : 1;
    if (status == CJ_OK)
        return CJ_OK;
    return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s: %s", named(option, name), why.message);
}

static cj_status number(const struct request *request, int option, const char *unit, double usual,
                        double *value, cj_error *err)
{
    int count;
    double pair[2] = {usual, 0};
    const char *text = given(request, option);
    cj_status status = CJ_OK;
    if (text != NULL)
        status = numbers(option, text, unit, 1, pair, &count, err);
    *value = pair[0];
    return status;
}

static cj_status whole(const struct request *request, int option, int usual, int *value,
                       cj_error *err)
{
    char name[32];
    double read;
    cj_status status = number(request, option, "", usual, &read, err);
    if (status == CJ_OK && (read != floor(read) || read < 0 || read > 1e9))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s: '%.40s' is no whole number",
                       named(option, name), given(request, option));
    if (status == CJ_OK)
        *value = (int)read;
    return status;
}

/* ---- which signal ---- */

static cj_status find_shape(const struct request *request, cj_signal *out, cj_error *err)
{
    static const struct {
        const char *word;
        cj_signal signal;
    } also[] = {{"sine", CJ_SIG_SINE}, {"quiet", CJ_SIG_SILENCE}};
    const char *word = request->names[0], *colour = given(request, OPTION_COLOUR);
    bool noise = strcmp(word, "noise") == 0, known = noise;
    *out = CJ_SIG_WHITE;
    for (int i = CJ_SIG_SINE; !known && i <= CJ_SIG_SILENCE; i++)
        if ((known = strcmp(word, cj_signal_word((cj_signal)i)) == 0))
            *out = (cj_signal)i;
    for (size_t i = 0; !known && i < sizeof also / sizeof *also; i++)
        if ((known = strcmp(word, also[i].word) == 0))
            *out = also[i].signal;
    if (!known)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "'%.40s' is no signal; there are tone, stepped, two-tone, sweep, square, "
                       "noise, mls and silence",
                       word);
    if (colour != NULL && !noise)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "--colour: %s has none, noise has", word);
    if (colour != NULL && strcmp(colour, "white") != 0 && strcmp(colour, "pink") != 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "--colour: '%.40s' is neither white nor pink",
                       colour);
    if (colour != NULL && strcmp(colour, "pink") == 0)
        *out = CJ_SIG_PINK;
    return CJ_OK;
}

/* An option that this signal has no use for is a mistake. */
static cj_status check_use(const struct request *request, cj_signal signal, cj_error *err)
{
    static const struct {
        int option;
        unsigned signals; /* a bit each */
    } uses[] = {
        {OPTION_HZ,
         1u << CJ_SIG_SINE | 1u << CJ_SIG_STEPPED | 1u << CJ_SIG_TWO_TONE | 1u << CJ_SIG_SQUARE},
        {OPTION_FROM, 1u << CJ_SIG_SWEEP | 1u << CJ_SIG_STEPPED},
        {OPTION_TO, 1u << CJ_SIG_SWEEP | 1u << CJ_SIG_STEPPED},
        {OPTION_STEPS, 1u << CJ_SIG_STEPPED},
        {OPTION_SEED, 1u << CJ_SIG_WHITE | 1u << CJ_SIG_PINK | 1u << CJ_SIG_MLS},
    };
    char name[32];
    for (size_t i = 0; i < sizeof uses / sizeof *uses; i++)
        if (given(request, uses[i].option) && !(uses[i].signals & 1u << signal))
            return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s means nothing for %s",
                           named(uses[i].option, name), request->names[0]);
    return CJ_OK;
}

static cj_status read_frequencies(const struct request *request, cj_stimulus *s, cj_error *err)
{
    const char *text = given(request, OPTION_HZ);
    bool two = s->signal == CJ_SIG_TWO_TONE;
    char name[32];
    int count = 2;
    s->hz[0] = two ? 60 : 1000;
    s->hz[1] = two ? 7000 : 0;
    if (text == NULL)
        return CJ_OK;
    cj_status status = numbers(OPTION_HZ, text, "Hz", two ? 2 : 1, s->hz, &count, err);
    if (status == CJ_OK && two && count != 2)
        status =
            cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s: two-tone wants two frequencies, as in 19k,20k",
                    named(OPTION_HZ, name));
    return status;
}

/* ---- how high: everything becomes volts peak, or parts of full scale without --full-scale ---- */

#define DBU_V 0.7745966692414834 /* 1 mW in 600 ohm */

/* RMS or peak of one number of a level option, in the unit of the stimulus. */
static double level_of(int option, double number, double full_scale)
{
    switch (option) {
    case OPTION_DBU:
        return DBU_V * pow(10, number / 20);
    case OPTION_DBV:
        return pow(10, number / 20);
    case OPTION_DBFS: /* AES17: 0 dBFS is the RMS of a full-scale sine */
        return full_scale / sqrt(2) * pow(10, number / 20);
    default:
        return number;
    }
}

/* What is to become of an RMS of the whole. Two tones: 4 to 1, or alike when they are close
 * together. */
static void set_rms(cj_stimulus *s, double rms)
{
    double low = s->hz[1] < 2 * s->hz[0] ? 1 : 4;
    s->rms = rms;
    s->peak[0] = rms * sqrt(2);
    if (s->signal == CJ_SIG_SQUARE || s->signal == CJ_SIG_MLS)
        s->peak[0] = rms;
    if (s->signal == CJ_SIG_TWO_TONE) {
        s->peak[0] = rms * sqrt(2) * low / hypot(low, 1);
        s->peak[1] = rms * sqrt(2) / hypot(low, 1);
    }
}

/* Two tones of one level, and noise, whose peak is as far above its RMS as it may get. */
static void set_peak(cj_stimulus *s, double peak)
{
    set_rms(s, 1);
    double is = cj_stimulus_peak(s);
    set_rms(s, peak / is);
}

static void set_pair(cj_stimulus *s, const double peak[2])
{
    if (s->signal == CJ_SIG_STEPPED) {
        s->from_v = peak[0];
        s->to_v = peak[1];
    } else {
        memcpy(s->peak, peak, sizeof s->peak);
    }
}

static cj_status set_level(cj_stimulus *s, int option, const double value[2], int count,
                           double full_scale, cj_error *err)
{
    char name[32];
    bool peak = option == OPTION_PEAK;
    double level[2];
    for (int i = 0; i < count; i++) {
        level[i] = level_of(option, value[i], full_scale);
        if (!(level[i] > 0) || !isfinite(level[i]))
            return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s: %g is no level above nothing",
                           named(option, name), value[i]);
    }
    if (count == 2) {
        double factor = peak ? 1 : sqrt(2);
        set_pair(s, (double[2]){level[0] * factor, level[1] * factor});
    } else if (s->signal == CJ_SIG_STEPPED) {
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "%s: stepped wants two levels, the first and the last", named(option, name));
    } else if (peak) {
        set_peak(s, level[0]);
    } else {
        set_rms(s, level[0]);
    }
    return CJ_OK;
}

/* Which level option was given; 0: none. */
static cj_status find_level(const struct request *request, int *found, cj_error *err)
{
    char one[32], other[32];
    *found = 0;
    for (int option = OPTION_PEAK; option <= OPTION_DBFS; option++) {
        if (given(request, option) && *found)
            return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s and %s: one level, please",
                           named(*found, one), named(option, other));
        if (given(request, option))
            *found = option;
    }
    if (*found && *found != OPTION_DBFS && !(request->capture.full_scale_v > 0))
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "%s: how many volts a file comes out with only --full-scale V says (volts "
                       "peak at the player's output for digital full scale); --dbfs needs none",
                       named(*found, one));
    return CJ_OK;
}

/* --from and --to of a stepped tone. */
static cj_status read_steps(const struct request *request, cj_stimulus *s, cj_error *err)
{
    char name[32];
    cj_status status = whole(request, OPTION_STEPS, 20, &s->steps, err);
    for (int option = OPTION_FROM; status == CJ_OK && option <= OPTION_TO; option++) {
        if (given(request, option) == NULL)
            continue;
        if (!(request->capture.full_scale_v > 0))
            return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                           "%s: volts want --full-scale V; or both levels as --dbfs -40,0",
                           named(option, name));
        status =
            number(request, option, "V", 0, option == OPTION_FROM ? &s->from_v : &s->to_v, err);
    }
    return status;
}

static cj_status read_level(const struct request *request, cj_stimulus *s, cj_error *err)
{
    int option, count = 1;
    bool stepped = s->signal == CJ_SIG_STEPPED;
    bool two = stepped || s->signal == CJ_SIG_TWO_TONE;
    double full_scale = request->capture.full_scale_v > 0 ? request->capture.full_scale_v : 1;
    double value[2] = {-12, 0};
    char name[32];
    cj_status status = find_level(request, &option, err);
    if (status != CJ_OK || (s->signal == CJ_SIG_SILENCE && option == 0))
        return status;
    if (s->signal == CJ_SIG_SILENCE)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "%s: silence has no level", named(option, name));
    if (option == 0) {
        option = OPTION_DBFS;
        count = stepped ? 2 : 1;
        value[0] = stepped ? -40 : -12;
    } else {
        const char *unit = option == OPTION_PEAK || option == OPTION_RMS ? "V" : "dB";
        status = numbers(option, given(request, option), unit, two ? 2 : 1, value, &count, err);
    }
    if (status == CJ_OK)
        status = set_level(s, option, value, count, full_scale, err);
    return status == CJ_OK && stepped ? read_steps(request, s, err) : status;
}

/* ---- the whole ---- */

static cj_status read_format(const struct request *request, const cj_stimulus *s,
                             cj_audio_format *out, cj_error *err)
{
    const char *bits = given(request, OPTION_BITS);
    *out = (cj_audio_format){.rate_hz = s->rate_hz, .bits = 24, .seed = s->seed};
    out->full_scale = request->capture.full_scale_v > 0 ? request->capture.full_scale_v : 1;
    if (bits != NULL && strcmp(bits, "float") == 0)
        out->bits = 0;
    else if (bits != NULL && strcmp(bits, "16") == 0)
        out->bits = 16;
    else if (bits != NULL && strcmp(bits, "24") != 0)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "--bits: '%.40s' is none of 16, 24 and float",
                       bits);
    /* zeros are whole steps: nothing to hide in noise */
    out->dither = out->bits != 0 && s->signal != CJ_SIG_SILENCE;
    return CJ_OK;
}

static cj_status read_signal(const struct request *request, cj_stimulus *s, cj_error *err)
{
    int seed = 1;
    cj_status status = find_shape(request, &s->signal, err);
    bool sweep = s->signal == CJ_SIG_SWEEP;
    bool lasts = s->signal == CJ_SIG_STEPPED || s->signal == CJ_SIG_WHITE ||
                 s->signal == CJ_SIG_PINK || s->signal == CJ_SIG_MLS;
    s->marker = given(request, OPTION_NO_MARKER) == NULL;
    if (status == CJ_OK)
        status = check_use(request, s->signal, err);
    if (status == CJ_OK)
        status = number(request, OPTION_RATE, "Hz", 48000, &s->rate_hz, err);
    if (status == CJ_OK)
        status = number(request, OPTION_SECONDS, "s", lasts ? 20 : 5, &s->seconds, err);
    if (status == CJ_OK)
        status = read_frequencies(request, s, err);
    if (status == CJ_OK && sweep)
        status = number(request, OPTION_FROM, "Hz", 20, &s->from_hz, err);
    if (status == CJ_OK && sweep)
        status = number(request, OPTION_TO, "Hz", 20000, &s->to_hz, err);
    if (status == CJ_OK)
        status = whole(request, OPTION_SEED, 1, &seed, err);
    s->seed = (unsigned)seed;
    return status == CJ_OK ? read_level(request, s, err) : status;
}

static int run(const struct request *request, cj_error *err)
{
    cj_stimulus stimulus = {0};
    cj_audio_format format;
    cj_text answer = {0};
    if (request->name_count != 1)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "stimulus wants one SHAPE, not %d",
                       request->name_count);
    cj_status status = read_signal(request, &stimulus, err);
    if (status == CJ_OK)
        status = read_format(request, &stimulus, &format, err);
    if (status == CJ_OK && request->output == NULL)
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0, "stimulus wants -o FILE (.wav, .flac, .aiff)");
    if (status != CJ_OK)
        return status;
    cj_played played = {request->output, &stimulus, &format, request->capture.full_scale_v};
    status = cj_stimulus_write(request->output, &stimulus, &format, err);
    if (status == CJ_OK && request->json)
        status = cj_report_stimulus_json(&played, &answer, err);
    else if (status == CJ_OK)
        status = cj_report_stimulus_text(&played, &answer, err);
    if (status == CJ_OK)
        status = output_print(&answer, err);
    cj_text_free(&answer);
    return status;
}

const struct command command_stimulus = {
    .name = "stimulus",
    .arguments = "SHAPE -o FILE",
    .does = "a test signal: tone, sweep, two-tone, noise, ...",
    .words = "SHAPE is tone, stepped, two-tone, sweep, square, noise, mls or silence.",
    .options = options,
    .take = take,
    .run = run,
};
