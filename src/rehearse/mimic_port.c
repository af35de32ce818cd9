/* SPDX-License-Identifier: MIT */
/* Pseudo-terminals, and the bench file that names them. */
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "mimic_private.h"

static int system_says(struct tl_error *error, const char *what)
{
    return tl_error_set(error, TL_SYSTEM, "%s: %s", what, strerror(errno));
}

/* As a serial line: every byte as it is, nothing echoed. */
static int make_raw(int fd)
{
    struct termios how;
    if (tcgetattr(fd, &how))
        return -1;
    how.c_iflag = 0;
    how.c_oflag = 0;
    how.c_lflag = 0;
    how.c_cflag = CS8 | CREAD | CLOCAL;
    how.c_cc[VMIN] = 1;
    how.c_cc[VTIME] = 0;
    return tcsetattr(fd, TCSANOW, &how);
}

static int open_port(struct mimic_port *port, struct tl_error *error)
{
    port->master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    if (port->master < 0)
        return system_says(error, "no pseudo-terminal");
    if (grantpt(port->master) || unlockpt(port->master))
        return system_says(error, "a pseudo-terminal that nobody may use");
    const char *name = ptsname(port->master);
    if (!name)
        return system_says(error, "a pseudo-terminal without a name");
    snprintf(port->path, sizeof port->path, "%s", name);
    port->slave = open(port->path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (port->slave < 0 || make_raw(port->slave))
        return system_says(error, port->path);
    return 0;
}

int mimic_open_ports(struct mimic *mimic, struct tl_error *error)
{
    const struct benchfile *bench = mimic->setup->bench;
    for (int i = 0; i < bench->port_count; i++) {
        int failed = open_port(&mimic->port[i], error);
        if (failed)
            return failed;
    }
    for (int i = 0; i < bench->device_count; i++)
        if (bench->device[i].port >= 0)
            mimic->port[bench->device[i].port].world = world_port(mimic->world, i);
    return 0;
}

static void close_port(struct mimic_port *port)
{
    if (port->slave >= 0)
        close(port->slave);
    if (port->master >= 0)
        close(port->master);
    port->master = port->slave = -1;
}

void mimic_close_ports(struct mimic *mimic)
{
    for (int i = 0; i < BENCH_PORTS; i++)
        close_port(&mimic->port[i]);
}

void mimic_hear(struct mimic *mimic, struct mimic_port *port)
{
    char bytes[512];
    ssize_t got = read(port->master, bytes, sizeof bytes);
    if (got <= 0)
        return;
    mimic->now_ms = mimic->clock.now_ms(&mimic->clock);
    world_advance(mimic->world, mimic->now_ms);
    port->last_byte_ms = mimic->now_ms;
    port->heard += got;
    if (port_write(port->world, bytes, (size_t)got) == TL_ENDED)
        close_port(port);
    mimic_observe(mimic);
}

/* What is due, as much as the terminal takes; a program that does not read loses what is beyond. */
void mimic_say(struct mimic *mimic, struct mimic_port *port)
{
    int got;
    (void)mimic;
    if (port->master < 0 || !port->world)
        return;
    got = port_read(port->world, port->pending + port->pending_length,
                    sizeof port->pending - port->pending_length);
    if (got == TL_ENDED) {
        close_port(port);
        return;
    }
    port->pending_length += got > 0 ? (size_t)got : 0;
    if (port->pending_length == 0)
        return;
    ssize_t sent = write(port->master, port->pending, port->pending_length);
    if (sent <= 0)
        return;
    port->said += sent;
    port->pending_length -= (size_t)sent;
    memmove(port->pending, port->pending + sent, port->pending_length);
}

/* ---- the bench file, its ports replaced ---- */

/* The path that stands behind "port =" in this line; length 0: it is no such line. */
static const char *port_value(const char *line, size_t length, size_t *value_length)
{
    const char *at = line, *end = line + length;
    *value_length = 0;
    while (end > at && (end[-1] == ' ' || end[-1] == '\t' || end[-1] == '\r'))
        end--;
    if (end - at < 6 || memcmp(at, "port", 4) != 0)
        return NULL;
    at += 4;
    while (at < end && (*at == ' ' || *at == '\t'))
        at++;
    if (at >= end || *at++ != '=')
        return NULL;
    while (at < end && (*at == ' ' || *at == '\t'))
        at++;
    if (end - at >= 2 && *at == '"' && end[-1] == '"') {
        at++;
        end--;
    }
    *value_length = (size_t)(end - at);
    return at;
}

static const char *replaced(const struct mimic *mimic, const char *value, size_t length)
{
    const struct benchfile *bench = mimic->setup->bench;
    for (int i = 0; value && i < bench->port_count; i++)
        if (strlen(bench->port[i].path) == length && !memcmp(bench->port[i].path, value, length))
            return mimic->port[i].path;
    return NULL;
}

static void write_lines(const struct mimic *mimic, FILE *out)
{
    const char *at = mimic->setup->bench_text, *end = at + mimic->setup->bench_length;
    while (at < end) {
        const char *newline = memchr(at, '\n', (size_t)(end - at));
        size_t length = newline ? (size_t)(newline - at) : (size_t)(end - at), value_length;
        const char *value = port_value(at, length, &value_length);
        const char *path = replaced(mimic, value, value_length);
        if (path)
            fprintf(out, "port = %s\n", path);
        else
            fprintf(out, "%.*s\n", (int)length, at);
        at += length + 1;
    }
}

/* Whole or not at all: whoever waits for the file may read it as soon as it is there. */
int mimic_write_bench(const struct mimic *mimic, struct tl_error *error)
{
    const char *path = mimic->setup->bench_to;
    char part[1100];
    if (!path) {
        write_lines(mimic, mimic->setup->out);
        return fflush(mimic->setup->out) ? system_says(error, "standard output") : 0;
    }
    snprintf(part, sizeof part, "%s.part", path);
    FILE *to = fopen(part, "we");
    if (!to)
        return tl_error_set(error, TL_FILE, "%s: %s", path, strerror(errno));
    write_lines(mimic, to);
    bool failed = ferror(to) != 0;
    if (fclose(to) || failed || rename(part, path)) {
        tl_error_set(error, TL_FILE, "%s: %s", path, strerror(errno));
        unlink(part);
        return TL_FILE;
    }
    return 0;
}
