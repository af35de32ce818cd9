/* SPDX-License-Identifier: MIT */
/* fake_line - a port with a line instrument behind it, as simple as the specification allows: answers `who`
 * and `set` at once, remembers what it was told; and the bench it stands on. A test that needs another instrument
 * puts a `hear` of its own in it. */
#ifndef TINLATCH_TESTS_FAKE_LINE_H
#define TINLATCH_TESTS_FAKE_LINE_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tinlatch/benchfile.h"
#include "tinlatch/bytes.h"
#include "tinlatch/port.h"

struct fake_line {
    struct port port;
    void (*hear)(struct fake_line *fake, const char *line);
    char in[512], out[1024];
    size_t in_length, out_length;
    int mc[3];       /* inputs 1..3; -1 = open */
    bool silent;     /* answers nothing */
    bool microvolts; /* calls its inputs v instead of c */
    int uptime_s;
    bool cut;       /* the line itself is gone */
    int stuck_duty; /* what it drives and says so, whatever it is told; 0 = it obeys */
    int duty, fan, offs, sets;
};

static void fake_line_say(struct fake_line *fake, const char *body)
{
    int n = snprintf(fake->out + fake->out_length, sizeof fake->out - fake->out_length,
                     "%s *%04X\n", body, bytes_crc16(body, strlen(body)));
    fake->out_length += (size_t)n;
}

static void fake_line_hear(struct fake_line *fake, const char *line)
{
    unsigned sequence;
    char body[200], input[3][32];

    if (strcmp(line, "OFF") == 0) {
        fake->duty = 0;
        fake->fan = 0;
        fake->offs++;
        return;
    }
    if (fake->silent || sscanf(line, "%u", &sequence) != 1)
        return;
    if (strstr(line, " who "))
        snprintf(body, sizeof body, "%u iam fake 1 silence=2000 up=5", sequence);
    else if (sscanf(strchr(line, ' '), " set d=%d f=%d", &fake->duty, &fake->fan) == 2) {
        fake->sets++;
        fake->duty = fake->stuck_duty ? fake->stuck_duty : fake->duty;
        for (int i = 0; i < 3; i++)
            snprintf(input[i], sizeof input[i], fake->mc[i] == -1 ? "open" : "%d", fake->mc[i]);
        const char *kind = fake->microvolts ? "v" : "c",
                   *cold = fake->microvolts ? " cj=25000" : "";
        snprintf(body, sizeof body, "%u ok d=%d f=%d up=%d q=0%s %s1=%s %s2=%s %s3=%s", sequence,
                 fake->duty, fake->fan, fake->uptime_s, cold, kind, input[0], kind, input[1], kind,
                 input[2]);
    } else
        return;
    fake_line_say(fake, body);
}

static int fake_line_write(struct port *port, const void *from, size_t length)
{
    struct fake_line *fake = (struct fake_line *)port;

    if (fake->cut)
        return TL_ENDED;
    for (size_t i = 0; i < length; i++) {
        char c = ((const char *)from)[i];
        if (c != '\n') {
            fake->in[fake->in_length++ % sizeof fake->in] = c;
            continue;
        }
        fake->in[fake->in_length % sizeof fake->in] = '\0';
        fake->in_length = 0;
        fake->hear(fake, fake->in);
    }
    return (int)length;
}

static int fake_line_read(struct port *port, void *to, size_t size)
{
    struct fake_line *fake = (struct fake_line *)port;
    size_t n = fake->out_length < size ? fake->out_length : size;

    if (fake->cut)
        return TL_ENDED;
    memcpy(to, fake->out, n);
    memmove(fake->out, fake->out + n, fake->out_length - n);
    fake->out_length -= n;
    return (int)n;
}

static void fake_line_close(struct port *port)
{
    (void)port;
}

static const struct port_ops fake_line_ops = {
    .read = fake_line_read, .write = fake_line_write, .close = fake_line_close};

static inline void fake_line_init(struct fake_line *fake)
{
    *fake = (struct fake_line){
        .port = {.ops = &fake_line_ops, .fd = -1},
        .hear = fake_line_hear,
        .mc = {25000, 25000, 25000},
        .uptime_s = 6,
    };
}

/* Every sensor hangs on an input of it; the insert is "flat". */
static inline struct benchfile fake_line_bench(void)
{
    struct benchfile bench = {
        .period_ms = 100,
        .plate = {.watts = 600, .capacity_j_k = 600, .loss_w_k = 0.9},
        .insert_count = 1,
        .insert = {{.name = "flat"}},
        .device_count = 1,
        .device = {{.kind = DEVICE_LINE, .silence_ms = 2000}},
        .port_count = 1,
        .plate_device = 0,
        .supply_device = -1,
        .meter_device = -1,
        .cutoff_device = -1,
        .inputs_device = -1,
        .has_fan = true,
        .presence_ms = 600000,
        .room_c = 25,
        .limits = {.plate_mc = 250000},
    };
    for (int id = 0; id < SENSORS; id++)
        bench.sensor[id] = (struct sensor_binding){.present = true, .channel = id};
    return bench;
}

#endif
