/* SPDX-License-Identifier: MIT */
/* The seeds through a fuzz target, where there is no libFuzzer: every file named, and every file of a folder named. */
#include <dirent.h>
#include <sys/stat.h>

#include "fuzz.h"

static int replayed;

static void replay(const char *path)
{
    FILE *file = fopen(path, "rb");
    struct stat status;
    if (!file || fstat(fileno(file), &status) != 0) {
        perror(path);
        exit(1);
    }
    size_t size = (size_t)status.st_size;
    uint8_t *data = malloc(size); /* no longer than it is, so that a look past its end is seen */
    if (size > 0 && (!data || fread(data, 1, size, file) != size)) {
        perror(path);
        exit(1);
    }
    fclose(file);
    LLVMFuzzerTestOneInput(data, size);
    free(data);
    replayed++;
}

static void replay_folder(const char *path, DIR *folder)
{
    for (struct dirent *entry; (entry = readdir(folder));) {
        char whole[1024];
        struct stat status;
        snprintf(whole, sizeof whole, "%s/%s", path, entry->d_name);
        if (stat(whole, &status) == 0 && S_ISREG(status.st_mode))
            replay(whole);
    }
}

int main(int count, char **argument)
{
    for (int i = 1; i < count; i++) {
        DIR *folder = opendir(argument[i]);
        if (folder) {
            replay_folder(argument[i], folder);
            closedir(folder);
        } else {
            replay(argument[i]);
        }
    }
    printf("%d seeds\n", replayed);
    return replayed > 0 ? 0 : 1;
}
