/* SPDX-License-Identifier: GPL-3.0-or-later */
/* coldjoint: the table of commands. What a command does stands in its own file. */
#include "cli.h"

#include <fcntl.h>
#include <gsl/gsl_errno.h>
#include <signal.h>
#include <string.h>
#include <unistd.h>

static const struct command *const commands[] = {
    &command_measure,   &command_compare,    &command_scale,     &command_board,
    &command_diagnose,  &command_plan,       &command_stimulus,  &command_log_add,
    &command_log_list,  &command_log_show,   &command_log_void,  &command_log_repair,
    &command_log_merge, &command_log_export, &command_log_stats, &command_report};

enum { COMMANDS = sizeof commands / sizeof commands[0] };

/* The command of that name, which may be of two words: *words of the arguments. */
static const struct command *find_command(int count, const char **arguments, int *words)
{
    for (size_t i = 0; i < COMMANDS; i++) {
        const char *name = commands[i]->name, *blank = strchr(name, ' ');
        size_t first = blank != NULL ? (size_t)(blank - name) : strlen(name);
        *words = blank != NULL ? 2 : 1;
        if (*words < count && strncmp(arguments[1], name, first) == 0 &&
            arguments[1][first] == '\0' && (blank == NULL || strcmp(arguments[2], blank + 1) == 0))
            return commands[i];
    }
    return NULL;
}

static int print(cj_text *answer, cj_error *err)
{
    cj_status status = answer->failed ? cj_fail_memory(err) : output_print(answer, err);
    cj_text_free(answer);
    return status;
}

static int print_version(cj_error *err)
{
    cj_text answer = {0};
    cj_text_add(&answer, "coldjoint %s\n", cj_version());
    return print(&answer, err);
}

static int print_help(cj_error *err)
{
    cj_text answer = {0};
    cj_text_add(&answer,
                "coldjoint measures two-channel captures of an audio board and says what they\n"
                "point at.\n\n");
    for (size_t i = 0; i < COMMANDS; i++)
        cj_text_add(&answer, "  %-10s %-27s %s\n", commands[i]->name, commands[i]->arguments,
                    commands[i]->does);
    cj_text_add(
        &answer,
        "\nA CAPTURE is a file (scope CSV, WAV, FLAC, ...), - for standard input, or FILE+FILE: "
        "two\n"
        "one-channel files of one time axis. A BOARD is a file (YAML) of a board's parts and "
        "steps.\n"
        "EVIDENCE is a folder of captures named like the steps, a readings file (CSV), a reading "
        "typed\n"
        "from a meter (STEP:FIGURE@NET=VALUE), or STEP=CAPTURE.\n"
        "coldjoint COMMAND --help lists the options; coldjoint --version says the version.\n"
        "Exit status: 0 nothing found wrong, 1 a difference or a finding, 2 undecided, 64 and up "
        "errors.\n");
    return print(&answer, err);
}

static int print_command_help(const struct command *command, cj_error *err)
{
    cj_text answer = {0};
    cj_status status = options_help(command, &answer, err);
    if (status == CJ_OK)
        return print(&answer, err);
    cj_text_free(&answer);
    return status;
}

static int run_command(const struct command *command, int count, const char **arguments,
                       cj_error *err)
{
    struct request request = {.command = command};
    poptContext context = NULL;
    int result = options_read(&request, count, arguments, &context, err);
    if (result == CJ_OK && request.help)
        result = print_command_help(command, err);
    else if (result == CJ_OK && request.version)
        result = print_version(err);
    else if (result == CJ_OK) {
        result = output_check(&request, err);
        if (result == CJ_OK)
            result = chain_read(&request, err);
        if (result == CJ_OK)
            result = command->run(&request, err);
    }
    chain_free(&request);
    if (context != NULL)
        poptFreeContext(context);
    request_free(&request);
    return result;
}

/* "log" with something behind it that is no command of the log, or with nothing. */
static int no_log_command(const char *word, cj_error *err)
{
    cj_text answer = {0};
    bool help = word != NULL && (strcmp(word, "--help") == 0 || strcmp(word, "-h") == 0);
    if (!help)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "%s%.40s%s; 'coldjoint log --help' lists what the log can do",
                       word != NULL ? "'log " : "log what", word != NULL ? word : "",
                       word != NULL ? "' is no command" : "?");
    cj_text_add(&answer, "coldjoint log: the record of every unit\n\n");
    for (size_t i = 0; i < COMMANDS; i++)
        if (strncmp(commands[i]->name, "log ", 4) == 0)
            cj_text_add(&answer, "  %-10s %-27s %s\n", commands[i]->name, commands[i]->arguments,
                        commands[i]->does);
    cj_text_add(&answer, "\ncoldjoint log COMMAND --help lists the options of each.\n");
    return print(&answer, err);
}

static int run(int count, const char **arguments, cj_error *err)
{
    const char *first = count > 1 ? arguments[1] : NULL;
    if (first == NULL)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "no command; 'coldjoint compare CAPTURE' is the main one, --help lists all");
    if (strcmp(first, "--version") == 0)
        return print_version(err);
    if (strcmp(first, "--help") == 0 || strcmp(first, "-h") == 0)
        return print_help(err);
    int words = 1;
    const struct command *command = find_command(count, arguments, &words);
    if (command == NULL && strcmp(first, "log") == 0)
        return no_log_command(count > 2 ? arguments[2] : NULL, err);
    if (command == NULL)
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "'%.40s' is no command; 'coldjoint --help' lists them", first);
    return run_command(command, count - words, arguments + words, err);
}

/* A standard file that the caller closed must not come back as the next file opened: it is held by
 * the null device, the wrong way round, so that reading and writing it still fail. */
static void hold_standard_files(void)
{
    static const int modes[] = {O_WRONLY, O_RDONLY, O_WRONLY};
    for (int file = 0; file < 3; file++)
        if (fcntl(file, F_GETFD) < 0 && open("/dev/null", modes[file]) < 0)
            return; /* no null device: nothing can be held */
}

int main(int count, char **arguments)
{
    hold_standard_files();
    /* a reader that goes away is a write error with a message, not a silent death */
    signal(SIGPIPE, SIG_IGN);
    signal(SIGXFSZ, SIG_IGN); /* and so is a limit on the size of files */
    /* GSL would abort the process where it meets an error; the library checks its results */
    gsl_set_error_handler_off();
    cj_error err = {0};
    int result = run(count, (const char **)arguments, &err);
    if (result >= CJ_USAGE)
        complain(&err);
    return result;
}
