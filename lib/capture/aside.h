/* SPDX-License-Identifier: GPL-3.0-or-later */
/* aside.h - a file that is written aside and takes its name when it is whole. */
#ifndef CJ_CAPTURE_ASIDE_H
#define CJ_CAPTURE_ASIDE_H

#include "coldjoint/base.h"

typedef struct cj__aside {
    const char *name; /* as the user gave it, for messages */
    char *path;       /* the file itself, symbolic links followed */
    char *beside;     /* its name until then; NULL: it has none yet */
    int fd;
} cj__aside;

cj_status cj__aside_open(const char *name, cj__aside *out, cj_error *err);
/* Gives the file its name. On failure it is dropped. */
cj_status cj__aside_keep(cj__aside *aside, cj_error *err);
/* Closes and removes what was written; fine behind cj__aside_keep and on a zeroed struct with fd
 * -1. */
void cj__aside_drop(cj__aside *aside);

#endif
