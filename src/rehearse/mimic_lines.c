/* SPDX-License-Identifier: MIT */
/* What a kernel does with the lines of a serial port and a pseudo-terminal does not: when the last program that
 * had it open is gone, however it went, RTS and DTR drop if it had set HUPCL. */
#include <errno.h>
#include <string.h>
#include <sys/inotify.h>
#include <termios.h>
#include <unistd.h>

#include "mimic_private.h"

/* The terminal's own descriptor here is opened before it is watched, so every close is another's. */
int mimic_watch_ports(struct mimic *mimic, struct tl_error *error)
{
    mimic->closes = inotify_init1(IN_CLOEXEC | IN_NONBLOCK);
    if (mimic->closes < 0)
        return tl_error_set(error, TL_SYSTEM, "no watch on the terminals: %s", strerror(errno));
    for (int i = 0; i < mimic->setup->bench->port_count; i++) {
        struct mimic_port *port = &mimic->port[i];
        port->watched = inotify_add_watch(mimic->closes, port->path, IN_CLOSE);
        if (port->watched < 0)
            return tl_error_set(error, TL_SYSTEM, "no watch on %s: %s", port->path,
                                strerror(errno));
    }
    return 0;
}

void mimic_set_lines(struct mimic *mimic, struct mimic_port *port, bool rts, bool dtr)
{
    port->rts = rts;
    port->dtr = dtr;
    port_set_lines(port->world, rts, dtr);
    port->last_byte_ms = mimic->now_ms;
    mimic_observe(mimic);
}

static void hang_up(struct mimic *mimic, struct mimic_port *port)
{
    struct termios how;
    if (port->slave >= 0 && tcgetattr(port->slave, &how) == 0 && (how.c_cflag & HUPCL) != 0)
        mimic_set_lines(mimic, port, false, false);
}

void mimic_see_closed(struct mimic *mimic)
{
    _Alignas(struct inotify_event) char bytes[1024];
    ssize_t got = read(mimic->closes, bytes, sizeof bytes);
    for (ssize_t at = 0; at < got;) {
        const struct inotify_event *event = (const void *)(bytes + at);
        for (int i = 0; i < mimic->setup->bench->port_count; i++)
            if (mimic->port[i].watched == event->wd && (event->mask & IN_CLOSE) != 0)
                hang_up(mimic, &mimic->port[i]);
        at += (ssize_t)(sizeof *event + event->len);
    }
}
