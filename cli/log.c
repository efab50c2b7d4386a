/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the commands of the log share: their options, and where the log is. */
#include "cli.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static cj_status take_text(struct request *request, int which, const char *text, cj_error *err)
{
    cj_free(request->log_texts[which]);
    request->log_texts[which] = cj_copy_text(text);
    return request->log_texts[which] != NULL ? CJ_OK : cj_fail_memory(err);
}

cj_status log_take(struct request *request, int option, const char *text, cj_error *err)
{
    switch (option) {
    case OPTION_KEEP:
        request->keep = true;
        return CJ_OK;
    case OPTION_LABEL:
        request->label = true;
        return CJ_OK;
    case OPTION_CSV:
        request->csv = true;
        return CJ_OK;
    case OPTION_VOID:
        request->voided = true;
        return CJ_OK;
    }
    return take_text(request, option - OPTION_COMMAND, text, err);
}

static const char *variable(const char *name)
{
    const char *value = getenv(name);
    return value != NULL && value[0] != '\0' ? value : NULL;
}

cj_status log_path(const struct request *request, cj_text *out, cj_error *err)
{
    const char *named = request->log_name != NULL ? request->log_name : variable("COLDJOINT_LOG");
    const char *data = variable("XDG_DATA_HOME"), *home = variable("HOME");
    if (named != NULL)
        cj_text_add(out, "%s", named);
    else if (data != NULL &&
             data[0] == '/') /* a relative one counts as none (XDG base directories) */
        cj_text_add(out, "%s/coldjoint/log.db", data);
    else if (home != NULL)
        cj_text_add(out, "%s/.local/share/coldjoint/log.db", home);
    else
        return cj_fail(err, CJ_USAGE, NULL, 0, 0,
                       "which log? there is neither --log nor $COLDJOINT_LOG nor $HOME");
    return out->failed ? cj_fail_memory(err) : CJ_OK;
}

/* The folders of a path that are not there yet; what cannot be made shows when the log is opened.
 */
static void make_folders(char *path)
{
    for (char *slash = strchr(path + 1, '/'); slash != NULL; slash = strchr(slash + 1, '/')) {
        *slash = '\0';
        mkdir(path, 0777);
        *slash = '/';
    }
}

cj_status log_open(const struct request *request, cj_log_mode mode, cj_log **out, cj_error *err)
{
    cj_text path = {0};
    cj_status status = log_path(request, &path, err);
    bool own = request->log_name == NULL && variable("COLDJOINT_LOG") == NULL;
    if (status == CJ_OK && own && mode == CJ_LOG_CREATE)
        make_folders(path.bytes);
    if (status == CJ_OK)
        status = cj_log_open(path.bytes, mode, out, err);
    cj_text_free(&path);
    return status;
}

cj_status log_history(const struct request *request, const char *board, cj_history *out,
                      cj_text *name, cj_error *err)
{
    cj_log *log = NULL;
    bool named = request->log_name != NULL;
    *out = (cj_history){0};
    if (request->no_history || (!named && variable("COLDJOINT_LOG") == NULL))
        return CJ_OK;
    cj_status status = log_path(request, name, err);
    if (status == CJ_OK)
        status = cj_log_open(name->bytes, CJ_LOG_READ, &log, err);
    if (status == CJ_NOINPUT && !named)
        return CJ_OK; /* the first unit of a bench: its log is not there yet */
    if (status == CJ_OK)
        status = cj_log_history(log, board, out, err);
    cj_log_close(log);
    out->from = name->bytes;
    return status;
}
