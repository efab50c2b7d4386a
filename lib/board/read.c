/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The board file as a whole. */
#include <stdio.h>
#include <string.h>

#include "board/internal.h"

static void read_title(cj__reader *reader, const cj__yaml_node *node)
{
    const char *text = "";
    if (node != NULL && !cj__text_of(reader, node, &text))
        return;
    if (strlen(text) > 200 || strpbrk(text, "\r\n") != NULL) {
        cj__wrong(reader, node, "a title of more than one line; expected at most 200 characters");
        return;
    }
    reader->board->title = cj_copy_text(text);
    if (reader->board->title == NULL)
        reader->memory_out = true;
}

static void read_bench(cj__reader *reader, const cj__yaml_node *root, const cj__yaml_node *parts,
                       const cj__yaml_node *steps)
{
    cj__read_inputs(reader, cj__yaml_get(root, "inputs"));
    if (!reader->memory_out)
        cj__read_outputs(reader, cj__yaml_get(root, "outputs"));
    if (!reader->memory_out)
        cj__check_nets(reader, parts);
    if (!reader->memory_out)
        cj__read_rest(reader, cj__yaml_get(root, "rest"));
    if (!reader->memory_out)
        cj__read_steps(reader, steps);
    if (!reader->memory_out && reader->board->step_count > 0)
        cj__read_limits(reader, cj__yaml_get(root, "limits"));
}

/* Parts make the nets, so they come first whatever the order in the file; the list of errors sorts
 * itself. */
static void read_root(cj__reader *reader, const cj__yaml_node *root)
{
    static const char *const keys[] = {"board", "title", "rails", "inputs", "outputs",
                                       "parts", "rest",  "steps", "limits", NULL};
    static const cj__naming naming = {"board", "-", sizeof reader->board->name};
    cj_board *board = reader->board;
    if (!cj__is(reader, root, CJ__YAML_MAP, "a board"))
        return;
    cj__keys(reader, root, keys, "a board file");
    const cj__yaml_node *name = cj__need(reader, root, "board", "a board file");
    const cj__yaml_node *parts = cj__need(reader, root, "parts", "a board file");
    const cj__yaml_node *steps = cj__need(reader, root, "steps", "a board file");
    if (name != NULL)
        cj__name_of(reader, name, &naming, board->name);
    read_title(reader, cj__yaml_get(root, "title"));
    cj__read_rails(reader, cj__yaml_get(root, "rails"));
    if (!reader->memory_out)
        cj__read_parts(reader, parts);
    /* without parts each net and setting would be called unknown */
    if (!reader->memory_out && board->part_count > 0)
        read_bench(reader, root, parts, steps);
}

static void free_reader(cj__reader *reader)
{
    for (size_t i = 0; i < reader->limits.count; i++)
        cj_free(reader->limit_keys[i]);
    cj_free(reader->limit_keys);
    cj__names_free(&reader->nets);
    cj__names_free(&reader->parts);
    cj__names_free(&reader->steps);
    cj__names_free(&reader->limits);
    cj_free(reader->uses);
    cj_free(reader->spoiled);
    cj_free(reader->nodes);
    cj_free(reader->rest);
}

static cj_status lack_memory(cj_errors *errors)
{
    errors->count = 1;
    return cj_fail_memory(&errors->items[0]);
}

static cj_status read_tree(const cj__yaml *yaml, cj_board **out, cj_errors *errors)
{
    cj__reader reader = {.yaml = yaml, .errors = errors};
    cj_status status = CJ_OK;
    reader.board = cj_new(1, sizeof *reader.board);
    if (reader.board == NULL)
        return lack_memory(errors);
    read_root(&reader, yaml->root);
    if (reader.memory_out)
        status = lack_memory(errors);
    else if (errors->count > 0)
        status = errors->items[0].status;
    if (status == CJ_OK)
        *out = reader.board;
    else
        cj_board_free(reader.board);
    free_reader(&reader);
    return status;
}

/* The one error there was before the tree. */
static cj_status fail_first(cj_status status, const cj_error *err, cj_errors *errors)
{
    errors->items[0] = *err;
    errors->count = 1;
    return status;
}

cj_status cj_board_read_text(const char *name, const char *text, size_t length, cj_board **out,
                             cj_errors *errors)
{
    cj_errors own;
    cj_errors *list = errors ? errors : &own;
    cj_error err = {0};
    cj__yaml *yaml = NULL;
    *out = NULL;
    list->count = 0;
    cj_status status = cj__yaml_read_text(name, text, length, &yaml, &err);
    status = status == CJ_OK ? read_tree(yaml, out, list) : fail_first(status, &err, list);
    cj__yaml_free(yaml);
    return status;
}

cj_status cj_board_read(const char *path, cj_board **out, cj_errors *errors)
{
    cj_errors own;
    cj_error err = {0};
    cj_text text = {0};
    *out = NULL;
    cj_status status = cj_text_file(path, &text, &err);
    status = status == CJ_OK ? cj_board_read_text(path, text.bytes, text.length, out, errors)
                             : fail_first(status, &err, errors ? errors : &own);
    cj_text_free(&text);
    return status;
}
