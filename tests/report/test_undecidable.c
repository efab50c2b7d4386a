/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Limits that the capture chain cannot decide, and those of a response, are said once. */
#include "check.h"

#include "../unitlog/made.h"
#include "failing.h"
#include "report/log.h"

enum { LIMITS = 9 };

static char a[] = "a", b[] = "b", c[] = "c", d[] = "d", dc_v_left[] = "dc_v@left",
            gain_db[] = "gain_db", phase_deg[] = "phase_deg",
            thd_percent_left[] = "thd_percent@left", thd_percent_right[] = "thd_percent@right";

/* phase too wide in three steps, one of two nets' THD known only as a bound; others that are none
 * of this. */
static cj_judged limits[LIMITS] = {
    {.step = a, .figure = phase_deg, .value = 1, .u = 0.1, .min = 0.9, .max = 1.1, .bound = NAN},
    {.step = b, .figure = phase_deg, .value = 1, .u = 0.2, .min = 0.9, .max = 1.1, .bound = NAN},
    {.step = b, .figure = gain_db, .value = 1.09, .u = 0.01, .min = 0.9, .max = 1.1, .bound = NAN},
    {.step = c, .figure = phase_deg, .value = 1, .u = 0.2, .min = 0.9, .max = 1.1, .bound = NAN},
    {.step = a,
     .figure = thd_percent_left,
     .value = NAN,
     .u = NAN,
     .min = NAN,
     .max = 0.1,
     .bound_kind = CJ_BELOW,
     .bound = 0.1234},
    {.step = b,
     .figure = thd_percent_right,
     .value = NAN,
     .u = NAN,
     .min = NAN,
     .max = 0.1,
     .bound_kind = CJ_BELOW,
     .bound = 0.02},
    {.step = c, .figure = dc_v_left, .value = NAN, .u = NAN, .min = NAN, .max = 0.1, .bound = NAN},
    {.step = d, .figure = phase_deg, .value = 20, .u = 0.2, .min = 0.9, .max = 1.1, .bound = NAN},
    {.step = d, .figure = dc_v_left, .value = 0, .u = 0.2, .min = -0.1, .max = 0.3, .bound = NAN},
};
static const cj_verdict verdicts[LIMITS] = {CJ_VERDICT_UNDECIDED, CJ_VERDICT_UNDECIDED,
                                            CJ_VERDICT_UNDECIDED, CJ_VERDICT_UNDECIDED,
                                            CJ_VERDICT_UNDECIDED, CJ_PASS,
                                            CJ_VERDICT_UNDECIDED, CJ_FAIL,
                                            CJ_VERDICT_UNDECIDED};

static void lines_once_each(void **state)
{
    (void)state;
    cj_run run = {.limits = limits, .limit_count = LIMITS};
    cj_lines lines = {0};
    for (size_t i = 0; i < LIMITS; i++) {
        cj_judged_decide(&limits[i]);
        assert_int_equal(limits[i].verdict, verdicts[i]);
    }
    assert_int_equal(cj__undecidable_lines(&run, &lines, NULL), CJ_OK);
    assert_int_equal(lines.count, 3);
    check_holds("phase", lines.items[0], "phase, 3 limits (a, b, c): no reading can pass");
    check_holds("phase", lines.items[0], "0.20");
    check_holds("phase", lines.items[0], "--match");
    check_holds("THD", lines.items[1], "THD, 1 limit (a): only that it is below ");
    check_holds("THD", lines.items[1], "limit of at most ");
    check_holds("THD", lines.items[1], "More bits");
    check_holds("DC", lines.items[2], "DC, 1 limit (d): no reading can pass");
    check_holds("DC", lines.items[2], "'offset'");
    cj_lines_free(&lines);
}

static cj_status lines_job(void *user, cj_error *err)
{
    cj_lines lines = {0};
    cj_status status = cj__undecidable_lines(user, &lines, err);
    cj_lines_free(&lines);
    return status;
}

static void memory(void **state)
{
    (void)state;
    cj_run run = {.limits = limits, .limit_count = LIMITS};
    failing_each("undecidable", lines_job, &run);
}

/* Of a response that is broken at many frequencies one line says so, with the worst. */
static void response_in_one_line(void **state)
{
    (void)state;
    static const double margins[] = {-1.5, NAN, -4, -4, -2, 3};
    const made_size size = {.steps = 1, .figures = 60};
    cj_run *run = made_run(1, &size);
    cj_text answer = {0};
    assert_int_equal(run->limit_count, 6);
    for (size_t i = 0; i < 6; i++) {
        cj_judged *limit = &run->limits[i];
        cj_free(limit->figure);
        limit->figure = cj_copy_text("gain_db");
        limit->hz = 100 * pow(2, (double)i);
        limit->margin = margins[i];
        limit->verdict = i < 5 ? CJ_FAIL : CJ_PASS;
    }
    assert_int_equal(cj_report_added_text(run, "log.db", NULL, &answer, NULL), CJ_OK);
    check_holds("answer", answer.bytes, "of 6 limits 5 are broken");
    check_holds("answer", answer.bytes, "in1-left: gain at 400.0 Hz (5 such)");
    assert_null(strstr(answer.bytes, "100.0 Hz"));
    assert_null(strstr(answer.bytes, "800.0 Hz"));
    cj_text_free(&answer);
    cj_run_free(run);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(lines_once_each), cmocka_unit_test(memory),
                                       cmocka_unit_test(response_in_one_line)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
