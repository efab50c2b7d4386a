/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The strict YAML reader that rules, instruments and board files share. */
#include "check.h"

#include "base/yaml.h"

static cj_status read_text(const char *text, cj__yaml **out, cj_error *err)
{
    return cj__yaml_read_text("some.yaml", text, strlen(text), out, err);
}

static void everything_is_text_with_its_place(void **state)
{
    (void)state;
    cj__yaml *yaml = NULL;
    assert_int_equal(read_text("name: 007\nswitch: off\nlist: [1, \xc2\xb5, 'it''s']\n"
                               "inner:\n  deep: {a: ~}\n  empty:\n",
                               &yaml, NULL),
                     CJ_OK);
    assert_string_equal(cj__yaml_get(yaml->root, "name")->text, "007");
    assert_string_equal(cj__yaml_get(yaml->root, "switch")->text, "off");
    const cj__yaml_node *list = cj__yaml_get(yaml->root, "list");
    assert_int_equal(list->kind, CJ__YAML_LIST);
    assert_int_equal(list->count, 3);
    assert_string_equal(list->child->next->next->text, "it's");
    assert_true(list->child->next->next->quoted);
    /* columns count characters: the micro sign is two bytes, one column */
    assert_int_equal(list->child->next->next->line, 3);
    assert_int_equal(list->child->next->next->column, 14);
    const cj__yaml_node *inner = cj__yaml_get(yaml->root, "inner");
    assert_string_equal(cj__yaml_get(cj__yaml_get(inner, "deep"), "a")->text, "~");
    assert_string_equal(cj__yaml_get(inner, "empty")->text, "");
    assert_int_equal(cj__yaml_get(inner, "deep")->key_line, 5);
    assert_int_equal(cj__yaml_get(inner, "deep")->key_column, 3);
    assert_null(cj__yaml_get(inner, "absent"));
    assert_null(cj__yaml_get(list, "absent"));
    assert_null(cj__yaml_get(NULL, "absent"));
    cj__yaml_free(yaml);
    cj__yaml_free(NULL);
    assert_int_equal(read_text("\xef\xbb\xbf"
                               "a: 1\r\nb: 2\r\n",
                               &yaml, NULL),
                     CJ_OK);
    assert_int_equal(yaml->root->count, 2);
    cj__yaml_free(yaml);
}

static void what_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        long line, column;
        const char *says;
    } cases[] = {
        {"", 1, 1, "nothing in this file"},
        {"# only a remark\n", 1, 1, "nothing in this file"},
        {"a: 1\nb: 2\na: 3\n", 3, 1, "at 'a:': key given twice, first in line 1"},
        {"a: {b: 1, b: 2}\n", 1, 11, "key given twice"},
        {"a: 1\n---\nb: 2\n", 2, 1, "second document"},
        {"a: &x 1\n", 1, 4, "at '&x': aliases are not used here"},
        {"a: *x\n", 1, 4, "aliases are not used here"},
        {"- &a [*a]\n", 1, 3, "aliases are not used here"},
        {"a: !!str 1\n", 1, 4, "tags are not used here"},
        {"? [a, b]\n: c\n", 1, 3, "cannot be a key"},
        {"'': c\n", 1, 1, "empty key"},
        {"a: [1, 2\nb: 3\n", 2, 2, "expected a comma or the closing ]"},
        {"a: {b: 1\n", 2, 1, "expected a comma or the closing }"},
        {"a: b: c\n", 1, 5, "no value can begin here"},
        {"a:\n\tb: c\n", 2, 1, "indent with spaces"},
        {"a: 1\n b: 2\n", 2, 3, "no value can begin here"},
        {"a:\n  b: 1\n c: 2\n", 3, 2, "expected key: value in line with the keys above"},
        {"a: \"half\n", 2, 1, "a quote is opened and never closed"},
        {"a: @b\n", 1, 4, "at '@b': nothing can begin with this character"},
        {"a: \"\\0\"\n", 1, 4, "NUL"},
        {"\"a\\0\": 1\n", 1, 1, "NUL"},
        {"a: caf\xe9\n", 1, 7, "byte 0xE9 is not UTF-8"},
        {"a: \xc0\xaf\n", 1, 4, "not UTF-8"},
        {"a: \xed\xa0\x80\n", 1, 4, "not UTF-8"},
        {"a: \xf4\x90\x80\x80\n", 1, 4, "not UTF-8"},
        {"a: \xe2\x82", 1, 4, "not UTF-8"},
        {"\xff\xfe"
         "a",
         1, 1, "not UTF-8"},
        {"a: x\x01\n", 1, 5, "a control character (0x01)"},
        {"a: 1\nb: \x7f\n", 2, 4, "a control character (0x7F)"},
        {"a: \xc2\x80\n", 1, 4, "a control character"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj__yaml *yaml = (cj__yaml *)1;
        cj_error err = {0};
        if (read_text(cases[i].text, &yaml, &err) != CJ_DATA)
            fail_msg("case %zu was read", i);
        assert_null(yaml);
        check_holds(cases[i].text, err.message, cases[i].says);
        assert_string_equal(err.file, "some.yaml");
        if (err.line != cases[i].line || err.column != cases[i].column)
            fail_msg("case %zu: at %ld:%ld, not %ld:%ld (%s)", i, err.line, err.column,
                     cases[i].line, cases[i].column, err.message);
    }
    cj_error err = {0};
    cj__yaml *yaml = NULL;
    assert_int_equal(cj__yaml_read_text("some.yaml", "a: \0b", 5, &yaml, &err), CJ_DATA);
    check_holds("NUL", err.message, "a NUL byte");
    assert_int_equal(err.column, 4);
}

/* count times `part`, between `before` and `after` */
static char *repeated(const char *before, const char *part, size_t count, const char *after)
{
    cj_text text = {0};
    cj_text_add(&text, "%s", before);
    for (size_t i = 0; i < count; i++)
        cj_text_add(&text, "%s", part);
    cj_text_add(&text, "%s", after);
    assert_false(text.failed);
    return text.bytes;
}

static void sizes_are_limited(void **state)
{
    (void)state;
    static const struct {
        const char *before, *part, *says;
        size_t count;
        cj_status status;
    } cases[] = {
        {"a: ", "[", "nested deeper than 40", 40, CJ_DATA},
        {"a: ", "[", "nested deeper than 40", 100000, CJ_DATA},
        {"a: ", "{b: ", "nested deeper than 40", 100000, CJ_DATA},
        {"", "- ", "nested deeper than 40", 100000, CJ_DATA},
        {"- ", "1\n- ", "more than 200000 values", 200000, CJ_DATA},
        {"a: ", "0123456789abcdef", "more than 8 MiB", (8 << 16) + 1, CJ_DATA},
        {"- ", "1\n- ", "", 199998, CJ_OK},
        {"a: ", "0123456789abcdef", "", 8 << 15, CJ_OK},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char *text = repeated(cases[i].before, cases[i].part, cases[i].count, "");
        cj__yaml *yaml = NULL;
        cj_error err = {0};
        if (read_text(text, &yaml, &err) != cases[i].status)
            fail_msg("case %zu: %s", i, err.message);
        check_holds(cases[i].part, err.message, cases[i].says);
        cj__yaml_free(yaml);
        cj_free(text);
    }
    char *deep = repeated("", "[", 40, "]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]");
    cj__yaml *yaml = NULL;
    assert_int_equal(read_text(deep, &yaml, NULL), CJ_OK);
    cj__yaml_free(yaml);
    cj_free(deep);
}

static void many_keys_are_refused(void **state)
{
    (void)state;
    cj_text text = {0};
    for (int i = 0; i < 1001; i++)
        cj_text_add(&text, "k%d: v\n", i);
    cj__yaml *yaml = NULL;
    cj_error err = {0};
    assert_int_equal(read_text(text.bytes, &yaml, &err), CJ_DATA);
    check_holds("keys", err.message, "more than 1000 keys");
    assert_int_equal(err.line, 1001);
    cj_text_free(&text);
}

static void files_that_cannot_be_read(void **state)
{
    (void)state;
    cj__yaml *yaml = NULL;
    cj_error err = {0};
    assert_int_equal(cj__yaml_read("does/not/exist.yaml", &yaml, &err), CJ_NOINPUT);
    check_holds("absent", err.message, "no such file");
    assert_int_equal(cj__yaml_read(FIXTURES, &yaml, &err), CJ_DATA);
    check_holds("folder", err.message, "a directory");
    assert_null(yaml);
}

static void questions_name_the_place(void **state)
{
    (void)state;
    static const char *const keys[] = {"gain", "skew", "offset", NULL};
    cj__yaml *yaml = NULL;
    cj_error err = {0};
    assert_int_equal(
        read_text("gian: 1%\nskew: 20x\noffset: maybe\nlist: [a]\nnone:\n", &yaml, &err), CJ_OK);
    assert_int_equal(cj__yaml_keys(yaml, yaml->root, keys, "the capture", &err), CJ_DATA);
    assert_string_equal(err.message, "unknown key 'gian' in the capture; did you mean 'gain'?");
    assert_int_equal(err.line, 1);
    double value = 42;
    assert_int_equal(cj__yaml_quantity(yaml, cj__yaml_get(yaml->root, "gian"), "", &value, &err),
                     CJ_OK);
    check_close("1%", value, 0.01, 0);
    value = 42;
    assert_int_equal(cj__yaml_quantity(yaml, cj__yaml_get(yaml->root, "skew"), "s", &value, &err),
                     CJ_DATA);
    check_holds("skew", err.message, "'20x' is no quantity in s");
    assert_true(err.line == 2 && err.column == 7 && value == 42);
    bool flag = false;
    assert_int_equal(cj__yaml_bool(yaml, cj__yaml_get(yaml->root, "offset"), &flag, &err), CJ_DATA);
    check_holds("bool", err.message, "'maybe' given; expected true or false");
    const char *text = NULL;
    assert_int_equal(cj__yaml_text(yaml, cj__yaml_get(yaml->root, "list"), &text, &err), CJ_DATA);
    check_holds("list", err.message, "a list given for list; expected text");
    assert_int_equal(cj__yaml_text(yaml, cj__yaml_get(yaml->root, "none"), &text, &err), CJ_DATA);
    check_holds("none", err.message, "nothing given for none");
    const cj__yaml_node *node = NULL;
    assert_int_equal(cj__yaml_need(yaml, yaml->root, "rules", &node, &err), CJ_DATA);
    check_holds("need", err.message, "the key 'rules' is missing");
    cj__yaml_free(yaml);
}

static void the_nearest_word(void **state)
{
    (void)state;
    static const char *const known[] = {"gain_db", "phase_deg", "polarity", "dc_v", "to", NULL};
    static const struct {
        const char *word, *meant;
    } cases[] = {
        {"gain_dB", "gain_db"},
        {"gian_db", "gain_db"},
        {"phase", "phase_deg"},
        {"dcv", "dc_v"},
        {"ot", "to"},
        {"colour", NULL},
        {"x", NULL},
        {"polarty", "polarity"},
        {"", NULL},
        {"averyveryveryveryveryveryveryverylongwordindeed", NULL},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const char *got = cj__nearest(cases[i].word, known);
        if ((got == NULL) != (cases[i].meant == NULL) || (got && strcmp(got, cases[i].meant) != 0))
            fail_msg("'%s': nearest %s, want %s", cases[i].word, got ? got : "none",
                     cases[i].meant ? cases[i].meant : "none");
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(everything_is_text_with_its_place),
        cmocka_unit_test(what_is_refused),
        cmocka_unit_test(sizes_are_limited),
        cmocka_unit_test(many_keys_are_refused),
        cmocka_unit_test(files_that_cannot_be_read),
        cmocka_unit_test(questions_name_the_place),
        cmocka_unit_test(the_nearest_word),
    };
    return cmocka_run_group_tests_name("base/yaml", tests, NULL, NULL);
}
