/* SPDX-License-Identifier: MIT */
/* For LD_PRELOAD: a disk on which nothing is left once the file named by FULL_DISK is there: a write goes as far as a
 * small file has room set aside; what a file system keeps ready for one that grows is taken. */
#include <dlfcn.h>
#include <errno.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

enum { SMALL = 8192 };

ssize_t write(int fd, const void *from, size_t length)
{
    ssize_t (*next)(int, const void *, size_t) =
        (ssize_t(*)(int, const void *, size_t))dlsym(RTLD_NEXT, "write");
    const char *full = getenv("FULL_DISK");
    struct stat file;
    if (!full || access(full, F_OK) != 0 || fstat(fd, &file) != 0 || !S_ISREG(file.st_mode))
        return next(fd, from, length);
    off_t at = lseek(fd, 0, SEEK_CUR), room = file.st_blocks * 512 - at;
    if (room <= 0 || file.st_size > SMALL) {
        errno = ENOSPC;
        return -1;
    }
    return next(fd, from, length < (size_t)room ? length : (size_t)room);
}
