/* SPDX-License-Identifier: MIT */
#include "paths.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/bytes.h"

static int refuse(struct tl_error *error, const char *path, const char *why)
{
    tl_error_set(error, TL_FILE, "%s", why);
    tl_error_at(error, path, 0);
    return TL_FILE;
}

/* out = a + b; TL_FILE if it does not fit. */
static int join(char *out, const char *a, const char *b, struct tl_error *error)
{
    int n = snprintf(out, PATH_SIZE, "%s%s", a, b);
    return n < 0 || n >= PATH_SIZE ? refuse(error, a, strerror(ENAMETOOLONG)) : 0;
}

static bool is_directory(const char *path)
{
    struct stat st;
    return stat(path, &st) == 0 && S_ISDIR(st.st_mode);
}

static bool holds_share(const char *directory)
{
    char below[PATH_SIZE];
    return !join(below, directory, "/recipes/boards", NULL) && is_directory(below);
}

/* The directory of the running program; false where /proc is not mounted. */
static bool program_directory(char *out)
{
    ssize_t n = readlink("/proc/self/exe", out, PATH_SIZE - 1);
    if (n <= 0 || n >= PATH_SIZE - 1)
        return false;
    out[n] = '\0';
    char *slash = strrchr(out, '/');
    if (!slash)
        return false;
    *slash = '\0';
    return true;
}

int paths_share(char *out, struct tl_error *error)
{
    char here[PATH_SIZE];
    bool known = program_directory(here);
    if (known && !join(out, here, "/../share/tinlatch", error) && holds_share(out))
        return 0;
    /* Only a program in the build tree reads the source tree: an installed one must not pick up
     * files from a place that another account may have made. */
    if ((!known || !strcmp(here, TINLATCH_BUILD)) && !join(out, TINLATCH_SOURCE, "", error) &&
        holds_share(out))
        return 0;
    if (!join(out, TINLATCH_SHARE, "", error) && holds_share(out))
        return 0;
    return refuse(error, TINLATCH_SHARE, "the shipped recipes and boards are not there");
}

enum { NAMES = 512, ALIVE_SIZE = 512 };

/* The name in the list that `base` is without its ending, else the nearest. */
static const char *name_near(const char *base, const char *const *names)
{
    static const char *const endings[] = {"", ".lua", ".ini"};
    const char *near = NULL;
    char whole[256];
    for (size_t e = 0; e < sizeof endings / sizeof endings[0]; e++) {
        if (snprintf(whole, sizeof whole, "%s%s", base, endings[e]) >= (int)sizeof whole)
            return NULL;
        for (int i = 0; names[i]; i++)
            if (!strcmp(names[i], whole))
                return names[i];
        if (!near)
            near = tl_nearest(whole, names);
    }
    return near;
}

static bool nearest_in(const char *directory, const char *base, char *out)
{
    struct dirent **entries;
    const char *names[NAMES + 1] = {NULL};
    int count = scandir(directory, &entries, NULL, alphasort), taken = 0;
    if (count < 0)
        return false;
    for (int i = 0; i < count && taken < NAMES; i++)
        if (entries[i]->d_name[0] != '.' && entries[i]->d_type != DT_DIR)
            names[taken++] = entries[i]->d_name;
    const char *near = name_near(base, names);
    bool found = near && snprintf(out, PATH_SIZE, strcmp(directory, ".") ? "%s/%s" : "%.0s%s",
                                  directory, near) < PATH_SIZE;
    for (int i = 0; i < count; i++)
        free(entries[i]);
    free(entries);
    return found;
}

bool paths_nearest(const char *path, const char *share, char *out)
{
    static const char *const shipped[] = {"/recipes", "/recipes/boards", "/recipes/benches"};
    const char *slash = strrchr(path, '/'), *base = slash ? slash + 1 : path;
    char directory[PATH_SIZE];
    size_t length = slash == path ? 1 : slash ? (size_t)(slash - path) : 0;
    if (length >= sizeof directory)
        return false;
    snprintf(directory, sizeof directory, "%.*s", (int)length, path);
    if (nearest_in(length ? directory : ".", base, out))
        return true;
    for (size_t i = 0; i < sizeof shipped / sizeof shipped[0]; i++)
        if (!join(directory, share, shipped[i], NULL) && nearest_in(directory, base, out))
            return true;
    return false;
}

/* $name, or NULL if it is unset, empty or (as the XDG specification asks) not absolute. */
static const char *absolute(const char *name)
{
    const char *value = getenv(name);
    return value && value[0] == '/' ? value : NULL;
}

/* TINLATCH_HOME + in_home, else $xdg + "/tinlatch" + in_home, else HOME + fallback + in_home. TL_MISSING when
 * none of them is set, TL_FILE when the path cannot be formed, or TINLATCH_HOME is relative. */
static int place(char *out, const char *xdg, const char *fallback, const char *in_home,
                 struct tl_error *error)
{
    const char *own = getenv("TINLATCH_HOME");
    if (own && *own && !absolute("TINLATCH_HOME"))
        return tl_error_set(error, TL_FILE,
                            "TINLATCH_HOME is \"%s\": expected a path that begins with /, or a "
                            "trip that is latched would be seen from one directory alone",
                            own);
    if (own && *own)
        return join(out, own, in_home, error);
    char base[PATH_SIZE];
    if (absolute(xdg)) {
        if (join(base, absolute(xdg), "/tinlatch", error))
            return TL_FILE;
    } else if (!absolute("HOME")) {
        tl_error_set(error, TL_MISSING, "neither TINLATCH_HOME nor HOME is set");
        return TL_MISSING;
    } else if (join(base, absolute("HOME"), fallback, error)) {
        return TL_FILE;
    }
    return join(out, base, in_home, error);
}

int paths_given(const char *given, char *out, struct tl_error *error)
{
    return join(out, given, "", error);
}

int paths_own_bench(char *out, struct tl_error *error)
{
    return place(out, "XDG_CONFIG_HOME", "/.config/tinlatch", "/bench.ini", error);
}

int paths_default_bench(const char *share, char *out, bool *is_demo, struct tl_error *error)
{
    *is_demo = false;
    /* Anything but "not there" is the owner's bench file: neither an unreadable one nor one whose path is too
     * long may be passed over for the demo's limits. */
    int placed = paths_own_bench(out, error);
    if (placed == TL_FILE)
        return TL_FILE;
    if (!placed && (access(out, F_OK) == 0 || (errno != ENOENT && errno != ENOTDIR)))
        return 0;
    *is_demo = true;
    return join(out, share, "/recipes/benches/demo.ini", error);
}

int paths_make(const char *directory, struct tl_error *error)
{
    char path[PATH_SIZE];
    if (join(path, directory, "", error))
        return TL_FILE;
    for (char *c = path + 1; *c; c++) {
        if (*c != '/')
            continue;
        *c = '\0';
        if (mkdir(path, 0700) != 0 && errno != EEXIST)
            return refuse(error, path, strerror(errno));
        *c = '/';
    }
    if (mkdir(path, 0700) != 0 && (errno != EEXIST || !is_directory(path)))
        return refuse(error, path, strerror(errno == EEXIST ? ENOTDIR : errno));
    return 0;
}

static int state_place(char *out, const char *in_home, struct tl_error *error)
{
    return place(out, "XDG_STATE_HOME", "/.local/state/tinlatch", in_home, error);
}

/* The directory that was placed there, made if need be. */
static int made(int result, const char *directory, struct tl_error *error)
{
    return result ? result : paths_make(directory, error);
}

int paths_records(char *out, struct tl_error *error)
{
    return made(state_place(out, "/rehearsals", error), out, error);
}

int paths_runs(char *out, struct tl_error *error)
{
    return made(state_place(out, "/runs", error), out, error);
}

int paths_trusted(char *out, struct tl_error *error)
{
    return made(place(out, "XDG_CONFIG_HOME", "/.config/tinlatch", "/trusted", error), out, error);
}

int paths_keys(char *out, struct tl_error *error)
{
    return made(place(out, "XDG_CONFIG_HOME", "/.config/tinlatch", "/keys", error), out, error);
}

int paths_shelf(char *out, struct tl_error *error)
{
    return made(place(out, "XDG_DATA_HOME", "/.local/share/tinlatch", "/shelf", error), out, error);
}

int paths_latch(char *latch, char *alive, struct tl_error *error)
{
    char directory[PATH_SIZE];
    int result = state_place(directory, "", error);
    if (!result)
        result = paths_make(directory, error);
    if (!result)
        result = join(latch, directory, "/latch", error);
    return result ? result : join(alive, directory, "/alive", error);
}

int paths_open_alive(const char *alive, struct tl_error *error)
{
    int fd = open(alive, O_RDWR | O_CREAT | O_CLOEXEC | O_NOCTTY, 0600);
    if (fd >= 0)
        return fd;
    tl_error_set(error, TL_FILE, "cannot be opened: %s", strerror(errno));
    tl_error_at(error, alive, 0);
    tl_error_hint(error, "one bench is run from one account: with no run going on, remove it");
    return -1;
}

/* The numbers of processes that a text holds: those that still exist, one by one. 0: no more; *last: the one read last,
 * whether it exists or not. */
static pid_t next_alive(char **at, pid_t *last)
{
    for (long pid; (pid = strtol(*at, at, 10)) > 0 && pid <= INT32_MAX;) {
        *last = (pid_t)pid;
        if (kill((pid_t)pid, 0) == 0 || errno != ESRCH)
            return (pid_t)pid;
    }
    return 0;
}

static void read_alive(int fd, char text[ALIVE_SIZE])
{
    ssize_t n = fd >= 0 ? pread(fd, text, ALIVE_SIZE - 1, 0) : -1;
    text[n > 0 ? n : 0] = '\0';
}

void paths_sign_alive(int fd)
{
    char text[ALIVE_SIZE], *at = text, now[ALIVE_SIZE];
    pid_t pid, last;
    struct bytes b;
    read_alive(fd, text);
    bytes_init(&b, now, sizeof now);
    bytes_int(&b, getpid());
    bytes_char(&b, '\n');
    while ((pid = next_alive(&at, &last)) > 0) {
        bytes_int(&b, pid);
        bytes_char(&b, '\n');
    }
    if (ftruncate(fd, 0) == 0)
        (void)!pwrite(fd, now, b.length, 0); /* without it the holder has no number, no more */
}

const char *paths_alive_holder(const char *alive, char out[HOLDER_SIZE])
{
    char text[ALIVE_SIZE], *at = text;
    pid_t pid, last = 0;
    int n = 0;
    int fd = open(alive, O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY);
    read_alive(fd, text);
    if (fd >= 0)
        close(fd);
    out[0] = '\0';
    while ((pid = next_alive(&at, &last)) > 0 && n < 40)
        n += snprintf(out + n, HOLDER_SIZE - (size_t)n, n ? ", pid %d" : " (pid %d", (int)pid);
    if (n > 0)
        strcpy(out + n, ")");
    else if (last > 0) /* the guard holds it on */
        snprintf(out, HOLDER_SIZE,
                 " (pid %d, gone: its guard stays until all is off and cool, or its instruments "
                 "are switched off)",
                 (int)last);
    return out;
}

int paths_guard(char *out, struct tl_error *error)
{
    static const char *const places[] = {"/tinlatch-guard", "/../libexec/tinlatch-guard"};
    char here[PATH_SIZE];
    if (!program_directory(here))
        return refuse(error, "/proc/self/exe", "cannot be read: where is tinlatch-guard?");
    for (size_t i = 0; i < sizeof places / sizeof places[0]; i++)
        if (!join(out, here, places[i], error) && access(out, X_OK) == 0)
            return 0;
    return refuse(error, here, "tinlatch-guard is neither here nor in ../libexec");
}

/* "recipes/stack split.lua" -> "stack-split"; whatever a file system or a shell could trip over
 * becomes "-". */
static void stem_of(const char *recipe, char stem[48])
{
    const char *slash = strrchr(recipe, '/');
    const char *base = slash ? slash + 1 : recipe;
    size_t length = strlen(base), n = 0;
    if (length > 4 && !strcmp(base + length - 4, ".lua"))
        length -= 4;
    for (; n < length && n < 47; n++) {
        char c = base[n];
        bool plain =
            (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '_';
        stem[n] = plain ? c : '-';
    }
    stem[n] = '\0';
}

int paths_new_record(const char *directory, const char *recipe, char *out, struct tl_error *error)
{
    char stem[48], when[32] = "00000000-000000";
    stem_of(recipe, stem);
    time_t now = time(NULL);
    struct tm tm;
    if (localtime_r(&now, &tm))
        strftime(when, sizeof when, "%Y%m%d-%H%M%S", &tm);
    for (int i = 1; i < 10000; i++) {
        int n = snprintf(out, PATH_SIZE, "%s/%s-%s-%d.jsonl", directory, when, stem, i);
        if (n < 0 || n >= PATH_SIZE)
            return refuse(error, directory, strerror(ENAMETOOLONG));
        int fd = open(out, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC | O_NOCTTY, 0644);
        if (fd >= 0) {
            (void)flock(fd, LOCK_EX | LOCK_NB); /* without it the run is thought over, no more */
            return fd;
        }
        if (errno != EEXIST)
            break;
    }
    return refuse(error, out, strerror(errno));
}

/* "20261125-084210-stack-split-1.jsonl"? */
bool paths_is_record(const char *name)
{
    size_t length = strlen(name);
    if (length < 24 || length >= 256 || strcmp(name + length - 6, ".jsonl"))
        return false;
    for (int i = 0; i < 15; i++)
        if (i == 8 ? name[i] != '-' : name[i] < '0' || name[i] > '9')
            return false;
    return name[15] == '-';
}
