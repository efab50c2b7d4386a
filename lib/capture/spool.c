/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Several audio formats cannot be read from a pipe (libsndfile loses their place without an error),
 * and a measurement goes over its capture more than once: so what comes through a pipe is put into
 * a temporary file that has no name, and vanishes with its descriptor however the program ends.
 */
#include "capture/internal.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static cj_status nameless_file(const char *name, int *fd, cj_error *err)
{
    const char *folder = getenv("TMPDIR");
    if (folder == NULL || folder[0] == '\0')
        folder = P_tmpdir;
#ifdef O_TMPFILE
    *fd = open(folder, O_TMPFILE | O_RDWR | O_CLOEXEC | O_EXCL, 0600);
    if (*fd >= 0)
        return CJ_OK;
#endif
    /* not every file system has files without a name: take the name away at once instead */
    cj_text path = {0};
    cj_text_add(&path, "%s/coldjoint-XXXXXX", folder);
    if (path.failed) {
        cj_text_free(&path);
        return cj_fail_memory(err);
    }
    *fd = mkostemp(path.bytes, O_CLOEXEC);
    int error = errno;
    if (*fd >= 0)
        unlink(path.bytes);
    cj_text_free(&path);
    if (*fd < 0)
        return cj_fail(err, CJ_IO, name, 0, 0, "no temporary file for it in %s: %s (set TMPDIR)",
                       folder, strerror(error));
    return CJ_OK;
}

/* One read; waits where the descriptor itself does not. 0 at the end, -1 with errno. */
static ssize_t read_some(int fd, char *block, size_t size)
{
    for (;;) {
        ssize_t got = read(fd, block, size);
        if (got >= 0)
            return got;
        if (errno == EAGAIN || errno == EWOULDBLOCK)
            poll(&(struct pollfd){.fd = fd, .events = POLLIN}, 1, -1);
        else if (errno != EINTR)
            return -1;
    }
}

static bool write_all(int fd, const char *block, size_t size)
{
    while (size > 0) {
        ssize_t put = write(fd, block, size);
        if (put < 0 && errno == EINTR)
            continue;
        if (put <= 0)
            return false;
        block += put;
        size -= (size_t)put;
    }
    return true;
}

cj_status cj__spool(int fd, const char *name, int *spool, cj_error *err)
{
    /* a standard input that is closed would have its number given to the temporary file */
    if (fcntl(fd, F_GETFD) < 0)
        return cj_fail(err, CJ_IO, name, 0, 0, "reading failed: %s", strerror(errno));
    enum { BLOCK = 1 << 16 };
    char *block = cj_new(BLOCK, 1);
    if (block == NULL)
        return cj_fail_memory(err);
    int to = -1;
    cj_status status = nameless_file(name, &to, err);
    while (status == CJ_OK) {
        ssize_t got = read_some(fd, block, BLOCK);
        if (got == 0)
            break;
        if (got < 0)
            status = cj_fail(err, errno == EISDIR ? CJ_DATA : CJ_IO, name, 0, 0,
                             "reading failed: %s", strerror(errno));
        else if (!write_all(to, block, (size_t)got))
            status =
                cj_fail(err, CJ_IO, name, 0, 0,
                        "no room for it in the temporary folder: %s (set TMPDIR to a larger one)",
                        strerror(errno));
    }
    if (status == CJ_OK && lseek(to, 0, SEEK_SET) != 0)
        status = cj_fail(err, CJ_IO, name, 0, 0, "the temporary file failed: %s", strerror(errno));
    if (status == CJ_OK)
        *spool = to;
    else if (to >= 0)
        close(to);
    cj_free(block);
    return status;
}
