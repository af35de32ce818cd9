/* SPDX-License-Identifier: MIT */
/* For LD_PRELOAD: a disk that needs longer for a sync than a guard may be silent. */
#include <dlfcn.h>
#include <time.h>

int fsync(int fd);

int fsync(int fd)
{
    int (*next)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
    struct timespec long_time = {0, 800 * 1000000L};
    nanosleep(&long_time, NULL);
    return next(fd);
}
