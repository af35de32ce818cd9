/* SPDX-License-Identifier: MIT */
#ifndef TINLATCH_MAIN_STREAMS_H
#define TINLATCH_MAIN_STREAMS_H

#include <fcntl.h>
#include <signal.h>
#include <stddef.h>

/* A program started with its standard streams closed would find its own files in their places. What
 * stands in for one cannot be used the way round it is meant, so that the loss is still noticed. */
static inline void occupy_streams(void)
{
    for (int fd = 0; fd <= 2; fd++)
        if (fcntl(fd, F_GETFD) < 0)
            (void)!open("/dev/null", fd == 0 ? O_WRONLY : O_RDONLY);
}

/* A parent may have left its children unwaited for, and how one ended would never be known, or signals blocked, and none
 * would stop a run. A write that fails is told where it is made. */
static inline void settle_signals(void)
{
    sigset_t none;

    sigemptyset(&none);
    signal(SIGCHLD, SIG_DFL);
    signal(SIGPIPE, SIG_IGN);
    signal(SIGXFSZ, SIG_IGN);
    sigprocmask(SIG_SETMASK, &none, NULL);
}

#endif
