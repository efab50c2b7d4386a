/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Responses of known digital filters, from sweeps. */
#include "tests.h"

#include <complex.h>

static const cj_instruments ideal = {.full_scale_v = NAN};

/* A digital filter of second order, b and a by powers of z^-1, a[0] = 1. */
struct filter {
    const char *name;
    double b[3], a[3];
};

static double complex response_of(const struct filter *f, double hz, double rate)
{
    double complex z = cexp(-2 * M_PI * I * hz / rate);
    return (f->b[0] + f->b[1] * z + f->b[2] * z * z) / (1 + f->a[1] * z + f->a[2] * z * z);
}

static void run_filter(const struct filter *f, const double *x, double *y, size_t n)
{
    double x1 = 0, x2 = 0, y1 = 0, y2 = 0;
    for (size_t i = 0; i < n; i++) {
        y[i] = f->b[0] * x[i] + f->b[1] * x1 + f->b[2] * x2 - f->a[1] * y1 - f->a[2] * y2;
        x2 = x1;
        x1 = x[i];
        y2 = y1;
        y1 = y[i];
    }
}

/* Second-order sections by the bilinear transform, warped to hz (textbook; checked by response_of,
 * which the same coefficients feed). kind: 'l' low-pass, 'h' high-pass, 'p' a peak of 12 dB. */
static struct filter section(char kind, double hz, double q, double rate)
{
    double w = 2 * M_PI * hz / rate, alpha = sin(w) / (2 * q), c = cos(w), amp = 2;
    struct filter f = {.a = {1, -2 * c, 1 - alpha}};
    double a0 = 1 + alpha;
    if (kind == 'l')
        f.b[0] = f.b[2] = (1 - c) / 2, f.b[1] = 1 - c;
    else if (kind == 'h')
        f.b[0] = f.b[2] = (1 + c) / 2, f.b[1] = -(1 + c);
    else {
        f.b[0] = 1 + alpha * amp, f.b[1] = -2 * c, f.b[2] = 1 - alpha * amp;
        a0 = 1 + alpha / amp;
        f.a[2] = 1 - alpha / amp;
    }
    for (int i = 0; i < 3; i++) {
        f.b[i] /= a0;
        if (i > 0)
            f.a[i] /= a0;
    }
    return f;
}

/* ---- captures ---- */

struct setting {
    const char *label;
    double rate, from, to, seconds;
    double ppm;    /* the recorder's clock against the player's */
    double before; /* s of silence before the sweep's first sample */
    double noise;  /* RMS, in each channel */
    double hum_hz,
        hum; /* peak of its first line in channel 2; lines 2 and 3 half and a third of it */
    double lost_at, lost_s; /* a dropout of channel 2 */
    double second, third;   /* channel 2 is x + second x^2 + third x^3, before its filter */
    unsigned long long seed;
};

static struct memory_capture *capture_of(const struct setting *s, const struct filter *filter)
{
    cj_stimulus stimulus = {.signal = CJ_SIG_SWEEP,
                            .rate_hz = s->rate,
                            .seconds = s->seconds,
                            .from_hz = s->from,
                            .to_hz = s->to,
                            .peak = {1}};
    cj_sweep sweep;
    assert_int_equal(cj_sweep_make(&stimulus, &sweep, NULL), CJ_OK);
    size_t n = (size_t)((s->before + sweep.lead_s + sweep.seconds + sweep.trail_s + 0.4) * s->rate);
    struct memory_capture *made = memory_capture_new(2, n, s->rate);
    double *driven = cj_new(n, sizeof *driven);
    unsigned long long state = s->seed * 2654435761u + 88172645463325252ull;
    for (size_t i = 0; i < n; i++) {
        double t = (double)i / s->rate * (1 + 1e-6 * s->ppm) - s->before - sweep.lead_s;
        double x = cj_sweep_value(&sweep, t);
        made->x[0][i] = x;
        driven[i] = x + s->second * x * x + s->third * x * x * x;
    }
    run_filter(filter, driven, made->x[1], n);
    cj_free(driven);
    for (size_t i = 0; i < n; i++) {
        double t = (double)i / s->rate;
        if (s->lost_s > 0 && t >= s->lost_at && t < s->lost_at + s->lost_s)
            made->x[1][i] = 0;
        for (int k = 1; k <= 3; k++)
            made->x[1][i] += s->hum / k * sin(2 * M_PI * k * s->hum_hz * t + k);
        for (int c = 0; c < 2; c++)
            made->x[c][i] += s->noise * normal(&state);
    }
    return made;
}

static cj_measurement *measured_with(struct memory_capture *made, cj_measure_options options)
{
    cj_measurement *measurement = NULL;
    cj_error err = {0};
    if (options.instruments == NULL)
        options.instruments = &ideal;
    if (cj_measure(as_capture(made), &options, &measurement, &err) != CJ_OK)
        fail_msg("measure: %s", err.message);
    return measurement;
}

/* What a response is off by between two frequencies. */
struct errors {
    double db, degrees;                  /* largest */
    size_t points, within, phase_within; /* twice the stated uncertainty */
};

static void print_errors(const char *name, const struct errors *e)
{
    double share = 100 / (double)e->points;
    print_message(
        "%-36s %zu points, worst %.5f dB, %.4f degree; within 2 u: gain %.1f %%, phase %.1f %%\n",
        name, e->points, e->db, e->degrees, share * (double)e->within,
        share * (double)e->phase_within);
}

/* At least `share` of the points within twice the stated uncertainty. */
static void check_within(const struct errors *e, double share)
{
    /* of one record, as the sanitizers have it, only a few points are independent */
    double least = (SANITIZED ? share - 0.1 : share) * (double)e->points;
    if ((double)e->within < least || (double)e->phase_within < least)
        fail_msg("gain %zu, phase %zu of %zu points within 2 u", e->within, e->phase_within,
                 e->points);
}

static void compare(const cj_response *r, const struct filter *f, double rate, double from,
                    double to, struct errors *e)
{
    for (size_t i = 0; i < r->count; i++) {
        if (r->hz[i] < from || r->hz[i] > to)
            continue;
        double complex h = response_of(f, r->hz[i], rate);
        double db = fabs(r->gain_db[i] - 20 * log10(cabs(h)));
        double degrees = fabs(remainder(r->phase_deg[i] - carg(h) * 180 / M_PI, 360));
        e->points++;
        e->within += db <= 2 * r->u_gain_db[i];
        e->phase_within += degrees <= 2 * r->u_phase_deg[i];
        e->db = db <= e->db ? e->db : db; /* a NaN stays */
        e->degrees = degrees <= e->degrees ? e->degrees : degrees;
    }
}

#define RATE 48000.0

/* From 20 Hz to 20 kHz within 0.01 dB and 0.1 degree, without noise. */
static void known_filters(void **state)
{
    (void)state;
    static const struct setting settings[] = {
        {"5 s", RATE, 20, 20000, 5, .before = 0.31},
        {"2 s, another clock", RATE, 20, 20000, 2, .before = 0.123, .ppm = 200},
        {"10 s", RATE, 20, 20000, 10, .ppm = -200},
    };
    const struct filter filters[] = {section('h', 20, 0.7071, RATE),
                                     section('l', 5000, 0.7071, RATE),
                                     section('p', 300, 4, RATE),
                                     section('h', 5, 0.7, RATE),
                                     {"two samples later, inverted", {0, 0, -0.5}, {1, 0, 0}}};
    size_t rounds = SANITIZED ? 1 : sizeof settings / sizeof settings[0];
    for (size_t s = 0; s < rounds; s++)
        for (size_t f = 0; f < sizeof filters / sizeof filters[0]; f++) {
            struct memory_capture *made = capture_of(&settings[s], &filters[f]);
            cj_measurement *m = measured_with(made, (cj_measure_options){0});
            struct errors e = {0};
            assert_non_null(m->response);
            compare(m->response, &filters[f], RATE, 20, 20000, &e);
            print_errors(settings[s].label, &e);
            assert_true(e.points >= 478); /* 48 an octave over 9.97 octaves */
            check_close(settings[s].label, e.db, 0, 0.01);
            check_close(settings[s].label, e.degrees, 0, 0.1);
            cj_measurement_free(m);
            memory_capture_free(made);
        }
}

/* 60 dB of signal over noise in both channels, hum, a clock 200 ppm off, an unknown start: 95 % of
 * the points within twice the stated uncertainty. */
static void stated_uncertainty(void **state)
{
    (void)state;
    const struct filter filters[] = {section('h', 30, 0.7071, RATE), section('l', 9000, 1, RATE),
                                     section('p', 200, 2, RATE)};
    struct errors e = {0};
    for (unsigned seed = 1; seed <= TRIALS_OF(6); seed++) {
        struct setting s = {"noise",
                            RATE,
                            20,
                            20000,
                            5,
                            .ppm = 200,
                            .before = 0.05 + 0.0717 * seed,
                            .noise = 0.7071e-3,
                            .hum_hz = 49.9 + 0.03 * seed,
                            .hum = 0.003,
                            .seed = seed};
        struct memory_capture *made = capture_of(&s, &filters[seed % 3]);
        cj_measurement *m = measured_with(made, (cj_measure_options){0});
        assert_non_null(m->response);
        compare(m->response, &filters[seed % 3], RATE, 20, 20000, &e);
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    print_errors("60 dB, hum, clock, start", &e);
    check_within(&e, 0.95);
}

/* y = x + a x^2 + b x^3 of a cosine of peak 1: harmonic 2 is a/2, harmonic 3 is b/4, the
 * fundamental 1 + 3b/4 (powers of a cosine). Alone, each shows as THD: within 0.2 dB. */
static void harmonics_of_a_polynomial(void **state)
{
    (void)state;
    static const struct {
        double second, third, from, to, seconds;
    } cases[] = {{0.02, 0, 20, 9900, 5},
                 {0, 0.04, 20, 6600, 5},
                 {0.002, 0, 20, 9900, 10},
                 {0, 0.0004, 20, 6600, 2},
                 {0.01, 0.02, 20, 6600, 5}};
    const struct filter through = {"through", {1, 0, 0}, {1, 0, 0}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct setting s = {"polynomial",
                            RATE,
                            20,
                            20000,
                            cases[i].seconds,
                            .before = 0.2,
                            .noise = 1e-6,
                            .second = cases[i].second,
                            .third = cases[i].third,
                            .seed = 7};
        struct memory_capture *made = capture_of(&s, &through);
        cj_measurement *m = measured_with(made, (cj_measure_options){0});
        double want = hypot(s.second / 2, s.third / 4) / (1 + 0.75 * s.third), worst = 0;
        size_t points = 0;
        assert_non_null(m->response);
        for (size_t k = 0; k < m->response->count; k++)
            if (m->response->hz[k] >= cases[i].from && m->response->hz[k] <= cases[i].to) {
                double off = fabs(20 * log10(m->response->thd_percent[k] / 100 / want));
                worst = off <= worst ? worst : off;
                points++;
            }
        print_message("harmonics of %g x^2 + %g x^3 in %g s: %zu points, worst %.4f dB\n", s.second,
                      s.third, s.seconds, points, worst);
        assert_true(points > 300);
        check_close("THD, dB", worst, 0, 0.2);
        cj_measurement_free(m);
        memory_capture_free(made);
    }
}

/* White noise through a filter, noise of the output 20 dB below: within twice the stated
 * uncertainty in 95 % of the points, coherence 1 / (1 + 1/100 / |H|^2) about where the filter
 * passes. */
static void response_from_noise(void **state)
{
    (void)state;
    const struct filter filters[] = {section('l', 3000, 0.7071, RATE),
                                     section('h', 200, 0.7071, RATE)};
    struct errors e = {0};
    for (unsigned seed = 1; seed <= TRIALS_OF(6); seed++) {
        const struct filter *f = &filters[seed % 2];
        size_t n = (size_t)(8 * RATE);
        struct memory_capture *made = memory_capture_new(2, n, RATE);
        unsigned long long random = 977 * seed + 3;
        for (size_t i = 0; i < n; i++)
            made->x[0][i] = normal(&random);
        run_filter(f, made->x[0], made->x[1], n);
        for (size_t i = 0; i < n; i++)
            made->x[1][i] += 0.1 * normal(&random);
        cj_measurement *m = measured_with(made, (cj_measure_options){0});
        assert_non_null(m->response);
        compare(m->response, f, RATE, 100, 8000, &e);
        double db;
        cj_response_at(m->response, 1000, &db, NULL, NULL, NULL);
        check_close("gain", db, 20 * log10(cabs(response_of(f, 1000, RATE))), 0.3);
        for (size_t i = 0; i < m->response->count; i++)
            if (m->response->hz[i] > 900 && m->response->hz[i] < 1100)
                check_close("coherence", m->response->coherence[i], 1 / 1.01, 0.005);
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    /* 95.4 % nominal; about one point in three is independent of the others, so 0.7 % of scatter */
    print_errors("noise through a filter", &e);
    check_within(&e, 0.935);
}

/* One channel against what was played: start and clock are found from the recording. */
static void one_channel_of_a_known_sweep(void **state)
{
    (void)state;
    static const struct setting settings[] = {
        {"same clock", RATE, 20, 20000, 5, .before = 0.4137},
        {"200 ppm", RATE, 20, 20000, 5, .ppm = 200, .before = 0.1},
        {"noise", RATE, 20, 20000, 5, .ppm = 150, .before = 0.21, .noise = 1e-3, .seed = 5},
    };
    const struct filter filters[] = {{"half, inverted", {-0.5}, {1}},
                                     section('h', 40, 0.7071, RATE)};
    for (size_t s = 0; s < sizeof settings / sizeof settings[0]; s++)
        for (size_t f = 0; f < 2; f++) {
            struct memory_capture *made = capture_of(&settings[s], &filters[f]);
            double *swap = made->x[0];
            made->x[0] = made->x[1];
            made->x[1] = swap;
            made->info.selected_count = made->info.channel_count = 1;
            const cj_stimulus played = {.signal = CJ_SIG_SWEEP,
                                        .rate_hz = RATE,
                                        .from_hz = 20,
                                        .to_hz = 20000,
                                        .seconds = settings[s].seconds,
                                        .peak = {1}};
            for (int told = 1; told >= 0; told--) {
                cj_measurement *m =
                    measured_with(made, (cj_measure_options){.played = told ? &played : NULL});
                assert_non_null(m->response);
                assert_true(m->response->of_stimulus);
                struct errors e = {0};
                double at = told ? 0 : 20 * log10(cabs(response_of(&filters[f], 1000, RATE)));
                for (size_t k = 0; k < m->response->count; k++)
                    m->response->gain_db[k] += at;
                compare(m->response, &filters[f], RATE, told ? 20 : 40, 20000, &e);
                assert_true(e.points > (told ? 470 : 400));
                check_close(settings[s].label, e.db, 0, 0.01 + 20 * settings[s].noise);
                if (f == 0 && told && settings[s].noise == 0)
                    check_close(settings[s].label, e.degrees, 0, 0.1);
                if (f == 0 && told && settings[s].noise > 0)
                    assert_true(e.phase_within >= 0.95 * (double)e.points);
                cj_measurement_free(m);
            }
            memory_capture_free(made);
        }
}

/* A unit that holds samples for 0.1 s: the response has that delay. */
static void a_late_output(void **state)
{
    (void)state;
    const struct setting s = {"late", RATE, 20, 20000, 3, .before = 0.2};
    const struct filter f = section('l', 4000, 0.7071, RATE);
    struct memory_capture *made = capture_of(&s, &f);
    const size_t late = 4801;
    for (size_t i = made->info.samples; i-- > 0;)
        made->x[1][i] = i >= late ? made->x[1][i - late] : 0;
    cj_measurement *m = measured_with(made, (cj_measure_options){0});
    assert_non_null(m->response);
    for (size_t i = 0; i < m->response->count; i++) {
        double hz = m->response->hz[i];
        double complex h =
            response_of(&f, hz, RATE) * cexp(-2 * M_PI * I * hz * (double)late / RATE);
        if (hz < 20 || hz > 20000)
            continue;
        check_close("gain", m->response->gain_db[i], 20 * log10(cabs(h)), 0.01);
        check_close("phase", remainder(m->response->phase_deg[i] - carg(h) * 180 / M_PI, 360), 0,
                    0.1);
        check_close("delay", m->response->delay_s[i], (double)late / RATE, 1e-4);
    }
    cj_measurement_free(m);
    memory_capture_free(made);
}

/* A contact that opens once, for some milliseconds. */
static void a_dropout(void **state)
{
    (void)state;
    static const struct setting settings[] = {
        {"5 ms at 80 Hz", RATE, 20, 20000, 5, .before = 0.2, .lost_at = 1.4, .lost_s = 0.005},
        {"5 ms at 900 Hz", RATE, 20, 20000, 5, .before = 0.2, .lost_at = 3.1, .lost_s = 0.005,
         .noise = 1e-4},
        {"20 ms at 2 kHz", RATE, 20, 20000, 5, .before = 0.2, .lost_at = 3.7, .lost_s = 0.02,
         .noise = 1e-4},
        {"1 ms at 9 kHz", RATE, 20, 20000, 5, .before = 0.2, .lost_at = 4.7, .lost_s = 0.001},
    };
    const struct filter f = section('l', 4000, 0.7071, RATE);
    for (size_t s = 0; s < sizeof settings / sizeof settings[0]; s++) {
        struct memory_capture *made = capture_of(&settings[s], &f);
        cj_measurement *m = measured_with(made, (cj_measure_options){0});
        struct errors e = {0};
        assert_non_null(m->response);
        compare(m->response, &f, RATE, 20, 20000, &e);
        check_close(settings[s].label, e.db, 0, 0.05);
        check_close(settings[s].label, e.degrees, 0, 0.5);
        cj_measurement_free(m);
        memory_capture_free(made);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(known_filters),
        cmocka_unit_test(stated_uncertainty),
        cmocka_unit_test(harmonics_of_a_polynomial),
        cmocka_unit_test(response_from_noise),
        cmocka_unit_test(a_late_output),
        cmocka_unit_test(a_dropout),
        cmocka_unit_test(one_channel_of_a_known_sweep),
    };
    return cmocka_run_group_tests_name("figures-response", tests, NULL, NULL);
}
