/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The captures in a unit's folder: STEP.csv, STEP.wav, ..., or STEP.1.csv with STEP.2.csv. */
#include "cli.h"

#include <dirent.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* The forms that are read, by the ending a scope or an interface gives them. */
static const char *const endings[] = {".csv",  ".txt", ".tsv",  ".wav",  ".wave", ".w64",
                                      ".rf64", ".aif", ".aiff", ".aifc", ".au",   ".caf",
                                      ".flac", ".ogg", ".oga",  ".mp3"};

/* Length of name without its ending, 0 where it has none of a capture. */
static size_t stem_length(const char *name)
{
    const char *point = strrchr(name, '.');
    for (size_t i = 0; point != NULL && i < sizeof endings / sizeof endings[0]; i++)
        if (strcasecmp(point, endings[i]) == 0)
            return (size_t)(point - name);
    return 0;
}

static bool is_stem(const char *name, const char *step, const char *more)
{
    size_t length = stem_length(name), wanted = strlen(step);
    return length == wanted + strlen(more) && strncmp(name, step, wanted) == 0 &&
           strncmp(name + wanted, more, strlen(more)) == 0;
}

static int by_name(const void *one, const void *other)
{
    return strcmp(*(char *const *)one, *(char *const *)other);
}

static cj_status list_files(const char *folder, cj_lines *files, cj_error *err)
{
    DIR *open = opendir(folder);
    cj_status status = CJ_OK;
    if (open == NULL)
        return cj_fail(err, CJ_NOINPUT, folder, 0, 0, "cannot be opened: %s", strerror(errno));
    for (struct dirent *entry; status == CJ_OK && (entry = readdir(open)) != NULL;)
        if (stem_length(entry->d_name) > 0)
            status = cj_lines_add(files, "%s", entry->d_name);
    closedir(open);
    if (status != CJ_OK)
        return cj_fail_memory(err);
    if (files->count > 0)
        qsort(files->items, files->count, sizeof *files->items, by_name);
    return CJ_OK;
}

static cj_status add_file(struct evidence *evidence, size_t step, const char *folder,
                          const char *first, const char *second, cj_error *err)
{
    cj_text name = {0};
    const char *slash = folder[strlen(folder) - 1] == '/' ? "" : "/";
    cj_text_add(&name, "%s%s%s", folder, slash, first);
    if (second != NULL)
        cj_text_add(&name, "+%s%s%s", folder, slash, second);
    cj_status status =
        name.failed ? cj_fail_memory(err) : evidence_add(evidence, step, name.bytes, err);
    cj_text_free(&name);
    return status;
}

/* used: the files that belong to a step. */
static cj_status add_step(struct evidence *evidence, size_t step, const char *folder,
                          const cj_lines *files, bool *used, cj_error *err)
{
    const char *name = evidence->board->steps[step].name;
    const char *halves[2] = {NULL, NULL};
    cj_status status = CJ_OK;
    for (size_t i = 0; status == CJ_OK && i < files->count; i++) {
        const char *file = files->items[i];
        int half = is_stem(file, name, ".1") ? 0 : is_stem(file, name, ".2") ? 1 : -1;
        bool whole = half < 0 && is_stem(file, name, "");
        used[i] = used[i] || whole || half >= 0;
        if (whole)
            status = add_file(evidence, step, folder, file, NULL, err);
        else if (half >= 0 && halves[half] != NULL)
            status = cj_fail(err, CJ_DATA, folder, 0, 0, "both %s and %s: which one is channel %d?",
                             halves[half], file, half + 1);
        else if (half >= 0)
            halves[half] = file;
    }
    if (status == CJ_OK && (halves[0] == NULL) != (halves[1] == NULL))
        status = cj_fail(err, CJ_DATA, folder, 0, 0, "%s lacks its other channel, %s.%d",
                         halves[0] ? halves[0] : halves[1], name, halves[0] ? 2 : 1);
    else if (status == CJ_OK && halves[0] != NULL)
        status = add_file(evidence, step, folder, halves[0], halves[1], err);
    return status;
}

/* What a file that belongs to no step was perhaps meant to be; NULL: anything else. */
static const char *file_meant(const cj_board *board, const char *file)
{
    size_t length = stem_length(file);
    if (length > 2 &&
        (strncmp(file + length - 2, ".1", 2) == 0 || strncmp(file + length - 2, ".2", 2) == 0))
        length -= 2;
    char *stem = cj_copy_text_n(file, length);
    const char *meant = stem != NULL ? cj_step_meant(board, stem) : NULL;
    cj_free(stem);
    return meant;
}

static cj_status refuse_empty(const cj_board *board, const char *folder, const cj_lines *files,
                              cj_error *err)
{
    for (size_t i = 0; i < files->count; i++) {
        const char *meant = file_meant(board, files->items[i]);
        if (meant != NULL)
            return cj_fail(err, CJ_NOINPUT, folder, 0, 0,
                           "no capture of any step in this folder; is %.80s one of step '%s'?",
                           files->items[i], meant);
    }
    return cj_fail(err, CJ_NOINPUT, folder, 0, 0,
                   "no capture of any step in this folder; expected STEP.csv, STEP.wav, ..., as in "
                   "%s.csv",
                   board->step_count > 0 ? board->steps[0].name : "STEP");
}

cj_status folder_read(const struct request *request, const char *folder, struct evidence *evidence,
                      cj_error *err)
{
    const cj_board *board = evidence->board;
    cj_lines files = {0};
    size_t before = evidence->count;
    bool *used = NULL;
    cj_status status = list_files(folder, &files, err);
    if (status == CJ_OK && (used = cj_new(files.count + 1, sizeof *used)) == NULL)
        status = cj_fail_memory(err);
    for (size_t step = 0; status == CJ_OK && step < board->step_count; step++)
        status = add_step(evidence, step, folder, &files, used, err);
    if (status == CJ_OK && evidence->count == before)
        status = refuse_empty(board, folder, &files, err);
    for (size_t i = 0; status == CJ_OK && i < files.count; i++) {
        const char *meant = used[i] ? NULL : file_meant(board, files.items[i]);
        if (meant != NULL)
            remark(request, "%s: %s is left alone: no step of that name; did you mean '%s'?",
                   folder, files.items[i], meant);
    }
    cj_free(used);
    cj_lines_free(&files);
    return status;
}
