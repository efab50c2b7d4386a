/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A rules file becomes rules. What is wrong in it is refused whole: the rules there were stay as
 * they are. */
#include "diagnosis/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { LINES_MOST = 32, RETIRED_MOST = 1000 };

/* ---- lifetime ---- */

static void clear_rule(cj__rule *rule)
{
    cj_free(rule->when);
    cj_lines_free(&rule->roles);
    cj_lines_free(&rule->over);
    cj_free(rule->says);
    cj_free(rule->check);
    cj_free(rule->caution);
    *rule = (cj__rule){0};
}

cj_status cj__rules_new(cj_rules **out, cj_error *err)
{
    *out = cj_new(1, sizeof **out);
    if (*out == NULL)
        return cj_fail_memory(err);
    (*out)->unexplained = 1;
    return CJ_OK;
}

void cj_rules_free(cj_rules *rules)
{
    if (rules == NULL)
        return;
    for (size_t i = 0; i < rules->count; i++)
        clear_rule(&rules->items[i]);
    cj_free(rules->items);
    cj_free(rules->healthy);
    cj_free(rules->retired);
    cj_free(rules);
}

size_t cj_rules_count(const cj_rules *rules)
{
    return rules->count;
}

static cj__rule *find_rule(const cj_rules *rules, const char *name)
{
    for (size_t i = 0; i < rules->count; i++)
        if (strcmp(rules->items[i].name, name) == 0)
            return &rules->items[i];
    return NULL;
}

/* ---- the keys of one rule ---- */

static cj_status read_name(const cj__yaml *yaml, const cj__yaml_node *node, char name[48],
                           cj_error *err)
{
    const char *text = NULL;
    cj_status status = cj__yaml_text(yaml, node, &text, err);
    if (status != CJ_OK)
        return status;
    if (strlen(text) > 47 || text[strspn(text, "abcdefghijklmnopqrstuvwxyz0123456789-")] != '\0')
        return cj__yaml_fail(yaml, node, err,
                             "'%.60s' is no name of a rule; expected up to 47 small "
                             "letters, digits and dashes",
                             text);
    memcpy(name, text, strlen(text) + 1);
    return CJ_OK;
}

static cj_status read_whole(const cj__yaml *yaml, const cj__yaml_node *node, long *number,
                            cj_error *err)
{
    const char *text = NULL;
    cj_status status = cj__yaml_text(yaml, node, &text, err);
    if (status != CJ_OK)
        return status;
    if (strlen(text) > 6 || text[strspn(text, "0123456789")] != '\0' || text[0] == '0')
        return cj__yaml_fail(yaml, node, err,
                             "'%.40s' is no number of a rule; expected 1 to 999999", text);
    *number = 0;
    for (; *text; text++)
        *number = *number * 10 + (*text - '0');
    return CJ_OK;
}

static cj_status read_weight(const cj__yaml *yaml, const cj__yaml_node *node, double *weight,
                             cj_error *err)
{
    cj_status status = cj__yaml_quantity(yaml, node, "", weight, err);
    if (status == CJ_OK && !(*weight > 0 && *weight <= 1000))
        status = cj__yaml_fail(yaml, node, err, "the weight '%.40s' is not above 0 and up to 1000",
                               node->text);
    return status;
}

/* A sentence: kept as one line, whatever lines it was written on. */
static cj_status read_sentence(const cj__yaml *yaml, const cj__yaml_node *node, char **out,
                               cj_error *err)
{
    const char *text = NULL;
    cj_status status = cj__yaml_text(yaml, node, &text, err);
    if (status == CJ_OK)
        status = cj__say_check(yaml, node, err);
    if (status != CJ_OK)
        return status;
    if (strlen(text) > 2000)
        return cj__yaml_fail(yaml, node, err, "longer than 2000 bytes; expected a sentence or two");
    *out = cj_copy_text(text);
    if (*out == NULL)
        return cj_fail_memory(err);
    for (char *at = *out; *at; at++)
        if (*at == '\n' || *at == '\r' || *at == '\t')
            *at = ' ';
    for (size_t length = strlen(*out); length > 0 && (*out)[length - 1] == ' '; length--)
        (*out)[length - 1] = '\0';
    return CJ_OK;
}

static cj_status add_line(const cj__yaml *yaml, const cj__yaml_node *node, size_t most,
                          cj_lines *lines, cj_error *err)
{
    const char *text = NULL;
    cj_status status = cj__yaml_text(yaml, node, &text, err);
    if (status != CJ_OK)
        return status;
    if (strlen(text) > most)
        return cj__yaml_fail(yaml, node, err, "'%.40s...' is longer than %zu bytes", text, most);
    for (size_t i = 0; i < lines->count; i++)
        if (strcmp(lines->items[i], text) == 0)
            return cj__yaml_fail(yaml, node, err, "'%.60s' is given twice", text);
    return cj_lines_add(lines, "%s", text) == CJ_OK ? CJ_OK : cj_fail_memory(err);
}

/* A list of up to LINES_MOST texts, or one text alone. */
static cj_status read_lines(const cj__yaml *yaml, const cj__yaml_node *node, size_t most,
                            cj_lines *lines, cj_error *err)
{
    if (node->kind == CJ__YAML_TEXT)
        return add_line(yaml, node, most, lines, err);
    cj_status status = cj__yaml_expect(yaml, node, CJ__YAML_LIST, node->key, err);
    if (status == CJ_OK && (node->count == 0 || node->count > LINES_MOST))
        return cj__yaml_fail(yaml, node, err, "%zu entries; expected 1 to %d", node->count,
                             LINES_MOST);
    for (const cj__yaml_node *entry = node->child; status == CJ_OK && entry; entry = entry->next)
        status = add_line(yaml, entry, most, lines, err);
    return status;
}

static cj_status read_when(const cj__yaml *yaml, const cj__yaml_node *node, cj__rule *rule,
                           cj_error *err)
{
    cj_status status = cj__yaml_expect(yaml, node, CJ__YAML_MAP, "when", err);
    if (status != CJ_OK)
        return status;
    if (node->count == 0 || node->count > CJ__CONDITIONS_MOST)
        return cj__yaml_fail(yaml, node, err, "%zu conditions; expected 1 to %d", node->count,
                             CJ__CONDITIONS_MOST);
    rule->when = cj_new(node->count, sizeof *rule->when);
    if (rule->when == NULL)
        return cj_fail_memory(err);
    for (const cj__yaml_node *entry = node->child; status == CJ_OK && entry; entry = entry->next)
        status = cj__condition_read(yaml, entry, &rule->when[rule->when_count++], err);
    return status;
}

static cj_status read_optional(const cj__yaml *yaml, const cj__yaml_node *map, cj__rule *rule,
                               cj_error *err)
{
    const cj__yaml_node *node;
    cj_status status = CJ_OK;
    rule->weight = 1;
    if ((node = cj__yaml_get(map, "number")) != NULL)
        status = read_whole(yaml, node, &rule->number, err);
    if (status == CJ_OK && (node = cj__yaml_get(map, "weight")) != NULL)
        status = read_weight(yaml, node, &rule->weight, err);
    if (status == CJ_OK && (node = cj__yaml_get(map, "over")) != NULL)
        status = read_lines(yaml, node, 47, &rule->over, err);
    if (status == CJ_OK && (node = cj__yaml_get(map, "board")) != NULL)
        status = cj__yaml_bool(yaml, node, &rule->board, err);
    if (status == CJ_OK && (node = cj__yaml_get(map, "caution")) != NULL)
        status = read_sentence(yaml, node, &rule->caution, err);
    if (status == CJ_OK && (node = cj__yaml_get(map, "source")) != NULL)
        status = cj__yaml_expect(yaml, node, CJ__YAML_TEXT, "source", err);
    return status;
}

static cj_status read_rule(const cj__yaml *yaml, const cj__yaml_node *map, cj__rule *rule,
                           cj_error *err)
{
    static const char *const keys[] = {"rule", "number", "when",  "weight",  "over",   "roles",
                                       "says", "check",  "board", "caution", "source", NULL};
    const cj__yaml_node *name, *when, *roles, *says, *check;
    cj_status status = cj__yaml_keys(yaml, map, keys, "a rule", err);
    if (status != CJ_OK || (status = cj__yaml_need(yaml, map, "rule", &name, err)) != CJ_OK ||
        (status = read_name(yaml, name, rule->name, err)) != CJ_OK ||
        (status = cj__yaml_need(yaml, map, "when", &when, err)) != CJ_OK ||
        (status = cj__yaml_need(yaml, map, "roles", &roles, err)) != CJ_OK ||
        (status = cj__yaml_need(yaml, map, "says", &says, err)) != CJ_OK ||
        (status = cj__yaml_need(yaml, map, "check", &check, err)) != CJ_OK)
        return status;
    status = read_when(yaml, when, rule, err);
    if (status == CJ_OK)
        status = read_lines(yaml, roles, sizeof((cj_fault *)0)->role - 1, &rule->roles, err);
    if (status == CJ_OK && rule->roles.count > CJ__ROLES_MOST)
        status = cj__yaml_fail(yaml, roles, err, "%zu roles; expected 1 to %d", rule->roles.count,
                               CJ__ROLES_MOST);
    if (status == CJ_OK)
        status = read_sentence(yaml, says, &rule->says, err);
    if (status == CJ_OK)
        status = read_sentence(yaml, check, &rule->check, err);
    return status == CJ_OK ? read_optional(yaml, map, rule, err) : status;
}

/* ---- the file ---- */

static bool is_retired(const cj_rules *rules, long number)
{
    for (size_t i = 0; i < rules->retired_count; i++)
        if (rules->retired[i] == number)
            return true;
    return false;
}

/* A number belongs to one name for ever: not in this file, not in the rules there are, not retired.
 */
static cj_status check_number(const cj__yaml *yaml, const cj__yaml_node *map, const cj__rule *rule,
                              const cj_rules *rules, cj_error *err)
{
    if (rule->number == 0)
        return CJ_OK;
    const cj__yaml_node *node = cj__yaml_get(map, "number");
    if (is_retired(rules, rule->number))
        return cj__yaml_fail(yaml, node, err, "the number %ld is retired; expected one never used",
                             rule->number);
    for (size_t i = 0; i < rules->count; i++)
        if (rules->items[i].number == rule->number && strcmp(rules->items[i].name, rule->name) != 0)
            return cj__yaml_fail(yaml, node, err,
                                 "the number %ld is that of the rule '%s'; expected one never used",
                                 rule->number, rules->items[i].name);
    return CJ_OK;
}

static cj_status read_rules(const cj__yaml *yaml, const cj__yaml_node *list, const cj_rules *old,
                            cj_rules *fresh, cj_error *err)
{
    cj_status status = cj__yaml_expect(yaml, list, CJ__YAML_LIST, "rules", err);
    for (const cj__yaml_node *map = list->child; status == CJ_OK && map; map = map->next) {
        if (fresh->count + old->count >= CJ__RULES_MOST)
            return cj__yaml_fail(yaml, map, err, "more than %d rules", CJ__RULES_MOST);
        if (!cj_reserve((void **)&fresh->items, &fresh->capacity, fresh->count, sizeof(cj__rule)))
            return cj_fail_memory(err);
        cj__rule rule = {0};
        status = read_rule(yaml, map, &rule, err);
        if (status == CJ_OK && find_rule(fresh, rule.name) != NULL)
            status = cj__yaml_fail(yaml, cj__yaml_get(map, "rule"), err,
                                   "the rule '%s' is given twice in this file", rule.name);
        if (status == CJ_OK)
            status = check_number(yaml, map, &rule, old, err);
        if (status == CJ_OK)
            status = check_number(yaml, map, &rule, fresh, err);
        if (status == CJ_OK)
            fresh->items[fresh->count++] = rule;
        else
            clear_rule(&rule);
    }
    return status;
}

/* Every rule named behind `over:` has to exist, here or among the rules there are. */
static cj_status check_over(const cj__yaml *yaml, const cj__yaml_node *list, const cj_rules *old,
                            const cj_rules *fresh, cj_error *err)
{
    size_t i = 0;
    for (const cj__yaml_node *map = list->child; map; map = map->next, i++) {
        const cj_lines *over = &fresh->items[i].over;
        for (size_t k = 0; k < over->count; k++)
            if (find_rule(fresh, over->items[k]) == NULL && find_rule(old, over->items[k]) == NULL)
                return cj__yaml_fail(yaml, cj__yaml_get(map, "over"), err,
                                     "there is no rule '%s'; expected the name of a rule",
                                     over->items[k]);
    }
    return CJ_OK;
}

static cj_status read_healthy(const cj__yaml *yaml, const cj__yaml_node *map, cj_rules *fresh,
                              cj_error *err)
{
    cj_status status = cj__yaml_expect(yaml, map, CJ__YAML_MAP, "healthy", err);
    for (const cj__yaml_node *node = map->child; status == CJ_OK && node; node = node->next) {
        if (!cj_reserve((void **)&fresh->healthy, &fresh->healthy_capacity, fresh->healthy_count,
                        sizeof(cj__condition)))
            return cj_fail_memory(err);
        status = cj__condition_read(yaml, node, &fresh->healthy[fresh->healthy_count], err);
        fresh->healthy_count += status == CJ_OK ? 1 : 0;
    }
    return status;
}

static cj_status read_retired(const cj__yaml *yaml, const cj__yaml_node *list, cj_rules *fresh,
                              cj_error *err)
{
    cj_status status = cj__yaml_expect(yaml, list, CJ__YAML_LIST, "retired", err);
    if (status == CJ_OK && list->count > RETIRED_MOST)
        return cj__yaml_fail(yaml, list, err, "more than %d retired numbers", RETIRED_MOST);
    for (const cj__yaml_node *node = list->child; status == CJ_OK && node; node = node->next) {
        if (!cj_reserve((void **)&fresh->retired, &fresh->retired_capacity, fresh->retired_count,
                        sizeof(long)))
            return cj_fail_memory(err);
        status = read_whole(yaml, node, &fresh->retired[fresh->retired_count], err);
        fresh->retired_count += status == CJ_OK ? 1 : 0;
    }
    return status;
}

static cj_status read_file(const cj__yaml *yaml, const cj_rules *old, cj_rules *fresh,
                           cj_error *err)
{
    static const char *const keys[] = {"rules", "healthy", "unexplained", "retired", NULL};
    const cj__yaml_node *list, *node;
    fresh->unexplained = NAN;
    cj_status status = cj__yaml_keys(yaml, yaml->root, keys, "a rules file", err);
    if (status == CJ_OK)
        status = cj__yaml_need(yaml, yaml->root, "rules", &list, err);
    if (status == CJ_OK && (node = cj__yaml_get(yaml->root, "retired")) != NULL)
        status = read_retired(yaml, node, fresh, err);
    if (status == CJ_OK && (node = cj__yaml_get(yaml->root, "unexplained")) != NULL)
        status = read_weight(yaml, node, &fresh->unexplained, err);
    if (status == CJ_OK && (node = cj__yaml_get(yaml->root, "healthy")) != NULL)
        status = read_healthy(yaml, node, fresh, err);
    if (status == CJ_OK)
        status = read_rules(yaml, list, old, fresh, err);
    return status == CJ_OK ? check_over(yaml, list, old, fresh, err) : status;
}

/* ---- joining them to the rules there are ---- */

/* Makes room for more elements, so that the move that follows cannot fail half way. */
static bool make_room(void **items, size_t *capacity, size_t wanted, size_t size)
{
    if (wanted <= *capacity)
        return true;
    void *grown = cj_resize(*items, wanted, size);
    if (grown == NULL)
        return false;
    *items = grown;
    *capacity = wanted;
    return true;
}

static cj__condition *find_healthy(const cj_rules *rules, const cj__fact *fact)
{
    for (size_t i = 0; i < rules->healthy_count; i++)
        if (rules->healthy[i].fact.what == fact->what &&
            rules->healthy[i].fact.scope == fact->scope)
            return &rules->healthy[i];
    return NULL;
}

static void move_all(cj_rules *rules, cj_rules *fresh)
{
    for (size_t i = 0; i < fresh->count; i++) {
        cj__rule *old = find_rule(rules, fresh->items[i].name);
        if (old == NULL)
            old = &rules->items[rules->count++];
        else
            clear_rule(old);
        *old = fresh->items[i];
    }
    fresh->count = 0;
    for (size_t i = 0; i < fresh->healthy_count; i++) {
        cj__condition *old = find_healthy(rules, &fresh->healthy[i].fact);
        *(old ? old : &rules->healthy[rules->healthy_count++]) = fresh->healthy[i];
    }
    for (size_t i = 0; i < fresh->retired_count; i++)
        rules->retired[rules->retired_count++] = fresh->retired[i];
    if (!isnan(fresh->unexplained))
        rules->unexplained = fresh->unexplained;
}

static cj_status join(cj_rules *rules, cj_rules *fresh, cj_error *err)
{
    if (!make_room((void **)&rules->items, &rules->capacity, rules->count + fresh->count,
                   sizeof(cj__rule)) ||
        !make_room((void **)&rules->healthy, &rules->healthy_capacity,
                   rules->healthy_count + fresh->healthy_count, sizeof(cj__condition)) ||
        !make_room((void **)&rules->retired, &rules->retired_capacity,
                   rules->retired_count + fresh->retired_count, sizeof(long)))
        return cj_fail_memory(err);
    move_all(rules, fresh);
    return CJ_OK;
}

static cj_status add_tree(cj_rules *rules, const cj__yaml *yaml, cj_error *err)
{
    cj_rules *fresh = NULL;
    cj_status status = cj__rules_new(&fresh, err);
    if (status == CJ_OK)
        status = read_file(yaml, rules, fresh, err);
    if (status == CJ_OK)
        status = join(rules, fresh, err);
    cj_rules_free(fresh);
    return status;
}

cj_status cj_rules_add(cj_rules *rules, const char *path, cj_error *err)
{
    cj__yaml *yaml = NULL;
    cj_status status = cj__yaml_read(path, &yaml, err);
    if (status == CJ_OK)
        status = add_tree(rules, yaml, err);
    cj__yaml_free(yaml);
    return status;
}

cj_status cj_rules_add_text(cj_rules *rules, const char *name, const char *text, size_t length,
                            cj_error *err)
{
    cj__yaml *yaml = NULL;
    cj_status status = cj__yaml_read_text(name, text, length, &yaml, err);
    if (status == CJ_OK)
        status = add_tree(rules, yaml, err);
    cj__yaml_free(yaml);
    return status;
}

cj_status cj_rules_builtin(cj_rules **out, cj_error *err)
{
    cj_rules *rules = NULL;
    *out = NULL;
    cj_status status = cj__rules_new(&rules, err);
    if (status == CJ_OK)
        status =
            cj_rules_add_text(rules, "bench.yaml", cj__bench_rules, cj__bench_rules_length, err);
    if (status == CJ_OK)
        *out = rules;
    else
        cj_rules_free(rules);
    return status;
}
