/* SPDX-License-Identifier: MIT */
/* sandbox - what a process gives up before a stranger's script runs in it, and what the script then finds.
 *
 * Ownership  nothing is allocated; the tables are const.
 * Never      gives anything back: memory, CPU, descriptors and system calls stay given up.
 * Fails      where the system refuses: TL_SYSTEM, and the process must not go on to the script.
 * Units      none. */
#ifndef TINLATCH_SANDBOX_H
#define TINLATCH_SANDBOX_H

#include "tinlatch/err.h"

/* What a system call is left for. */
enum sandbox_use {
    SANDBOX_ALWAYS,
    SANDBOX_RECORD,    /* on the record's descriptor only */
    SANDBOX_SOCKET,    /* on the socket to the guard only */
    SANDBOX_ANONYMOUS, /* memory without a file behind it that is not executed */
    SANDBOX_SANITIZER, /* in a build with sanitizers only: what they do behind the program's back */
};

struct sandbox_call {
    int number; /* on this machine; negative: it has no such call */
    enum sandbox_use use;
};

/* The one table of system calls: every other call kills the process. */
extern const struct sandbox_call sandbox_calls[];
extern const int sandbox_call_count;

/* Give up what the process does not need: memory, CPU, descriptors, system calls. Of the open descriptors only these
 * stay: the record and the socket to the guard; -1 = none. */
int sandbox_enter(int record_fd, int socket_fd, struct tl_error *error);

/* The names that a script finds of Lua's own `library` as they are, with blanks between them; "" = the globals, NULL =
 * it finds nothing of that library. */
const char *sandbox_names(const char *library);

#endif
