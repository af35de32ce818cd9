/* SPDX-License-Identifier: MIT */
#include <stdio.h>
#include <string.h>

#include "benchfile_private.h"

static int check_baud(struct parse *p, int section, enum key_id key)
{
    static const int32_t rates[] = {1200,  2400,   4800,   9600,   19200, 38400,
                                    57600, 115200, 230400, 460800, 921600};
    const struct entry *entry = entry_find(p, section, key);
    if (!entry)
        return 0;
    for (size_t i = 0; i < sizeof rates / sizeof rates[0]; i++)
        if (entry->number == rates[i])
            return 0;
    return entry_fail(
        p, entry, TL_RANGE,
        "%.0f is no standard rate; 9600, 19200, 38400, 57600 and 115200 are the usual ones",
        entry->number);
}

/* Why two instruments cannot hang on one port; NULL when they can. */
static const char *why_not_shared(const struct device_config *a, const struct device_config *b)
{
    if (a->kind == DEVICE_CONTACTOR && b->kind == DEVICE_CONTACTOR)
        return "one port carries one contactor: the other line stays set";
    if (!device_talks(a) || !device_talks(b))
        return NULL;
    if (a->kind != DEVICE_CONTROLLER || b->kind != DEVICE_CONTROLLER)
        return "only Modbus units, and contacts and contactors on its control lines, share a port";
    if (a->controller.unit == b->controller.unit)
        return "two Modbus units with the same address";
    return NULL;
}

static int32_t find_port(struct benchfile *out, const char *path)
{
    for (int32_t i = 0; i < out->port_count; i++)
        if (!strcmp(out->port[i].path, path))
            return i;
    snprintf(out->port[out->port_count].path, sizeof out->port[0].path, "%.127s", path);
    out->port[out->port_count].parity = 'N';
    return out->port_count++; /* no more ports than instruments */
}

/* Against those that were stated before it; `at` may still be the next free place. */
static int check_company(struct parse *p, const struct benchfile *out, int32_t at)
{
    const struct device_config *mine = &out->device[at];
    for (int32_t i = 0; i < out->device_count && i != at; i++) {
        const char *why = out->device[i].port == mine->port && mine->port >= 0
                              ? why_not_shared(&out->device[i], mine)
                              : NULL;
        if (why)
            return parse_fail(p, TL_SYNTAX, p->port_line[at], out->port[mine->port].path,
                              "[%s] port: [%s] hangs on that port already; %s", mine->name,
                              out->device[i].name, why);
    }
    return 0;
}

static int set_speed(struct parse *p, struct bench_port *port, int section,
                     const struct port_keys *keys)
{
    static const char parities[] = {'N', 'E', 'O'}; /* "none | even | odd" */
    if (keys->baud == KEYS)
        return 0;
    if (check_baud(p, section, keys->baud))
        return p->result;
    int32_t baud = (int32_t)number_of(p, section, keys->baud, keys->assumed_baud);
    char parity =
        keys->parity == KEYS ? 'N' : parities[(int)number_of(p, section, keys->parity, 0)];
    if (port->baud && (port->baud != baud || port->parity != parity))
        return parse_fail(p, TL_SYNTAX, line_of(p, section, keys->baud), port->path,
                          "[%s]: another unit on that port has another baud or parity",
                          p->sections[section].title);
    port->baud = baud;
    port->parity = parity;
    return 0;
}

int32_t add_device(struct parse *p, struct benchfile *out, int section, enum device_kind kind,
                   const struct port_keys *keys)
{
    const struct section *s = &p->sections[section];
    if (out->device_count == BENCH_DEVICES) {
        parse_fail(p, TL_FULL, s->line, s->title, "[%s]: a bench has at most %d instruments",
                   s->title, BENCH_DEVICES);
        return -1;
    }
    struct device_config *device = &out->device[out->device_count];
    device->kind = kind;
    device->port = -1;
    snprintf(device->name, sizeof device->name, "%.31s", s->title);
    p->device_section[out->device_count] = section;
    if (keys) {
        if (!entry_find(p, section, keys->port)) {
            missing_key(p, section, keys->port);
            return -1;
        }
        p->port_line[out->device_count] = line_of(p, section, keys->port);
        device->port = find_port(out, text_of(p, section, keys->port));
        if (check_company(p, out, out->device_count) ||
            set_speed(p, &out->port[device->port], section, keys))
            return -1;
    }
    return out->device_count++;
}

void set_identity(struct parse *p, struct device_config *device, int section, enum key_id key)
{
    snprintf(device->identity, sizeof device->identity, "%.63s", text_of(p, section, key));
}

int32_t find_device(struct parse *p, const struct benchfile *out, int section, enum key_id key)
{
    const struct entry *entry = entry_find(p, section, key);
    const char *names[BENCH_DEVICES + 1] = {0};
    for (int32_t i = 0; i < out->device_count; i++) {
        if (!strcmp(out->device[i].name, entry->text))
            return i;
        names[i] = out->device[i].name;
    }
    const char *near = tl_nearest(entry->text, names);
    entry_fail(p, entry, TL_UNKNOWN, "there is no [%.60s] in this file%s%s%s", entry->text,
               near ? "; did you mean " : "", near ? near : "", near ? "?" : "");
    return -1;
}

static bool is_alone(const struct benchfile *out, int32_t at)
{
    for (int32_t i = 0; i < out->device_count; i++)
        if (i != at && out->device[i].port == out->device[at].port)
            return false;
    return true;
}

/* Who shares a port with whom; contacts that are alone on theirs are fed from its lines. */
int check_sharing(struct parse *p, struct benchfile *out)
{
    for (int32_t i = 0; i < out->device_count; i++) {
        if (check_company(p, out, i))
            return p->result;
        out->device[i].inputs.feeds = out->device[i].kind == DEVICE_INPUTS && is_alone(out, i);
    }
    for (int32_t i = 0; i < out->port_count; i++)
        if (out->port[i].baud == 0)
            out->port[i].baud = 9600; /* control lines alone: any rate will do */
    return 0;
}
