/* SPDX-License-Identifier: MIT */
/* A descriptor for text that never makes its writer wait. */
#include "front_private.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

/* O_NONBLOCK belongs to the open file, which the shell and others share: open it anew where that can be
 * done, so that they do not meet a terminal that refuses. */
static int reopened(int fd)
{
    char path[40];
    struct stat st;
    if (fstat(fd, &st) != 0 || !(S_ISCHR(st.st_mode) || S_ISFIFO(st.st_mode)))
        return -1; /* a regular file would begin at its start again, and never makes anyone wait */
    snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
    return open(path, O_WRONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
}

void outlet_open(struct outlet *outlet, int fd)
{
    struct stat st;
    outlet->from = outlet->to = 0;
    outlet->gone = outlet->was_blocking = false;
    outlet->is_socket = fstat(fd, &st) == 0 && S_ISSOCK(st.st_mode);
    outlet->fd = reopened(fd);
    outlet->own = outlet->fd >= 0;
    if (outlet->own)
        return;
    outlet->fd = fd;
    int flags = fcntl(fd, F_GETFL);
    if (!outlet->is_socket && !S_ISREG(st.st_mode) && flags >= 0 && !(flags & O_NONBLOCK))
        outlet->was_blocking = fcntl(fd, F_SETFL, flags | O_NONBLOCK) == 0;
}

void outlet_close(struct outlet *outlet)
{
    if (outlet->own)
        close(outlet->fd);
    else if (outlet->was_blocking)
        fcntl(outlet->fd, F_SETFL, fcntl(outlet->fd, F_GETFL) & ~O_NONBLOCK);
    outlet->fd = -1;
}

bool outlet_idle(const struct outlet *outlet)
{
    return outlet->from == outlet->to;
}

bool outlet_put(struct outlet *outlet, const char *text, size_t length)
{
    if (outlet->gone)
        return false;
    if (outlet->from > 0) {
        memmove(outlet->store, outlet->store + outlet->from, outlet->to - outlet->from);
        outlet->to -= outlet->from;
        outlet->from = 0;
    }
    if (length > sizeof outlet->store - outlet->to)
        return false;
    memcpy(outlet->store + outlet->to, text, length);
    outlet->to += length;
    return true;
}

void outlet_flush(struct outlet *outlet)
{
    while (outlet->from < outlet->to && !outlet->gone) {
        const char *at = outlet->store + outlet->from;
        size_t left = outlet->to - outlet->from;
        ssize_t n = outlet->is_socket ? send(outlet->fd, at, left, MSG_DONTWAIT | MSG_NOSIGNAL)
                                      : write(outlet->fd, at, left);
        if (n > 0)
            outlet->from += (size_t)n;
        else if (n < 0 && errno == EINTR)
            continue;
        else if (n < 0 && errno == EAGAIN)
            return;
        else
            outlet->gone = true;
    }
    if (outlet->gone)
        outlet->from = outlet->to = 0;
}
