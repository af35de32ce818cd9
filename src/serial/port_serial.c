/* SPDX-License-Identifier: MIT */
/* libserialport opens a port and sets its speed; bytes and lines then go through the bare-descriptor
 * backend, which can tell "nothing yet" from "unplugged". */
#include "tinlatch/serial.h"

#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <sys/un.h>
#include <termios.h>
#include <unistd.h>

#include "access.h"

/* A port of any kind with its lock. */
struct port_serial {
    struct port port;
    struct port *bare;
    int lock_fd;
    char path[PATH_MAX];
};

static struct port *bare_of(struct port *port)
{
    return ((struct port_serial *)port)->bare;
}

static int serial_read(struct port *port, void *to, size_t size)
{
    return port_read(bare_of(port), to, size);
}

static int serial_write(struct port *port, const void *from, size_t length)
{
    return port_write(bare_of(port), from, length);
}

static int serial_set_lines(struct port *port, bool rts, bool dtr)
{
    return port_set_lines(bare_of(port), rts, dtr);
}

static int serial_get_lines(struct port *port, bool *cts, bool *dsr, bool *dcd)
{
    return port_get_lines(bare_of(port), cts, dsr, dcd);
}

static void serial_close(struct port *port)
{
    struct port_serial *self = (struct port_serial *)port;
    port_close(self->bare); /* first: whoever gets the lock next finds the port closed */
    serial_unlock(self->path, self->lock_fd);
    free(self);
}

static const struct port_ops serial_ops = {serial_read, serial_write, serial_close,
                                           serial_set_lines, serial_get_lines};

/* ---- the three kinds of path --------------------------------------------------------------------------- */

static int refuse(const char *path, const char *why, struct tl_error *error)
{
    return tl_error_set(error, TL_DEVICE, "%s: %s", path, why);
}

static int open_failed(const char *path, int code, struct tl_error *error)
{
    char why[ACCESS_WHY];
    if (code == EACCES || code == EPERM)
        access_explain(path, why, sizeof why);
    else if (code == EBUSY)
        strcpy(why, "another program has it open for itself alone");
    else if (code == ENOENT || code == ENODEV || code == ENXIO)
        strcpy(why, "there is no such port: is it plugged in?");
    else
        snprintf(why, sizeof why, "%s", strerror(code));
    return refuse(path, why, error);
}

static int open_descriptor(const char *path, int fd, struct port **bare, struct tl_error *error)
{
    if (port_fd_open(fd, bare) == 0)
        return 0;
    int code = errno;
    close(fd);
    return open_failed(path, code, error);
}

static int open_socket(const char *path, struct port **bare, struct tl_error *error)
{
    struct sockaddr_un to = {.sun_family = AF_UNIX};
    if (strlen(path) >= sizeof to.sun_path)
        return refuse(path, "the path is too long for a socket", error);
    strcpy(to.sun_path, path);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (fd < 0 || connect(fd, (struct sockaddr *)&to, sizeof to) < 0) {
        int code = errno;
        if (fd >= 0)
            close(fd);
        return open_failed(path, code, error);
    }
    return open_descriptor(path, fd, bare, error);
}

/* The slave side; its speed means nothing. */
static int open_pseudo_terminal(const char *path, struct port **bare, struct tl_error *error)
{
    int fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    return fd < 0 ? open_failed(path, errno, error) : open_descriptor(path, fd, bare, error);
}

static int set_speed(struct sp_port *line, int baud, char parity)
{
    enum sp_parity kind = parity == 'E'   ? SP_PARITY_EVEN
                          : parity == 'O' ? SP_PARITY_ODD
                                          : SP_PARITY_NONE;
    struct sp_port_config *config;
    if (baud <= 0) { /* to the library that means "leave it" */
        errno = EINVAL;
        return -1;
    }
    if (sp_new_config(&config) != SP_OK)
        return -1;
    /* Lines and flow control stay -1, "leave alone": 0.1.1 writes the lines back as it read them. */
    bool good = sp_set_config_baudrate(config, baud) == SP_OK &&
                sp_set_config_bits(config, 8) == SP_OK &&
                sp_set_config_parity(config, kind) == SP_OK &&
                sp_set_config_stopbits(config, 1) == SP_OK && sp_set_config(line, config) == SP_OK;
    sp_free_config(config);
    return good ? 0 : -1;
}

/* What the library leaves to chance. HUPCL: 0.1.1 drops RTS on close and 0.1.2 leaves it; the relay hangs
 * on RTS, so say it ourselves. No flow control: a line held by the other side must not hold back OFF. */
static int set_mode(int fd)
{
    struct termios mode;
    if (tcgetattr(fd, &mode) < 0)
        return -1;
    mode.c_cflag |= HUPCL | CLOCAL | CREAD;
    mode.c_cflag &= ~(tcflag_t)CRTSCTS;
    mode.c_iflag &= ~(tcflag_t)(IXON | IXOFF | IXANY);
    mode.c_cc[VMIN] = 1; /* so that a read of 0 bytes means "gone", never "nothing yet" */
    mode.c_cc[VTIME] = 0;
    if (tcsetattr(fd, TCSANOW, &mode) < 0 || ioctl(fd, TIOCEXCL) < 0)
        return -1;
    return 0;
}

/* The library's port is only borrowed: the descriptor that stays is a copy, so that its close is not the last
 * one and no line drops. port_fd_open comes before the speed, for "raw" takes the parity away. */
static int take_over(struct sp_port *line, const char *path, int baud, char parity,
                     struct port **bare, struct tl_error *error)
{
    int fd = -1;
    if (sp_get_port_handle(line, &fd) != SP_OK)
        return refuse(path, "the port has no descriptor", error);
    fd = fcntl(fd, F_DUPFD_CLOEXEC, 0);
    if (fd < 0)
        return open_failed(path, errno, error);
    int result = open_descriptor(path, fd, bare, error);
    if (result)
        return result;
    if (set_speed(line, baud, parity) < 0) {
        int code = sp_last_error_code();
        result = tl_error_set(error, TL_DEVICE, "%s: does not take %d baud, 8 bits, parity %c: %s",
                              path, baud, parity, strerror(code));
    } else if (set_mode(fd) < 0) {
        result = open_failed(path, errno, error);
    }
    if (result)
        port_close(*bare);
    return result;
}

static int open_line(struct sp_port *line, const char *path, int baud, char parity,
                     struct port **bare, struct tl_error *error)
{
    enum sp_return opened = sp_open(line, SP_MODE_READ_WRITE);
    if (opened != SP_OK)
        return open_failed(path, opened == SP_ERR_FAIL ? sp_last_error_code() : EINVAL, error);
    int result = take_over(line, path, baud, parity, bare, error);
    sp_close(line);
    return result;
}

static bool is_pseudo_terminal(const struct stat *st)
{
    return S_ISCHR(st->st_mode) && major(st->st_rdev) >= 136 && major(st->st_rdev) <= 143;
}

/* Somebody who takes no lock, a terminal program for one: their bytes and ours would mix. */
static int refuse_if_open(const char *path, struct tl_error *error)
{
    char name[64];
    int pid = access_find_opener(path, name, sizeof name);
    return pid > 0 ? tl_error_set(error, TL_DEVICE, "%s: held by %s (pid %d)", path, name, pid) : 0;
}

/* libserialport knows real ports by name; one that it does not know may still be a pseudo-terminal. */
static int open_character_device(const char *path, const struct stat *st, int baud, char parity,
                                 struct port **bare, struct tl_error *error)
{
    struct sp_port *line = NULL;
    if (sp_get_port_by_name(path, &line) != SP_OK)
        return is_pseudo_terminal(st) ? open_pseudo_terminal(path, bare, error)
                                      : refuse(path, "not a serial port", error);
    int result = is_pseudo_terminal(st) ? 0 : refuse_if_open(path, error);
    if (!result)
        result = open_line(line, path, baud, parity, bare, error);
    sp_free_port(line);
    return result;
}

/* Told by looking alone: to open a pipe may block, and to open a disk may be worse. */
static int refuse_kind(const char *path, mode_t mode, struct tl_error *error)
{
    const char *what = S_ISREG(mode)    ? "a file"
                       : S_ISDIR(mode)  ? "a directory"
                       : S_ISFIFO(mode) ? "a pipe"
                       : S_ISBLK(mode)  ? "a disk"
                                        : "something else";
    return tl_error_set(error, TL_DEVICE, "%s: not a serial port but %s", path, what);
}

static int open_kind(const char *path, int baud, char parity, struct port **bare,
                     struct tl_error *error)
{
    struct stat st;
    if (stat(path, &st) < 0)
        return open_failed(path, errno, error);
    if (S_ISSOCK(st.st_mode))
        return open_socket(path, bare, error);
    if (S_ISCHR(st.st_mode))
        return open_character_device(path, &st, baud, parity, bare, error);
    return refuse_kind(path, st.st_mode, error);
}

int serial_open(const char *path, int baud, char parity, struct port **out, struct tl_error *error)
{
    struct port_serial *self = calloc(1, sizeof *self);
    if (!self)
        return tl_error_set(error, TL_SYSTEM, "%s: %s", path, strerror(ENOMEM));
    int result = 0;
    if (!realpath(path, self->path)) /* a by-id name is a link */
        result = open_failed(path, errno, error);
    if (!result)
        result = serial_lock(self->path, &self->lock_fd, error);
    if (!result) {
        result = open_kind(self->path, baud, parity, &self->bare, error);
        if (result)
            serial_unlock(self->path, self->lock_fd);
    }
    if (result) {
        free(self);
        return result;
    }
    self->port.ops = &serial_ops;
    self->port.fd = self->bare->fd;
    *out = &self->port;
    return 0;
}
