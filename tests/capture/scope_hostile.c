/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Input that nobody means well with: bounded time and memory, one error line, nothing undefined. */
#include "check.h"
#include "scope_tests.h"

#include <time.h>

static void refuse(const char *label, const cj_text *text, const char *says)
{
    cj_error error = {0};
    assert_false(text->failed);
    clock_t before = clock();
    cj__scope *scope = read_scope_text(text->bytes ? text->bytes : "", text->length, &error);
    double seconds = (double)(clock() - before) / CLOCKS_PER_SEC;
    if (scope != NULL)
        fail_msg("%s was read", label);
    assert_int_equal(error.status, CJ_DATA);
    check_holds(label, error.message, says);
    assert_null(strchr(error.message, '\n'));
    if (seconds >
        10) /* most take some milliseconds; ten seconds is for a slow machine under a sanitizer */
        fail_msg("%s took %g s", label, seconds);
}

static void repeat(cj_text *text, const char *what, int times)
{
    for (int i = 0; i < times; i++)
        cj_text_add(text, "%s", what);
}

void test_hostile(void **state)
{
    (void)state;
    static const struct {
        const char *label, *first, *what;
        int times;
        const char *last, *says;
    } cases[] = {
        {"thousands of columns", "", "1,", 5000, "\n1,2\n", "more than 1000 columns"},
        {"a line of two million bytes", "", "abcdefgh", 250000, "\n1,2\n", "a million bytes"},
        {"quotes", "", "\",", 400000, "\n", "columns"},
        {"no line end", "1,2", "3", 900000, "", "no rows of numbers"},
        {"deep preamble", "", "Key,value\n", 200000, "0,1\n1,2\n", "no rows of numbers"},
        {"only line ends", "", "\n", 2000000, "", "is empty"},
        {"only commas", "", ",,,,\n", 400000, "", "no rows of numbers"},
        {"exponents", "Time (s),CH1 (V)\n", "1e2147483648,1e-2147483649\n", 100, "", "only one column"},
        {"time stands still", "Time (s),CH1 (V)\n", "0.5,1\n", 100, "", "must rise"},
        {"huge times", "Time (s),CH1 (V)\n", "1e308,1\n-1e308,1\n", 100, "", "time"},
        {"text everywhere", "Time (s),CH1 (V)\n0,1\n1,2\n2,1\n3,1\n4,2\n5,2\n6,2\n7,1\n8,1\n",
         "a,b\n", 100000, "", "no number where a sample belongs"},
        {"control bytes", "", "\001\002\003\004,", 1000, "\n", "binary"},
        {"UTF-16", "\xff\xfe", "1,2\n", 100, "", "UTF-16"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_text text = {0};
        cj_text_add(&text, "%s", cases[i].first);
        repeat(&text, cases[i].what, cases[i].times);
        cj_text_add(&text, "%s", cases[i].last);
        refuse(cases[i].label, &text, cases[i].says);
        cj_text_free(&text);
    }
}
