/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * scope_read FILE: reads a two-channel CSV, file into memory map included, and prints
 * "SECONDS ROWS BYTES_PER_ROW": processor time of the best of three readings, and the growth of the
 * peak resident size over that of the mapped file alone, which is what reading costs beyond the
 * file.
 */
#include "capture/scope.h"

#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

static double now(void)
{
    struct timespec time;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &time);
    return (double)time.tv_sec + 1e-9 * (double)time.tv_nsec;
}

static double peak_bytes(void)
{
    struct rusage usage;
    getrusage(RUSAGE_SELF, &usage);
    return 1024.0 * (double)usage.ru_maxrss;
}

/* Every page of the map once, so that the file itself stands in the peak before reading. */
static void touch(const char *bytes, size_t length)
{
    volatile unsigned sum = 0; /* volatile: the reading must happen */
    for (size_t i = 0; i < length; i += 512)
        sum = sum + (unsigned char)bytes[i];
}

static int read_once(const char *path, bool measure_memory, double *seconds, double *bytes_per_row,
                     size_t *rows)
{
    int file = open(path, O_RDONLY);
    struct stat status;
    if (file < 0 || fstat(file, &status) != 0)
        return 1;
    double start = now();
    size_t length = (size_t)status.st_size;
    char *bytes = mmap(NULL, length, PROT_READ, MAP_PRIVATE, file, 0);
    if (bytes == MAP_FAILED)
        return 1;
    if (measure_memory)
        touch(bytes, length);
    double before = peak_bytes();
    cj_error error = {0};
    cj__scope *scope = NULL;
    if (cj__scope_read(path, bytes, length, NULL, &scope, &error) != CJ_OK) {
        fprintf(stderr, "%s:%ld: %s\n", path, error.line, error.message);
        return 1;
    }
    *seconds = now() - start;
    *rows = scope->samples;
    if (measure_memory)
        *bytes_per_row = (peak_bytes() - before) / (double)scope->samples;
    cj__scope_free(scope);
    munmap(bytes, length);
    close(file);
    return 0;
}

/* A small reading first: code, heap and tables are there before memory is measured, so that what is
 * measured is the cost of rows. */
static int warm_up(void)
{
    cj_text text = {0};
    cj_error error = {0};
    cj__scope *scope = NULL;
    for (int n = 0; n < 40000; n++)
        cj_text_add(&text, "%d.0e-06,%d.5,%d.25\n", n, n % 251, n % 239);
    if (text.failed ||
        cj__scope_read("small", text.bytes, text.length, NULL, &scope, &error) != CJ_OK)
        return 1;
    cj__scope_free(scope);
    cj_text_free(&text);
    return 0;
}

int main(int count, char **arguments)
{
    double best = 1e9, seconds, bytes_per_row = 0;
    size_t rows = 0;
    if (count != 2)
        return 64;
    if (warm_up() != 0)
        return 1;
    for (int round = 0; round < 4; round++) {
        if (read_once(arguments[1], round == 0, &seconds, &bytes_per_row, &rows) != 0)
            return 1;
        if (round > 0 && seconds < best)
            best = seconds;
    }
    printf("%.6f %zu %.3f\n", best, rows, bytes_per_row);
    return 0;
}
