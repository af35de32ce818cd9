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

#include "tinlatch/sandbox.h"

/* Memory for Lua and malloc; the record, or the socket to the guard; the end. Lua's own clocks go through the vDSO;
 * where that falls back to a call, clock_gettime serves. A signal's handler ends in rt_sigreturn. */
const struct sandbox_call sandbox_calls[] = {
    {SCMP_SYS(brk), SANDBOX_ALWAYS},
    {SCMP_SYS(munmap), SANDBOX_ALWAYS},
    {SCMP_SYS(mremap), SANDBOX_ALWAYS},
    {SCMP_SYS(clock_gettime), SANDBOX_ALWAYS},
    {SCMP_SYS(exit_group), SANDBOX_ALWAYS},
    {SCMP_SYS(rt_sigreturn), SANDBOX_ALWAYS},
    {SCMP_SYS(write), SANDBOX_RECORD},
    {SCMP_SYS(sendto), SANDBOX_SOCKET},
    {SCMP_SYS(recvmsg), SANDBOX_SOCKET},
    {SCMP_SYS(mmap), SANDBOX_ANONYMOUS},
#ifdef TINLATCH_WIDE_SANDBOX
    {SCMP_SYS(write), SANDBOX_SANITIZER}, /* their reports */
    {SCMP_SYS(mmap), SANDBOX_SANITIZER},
    {SCMP_SYS(mprotect), SANDBOX_SANITIZER},
    {SCMP_SYS(madvise), SANDBOX_SANITIZER},
    {SCMP_SYS(futex), SANDBOX_SANITIZER},
    {SCMP_SYS(openat), SANDBOX_SANITIZER},
    {SCMP_SYS(open), SANDBOX_SANITIZER},
    {SCMP_SYS(close), SANDBOX_SANITIZER},
    {SCMP_SYS(fcntl), SANDBOX_SANITIZER},
    {SCMP_SYS(lseek), SANDBOX_SANITIZER},
    {SCMP_SYS(newfstatat), SANDBOX_SANITIZER},
    {SCMP_SYS(fstat), SANDBOX_SANITIZER},
    {SCMP_SYS(readlink), SANDBOX_SANITIZER},
    {SCMP_SYS(readlinkat), SANDBOX_SANITIZER},
    {SCMP_SYS(getpid), SANDBOX_SANITIZER},
    {SCMP_SYS(gettid), SANDBOX_SANITIZER},
    {SCMP_SYS(tgkill), SANDBOX_SANITIZER},
    {SCMP_SYS(rt_sigaction), SANDBOX_SANITIZER},
    {SCMP_SYS(rt_sigprocmask), SANDBOX_SANITIZER},
    {SCMP_SYS(sigaltstack), SANDBOX_SANITIZER},
    {SCMP_SYS(sysinfo), SANDBOX_SANITIZER},
    {SCMP_SYS(sched_yield), SANDBOX_SANITIZER},
    {SCMP_SYS(getrandom), SANDBOX_SANITIZER},
    {SCMP_SYS(prctl), SANDBOX_SANITIZER},
    {SCMP_SYS(writev), SANDBOX_SANITIZER},
    {SCMP_SYS(exit), SANDBOX_SANITIZER},
    {SCMP_SYS(set_robust_list), SANDBOX_SANITIZER},
    {SCMP_SYS(rseq), SANDBOX_SANITIZER},
    {SCMP_SYS(ftruncate), SANDBOX_SANITIZER},
    {SCMP_SYS(mkdir), SANDBOX_SANITIZER},
    {SCMP_SYS(umask), SANDBOX_SANITIZER},
    {SCMP_SYS(sched_getaffinity), SANDBOX_SANITIZER},
    {SCMP_SYS(getrlimit), SANDBOX_SANITIZER},
    {SCMP_SYS(prlimit64), SANDBOX_SANITIZER},
    {SCMP_SYS(pread64), SANDBOX_SANITIZER},
    {SCMP_SYS(access), SANDBOX_SANITIZER},
    {SCMP_SYS(ioctl), SANDBOX_SANITIZER},
    {SCMP_SYS(pipe2), SANDBOX_SANITIZER},
    {SCMP_SYS(uname), SANDBOX_SANITIZER},
    {SCMP_SYS(getppid), SANDBOX_SANITIZER},
    {SCMP_SYS(flock), SANDBOX_SANITIZER},
#endif
};
const int sandbox_call_count = COUNT(sandbox_calls);

/* SIGXCPU after the seconds, so that a handler can name a line; SIGKILL two seconds later. */
enum { SPACE_BYTES = 512 << 20, CPU_SECONDS = 300, CPU_GRACE = 2 };

static int lower(int resource, rlim_t value, rlim_t grace)
{
    struct rlimit limit;
    if (getrlimit((__rlimit_resource_t)resource, &limit) < 0)
        return -1;
    if (limit.rlim_max > value + grace)
        limit.rlim_max = value + grace;
    if (limit.rlim_cur > value)
        limit.rlim_cur = value;
    return setrlimit((__rlimit_resource_t)resource, &limit);
}

static int lower_limits(void)
{
    if (lower(RLIMIT_CORE, 0, 0) < 0 || lower(RLIMIT_CPU, CPU_SECONDS, CPU_GRACE) < 0)
        return -1;
#ifdef TINLATCH_WIDE_SANDBOX
    return 0; /* the sanitizers map terabytes of shadow and open /proc */
#else
    return lower(RLIMIT_AS, SPACE_BYTES, 0) < 0 || lower(RLIMIT_NOFILE, 0, 0) < 0 ? -1 : 0;
#endif
}

/* `call` on this descriptor only; its upper half may hold anything. */
static int allow_on(scmp_filter_ctx filter, int call, int fd)
{
    if (fd < 0)
        return 0;
    return seccomp_rule_add(filter, SCMP_ACT_ALLOW, call, 1,
                            SCMP_A0(SCMP_CMP_MASKED_EQ, 0xFFFFFFFF, (scmp_datum_t)fd));
}

/* What malloc asks for: not from a file, not to be executed. */
static int allow_anonymous(scmp_filter_ctx filter, int call)
{
    return seccomp_rule_add(filter, SCMP_ACT_ALLOW, call, 2,
                            SCMP_A2(SCMP_CMP_MASKED_EQ, PROT_EXEC, 0),
                            SCMP_A3(SCMP_CMP_MASKED_EQ, MAP_ANONYMOUS, MAP_ANONYMOUS));
}

static int allow(scmp_filter_ctx filter, const struct sandbox_call *call, int record_fd,
                 int socket_fd)
{
    switch (call->use) {
    case SANDBOX_RECORD:
        return allow_on(filter, call->number, record_fd);
    case SANDBOX_SOCKET:
        return allow_on(filter, call->number, socket_fd);
    case SANDBOX_ANONYMOUS:
        return allow_anonymous(filter, call->number);
    case SANDBOX_ALWAYS:
    case SANDBOX_SANITIZER:
        break;
    }
    return seccomp_rule_add(filter, SCMP_ACT_ALLOW, call->number, 0);
}

static int fill_filter(scmp_filter_ctx filter, int record_fd, int socket_fd)
{
    int code = 0;
    for (int i = 0; i < sandbox_call_count && code >= 0; i++)
        if (sandbox_calls[i].number >= 0)
            code = allow(filter, &sandbox_calls[i], record_fd, socket_fd);
    return code;
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
