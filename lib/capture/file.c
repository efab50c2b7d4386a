/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "capture/internal.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static cj_status cannot_open(const char *name, int error, cj_error *err)
{
    switch (error) {
    case ENOENT:
    case ENOTDIR:
        return cj_fail(err, CJ_NOINPUT, name, 0, 0, "no such file");
    case EACCES:
    case EPERM:
        return cj_fail(err, CJ_NOINPUT, name, 0, 0, "not readable: permission denied");
    case ENAMETOOLONG:
    case ELOOP:
    case ENXIO:
        return cj_fail(err, CJ_NOINPUT, name, 0, 0, "no such file: %s", strerror(error));
    default:
        return cj_fail(err, CJ_IO, name, 0, 0, "cannot be opened: %s", strerror(error));
    }
}

/* Replaces a pipe's descriptor by that of its spooled content. */
static cj_status take_pipe(cj__file *file, int pipe, cj_error *err)
{
    file->spooled = true;
    return cj__spool(pipe, file->name, &file->fd, err);
}

static cj_status open_path(cj__file *file, cj_error *err)
{
    /* O_NONBLOCK: a named pipe nobody writes to must not hang us; it reads as empty */
    int fd = open(file->name, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (fd < 0)
        return cannot_open(file->name, errno, err);
    struct stat about;
    cj_status status = CJ_OK;
    if (fstat(fd, &about) != 0)
        status = cj_fail(err, CJ_IO, file->name, 0, 0, "cannot be examined: %s", strerror(errno));
    else if (S_ISDIR(about.st_mode))
        status = cj_fail(err, CJ_DATA, file->name, 0, 0,
                         "a directory; expected an audio file or the CSV file of a scope");
    else if (S_ISFIFO(about.st_mode))
        status = take_pipe(file, fd, err);
    else if (!S_ISREG(about.st_mode))
        status = cj_fail(err, CJ_DATA, file->name, 0, 0,
                         "not a regular file; expected an audio file or the CSV file of a scope");
    if (status == CJ_OK && !file->spooled)
        file->fd = fd;
    else
        close(fd);
    return status;
}

cj_status cj__file_open(const char *name, cj__file *file, cj_error *err)
{
    *file = (cj__file){.name = name, .fd = -1};
    cj_status status =
        strcmp(name, "-") == 0 ? take_pipe(file, STDIN_FILENO, err) : open_path(file, err);
    if (status != CJ_OK)
        return status;
    struct stat about;
    if (fstat(file->fd, &about) != 0)
        status = cj_fail(err, CJ_IO, name, 0, 0, "cannot be examined: %s", strerror(errno));
    else if (about.st_size <= 0)
        status = cj_fail(err, CJ_DATA, name, 0, 0, "%s; expected audio or the CSV of a scope",
                         file->spooled ? "nothing came through" : "an empty file");
    else
        file->size = (uint64_t)about.st_size;
    if (status != CJ_OK)
        cj__file_close(file);
    return status;
}

void cj__file_close(cj__file *file)
{
    if (file->fd >= 0)
        close(file->fd);
    file->fd = -1;
}

cj_status cj__file_peek(const cj__file *file, uint64_t offset, void *bytes, size_t size,
                        size_t *got, cj_error *err)
{
    size_t have = 0;
    while (have < size && offset + have < file->size) {
        ssize_t n = pread(file->fd, (char *)bytes + have, size - have, (off_t)(offset + have));
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0)
            return cj_fail(err, CJ_IO, file->name, 0, 0, "reading failed: %s", strerror(errno));
        if (n == 0)
            break;
        have += (size_t)n;
    }
    *got = have;
    return CJ_OK;
}
