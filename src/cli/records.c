/* SPDX-License-Identifier: MIT */
#include "records.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/file.h"

enum { RECORD_BYTES = 1 << 30, HEAD = 8192, TAIL = 1 << 16 };

struct listed {
    char name[256];
    struct timespec at;
};

/* By the second in their names, then by when they were last written to. */
static int newest_first(const void *a, const void *b)
{
    const struct listed *x = a, *y = b;
    int by_name = memcmp(y->name, x->name, 15);
    if (by_name || x->at.tv_sec == y->at.tv_sec)
        return by_name ? by_name
                       : (y->at.tv_nsec > x->at.tv_nsec) - (y->at.tv_nsec < x->at.tv_nsec);
    return x->at.tv_sec < y->at.tv_sec ? 1 : -1;
}

static int cannot_read(const char *directory, struct tl_error *error)
{
    tl_error_set(error, TL_FILE, "the records cannot be listed: %s", strerror(errno));
    tl_error_at(error, directory, 0);
    return TL_FILE;
}

/* Every record in `dir`, in its order; *listed is the caller's to free, also when this fails: then errno says why. */
static int gather(DIR *dir, struct listed **listed, size_t *count)
{
    size_t room = 0;
    struct dirent *entry;
    for (errno = 0; (entry = readdir(dir)); errno = 0) {
        struct stat st;
        if (!paths_is_record(entry->d_name) ||
            fstatat(dirfd(dir), entry->d_name, &st, AT_SYMLINK_NOFOLLOW) != 0 ||
            !S_ISREG(st.st_mode))
            continue;
        if (*count == room) {
            room = room ? 2 * room : 128;
            struct listed *more = realloc(*listed, room * sizeof **listed);
            if (!more)
                return TL_SYSTEM;
            *listed = more;
        }
        memcpy((*listed)[*count].name, entry->d_name, strlen(entry->d_name) + 1);
        (*listed)[(*count)++].at = st.st_mtim;
    }
    return errno ? TL_FILE : 0;
}

int records_list(const char *directory, char (**names)[256], size_t *count, struct tl_error *error)
{
    struct listed *listed = NULL;
    DIR *dir = opendir(directory);
    *names = NULL;
    *count = 0;
    int failed = dir ? gather(dir, &listed, count) : TL_FILE;
    if (!failed && !(*names = calloc(*count + 1, sizeof **names)))
        failed = TL_SYSTEM;
    if (failed)
        failed = cannot_read(directory, error);
    if (*count)
        qsort(listed, *count, sizeof *listed, newest_first);
    for (size_t i = 0; i < *count && !failed; i++)
        memcpy((*names)[i], listed[i].name, sizeof **names);
    if (dir)
        closedir(dir);
    free(listed);
    return failed;
}

void records_prune(const char *directory)
{
    char(*names)[256];
    size_t count;
    int dir = open(directory, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (dir >= 0 && records_list(directory, &names, &count, NULL) == 0) {
        for (size_t i = RECORDS_KEPT; i < count; i++)
            unlinkat(dir, names[i], 0);
        free(names);
    }
    if (dir >= 0)
        close(dir);
}

/* ---- the one that is meant ---------------------------------------------------------------------- */

struct search {
    const char *named;
    char found[PATH_SIZE], other[256];
    int matches;
};

static int search_directory(struct search *s, const char *directory, struct tl_error *error)
{
    char(*names)[256];
    size_t count;
    int failed = records_list(directory, &names, &count, error);
    if (failed)
        return failed;
    bool last = strcmp(s->named, "last") == 0;
    for (size_t i = 0; i < count; i++) {
        size_t length = strlen(s->named);
        bool exact = strcmp(names[i], s->named) == 0 || (strncmp(names[i], s->named, length) == 0 &&
                                                         !strcmp(names[i] + length, ".jsonl"));
        if (!last && !exact && !strstr(names[i], s->named))
            continue;
        if (s->matches++ && !exact) {
            snprintf(s->other, sizeof s->other, "%s", names[i]);
            continue;
        }
        if (snprintf(s->found, sizeof s->found, "%s/%s", directory, names[i]) >= PATH_SIZE)
            s->found[0] = '\0';
        if (last || exact) {
            s->matches = 1;
            break;
        }
    }
    free(names);
    return 0;
}

static int find(struct search *s, bool rehearsals, struct tl_error *error)
{
    char directory[PATH_SIZE];
    if (!rehearsals && (paths_runs(directory, error) || search_directory(s, directory, error)))
        return TL_FILE;
    if (s->matches == 0 && (rehearsals || strcmp(s->named, "last")) &&
        (paths_records(directory, error) || search_directory(s, directory, error)))
        return TL_FILE;
    if (s->matches == 1 && s->found[0])
        return 0;
    if (s->matches == 0) {
        tl_error_set(error, TL_FILE, "there is no record \"%s\"", s->named);
        tl_error_hint(error,
                      "tinlatch runs list names them, with --rehearsals those of rehearsals");
    } else {
        tl_error_set(error, TL_FILE, "\"%s\" is a part of %d names, such as %.100s and %.100s",
                     s->named, s->matches, strrchr(s->found, '/') + 1, s->other);
    }
    tl_error_token(error, s->named);
    return TL_FILE;
}

/* By its run's front, keeper, guard or scribe: paths_new_record. */
static bool is_held(int fd)
{
    return flock(fd, LOCK_SH | LOCK_NB) != 0 && errno == EWOULDBLOCK;
}

static bool path_is_held(const char *path)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK);
    bool held = fd >= 0 && is_held(fd);
    if (fd >= 0)
        close(fd);
    return held;
}

int records_open(struct record_file *file, const char *named, bool rehearsals,
                 struct tl_error *error)
{
    struct stat st;
    struct search search = {.named = named};
    *file = (struct record_file){0};
    if (strchr(named, '/') || stat(named, &st) == 0) {
        if (paths_given(named, file->path, error))
            return TL_FILE;
    } else if (find(&search, rehearsals, error)) {
        return TL_FILE;
    } else {
        memcpy(file->path, search.found, sizeof file->path);
    }
    /* First: what ends meanwhile has its end in the text. */
    file->goes_on = path_is_held(file->path);
    return file_read(file->path, RECORD_BYTES, &file->text, &file->length, error);
}

const char *records_when(const struct record_start *start, const char *path, char out[32])
{
    const char *slash = strrchr(path, '/'), *name = slash ? slash + 1 : path;
    time_t began = (time_t)start->wall_s;
    struct tm tm;
    if (start->wall_s > 0 && localtime_r(&began, &tm))
        strftime(out, 32, "%Y-%m-%d %H:%M", &tm);
    else if (paths_is_record(name))
        snprintf(out, 32, "%.4s-%.2s-%.2s %.2s:%.2s", name, name + 4, name + 6, name + 9,
                 name + 11);
    else
        snprintf(out, 32, "-");
    return out;
}

int records_look(const char *path, struct history_brief *brief)
{
    static char head[HEAD], tail[TAIL];
    struct stat st;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK | O_NOFOLLOW),
        result = TL_FILE;
    if (fd >= 0 && fstat(fd, &st) == 0 && S_ISREG(st.st_mode)) {
        bool held = is_held(fd); /* first, as above */
        ssize_t first = pread(fd, head, sizeof head, 0);
        ssize_t last = pread(fd, tail, sizeof tail, st.st_size > TAIL ? st.st_size - TAIL : 0);
        if (first > 0 && last > 0 && !history_look(brief, head, (size_t)first, tail, (size_t)last))
            result = 0;
        brief->goes_on = held;
    }
    if (fd >= 0)
        close(fd);
    return result;
}

static bool heats(const char *path)
{
    struct tl_error error;
    char *text;
    size_t length;
    if (file_read(path, RECORD_BYTES, &text, &length, &error))
        return false;
    bool heated = history_heats(text, length);
    free(text);
    return heated;
}

int records_cycles(const char *serial, struct tl_error *error)
{
    char directory[PATH_SIZE], path[PATH_SIZE + 256];
    char(*names)[256];
    size_t count;
    int cycles = 0;
    if (paths_runs(directory, error) || records_list(directory, &names, &count, error))
        return TL_FILE;
    for (size_t i = 0; i < count; i++) {
        struct history_brief brief;
        snprintf(path, sizeof path, "%s/%s", directory, names[i]);
        if (!records_look(path, &brief) && !strcmp(brief.start.serial, serial))
            cycles += heats(path);
    }
    free(names);
    return cycles;
}
