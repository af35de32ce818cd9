/* SPDX-License-Identifier: MIT */
#include "state_file.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tinlatch/bench.h"
#include "tinlatch/bytes.h"
#include "tinlatch/utf8.h"

enum {
    STATE_BYTES = 8192, /* every byte of every text escaped */
    STATE_FIELDS = 16,
};

static int refuse(const char *path, const struct state_kind *kind, const char *verb,
                  struct tl_error *error)
{
    int code = errno;
    tl_error_set(error, TL_FILE, "the %s cannot be %s: %s", kind->name, verb, strerror(code));
    tl_error_at(error, path, 0);
    return TL_FILE;
}

/* ---- write --------------------------------------------------------------------------------------------- */

/* `text` up to its NUL, or to the end of its array. */
static void add_text(struct bytes *b, const char *key, const char *text, size_t size)
{
    char ended[BENCH_TEXT] = "";
    memcpy(ended, text, strnlen(text, size < sizeof ended ? size : sizeof ended - 1));
    ended[sizeof ended - 1] = '\0';
    bytes_json(b, key);
    bytes_char(b, ':');
    bytes_json(b, ended);
    bytes_char(b, ',');
}

static void add_number(struct bytes *b, const char *key, const char *from)
{
    int64_t number;
    memcpy(&number, from, sizeof number);
    bytes_json(b, key);
    bytes_char(b, ':');
    bytes_int(b, number);
    bytes_char(b, ',');
}

static size_t encode(const struct state_kind *kind, const char *from, char *to, size_t size)
{
    struct bytes b;
    bytes_init(&b, to, size);
    bytes_char(&b, '{');
    for (int i = 0; i < kind->count; i++) {
        const struct state_field *field = &kind->fields[i];
        if (field->size)
            add_text(&b, field->key, from + field->at, field->size);
        else
            add_number(&b, field->key, from + field->at);
    }
    b.length--; /* the last comma */
    bytes_text(&b, "}\n");
    return b.length;
}

/* A rename lasts only once its directory is on the disk. */
static int sync_directory(const char *path)
{
    char directory[PATH_MAX];
    snprintf(directory, sizeof directory, "%s", path);
    char *slash = strrchr(directory, '/');
    if (!slash)
        strcpy(directory, ".");
    else
        slash[slash == directory] = '\0';
    int fd = open(directory, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return -1;
    int result = fsync(fd);
    int code = errno;
    close(fd);
    errno = code;
    return result;
}

static int write_all(int fd, const char *from, size_t length)
{
    while (length > 0) {
        ssize_t n = write(fd, from, length);
        if (n < 0 && errno != EINTR)
            return -1;
        if (n > 0) {
            from += n;
            length -= (size_t)n;
        }
    }
    return 0;
}

static int write_beside(const char *beside, const char *text, size_t length, bool durable)
{
    unlink(beside); /* left by a crash, or put there as a link */
    int fd = open(beside, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, 0600);
    if (fd < 0)
        return -1;
    int result = write_all(fd, text, length);
    if (result == 0 && durable)
        result = fsync(fd);
    int code = errno;
    if (close(fd) < 0 && result == 0)
        return -1;
    errno = code;
    return result;
}

int state_file_write(const char *path, const struct state_kind *kind, const void *from,
                     bool durable, struct tl_error *error)
{
    char beside[PATH_MAX], text[STATE_BYTES];
    size_t length = encode(kind, from, text, sizeof text);
    if (snprintf(beside, sizeof beside, "%s.new", path) >= (int)sizeof beside) {
        errno = ENAMETOOLONG;
        return refuse(path, kind, "written", error);
    }
    if (write_beside(beside, text, length, durable) < 0 || rename(beside, path) < 0) {
        refuse(path, kind, "written", error);
        unlink(beside);
        return TL_FILE;
    }
    return durable && sync_directory(path) < 0 ? refuse(path, kind, "written", error) : 0;
}

void state_file_reserve(const char *path)
{
    int fd = open(path, O_WRONLY | O_NOFOLLOW | O_CLOEXEC);
    if (fd < 0)
        return;
    fallocate(fd, FALLOC_FL_KEEP_SIZE, 0, STATE_BYTES);
    close(fd);
}

static int write_over(int fd, const char *text, size_t length)
{
    int result = write_all(fd, text, length);
    return result ? result : ftruncate(fd, (off_t)length);
}

int state_file_write_over(const char *path, dev_t device, ino_t inode,
                          const struct state_kind *kind, const void *from, struct tl_error *error)
{
    char text[STATE_BYTES];
    struct stat file;
    size_t length = encode(kind, from, text, sizeof text);
    int fd = open(path, O_WRONLY | O_NOFOLLOW | O_CLOEXEC);
    if (fd < 0)
        return refuse(path, kind, "written", error);
    bool same = fstat(fd, &file) == 0 && file.st_dev == device && file.st_ino == inode;
    errno = EEXIST;
    int result =
        same && write_over(fd, text, length) == 0 ? 0 : refuse(path, kind, "written", error);
    close(fd);
    return result;
}

int state_file_sync(const char *path, const struct state_kind *kind, struct tl_error *error)
{
    int fd = open(path, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (fd < 0)
        return refuse(path, kind, "synced", error);
    int result = fsync(fd);
    if (result < 0)
        refuse(path, kind, "synced", error);
    close(fd);
    if (result < 0)
        return TL_FILE;
    return sync_directory(path) < 0 ? refuse(path, kind, "synced", error) : 0;
}

/* ---- read ---------------------------------------------------------------------------------------------- */

struct reader {
    const char *at, *end;
};

static bool at_end(struct reader *r)
{
    while (r->at < r->end && strchr(" \t\r\n", *r->at) && *r->at)
        r->at++;
    return r->at == r->end;
}

static bool take(struct reader *r, char c)
{
    if (at_end(r) || *r->at != c)
        return false;
    r->at++;
    return true;
}

static bool take_hex(struct reader *r, uint32_t *value)
{
    static const char digits[] = "0123456789abcdef0123456789ABCDEF";
    *value = 0;
    for (int i = 0; i < 4; i++) {
        const char *digit = r->at < r->end && *r->at ? strchr(digits, *r->at) : NULL;
        if (!digit)
            return false;
        *value = *value << 4 | ((uint32_t)(digit - digits) & 15);
        r->at++;
    }
    return true;
}

/* What stands behind a backslash. Only bytes that were not text were written as \u: shown as "?". */
static bool take_escape(struct reader *r, struct bytes *b)
{
    static const char from[] = "\"\\/nt", to[] = "\"\\/  ";
    uint32_t value;
    if (r->at == r->end)
        return false;
    char c = *r->at++;
    const char *known = c ? strchr(from, c) : NULL;
    if (known) {
        bytes_char(b, to[known - from]);
        return true;
    }
    if (c != 'u' || !take_hex(r, &value))
        return false;
    bytes_char(b, '?');
    return true;
}

/* A JSON string into `to`; control bytes and what is not UTF-8 never reach a terminal. */
static bool take_text(struct reader *r, char *to, size_t size)
{
    char text[STATE_BYTES];
    struct bytes b;
    bytes_init(&b, text, sizeof text - 1);
    bool good = take(r, '"');
    while (good && r->at < r->end && *r->at != '"') {
        size_t length = utf8_length(r->at, (size_t)(r->end - r->at));
        if (*r->at == '\\') {
            r->at++;
            good = take_escape(r, &b);
        } else if (length > 0 && utf8_is_plain(r->at, length)) {
            bytes_add(&b, r->at, length);
            r->at += length;
        } else {
            bytes_char(&b, '?');
            r->at++;
        }
    }
    text[b.length] = '\0';
    bytes_copy_text(to, size, text); /* torn: as far as it goes */
    return good && take(r, '"');
}

struct target {
    const struct state_kind *kind;
    char *to;
    int seen; /* fields */
    bool odd; /* a key that is not known, or one given twice */
    bool had[STATE_FIELDS];
};

static bool take_field(struct reader *r, struct target *target, int i)
{
    const struct state_field *field = &target->kind->fields[i];
    int64_t number;
    target->odd = target->odd || target->had[i];
    target->seen += !target->had[i];
    target->had[i] = true;
    if (field->size)
        return take_text(r, target->to + field->at, field->size);
    if (bytes_read_int(&r->at, r->end, &number))
        return false;
    memcpy(target->to + field->at, &number, sizeof number);
    return true;
}

static bool take_pair(struct reader *r, struct target *target)
{
    char key[BENCH_NAME], unknown[BENCH_TEXT];
    if (!take_text(r, key, sizeof key) || !take(r, ':'))
        return false;
    for (int i = 0; i < target->kind->count; i++)
        if (!strcmp(key, target->kind->fields[i].key))
            return take_field(r, target, i);
    target->odd = true;
    return take_text(r, unknown, sizeof unknown);
}

static bool decode(const char *text, size_t length, const struct state_kind *kind, void *to)
{
    struct reader r = {text, text + length};
    struct target target = {.kind = kind, .to = to};
    bool more = take(&r, '{'), good = more;
    while (more) {
        good = take_pair(&r, &target);
        more = good && take(&r, ',');
    }
    good = good && take(&r, '}') && at_end(&r);
    return good && !target.odd && target.seen == kind->count;
}

int state_file_read(const char *path, const struct state_kind *kind, void *to, bool *whole,
                    struct tl_error *error)
{
    char text[STATE_BYTES];
    size_t length = 0;
    *whole = false;
    /* Neither a link nor a pipe: what cannot be looked into is not read. */
    int fd = open(path, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (fd < 0)
        return errno == ENOENT ? 0 : refuse(path, kind, "read", error);
    ssize_t n;
    while ((n = read(fd, text + length, sizeof text - length)) > 0 || (n < 0 && errno == EINTR))
        length += n > 0 ? (size_t)n : 0;
    if (n < 0) {
        refuse(path, kind, "read", error);
        close(fd);
        return TL_FILE;
    }
    close(fd);
    *whole = decode(text, length, kind, to);
    return 1;
}

int state_file_remove(const char *path, const struct state_kind *kind, struct tl_error *error)
{
    if (unlink(path) < 0 && errno != ENOENT)
        return refuse(path, kind, "removed", error);
    return sync_directory(path) < 0 && errno != ENOENT ? refuse(path, kind, "removed", error) : 0;
}
