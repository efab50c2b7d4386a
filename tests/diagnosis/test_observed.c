/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What was seen of a unit: typed readings, readings files, captures, and their averages. */
#include "check.h"

#include <locale.h>
#include <unistd.h>

#include "coldjoint/diagnosis.h"
#include "failing.h"
#include "tests.h"

/* ---- a board of a few steps ---- */

static char nets[][32] = {"gnd", "in1", "left_out", "right_out", "left_sum", "v+", "v-"};

static cj_step steps[] = {
    {.name = "in1-left", .see = {{1, CJ_GND}, {2, CJ_GND}}, .see_count = 2},
    {.name = "quiet", .drive = -1, .see = {{2, CJ_GND}, {3, CJ_GND}}, .see_count = 2},
    {.name = "across", .see = {{2, 3}}, .see_count = 1},
    {.name = "cold", .drive = -1, .power_off = true, .see = {{4, CJ_GND}}, .see_count = 1},
};

static const cj_board board = {.name = "bench",
                               .nets = nets,
                               .net_count = sizeof nets / sizeof nets[0],
                               .v_plus = 5,
                               .v_minus = 6,
                               .steps = steps,
                               .step_count = sizeof steps / sizeof steps[0]};

static cj_observed *made(void)
{
    cj_observed *observed = NULL;
    assert_int_equal(cj_observed_make(&board, &observed, NULL), CJ_OK);
    return observed;
}

static const cj_observation *item(const cj_observed *observed, size_t step, const char *figure,
                                  int net)
{
    for (size_t i = 0; i < observed->count; i++) {
        const cj_observation *one = &observed->items[i];
        if (one->step == step && strcmp(one->figure, figure) == 0 && one->of.net == net)
            return one;
    }
    fail_msg("no %s of step %zu at net %d", figure, step, net);
    return NULL;
}

/* ---- typed ---- */

void typed_readings_find_their_place(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        size_t step;
        const char *figure;
        int net, against;
        double value, u;
    } cases[] = {
        /* 1 % of the value and half of the last digit typed, where no uncertainty is given */
        {"quiet:dc_v@right_out=-10.4~0.1", 1, "dc_v", 3, CJ_GND, -10.4, 0.1},
        {"in1-left:gain_db=-19.1", 0, "gain_db", CJ_NO_NET, CJ_GND, -19.1, 0.191 + 0.05},
        {"quiet:dc_v@left_out=0", 1, "dc_v", 2, CJ_GND, 0, 0.5},
        {"quiet:dc_v@left_out=0.00", 1, "dc_v", 2, CJ_GND, 0, 0.005},
        {"quiet:dc_v@left_out=-10.49 V", 1, "dc_v", 2, CJ_GND, -10.49, 0.1049 + 0.005},
        {"quiet:dc_v@left_out=12mV", 1, "dc_v", 2, CJ_GND, 0.012, 0.00012 + 0.0005},
        {"quiet:dc_v@left_sum=1.20e-3", 1, "dc_v", 4, CJ_GND, 0.0012, 0.000012 + 0.000005},
        {"across:rms_v=0.707", 2, "rms_v", 2, 3, 0.707, 0.00707 + 0.0005},
        {"quiet:rms_v@left_out-right_out=1", 1, "rms_v", 2, 3, 1, 0.01 + 0.5},
        {"cold:resistance_ohm=4k7", 3, "resistance_ohm", 4, CJ_GND, 4700, 47 + 50},
        {"cold:resistance_ohm@left_out=99.9 kohm", 3, "resistance_ohm", 2, CJ_GND, 99900, 999 + 50},
        {"cold:resistance_ohm=2R2", 3, "resistance_ohm", 4, CJ_GND, 2.2, 0.022 + 0.05},
        {"quiet:supply_a@v+=18mA", 1, "supply_a", 5, CJ_GND, 0.018, 0.00018 + 0.0005},
        {"in1-left:thd_percent@left_out=0.05 %", 0, "thd_percent", 2, CJ_GND, 0.05, 0.0055},
        {"in1-left:thd_percent@left_out=0.05~0.01%", 0, "thd_percent", 2, CJ_GND, 0.05, 0.01},
        {"in1-left:gain=0.5~20m", 0, "gain", CJ_NO_NET, CJ_GND, 0.5, 0.02},
        {"in1-left:phase_deg=179 deg", 0, "phase_deg", CJ_NO_NET, CJ_GND, 179, 1.79 + 0.5},
        {"in1-left:delay_s=-20u", 0, "delay_s", CJ_NO_NET, CJ_GND, -20e-6, 0.2e-6 + 0.5e-6},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_observed *observed = made();
        cj_error err = {0};
        if (cj_observed_add_typed(observed, cases[i].text, &err) != CJ_OK)
            fail_msg("%s: %s", cases[i].text, err.message);
        assert_int_equal(observed->count, 1);
        const cj_observation *one = &observed->items[0];
        assert_int_equal(one->step, cases[i].step);
        assert_string_equal(one->figure, cases[i].figure);
        assert_int_equal(one->of.net, cases[i].net);
        assert_int_equal(one->of.against, cases[i].against);
        check_ratio(cases[i].text, one->value, cases[i].value, 1e-12);
        check_ratio(cases[i].text, one->u, cases[i].u, 1e-9);
        assert_int_equal(one->times, 1);
        assert_true(observed->seen[cases[i].step]);
        cj_observed_free(observed);
    }
}

void typed_readings_that_are_refused(void **state)
{
    (void)state;
    static const struct {
        const char *text, *says;
    } cases[] = {
        {"quite:dc_v@left_out=1", "no step 'quite'; did you mean 'quiet'?"},
        {"nowhere-near:dc_v@left_out=1", "'coldjoint board' lists its steps"},
        {"quiet:dc@left_out=1", "no figure 'dc'; did you mean 'dc_v'?"},
        {"in1-left:gian_db=1", "no figure 'gian_db'; did you mean 'gain_db'?"},
        {"quiet:volts@left_out=1", "no figure 'volts'; a reading is one like dc_v"},
        {"in1-left:polarity=1", "polarity is a word and no reading; give phase_deg"},
        {"quiet:dc_v@left_uot=1", "no net 'left_uot'; did you mean 'left_out'?"},
        {"quiet:dc_v@qqqqqqqq=1", "no net 'qqqqqqqq'; a net, or NET-NET"},
        {"quiet:dc_v=1", "dc_v of which net? step 'quiet' looks at left_out and right_out: write "
                         "dc_v@left_out or dc_v@right_out"},
        {"in1-left:gain_db@left_out=1", "takes no net: leave 'left_out' out"},
        {"across:gain_db=1", "gain_db wants two nets, and step 'across' looks at one"},
        {"quiet:resistance_ohm@left_out=1", "read with the power off, and step 'quiet' has it on"},
        {"quiet:supply_a@left_out=1", "supply_a is of a rail: supply_a@v+"},
        {"quiet:dc_v@left_out=lots", "'lots' is no quantity in V"},
        {"quiet:dc_v@left_out=3 A", "'3 A' is no quantity in V"},
        {"quiet:dc_v@left_out=nan", "'nan' is no quantity in V"},
        {"quiet:dc_v@left_out=1e999", "is no quantity in V"},
        {"quiet:dc_v@left_out=10%", "'10%' is in per cent, and dc_v is in V"},
        {"quiet:rms_v@left_out=-1", "rms_v is never below zero"},
        {"in1-left:gain=-1", "gain is never below zero"},
        {"quiet:dc_v@left_out=1~0", "'0': a standard uncertainty is above zero"},
        {"quiet:dc_v@left_out=1~-1", "'-1': a standard uncertainty is above zero"},
        {"quiet:dc_v@left_out=", "expected STEP:FIGURE[@NET]=VALUE[~U]"},
        {"quiet:=1", "expected STEP:FIGURE[@NET]=VALUE[~U]"},
        {":dc_v=1", "expected STEP:FIGURE[@NET]=VALUE[~U]"},
        {"quiet", "expected STEP:FIGURE[@NET]=VALUE[~U]"},
        {"", "expected STEP:FIGURE[@NET]=VALUE[~U]"},
        {"quiet:dc_v@left_out="
         "1111111111111111111111111111111111111111111111111111111111111111111111111111111111111111",
         "is no number: too long"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_observed *observed = made();
        cj_error err = {0};
        assert_int_equal(cj_observed_add_typed(observed, cases[i].text, &err), CJ_USAGE);
        check_holds(cases[i].text, err.message, cases[i].says);
        assert_int_equal(observed->count, 0);
        for (size_t step = 0; step < board.step_count; step++)
            assert_false(observed->seen[step]);
        cj_observed_free(observed);
    }
}

void typed_readings_do_not_follow_the_locale(void **state)
{
    (void)state;
    /* where the machine has none with a decimal comma, the C locale is what is tested */
    if (setlocale(LC_ALL, "de_DE.UTF-8") == NULL)
        print_message("no locale with a decimal comma here\n");
    cj_observed *observed = made();
    assert_int_equal(cj_observed_add_typed(observed, "quiet:dc_v@left_out=1.25~0.5", NULL), CJ_OK);
    check_close("value", observed->items[0].value, 1.25, 0);
    check_close("u", observed->items[0].u, 0.5, 0);
    cj_observed_free(observed);
    setlocale(LC_ALL, "C");
}

/* ---- given again ---- */

void readings_given_again_are_averaged(void **state)
{
    (void)state;
    cj_observed *observed = made();
    static const char *const readings[] = {
        "quiet:dc_v@left_out=1.0~0.1", "quiet:dc_v@right_out=9~0.1", "quiet:dc_v@left_out=1.2~0.3",
        "quiet:dc_v@left_out=1.7~0.2", "in1-left:phase_deg=179~1",   "in1-left:phase_deg=-177~1"};
    for (size_t i = 0; i < sizeof readings / sizeof readings[0]; i++)
        assert_int_equal(cj_observed_add_typed(observed, readings[i], NULL), CJ_OK);
    assert_int_equal(observed->count, 3);
    const cj_observation *dc = item(observed, 1, "dc_v", 2);
    assert_int_equal(dc->times, 3);
    check_ratio("mean of 1, 1.2, 1.7", dc->value, 1.3, 1e-12);
    /* scatter: deviations -0.3, -0.1, 0.4: 0.26 / (3 * 2); u: their mean 0.2 */
    check_ratio("its u", dc->u, sqrt(0.2 * 0.2 + 0.26 / 6), 1e-12);
    check_close("the other net", item(observed, 1, "dc_v", 3)->value, 9, 0);
    const cj_observation *phase = item(observed, 0, "phase_deg", CJ_NO_NET);
    check_close("179 and -177 degrees", phase->value, -179, 1e-9);
    check_ratio("its u", phase->u, sqrt(1 + 8.0 / 2), 1e-9);
    cj_observed_free(observed);
}

static cj_observation bound(cj_bound kind, double at)
{
    cj_observation one = {.step = 0, .of = {2, CJ_GND}, .value = NAN, .u = NAN};
    strcpy(one.figure, "thd_percent");
    one.bound_kind = kind;
    one.bound = at;
    return one;
}

void bounds_give_way_to_values(void **state)
{
    (void)state;
    cj_observed *observed = made();
    cj_observation wide = bound(CJ_BELOW, 0.4), close = bound(CJ_BELOW, 0.3), none = wide;
    none.bound_kind = CJ_BOUND_NONE;
    assert_int_equal(cj_observed_add(observed, &none, NULL), CJ_OK);
    assert_int_equal(observed->count, 0); /* nothing known, nothing kept */
    assert_int_equal(cj_observed_add(observed, &wide, NULL), CJ_OK);
    assert_int_equal(cj_observed_add(observed, &close, NULL), CJ_OK);
    assert_int_equal(cj_observed_add(observed, &wide, NULL), CJ_OK);
    const cj_observation *held = item(observed, 0, "thd_percent", 2);
    check_close("the closer bound", held->bound, 0.3, 0);
    assert_int_equal(held->times, 0);
    assert_int_equal(cj_observed_add_typed(observed, "in1-left:thd_percent@left_out=0.2~0.1", NULL),
                     CJ_OK);
    held = item(observed, 0, "thd_percent", 2);
    check_close("a value instead", held->value, 0.2, 0);
    assert_int_equal(held->bound_kind, CJ_BOUND_NONE);
    assert_int_equal(cj_observed_add(observed, &close, NULL), CJ_OK);
    check_close("and no bound after it", item(observed, 0, "thd_percent", 2)->value, 0.2, 0);
    assert_int_equal(observed->count, 1);
    cj_observed_free(observed);
}

/* ---- captures ---- */

static void figure(cj_figure_set *set, cj_figure one)
{
    assert_int_equal(cj_figure_add(set, &one), CJ_OK);
}

static void make_measurement(cj_measurement *m)
{
    *m = (cj_measurement){.channel_count = 2};
    figure(&m->channel[0], (cj_figure){.name = "rms_v", .unit = "V", .value = 0.7, .u = 0.01});
    figure(&m->channel[1], (cj_figure){.name = "rms_v", .unit = "FS", .value = 0.1, .u = 0.01});
    figure(&m->channel[1], (cj_figure){.name = "signal", .word = "tone", .value = NAN});
    figure(&m->channel[1], (cj_figure){.name = "thd_percent",
                                       .unit = "%",
                                       .value = NAN,
                                       .u = NAN,
                                       .bound_kind = CJ_BELOW,
                                       .bound = 0.4});
    figure(&m->channel[1], (cj_figure){.name = "hum_v", .unit = "V", .value = NAN, .u = NAN});
    figure(&m->pair, (cj_figure){.name = "gain_db", .unit = "dB", .value = -19.1, .u = 0.1});
    figure(&m->pair, (cj_figure){.name = "polarity", .word = "same", .value = NAN});
}

static void free_measurement(cj_measurement *m)
{
    cj_figure_set_free(&m->channel[0]);
    cj_figure_set_free(&m->channel[1]);
    cj_figure_set_free(&m->pair);
}

void captures_give_every_number(void **state)
{
    (void)state;
    cj_measurement m;
    cj_observed *observed = made();
    make_measurement(&m);
    assert_int_equal(cj_observed_add_measurement(observed, 0, &m, "a.csv", NULL), CJ_OK);
    assert_int_equal(observed->count, 3); /* no word, nothing untold, no level in another unit */
    check_close("rms_v@in1", item(observed, 0, "rms_v", 1)->value, 0.7, 0);
    check_close("gain_db", item(observed, 0, "gain_db", CJ_NO_NET)->value, -19.1, 0);
    check_close("thd_percent@left_out", item(observed, 0, "thd_percent", 2)->bound, 0.4, 0);
    assert_int_equal(item(observed, 0, "thd_percent", 2)->bound_kind, CJ_BELOW);
    assert_string_equal(observed->files[0], "a.csv");
    assert_int_equal(cj_observed_add_measurement(observed, 0, &m, "b.csv", NULL), CJ_OK);
    assert_string_equal(observed->files[0], "a.csv, b.csv");
    assert_int_equal(item(observed, 0, "gain_db", CJ_NO_NET)->times, 2);
    assert_int_equal(cj_observed_add_measurement(observed, 1, &m, NULL, NULL), CJ_OK);
    assert_null(observed->files[1]);
    assert_true(observed->seen[0] && observed->seen[1] && !observed->seen[2]);
    free_measurement(&m);
    cj_observed_free(observed);
}

void captures_of_other_channels_are_refused(void **state)
{
    (void)state;
    cj_measurement m;
    cj_observed *observed = made();
    cj_error err = {0};
    make_measurement(&m);
    assert_int_equal(cj_observed_add_measurement(observed, 2, &m, "a.csv", &err), CJ_DATA);
    assert_string_equal(err.file, "a.csv");
    check_holds("two for one", err.message,
                "two channels, but step 'across' looks at one net, left_out-right_out");
    m.channel_count = 1;
    assert_int_equal(cj_observed_add_measurement(observed, 0, &m, "a.csv", &err), CJ_DATA);
    check_holds("one for two", err.message,
                "one channel, but step 'in1-left' wants two: channel 1 on in1, channel 2 on "
                "left_out");
    assert_int_equal(observed->count, 0);
    free_measurement(&m);
    cj_observed_free(observed);
}

/* ---- readings files ---- */

static const char *written(const char *text, size_t length)
{
    static char path[400];
    const char *where = getenv("TMPDIR");
    snprintf(path, sizeof path, "%s/coldjoint-readings-XXXXXX",
             where && where[0] ? where : P_tmpdir);
    int file = mkstemp(path);
    assert_true(file >= 0);
    assert_int_equal(write(file, text, length), (ssize_t)length);
    close(file);
    return path;
}

#define HEADER "step,figure,net,value,u\n"

void readings_files_are_read(void **state)
{
    (void)state;
    static const char *const texts[] = {
        HEADER "quiet,dc_v,left_out,-10.4,0.1\nin1-left,gain_db,,-19.1,\n",
        "\xef\xbb\xbfstep,figure,net,value,u\r\nquiet,dc_v,left_out,-10.4,0.1\r\n\r\n"
        "in1-left,gain_db,,-19.1,",
        "\"step\",\"figure\",\"net\",\"value\",\"u\"\n\"quiet\" , dc_v ,\"left_out\",\"-10.4\", "
        "0.1\n"
        ",,,,\nin1-left,gain_db,,-19.1\n",
        "step,figure,net,value,u\rquiet,dc_v,left_out,-10.4 V,100m\rin1-left,gain_db,,-19.1,\r",
    };
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        const char *path = written(texts[i], strlen(texts[i]));
        cj_observed *observed = made();
        cj_error err = {0};
        assert_true(cj_observed_is_file(path));
        if (cj_observed_add_file(observed, path, &err) != CJ_OK)
            fail_msg("%s:%ld:%ld: %s", texts[i], err.line, err.column, err.message);
        assert_int_equal(observed->count, 2);
        check_close(texts[i], item(observed, 1, "dc_v", 2)->value, -10.4, 1e-12);
        check_close(texts[i], item(observed, 1, "dc_v", 2)->u, 0.1, 1e-12);
        check_close(texts[i], item(observed, 0, "gain_db", CJ_NO_NET)->u, 0.241, 1e-9);
        cj_observed_free(observed);
        unlink(path);
    }
}

void readings_files_that_are_refused(void **state)
{
    (void)state;
    static const struct {
        const char *text, *says;
        long line, column;
    } cases[] = {
        {HEADER, "no reading below the header", 2, 1},
        {"", "is no header of readings; expected step,figure,net,value,u", 1, 1},
        {"step;figure;net;value;u\nquiet;dc_v;left_out;1;\n", "parted by semicolons", 1, 1},
        {"step,figure,value,net,u\n", "'value' is no header of readings", 1, 13},
        {HEADER "quite,dc_v,left_out,1,\n", "did you mean 'quiet'?", 2, 1},
        {HEADER "quiet,dc_v,left_out,1,\nquiet, dc-v,left_out,1,\n", "did you mean 'dc_v'?", 3, 8},
        {HEADER "quiet,dc_v,left,1,\n", "no net 'left'", 2, 12},
        {HEADER "quiet,dc_v,,1,\n", "dc_v of which net?", 2, 12},
        {HEADER "quiet,dc_v,left_out,much,\n", "'much' is no quantity in V", 2, 21},
        {HEADER "quiet,dc_v,left_out,1,-1\n", "above zero", 2, 23},
        {HEADER "quiet,dc_v,left_out\n", "3 of 5 columns", 2, 1},
        {HEADER "quiet,dc_v,left_out,1,1,1\n", "more than 5 columns", 2, 25},
        {HEADER "\"\xc3\xa4\",\"quiet\n", "this quote is not closed", 2, 5},
        {HEADER "\"quiet\"x,dc_v,left_out,1,1\n", "behind a closed quote", 2, 8},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const char *path = written(cases[i].text, strlen(cases[i].text));
        cj_observed *observed = made();
        cj_error err = {0};
        assert_int_equal(cj_observed_add_file(observed, path, &err), CJ_DATA);
        check_holds(cases[i].text, err.message, cases[i].says);
        assert_string_equal(err.file, path);
        assert_int_equal(err.line, cases[i].line);
        assert_int_equal(err.column, cases[i].column);
        cj_observed_free(observed);
        unlink(path);
    }
}

void readings_files_are_bounded(void **state)
{
    (void)state;
    cj_text text = {0};
    cj_error err = {0};
    cj_observed *observed = made();
    cj_text_add(&text, HEADER);
    for (int i = 0; i < 10001; i++)
        cj_text_add(&text, "quiet,dc_v,left_out,1,1\n");
    assert_false(text.failed);
    const char *path = written(text.bytes, text.length);
    assert_int_equal(cj_observed_add_file(observed, path, &err), CJ_DATA);
    check_holds("rows", err.message, "more than 10000 readings");
    assert_int_equal(err.line, 10002);
    unlink(path);
    cj_text_free(&text);

    /* one cell of a kilobyte; a NUL; nothing there */
    cj_text_add(&text, HEADER);
    for (int i = 0; i < 1000; i++)
        cj_text_add(&text, "q");
    path = written(text.bytes, text.length);
    assert_int_equal(cj_observed_add_file(observed, path, &err), CJ_DATA);
    check_holds("cell", err.message, "a cell of more than 127 bytes");
    unlink(path);
    cj_text_free(&text);
    path = written(HEADER "quiet\0,", sizeof HEADER + 6);
    assert_int_equal(cj_observed_add_file(observed, path, &err), CJ_DATA);
    check_holds("NUL", err.message, "a NUL byte inside");
    unlink(path);
    assert_int_equal(cj_observed_add_file(observed, path, &err), CJ_NOINPUT);
    cj_observed_free(observed);
}

void other_files_are_no_readings(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        bool is;
    } cases[] = {
        {"step;figure;net;value;u\n", true}, /* meant to be one: refused in words later on */
        {"step,figure,net,value,u", true},
        {"step,figure,net,value\n", false},
        {"step,figure,net,value,u,more\n", false},
        {"TIME,CH1,CH2\n0,0,0\n", false},
        {"", false},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const char *path = written(cases[i].text, strlen(cases[i].text));
        assert_int_equal(cj_observed_is_file(path), cases[i].is);
        unlink(path);
    }
    assert_false(cj_observed_is_file("/"));
    assert_false(cj_observed_is_file("/no/such/file"));
}

/* ---- memory ---- */

static cj_status observe(void *user, cj_error *err)
{
    cj_observed *observed = NULL;
    const char *const *given = user; /* a readings file */
    cj_measurement m = {.channel_count = 2};
    cj_status status = cj_observed_make(&board, &observed, err);
    if (status == CJ_OK)
        status = cj_observed_add_typed(observed, "quiet:dc_v@left_out=1", err);
    if (status == CJ_OK)
        status = cj_observed_add_file(observed, *given, err);
    if (status == CJ_OK)
        status = cj_observed_add_measurement(observed, 0, &m, "a.csv", err);
    if (status == CJ_OK)
        status = cj_observed_add_measurement(observed, 0, &m, "b.csv", err);
    cj_observed_free(observed);
    return status;
}

void observing_runs_out_of_memory(void **state)
{
    (void)state;
    cj_text text = {0};
    cj_text_add(&text, HEADER);
    for (int i = 0; i < 20; i++)
        cj_text_add(&text, "%s,dc_v,%s,1,1\n", i % 2 ? "quiet" : "in1-left", nets[i % 7]);
    const char *path = written(text.bytes, text.length);
    assert_true(failing_each("observed", observe, &path) > 8);
    unlink(path);
    cj_text_free(&text);
}
