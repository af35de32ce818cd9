/* SPDX-License-Identifier: MIT */
/* What the process gives up before a stranger's script runs in it. */
#include "recipe_private.h"

#include <errno.h>
#include <limits.h>
#include <seccomp.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/syscall.h>
#include <unistd.h>

/* The whole list is ten names: these, mmap, and by descriptor write for the record, sendto and recvmsg for the
 * socket to the guard. Memory for Lua and malloc; the end. Lua's own clocks go through the vDSO; where that falls
 * back to a call, clock_gettime serves. */
static const int system_calls[] = {
    SCMP_SYS(brk),           SCMP_SYS(munmap),     SCMP_SYS(mremap),
    SCMP_SYS(clock_gettime), SCMP_SYS(exit_group), SCMP_SYS(rt_sigreturn),
};

#ifdef TINLATCH_WIDE_SANDBOX
/* What the sanitizers and the coverage writer do behind the program's back. */
static const int wide_calls[] = {
    SCMP_SYS(write), /* their reports */
    SCMP_SYS(mmap),
    SCMP_SYS(mprotect),
    SCMP_SYS(madvise),
    SCMP_SYS(futex),
    SCMP_SYS(openat),
    SCMP_SYS(open),
    SCMP_SYS(close),
    SCMP_SYS(fcntl),
    SCMP_SYS(lseek),
    SCMP_SYS(newfstatat),
    SCMP_SYS(fstat),
    SCMP_SYS(readlink),
    SCMP_SYS(readlinkat),
    SCMP_SYS(getpid),
    SCMP_SYS(gettid),
    SCMP_SYS(tgkill),
    SCMP_SYS(rt_sigaction),
    SCMP_SYS(rt_sigprocmask),
    SCMP_SYS(sigaltstack),
    SCMP_SYS(sysinfo),
    SCMP_SYS(sched_yield),
    SCMP_SYS(getrandom),
    SCMP_SYS(prctl),
    SCMP_SYS(writev),
    SCMP_SYS(exit),
    SCMP_SYS(set_robust_list),
    SCMP_SYS(rseq),
    SCMP_SYS(ftruncate),
    SCMP_SYS(mkdir),
    SCMP_SYS(umask),
    SCMP_SYS(sched_getaffinity),
    SCMP_SYS(getrlimit),
    SCMP_SYS(prlimit64),
    SCMP_SYS(pread64),
    SCMP_SYS(access),
    SCMP_SYS(ioctl),
    SCMP_SYS(pipe2),
    SCMP_SYS(uname),
    SCMP_SYS(getppid),
    SCMP_SYS(flock),
};
#endif

enum { SPACE_BYTES = 512 << 20, CPU_SECONDS = 300 };

static int lower(int resource, rlim_t value)
{
    struct rlimit limit;
    if (getrlimit((__rlimit_resource_t)resource, &limit) < 0)
        return -1;
    if (limit.rlim_max > value)
        limit.rlim_max = value;
    if (limit.rlim_cur > limit.rlim_max)
        limit.rlim_cur = limit.rlim_max;
    return setrlimit((__rlimit_resource_t)resource, &limit);
}

static int lower_limits(void)
{
    if (lower(RLIMIT_CORE, 0) < 0 || lower(RLIMIT_CPU, CPU_SECONDS) < 0)
        return -1;
#ifdef TINLATCH_WIDE_SANDBOX
    return 0; /* the sanitizers map terabytes of shadow and open /proc */
#else
    return lower(RLIMIT_AS, SPACE_BYTES) < 0 || lower(RLIMIT_NOFILE, 0) < 0 ? -1 : 0;
#endif
}

static int allow(scmp_filter_ctx filter, const int *calls, int count)
{
    for (int i = 0; i < count; i++) {
        int code = calls[i] < 0 ? 0 : seccomp_rule_add(filter, SCMP_ACT_ALLOW, calls[i], 0);
        if (code < 0)
            return code;
    }
    return 0;
}

/* `call` on this descriptor only; its upper half may hold anything. */
static int allow_on(scmp_filter_ctx filter, int call, int fd)
{
    if (fd < 0)
        return 0;
    return seccomp_rule_add(filter, SCMP_ACT_ALLOW, call, 1,
                            SCMP_A0(SCMP_CMP_MASKED_EQ, 0xFFFFFFFF, (scmp_datum_t)fd));
}

static int fill_filter(scmp_filter_ctx filter, int record_fd, int socket_fd)
{
    int code = allow(filter, system_calls, COUNT(system_calls));
    if (code >= 0)
        code = allow_on(filter, SCMP_SYS(write), record_fd);
    if (code >= 0)
        code = allow_on(filter, SCMP_SYS(sendto), socket_fd);
    if (code >= 0)
        code = allow_on(filter, SCMP_SYS(recvmsg), socket_fd);
#ifdef TINLATCH_WIDE_SANDBOX
    return code < 0 ? code : allow(filter, wide_calls, COUNT(wide_calls));
#else
    if (code < 0)
        return code;
    /* anonymous, private, readable and writable: what malloc asks for */
    return seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(mmap), 2,
                            SCMP_A2(SCMP_CMP_MASKED_EQ, PROT_EXEC, 0),
                            SCMP_A3(SCMP_CMP_MASKED_EQ, MAP_ANONYMOUS, MAP_ANONYMOUS));
#endif
}

static int close_between(int above, int below)
{
    if (below - above <= 1)
        return 0;
    return (int)syscall(SYS_close_range, (unsigned)above + 1, (unsigned)below - 1, 0U);
}

/* Whatever the shell, a library or we ourselves left open: a script that breaks out finds nothing to write to. */
static int close_others(int record_fd, int socket_fd)
{
#ifdef TINLATCH_WIDE_SANDBOX
    int kept = 2; /* where the sanitizers speak */
#else
    int kept = -1;
#endif
    int low = record_fd < socket_fd ? record_fd : socket_fd;
    int high = record_fd < socket_fd ? socket_fd : record_fd;
    if (low > kept && close_between(kept, low) < 0)
        return -1;
    kept = low > kept ? low : kept;
    if (high > kept && close_between(kept, high) < 0)
        return -1;
    return close_between(high > kept ? high : kept, INT_MAX);
}

int sandbox_enter(int record_fd, int socket_fd, struct tl_error *error)
{
    if (close_others(record_fd, socket_fd) < 0 || lower_limits() < 0 ||
        prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) < 0)
        return tl_error_set(error, TL_SYSTEM, "the sandbox cannot be set up: %s", strerror(errno));
    scmp_filter_ctx filter = seccomp_init(SCMP_ACT_KILL_PROCESS);
    if (!filter)
        return tl_error_set(error, TL_SYSTEM, "the sandbox cannot be set up: out of memory");
    int code = fill_filter(filter, record_fd, socket_fd);
    if (code >= 0)
        code = seccomp_load(filter);
    seccomp_release(filter);
    if (code < 0)
        return tl_error_set(error, TL_SYSTEM, "the sandbox cannot be set up: %s", strerror(-code));
    return 0;
}
