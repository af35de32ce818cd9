/* SPDX-License-Identifier: MIT */
/* port - bytes to and from one instrument's line; a pty, a socket, a serial line or the world.
 *
 * Ownership  a port is made by its backend's _open and freed by port_close; it owns its descriptor.
 * Never      blocks, retries, or interprets bytes.
 * Fails      port_read, port_write: bytes moved (0: none now), TL_ENDED (line gone), TL_SYSTEM.
 * Units      bytes. */
#ifndef TINLATCH_PORT_H
#define TINLATCH_PORT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "tinlatch/clock.h"
#include "tinlatch/err.h"

struct port;

struct port_ops {
    int (*read)(struct port *port, void *to, size_t size);
    int (*write)(struct port *port, const void *from, size_t length);
    void (*close)(struct port *port);
    /* Control lines; NULL where the backend has none. */
    int (*set_lines)(struct port *port, bool rts, bool dtr);
    int (*get_lines)(struct port *port, bool *cts, bool *dsr, bool *dcd);
};

/* The backend embeds this as the first member of its own struct. */
struct port {
    const struct port_ops *ops;
    int fd; /* -1: nothing to poll on */
};

int port_read(struct port *port, void *to, size_t size);
int port_write(struct port *port, const void *from, size_t length);
void port_close(struct port *port); /* NULL: nothing */
/* TL_MISSING where the backend has no control lines, TL_ENDED when the line is gone. */
int port_set_lines(struct port *port, bool rts, bool dtr);
int port_get_lines(struct port *port, bool *cts, bool *dsr, bool *dcd);

/* Bare-descriptor backend: takes over `fd` (a socket or a terminal), makes it non-blocking and, if it
 * is a terminal, raw. TL_SYSTEM: *out untouched, `fd` still the caller's. */
int port_fd_open(int fd, struct port **out);

/* A clock that reads CLOCK_BOOTTIME (it counts on while the machine sleeps), from 0 at the call. */
void clock_real_init(struct clock *clock);
/* Milliseconds for which the machine has slept since it was started; clock_real runs on meanwhile. */
int64_t clock_slept_ms(void);

#endif
