/* SPDX-License-Identifier: MIT */
#include "tinlatch/scribe.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/err.h"

enum { STORE = 1 << 17 }; /* some ten seconds of lines, and more than the longest line */

struct scribe {
    int from_fd, record_fd, back_fd;
    size_t length;     /* bytes in `store`, from the start of a line */
    uint64_t written;  /* lines handed to the system */
    uint64_t durable;  /* of those, on the disk */
    bool urgent;       /* one of them must not wait */
    int64_t oldest_ms; /* when the oldest line that is not durable was written */
    char store[STORE];
};

static int64_t now_ms(void)
{
    struct timespec now = {0};
    clock_gettime(CLOCK_BOOTTIME, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static bool skip(const char **at, const char *end, const char *text)
{
    size_t length = strlen(text);
    if ((size_t)(end - *at) < length || memcmp(*at, text, length) != 0)
        return false;
    *at += length;
    return true;
}

/* {"kind":"event","t_ms":1234,"what":"mode" ... */
static bool is_mode_change(const char *at, const char *end)
{
    if (!skip(&at, end, "{\"kind\":\"event\",\"t_ms\":"))
        return false;
    while (at < end && (*at == '-' || (*at >= '0' && *at <= '9')))
        at++;
    return skip(&at, end, ",\"what\":\"mode\"");
}

/* What must be known after a power cut a moment later: why, where the limits were, how it ended. */
static bool is_urgent(const char *at, const char *end)
{
    static const char *const starts[] = {"{\"kind\":\"rule\"", "{\"kind\":\"end\"",
                                         "{\"kind\":\"start\"", "{\"kind\":\"limits\""};
    for (size_t i = 0; i < sizeof starts / sizeof *starts; i++) {
        const char *from = at;
        if (skip(&from, end, starts[i]))
            return true;
    }
    return is_mode_change(at, end);
}

/* Count the whole lines of store[0..length); returns where the last one ends. */
static size_t count_lines(struct scribe *s, size_t length)
{
    size_t done = 0;
    const char *newline;
    while ((newline = memchr(s->store + done, '\n', length - done))) {
        s->urgent |= is_urgent(s->store + done, newline);
        s->written++;
        done = (size_t)(newline - s->store) + 1;
    }
    return done;
}

/* The disk took half a line: the record ends with the last whole one, where it can be cut. */
static void cut_half_line(int fd, size_t half)
{
    off_t at = lseek(fd, 0, SEEK_CUR);
    if (half == 0 || at < (off_t)half || ftruncate(fd, at - (off_t)half) < 0)
        return;
    lseek(fd, at - (off_t)half, SEEK_SET);
}

static size_t write_all(int fd, const char *from, size_t length)
{
    size_t done = 0;
    while (done < length) {
        ssize_t n = write(fd, from + done, length - done);
        if (n > 0)
            done += (size_t)n;
        else if (n == 0 || errno != EINTR)
            break;
    }
    return done;
}

static int copy_lines(struct scribe *s)
{
    const char *last = memrchr(s->store, '\n', s->length);
    size_t length = last ? (size_t)(last - s->store) + 1 : 0;
    if (length == 0)
        return s->length == STORE ? TL_SYSTEM : 0; /* a line that no journal writes */
    if (s->written == s->durable)
        s->oldest_ms = now_ms();
    size_t done = write_all(s->record_fd, s->store, length);
    size_t whole = count_lines(s, done);
    if (done < length) {
        cut_half_line(s->record_fd, done - whole);
        return TL_SYSTEM;
    }
    memmove(s->store, s->store + length, s->length - length);
    s->length -= length;
    return 0;
}

/* A number that the guard has no room for is left out: the next one says more. */
static int sync_lines(struct scribe *s)
{
    struct pollfd room = {.fd = s->back_fd, .events = POLLOUT};
    if (s->written == s->durable)
        return 0;
    if (fdatasync(s->record_fd) < 0)
        return TL_SYSTEM;
    s->durable = s->written;
    s->urgent = false;
    if (poll(&room, 1, 0) == 1 && room.revents == POLLOUT)
        (void)!write(s->back_fd, &s->durable, sizeof s->durable);
    return 0;
}

static int sync_wait_ms(const struct scribe *s)
{
    if (s->written == s->durable)
        return -1;
    int64_t left_ms = s->oldest_ms + SCRIBE_SYNC_MS - now_ms();
    return s->urgent || left_ms < 0 ? 0 : (int)left_ms;
}

/* One piece of input. 1: there may be more; 0: its end; TL_SYSTEM. */
static int take_input(struct scribe *s)
{
    ssize_t n = read(s->from_fd, s->store + s->length, STORE - s->length);
    if (n < 0)
        return errno == EAGAIN || errno == EINTR ? 1 : TL_SYSTEM;
    s->length += (size_t)n;
    int result = copy_lines(s);
    return result ? result : n > 0;
}

int scribe_run(int from_fd, int record_fd, int back_fd)
{
    static struct scribe scribe;
    struct scribe *s = &scribe;
    *s = (struct scribe){.from_fd = from_fd, .record_fd = record_fd, .back_fd = back_fd};
    /* A terminal's keys, a full disk and a guard that is gone must not end the record early. */
    sigset_t every;
    sigfillset(&every);
    sigprocmask(SIG_BLOCK, &every, NULL);

    int result = 1;
    while (result == 1) {
        struct pollfd input = {.fd = from_fd, .events = POLLIN};
        int ready = poll(&input, 1, sync_wait_ms(s));
        if (ready > 0)
            result = take_input(s);
        if (result == 1 && sync_wait_ms(s) == 0)
            result = sync_lines(s) ? TL_SYSTEM : 1;
    }
    /* Whatever the disk took whole is made to last, also when it refused the next line. */
    int last = sync_lines(s);
    return result ? result : last;
}
