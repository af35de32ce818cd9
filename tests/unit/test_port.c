/* SPDX-License-Identifier: MIT */
/* port: a bare descriptor behind the port interface, over a socket pair and over a terminal pair. */
#include "check.h"

#include <fcntl.h>
#include <limits.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

#include "tinlatch/port.h"

struct line {
    struct port *port;
    int there; /* the instrument's end */
    int here;  /* the port's descriptor */
};

static void open_socket(struct line *line)
{
    int fds[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, fds), 0);
    line->here = fds[0];
    line->there = fds[1];
    assert_int_equal(port_fd_open(line->here, &line->port), 0);
}

static void open_terminal(struct line *line)
{
    line->there = posix_openpt(O_RDWR | O_NOCTTY);
    assert_true(line->there >= 0);
    assert_int_equal(grantpt(line->there), 0);
    assert_int_equal(unlockpt(line->there), 0);
    line->here = open(ptsname(line->there), O_RDWR | O_NOCTTY);
    assert_true(line->here >= 0);
    assert_int_equal(port_fd_open(line->here, &line->port), 0);
}

static void expect_nothing(struct line *line)
{
    char got[8];
    assert_int_equal(port_read(line->port, got, sizeof got), 0);
}

static void test_bytes_pass_both_ways_unchanged(void **state)
{
    (void)state;
    static void (*const opens[])(struct line *) = {open_socket, open_terminal};
    for (size_t i = 0; i < 2; i++) {
        /* bytes that a terminal's line discipline would change, echo, or act on */
        static const char odd[] = "a\r\n\x03\x04\x11\x13\x1A\x7F\xFF\0z";
        struct line line;
        char got[sizeof odd] = {0};
        opens[i](&line);
        expect_nothing(&line);

        assert_int_equal(port_write(line.port, odd, sizeof odd), sizeof odd);
        assert_int_equal(read(line.there, got, sizeof got), sizeof odd);
        assert_memory_equal(got, odd, sizeof odd);
        expect_nothing(&line); /* no echo */
        assert_int_equal(write(line.there, odd, sizeof odd), sizeof odd);
        assert_int_equal(port_read(line.port, got, sizeof got), sizeof odd);
        assert_memory_equal(got, odd, sizeof odd);
        expect_nothing(&line);

        port_close(line.port);
        close(line.there);
    }
}

static void test_line_gone_is_the_end_and_no_signal(void **state)
{
    (void)state;
    static void (*const opens[])(struct line *) = {open_socket, open_terminal};
    for (size_t i = 0; i < 2; i++) {
        struct line line;
        char got[8];
        opens[i](&line);

        close(line.there);

        assert_int_equal(port_read(line.port, got, sizeof got), TL_ENDED);
        assert_int_equal(port_write(line.port, "OFF\n", 4), TL_ENDED);
        port_close(line.port);
    }
}

static void test_full_line_takes_nothing_more_and_does_not_block(void **state)
{
    (void)state;
    static char much[1 << 20];
    struct line line;
    open_socket(&line);

    while (port_write(line.port, much, sizeof much) > 0)
        ;

    assert_int_equal(port_write(line.port, much, sizeof much), 0);
    port_close(line.port);
    close(line.there);
}

static void test_empty_read_and_write_move_nothing_and_are_no_end(void **state)
{
    (void)state;
    struct line line;
    char got[1];
    open_socket(&line);

    assert_int_equal(port_read(line.port, got, 0), 0);
    assert_int_equal(port_write(line.port, got, 0), 0);
    port_close(line.port);
    close(line.there);
}

static void test_descriptor_is_the_ports_and_closed_with_it(void **state)
{
    (void)state;
    struct line line;
    open_socket(&line);
    assert_int_equal(line.port->fd, line.here);
    assert_true(fcntl(line.here, F_GETFL) & O_NONBLOCK);

    port_close(line.port);

    assert_int_equal(fcntl(line.here, F_GETFL), -1);
    port_close(NULL);
    close(line.there);
}

static void test_bad_descriptor_is_refused_and_nothing_is_made(void **state)
{
    (void)state;
    struct port *port = (struct port *)&port;
    struct port *before = port;

    assert_int_equal(port_fd_open(-1, &port), TL_SYSTEM);
    assert_ptr_equal(port, before);
}

static void test_line_without_control_lines_says_so(void **state)
{
    (void)state;
    static void (*const opens[])(struct line *) = {open_socket, open_terminal};
    for (size_t i = 0; i < 2; i++) {
        struct line line;
        bool cts = true, dsr = false, dcd = true;
        opens[i](&line);

        assert_int_equal(port_set_lines(line.port, true, false), TL_MISSING);
        assert_int_equal(port_get_lines(line.port, &cts, &dsr, &dcd), TL_MISSING);

        assert_true(cts && !dsr && dcd); /* nothing was made up */
        port_close(line.port);
        close(line.there);
    }
}

static void test_control_lines_of_a_closed_descriptor_are_an_error(void **state)
{
    (void)state;
    struct line line;
    bool cts, dsr, dcd;
    open_socket(&line);
    close(line.here);

    assert_int_equal(port_set_lines(line.port, false, false), TL_SYSTEM);
    assert_int_equal(port_get_lines(line.port, &cts, &dsr, &dcd), TL_SYSTEM);

    port_close(line.port);
    close(line.there);
}

/* ---- the interface itself, over a fake backend ---- */

struct fake {
    struct port port;
    size_t asked;
    int closed;
};

static int fake_read(struct port *port, void *to, size_t size)
{
    (void)to;
    ((struct fake *)port)->asked = size;
    return TL_ENDED;
}

static int fake_write(struct port *port, const void *from, size_t length)
{
    (void)from;
    ((struct fake *)port)->asked = length;
    return 3;
}

static void fake_close(struct port *port)
{
    ((struct fake *)port)->closed++;
}

static void test_calls_reach_the_backend_in_sizes_that_an_int_holds(void **state)
{
    (void)state;
    static const struct port_ops ops = {
        .read = fake_read, .write = fake_write, .close = fake_close};
    struct fake fake = {.port = {.ops = &ops, .fd = -1}};
    char byte;

    assert_int_equal(port_read(&fake.port, &byte, 17), TL_ENDED);
    assert_int_equal(fake.asked, 17);
    assert_int_equal(port_write(&fake.port, &byte, SIZE_MAX), 3);
    assert_int_equal(fake.asked, INT_MAX);
    assert_int_equal(port_set_lines(&fake.port, true, true), TL_MISSING);
    port_close(&fake.port);
    assert_int_equal(fake.closed, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_bytes_pass_both_ways_unchanged),
        cmocka_unit_test(test_line_gone_is_the_end_and_no_signal),
        cmocka_unit_test(test_full_line_takes_nothing_more_and_does_not_block),
        cmocka_unit_test(test_empty_read_and_write_move_nothing_and_are_no_end),
        cmocka_unit_test(test_descriptor_is_the_ports_and_closed_with_it),
        cmocka_unit_test(test_bad_descriptor_is_refused_and_nothing_is_made),
        cmocka_unit_test(test_line_without_control_lines_says_so),
        cmocka_unit_test(test_control_lines_of_a_closed_descriptor_are_an_error),
        cmocka_unit_test(test_calls_reach_the_backend_in_sizes_that_an_int_holds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
