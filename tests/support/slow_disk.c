/* SPDX-License-Identifier: MIT */
/* For LD_PRELOAD: a disk that needs longer than a guard may be silent, for a sync and for every name that is made, moved
 * or removed. */
#include <dlfcn.h>
#include <stdio.h>
#include <time.h>
#include <unistd.h>

static void take_long(void)
{
    struct timespec long_time = {0, 800 * 1000000L};
    nanosleep(&long_time, NULL);
}

int fsync(int fd)
{
    int (*next)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
    take_long();
    return next(fd);
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
