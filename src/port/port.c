/* SPDX-License-Identifier: MIT */
#include "tinlatch/port.h"

#include <limits.h>

/* Results are an int: longer pieces are moved in several calls. */
static size_t bounded(size_t size)
{
    return size > INT_MAX ? INT_MAX : size;
}

int port_read(struct port *port, void *to, size_t size)
{
    if (size == 0) /* a backend would take its 0 for the end of the line */
        return 0;
    return port->ops->read(port, to, bounded(size));
}

int port_write(struct port *port, const void *from, size_t length)
{
    if (length == 0)
        return 0;
    return port->ops->write(port, from, bounded(length));
}

void port_close(struct port *port)
{
    if (port)
        port->ops->close(port);
}

int port_set_lines(struct port *port, bool rts, bool dtr)
{
    return port->ops->set_lines ? port->ops->set_lines(port, rts, dtr) : TL_MISSING;
}

int port_get_lines(struct port *port, bool *cts, bool *dsr, bool *dcd)
{
    return port->ops->get_lines ? port->ops->get_lines(port, cts, dsr, dcd) : TL_MISSING;
}
