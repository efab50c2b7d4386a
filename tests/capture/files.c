/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "files.h"
#include "check.h"

#include <dirent.h>
#include <fcntl.h>
#include <sndfile.h>
#include <sys/wait.h>
#include <unistd.h>

static char folder[512];
static int descriptors;

static int open_descriptors(void)
{
    int count = 0;
    for (int fd = 0; fd < 4096; fd++)
        count += fcntl(fd, F_GETFD) >= 0;
    return count;
}

int files_begin(void **state)
{
    (void)state;
    const char *where = getenv("TMPDIR");
    snprintf(folder, sizeof folder, "%s/coldjoint-test-XXXXXX",
             where && where[0] ? where : P_tmpdir);
    descriptors = open_descriptors();
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
    int left = open_descriptors() - descriptors;
    if (left != 0)
        print_error("%d files left open\n", left);
    return rmdir(folder) != 0 || left != 0 ? -1 : 0;
}

const char *files_path(const char *name)
{
    static char paths[32][1024];
    static unsigned next;
    char *path = paths[next++ % 32];
    snprintf(path, sizeof paths[0], "%s/%s", folder, name);
    return path;
}

const char *files_bytes(const char *name, const void *bytes, size_t size)
{
    const char *path = files_path(name);
    unlink(path); /* truncating a file makes some file systems write it out at once */
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
    unlink(path);
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
    unlink(path);
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

double files_ramp(size_t k, int c)
{
    return ((double)k - 1000 + 10000 * c) / 1000;
}

double files_sine(size_t k, int c)
{
    return 0.5 * sin(2 * 3.14159265358979323846 * ((double)k / 100 + c / 4.0));
}

cj_capture *files_opened_at(const char *name, const cj_capture_options *options, const char *file,
                            int line)
{
    cj_error err = {0};
    cj_capture *capture = NULL;
    if (cj_capture_open(name, options, &capture, &err) != CJ_OK) {
        print_error("%s: %s: %s\n", name, err.file, err.message);
        _fail(file, line);
    }
    return capture;
}

void check_refused(const char *name, const cj_capture_options *options, cj_status status,
                   const char *file, const char *part)
{
    cj_error err = {0};
    cj_capture *capture = NULL;
    cj_status got = cj_capture_open(name, options, &capture, &err);
    bool named = file == NULL || strcmp(err.file, file) == 0;
    if (got != status || err.status != got || capture != NULL || !named ||
        strchr(err.message, '\n') != NULL || strstr(err.message, part) == NULL)
        fail_msg("%s: status %d (%s: %s), wanted %d (%s: %s)", name, (int)got, err.file,
                 err.message, (int)status, file ? file : "any", part);
}

cj_status files_use(void *name, cj_error *err)
{
    double got[2][64];
    char hex[65];
    cj_capture *capture = NULL;
    cj_status status = cj_capture_open(name, NULL, &capture, err);
    if (status == CJ_OK)
        status = cj_capture_read(capture, 0, 64, (double *const[2]){got[0], got[1]}, err);
    if (status == CJ_OK)
        status = cj_capture_digest(capture, 0, hex, err);
    cj_capture_free(capture);
    return status;
}

bool files_noted(const cj_capture *capture, const char *part)
{
    const cj_lines *notes = cj_capture_about(capture)->notes;
    for (size_t i = 0; i < notes->count; i++)
        if (strstr(notes->items[i], part) != NULL)
            return true;
    return false;
}

int files_feed(const char *path, pid_t *writer)
{
    size_t size = 0;
    unsigned char *bytes = files_load(path, &size);
    int ends[2], old = dup(STDIN_FILENO);
    assert_int_equal(pipe(ends), 0);
    *writer = fork();
    if (*writer == 0) {
        close(ends[0]);
        for (size_t done = 0; done < size;) { /* in odd pieces */
            ssize_t put = write(ends[1], bytes + done, size - done < 777 ? size - done : 777);
            if (put <= 0)
                _exit(1);
            done += (size_t)put;
        }
        _exit(0);
    }
    close(ends[1]);
    assert_int_equal(dup2(ends[0], STDIN_FILENO), STDIN_FILENO);
    close(ends[0]);
    free(bytes);
    return old;
}

void files_unfeed(int old, pid_t writer)
{
    assert_int_equal(dup2(old, STDIN_FILENO), STDIN_FILENO);
    close(old);
    assert_int_equal(waitpid(writer, NULL, 0), writer);
}
