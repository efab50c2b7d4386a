/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * Real exports, where they lie beside the project (../shared/captures): each must read to what its
 * expected.json says, a script's answer for that one form.
 */
#include "check.h"
#include "scope_tests.h"

#include <jansson.h>
#include <sys/stat.h>

cj__scope *read_scope_text(const char *text, size_t length, cj_error *error)
{
    /* a copy of just that size: a read beyond it is seen */
    char *copy = cj_new(length ? length : 1, 1);
    assert_non_null(copy);
    memcpy(copy, text, length);
    cj__scope *scope = NULL;
    cj_status status = cj__scope_read("text", copy, length, NULL, &scope, error);
    assert_int_equal(status == CJ_OK, scope != NULL);
    cj_free(copy);
    return scope;
}

static char *load(const char *path, size_t *length)
{
    FILE *file = fopen(path, "rb");
    struct stat status;
    if (file == NULL || fstat(fileno(file), &status) != 0)
        fail_msg("cannot open %s", path);
    *length = (size_t)status.st_size;
    char *bytes = cj_new(*length ? *length : 1, 1);
    assert_non_null(bytes);
    if (fread(bytes, 1, *length, file) != *length)
        fail_msg("cannot read %s", path);
    fclose(file);
    return bytes;
}

cj__scope *read_scope(const char *path, const cj_capture_options *options, cj_error *error)
{
    size_t length;
    char *bytes = load(path, &length);
    cj__scope *scope = NULL;
    cj_status status = cj__scope_read(path, bytes, length, options, &scope, error);
    assert_int_equal(status == CJ_OK, scope != NULL);
    cj_free(bytes);
    return scope;
}

/* The two files whose expected.json goes beyond what the file says: a unit it does not state is
 * "?". */
static const char *unit_wanted(const char *file, const char *expected)
{
    if (strncmp(file, "d49_", 4) == 0 || strncmp(file, "d60_", 4) == 0)
        return "?";
    return expected;
}

static double number_of(json_t *object, const char *key)
{
    json_t *value = json_object_get(object, key);
    return json_is_number(value) ? json_number_value(value) : NAN;
}

static void check_channel(const char *file, json_t *expected, const cj__scope *scope, int k)
{
    const double *v = scope->values[k];
    double sum = 0, least = INFINITY, most = -INFINITY;
    size_t valid = 0;
    for (size_t i = 0; i < scope->samples; i++) {
        if (isnan(v[i]))
            continue;
        valid++;
        sum += v[i];
        least = fmin(least, v[i]);
        most = fmax(most, v[i]);
    }
    double size = fmax(fabs(least), fabs(most)) * 1e-12;
    if (json_is_null(json_object_get(expected, "first")))
        assert_true(isnan(v[0]));
    else
        check_close(file, v[0], number_of(expected, "first"), size);
    check_close(file, v[scope->samples - 1], number_of(expected, "last"), size);
    check_close(file, least, number_of(expected, "min"), size);
    check_close(file, most, number_of(expected, "max"), size);
    check_close(file, sum / (double)valid, number_of(expected, "mean"), 10 * size);
    assert_int_equal(valid, (size_t)number_of(expected, "n_valid"));
    assert_int_equal(scope->channels[scope->selected[k]].gaps, scope->samples - valid);
}

static void check_capture(const char *folder, const char *file, json_t *expected)
{
    char path[512];
    snprintf(path, sizeof path, "%s/%s", folder, file);
    cj_error error = {0};
    cj__scope *scope = read_scope(path, NULL, &error);
    if (json_is_true(json_object_get(expected, "refuse"))) {
        assert_null(scope);
        assert_int_equal(error.status, CJ_DATA);
        assert_true(strlen(error.message) > 20);
        return;
    }
    if (scope == NULL)
        fail_msg("%s: line %ld: %s", file, error.line, error.message);
    json_t *channels = json_object_get(expected, "channels");
    assert_int_equal(scope->samples, (size_t)number_of(expected, "n_samples"));
    assert_int_equal(scope->channel_count, (int)number_of(expected, "n_channels"));
    assert_int_equal(scope->channel_count, (int)json_array_size(channels));
    check_ratio(file, scope->rate_hz, number_of(expected, "sample_rate_hz"),
                number_of(expected, "rate_tol_rel"));
    double first = number_of(expected, "t_first_s");
    check_close(file, scope->start_s, first, fabs(first) * 1e-12);
    for (int i = 0; i < scope->channel_count; i++) {
        json_t *channel = json_array_get(channels, (size_t)i);
        const char *name = json_string_value(json_object_get(channel, "name"));
        const char *unit = json_string_value(json_object_get(channel, "unit"));
        if (strcmp(scope->channels[i].name, name) != 0 ||
            strcmp(scope->channels[i].unit, unit_wanted(file, unit)) != 0)
            fail_msg("%s: channel %d is %s in %s, want %s in %s", file, i + 1,
                     scope->channels[i].name, scope->channels[i].unit, name,
                     unit_wanted(file, unit));
        /* each channel in turn, whatever the default is */
        cj__scope *one = read_scope(path, &(cj_capture_options){.channels = {i + 1, 0}}, &error);
        assert_non_null(one);
        check_channel(file, channel, one, 0);
        cj__scope_free(one);
    }
    for (int k = 0; k < scope->selected_count; k++)
        check_channel(file, json_array_get(channels, (size_t)scope->selected[k]), scope, k);
    cj__scope_free(scope);
}

void test_shared_captures(void **state)
{
    (void)state;
    const char *folder = SOURCE_ROOT "/../shared/captures";
    char path[512];
    snprintf(path, sizeof path, "%s/expected.json", folder);
    json_error_t wrong;
    json_t *all = json_load_file(path, 0, &wrong);
    if (all == NULL) {
        print_message("no captures beside the project (%s): not tested\n", path);
        skip();
        return;
    }
    const char *file;
    json_t *expected;
    json_object_foreach(all, file, expected) check_capture(folder, file, expected);
    assert_true(json_object_size(all) > 0);
    json_decref(all);
}
