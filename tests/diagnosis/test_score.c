/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Densities against their formulas. */
#include "check.h"

#include "board_tests.h"
#include "diagnosis/rank.h"

/* Two rows, correlated; no bench is needed for the arithmetic. */
struct small {
    cj__scene scene;
    cj__feature features[2];
    cj__outlook outlook;
    double mean[2], var[6], by[2];
    cj__normal *normal;
};

static void small_make(struct small *small, double x, double y)
{
    memset(small, 0, sizeof *small);
    small->features[0] = (cj__feature){.rows = 1, .row = 0, .x = {x}, .var = {0.04}};
    small->features[1] = (cj__feature){.rows = 1, .row = 1, .x = {y}, .var = {0.09}};
    small->scene.features = small->features;
    small->scene.count = 2;
    small->scene.rows = 2;
    small->by[0] = 0.3; /* one part moves both */
    small->by[1] = -0.2;
    small->mean[0] = 1;
    small->mean[1] = 2;
    small->outlook = (cj__outlook){
        .rows = 2, .columns = 1, .mean = small->mean, .var = small->var, .by = small->by};
    cj_error err;
    assert_int_equal(cj__normal_make(2, &small->normal, &err), CJ_OK);
    assert_int_equal(cj__normal_fill(&small->scene, &small->outlook, small->normal, &err), CJ_OK);
}

void a_density_is_that_of_the_formula(void **state)
{
    (void)state;
    struct small small;
    small_make(&small, 1.5, 1.9);
    double a = 0.04 + 0.09, b = -0.06, d = 0.09 + 0.04, det = a * d - b * b;
    double u = 0.5, v = -0.1, distance = (d * u * u - 2 * b * u * v + a * v * v) / det;
    check_ratio("distance", cj__normal_distance(&small.scene, &small.outlook, small.normal),
                distance, 1e-12);
    check_ratio("determinant", exp(2 * small.normal->half_log_det), det, 1e-12);
    /* scale mixture: nine in ten as stated, ... */
    double want = 0;
    static const double scales[] = {1, 1.5, 3}, weights[] = {0.89, 0.10, 0.01};
    for (int i = 0; i < 3; i++)
        want += weights[i] * exp(-distance / (2 * scales[i] * scales[i])) /
                (2 * M_PI * sqrt(det) * scales[i] * scales[i]);
    check_close("density", cj__normal_log(small.normal, distance), log(want), 1e-12);
    cj__normal_free(small.normal);
}

void an_outlier_is_worth_a_cause_of_its_own(void **state)
{
    (void)state;
    struct small near_by, far_off, farther;
    small_make(&near_by, 1, 2);
    small_make(&far_off, 1, 30);
    small_make(&farther, 1, 300);
    double near_distance = cj__normal_distance(&near_by.scene, &near_by.outlook, near_by.normal);
    double far_distance = cj__normal_distance(&far_off.scene, &far_off.outlook, far_off.normal);
    cj__normal_distance(&farther.scene, &farther.outlook, farther.normal);
    check_close("none", near_distance, 0, 1e-12);
    /* a fit loses little, a stray reading costs a bounded price however far it strays */
    assert_true(cj__normal_log(near_by.normal, 0) >
                cj__normal_log_outliers(near_by.normal) + log(0.03) + 3);
    assert_true(cj__normal_log(far_off.normal, far_distance) <
                cj__normal_log_outliers(far_off.normal));
    check_close("bounded", cj__normal_log_outliers(farther.normal),
                cj__normal_log_outliers(far_off.normal), 1e-6);
    cj__normal_free(near_by.normal);
    cj__normal_free(far_off.normal);
    cj__normal_free(farther.normal);
}

/* One column stands for what a railed output lets through: its size is the way's; each step's own
 * share of it, three thousandths (roughly: 12 %), comes on top; apart, nothing is common. */
void a_residue_is_common_or_apart(void **state)
{
    (void)state;
    static const struct {
        cj__residue way;
        double common, own; /* of by[i] by[j]; of by[i]^2 */
    } cases[] = {{CJ__LOUD, 1, 9e-6},       {CJ__MIDDLING, 0.04, 0.36e-6},
                 {CJ__QUIET, 9e-4, 81e-10}, {CJ__LOUDER, 36, 324e-6},
                 {CJ__APART, 0, 1},         {CJ__ROUGHLY, 1, 0.0144}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct small small;
        small_make(&small, 1.5, 1.9);
        bool is_residue = true;
        double of_sizes[4] = {0};
        small.outlook.residue = true;
        small.outlook.is_residue = &is_residue;
        small.outlook.residue_var = of_sizes;
        small.outlook.way = cases[i].way;
        cj_error err;
        assert_int_equal(cj__normal_fill(&small.scene, &small.outlook, small.normal, &err), CJ_OK);
        double k = cases[i].common, o = cases[i].own;
        double a = 0.04 + 0.09 * (k + o), b = -0.06 * k, d = 0.09 + 0.04 * (k + o);
        check_ratio("first", cj__normal_variance(small.normal, 0), a, 1e-12);
        check_ratio("second", cj__normal_variance(small.normal, 1), d, 1e-12);
        check_ratio("determinant", exp(2 * small.normal->half_log_det), a * d - b * b, 1e-12);
        cj__normal_free(small.normal);
    }
    for (int leaks = 0; leaks < 2; leaks++) {
        double whole = 0;
        for (int way = 0; way < CJ__RESIDUES; way++)
            whole += cj__residue_share((cj__residue)way, leaks);
        check_close("shares", whole, 1, 1e-12);
    }
}

static double distortion(double measured, double bound, double predicted)
{
    cj__distortion seen = {.x = isnan(measured) ? NAN : log(measured),
                           .u = 0.1,
                           .bound = isnan(bound) ? NAN : log(bound)};
    cj__scene scene = {.distortions = &seen, .distortion_count = 1};
    bool loose = false;
    cj__outlook outlook = {.thd = &predicted, .loose = &loose};
    return cj__distortion_log(&scene, &outlook);
}

void distortion_speaks_by_its_size(void **state)
{
    (void)state;
    /* measured, bound, expected to be likelier under the first prediction than under the second */
    static const struct {
        const char *label;
        double measured, bound, first, second;
    } cases[] = {
        {"clean", 3e-4, NAN, 0, 0.3},
        {"clipped", 0.3, NAN, 0.3, 0},
        {"clipped, not known", 0.3, NAN, NAN, 0},
        {"below a bound", NAN, 3e-3, 0, 0.3},
        {"below a bound, not known", NAN, 3e-3, 0, NAN},
        {"near", 0.20, NAN, 0.21, 0.4},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        double first = distortion(cases[i].measured, cases[i].bound, cases[i].first);
        double second = distortion(cases[i].measured, cases[i].bound, cases[i].second);
        if (!(first > second + 0.1))
            fail_msg("%s: %g against %g", cases[i].label, first, second);
    }
}

/* The mass of all values is one, wherever the likelihood is narrow: summed over a fine grid. */
void a_searched_quantity_weighs_what_it_covers(void **state)
{
    (void)state;
    cj__manner value = {
        .prior = CJ__PART_VALUE, .middle = 1e5, .width = 0.01, .low = 1e2, .high = 1e8};
    cj__manner any = {.prior = CJ__ANY, .low = 1e5, .high = 1e10};
    const cj__manner *manners[] = {&value, &any};
    for (int m = 0; m < 2; m++) {
        double low = log(manners[m]->low), high = log(manners[m]->high), s = 0.004, step = 0.002,
               sum = 0;
        for (double t = low - 0.1; t <= high + 0.1; t += step)
            sum += exp(cj__search_mass(manners[m], t, s)) / (s * sqrt(2 * M_PI)) * step;
        check_close(m ? "any" : "part value", sum, 1, m ? 0.01 : 0.03);
    }
    /* a decade is likelier than a value beside it, and a value within the tolerance is no wrong
     * part */
    double decade = cj__search_mass(&value, log(1e6), 0.01),
           beside = cj__search_mass(&value, log(1.6e6), 0.01);
    assert_true(decade > beside + 1.5);
    assert_true(cj__search_mass(&value, log(1e5), 0.002) < beside - 5);
}
