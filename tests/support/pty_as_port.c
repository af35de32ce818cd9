/* SPDX-License-Identifier: MIT */
/* pty_as_port - lets libserialport take a pseudo-terminal for a serial port, so that its own code runs in
 * tests. Loaded before it (linked first, or LD_PRELOAD); does nothing unless PTY_AS_PORT names a directory.
 *
 *   answers    the look at /sys/class/tty/pts/N; TIOCMGET, TIOCMSET, TIOCMBIS, TIOCMBIC; the four requests of
 *              the termiox kind (refused, as most drivers do)
 *   tells      DIR/N.lines: one line of text per setting of RTS and DTR, "rts=1 dtr=0"
 *              DIR/N.mode: the last mode asked for, "baud=9600 parity=E hupcl=1"; a pseudo-terminal itself keeps
 *              no parity
 *   takes      DIR/N.inputs: any of the words cts dsr dcd that are high
 *   carries    where DIR/control is the control socket of `tinlatch mimic`: the lines go there and come from there
 *              instead, and both are raised when a terminal is opened, as a kernel does it. mimic drops them when
 *              the last holder is gone and HUPCL is set. DIR/order: every setting of all ports, "N rts=1 dtr=0".
 *   leaves out HUPCL where the library itself sets it: later builds of it do not, and the caller must. Where
 *              DIR/no-hupcl is, whoever sets it, as a driver does that knows none. */
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <sys/un.h>
#include <termios.h>
#include <unistd.h>

#include <dlfcn.h>

static const char sysfs_name[] = "/sys/class/tty/pts/";

/* Linux' termiox requests; the kernel's header for them is not everywhere. */
enum { GET_X = 0x5432, SET_X = 0x5433, SET_XF = 0x5434, SET_XW = 0x5435 };

static const char *directory(void)
{
    const char *name = getenv("PTY_AS_PORT");
    return name && name[0] ? name : NULL;
}

static bool is_ours(const char *path)
{
    return directory() && !strncmp(path, sysfs_name, sizeof sysfs_name - 1);
}

/* The number of a slave's pseudo-terminal; -1: it is none. */
static int number_of(int fd)
{
    struct stat st;
    if (fstat(fd, &st) < 0 || !S_ISCHR(st.st_mode) || (st.st_rdev >> 8 & 0xfff) != 136)
        return -1;
    return (int)(st.st_rdev & 0xff);
}

static bool file_of(int fd, const char *what, char *path, size_t size)
{
    int number;
    if (!directory() || ioctl(fd, TIOCGPTN, &number) == 0) /* the master is the instrument's side */
        return false;
    number = number_of(fd);
    return number >= 0 && snprintf(path, size, "%s/%d.%s", directory(), number, what) > 0;
}

/* ---- the look at sysfs --------------------------------------------------------------------------------- */

static int link_status(struct stat *st)
{
    memset(st, 0, sizeof *st);
    st->st_mode = S_IFLNK | 0777;
    return 0;
}

int __lxstat(int version, const char *path, struct stat *st);
int __lxstat(int version, const char *path, struct stat *st)
{
    (void)version;
    if (is_ours(path))
        return link_status(st);
    return fstatat(AT_FDCWD, path, st, AT_SYMLINK_NOFOLLOW);
}

/* Later builds of the library call this one. */
int lstat(const char *restrict path, struct stat *restrict st)
{
    if (is_ours(path))
        return link_status(st);
    return fstatat(AT_FDCWD, path, st, AT_SYMLINK_NOFOLLOW);
}

ssize_t readlink(const char *restrict path, char *restrict to, size_t size)
{
    static const char target[] = "../../devices/virtual/tty/pts";
    if (!is_ours(path))
        return readlinkat(AT_FDCWD, path, to, size);
    size_t length = sizeof target - 1 < size ? sizeof target - 1 : size;
    memcpy(to, target, length);
    return (ssize_t)length;
}

/* ---- lines, carried to the emulated bench ------------------------------------------------------------------ */

/* One connection a process: a child's questions must not come between its parent's. -1: there is no bench. */
static int bench_socket(void)
{
    static int fd = -1;
    static pid_t owner;
    struct sockaddr_un to = {.sun_family = AF_UNIX};
    struct timeval most = {.tv_sec = 2};
    if (fd >= 0 && owner == getpid())
        return fd;
    if (fd >= 0)
        close(fd);
    fd = -1;
    int length = snprintf(to.sun_path, sizeof to.sun_path, "%s/control", directory());
    if (length < 0 || (size_t)length >= sizeof to.sun_path || access(to.sun_path, F_OK) != 0)
        return -1;
    fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd >= 0 && connect(fd, (struct sockaddr *)&to, sizeof to) == 0) {
        setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &most, sizeof most);
        owner = getpid();
        return fd;
    }
    if (fd >= 0)
        close(fd);
    fd = -1;
    return -1;
}

/* `command` to the bench; true: the lines as they are then in *bits. */
static bool ask_bench(const char *command, int *bits)
{
    static const struct {
        const char *text;
        int bit;
    } lines[] = {{"\"rts\":1", TIOCM_RTS},
                 {"\"dtr\":1", TIOCM_DTR},
                 {"\"cts\":1", TIOCM_CTS},
                 {"\"dsr\":1", TIOCM_DSR},
                 {"\"dcd\":1", TIOCM_CAR}};
    char answer[512];
    size_t length = 0;
    int fd = bench_socket();
    if (fd < 0 || send(fd, command, strlen(command), MSG_NOSIGNAL) != (ssize_t)strlen(command))
        return false;
    while (length < sizeof answer - 1 && (length == 0 || answer[length - 1] != '\n')) {
        ssize_t got = read(fd, answer + length, sizeof answer - 1 - length);
        if (got <= 0)
            return false;
        length += (size_t)got;
    }
    answer[length] = '\0';
    *bits = 0;
    for (size_t i = 0; i < sizeof lines / sizeof *lines; i++)
        *bits |= strstr(answer, lines[i].text) ? lines[i].bit : 0;
    return strstr(answer, "\"ok\":true") != NULL;
}

static void note_order(int number, int bits)
{
    char path[512], text[64];
    int length = snprintf(path, sizeof path, "%s/order", directory());
    int fd = length > 0 && (size_t)length < sizeof path
                 ? openat(AT_FDCWD, path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600)
                 : -1;
    length = snprintf(text, sizeof text, "%d rts=%d dtr=%d\n", number, !!(bits & TIOCM_RTS),
                      !!(bits & TIOCM_DTR));
    if (fd < 0)
        return;
    (void)!write(fd, text, (size_t)length); /* whoever looks for it misses it */
    close(fd);
}

static int bench_request(int number, unsigned long request, int *bits)
{
    char command[64];
    int now;
    snprintf(command, sizeof command, "lines /dev/pts/%d\n", number);
    if (!ask_bench(command, &now)) {
        errno = EIO;
        return -1;
    }
    if (request == TIOCMGET) {
        *bits = now;
        return 0;
    }
    now = request == TIOCMSET ? *bits : request == TIOCMBIS ? now | *bits : now & ~*bits;
    snprintf(command, sizeof command, "lines /dev/pts/%d %d %d\n", number, !!(now & TIOCM_RTS),
             !!(now & TIOCM_DTR));
    note_order(number, now);
    return ask_bench(command, &now) ? 0 : -1;
}

/* The library's ways in, the second where it is built with checks; nobody else's opening raises a line. */
static int open_and_raise(const char *path, int flags, mode_t mode)
{
    int fd = openat(AT_FDCWD, path, flags, mode), raised = TIOCM_RTS | TIOCM_DTR;
    bool is_slave = fd >= 0 && directory() && !strncmp(path, "/dev/pts/", 9);
    if (is_slave && bench_socket() >= 0)
        bench_request(number_of(fd), TIOCMBIS, &raised);
    return fd;
}

int open(const char *path, int flags, ...)
{
    va_list args;
    va_start(args, flags);
    mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(args, mode_t) : 0;
    va_end(args);
    return open_and_raise(path, flags, mode);
}

int __open_2(const char *path, int flags);
int __open_2(const char *path, int flags)
{
    return open_and_raise(path, flags, 0);
}

/* ---- lines --------------------------------------------------------------------------------------------- */

static int read_bits(const char *lines, const char *inputs)
{
    char text[256] = "", last[64] = "";
    int bits = TIOCM_RTS | TIOCM_DTR; /* as the kernel leaves them after open */
    FILE *file = fopen(lines, "re");
    while (file && fgets(last, sizeof last, file))
        bits = (strstr(last, "rts=1") ? TIOCM_RTS : 0) | (strstr(last, "dtr=1") ? TIOCM_DTR : 0);
    if (file)
        fclose(file);
    file = fopen(inputs, "re");
    if (file && fgets(text, sizeof text, file)) {
        bits |= strstr(text, "cts") ? TIOCM_CTS : 0;
        bits |= strstr(text, "dsr") ? TIOCM_DSR : 0;
        bits |= strstr(text, "dcd") ? TIOCM_CAR : 0;
    }
    if (file)
        fclose(file);
    return bits;
}

static int write_bits(const char *lines, int bits)
{
    char text[32];
    int fd = open(lines, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    int length =
        snprintf(text, sizeof text, "rts=%d dtr=%d\n", !!(bits & TIOCM_RTS), !!(bits & TIOCM_DTR));
    bool written = fd >= 0 && write(fd, text, (size_t)length) == length;
    if (fd >= 0)
        close(fd);
    return written ? 0 : -1;
}

static int line_request(int fd, unsigned long request, int *bits)
{
    char lines[512], inputs[512];
    if (!file_of(fd, "lines", lines, sizeof lines) ||
        !file_of(fd, "inputs", inputs, sizeof inputs)) {
        errno = ENOTTY;
        return -1;
    }
    if (bench_socket() >= 0)
        return bench_request(number_of(fd), request, bits);
    int now = read_bits(lines, inputs);
    switch (request) {
    case TIOCMGET:
        *bits = now;
        return 0;
    case TIOCMSET:
        return write_bits(lines, *bits);
    case TIOCMBIS:
        return write_bits(lines, now | *bits);
    default:
        return write_bits(lines, now & ~*bits);
    }
}

int ioctl(int fd, unsigned long request, ...)
{
    va_list args;
    va_start(args, request);
    void *argument = va_arg(args, void *);
    va_end(args);
    switch (request) {
    case TIOCMGET:
    case TIOCMSET:
    case TIOCMBIS:
    case TIOCMBIC:
        if (directory())
            return line_request(fd, request, argument);
        break;
    case GET_X:
    case SET_X:
    case SET_XF:
    case SET_XW:
        if (directory()) {
            errno = EINVAL;
            return -1;
        }
        break;
    default:
        break;
    }
    return (int)syscall(SYS_ioctl, fd, request, argument);
}

/* ---- mode ---------------------------------------------------------------------------------------------- */

static int baud_of(speed_t speed)
{
    static const struct {
        speed_t speed;
        int baud;
    } known[] = {{B1200, 1200},   {B2400, 2400},   {B4800, 4800},    {B9600, 9600},
                 {B19200, 19200}, {B38400, 38400}, {B115200, 115200}};
    for (size_t i = 0; i < sizeof known / sizeof *known; i++)
        if (known[i].speed == speed)
            return known[i].baud;
    return -1;
}

/* What the pseudo-terminal dropped, put back from what was last asked for. */
int tcgetattr(int fd, struct termios *mode)
{
    int (*next)(int, struct termios *) = NULL;
    *(void **)&next = dlsym(RTLD_NEXT, "tcgetattr");
    char path[512], text[128] = "";
    int result = next(fd, mode);
    FILE *file = result == 0 && file_of(fd, "mode", path, sizeof path) ? fopen(path, "re") : NULL;
    if (file && fgets(text, sizeof text, file) && !strstr(text, "parity=N"))
        mode->c_cflag |= PARENB | (strstr(text, "parity=O") ? PARODD : 0);
    if (file)
        fclose(file);
    return result;
}

static bool is_the_library(void *caller)
{
    Dl_info info;
    return dladdr(caller, &info) && info.dli_fname && strstr(info.dli_fname, "libserialport");
}

static bool knows_no_hupcl(void)
{
    char path[512];
    int length = snprintf(path, sizeof path, "%s/no-hupcl", directory());
    return length > 0 && (size_t)length < sizeof path && access(path, F_OK) == 0;
}

int tcsetattr(int fd, int when, const struct termios *asked)
{
    int (*next)(int, int, const struct termios *) = NULL;
    *(void **)&next = dlsym(RTLD_NEXT, "tcsetattr");
    char path[512];
    struct termios left = *asked;
    const struct termios *mode = &left;
    if (directory() && (is_the_library(__builtin_return_address(0)) || knows_no_hupcl()))
        left.c_cflag &= ~(tcflag_t)HUPCL;
    if (file_of(fd, "mode", path, sizeof path)) {
        FILE *file = fopen(path, "we");
        char parity = !(mode->c_cflag & PARENB) ? 'N' : mode->c_cflag & PARODD ? 'O' : 'E';
        if (file) {
            fprintf(file, "baud=%d parity=%c hupcl=%d vmin=%d\n", baud_of(cfgetospeed(mode)),
                    parity, !!(mode->c_cflag & HUPCL), mode->c_cc[VMIN]);
            fclose(file);
        }
    }
    /* A pseudo-terminal keeps no parity, and the C library takes that for a refusal. */
    struct termios kept = *mode;
    if (file_of(fd, "mode", path, sizeof path))
        kept.c_cflag &= ~(tcflag_t)(PARENB | PARODD);
    return next(fd, when, &kept);
}
