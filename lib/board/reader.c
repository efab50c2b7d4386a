/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Errors collected in the file's order, and the fields that entries are made of. */
#include "board/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* ---- errors ---- */

static bool is_before(long line, long column, const cj_error *other)
{
    return line < other->line || (line == other->line && column < other->column);
}

static bool is_kept(const cj__reader *reader, long line, long column)
{
    const cj_errors *errors = reader->errors;
    return errors->count < CJ_BOARD_ERRORS ||
           is_before(line, column, &errors->items[errors->count - 1]);
}

bool cj__kept(const cj__reader *reader, const cj__yaml_node *node)
{
    return is_kept(reader, node->line, node->column);
}

/* Makes room for an error where it belongs; the last of a full list falls out. */
static cj_error *place(cj_errors *errors, long line, long column)
{
    int at = errors->count;
    while (at > 0 && is_before(line, column, &errors->items[at - 1]))
        at--;
    int last = errors->count < CJ_BOARD_ERRORS ? errors->count : CJ_BOARD_ERRORS - 1;
    memmove(&errors->items[at + 1], &errors->items[at],
            (size_t)(last - at) * sizeof *errors->items);
    errors->count = last + 1;
    errors->items[at] = (cj_error){0};
    return &errors->items[at];
}

static void note(cj__reader *reader, long line, long column, const char *format, va_list arguments)
{
    char message[768];
    reader->wrong++;
    if (!is_kept(reader, line, column))
        return;
    vsnprintf(message, sizeof message, format, arguments);
    cj_fail(place(reader->errors, line, column), CJ_DATA, reader->yaml->name, line, column, "%s",
            message);
}

void cj__wrong(cj__reader *reader, const cj__yaml_node *node, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    note(reader, node->line, node->column, format, arguments);
    va_end(arguments);
}

void cj__wrong_key(cj__reader *reader, const cj__yaml_node *node, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    note(reader, node->key_line, node->key_column, format, arguments);
    va_end(arguments);
}

void cj__warn(cj__reader *reader, const cj__yaml_node *node, const char *format, ...)
{
    char message[256];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(message, sizeof message, format, arguments);
    va_end(arguments);
    if (cj_lines_add(&reader->board->warnings, "%s:%ld:%ld: %s", reader->yaml->name, node->line,
                     node->column, message) != CJ_OK)
        reader->memory_out = true;
}

/* Notes what a question of base/yaml.h found wrong. */
static bool took(cj__reader *reader, cj_status status, const cj_error *err)
{
    if (status == CJ_OK)
        return true;
    if (status == CJ_NOMEM) {
        reader->memory_out = true;
        return false;
    }
    reader->wrong++;
    if (is_kept(reader, err->line, err->column))
        *place(reader->errors, err->line, err->column) = *err;
    return false;
}

/* ---- what was meant ---- */

cj__hint cj__meant(const char *word, const char *const *known, const char *otherwise)
{
    cj__hint hint;
    const char *meant = cj__nearest(word, known);
    if (meant != NULL)
        snprintf(hint.text, sizeof hint.text, "; did you mean '%.48s'?", meant);
    else
        snprintf(hint.text, sizeof hint.text, "%s", otherwise);
    return hint;
}

cj__hint cj__meant_name(cj__reader *reader, const cj__yaml_node *node, const char *word,
                        const cj__names *names, const char *otherwise)
{
    cj__hint hint = {""};
    if (!cj__kept(reader, node))
        return hint;
    const char **known = cj_new(names->count + 1, sizeof *known);
    if (known == NULL) {
        reader->memory_out = true;
        return hint;
    }
    for (size_t i = 0; i < names->count; i++)
        known[i] = names->items[i].text;
    hint = cj__meant(word, known, otherwise);
    cj_free(known);
    return hint;
}

/* ---- fields ---- */

bool cj__is(cj__reader *reader, const cj__yaml_node *node, cj__yaml_kind kind, const char *what)
{
    cj_error err = {0};
    return took(reader, cj__yaml_expect(reader->yaml, node, kind, what, &err), &err);
}

static void list_words(const char *const *words, char *text, size_t size)
{
    size_t used = 0;
    text[0] = '\0';
    for (size_t i = 0; words[i] != NULL && used < size; i++)
        used += (size_t)snprintf(text + used, size - used, "%s%s", i ? ", " : "", words[i]);
}

bool cj__keys(cj__reader *reader, const cj__yaml_node *map, const char *const *keys,
              const char *what)
{
    char list[400];
    long before = reader->wrong;
    if (!cj__is(reader, map, CJ__YAML_MAP, what))
        return false;
    for (const cj__yaml_node *node = map->child; node; node = node->next) {
        size_t i = 0;
        while (keys[i] != NULL && strcmp(keys[i], node->key) != 0)
            i++;
        if (keys[i] != NULL)
            continue;
        if (!is_kept(reader, node->key_line, node->key_column)) {
            reader->wrong++; /* its words are not worth their time */
            continue;
        }
        const char *meant = cj__nearest(node->key, keys);
        list_words(keys, list, sizeof list);
        if (meant != NULL)
            cj__wrong_key(reader, node, "unknown key '%.60s' in %s; did you mean '%s'?", node->key,
                          what, meant);
        else
            cj__wrong_key(reader, node, "unknown key '%.60s' in %s; expected one of: %s", node->key,
                          what, list);
    }
    return reader->wrong == before;
}

const cj__yaml_node *cj__need(cj__reader *reader, const cj__yaml_node *map, const char *key,
                              const char *what)
{
    const cj__yaml_node *node = cj__yaml_get(map, key);
    if (node == NULL)
        cj__wrong(reader, map, "the key '%s' is missing in %s", key, what);
    return node;
}

bool cj__text_of(cj__reader *reader, const cj__yaml_node *node, const char **out)
{
    cj_error err = {0};
    return took(reader, cj__yaml_text(reader->yaml, node, out, &err), &err);
}

static const char *subject(const cj__yaml_node *node)
{
    return node->key ? node->key : "this entry";
}

bool cj__word(cj__reader *reader, const cj__yaml_node *node, const char *const *words, int *out)
{
    char list[400];
    const char *text = NULL;
    if (!cj__text_of(reader, node, &text))
        return false;
    for (int i = 0; words[i] != NULL; i++) {
        if (strcmp(words[i], text) == 0) {
            *out = i;
            return true;
        }
    }
    const char *meant = cj__nearest(text, words);
    list_words(words, list, sizeof list);
    if (meant != NULL)
        cj__wrong(reader, node, "'%.60s' given for %s; did you mean '%s'?", text, subject(node),
                  meant);
    else
        cj__wrong(reader, node, "'%.60s' given for %s; expected one of: %s", text, subject(node),
                  list);
    return false;
}

bool cj__truth(cj__reader *reader, const cj__yaml_node *node, bool *out)
{
    cj_error err = {0};
    return took(reader, cj__yaml_bool(reader->yaml, node, out, &err), &err);
}

bool cj__number(cj__reader *reader, const cj__yaml_node *node, const cj__range *range, double *out)
{
    cj_error err = {0};
    double value = 0;
    if (!took(reader, cj__yaml_quantity(reader->yaml, node, range->unit, &value, &err), &err))
        return false;
    if (!(value >= range->low && value <= range->high)) {
        cj__wrong(reader, node, "'%.40s' given for %.60s; expected %s", node->text, subject(node),
                  range->expected);
        return false;
    }
    *out = value;
    return true;
}

bool cj__number_at(cj__reader *reader, const cj__yaml_node *map, const char *key,
                   const cj__range *range, double *out)
{
    const cj__yaml_node *node = cj__yaml_get(map, key);
    return node == NULL || cj__number(reader, node, range, out);
}

bool cj__number_needed(cj__reader *reader, const cj__yaml_node *map, const char *key,
                       const cj__range *range, const char *what, double *out)
{
    const cj__yaml_node *node = cj__need(reader, map, key, what);
    return node != NULL && cj__number(reader, node, range, out);
}

bool cj__count(cj__reader *reader, const cj__yaml_node *node, const char *what, const int range[2],
               int *out)
{
    const char *text = NULL;
    if (!cj__text_of(reader, node, &text))
        return false;
    size_t digits = strspn(text, "0123456789");
    long value = 0;
    for (size_t i = 0; i < digits && i < 9; i++)
        value = value * 10 + (text[i] - '0');
    if (digits == 0 || digits > 9 || text[digits] != '\0' || value < range[0] || value > range[1]) {
        cj__wrong(reader, node, "'%.40s' given for %.60s; expected a whole number from %d to %d",
                  text, what, range[0], range[1]);
        return false;
    }
    *out = (int)value;
    return true;
}

static bool is_plain(char c)
{
    return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
}

bool cj__name_of(cj__reader *reader, const cj__yaml_node *node, const cj__naming *naming, char *out)
{
    const char *text = NULL;
    if (!cj__text_of(reader, node, &text))
        return false;
    size_t length = strlen(text);
    if (length >= naming->size) {
        cj__wrong(reader, node, "'%.40s...' is too long for %.60s; expected at most %zu characters",
                  text, naming->what, naming->size - 1);
        return false;
    }
    for (size_t i = 0; i < length; i++) {
        if (is_plain(text[i]) || strchr(naming->marks, text[i]) != NULL)
            continue;
        char marks[64] = "";
        for (size_t k = 0; naming->marks[k] != '\0' && k < 16; k++)
            snprintf(marks + strlen(marks), sizeof marks - strlen(marks), " %c", naming->marks[k]);
        cj__wrong(reader, node, "'%.60s' is no name for %.60s; expected letters, digits%s%s", text,
                  naming->what, marks[0] ? " and" : " only", marks);
        return false;
    }
    memcpy(out, text, length + 1);
    return true;
}
