/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The progress bar: nothing in the first second, then a bar, and nothing left of it at the end. */
#include "check.h"

#include <unistd.h>

#include "../../cli/cli.h"

/* What goes to standard error while the bar is shown at 0, 0.5 and 1 and then cleared. */
static void show(struct progress progress, char *shown, size_t size)
{
    FILE *file = tmpfile();
    assert_non_null(file);
    int saved = dup(STDERR_FILENO);
    assert_true(saved >= 0);
    dup2(fileno(file), STDERR_FILENO);
    for (int i = 0; i <= 2; i++) {
        progress_show(&progress, i / 2.0);
        progress.drawn_s = 0; /* as if a tenth of a second had gone by */
    }
    progress_clear(&progress);
    dup2(saved, STDERR_FILENO);
    close(saved);
    rewind(file);
    shown[fread(shown, 1, size - 1, file)] = '\0';
    fclose(file);
}

static void progress__appears_after_a_second(void **state)
{
    (void)state;
    char shown[1024];
    const struct request request = {0};
    struct progress progress = progress_start(&request, 1, 2); /* the second of two captures */
    progress.wanted = true;                                    /* as on a terminal */
    show(progress, shown, sizeof shown);
    assert_string_equal(shown, "");

    progress.began_s -= 2;
    show(progress, shown, sizeof shown);
    check_holds("half way", shown, "\r====================....................  50 %");
    check_holds("three quarters", shown, "\r==============================..........  75 %");
    check_holds("all", shown, "100 %\r\033[K");

    progress.wanted = false;
    show(progress, shown, sizeof shown);
    assert_string_equal(shown, "");
}

static void progress__needs_a_terminal(void **state)
{
    (void)state;
    const struct request request = {0};
    int saved = dup(STDERR_FILENO);
    FILE *file = tmpfile();
    assert_non_null(file);
    dup2(fileno(file), STDERR_FILENO);
    struct progress progress = progress_start(&request, 0, 1);
    dup2(saved, STDERR_FILENO);
    close(saved);
    fclose(file);
    assert_false(progress.wanted);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(progress__appears_after_a_second),
        cmocka_unit_test(progress__needs_a_terminal),
    };
    return cmocka_run_group_tests_name("cli-progress", tests, NULL, NULL);
}
