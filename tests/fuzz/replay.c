/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Runs a fuzz target over files, or over all files of folders: the corpus as an ordinary test. */
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static int replay_file(const char *path)
{
    FILE *file = fopen(path, "rb");
    struct stat status;
    if (file == NULL || fstat(fileno(file), &status) != 0) {
        fprintf(stderr, "cannot open %s\n", path);
        return -1;
    }
    size_t size = (size_t)status.st_size;
    uint8_t *bytes = malloc(size ? size : 1); /* just that size, so that a read beyond it is seen */
    int done = bytes != NULL && fread(bytes, 1, size, file) == size ? 1 : -1;
    fclose(file);
    if (done == 1)
        LLVMFuzzerTestOneInput(bytes, size);
    free(bytes);
    return done;
}

/* How many files were run, -1 where one could not be. */
static int replay(const char *path)
{
    struct stat status;
    if (stat(path, &status) != 0) {
        fprintf(stderr, "no such file: %s\n", path);
        return -1;
    }
    if (!S_ISDIR(status.st_mode))
        return replay_file(path);
    DIR *folder = opendir(path);
    struct dirent *entry;
    int count = 0;
    while (folder != NULL && count >= 0 && (entry = readdir(folder)) != NULL) {
        char inside[4096];
        if (entry->d_name[0] == '.')
            continue;
        snprintf(inside, sizeof inside, "%s/%s", path, entry->d_name);
        int more = replay(inside);
        count = more < 0 ? -1 : count + more;
    }
    if (folder != NULL)
        closedir(folder);
    return folder != NULL ? count : -1;
}

int main(int count, char **arguments)
{
    int total = 0;
    for (int i = 1; i < count; i++) {
        int more = replay(arguments[i]);
        if (more < 0)
            return 1;
        total += more;
    }
    printf("%d inputs\n", total);
    return total > 0 ? 0 : 1; /* a corpus that is not found tests nothing */
}
