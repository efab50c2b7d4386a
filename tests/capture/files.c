/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "files.h"
#include "check.h"

#include <dirent.h>
#include <sndfile.h>
#include <unistd.h>

static char folder[512];

int files_begin(void **state)
{
    (void)state;
    const char *where = getenv("TMPDIR");
    snprintf(folder, sizeof folder, "%s/coldjoint-test-XXXXXX",
             where && where[0] ? where : P_tmpdir);
    return mkdtemp(folder) == NULL ? -1 : 0;
}

int files_end(void **state)
{
    (void)state;
    DIR *listing = opendir(folder);
    if (listing == NULL)
        return -1;
    for (struct dirent *entry; (entry = readdir(listing)) != NULL;) {
        const char *path = files_path(entry->d_name);
        if (strcmp(entry->d_name, ".") != 0 && strcmp(entry->d_name, "..") != 0 &&
            unlink(path) != 0)
            rmdir(path);
    }
    closedir(listing);
    return rmdir(folder);
}

const char *files_path(const char *name)
{
    static char paths[8][1024];
    static unsigned next;
    char *path = paths[next++ % 8];
    snprintf(path, sizeof paths[0], "%s/%s", folder, name);
    return path;
}

const char *files_bytes(const char *name, const void *bytes, size_t size)
{
    const char *path = files_path(name);
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, size, file), size);
    assert_int_equal(fclose(file), 0);
    return path;
}

const char *files_text(const char *name, const char *text)
{
    return files_bytes(name, text, strlen(text));
}

unsigned char *files_load(const char *path, size_t *size)
{
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    assert_int_equal(fseek(file, 0, SEEK_END), 0);
    *size = (size_t)ftell(file);
    rewind(file);
    unsigned char *bytes = malloc(*size + 1);
    assert_non_null(bytes);
    assert_int_equal(fread(bytes, 1, *size, file), *size);
    fclose(file);
    return bytes;
}

const char *files_audio(const char *name, const files_sound *sound)
{
    const char *path = files_path(name);
    SF_INFO info = {
        .format = sound->format, .channels = sound->channels, .samplerate = sound->rate};
    if (!sf_format_check(&info))
        return NULL;
    SNDFILE *file = sf_open(path, SFM_WRITE, &info);
    if (file == NULL)
        return NULL;
    double frame[16];
    assert_true(sound->channels <= 16);
    for (size_t k = 0; k < sound->samples; k++) {
        for (int c = 0; c < sound->channels; c++)
            frame[c] = sound->value(k, c);
        assert_int_equal(sf_writef_double(file, frame, 1), 1);
    }
    assert_int_equal(sf_close(file), 0);
    return path;
}

const char *files_scope(const char *name, const files_csv *csv)
{
    const char *path = files_path(name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fprintf(file, "Time (s)");
    for (int c = 0; c < csv->channels; c++)
        fprintf(file, ",CH%d (V)", c + 1);
    for (size_t k = 0; k < csv->samples; k++) {
        fprintf(file, "\n%.9e", csv->start + (double)k / csv->rate);
        for (int c = 0; c < csv->channels; c++)
            fprintf(file, ",%.9g", csv->value(k, c));
    }
    fprintf(file, "\n");
    assert_int_equal(fclose(file), 0);
    return path;
}

double files_code(size_t k, int c)
{
    return ((double)((k * 7 + (size_t)c * 4001) % 30011) - 15000) / 32768;
}

double files_sine(size_t k, int c)
{
    return 0.5 * sin(2 * 3.14159265358979323846 * ((double)k / 100 + c / 4.0));
}
