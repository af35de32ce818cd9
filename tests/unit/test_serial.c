/* SPDX-License-Identifier: MIT */
/* serial: ports by the bare descriptor, ports through libserialport (over a pseudo-terminal that it takes for
 * a real one, tests/support/pty_as_port.c), their locks, and the list of them below a made-up root. */
#include "scratch.h"

#include <errno.h>
#include <fcntl.h>
#include <glob.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include "tinlatch/serial.h"

static int unplug(void **state)
{
    unsetenv("PTY_AS_PORT");
    return drop_scratch(state);
}

/* An instrument's end of a line. */
struct instrument {
    int fd;
    int number;
    char path[64];
};

static void plug_in(struct instrument *it)
{
    it->fd = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    assert_true(it->fd >= 0 && grantpt(it->fd) == 0 && unlockpt(it->fd) == 0);
    assert_int_equal(ptsname_r(it->fd, it->path, sizeof it->path), 0);
    it->number = atoi(strrchr(it->path, '/') + 1);
}

static void look(const struct instrument *it, const char *what, char *text, size_t size)
{
    char path[128];
    snprintf(path, sizeof path, "%s/%d.%s", scratch, it->number, what);
    FILE *file = fopen(path, "r");
    size_t n = file ? fread(text, 1, size - 1, file) : 0;
    text[n] = '\0';
    if (file)
        fclose(file);
}

/* Make a file that the fake port keeps; "lines" is the state that a port is found in. */
static void leave(const struct instrument *it, const char *what, const char *text)
{
    char path[128];
    snprintf(path, sizeof path, "%s/%d.%s", scratch, it->number, what);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs(text, file);
    fclose(file);
}

static struct port *must_open(const char *path, int baud, char parity)
{
    struct tl_error error = {0};
    struct port *port = NULL;
    int result = serial_open(path, baud, parity, &port, &error);
    if (result)
        print_error("%s\n", error.text);
    assert_int_equal(result, 0);
    return port;
}

static void expect_refused(const char *path, const char *part)
{
    struct tl_error error = {0};
    struct port *port = (struct port *)&error;
    assert_int_equal(serial_open(path, 9600, 'N', &port, &error), TL_DEVICE);
    assert_ptr_equal(port, &error);
    assert_int_equal(error.code, TL_DEVICE);
    assert_has(error.text, path);
    assert_has(error.text, part);
}

static void expect_both_ways(struct port *port, int there)
{
    static const char odd[] = "a\r\n\x03\x04\x11\x13\x7F\xFF\0z";
    char got[sizeof odd] = {0};
    assert_int_equal(port_read(port, got, sizeof got), 0);
    assert_int_equal(port_write(port, odd, sizeof odd), sizeof odd);
    assert_int_equal(read(there, got, sizeof got), sizeof odd);
    assert_memory_equal(got, odd, sizeof odd);
    memset(got, 0, sizeof got);
    assert_int_equal(write(there, odd, sizeof odd), sizeof odd);
    struct pollfd news = {.fd = port->fd, .events = POLLIN};
    assert_int_equal(poll(&news, 1, 2000), 1);
    assert_int_equal(port_read(port, got, sizeof got), sizeof odd);
    assert_memory_equal(got, odd, sizeof odd);
}

/* ---- the bare descriptor ------------------------------------------------------------------------------- */

static void test_pseudo_terminal_is_opened_without_the_library(void **state)
{
    (void)state;
    struct instrument it;
    plug_in(&it);

    struct port *port = must_open(it.path, 9600, 'N');

    expect_both_ways(port, it.fd);
    assert_int_equal(port_set_lines(port, true, true), TL_MISSING);
    close(it.fd);
    char byte;
    assert_int_equal(port_read(port, &byte, 1), TL_ENDED);
    port_close(port);
}

static void test_socket_is_connected(void **state)
{
    (void)state;
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    snprintf(at.sun_path, sizeof at.sun_path, "%s/line", scratch);
    int listener = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_int_equal(bind(listener, (struct sockaddr *)&at, sizeof at), 0);
    assert_int_equal(listen(listener, 1), 0);

    struct port *port = must_open(at.sun_path, 9600, 'N');
    int there = accept(listener, NULL, NULL);
    expect_both_ways(port, there);
    expect_refused(at.sun_path, "held by test_serial (pid ");

    close(there);
    close(listener);
    port_close(port);
    expect_refused(at.sun_path, "refused");
}

/* A pipe and a socket that nobody serves would block whoever opens them. */
static void test_paths_that_are_no_port_are_refused_with_a_sentence(void **state)
{
    (void)state;
    char plain[96], pipe[96];
    snprintf(plain, sizeof plain, "%s/file", scratch);
    close(open(plain, O_CREAT | O_WRONLY, 0600));
    snprintf(pipe, sizeof pipe, "%s/pipe", scratch);
    assert_int_equal(mkfifo(pipe, 0600), 0);

    alarm(10);
    expect_refused("/dev/no-such-port", "there is no such port: is it plugged in?");
    expect_refused("/dev/null", "not a serial port");
    expect_refused("/dev/zero", "not a serial port");
    expect_refused("/dev/full", "not a serial port");
    expect_refused("/dev/urandom", "not a serial port");
    expect_refused(plain, "not a serial port but a file");
    expect_refused(scratch, "not a serial port but a directory");
    expect_refused(pipe, "not a serial port but a pipe");
    alarm(0);
}

/* Only where this machine has one, and lets it be seen. */
static void test_a_disk_is_no_port(void **state)
{
    (void)state;
    glob_t found;
    struct stat st;
    int disks = 0;
    if (glob("/dev/{sd?,vd?,xvd?,nvme?n?,loop?,ram?}", GLOB_BRACE, NULL, &found) != 0)
        skip();
    for (size_t i = 0; i < found.gl_pathc; i++)
        if (stat(found.gl_pathv[i], &st) == 0 && S_ISBLK(st.st_mode)) {
            expect_refused(found.gl_pathv[i], "not a serial port but a disk");
            disks++;
        }
    globfree(&found);
    if (disks == 0)
        skip();
}

/* ---- libserialport ------------------------------------------------------------------------------------- */

/* A pseudo-terminal is born with it; the test must see it set. */
static void drop_hupcl(const struct instrument *it)
{
    struct termios mode;
    assert_int_equal(tcgetattr(it->fd, &mode), 0);
    mode.c_cflag &= ~(tcflag_t)HUPCL;
    assert_int_equal(tcsetattr(it->fd, TCSANOW, &mode), 0);
}

static void test_library_opens_and_sets_speed_parity_and_hupcl(void **state)
{
    (void)state;
    static const struct {
        int baud;
        char parity;
        const char *mode;
    } modes[] = {
        {9600, 'N', "baud=9600 parity=N hupcl=1 vmin=1\n"},
        {19200, 'E', "baud=19200 parity=E hupcl=1 vmin=1\n"},
        {115200, 'O', "baud=115200 parity=O hupcl=1 vmin=1\n"},
    };
    setenv("PTY_AS_PORT", scratch, 1);
    for (size_t i = 0; i < sizeof modes / sizeof *modes; i++) {
        struct instrument it;
        char mode[128];
        plug_in(&it);
        drop_hupcl(&it);

        struct port *port = must_open(it.path, modes[i].baud, modes[i].parity);

        look(&it, "mode", mode, sizeof mode);
        assert_string_equal(mode, modes[i].mode);
        assert_true(fcntl(port->fd, F_GETFL) & O_NONBLOCK);
        assert_true(fcntl(port->fd, F_GETFD) & FD_CLOEXEC);
        expect_both_ways(port, it.fd);
        port_close(port);
        close(it.fd);
    }
}

static void test_library_refuses_a_speed_that_no_port_has(void **state)
{
    (void)state;
    struct instrument it;
    struct tl_error error = {0};
    struct port *port = NULL;
    setenv("PTY_AS_PORT", scratch, 1);
    plug_in(&it);

    assert_int_equal(serial_open(it.path, -5, 'N', &port, &error), TL_DEVICE);

    assert_has(error.text, "does not take -5 baud");
    port_close(must_open(it.path, 9600, 'N')); /* nothing was left open or locked */
    close(it.fd);
}

/* The library writes the lines back as it found them; a contactor on RTS must not hear of it. */
static void test_opening_and_closing_change_no_line(void **state)
{
    (void)state;
    static const char *const found[] = {"rts=0 dtr=0\n", "rts=0 dtr=1\n", "rts=1 dtr=0\n",
                                        "rts=1 dtr=1\n"};
    setenv("PTY_AS_PORT", scratch, 1);
    for (size_t i = 0; i < sizeof found / sizeof *found; i++) {
        struct instrument it;
        char lines[256];
        plug_in(&it);
        leave(&it, "lines", found[i]);

        port_close(must_open(it.path, 9600, 'E'));

        look(&it, "lines", lines, sizeof lines);
        for (const char *line = lines; *line; line += strlen(found[i]))
            assert_memory_equal(line, found[i], strlen(found[i]));
        close(it.fd);
    }
}

static void test_lines_are_set_both_at_once_and_read(void **state)
{
    (void)state;
    struct instrument it;
    char lines[128];
    bool cts = true, dsr = true, dcd = true;
    setenv("PTY_AS_PORT", scratch, 1);
    plug_in(&it);
    struct port *port = must_open(it.path, 9600, 'N');
    leave(&it, "lines", "");

    assert_int_equal(port_set_lines(port, false, true), 0);
    assert_int_equal(port_set_lines(port, true, false), 0);
    assert_int_equal(port_set_lines(port, false, false), 0);
    look(&it, "lines", lines, sizeof lines);
    assert_string_equal(lines, "rts=0 dtr=1\nrts=1 dtr=0\nrts=0 dtr=0\n");

    assert_int_equal(port_get_lines(port, &cts, &dsr, &dcd), 0);
    assert_true(!cts && !dsr && !dcd);
    leave(&it, "inputs", "cts dcd");
    assert_int_equal(port_get_lines(port, &cts, &dsr, &dcd), 0);
    assert_true(cts && !dsr && dcd);
    leave(&it, "inputs", "dsr");
    assert_int_equal(port_get_lines(port, &cts, &dsr, &dcd), 0);
    assert_true(!cts && dsr && !dcd);
    port_close(port);
    close(it.fd);
}

static void test_unplugged_is_the_end_not_silence(void **state)
{
    (void)state;
    struct instrument it;
    char byte;
    setenv("PTY_AS_PORT", scratch, 1);
    plug_in(&it);
    struct port *port = must_open(it.path, 9600, 'N');
    assert_int_equal(port_read(port, &byte, 1), 0);

    close(it.fd);

    assert_int_equal(port_read(port, &byte, 1), TL_ENDED);
    assert_int_equal(port_write(port, "OFF\n", 4), TL_ENDED);
    port_close(port);
}

static void test_port_is_exclusive_while_it_is_open(void **state)
{
    (void)state;
    struct instrument it;
    int exclusive = 0;
    setenv("PTY_AS_PORT", scratch, 1);
    plug_in(&it);

    struct port *port = must_open(it.path, 9600, 'N');

    assert_int_equal(ioctl(port->fd, TIOCGEXCL, &exclusive), 0);
    assert_int_equal(exclusive, 1);
    port_close(port);
    close(it.fd);
}

/* ---- the lock ------------------------------------------------------------------------------------------ */

static void test_second_open_is_refused_and_names_the_holder(void **state)
{
    (void)state;
    char holder[64], link[96], name[64];
    snprintf(holder, sizeof holder, "held by test_serial (pid %d)", (int)getpid());
    snprintf(link, sizeof link, "%s/by-another-name", scratch);
    for (int with_library = 0; with_library < 2; with_library++) {
        struct instrument it;
        if (with_library)
            setenv("PTY_AS_PORT", scratch, 1);
        plug_in(&it);
        unlink(link);
        assert_int_equal(symlink(it.path, link), 0);
        assert_int_equal(serial_holder(it.path, name, sizeof name), 0);

        struct port *port = must_open(it.path, 9600, 'N');

        expect_refused(it.path, holder);
        struct tl_error error = {0};
        struct port *second = NULL;
        assert_int_equal(serial_open(link, 9600, 'N', &second, &error), TL_DEVICE);
        assert_has(error.text, holder);
        assert_int_equal(serial_holder(link, name, sizeof name), getpid());
        assert_string_equal(name, "test_serial");
        expect_both_ways(port, it.fd); /* the refused ones did it no harm */
        port_close(port);
        port_close(must_open(link, 9600, 'N'));
        assert_int_equal(serial_holder(it.path, name, sizeof name), 0);
        close(it.fd);
    }
}

static void test_lock_goes_with_a_killed_holder(void **state)
{
    (void)state;
    struct instrument it;
    char name[64];
    int ready[2];
    plug_in(&it);
    assert_int_equal(pipe(ready), 0);
    pid_t holder = fork();
    if (holder == 0) {
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        struct tl_error error;
        struct port *port;
        if (serial_open(it.path, 9600, 'N', &port, &error) == 0)
            (void)!write(ready[1], "!", 1);
        pause();
        _exit(0);
    }
    char byte;
    assert_int_equal(read(ready[0], &byte, 1), 1);
    assert_int_equal(serial_holder(it.path, name, sizeof name), holder);

    kill(holder, SIGKILL);
    waitpid(holder, NULL, 0);

    assert_int_equal(serial_holder(it.path, name, sizeof name), 0);
    port_close(must_open(it.path, 9600, 'N'));
    close(it.fd);
    close(ready[0]);
    close(ready[1]);
}

static void test_lock_stays_with_the_children_of_a_dead_holder(void **state)
{
    (void)state;
    struct instrument it;
    char text[64];
    int ready[2];
    plug_in(&it);
    assert_int_equal(pipe(ready), 0);
    pid_t keeper = fork();
    if (keeper == 0) {
        struct tl_error error;
        struct port *port;
        pid_t guard = -1;
        if (serial_open(it.path, 9600, 'N', &port, &error) == 0)
            guard = fork();
        if (guard == 0) {
            pause();
            _exit(0);
        }
        (void)!write(ready[1], &guard, sizeof guard);
        _exit(0);
    }
    pid_t guard = -1;
    assert_int_equal(read(ready[0], &guard, sizeof guard), sizeof guard);
    waitpid(keeper, NULL, 0);
    assert_true(guard > 1);

    snprintf(text, sizeof text, "(pid %d, gone) has left running", (int)keeper);
    expect_refused(it.path, text);

    kill(guard, SIGKILL);
    struct tl_error error;
    struct port *port = NULL;
    for (int i = 0; i < 200 && serial_open(it.path, 9600, 'N', &port, &error); i++)
        usleep(10000);
    assert_non_null(port);
    port_close(port);
    close(it.fd);
    close(ready[0]);
    close(ready[1]);
}

/* The lock file of a path: whatever serial_lock leaves open. */
static void lock_file_of(const char *path, char *file, size_t size)
{
    struct tl_error error;
    char link[64];
    int fd = -1;
    assert_int_equal(serial_lock(path, &fd, &error), 0);
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, file, size - 1);
    assert_true(n > 0);
    file[n] = '\0';
    serial_unlock(path, fd);
    assert_int_equal(access(file, F_OK), -1);
}

static void test_lock_follows_no_link_and_overwrites_nothing(void **state)
{
    (void)state;
    struct instrument it;
    char lock[256], victim[96], text[16] = "";
    plug_in(&it);
    lock_file_of(it.path, lock, sizeof lock);
    snprintf(victim, sizeof victim, "%s/victim", scratch);
    int fd = open(victim, O_CREAT | O_RDWR, 0600);
    assert_int_equal(write(fd, "precious", 8), 8);

    assert_int_equal(symlink(victim, lock), 0);
    expect_refused(it.path, "its lock");
    unlink(lock);
    assert_int_equal(link(victim, lock) == 0 || errno == EXDEV, 1);
    if (access(lock, F_OK) == 0)
        expect_refused(it.path, "its lock");
    unlink(lock);
    assert_int_equal(mkfifo(lock, 0666), 0);
    expect_refused(it.path, "its lock");
    unlink(lock);

    assert_int_equal(pread(fd, text, sizeof text - 1, 0), 8);
    assert_string_equal(text, "precious");
    close(fd);
    port_close(must_open(it.path, 9600, 'N'));
    close(it.fd);
}

static void test_name_of_a_holder_is_not_believed(void **state)
{
    (void)state;
    static const char *const written[] = {"", "x", "-4 y\n", "99999999999 z\n",
                                          "1 \x1b[2Jcleared\n"};
    struct instrument it;
    char lock[256], name[64];
    plug_in(&it);
    lock_file_of(it.path, lock, sizeof lock);
    for (size_t i = 0; i < sizeof written / sizeof *written; i++) {
        int fd = open(lock, O_CREAT | O_EXCL | O_RDWR, 0666);
        assert_int_equal(write(fd, written[i], strlen(written[i])), (int)strlen(written[i]));
        assert_int_equal(flock(fd, LOCK_EX), 0);

        expect_refused(it.path, "held by another program");
        int holder = serial_holder(it.path, name, sizeof name);
        assert_true(holder == -1 || holder == 1);
        assert_string_equal(name, "another program");

        unlink(lock);
        close(fd);
    }
    close(it.fd);
}

/* ---- the list ------------------------------------------------------------------------------------------ */

static void put(const char *path, const char *text)
{
    char at[256];
    snprintf(at, sizeof at, "mkdir -p $(dirname %s/%s)", scratch, path);
    assert_int_equal(system(at), 0);
    snprintf(at, sizeof at, "%s/%s", scratch, path);
    FILE *file = fopen(at, "w");
    assert_non_null(file);
    fputs(text, file);
    fclose(file);
}

static void put_link(const char *path, const char *target)
{
    char at[256];
    snprintf(at, sizeof at, "mkdir -p $(dirname %s/%s)", scratch, path);
    assert_int_equal(system(at), 0);
    snprintf(at, sizeof at, "%s/%s", scratch, path);
    assert_int_equal(symlink(target, at), 0);
}

static void put_usb_port(const char *name, const char *product)
{
    char path[128], target[128];
    snprintf(path, sizeof path, "sys/devices/usb1/%s-dev/product", name);
    put(path, product);
    snprintf(path, sizeof path, "sys/devices/usb1/%s-dev/manufacturer", name);
    put(path, "Bench Works\n");
    snprintf(path, sizeof path, "sys/devices/usb1/%s-dev/if0/tty0/x", name);
    put(path, "");
    snprintf(path, sizeof path, "sys/class/tty/%s/device", name);
    snprintf(target, sizeof target, "../../../devices/usb1/%s-dev/if0/tty0", name);
    put_link(path, target);
    snprintf(path, sizeof path, "dev/%s", name);
    put(path, "");
}

static void test_list_shows_ports_with_their_stable_names(void **state)
{
    (void)state;
    struct serial_entry entries[8];
    char path[128], by_id[192];
    put_usb_port("ttyUSB10", "Plate \x1b[2J\n");
    put_usb_port("ttyUSB2", "Supply\n");
    put_link("dev/serial/by-id/usb-bench-works-supply", "../../ttyUSB2");
    put("sys/class/tty/tty1/dev", "4:1\n"); /* a console has no device behind it */
    put("sys/class/tty/ttyS1/type", "0\n"); /* no chip answered */
    put_link("sys/class/tty/ttyS1/device", "../../../devices/usb1");
    put("dev/ttyS1", "");
    put_link("sys/class/tty/ttyS2/device", "../../../devices/usb1"); /* no node: not given to us */

    int count = serial_list_below(scratch, entries, 8);

    assert_int_equal(count, 2);
    snprintf(path, sizeof path, "%s/dev/ttyUSB2", scratch);
    snprintf(by_id, sizeof by_id, "%s/dev/serial/by-id/usb-bench-works-supply", scratch);
    assert_string_equal(entries[0].path, path);
    assert_string_equal(entries[0].by_id, by_id);
    assert_string_equal(entries[0].description, "Bench Works Supply");
    assert_true(entries[0].may_open);
    assert_string_equal(entries[0].mend, "");
    assert_int_equal(entries[0].holder, 0);
    assert_string_equal(entries[1].by_id, "");
    assert_string_equal(entries[1].description, "Bench Works Plate ?[2J");
    assert_int_equal(serial_list_below(scratch, entries, 1), 1);
}

static void test_a_name_that_may_change_is_told_with_the_one_that_stays(void **state)
{
    (void)state;
    static const char *const stay[] = {"/dev/pts/3", "/dev/serial/by-id/usb-x", "/dev/ttyS0",
                                       "/dev/serial/by-path/pci-0-usb-ttyUSB", "/dev/plate"};
    char path[128], text[256], right[512];
    for (size_t i = 0; i < sizeof stay / sizeof stay[0]; i++)
        assert_false(serial_doubt_name(stay[i], text, sizeof text));
    put_usb_port("ttyUSB2", "Supply\n");
    put_usb_port("ttyACM0", "Plate\n");
    put_link("dev/serial/by-id/usb-bench-works-supply", "../../ttyUSB2");

    snprintf(path, sizeof path, "%s/dev/ttyUSB2", scratch);
    assert_true(serial_doubt_name_below(scratch, path, text, sizeof text));
    snprintf(right, sizeof right,
             "%s may be another port after the next plugging in: name it "
             "%s/dev/serial/by-id/usb-bench-works-supply",
             path, scratch);
    assert_string_equal(text, right);
    snprintf(path, sizeof path, "%s/dev/ttyACM0", scratch);
    assert_true(serial_doubt_name_below(scratch, path, text, sizeof text));
    assert_has(text, "next plugging in, and has no by-id name that stays");
}

static void test_list_names_the_holder(void **state)
{
    (void)state;
    struct serial_entry entries[2];
    char path[128];
    struct tl_error error;
    int lock = -1;
    put_usb_port("ttyUSB0", "Plate\n");
    snprintf(path, sizeof path, "%s/dev/ttyUSB0", scratch);
    assert_int_equal(serial_lock(path, &lock, &error), 0);

    assert_int_equal(serial_list_below(scratch, entries, 2), 1);

    assert_int_equal(entries[0].holder, getpid());
    assert_string_equal(entries[0].holder_name, "test_serial");
    assert_false(entries[0].may_open); /* it is ours, but not now */
    snprintf(path, sizeof path, "kill %d", (int)getpid());
    assert_string_equal(entries[0].mend, path);
    snprintf(path, sizeof path, "%s/dev/ttyUSB0", scratch);
    serial_unlock(path, lock);
}

static void test_list_of_a_machine_without_ports_is_empty(void **state)
{
    (void)state;
    struct serial_entry entries[2];
    assert_int_equal(serial_list_below(scratch, entries, 2), 0);
    assert_true(serial_list(entries, 2) >= 0); /* whatever this machine has, looking does no harm */
}

/* As another user: what is shown must be the one command that helps. Only root can become one. */
static void test_list_says_what_mends_a_port_that_is_not_ours(void **state)
{
    (void)state;
    if (geteuid() != 0)
        skip();
    struct serial_entry entries[4];
    struct tl_error error = {0};
    struct port *port = NULL;
    char command[512];
    put_usb_port("ttyUSB0", "Plate\n");
    put_usb_port("ttyUSB1", "Supply\n");
    put_usb_port("ttyUSB2", "Meter\n");
    snprintf(command, sizeof command,
             "cd %s && chmod 755 . && cd dev && chgrp dialout ttyUSB0 && chgrp %s ttyUSB2 && "
             "chmod 660 ttyUSB0 ttyUSB2 && chmod 600 ttyUSB1",
             scratch, "65534");
    assert_int_equal(system(command), 0);

    assert_int_equal(seteuid(65534), 0);
    int count = serial_list_below(scratch, entries, 4);
    assert_int_equal(seteuid(0), 0);

    assert_int_equal(count, 3);
    assert_false(entries[0].may_open);
    assert_string_equal(entries[0].group, "dialout");
    assert_string_equal(entries[0].mend, "sudo usermod -aG dialout nobody, then log in again");
    assert_false(entries[1].may_open);
    assert_string_equal(entries[1].owner, "root");
    assert_has(entries[1].mend, "sudo chown nobody ");
    assert_has(entries[2].mend,
               "log out and in again"); /* in that group, only not in this session */

    /* and the same in the words of a refused opening, at a pseudo-terminal of somebody else */
    struct instrument it;
    plug_in(&it);
    snprintf(command, sizeof command, "chgrp dialout %s && chmod 660 %s", it.path, it.path);
    assert_int_equal(system(command), 0);
    assert_int_equal(seteuid(65534), 0);
    int result = serial_open(it.path, 9600, 'N', &port, &error);
    setenv("PTY_AS_PORT", scratch, 1);
    struct tl_error by_library = {0};
    int second = serial_open(it.path, 9600, 'N', &port, &by_library);
    assert_int_equal(seteuid(0), 0);
    assert_int_equal(result, TL_DEVICE);
    assert_int_equal(second, TL_DEVICE);
    static const char why[] = "permission denied: the group dialout owns it: "
                              "sudo usermod -aG dialout nobody, then log in again";
    assert_has(error.text, why);
    assert_has(by_library.text, why);
    close(it.fd);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, make_scratch, unplug)
    const struct CMUnitTest tests[] = {
        TEST(test_pseudo_terminal_is_opened_without_the_library),
        TEST(test_socket_is_connected),
        TEST(test_paths_that_are_no_port_are_refused_with_a_sentence),
        TEST(test_a_disk_is_no_port),
        TEST(test_library_opens_and_sets_speed_parity_and_hupcl),
        TEST(test_library_refuses_a_speed_that_no_port_has),
        TEST(test_opening_and_closing_change_no_line),
        TEST(test_lines_are_set_both_at_once_and_read),
        TEST(test_unplugged_is_the_end_not_silence),
        TEST(test_port_is_exclusive_while_it_is_open),
        TEST(test_second_open_is_refused_and_names_the_holder),
        TEST(test_lock_goes_with_a_killed_holder),
        TEST(test_lock_stays_with_the_children_of_a_dead_holder),
        TEST(test_lock_follows_no_link_and_overwrites_nothing),
        TEST(test_name_of_a_holder_is_not_believed),
        TEST(test_list_shows_ports_with_their_stable_names),
        TEST(test_a_name_that_may_change_is_told_with_the_one_that_stays),
        TEST(test_list_names_the_holder),
        TEST(test_list_of_a_machine_without_ports_is_empty),
        TEST(test_list_says_what_mends_a_port_that_is_not_ours),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
