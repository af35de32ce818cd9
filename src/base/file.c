/* SPDX-License-Identifier: MIT */
#include "tinlatch/file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static int refuse(struct tl_error *error, const char *path, const char *why)
{
    tl_error_set(error, TL_FILE, "%s", why);
    tl_error_at(error, path, 0);
    return TL_FILE;
}

/* Until the end or `size` bytes; -1 with errno set. */
static ssize_t read_all(int fd, char *to, size_t size)
{
    size_t had = 0;
    while (had < size) {
        ssize_t n = read(fd, to + had, size - had);
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0)
            return -1;
        if (n == 0)
            break;
        had += (size_t)n;
    }
    return (ssize_t)had;
}

static int read_regular(int fd, const char *path, size_t max, char **text, size_t *length,
                        struct tl_error *error)
{
    struct stat st;
    if (fstat(fd, &st) != 0)
        return refuse(error, path, strerror(errno));
    if (!S_ISREG(st.st_mode))
        return refuse(error, path,
                      S_ISDIR(st.st_mode) ? "is a directory; a file is needed"
                                          : "is not a regular file");
    char *store = malloc(max + 2); /* one byte more than allowed, to see that there is more */
    if (!store)
        return refuse(error, path, strerror(ENOMEM));
    ssize_t n = read_all(fd, store, max + 1);
    if (n < 0 || (size_t)n > max) {
        int code = errno;
        free(store);
        if (n < 0)
            return refuse(error, path, strerror(code));
        tl_error_set(error, TL_FILE, "is longer than %zu bytes, more than such a file needs", max);
        tl_error_at(error, path, 0);
        return TL_FILE;
    }
    store[n] = '\0';
    *text = store;
    *length = (size_t)n;
    return 0;
}

int file_read(const char *path, size_t max, char **text, size_t *length, struct tl_error *error)
{
    /* Non-blocking: opening a pipe without a writer would wait for ever. */
    int fd = open(path, O_RDONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (fd < 0)
        return refuse(error, path, strerror(errno));
    int result = read_regular(fd, path, max, text, length, error);
    close(fd);
    return result;
}

static bool write_all(int fd, const char *from, size_t length)
{
    while (length > 0) {
        ssize_t n = write(fd, from, length);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0)
            return false;
        from += n;
        length -= (size_t)n;
    }
    return fsync(fd) == 0;
}

int file_write(const char *path, unsigned mode, const void *bytes, size_t length,
               struct tl_error *error)
{
    char part[FILE_PATH];
    if (snprintf(part, sizeof part, "%s.part", path) >= (int)sizeof part)
        return refuse(error, path, strerror(ENAMETOOLONG));
    unlink(
        part); /* what stands there under the name: a pipe would make us wait, a link lead elsewhere */
    int fd = open(part, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC | O_NOCTTY, mode);
    if (fd < 0)
        return refuse(error, path, strerror(errno));
    bool written = write_all(fd, bytes, length);
    int code = errno;
    if (close(fd) != 0 || !written || rename(part, path) != 0) {
        code = written ? errno : code;
        unlink(part);
        return refuse(error, path, strerror(code));
    }
    return 0;
}
