/* SPDX-License-Identifier: MIT */
/* Bytes and control lines between instruments and ports. Several instruments may hang on one port: they are
 * spoken to one after the other, each in its slice of the period, so that a dead one delays nobody beyond it. */
#include "guard_private.h"

static int32_t port_index(const struct guard *guard, int i)
{
    return guard->config.bench->device[i].port;
}

static struct port *port_of(const struct guard *guard, int i)
{
    int32_t port = port_index(guard, i);

    return port >= 0 ? guard->config.port[port] : NULL;
}

static void set_lines(struct guard *guard, int i, const struct frame *frame)
{
    if (frame->sets_lines && port_set_lines(port_of(guard, i), frame->rts, frame->dtr) != 0)
        guard->gone[i] = true;
}

static void port_sent(struct guard *guard, int i, const struct frame *frame)
{
    struct port *port = port_of(guard, i);

    if (guard->gone[i] || !port)
        return;
    set_lines(guard, i, frame);
    /* A line that takes less than a whole frame is as good as cut: its reader gets half a command. */
    if (frame->length > 0 && port_write(port, frame->bytes, frame->length) != (int)frame->length)
        guard->gone[i] = true;
}

/* Bytes out and in until neither side has more. */
static void exchange_bytes(struct guard *guard, int i, int64_t t_ms)
{
    uint8_t bytes[FRAME_MAX];
    struct frame frame = {0};
    int n;

    device_outbox(&guard->device[i], &frame);
    port_sent(guard, i, &frame);
    while (!guard->gone[i] && (n = port_read(port_of(guard, i), bytes, sizeof bytes)) != 0) {
        if (n < 0) {
            guard->gone[i] = true;
            return;
        }
        device_feed(&guard->device[i], bytes, (size_t)n, t_ms);
        device_outbox(&guard->device[i], &frame);
        port_sent(guard, i, &frame);
    }
}

static void read_lines(struct guard *guard, int i, int64_t t_ms)
{
    bool cts, dsr, dcd;

    if (port_get_lines(port_of(guard, i), &cts, &dsr, &dcd) == 0)
        device_feed_lines(&guard->device[i], cts, dsr, dcd, t_ms);
    device_judge_lines(&guard->device[i], t_ms); /* lines that cannot be read count as pressed */
}

void guard_begin(struct guard *guard, int64_t t_ms)
{
    guard->begun_ms = t_ms;
    for (int port = 0; port < BENCH_PORTS; port++)
        guard->talker[port] = -1;
    for (int i = 0; i < guard->config.bench->device_count; i++)
        if (guard->in_use[i])
            device_begin(&guard->device[i], &guard->drive, t_ms);
}

/* How many instruments in use share the port, and the how-manyth of them i is. */
static int sharers(const struct guard *guard, int32_t port, int i, int *place)
{
    int n = 0;

    for (int k = 0; k < guard->config.bench->device_count; k++)
        if (guard->in_use[k] && port_index(guard, k) == port) {
            if (k == i)
                *place = n;
            n++;
        }
    return n;
}

/* May instrument i use its port now: is it first in the row of those that are not done, in its slice? */
static bool has_the_port(struct guard *guard, int i, int64_t t_ms)
{
    int32_t port = port_index(guard, i);
    int place = 0, n = sharers(guard, port, i, &place);
    int64_t slice_ms = guard->config.bench->period_ms * 8 / 10 / n;

    if (guard->talker[port] == i)
        return true;
    if (guard->talker[port] >= 0) {
        int before = guard->talker[port], before_place = 0;
        sharers(guard, port, before, &before_place);
        bool over = t_ms >= guard->begun_ms + slice_ms * (before_place + 1);
        if (before > i || !(device_settled(&guard->device[before]) || over))
            return false;
        if (guard->quiet_ms[port] == 0)
            guard->quiet_ms[port] = t_ms + device_quiet_ms(&guard->config.bench->device[i],
                                                           guard->config.bench->port[port].baud);
        if (t_ms < guard->quiet_ms[port])
            return false;
    }
    guard->quiet_ms[port] = 0;
    guard->talker[port] = i;
    return true;
}

static void pump_device(struct guard *guard, int i, int64_t t_ms)
{
    if (!port_of(guard, i) || guard->gone[i])
        return;
    if (guard->config.bench->device[i].kind == DEVICE_INPUTS)
        read_lines(guard, i, t_ms);
    else if (has_the_port(guard, i, t_ms))
        exchange_bytes(guard, i, t_ms);
}

bool guard_pump(struct guard *guard, int64_t t_ms)
{
    bool settled = true;

    for (int i = 0; i < guard->config.bench->device_count; i++) {
        if (!guard->in_use[i])
            continue;
        pump_device(guard, i, t_ms);
        settled = settled && (guard->gone[i] || device_settled(&guard->device[i]));
    }
    return settled;
}

/* The same bytes that the keeper sends when everybody else is dead. */
void guard_last_words(struct guard *guard)
{
    for (int i = 0; i < guard->config.bench->device_count; i++) {
        struct frame frame = {0};
        if (!guard->in_use[i])
            continue;
        device_last_words(&guard->config.bench->device[i], &frame);
        port_sent(guard, i, &frame);
    }
}
