/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Files to text for base/yaml.h, and the questions rooms ask of a tree. */
#include "base/yaml.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

static cj_status read_all(FILE *file, const char *path, cj_text *text, cj_error *err)
{
    char block[16384];
    size_t got;
    while ((got = fread(block, 1, sizeof block, file)) > 0) {
        cj_text_add_n(text, block, got);
        if (text->length > CJ__YAML_BYTES)
            return cj_fail(err, CJ_DATA, path, 0, 0,
                           "too large: more than 8 MiB; expected a file written by hand");
    }
    if (ferror(file))
        return cj_fail(err, CJ_IO, path, 0, 0, "reading failed: %s", strerror(errno));
    cj_text_add_n(text, "", 0); /* an empty file is a text too */
    return text->failed ? cj_fail_memory(err) : CJ_OK;
}

cj_status cj_text_file(const char *path, cj_text *out, cj_error *err)
{
    bool piped = strcmp(path, "-") == 0;
    struct stat about;
    FILE *file = piped ? stdin : fopen(path, "rb");
    if (file == NULL)
        return errno == ENOENT || errno == ENOTDIR
                   ? cj_fail(err, CJ_NOINPUT, path, 0, 0, "no such file")
                   : cj_fail(err, CJ_NOINPUT, path, 0, 0, "cannot be opened: %s", strerror(errno));
    cj_text text = {0};
    cj_status status = CJ_OK;
    if (fstat(fileno(file), &about) == 0 && S_ISDIR(about.st_mode))
        status = cj_fail(err, CJ_DATA, path, 0, 0, "a directory; expected a YAML file");
    if (status == CJ_OK)
        status = read_all(file, path, &text, err);
    if (!piped)
        fclose(file);
    if (status == CJ_OK)
        *out = text;
    else
        cj_text_free(&text);
    return status;
}

cj_status cj__yaml_read(const char *path, cj__yaml **out, cj_error *err)
{
    *out = NULL;
    cj_text text = {0};
    cj_status status = cj_text_file(path, &text, err);
    if (status == CJ_OK)
        status = cj__yaml_read_text(path, text.bytes, text.length, out, err);
    cj_text_free(&text);
    return status;
}

/* ---- questions to the tree ---- */

const cj__yaml_node *cj__yaml_get(const cj__yaml_node *map, const char *key)
{
    if (map == NULL || map->kind != CJ__YAML_MAP)
        return NULL;
    for (const cj__yaml_node *node = map->child; node; node = node->next)
        if (strcmp(node->key, key) == 0)
            return node;
    return NULL;
}

cj_status cj__yaml_fail(const cj__yaml *yaml, const cj__yaml_node *node, cj_error *err,
                        const char *format, ...)
{
    char message[768];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(message, sizeof message, format, arguments);
    va_end(arguments);
    return cj_fail(err, CJ_DATA, yaml->name, node->line, node->column, "%s", message);
}

cj_status cj__yaml_fail_key(const cj__yaml *yaml, const cj__yaml_node *node, cj_error *err,
                            const char *format, ...)
{
    char message[768];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(message, sizeof message, format, arguments);
    va_end(arguments);
    return cj_fail(err, CJ_DATA, yaml->name, node->key_line, node->key_column, "%s", message);
}

static const char *kind_text(cj__yaml_kind kind)
{
    return kind == CJ__YAML_TEXT   ? "text"
           : kind == CJ__YAML_LIST ? "a list"
                                   : "a mapping (key: value)";
}

cj_status cj__yaml_expect(const cj__yaml *yaml, const cj__yaml_node *node, cj__yaml_kind kind,
                          const char *what, cj_error *err)
{
    if (node->kind == kind)
        return CJ_OK;
    if (node->kind == CJ__YAML_TEXT && node->text[0] == '\0')
        return cj__yaml_fail(yaml, node, err, "nothing given for %s; expected %s", what,
                             kind_text(kind));
    if (node->kind == CJ__YAML_TEXT)
        return cj__yaml_fail(yaml, node, err, "'%.40s' given for %s; expected %s", node->text, what,
                             kind_text(kind));
    return cj__yaml_fail(yaml, node, err, "%s given for %s; expected %s", kind_text(node->kind),
                         what, kind_text(kind));
}

cj_status cj__yaml_keys(const cj__yaml *yaml, const cj__yaml_node *map, const char *const *keys,
                        const char *what, cj_error *err)
{
    cj_status status = cj__yaml_expect(yaml, map, CJ__YAML_MAP, what, err);
    for (const cj__yaml_node *node = map->child; status == CJ_OK && node; node = node->next) {
        size_t i = 0;
        while (keys[i] != NULL && strcmp(keys[i], node->key) != 0)
            i++;
        if (keys[i] != NULL)
            continue;
        const char *meant = cj__nearest(node->key, keys);
        char list[400] = "";
        for (size_t k = 0, used = 0; keys[k] != NULL && used + 40 < sizeof list; k++)
            used += (size_t)snprintf(list + used, sizeof list - used, "%s%.36s", k ? ", " : "",
                                     keys[k]);
        if (meant != NULL)
            return cj__yaml_fail_key(yaml, node, err,
                                     "unknown key '%.60s' in %s; did you mean '%s'?", node->key,
                                     what, meant);
        status =
            cj__yaml_fail_key(yaml, node, err, "unknown key '%.60s' in %s; expected one of: %s",
                              node->key, what, list);
    }
    return status;
}

cj_status cj__yaml_need(const cj__yaml *yaml, const cj__yaml_node *map, const char *key,
                        const cj__yaml_node **out, cj_error *err)
{
    *out = cj__yaml_get(map, key);
    if (*out != NULL)
        return CJ_OK;
    return cj__yaml_fail(yaml, map, err, "the key '%s' is missing here", key);
}

cj_status cj__yaml_text(const cj__yaml *yaml, const cj__yaml_node *node, const char **out,
                        cj_error *err)
{
    const char *what = node->key ? node->key : "this entry";
    cj_status status = cj__yaml_expect(yaml, node, CJ__YAML_TEXT, what, err);
    if (status != CJ_OK)
        return status;
    if (node->text[strspn(node->text, " \t\r\n")] == '\0')
        return cj__yaml_fail(yaml, node, err, "nothing given for %s; expected text", what);
    *out = node->text;
    return CJ_OK;
}

cj_status cj__yaml_quantity(const cj__yaml *yaml, const cj__yaml_node *node, const char *unit,
                            double *out, cj_error *err)
{
    const char *text = NULL;
    cj_error inner = {0};
    cj_status status = cj__yaml_text(yaml, node, &text, err);
    if (status != CJ_OK)
        return status;
    status = cj_quantity_read(text, unit, out, &inner);
    if (status == CJ_DATA)
        return cj__yaml_fail(yaml, node, err, "%s", inner.message);
    if (status != CJ_OK && err != NULL)
        *err = inner;
    return status;
}

cj_status cj__yaml_bool(const cj__yaml *yaml, const cj__yaml_node *node, bool *out, cj_error *err)
{
    const char *text = NULL;
    cj_status status = cj__yaml_text(yaml, node, &text, err);
    if (status != CJ_OK)
        return status;
    bool yes = strcmp(text, "true") == 0 || strcmp(text, "yes") == 0;
    if (!yes && strcmp(text, "false") != 0 && strcmp(text, "no") != 0)
        return cj__yaml_fail(yaml, node, err, "'%.40s' given; expected true or false", text);
    *out = yes;
    return CJ_OK;
}

/* ---- what was meant ---- */

enum { WORD_MOST = 48 };

static size_t least(size_t a, size_t b)
{
    return a < b ? a : b;
}

/* Optimal string alignment distance (insert, drop, replace, exchange neighbours), the usual
 * three-row table. */
static size_t typing_errors(const char *a, const char *b)
{
    size_t rows[3][WORD_MOST + 1];
    size_t length_a = strlen(a), length_b = strlen(b);
    if (length_a > WORD_MOST || length_b > WORD_MOST)
        return WORD_MOST;
    for (size_t j = 0; j <= length_b; j++)
        rows[0][j] = j;
    for (size_t i = 1; i <= length_a; i++) {
        size_t *now = rows[i % 3], *before = rows[(i + 2) % 3], *earlier = rows[(i + 1) % 3];
        now[0] = i;
        for (size_t j = 1; j <= length_b; j++) {
            size_t replace = before[j - 1] + (a[i - 1] != b[j - 1]);
            now[j] = least(replace, least(before[j], now[j - 1]) + 1);
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1])
                now[j] = least(now[j], earlier[j - 2] + 1);
        }
    }
    return rows[length_a % 3][length_b];
}

const char *cj__nearest(const char *word, const char *const *known)
{
    const char *best = NULL;
    /* one error in three letters is still the word */
    size_t best_errors = (strlen(word) < 3 ? 1 : strlen(word) / 3) + 1;
    for (size_t i = 0; known[i] != NULL; i++) {
        size_t errors = typing_errors(word, known[i]);
        if (errors < best_errors && errors < strlen(known[i])) {
            best_errors = errors;
            best = known[i];
        }
    }
    for (size_t i = 0; best == NULL && strlen(word) >= 3 && known[i] != NULL; i++)
        if (strncmp(known[i], word, strlen(word)) == 0)
            best = known[i]; /* the beginning of the word */
    return best;
}
