/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * aside.c - a file that is written aside and takes its name when it is whole.
 *
 * Where the system can, the file has no name at all until then, so that nothing is left of it even
 * when the process is killed; elsewhere it stands beside the target under another name.
 */
#include "capture/aside.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static cj_status cannot(const cj__aside *aside, cj_error *err)
{
    return cj_fail(err, CJ_CANTCREAT, aside->name, 0, 0, "cannot be created: %s", strerror(errno));
}

static char *joined(const char *format, const char *path, int number)
{
    cj_text text = {0};
    if (number >= 0)
        cj_text_add(&text, "%s.%d-%ld", path, number, (long)getpid());
    else
        cj_text_add(&text, "%s%s", path, format);
    if (!text.failed)
        return text.bytes;
    cj_text_free(&text);
    return NULL;
}

/* A file without a name in the target's folder; where that cannot be, fd stays -1. */
static cj_status open_nameless(cj__aside *aside, cj_error *err)
{
    const char *slash = strrchr(aside->path, '/');
    char *folder = slash == NULL ? cj_copy_text(".")
                                 : cj_copy_text_n(aside->path, (size_t)(slash - aside->path) + 1);
    if (folder == NULL)
        return cj_fail_memory(err);
    if (access("/proc/self/fd", X_OK) == 0)
        aside->fd = open(folder, O_TMPFILE | O_RDWR | O_CLOEXEC, 0666);
    cj_free(folder);
    return CJ_OK;
}

/* What open() would have given a new file. */
static mode_t mode_of_new(void)
{
    mode_t mask = umask(0);
    umask(mask);
    return 0666 & ~mask;
}

/* The path a name stands for: through a symbolic link to the file, which a rename would replace. */
static cj_status resolve(cj__aside *aside, cj_error *err)
{
    struct stat about;
    if (*aside->name == '\0')
        return cj_fail(err, CJ_USAGE, NULL, 0, 0, "a file without a name cannot be written");
    if (stat(aside->name, &about) != 0) {
        aside->path = cj_copy_text(aside->name);
        return aside->path ? CJ_OK : cj_fail_memory(err);
    }
    if (S_ISDIR(about.st_mode))
        return cj_fail(err, CJ_CANTCREAT, aside->name, 0, 0,
                       "is a folder; the name of a file is wanted");
    if (!S_ISREG(about.st_mode))
        return cj_fail(err, CJ_CANTCREAT, aside->name, 0, 0,
                       "is a device or a pipe; an audio file needs a plain file");
    char real[PATH_MAX];
    if (realpath(aside->name, real) == NULL || access(real, W_OK) != 0) /* a rename would not ask */
        return cannot(aside, err);
    aside->path = cj_copy_text(real);
    return aside->path ? CJ_OK : cj_fail_memory(err);
}

cj_status cj__aside_open(const char *name, cj__aside *out, cj_error *err)
{
    *out = (cj__aside){.name = name, .fd = -1};
    cj_status status = resolve(out, err);
    if (status == CJ_OK)
        status = open_nameless(out, err);
    if (status == CJ_OK && out->fd < 0) {
        out->beside = joined(".XXXXXX", out->path, -1);
        if (out->beside == NULL)
            status = cj_fail_memory(err);
        else if ((out->fd = mkstemp(out->beside)) < 0) {
            status = cannot(out, err);
            cj_free(out->beside);
            out->beside = NULL;
        } else if (fchmod(out->fd, mode_of_new()) != 0)
            status = cannot(out, err);
    }
    if (status != CJ_OK)
        cj__aside_drop(out);
    return status;
}

/* A link cannot replace a file, a rename can: first a name beside the target. */
static cj_status give_name(cj__aside *aside, cj_error *err)
{
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", aside->fd);
    for (int i = 0; i < 100; i++) {
        char *beside = joined(NULL, aside->path, i);
        if (beside == NULL)
            return cj_fail_memory(err);
        if (linkat(AT_FDCWD, link, AT_FDCWD, beside, AT_SYMLINK_FOLLOW) == 0) {
            aside->beside = beside;
            return CJ_OK;
        }
        cj_free(beside);
        if (errno != EEXIST)
            break;
    }
    return cannot(aside, err);
}

cj_status cj__aside_keep(cj__aside *aside, cj_error *err)
{
    struct stat old;
    cj_status status = CJ_OK;
    if (stat(aside->path, &old) == 0 && fchmod(aside->fd, old.st_mode & 07777) != 0)
        status = cannot(aside, err);
    if (status == CJ_OK && aside->beside == NULL)
        status = give_name(aside, err);
    int fd = aside->fd;
    aside->fd = -1;
    if (close(fd) != 0 && status == CJ_OK) /* some file systems report a full disk only here */
        status = cj_fail(err, CJ_IO, aside->name, 0, 0, "cannot be written: %s", strerror(errno));
    if (status == CJ_OK && rename(aside->beside, aside->path) != 0)
        status = cannot(aside, err);
    if (status == CJ_OK) {
        cj_free(aside->beside);
        aside->beside = NULL;
    }
    cj__aside_drop(aside);
    return status;
}

void cj__aside_drop(cj__aside *aside)
{
    if (aside->fd >= 0)
        close(aside->fd);
    if (aside->beside != NULL)
        unlink(aside->beside);
    cj_free(aside->beside);
    cj_free(aside->path);
    *aside = (cj__aside){.fd = -1};
}
