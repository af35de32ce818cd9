/* SPDX-License-Identifier: MIT */
#include "tinlatch/latch.h"

#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "state_file.h"

static const struct state_field fields[] = {
    STATE_TEXT(latch, rule),     STATE_TEXT(latch, what),   STATE_TEXT(latch, act),
    STATE_TEXT(latch, look),     STATE_TEXT(latch, recipe), STATE_TEXT(latch, bench),
    STATE_NUMBER(latch, wall_s),
};
static const struct state_kind kind = {"latch", fields, sizeof fields / sizeof fields[0]};

int latch_write(const char *path, const struct latch *latch, struct tl_error *error)
{
    return state_file_write(path, &kind, latch, false, error);
}

int latch_sync(const char *path, struct tl_error *error)
{
    return state_file_sync(path, &kind, error);
}

/* ---- against a crash ------------------------------------------------------------------------ */

/* "latch.armed-4711", of this session: keeper and guard are one, another run is another. False when the name is too long
 * for a file's. */
static bool armed_path(const char *path, char armed[PATH_MAX])
{
    return snprintf(armed, PATH_MAX, "%s.armed-%d", path, (int)getsid(0)) < PATH_MAX;
}

static int refuse(const char *path, struct tl_error *error)
{
    if (errno == EEXIST) {
        tl_error_set(error, TL_FILE, "another run has power on, or has tripped, meanwhile");
        tl_error_hint(error, "tinlatch clear shows it");
    } else {
        tl_error_set(error, TL_FILE, "the latch cannot be armed against a crash: %s",
                     strerror(errno));
        tl_error_hint(error, "its directory must be one that can be written to, with hard links");
    }
    tl_error_at(error, path, 0);
    return TL_FILE;
}

int latch_stage(const char *path, const struct latch *latch, struct tl_error *error)
{
    char armed[PATH_MAX];

    errno = ENAMETOOLONG;
    if (!armed_path(path, armed))
        return refuse(path, error);
    int failed = state_file_write(armed, &kind, latch, true, error);
    if (!failed)
        state_file_reserve(armed);
    return failed;
}

int latch_arm(const char *path, struct latch_mark *mark, struct tl_error *error)
{
    char armed[PATH_MAX];
    struct stat file;

    errno = ENAMETOOLONG;
    if (!armed_path(path, armed) || link(armed, path) != 0 || lstat(path, &file) != 0)
        return refuse(path, error);
    unlink(armed);
    *mark = (struct latch_mark){true, file.st_dev, file.st_ino};
    return 0;
}

int latch_trip(const char *path, const struct latch_mark *mark, const struct latch *latch,
               struct tl_error *error)
{
    if (latch_write(path, latch, error) == 0)
        return 0;
    return mark->armed ? state_file_write_over(path, mark->device, mark->inode, &kind, latch, error)
                       : TL_FILE;
}

int latch_disarm(const char *path, const struct latch_mark *mark, struct tl_error *error)
{
    struct stat file;
    char armed[PATH_MAX];

    if (!mark->armed) {
        if (armed_path(path, armed))
            unlink(armed);
        return 0;
    }
    if (lstat(path, &file) != 0 || file.st_dev != mark->device || file.st_ino != mark->inode)
        return 0;
    return latch_remove(path, error);
}

/* Torn, it counts as latched all the same, for whatever can still be read of it. */
int latch_read(const char *path, struct latch *latch, struct tl_error *error)
{
    bool whole;
    *latch = (struct latch){0};
    int result = state_file_read(path, &kind, latch, &whole, error);
    if (result != 1)
        return result;
    if (!latch->rule[0])
        strcpy(latch->rule, "unreadable");
    if (!latch->what[0])
        strcpy(latch->what, "the latch file is damaged: what tripped is not known");
    return 1;
}

int latch_remove(const char *path, struct tl_error *error)
{
    return state_file_remove(path, &kind, error);
}
