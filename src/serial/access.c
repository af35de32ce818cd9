/* SPDX-License-Identifier: MIT */
#include "access.h"

#include <ctype.h>
#include <dirent.h>
#include <fcntl.h>
#include <grp.h>
#include <limits.h>
#include <pwd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

void access_user_name(uid_t uid, char *name, size_t size)
{
    const struct passwd *user = getpwuid(uid);
    if (user)
        snprintf(name, size, "%s", user->pw_name);
    else
        snprintf(name, size, "%u", uid);
}

void access_group_name(gid_t gid, char *name, size_t size)
{
    const struct group *group = getgrgid(gid);
    if (group)
        snprintf(name, size, "%s", group->gr_name);
    else
        snprintf(name, size, "%u", gid);
}

/* In the group by the user database: then only the session is older than that. */
static bool is_member(const char *user, gid_t gid)
{
    const struct passwd *entry = getpwnam(user);
    if (entry && entry->pw_gid == gid)
        return true;
    const struct group *group = getgrgid(gid);
    for (char **member = group ? group->gr_mem : NULL; member && *member; member++)
        if (!strcmp(*member, user))
            return true;
    return false;
}

void access_mend(const char *path, const struct stat *st, char *mend, size_t size)
{
    char user[64], group[64];
    mend[0] = '\0';
    if (faccessat(AT_FDCWD, path, R_OK | W_OK, AT_EACCESS) == 0)
        return;
    access_user_name(geteuid(), user, sizeof user);
    access_group_name(st->st_gid, group, sizeof group);
    bool by_group = (st->st_mode & S_IRGRP) && (st->st_mode & S_IWGRP) && st->st_gid != 0;
    if (by_group && is_member(user, st->st_gid))
        snprintf(mend, size, "log out and in again (this session is older than your place in %s)",
                 group);
    else if (by_group)
        snprintf(mend, size, "sudo usermod -aG %s %s, then log in again", group, user);
    else /* lasts until it is unplugged */
        snprintf(mend, size, "sudo chown %s %s", user, path);
}

void access_explain(const char *path, char *why, size_t size)
{
    struct stat st;
    char mend[160], owner[64];
    if (stat(path, &st) < 0) {
        snprintf(why, size, "permission denied");
        return;
    }
    bool by_group = (st.st_mode & S_IRGRP) && (st.st_mode & S_IWGRP) && st.st_gid != 0;
    access_mend(path, &st, mend, sizeof mend);
    if (by_group)
        access_group_name(st.st_gid, owner, sizeof owner);
    else
        access_user_name(st.st_uid, owner, sizeof owner);
    snprintf(why, size, "permission denied: the %s %s owns it%s%s", by_group ? "group" : "user",
             owner, mend[0] ? ": " : "", mend);
}

/* ---- who has it open ----------------------------------------------------------------------------------- */

static bool process_has(const char *pid, const char *path)
{
    char name[300], link[PATH_MAX];
    snprintf(name, sizeof name, "/proc/%s/fd", pid);
    DIR *fds = opendir(name);
    bool found = false;
    for (struct dirent *fd; fds && !found && (fd = readdir(fds));) {
        ssize_t n = readlinkat(dirfd(fds), fd->d_name, link, sizeof link - 1);
        link[n > 0 ? n : 0] = '\0';
        found = n > 0 && !strcmp(link, path);
    }
    if (fds)
        closedir(fds);
    return found;
}

static void process_name(const char *pid, char *name, size_t size)
{
    char path[300];
    snprintf(path, sizeof path, "/proc/%s/comm", pid);
    FILE *comm = fopen(path, "re");
    if (!comm || !fgets(name, (int)size, comm))
        snprintf(name, size, "another program");
    if (comm)
        fclose(comm);
    name[strcspn(name, "\n")] = '\0';
    for (char *c = name; *c; c++) /* any program may call itself anything */
        if (*c < ' ' || *c > '~')
            *c = '?';
}

int access_find_opener(const char *path, char *name, size_t size)
{
    DIR *proc = opendir("/proc");
    int pid = 0;
    for (struct dirent *entry; proc && pid == 0 && (entry = readdir(proc));) {
        if (!isdigit((unsigned char)entry->d_name[0]) || atoi(entry->d_name) == (int)getpid())
            continue;
        if (!process_has(entry->d_name, path))
            continue;
        pid = atoi(entry->d_name);
        process_name(entry->d_name, name, size);
    }
    if (proc)
        closedir(proc);
    return pid;
}
