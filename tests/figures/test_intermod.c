/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Two tones: intermodulation by both methods of IEC 60268-3, and the pair at each tone. */
#include "tests.h"

/* y = x + k2 x^2 + k3 x^3 on two cosines. */
struct device {
    double k2, k3;
};

static void two_cosines(struct memory_capture *made, const double hz[2], const double peak[2],
                        struct device device)
{
    double rate = made->info.rate_hz;
    for (size_t i = 0; i < made->info.samples; i++) {
        double t = (double)i / rate;
        double x = peak[0] * cos(2 * M_PI * hz[0] * t + 0.3) + peak[1] * cos(2 * M_PI * hz[1] * t);
        made->x[0][i] = x + device.k2 * x * x + device.k3 * x * x * x;
    }
}

/* The closed form: with cosines A1, A2 the lines are f2: A2 + k3 (3/4 A2^3 + 3/2 A1^2 A2); f2+-f1:
 * k2 A1 A2; f2+-2f1: 3/4 k3 A1^2 A2; 2f1-f2 and 2f2-f1 of equal tones: 3/4 k3 A^3 (products of
 * cosines written out as sums). */
static double closed_form(const double a[2], struct device d, bool close)
{
    double carrier = a[1] + d.k3 * (0.75 * pow(a[1], 3) + 1.5 * a[0] * a[0] * a[1]);
    double second = close ? d.k2 * a[0] * a[1] / (2 * carrier) : 2 * d.k2 * a[0] * a[1] / carrier;
    double third = 2 * 0.75 * d.k3 * a[0] * a[0] * a[1] / carrier;
    return hypot(second, close ? third / 2 : third);
}

static const struct {
    double k2, k3, modulation, d2, d3;
} published[] = {
    /* totals and orders computed by formula and by a coherent transform, ten digits */
    {0.01, 0, 0.0160000000, 0.0025000000, 0},
    {0, 0.01, 0.0095058917, 0, 0.0018645121},
    {0.01, 0.005, 0.0166222105, 0.0024929885, 0.0009348707},
    {0.001, 0.0005, 0.0016696226, 0.0002499297, 0.0000937236},
};

void intermodulation_of_polynomials(void **state)
{
    (void)state;
    /* tones on bins and off them; rates at which no product of the third order folds back */
    static const struct {
        double hz[2], peak[2], rate;
        size_t n;
    } signals[] = {
        {{60, 7000}, {0.8, 0.2}, 96e3, 96000},    {{250, 8000}, {0.8, 0.2}, 96e3, 96000},
        {{19e3, 20e3}, {0.5, 0.5}, 192e3, 96000}, {{60.0137, 7000.41}, {0.8, 0.2}, 96e3, 50001},
        {{250, 8000}, {0.8, 0.2}, 51.2e3, 30000}, {{19001.3, 19999.2}, {0.5, 0.5}, 192e3, 65537},
        {{60, 7000}, {0.8, 0.2}, 96e3, 400000},
    };
    double worst = 0;
    for (size_t s = 0; s < sizeof signals / sizeof signals[0]; s++)
        for (size_t p = 0; p < sizeof published / sizeof published[0]; p += SANITIZED ? 2 : 1) {
            struct memory_capture *made = memory_capture_new(1, signals[s].n, signals[s].rate);
            struct device device = {published[p].k2, published[p].k3};
            two_cosines(made, signals[s].hz, signals[s].peak, device);
            bool close = signals[s].hz[0] > 10e3;
            cj_measurement *m = measured(made, NULL);
            char label[60];
            snprintf(label, sizeof label, "signal %zu, device %zu", s, p);
            double want = close ? hypot(published[p].d2, published[p].d3) : published[p].modulation;
            check_ratio(label, closed_form(signals[s].peak, device, close), want, 1e-6);
            check_word(&m->channel[0], "signal", "two-tone");
            worst = fmax(worst, fabs(value_of(&m->channel[0], "imd_percent") / 100 /
                                         closed_form(signals[s].peak, device, close) -
                                     1));
            check_ratio(label, value_of(&m->channel[0], "imd_percent"),
                        100 * closed_form(signals[s].peak, device, close), 1e-6);
            check_close(label, value_of(&m->channel[0], "imd_db"), 20 * log10(want), 1e-5);
            check_word(&m->channel[0], "imd_kind", close ? "difference-frequency" : "modulation");
            cj_measurement_free(m);
            memory_capture_free(made);
        }
    print_message("intermodulation of polynomials: worst %.1e of the figure\n", worst);
}

/* The value scatters as its u says, and is not drawn up by noise. */
void intermodulation_in_noise(void **state)
{
    (void)state;
    static const double hz[2] = {60, 7000}, peak[2] = {0.8, 0.2};
    struct device device = {0.002, 0.001};
    double want = 100 * closed_form(peak, device, false), sum = 0, square = 0, u = 0;
    enum { TRIALS = TRIALS_OF(60) };
    for (int trial = 0; trial < TRIALS; trial++) {
        struct memory_capture *made = memory_capture_new(1, 24000, 48e3);
        two_cosines(made, hz, peak, device);
        add_noise(made, 0, 2e-3, (unsigned long long)(trial + 1));
        cj_measurement *m = measured(made, NULL);
        double off = value_of(&m->channel[0], "imd_percent") - want;
        sum += off;
        square += off * off;
        u += u_of(&m->channel[0], "imd_percent") / TRIALS;
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    check_ratio("spread", sqrt(square / TRIALS), u, SCATTER_OF(TRIALS));
    check_close("bias", sum / TRIALS, 0, 4 * u / sqrt(TRIALS));
}

void intermodulation_that_cannot_be_told(void **state)
{
    (void)state;
    /* above half the rate; no standard pair; under the noise */
    struct memory_capture *made = memory_capture_new(1, 32000, 40500);
    add_sine(made, 0, 19e3, 0.5, 0);
    add_sine(made, 0, 20e3, 0.5, 0);
    cj_measurement *m = measured(made, NULL);
    check_missing(&m->channel[0], "imd_percent", "above half the sample rate");
    check_word(&m->channel[0], "imd_kind", "difference-frequency");
    cj_measurement_free(m);
    memory_capture_free(made);
    made = memory_capture_new(1, 32000, 48e3);
    add_sine(made, 0, 1000, 0.5, 0);
    add_sine(made, 0, 2700, 0.5, 0);
    m = measured(made, NULL);
    check_missing(&m->channel[0], "imd_percent", "no standard pair");
    check_missing(&m->channel[0], "imd_kind", "no standard pair");
    cj_measurement_free(m);
    memory_capture_free(made);
    int bounded = 0;
    for (unsigned long long seed = 1; seed <= 20; seed++) {
        made = memory_capture_new(1, 32000, 48e3);
        add_sine(made, 0, 60, 0.8, 0);
        add_sine(made, 0, 7000, 0.2, 0);
        add_noise(made, 0, 1e-3, seed);
        m = measured(made, NULL);
        const cj_figure *imd = cj_figure_find(&m->channel[0], "imd_percent");
        bounded += isnan(imd->value) && imd->bound_kind == CJ_BELOW && imd->bound < 0.05;
        cj_measurement_free(m);
        memory_capture_free(made);
    }
    assert_true(bounded >= 19);
    /* a single tone has no such figure, and a square is no pair of tones */
    made = memory_capture_new(1, 32000, 48e3);
    add_sine(made, 0, 60, 0.8, 0);
    m = measured(made, NULL);
    assert_null(cj_figure_find(&m->channel[0], "imd_percent"));
    cj_measurement_free(m);
    memory_capture_free(made);
}

/* Both tones weigh: a path that lets 7 kHz through ten times better is still answered. */
void pair_at_two_tones(void **state)
{
    (void)state;
    struct memory_capture *made = memory_capture_new(2, 48000, 48e3);
    add_sine(made, 0, 60, 0.8, 0);
    add_sine(made, 0, 7000, 0.2, 0);
    add_sine(made, 1, 60, 0.8e-4, M_PI / 2);
    add_sine(made, 1, 7000, 0.2 * 1e-4 * 7000 / 60, M_PI / 2);
    add_noise(made, 1, 1e-4, 5);
    cj_measurement *m = measured(made, NULL);
    check_word(&m->channel[1], "signal", "two-tone");
    check_ratio("gain at 60 Hz", value_of(&m->pair, "gain"), 1e-4, 0.05);
    check_close("phase at 60 Hz", value_of(&m->pair, "phase_deg"), 90, 3);
    cj_measurement_free(m);
    memory_capture_free(made);
}
