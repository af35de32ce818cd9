/* SPDX-License-Identifier: MIT */
/* The control socket: one command a line, one JSON object a line back. docs/reference/mimic.md */
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include "mimic_private.h"
#include "tinlatch/bytes.h"

enum { WORDS = 5 };

struct command {
    const char *name;
    void (*act)(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply);
    int least, most; /* words behind it */
};

static void ok(FILE *reply)
{
    fputs("{\"ok\":true}", reply);
}

static void refuse(FILE *reply, const char *text)
{
    char storage[600];
    struct bytes b;
    bytes_init(&b, storage, sizeof storage);
    bytes_json(&b, text);
    fprintf(reply, "{\"ok\":false,\"error\":%.*s}", (int)b.length, b.at);
}

static bool number(const char *text, double *value)
{
    char *end;
    *value = strtod(text, &end);
    return end != text && *end == '\0' && isfinite(*value);
}

/* ---- what can be said ---- */

static void do_fault(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    struct tl_error error;
    (void)words;
    if (world_add_fault(mimic->world, word[1], mimic->now_ms, &error)) {
        refuse(reply, error.text);
        return;
    }
    mimic_observe(mimic);
    ok(reply);
}

static void hand(struct mimic *mimic, enum hand which, FILE *reply)
{
    if (!mimic->has_board) {
        refuse(reply, "there is no board: name a recipe at the start");
        return;
    }
    world_hand(mimic->world, which, -1);
    ok(reply);
}

static void do_place(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    (void)words;
    (void)word;
    hand(mimic, HAND_PLACE, reply);
}

static void do_lift(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    (void)words;
    (void)word;
    hand(mimic, HAND_LIFT, reply);
}

static void do_press(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    (void)words;
    (void)word;
    hand(mimic, HAND_PRESS, reply);
}

static void do_release(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    (void)words;
    (void)word;
    hand(mimic, HAND_RELEASE, reply);
}

static bool on_or_off(const char *text, bool *on)
{
    *on = strcmp(text, "1") == 0;
    return *on || strcmp(text, "0") == 0;
}

static void contact(struct mimic *mimic, const char *text, bool *which, FILE *reply)
{
    if (!on_or_off(text, which)) {
        refuse(reply, "1: pressed, 0: let go");
        return;
    }
    world_contacts(mimic->world, mimic->stop_contact, mimic->answer_contact);
    ok(reply);
}

static void do_stop(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    (void)words;
    contact(mimic, word[1], &mimic->stop_contact, reply);
}

static void do_answer(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    (void)words;
    contact(mimic, word[1], &mimic->answer_contact, reply);
}

static void do_knob(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    double c = (double)NAN;
    (void)words;
    if (strcmp(word[1], "off") != 0 && !number(word[1], &c)) {
        refuse(reply, "knob: degrees C, or off");
        return;
    }
    world_knob(mimic->world, c);
    ok(reply);
}

static void do_clip(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    double rail;
    (void)words;
    if (!number(word[1], &rail) || rail < 0 || rail >= BENCH_RAILS) {
        refuse(reply, "clip: the number of a rail, from 0");
        return;
    }
    world_clip(mimic->world, (int)rail);
    world_probe(mimic->world, (int)rail);
    ok(reply);
}

/* By the path of its other end, its number, or the name of an instrument on it; no name: the first. */
static struct mimic_port *port_named(struct mimic *mimic, const char *name)
{
    const struct benchfile *bench = mimic->setup->bench;
    double index;
    if (!name)
        return bench->port_count > 0 ? &mimic->port[0] : NULL;
    for (int i = 0; i < bench->port_count; i++)
        if (strcmp(mimic->port[i].path, name) == 0)
            return &mimic->port[i];
    for (int i = 0; i < bench->device_count; i++)
        if (bench->device[i].port >= 0 && strcmp(bench->device[i].name, name) == 0)
            return &mimic->port[bench->device[i].port];
    if (number(name, &index) && index >= 0 && index < bench->port_count)
        return &mimic->port[(int)index];
    return NULL;
}

static void do_unplug(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    const struct benchfile *bench = mimic->setup->bench;
    struct mimic_port *port = port_named(mimic, words > 0 ? word[1] : NULL);
    if (!port) {
        refuse(reply, "there is no such port");
        return;
    }
    for (int i = 0; i < bench->device_count; i++)
        if (bench->device[i].port == port - mimic->port)
            world_unplug(mimic->world, i);
    mimic_observe(mimic);
    ok(reply);
}

static void tell_lines(const struct mimic_port *port, FILE *reply)
{
    bool cts, dsr, dcd;
    if (port_get_lines(port->world, &cts, &dsr, &dcd)) {
        refuse(reply, "the port is gone");
        return;
    }
    fprintf(reply, "{\"ok\":true,\"rts\":%d,\"dtr\":%d,\"cts\":%d,\"dsr\":%d,\"dcd\":%d}",
            port->rts, port->dtr, cts, dsr, dcd);
}

/* [PORT] 0|1 */
static void set_line(struct mimic *mimic, int words, char *const word[WORDS], bool is_rts,
                     FILE *reply)
{
    struct mimic_port *port = port_named(mimic, words > 1 ? word[1] : NULL);
    bool on;
    if (!port) {
        refuse(reply, "there is no such port");
        return;
    }
    if (!on_or_off(word[words], &on)) {
        refuse(reply, "1: set, 0: dropped");
        return;
    }
    mimic_set_lines(mimic, port, is_rts ? on : port->rts, is_rts ? port->dtr : on);
    tell_lines(port, reply);
}

static void do_rts(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    set_line(mimic, words, word, true, reply);
}

static void do_dtr(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    set_line(mimic, words, word, false, reply);
}

static void do_lines(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    struct mimic_port *port = port_named(mimic, words > 0 ? word[1] : NULL);
    bool rts, dtr;
    if (!port) {
        refuse(reply, "there is no such port");
        return;
    }
    if (words > 1) {
        if (words != 3 || !on_or_off(word[2], &rts) || !on_or_off(word[3], &dtr)) {
            refuse(reply, "lines PORT, or both lines: 1: set, 0: dropped");
            return;
        }
        mimic_set_lines(mimic, port, rts, dtr);
    }
    tell_lines(port, reply);
}

static void do_truth(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    (void)words;
    (void)word;
    mimic_write_truth(mimic, reply);
}

static void do_quit(struct mimic *mimic, int words, char *const word[WORDS], FILE *reply)
{
    (void)words;
    (void)word;
    mimic->over = true;
    ok(reply);
}

/* clang-format off */
static const struct command commands[] = {
    { "fault",   do_fault,   1, 1 },
    { "place",   do_place,   0, 0 },
    { "lift",    do_lift,    0, 0 },
    { "press",   do_press,   0, 0 },
    { "release", do_release, 0, 0 },
    { "stop",    do_stop,    1, 1 },
    { "answer",  do_answer,  1, 1 },
    { "knob",    do_knob,    1, 1 },
    { "clip",    do_clip,    1, 1 },
    { "unplug",  do_unplug,  0, 1 },
    { "rts",     do_rts,     1, 2 },
    { "dtr",     do_dtr,     1, 2 },
    { "lines",   do_lines,   0, 3 },
    { "truth",   do_truth,   0, 0 },
    { "quit",    do_quit,    0, 0 },
};
/* clang-format on */

static void obey(struct mimic *mimic, char *line, FILE *reply)
{
    char *word[WORDS] = {NULL}, *rest = NULL;
    int count = 0;
    for (char *at = strtok_r(line, " \t\r", &rest); at && count < WORDS;
         at = strtok_r(NULL, " \t\r", &rest))
        word[count++] = at;
    for (size_t i = 0; count > 0 && i < sizeof commands / sizeof commands[0]; i++) {
        const struct command *command = &commands[i];
        if (strcmp(command->name, word[0]) != 0)
            continue;
        if (count - 1 < command->least || count - 1 > command->most)
            refuse(reply, "too many words, or too few");
        else
            command->act(mimic, count - 1, word, reply);
        return;
    }
    refuse(reply, "no such command");
}

/* ---- the socket, the keyboard ---- */

int mimic_listen(struct mimic *mimic, struct tl_error *error)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    const char *path = mimic->setup->control;
    if (!path)
        return 0;
    if (strlen(path) >= sizeof address.sun_path)
        return tl_error_set(error, TL_FILE, "%s: a socket's path has at most %zu bytes", path,
                            sizeof address.sun_path - 1);
    snprintf(address.sun_path, sizeof address.sun_path, "%s", path);
    mimic->listener = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    /* A socket that nobody listens on any more is in the way; nothing else is touched. */
    struct stat there;
    if (mimic->listener >= 0 && lstat(path, &there) == 0 && S_ISSOCK(there.st_mode) &&
        connect(mimic->listener, (struct sockaddr *)&address, sizeof address) != 0 &&
        errno == ECONNREFUSED)
        unlink(path);
    if (mimic->listener < 0 || bind(mimic->listener, (struct sockaddr *)&address, sizeof address) ||
        listen(mimic->listener, MIMIC_CLIENTS))
        return tl_error_set(error, TL_FILE, "%s: %s", path, strerror(errno));
    return 0;
}

void mimic_accept(struct mimic *mimic)
{
    int fd = accept4(mimic->listener, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
    for (int i = 0; fd >= 0 && i < MIMIC_CLIENTS; i++)
        if (mimic->client[i].fd < 0) {
            mimic->client[i] = (struct mimic_client){.fd = fd};
            return;
        }
    if (fd >= 0)
        close(fd);
}

/* A terminal is read only while its owner sends its keys here: in the background the kernel stops who reads it. */
int mimic_listens_to(const struct mimic *mimic, int i)
{
    int fd = mimic->client[i].fd;
    return i == MIMIC_KEYBOARD && tcgetpgrp(fd) != getpgrp() ? -1 : fd;
}

/* A client that does not take its answer is let go: nothing waits for it. */
static bool answer_line(struct mimic *mimic, struct mimic_client *client)
{
    char text[MIMIC_REPLY] = "";
    FILE *reply = fmemopen(text, sizeof text - 1, "w");
    if (!reply)
        return false;
    obey(mimic, client->line, reply);
    fputc('\n', reply);
    fclose(reply);
    size_t length = strlen(text);
    if (client == &mimic->client[MIMIC_KEYBOARD])
        return fputs(text, mimic->setup->out) >= 0 && fflush(mimic->setup->out) == 0;
    return send(client->fd, text, length, MSG_NOSIGNAL | MSG_DONTWAIT) == (ssize_t)length;
}

void mimic_serve(struct mimic *mimic, struct mimic_client *client)
{
    char bytes[MIMIC_LINE];
    ssize_t got = read(client->fd, bytes, sizeof bytes);
    bool alive = got > 0 || (got < 0 && (errno == EAGAIN || errno == EINTR));
    mimic->now_ms = mimic->clock.now_ms(&mimic->clock);
    world_advance(mimic->world, mimic->now_ms);
    for (ssize_t i = 0; i < got && alive; i++) {
        if (bytes[i] != '\n') {
            alive = client->length < sizeof client->line - 1;
            client->line[client->length] = bytes[i];
            client->length += alive;
            continue;
        }
        client->line[client->length] = '\0';
        client->length = 0;
        alive = answer_line(mimic, client);
    }
    if (alive)
        return;
    close(client->fd);
    client->fd = -1;
}

void mimic_hang_up(struct mimic *mimic)
{
    for (int i = 0; i < MIMIC_SPEAKERS; i++)
        if (mimic->client[i].fd >= 0)
            close(mimic->client[i].fd);
    if (mimic->listener < 0)
        return;
    close(mimic->listener);
    unlink(mimic->setup->control);
}
