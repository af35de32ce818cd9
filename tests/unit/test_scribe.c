/* SPDX-License-Identifier: MIT */
/* scribe: whole lines, durable numbers, disks that refuse, a writer and a scribe killed at any instant. */
#include "check.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "tinlatch/err.h"
#include "tinlatch/scribe.h"

enum { SLACK_MS = 700, MUCH = 1 << 20 };

static int64_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_BOOTTIME, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* A scribe in a process of its own; status = -its result. */
struct desk {
    pid_t pid;
    int to, back;
    char path[64];
    int record;
};

static void open_record(struct desk *d)
{
    strcpy(d->path, "/tmp/scribe-test-XXXXXX");
    d->record = mkstemp(d->path);
    assert_true(d->record >= 0);
}

static void start_on(struct desk *d, int record, rlim_t most_bytes)
{
    int in[2], out[2];
    assert_int_equal(pipe2(in, O_CLOEXEC), 0);
    assert_int_equal(pipe2(out, O_CLOEXEC), 0);
    d->pid = fork();
    if (d->pid == 0) {
        struct rlimit limit = {most_bytes, RLIM_INFINITY};
        close(in[1]);
        close(out[0]);
        if (most_bytes > 0) {
            getrlimit(RLIMIT_FSIZE, &limit);
            limit.rlim_cur = most_bytes;
            setrlimit(RLIMIT_FSIZE, &limit);
        }
        _exit(-scribe_run(in[0], record, out[1]));
    }
    close(in[0]);
    close(out[1]);
    d->to = in[1];
    d->back = out[0];
}

static void start(struct desk *d)
{
    open_record(d);
    start_on(d, d->record, 0);
}

static void put(struct desk *d, const char *text)
{
    assert_int_equal(write(d->to, text, strlen(text)), (int)strlen(text));
}

/* The newest durable number that has come within `for_ms`; -1: none. */
static int64_t durable(struct desk *d, int for_ms)
{
    struct pollfd news = {.fd = d->back, .events = POLLIN};
    int64_t number = -1;
    uint64_t one;
    while (poll(&news, 1, number < 0 ? for_ms : 0) == 1 && read(d->back, &one, sizeof one) == 8)
        number = (int64_t)one;
    return number;
}

static int result_of(struct desk *d)
{
    int status = -1;
    assert_int_equal(waitpid(d->pid, &status, 0), d->pid);
    assert_true(WIFEXITED(status));
    return -WEXITSTATUS(status);
}

static int end(struct desk *d)
{
    close(d->to);
    return result_of(d);
}

static char *content(struct desk *d, size_t *length)
{
    static char text[MUCH];
    ssize_t n = pread(d->record, text, sizeof text - 1, 0);
    assert_true(n >= 0);
    text[n] = '\0';
    *length = (size_t)n;
    return text;
}

static void drop(struct desk *d)
{
    close(d->back);
    close(d->record);
    unlink(d->path);
}

static void expect_content(struct desk *d, const char *text)
{
    size_t length;
    assert_string_equal(content(d, &length), text);
}

/* ---- in order ------------------------------------------------------------------------------------------ */

static void test_lines_are_copied_counted_and_durable_at_the_end(void **state)
{
    (void)state;
    struct desk d;
    start(&d);
    put(&d, "{\"kind\":\"scan\"}\n{\"ki");
    put(&d, "nd\":\"scan\"}\n");

    assert_int_equal(end(&d), 0);

    expect_content(&d, "{\"kind\":\"scan\"}\n{\"kind\":\"scan\"}\n");
    assert_int_equal(durable(&d, 0), 2);
    drop(&d);
}

static void test_torn_end_leaves_no_half_line(void **state)
{
    (void)state;
    struct desk d;
    start(&d);
    put(&d, "one\ntwo\nthr");

    assert_int_equal(end(&d), 0);

    expect_content(&d, "one\ntwo\n");
    assert_int_equal(durable(&d, 0), 2);
    drop(&d);
}

static void test_nothing_comes_nothing_is_said(void **state)
{
    (void)state;
    struct desk d;
    start(&d);
    assert_int_equal(end(&d), 0);
    assert_int_equal(durable(&d, 0), -1);
    drop(&d);
}

/* ---- when ---------------------------------------------------------------------------------------------- */

static void test_plain_lines_are_durable_within_half_a_second(void **state)
{
    (void)state;
    struct desk d;
    start(&d);
    int64_t begun_ms = now_ms();

    put(&d, "{\"kind\":\"scan\"}\n");
    int64_t number = durable(&d, SCRIBE_SYNC_MS + SLACK_MS);
    int64_t after_ms = now_ms() - begun_ms;

    print_message("a plain line is durable after %d ms\n", (int)after_ms);
    assert_int_equal(number, 1);
    assert_true(after_ms >= SCRIBE_SYNC_MS - 20); /* the disk is spared */
    assert_int_equal(durable(&d, 50), -1);        /* said once */
    end(&d);
    drop(&d);
}

static void test_a_steady_flow_does_not_put_off_the_sync(void **state)
{
    (void)state;
    struct desk d;
    start(&d);
    int64_t begun_ms = now_ms(), number = -1;

    for (int i = 0; i < 200 && number < 0; i++) {
        put(&d, "{\"kind\":\"scan\"}\n");
        number = durable(&d, 10);
    }

    assert_true(number > 1);
    assert_true(now_ms() - begun_ms <= SCRIBE_SYNC_MS + SLACK_MS);
    end(&d);
    drop(&d);
}

/* What counts as urgent, and what only looks like it. */
static void test_what_must_not_wait_is_durable_at_once(void **state)
{
    (void)state;
    static const struct {
        const char *line;
        bool urgent;
    } lines[] = {
        {"{\"kind\":\"rule\",\"t_ms\":1}\n", true},
        {"{\"kind\":\"end\",\"t_ms\":1}\n", true},
        {"{\"kind\":\"start\",\"format\":1}\n", true},
        {"{\"kind\":\"limits\"}\n", true},
        {"{\"kind\":\"event\",\"t_ms\":-12,\"what\":\"mode\",\"text\":\"x\"}\n", true},
        {"{\"kind\":\"event\",\"t_ms\":12,\"what\":\"fan\",\"text\":\"x\"}\n", false},
        {"{\"kind\":\"note\",\"text\":\"{\\\"kind\\\":\\\"rule\\\"\"}\n", false},
        {"{\"kind\":\"ruler\"}\n", false},
    };
    struct desk d;
    start(&d);
    for (size_t i = 0; i < sizeof lines / sizeof *lines; i++) {
        int64_t begun_ms = now_ms();
        put(&d, lines[i].line);
        assert_int_equal(durable(&d, 5000), i + 1);
        int64_t after_ms = now_ms() - begun_ms;
        if (lines[i].urgent && after_ms >= SCRIBE_SYNC_MS - 20)
            print_error("%s waited %d ms\n", lines[i].line, (int)after_ms);
        assert_true(lines[i].urgent == (after_ms < SCRIBE_SYNC_MS - 20));
    }
    end(&d);
    drop(&d);
}

static void test_much_at_once_is_copied_whole(void **state)
{
    (void)state;
    static char line[16384];
    struct desk d;
    start(&d);
    memset(line, 'x', sizeof line);
    line[sizeof line - 1] = '\n';

    for (int i = 0; i < 40; i++)
        assert_int_equal(write(d.to, line, sizeof line), sizeof line);

    assert_int_equal(end(&d), 0);
    size_t length;
    content(&d, &length);
    assert_int_equal(length, 40 * sizeof line);
    assert_int_equal(durable(&d, 0), 40);
    drop(&d);
}

/* ---- what can go wrong --------------------------------------------------------------------------------- */

static void test_signals_do_not_end_the_record(void **state)
{
    (void)state;
    static const int signals[] = {SIGTERM, SIGINT,  SIGHUP,  SIGQUIT,
                                  SIGTSTP, SIGPIPE, SIGUSR1, SIGXCPU};
    struct desk d;
    start(&d);
    put(&d, "{\"kind\":\"start\"}\n");
    assert_int_equal(durable(&d, 5000), 1);
    for (size_t i = 0; i < sizeof signals / sizeof *signals; i++)
        kill(d.pid, signals[i]);
    put(&d, "{\"kind\":\"end\"}\n");
    assert_int_equal(durable(&d, 5000), 2);
    assert_int_equal(end(&d), 0);
    drop(&d);
}

static void test_guard_that_no_longer_listens_does_not_end_the_record(void **state)
{
    (void)state;
    struct desk d;
    start(&d);
    close(d.back);
    d.back = -1;
    put(&d, "{\"kind\":\"rule\"}\n");
    usleep(50000);
    put(&d, "{\"kind\":\"end\"}\n");
    assert_int_equal(end(&d), 0);
    expect_content(&d, "{\"kind\":\"rule\"}\n{\"kind\":\"end\"}\n");
    drop(&d);
}

static void test_disk_that_takes_nothing_ends_it_and_the_numbers(void **state)
{
    (void)state;
    struct desk d;
    open_record(&d);
    int full = open("/dev/full", O_WRONLY | O_CLOEXEC);
    start_on(&d, full, 0);
    put(&d, "one\n");
    assert_int_equal(result_of(&d), TL_SYSTEM);
    assert_int_equal(durable(&d, 0), -1);
    close(full);
    close(d.to);
    drop(&d);
}

static void test_disk_that_fills_up_keeps_whole_lines_and_their_number(void **state)
{
    (void)state;
    for (rlim_t most = 20; most <= 29; most++) {
        struct desk d;
        open_record(&d);
        start_on(&d, d.record, most);
        put(&d, "line one.\nline two.\nline three\nline four\n");
        assert_int_equal(result_of(&d), TL_SYSTEM);
        expect_content(&d, "line one.\nline two.\n"); /* no half line, also not "line th" */
        assert_int_equal(durable(&d, 0), 2);
        close(d.to);
        drop(&d);
    }
}

static void test_what_cannot_be_made_durable_is_not_called_so(void **state)
{
    (void)state;
    struct desk d;
    int ends[2];
    open_record(&d);
    assert_int_equal(pipe2(ends, O_CLOEXEC), 0); /* takes the bytes, knows no sync */
    start_on(&d, ends[1], 0);
    put(&d, "{\"kind\":\"start\"}\n");
    assert_int_equal(result_of(&d), TL_SYSTEM);
    assert_int_equal(durable(&d, 0), -1);
    close(ends[0]);
    close(ends[1]);
    close(d.to);
    drop(&d);
}

static void test_line_without_end_is_no_record(void **state)
{
    (void)state;
    static char much[1 << 16];
    struct desk d;
    start(&d);
    memset(much, 'x', sizeof much);
    signal(SIGPIPE, SIG_IGN);
    for (int i = 0; i < 4 && write(d.to, much, sizeof much) > 0; i++)
        ;
    assert_int_equal(result_of(&d), TL_SYSTEM);
    expect_content(&d, "");
    close(d.to);
    drop(&d);
}

/* ---- killed at any instant ----------------------------------------------------------------------------- */

static uint32_t random_state = 1;

static uint32_t next_random(void)
{
    random_state = random_state * 1664525u + 1013904223u;
    return random_state >> 8;
}

/* Every line of the file is whole and in its place; returns how many. */
static int64_t check_lines(struct desk *d)
{
    size_t length;
    const char *at = content(d, &length);
    int64_t count = 0;
    while (*at) {
        int number = -1, used = 0;
        const char *newline = strchr(at, '\n');
        if (!newline)
            break; /* the scribe was killed within a write: the reader drops the tail */
        assert_true(sscanf(at, "{\"kind\":\"%*[a-z]\",\"n\":%d}%n", &number, &used) == 1);
        assert_int_equal(number, count + 1);
        assert_int_equal(used, newline - at);
        count++;
        at = newline + 1;
    }
    return count;
}

static pid_t start_writer(struct desk *d)
{
    pid_t writer = fork();
    if (writer == 0) {
        char line[64];
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        for (int n = 1; n < 8000; n++) {
            int length = snprintf(line, sizeof line, "{\"kind\":\"%s\",\"n\":%d}\n",
                                  n % 50 == 0 ? "rule" : "scan", n);
            if (write(d->to, line, (size_t)length) != length)
                _exit(1);
            if (n % 20 == 0)
                usleep(1000);
        }
        pause();
    }
    close(d->to);
    return writer;
}

static void test_every_acknowledged_line_is_there_whoever_is_killed(void **state)
{
    (void)state;
    int64_t lines = 0, acknowledged = 0;
    for (int round = 0; round < 40; round++) {
        struct desk d;
        start(&d);
        pid_t writer = start_writer(&d);
        usleep(next_random() % 60000);
        bool scribe_too = round % 2;
        kill(scribe_too ? d.pid : writer, SIGKILL);

        if (scribe_too) {
            waitpid(d.pid, NULL, 0);
            kill(writer, SIGKILL);
        } else {
            assert_int_equal(result_of(&d), 0);
        }
        waitpid(writer, NULL, 0);
        int64_t number = durable(&d, 0);
        int64_t count = check_lines(&d);
        assert_true(count >= number);
        if (!scribe_too)
            assert_true(count == (number < 0 ? 0 : number)); /* the last number says all */
        lines += count;
        acknowledged += number > 0 ? number : 0;
        drop(&d);
    }
    print_message("killed 40 times: %d lines, %d acknowledged\n", (int)lines, (int)acknowledged);
    assert_true(acknowledged > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_lines_are_copied_counted_and_durable_at_the_end),
        cmocka_unit_test(test_torn_end_leaves_no_half_line),
        cmocka_unit_test(test_nothing_comes_nothing_is_said),
        cmocka_unit_test(test_plain_lines_are_durable_within_half_a_second),
        cmocka_unit_test(test_a_steady_flow_does_not_put_off_the_sync),
        cmocka_unit_test(test_what_must_not_wait_is_durable_at_once),
        cmocka_unit_test(test_much_at_once_is_copied_whole),
        cmocka_unit_test(test_signals_do_not_end_the_record),
        cmocka_unit_test(test_guard_that_no_longer_listens_does_not_end_the_record),
        cmocka_unit_test(test_disk_that_takes_nothing_ends_it_and_the_numbers),
        cmocka_unit_test(test_disk_that_fills_up_keeps_whole_lines_and_their_number),
        cmocka_unit_test(test_what_cannot_be_made_durable_is_not_called_so),
        cmocka_unit_test(test_line_without_end_is_no_record),
        cmocka_unit_test(test_every_acknowledged_line_is_there_whoever_is_killed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
