/* SPDX-License-Identifier: MIT */
/* One file per device, named after the device's number, not its path: a port has many names. It lies where all
 * users of the machine look, because two guards on one port are two hands on one heater. flock, so that a
 * killed holder leaves no lock behind. */
#include "tinlatch/serial.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/bytes.h"

enum { LOCK_PATH = 512, LOCK_TEXT = 256, LOOKS = 5, LOOK_AGAIN_MS = 20 };

/* A directory where anybody may make a file and nobody may remove another's. */
static bool is_shared(const char *directory)
{
    struct stat st;
    return lstat(directory, &st) == 0 && S_ISDIR(st.st_mode) && access(directory, W_OK) == 0 &&
           (!(st.st_mode & S_IWOTH) || (st.st_mode & S_ISVTX));
}

/* The user's own runtime directory comes last: another user's guard does not look there. */
static const char *lock_directory(void)
{
    static const char *const shared[] = {"/run/lock", "/var/lock", "/tmp"};
    for (size_t i = 0; i < sizeof shared / sizeof *shared; i++)
        if (is_shared(shared[i]))
            return shared[i];
    const char *own = getenv("XDG_RUNTIME_DIR");
    return own && own[0] == '/' && is_shared(own) ? own : NULL;
}

static int lock_path(const char *path, char *lock, size_t size)
{
    struct stat st;
    const char *directory = lock_directory();
    if (!directory || stat(path, &st) < 0)
        return -1;
    dev_t device = S_ISCHR(st.st_mode) ? st.st_rdev : st.st_dev;
    unsigned long long node = S_ISCHR(st.st_mode) ? 0 : st.st_ino;
    int n = snprintf(lock, size, "%s/tinlatch-port-%u.%u.%llu", directory, major(device),
                     minor(device), node);
    return n < 0 || (size_t)n >= size ? -1 : 0;
}

static bool is_plain_file(int fd)
{
    struct stat st;
    return fstat(fd, &st) == 0 && S_ISREG(st.st_mode) && st.st_nlink <= 1;
}

/* Never through a link, and never something that another user put there instead of a file. */
static int open_lock(const char *lock)
{
    enum { HOW = O_NOFOLLOW | O_NONBLOCK | O_NOCTTY | O_CLOEXEC };
    int fd = open(lock, O_RDWR | HOW);
    if (fd < 0 && errno == ENOENT) {
        fd = open(lock, O_RDWR | O_CREAT | O_EXCL | HOW, 0666);
        if (fd >= 0)
            (void)!fchmod(fd, 0666); /* the next user must be able to write their name into it */
    }
    if (fd < 0 && errno == EACCES)
        fd = open(lock, O_RDONLY | HOW); /* enough to hold it */
    if (fd >= 0 && !is_plain_file(fd)) {
        close(fd);
        errno = ELOOP;
        return -1;
    }
    return fd;
}

/* ---- who holds it -------------------------------------------------------------------------------------- */

static void write_name(int fd)
{
    char name[64] = "", text[LOCK_TEXT];
    int comm = open("/proc/self/comm", O_RDONLY | O_CLOEXEC);
    if (comm >= 0) {
        ssize_t n = read(comm, name, sizeof name - 1);
        name[n > 0 ? n : 0] = '\0';
        name[strcspn(name, "\n")] = '\0';
        close(comm);
    }
    int length = snprintf(text, sizeof text, "%d %s\n", (int)getpid(), name);
    if (ftruncate(fd, 0) == 0)
        (void)!pwrite(fd, text, (size_t)length, 0); /* without it the holder has no name, no more */
}

static bool is_plain(const char *text)
{
    for (const char *c = text; *c; c++)
        if (*c < ' ' || *c > '~')
            return false;
    return *text != '\0';
}

/* A run of ours says in its command line what it runs. */
static void add_recipe(int pid, char *name, size_t size)
{
    char path[64], words[4096];
    size_t length = strlen(name);
    snprintf(path, sizeof path, "/proc/%d/cmdline", pid);
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    ssize_t n = fd < 0 ? -1 : read(fd, words, sizeof words - 1);
    if (fd >= 0)
        close(fd);
    if (n <= 0)
        return;
    words[n] = '\0';
    for (const char *at = words; at < words + n; at += strlen(at) + 1) {
        const char *recipe = at + strlen(at) + 1;
        if (strcmp(at, "--recipe") != 0 || recipe >= words + n)
            continue;
        const char *slash = strrchr(recipe, '/');
        recipe = slash ? slash + 1 : recipe;
        if (is_plain(recipe))
            snprintf(name + length, size - length, ", the run of %s", recipe);
        return;
    }
}

/* "4711 name": anybody may have written it, so nothing in it is believed but a number and plain letters. */
static int read_name(int fd, char *name, size_t size)
{
    char text[LOCK_TEXT];
    ssize_t n = pread(fd, text, sizeof text - 1, 0);
    text[n > 0 ? n : 0] = '\0';
    text[strcspn(text, "\n")] = '\0';
    const char *at = text;
    int64_t pid;
    bytes_copy_text(name, size, "another program");
    if (bytes_read_int(&at, text + strlen(text), &pid) != 0 || pid <= 0 || pid > INT32_MAX)
        return -1;
    while (*at == ' ')
        at++;
    if (is_plain(at))
        bytes_copy_text(name, size, at);
    if (!strcmp(name, "tinlatch-guard"))
        add_recipe((int)pid, name, size);
    return (int)pid;
}

static int held_by(const char *path, int fd, struct tl_error *error)
{
    char name[64];
    int pid = read_name(fd, name, sizeof name);
    if (pid < 0)
        return tl_error_set(error, TL_DEVICE, "%s: held by another program", path);
    if (kill(pid, 0) < 0 && errno == ESRCH) /* its children live on, and hold the port */
        return tl_error_set(error, TL_DEVICE, "%s: held by what %s (pid %d, gone) has left running",
                            path, name, pid);
    return tl_error_set(error, TL_DEVICE, "%s: held by %s (pid %d)", path, name, pid);
}

int serial_holder(const char *path, char *name, size_t size)
{
    char lock[LOCK_PATH];
    int pid = 0;
    bytes_copy_text(name, size, "");
    if (lock_path(path, lock, sizeof lock) < 0)
        return 0;
    int fd = open(lock, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (fd < 0)
        return 0;
    /* Shared, and for a moment only; serial_lock looks more than once. */
    if (is_plain_file(fd) && flock(fd, LOCK_SH | LOCK_NB) < 0 && errno == EWOULDBLOCK)
        pid = read_name(fd, name, size);
    close(fd);
    return pid;
}

/* ---- take and give back -------------------------------------------------------------------------------- */

/* The file that was locked is still the one that the next comer opens. */
static bool is_still_there(int fd, const char *lock)
{
    struct stat here, there;
    return fstat(fd, &here) == 0 && lstat(lock, &there) == 0 && here.st_dev == there.st_dev &&
           here.st_ino == there.st_ino;
}

/* 1: held by us; 0: held by somebody, or just removed; TL_DEVICE: no lock can be made there. */
static int try_lock(const char *path, const char *lock, bool last, int *lock_fd,
                    struct tl_error *error)
{
    int fd = open_lock(lock);
    if (fd < 0)
        return tl_error_set(error, TL_DEVICE, "%s: its lock %s cannot be opened: %s", path, lock,
                            strerror(errno));
    bool locked = flock(fd, LOCK_EX | LOCK_NB) == 0;
    if (locked && is_still_there(fd, lock)) {
        write_name(fd);
        *lock_fd = fd;
        return 1;
    }
    if (last)
        held_by(path, fd, error);
    close(fd);
    return 0;
}

int serial_lock(const char *path, int *lock_fd, struct tl_error *error)
{
    char lock[LOCK_PATH];
    if (lock_path(path, lock, sizeof lock) < 0)
        return tl_error_set(
            error, TL_DEVICE,
            "%s: no directory for its lock: neither /run/lock nor /tmp can be written", path);
    for (int look = 1; look <= LOOKS; look++) {
        int result = try_lock(path, lock, look == LOOKS, lock_fd, error);
        if (result != 0)
            return result > 0 ? 0 : result;
        struct timespec pause = {0, LOOK_AGAIN_MS * 1000000L};
        nanosleep(&pause, NULL);
    }
    return TL_DEVICE;
}

void serial_unlock(const char *path, int lock_fd)
{
    char lock[LOCK_PATH];
    /* Removed while it is held: whoever waits for it sees that and makes a new one. Without the device
     * its number is not known any more; then the empty file stays. */
    if (lock_path(path, lock, sizeof lock) == 0 && is_still_there(lock_fd, lock))
        unlink(lock);
    close(lock_fd);
}
