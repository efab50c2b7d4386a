/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "cli.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

static const char *const stdout_name = "standard output";

static cj_status write_all(int file, const char *name, const cj_text *answer, cj_error *err)
{
    size_t done = 0;
    while (done < answer->length) {
        ssize_t step = write(file, answer->bytes + done, answer->length - done);
        if (step < 0 && errno == EINTR)
            continue;
        if (step < 0)
            return cj_fail(err, CJ_IO, name, 0, 0, "cannot be written: %s", strerror(errno));
        done += (size_t)step;
    }
    return CJ_OK;
}

cj_status output_print(const cj_text *answer, cj_error *err)
{
    cj_status status = write_all(STDOUT_FILENO, stdout_name, answer, err);
    /* some file systems report a full disk only when the file is closed */
    if (status == CJ_OK && close(STDOUT_FILENO) != 0)
        status = cj_fail(err, CJ_IO, stdout_name, 0, 0, "cannot be written: %s", strerror(errno));
    return status;
}

/* Devices and pipes are written to as they are. */
static cj_status write_direct(const char *path, const cj_text *answer, cj_error *err)
{
    int file = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
    if (file < 0)
        return cj_fail(err, CJ_CANTCREAT, path, 0, 0, "cannot be created: %s", strerror(errno));
    cj_status status = write_all(file, path, answer, err);
    if (close(file) != 0 && status == CJ_OK)
        status = cj_fail(err, CJ_IO, path, 0, 0, "cannot be written: %s", strerror(errno));
    return status;
}

/* What open() would have given a new file, or what the old one has. */
static mode_t mode_for(const char *path)
{
    struct stat old;
    if (stat(path, &old) == 0)
        return old.st_mode & 07777;
    mode_t mask = umask(0);
    umask(mask);
    return 0666 & ~mask;
}

/* Beside the target under another name, then renamed: the old file stays until the new one is
 * whole. */
static cj_status write_aside(const char *path, const cj_text *answer, cj_error *err)
{
    cj_text aside = {0};
    cj_status status = CJ_OK;
    int file = -1;
    cj_text_add(&aside, "%s.XXXXXX", path);
    if (aside.failed) {
        status = cj_fail_memory(err);
        goto out;
    }
    file = mkstemp(aside.bytes);
    if (file < 0) {
        status = cj_fail(err, CJ_CANTCREAT, path, 0, 0, "cannot be created: %s", strerror(errno));
        goto out;
    }
    status = write_all(file, path, answer, err);
    if (status == CJ_OK && fchmod(file, mode_for(path)) != 0)
        status = cj_fail(err, CJ_IO, path, 0, 0, "cannot be written: %s", strerror(errno));
    if (close(file) != 0 && status == CJ_OK)
        status = cj_fail(err, CJ_IO, path, 0, 0, "cannot be written: %s", strerror(errno));
    if (status == CJ_OK && rename(aside.bytes, path) != 0)
        status = cj_fail(err, CJ_CANTCREAT, path, 0, 0, "cannot be created: %s", strerror(errno));
    if (status != CJ_OK)
        unlink(aside.bytes);
out:
    cj_text_free(&aside);
    return status;
}

cj_status output_write(const struct request *request, const cj_text *answer, cj_error *err)
{
    if (request->output == NULL)
        return output_print(answer, err);
    struct stat about;
    bool there = stat(request->output, &about) == 0;
    if (there && !S_ISREG(about.st_mode))
        return write_direct(request->output, answer, err);
    if (!there)
        return write_aside(request->output, answer, err);
    /* through a symbolic link to the file itself, which the rename would otherwise replace */
    char *real = realpath(request->output, NULL);
    if (real == NULL)
        return cj_fail(err, CJ_CANTCREAT, request->output, 0, 0, "cannot be created: %s",
                       strerror(errno));
    cj_status status = write_aside(real, answer, err);
    if (status == CJ_CANTCREAT &&
        access(real, W_OK) == 0) /* the file may be written, its folder not */
        status = write_direct(real, answer, err);
    free(real);
    return status;
}

cj_status output_write_file(const struct request *request, FILE *file, cj_error *err)
{
    struct stat about;
    if (fflush(file) != 0 || fstat(fileno(file), &about) != 0)
        return cj_fail(err, CJ_IO, NULL, 0, 0, "the temporary file cannot be written: %s",
                       strerror(errno));
    size_t length = (size_t)about.st_size;
    void *bytes = mmap(NULL, length, PROT_READ, MAP_PRIVATE, fileno(file), 0);
    if (bytes == MAP_FAILED)
        return cj_fail(err, CJ_IO, NULL, 0, 0, "the temporary file cannot be read: %s",
                       strerror(errno));
    const cj_text answer = {.bytes = bytes, .length = length};
    cj_status status = output_write(request, &answer, err);
    munmap(bytes, length);
    return status;
}

static bool same_file(const struct stat *target, const char *name, size_t length)
{
    char *path = cj_copy_text_n(name, length);
    struct stat about;
    bool same = path != NULL && stat(path, &about) == 0 && about.st_dev == target->st_dev &&
                about.st_ino == target->st_ino;
    cj_free(path);
    return same;
}

/* name is one file, or two joined by any of the plus signs in it */
static bool names_file(const struct stat *target, const char *name)
{
    if (same_file(target, name, strlen(name)))
        return true;
    for (const char *plus = strchr(name, '+'); plus != NULL; plus = strchr(plus + 1, '+'))
        if (same_file(target, name, (size_t)(plus - name)) ||
            same_file(target, plus + 1, strlen(plus + 1)))
            return true;
    return false;
}

bool output_is_page(const struct request *request)
{
    const char *ending = request->output != NULL ? strrchr(request->output, '.') : NULL;
    return ending != NULL && (strcasecmp(ending, ".html") == 0 || strcasecmp(ending, ".htm") == 0);
}

cj_status output_check(const struct request *request, cj_error *err)
{
    const char *path = request->output;
    if (path == NULL)
        return CJ_OK;
    const struct command *command = request->command;
    bool pages = command == &command_plan || command == &command_report ||
                 command == &command_measure || command == &command_compare ||
                 command == &command_diagnose;
    if (output_is_page(request) && !pages)
        return cj_fail(
            err, CJ_USAGE, path, 0, 0,
            "%s writes text or, with --json, JSON, and no page; give the file another ending",
            command->name);
    if (output_is_page(request) && request->json)
        return cj_fail(err, CJ_USAGE, path, 0, 0,
                       "--json is no page; give the file another ending, or leave --json out");
    struct stat about;
    if (stat(path, &about) != 0)
        return CJ_OK;
    if (S_ISDIR(about.st_mode) && request->all)
        return CJ_OK;
    if (S_ISDIR(about.st_mode))
        return cj_fail(err, CJ_CANTCREAT, path, 0, 0, "is a folder; -o wants the name of a file");
    cj_status status = CJ_OK;
    for (int i = 0; status == CJ_OK && i < request->name_count; i++)
        status = output_check_name(request, request->names[i], err);
    return status;
}

cj_status output_folder(const char *folder, cj_error *err)
{
    struct stat about;
    if (mkdir(folder, 0777) == 0)
        return CJ_OK;
    if (errno == EEXIST && stat(folder, &about) == 0 && S_ISDIR(about.st_mode))
        return CJ_OK;
    return cj_fail(err, CJ_CANTCREAT, folder, 0, 0, "cannot be created: %s", strerror(errno));
}

cj_status output_check_name(const struct request *request, const char *name, cj_error *err)
{
    struct stat about;
    if (request->output == NULL || stat(request->output, &about) != 0 || !S_ISREG(about.st_mode) ||
        !names_file(&about, name))
        return CJ_OK;
    return cj_fail(err, CJ_USAGE, request->output, 0, 0,
                   "is read by this very command, and -o would overwrite it");
}

bool output_coloured(const struct request *request)
{
    const char *terminal = getenv("TERM");
    const char *plain = getenv("NO_COLOR");
    return request->output == NULL && isatty(STDOUT_FILENO) && !(plain && *plain) && terminal &&
           strcmp(terminal, "dumb") != 0;
}

void complain(const cj_error *err)
{
    char text[sizeof err->file + sizeof err->message + 64];
    cj_error_text(err, text, sizeof text);
    fprintf(stderr, "coldjoint: %s\n", text);
}

void remark(const struct request *request, const char *format, ...)
{
    cj_error err = {0};
    va_list arguments;
    if (request->quiet)
        return;
    va_start(arguments, format);
    vsnprintf(err.message, sizeof err.message, format, arguments);
    va_end(arguments);
    for (char *at = err.message; *at; at++) /* one line, whatever a file name holds */
        if ((unsigned char)*at < 0x20 || *at == 0x7f)
            *at = '?';
    complain(&err);
}

void advise(const struct request *request, const cj_measurement *measurement)
{
    if (request->quiet || !(request->json || request->output))
        return;
    for (size_t i = 0; i < measurement->advice.count; i++)
        fprintf(stderr, "coldjoint: %s: %s\n", measurement->capture->name,
                measurement->advice.items[i]);
}
