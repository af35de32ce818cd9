/* SPDX-License-Identifier: MIT */
/* For LD_PRELOAD: a disk that needs longer than a guard may be silent, for a sync and for every name that is made, moved
 * or removed. What it has synced is written, a line each, into the file named by SLOW_DISK_SYNCED. */
#include <dlfcn.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

static void take_long(void)
{
    struct timespec long_time = {0, 800 * 1000000L};
    nanosleep(&long_time, NULL);
}

static void tell_synced(int fd)
{
    const char *told = getenv("SLOW_DISK_SYNCED");
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    int to = told && length > 0 ? open(told, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600) : -1;
    if (to < 0)
        return;
    path[length] = '\n';
    (void)!write(to, path, (size_t)length + 1);
    close(to);
}

int fsync(int fd)
{
    int (*next)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
    take_long();
    int result = next(fd);
    tell_synced(fd);
    return result;
}

int link(const char *from, const char *to)
{
    int (*next)(const char *, const char *) =
        (int (*)(const char *, const char *))dlsym(RTLD_NEXT, "link");
    take_long();
    return next(from, to);
}

int rename(const char *from, const char *to)
{
    int (*next)(const char *, const char *) =
        (int (*)(const char *, const char *))dlsym(RTLD_NEXT, "rename");
    take_long();
    return next(from, to);
}
