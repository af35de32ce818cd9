/* SPDX-License-Identifier: MIT */
#include "tinlatch/latch.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "state_file.h"

static const struct state_field fields[] = {
    STATE_TEXT(latch, rule),     STATE_TEXT(latch, what),   STATE_TEXT(latch, act),
    STATE_TEXT(latch, look),     STATE_TEXT(latch, recipe), STATE_TEXT(latch, bench),
    STATE_NUMBER(latch, wall_s),
};
static const struct state_kind kind = {"latch", fields, sizeof fields / sizeof fields[0]};

static const char cannot_arm[] = "the latch cannot be armed against a crash";

static int refuse(const char *path, const char *what, struct tl_error *error)
{
    tl_error_set(error, TL_FILE, "%s: %s", what, strerror(errno));
    tl_error_hint(
        error,
        "its directory must be one that can be read and written to, with hard links and locks");
    tl_error_at(error, path, 0);
    return TL_FILE;
}

/* ---- which file ----------------------------------------------------------------------------- */

static bool join(char out[PATH_MAX], const char *path, const char *suffix, int session)
{
    return snprintf(out, PATH_MAX, "%s.%s-%d", path, suffix, session) < PATH_MAX;
}

/* "latch.armed-4711", of this session: keeper and guard are one, another run is another. False when the name is too long
 * for a file's. */
static bool own_path(const char *path, char armed[PATH_MAX], char staged[PATH_MAX])
{
    return join(armed, path, "armed", (int)getsid(0)) &&
           join(staged, path, "staged", (int)getsid(0));
}

/* The session in the name of a file beside the latch that is a run's own; -1: it is another file. */
static int session_of(const char *name, const char *latch)
{
    static const char armed[] = ".armed-";
    size_t length = strlen(latch);
    if (strncmp(name, latch, length) != 0 || strncmp(name + length, armed, sizeof armed - 1) != 0)
        return -1;
    const char *number = name + length + sizeof armed - 1;
    size_t digits = strspn(number, "0123456789");
    return digits > 0 && digits < 10 && !number[digits] ? atoi(number) : -1;
}

static bool is_held(const char *armed)
{
    int fd = open(armed, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    bool held = fd >= 0 && flock(fd, LOCK_SH | LOCK_NB) != 0 && errno == EWOULDBLOCK;
    if (fd >= 0)
        close(fd);
    return held;
}

/* Torn, it counts as latched all the same, for whatever can still be read of it. */
static int read_file(const char *file, struct latch *latch, struct tl_error *error)
{
    bool whole;
    *latch = (struct latch){0};
    int result = state_file_read(file, &kind, latch, &whole, error);
    if (result != 1)
        return result;
    if (!latch->rule[0])
        strcpy(latch->rule, "unreadable");
    if (!latch->what[0])
        strcpy(latch->what, "the latch file is damaged: what tripped is not known");
    return 1;
}

/* A run's own. Held or not is asked first: one that trips, or ends well, between the two is seen as that. */
static int read_own(const char *armed, struct latch *latch, struct tl_error *error)
{
    bool held = is_held(armed);
    int result = read_file(armed, latch, error);
    return result == 1 && held && !strcmp(latch->rule, "crash") ? 0 : result;
}

/* Of those beside `path` that are latched, the lowest session's. */
static int find_beside(const char *path, char file[PATH_MAX], struct latch *latch,
                       struct tl_error *error)
{
    char directory[PATH_MAX], armed[PATH_MAX];
    const char *slash = strrchr(path, '/');
    int lowest = INT_MAX, found = 0;
    struct latch its;

    snprintf(directory, sizeof directory, "%.*s", slash ? (int)(slash - path) + 1 : 1,
             slash ? path : ".");
    DIR *entries = opendir(directory);
    int code = entries || errno == ENOENT ? 0 : errno;
    for (struct dirent *entry; entries && (errno = 0, entry = readdir(entries));) {
        int session = session_of(entry->d_name, slash ? slash + 1 : path);
        int result = session < 0 || session >= lowest || !join(armed, path, "armed", session)
                         ? 0
                         : read_own(armed, &its, error);
        if (result == 0)
            continue;
        lowest = session;
        found = result;
        *latch = its;
        memcpy(file, armed, PATH_MAX);
    }
    if (entries) {
        code = errno;
        closedir(entries);
    }
    errno = code;
    return code ? refuse(path, "it cannot be seen what is latched", error) : found;
}

static int find(const char *path, char file[PATH_MAX], struct latch *latch, struct tl_error *error)
{
    snprintf(file, PATH_MAX, "%s", path);
    int result = read_file(path, latch, error);
    return result ? result : find_beside(path, file, latch, error);
}

int latch_read(const char *path, struct latch *latch, struct tl_error *error)
{
    char file[PATH_MAX];
    return find(path, file, latch, error);
}

int latch_remove(const char *path, struct tl_error *error)
{
    char file[PATH_MAX];
    struct latch latch;
    return find(path, file, &latch, NULL) == 0 ? 0 : state_file_remove(file, &kind, error);
}

/* ---- of this run ------------------------------------------------------------------------------- */

static int hold(const char *staged, int *held_fd)
{
    *held_fd = open(staged, O_RDWR | O_NOFOLLOW | O_CLOEXEC);
    if (*held_fd >= 0 && flock(*held_fd, LOCK_EX | LOCK_NB) == 0)
        return 0;
    int code = errno;
    if (*held_fd >= 0)
        close(*held_fd);
    *held_fd = -1;
    errno = code;
    return -1;
}

int latch_stage(const char *path, const struct latch *latch, int *held_fd, struct tl_error *error)
{
    char armed[PATH_MAX], staged[PATH_MAX];

    errno = ENAMETOOLONG;
    *held_fd = -1;
    if (!own_path(path, armed, staged))
        return refuse(path, cannot_arm, error);
    int failed = state_file_write(staged, &kind, latch, true, error);
    if (failed)
        return failed;
    state_file_reserve(staged);
    return hold(staged, held_fd) ? refuse(path, cannot_arm, error) : 0;
}

int latch_arm(const char *path, struct latch_mark *mark, struct tl_error *error)
{
    char armed[PATH_MAX], staged[PATH_MAX];
    struct latch latch;
    struct stat file;

    int latched = latch_read(path, &latch, error);
    if (latched < 0)
        return latched;
    if (latched > 0) {
        tl_error_set(error, TL_FILE, "another run has tripped meanwhile");
        tl_error_hint(error, "tinlatch clear shows it");
        return TL_FILE;
    }
    errno = ENAMETOOLONG;
    if (!own_path(path, armed, staged) || link(staged, armed) != 0 || lstat(armed, &file) != 0)
        return refuse(path, cannot_arm, error);
    *mark = (struct latch_mark){true, file.st_dev, file.st_ino};
    unlink(staged);
    return state_file_sync(armed, &kind, error);
}

/* Asked at every scan: of what the system knows of the file by itself, no disk and no network is waited for. */
bool latch_is_gone(int held_fd)
{
    struct statx file;
    return held_fd >= 0 &&
           statx(held_fd, "", AT_EMPTY_PATH | AT_STATX_DONT_SYNC, STATX_NLINK, &file) == 0 &&
           file.stx_nlink == 0;
}

/* Removed while a run was on: it latches all the same. */
static void restore_directory(const char *path)
{
    char directory[PATH_MAX];
    const char *slash = strrchr(path, '/');
    if (slash && snprintf(directory, PATH_MAX, "%.*s", (int)(slash - path), path) < PATH_MAX)
        mkdir(directory, 0700);
}

/* Another run's that stands there already is the first, and stays. */
int latch_trip(const char *path, const struct latch_mark *mark, const struct latch *latch,
               struct tl_error *error)
{
    char armed[PATH_MAX], staged[PATH_MAX];

    errno = ENAMETOOLONG;
    if (!own_path(path, armed, staged))
        return refuse(path, cannot_arm, error);
    restore_directory(path);
    int failed = state_file_write(armed, &kind, latch, false, error);
    if (failed && mark->armed)
        failed = state_file_write_over(armed, mark->device, mark->inode, &kind, latch, error);
    if (!failed && link(armed, path) == 0)
        unlink(armed);
    return failed;
}

int latch_sync(const char *path, struct tl_error *error)
{
    char armed[PATH_MAX], staged[PATH_MAX];
    bool own = own_path(path, armed, staged) && access(armed, F_OK) == 0;
    return state_file_sync(own ? armed : path, &kind, error);
}

int latch_disarm(const char *path, const struct latch_mark *mark, struct tl_error *error)
{
    char armed[PATH_MAX], staged[PATH_MAX];
    struct stat file;

    if (!own_path(path, armed, staged))
        return 0;
    if (!mark->armed) {
        unlink(staged);
        return 0;
    }
    if (lstat(armed, &file) != 0 || file.st_dev != mark->device || file.st_ino != mark->inode)
        return 0;
    return state_file_remove(armed, &kind, error);
}
