/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * The tree is built straight from libyaml's events: one pass, so that depth, aliases and a second
 * document are refused before anything of them is kept, and every node has our own memory and
 * place.
 */
#include "base/utf8.h"
#include "base/yaml.h"

#include <stdio.h>
#include <string.h>
#include <yaml.h>

struct build {
    yaml_parser_t parser;
    cj__yaml *yaml;
    const char *text; /* the whole input, for the word at a mark */
    size_t length;
    size_t nodes, documents;
    size_t depth;
    cj__yaml_node *open[CJ__YAML_DEPTH]; /* the lists and mappings we are in */
    cj__yaml_node *last[CJ__YAML_DEPTH]; /* the last child of each */
    char *key;                           /* a key that waits for its value */
    long key_line, key_column;
    cj_error *err;
};

static void free_node(cj__yaml_node *node)
{
    /* siblings in a loop, children by recursion: as deep as CJ__YAML_DEPTH at most */
    while (node != NULL) {
        cj__yaml_node *next = node->next;
        free_node(node->child);
        cj_free(node->text);
        cj_free(node->key);
        cj_free(node);
        node = next;
    }
}

void cj__yaml_free(cj__yaml *yaml)
{
    if (yaml == NULL)
        return;
    free_node(yaml->root);
    cj_free(yaml->name);
    cj_free(yaml);
}

/* ---- the word an error is about ---- */

/* Bytes of the line break at text (YAML 1.1: LF, CR, CR LF, U+0085, U+2028, U+2029), 0 where none
 * is. */
static size_t break_length(const char *text, size_t left)
{
    if (left >= 2 && text[0] == '\r' && text[1] == '\n')
        return 2;
    if (left >= 1 && (text[0] == '\n' || text[0] == '\r'))
        return 1;
    if (left >= 2 && memcmp(text, "\xc2\x85", 2) == 0)
        return 2;
    if (left >= 3 && (memcmp(text, "\xe2\x80\xa8", 3) == 0 || memcmp(text, "\xe2\x80\xa9", 3) == 0))
        return 3;
    return 0;
}

static size_t character_length(unsigned char first)
{
    return first < 0x80 ? 1 : first < 0xe0 ? 2 : first < 0xf0 ? 3 : 4;
}

/* Copies the word at a mark (0-based line and column), so that a message can quote it. The input is
 * UTF-8 by now. */
static void word_at(const struct build *b, size_t line, size_t column, char word[48])
{
    size_t at = 0, used = 0;
    while (line > 0 && at < b->length) {
        size_t skip = break_length(b->text + at, b->length - at);
        at += skip ? skip : 1;
        line -= skip ? 1 : 0;
    }
    for (; column > 0 && at < b->length && !break_length(b->text + at, b->length - at); column--)
        at += character_length((unsigned char)b->text[at]);
    while (at < b->length && used + 8 < 48) {
        size_t bytes = character_length((unsigned char)b->text[at]);
        bool ends = strchr(" \t,[]{}", b->text[at]) != NULL;
        if (at + bytes > b->length || break_length(b->text + at, b->length - at) ||
            (ends && used > 0))
            break;
        memcpy(word + used, b->text + at, bytes);
        used += bytes;
        at += bytes;
        if (ends)
            break;
    }
    word[used] = '\0';
}

static cj_status fail_at(struct build *b, const yaml_mark_t *mark, const char *format, ...)
    CJ_PRINTF(3, 4);

static cj_status fail_at(struct build *b, const yaml_mark_t *mark, const char *format, ...)
{
    char word[48], what[400];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(what, sizeof what, format, arguments);
    va_end(arguments);
    word_at(b, mark->line, mark->column, word);
    if (word[0] == '\0' || strcmp(word, " ") == 0)
        return cj_fail(b->err, CJ_DATA, b->yaml->name, (long)mark->line + 1, (long)mark->column + 1,
                       "%s", what);
    return cj_fail(b->err, CJ_DATA, b->yaml->name, (long)mark->line + 1, (long)mark->column + 1,
                   "at '%s': %s", word, what);
}

/* What libyaml finds wrong, and what would be right, in words for someone who did not write the
 * parser. */
static const char *const hints[][2] = {
    {"mapping values are not allowed",
     "no value can begin here; check the indentation, and put quotes "
     "around text that holds a colon and a space"},
    {"could not find expected ':'", "a key without its colon; write key: value"},
    {"character that cannot start any token",
     "nothing can begin with this character; indent with spaces, and put quotes around such text"},
    {"tab character", "indent with spaces, not with tabs"},
    {"block sequence entries are not allowed",
     "a list entry cannot begin here; give the list lines of its "
     "own below its key"},
    {"mapping keys are not allowed", "a key cannot stand here; give it a line of its own"},
    {"found unexpected end of stream", "a quote is opened and never closed"},
    {"found unknown escape character",
     "no such escape; use single quotes around text with a backslash"},
    {"did not find expected key",
     "expected key: value in line with the keys above; check the indentation"},
    {"did not find expected ',' or ']'", "expected a comma or the closing ] of the list"},
    {"did not find expected ',' or '}'", "expected a comma or the closing } of the mapping"},
    {"did not find expected '-' indicator", "expected '- ' in line with the entries above"},
    {"did not find expected node content", "expected a value"},
    {"did not find expected <document start>", "expected nothing after the end of the document"},
};

static cj_status fail_libyaml(struct build *b)
{
    const yaml_parser_t *parser = &b->parser;
    const char *problem = parser->problem ? parser->problem : "not YAML";
    if (parser->error == YAML_MEMORY_ERROR)
        return cj_fail_memory(b->err);
    for (size_t i = 0; i < sizeof hints / sizeof hints[0]; i++)
        if (strstr(problem, hints[i][0]) != NULL)
            return fail_at(b, &parser->problem_mark, "%s", hints[i][1]);
    return fail_at(b, &parser->problem_mark,
                   "not YAML here: %s; expected key: value, - entry, or text", problem);
}

/* ---- bytes ---- */

/* A control character: C0 but tab, LF and CR, DEL, C1 but U+0085 (a line break), and U+FEFF,
 * U+FFFE, U+FFFF, which libyaml's reader would refuse without a place. */
static bool is_control(const unsigned char *text, size_t length)
{
    if (length == 1)
        return (text[0] < 0x20 && text[0] != '\t' && text[0] != '\n' && text[0] != '\r') ||
               text[0] == 0x7f;
    if (length == 2)
        return text[0] == 0xc2 && text[1] < 0xa0 && text[1] != 0x85;
    return length == 3 && ((text[0] == 0xef && text[1] == 0xbb && text[2] == 0xbf) ||
                           (text[0] == 0xef && text[1] == 0xbf && text[2] >= 0xbe));
}

static cj_status check_bytes(struct build *b)
{
    long line = 1, column = 1;
    for (size_t at = 0; at < b->length;) {
        const unsigned char *here = (const unsigned char *)b->text + at;
        size_t skip = break_length(b->text + at, b->length - at);
        size_t length = cj__utf8_length(here, b->length - at);
        if (*here == '\0')
            return cj_fail(b->err, CJ_DATA, b->yaml->name, line, column,
                           "a NUL byte; expected text in UTF-8");
        if (length == 0)
            return cj_fail(b->err, CJ_DATA, b->yaml->name, line, column,
                           "byte 0x%02X is not UTF-8; save the file as UTF-8", *here);
        if (skip == 0 && is_control(here, length))
            return cj_fail(b->err, CJ_DATA, b->yaml->name, line, column,
                           "a control character (0x%02X); expected plain text", here[length - 1]);
        at += skip ? skip : length;
        line += skip ? 1 : 0;
        column = skip ? 1 : column + 1;
    }
    return CJ_OK;
}

/* ---- events to nodes ---- */

static cj_status take_key(struct build *b, const yaml_event_t *event)
{
    const cj__yaml_node *map = b->open[b->depth - 1];
    const char *key = (const char *)event->data.scalar.value;
    if (*key == '\0')
        return fail_at(b, &event->start_mark, "an empty key; expected a word before the colon");
    for (const cj__yaml_node *other = map->child; other; other = other->next)
        if (strcmp(other->key, key) == 0)
            return fail_at(b, &event->start_mark,
                           "key given twice, first in line %ld; expected it once", other->key_line);
    if (map->count >= CJ__YAML_KEYS)
        return fail_at(b, &event->start_mark, "more than 1000 keys in one mapping");
    b->key = cj_copy_text_n(key, event->data.scalar.length);
    b->key_line = (long)event->start_mark.line + 1;
    b->key_column = (long)event->start_mark.column + 1;
    return b->key ? CJ_OK : cj_fail_memory(b->err);
}

/* Hangs a new node where it belongs: under the open list or mapping, or as the root. */
static cj_status add_node(struct build *b, cj__yaml_kind kind, const yaml_event_t *event,
                          cj__yaml_node **out)
{
    if (++b->nodes > CJ__YAML_NODES)
        return fail_at(b, &event->start_mark, "too large: more than 200000 values in one file");
    cj__yaml_node *node = cj_new(1, sizeof *node);
    if (node == NULL)
        return cj_fail_memory(b->err);
    node->kind = kind;
    node->line = (long)event->start_mark.line + 1;
    node->column = (long)event->start_mark.column + 1;
    node->key = b->key;
    node->key_line = b->key ? b->key_line : node->line;
    node->key_column = b->key ? b->key_column : node->column;
    b->key = NULL;
    *out = node;
    if (b->depth == 0) {
        b->yaml->root = node;
        return CJ_OK;
    }
    cj__yaml_node *parent = b->open[b->depth - 1];
    if (b->last[b->depth - 1] != NULL)
        b->last[b->depth - 1]->next = node;
    else
        parent->child = node;
    b->last[b->depth - 1] = node;
    parent->count++;
    return CJ_OK;
}

static bool expects_key(const struct build *b)
{
    return b->depth > 0 && b->open[b->depth - 1]->kind == CJ__YAML_MAP && b->key == NULL;
}

static cj_status take_scalar(struct build *b, const yaml_event_t *event)
{
    /* "\0" inside double quotes is the one way a NUL could still come in */
    if (memchr(event->data.scalar.value, '\0', event->data.scalar.length) != NULL)
        return fail_at(b, &event->start_mark, "a NUL character; expected plain text");
    if (expects_key(b))
        return take_key(b, event);
    cj__yaml_node *node = NULL;
    cj_status status = add_node(b, CJ__YAML_TEXT, event, &node);
    if (status != CJ_OK)
        return status;
    node->quoted = event->data.scalar.style != YAML_PLAIN_SCALAR_STYLE;
    node->text = cj_copy_text_n((const char *)event->data.scalar.value, event->data.scalar.length);
    return node->text ? CJ_OK : cj_fail_memory(b->err);
}

static cj_status open_node(struct build *b, cj__yaml_kind kind, const yaml_event_t *event)
{
    if (expects_key(b))
        return fail_at(b, &event->start_mark, "a list or mapping cannot be a key; expected a word");
    if (b->depth == CJ__YAML_DEPTH)
        return fail_at(b, &event->start_mark, "nested deeper than 40; expected a flatter file");
    cj__yaml_node *node = NULL;
    cj_status status = add_node(b, kind, event, &node);
    if (status != CJ_OK)
        return status;
    b->open[b->depth] = node;
    b->last[b->depth] = NULL;
    b->depth++;
    return CJ_OK;
}

/* Anchors and tags bring in what the text does not show; neither has a use in our files. */
static cj_status refuse_extras(struct build *b, const yaml_event_t *event)
{
    bool anchor = false, tag = false;
    switch (event->type) {
    case YAML_ALIAS_EVENT:
        anchor = true;
        break;
    case YAML_SCALAR_EVENT:
        anchor = event->data.scalar.anchor != NULL;
        tag = event->data.scalar.tag != NULL;
        break;
    case YAML_SEQUENCE_START_EVENT:
        anchor = event->data.sequence_start.anchor != NULL;
        tag = event->data.sequence_start.tag != NULL;
        break;
    case YAML_MAPPING_START_EVENT:
        anchor = event->data.mapping_start.anchor != NULL;
        tag = event->data.mapping_start.tag != NULL;
        break;
    default:
        break;
    }
    if (anchor)
        return fail_at(b, &event->start_mark,
                       "aliases are not used here; write the value out, or put it in quotes");
    if (tag)
        return fail_at(b, &event->start_mark,
                       "tags are not used here; leave it out, or put the value in quotes");
    return CJ_OK;
}

static cj_status take_event(struct build *b, const yaml_event_t *event)
{
    cj_status status = refuse_extras(b, event);
    if (status != CJ_OK)
        return status;
    switch (event->type) {
    case YAML_DOCUMENT_START_EVENT:
        if (b->documents++ > 0)
            return fail_at(b, &event->start_mark,
                           "a second document begins here; expected one in a file");
        return CJ_OK;
    case YAML_SCALAR_EVENT:
        return take_scalar(b, event);
    case YAML_SEQUENCE_START_EVENT:
        return open_node(b, CJ__YAML_LIST, event);
    case YAML_MAPPING_START_EVENT:
        return open_node(b, CJ__YAML_MAP, event);
    case YAML_SEQUENCE_END_EVENT:
    case YAML_MAPPING_END_EVENT:
        b->depth--;
        return CJ_OK;
    default:
        return CJ_OK;
    }
}

static cj_status build_tree(struct build *b)
{
    cj_status status = CJ_OK;
    bool more = true;
    if (!yaml_parser_initialize(&b->parser))
        return cj_fail_memory(b->err);
    yaml_parser_set_encoding(&b->parser, YAML_UTF8_ENCODING);
    yaml_parser_set_input_string(&b->parser, (const unsigned char *)b->text, b->length);
    while (status == CJ_OK && more) {
        yaml_event_t event;
        if (!yaml_parser_parse(&b->parser, &event)) {
            status = fail_libyaml(b);
            break;
        }
        more = event.type != YAML_STREAM_END_EVENT;
        status = take_event(b, &event);
        yaml_event_delete(&event);
    }
    yaml_parser_delete(&b->parser);
    cj_free(b->key);
    if (status == CJ_OK && b->yaml->root == NULL)
        status = cj_fail(b->err, CJ_DATA, b->yaml->name, 1, 1,
                         "nothing in this file; expected key: value");
    return status;
}

cj_status cj__yaml_read_text(const char *name, const char *text, size_t length, cj__yaml **out,
                             cj_error *err)
{
    *out = NULL;
    if (length > CJ__YAML_BYTES)
        return cj_fail(err, CJ_DATA, name, 0, 0,
                       "too large: more than 8 MiB; expected a file written by hand");
    if (length >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0) {
        text += 3; /* a byte order mark some editors write */
        length -= 3;
    }
    struct build b = {.text = text, .length = length, .err = err};
    b.yaml = cj_new(1, sizeof *b.yaml);
    if (b.yaml == NULL)
        return cj_fail_memory(err);
    cj_status status = CJ_OK;
    b.yaml->name = cj_copy_text(name ? name : "");
    if (b.yaml->name == NULL)
        status = cj_fail_memory(err);
    if (status == CJ_OK)
        status = check_bytes(&b);
    if (status == CJ_OK)
        status = build_tree(&b);
    if (status == CJ_OK)
        *out = b.yaml;
    else
        cj__yaml_free(b.yaml);
    return status;
}
