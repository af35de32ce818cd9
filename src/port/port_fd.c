/* SPDX-License-Identifier: MIT */
#include "tinlatch/port.h"

#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

struct port_fd {
    struct port port;
    bool is_socket;
};

static int system_error(int error)
{
    switch (error) {
    case EAGAIN:
    case EINTR:
        return 0;
    case EIO: /* a terminal whose other side is gone, a USB line pulled out */
    case ENXIO:
    case ENODEV:
    case EPIPE:
    case ECONNRESET:
        return TL_ENDED;
    default:
        return TL_SYSTEM;
    }
}

static int fd_read(struct port *port, void *to, size_t size)
{
    ssize_t got = read(port->fd, to, size);
    if (got < 0)
        return system_error(errno);
    return got == 0 ? TL_ENDED : (int)got;
}

static int fd_write(struct port *port, const void *from, size_t length)
{
    const struct port_fd *self = (const struct port_fd *)port;
    /* A plain write to a closed socket would raise SIGPIPE, and that would end the guard. */
    ssize_t sent = self->is_socket ? send(port->fd, from, length, MSG_NOSIGNAL)
                                   : write(port->fd, from, length);
    if (sent < 0)
        return system_error(errno);
    return (int)sent;
}

static void fd_close(struct port *port)
{
    close(port->fd);
    free(port);
}

/* A socket and a pseudo-terminal have no control lines, and say so in different words. */
static int lines_error(int error)
{
    if (error == ENOTTY || error == EINVAL || error == EOPNOTSUPP)
        return TL_MISSING;
    int code = system_error(error);
    return code ? code : TL_SYSTEM; /* interrupted: the caller must not take the line for set */
}

static int fd_set_lines(struct port *port, bool rts, bool dtr)
{
    int bits;
    if (ioctl(port->fd, TIOCMGET, &bits) < 0)
        return lines_error(errno);
    bits &= ~(TIOCM_RTS | TIOCM_DTR);
    bits |= (rts ? TIOCM_RTS : 0) | (dtr ? TIOCM_DTR : 0);
    /* Both in one call: a contactor must not see a state in between. */
    return ioctl(port->fd, TIOCMSET, &bits) < 0 ? lines_error(errno) : 0;
}

static int fd_get_lines(struct port *port, bool *cts, bool *dsr, bool *dcd)
{
    int bits;
    if (ioctl(port->fd, TIOCMGET, &bits) < 0)
        return lines_error(errno);
    *cts = bits & TIOCM_CTS;
    *dsr = bits & TIOCM_DSR;
    *dcd = bits & TIOCM_CAR;
    return 0;
}

static const struct port_ops fd_ops = {.read = fd_read,
                                       .write = fd_write,
                                       .close = fd_close,
                                       .set_lines = fd_set_lines,
                                       .get_lines = fd_get_lines};

/* A terminal in line mode would echo what the instrument says back to it, and change its line ends. */
static int make_raw(int fd)
{
    struct termios mode;
    if (!isatty(fd))
        return 0;
    if (tcgetattr(fd, &mode) < 0)
        return TL_SYSTEM;
    cfmakeraw(&mode);
    mode.c_cc[VMIN] = 1; /* so that a read of 0 bytes means "gone", never "nothing yet" */
    mode.c_cc[VTIME] = 0;
    return tcsetattr(fd, TCSANOW, &mode) < 0 ? TL_SYSTEM : 0;
}

int port_fd_open(int fd, struct port **out)
{
    struct stat status;
    int flags = fcntl(fd, F_GETFL);
    if (flags < 0 || fstat(fd, &status) < 0 || make_raw(fd) < 0)
        return TL_SYSTEM;
    if (fcntl(fd, F_SETFL, flags | O_NONBLOCK) < 0)
        return TL_SYSTEM;

    struct port_fd *self = calloc(1, sizeof *self);
    if (!self)
        return TL_SYSTEM;
    self->port.ops = &fd_ops;
    self->port.fd = fd;
    self->is_socket = S_ISSOCK(status.st_mode);
    *out = &self->port;
    return 0;
}
