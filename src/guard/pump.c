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

/* What the line did not take yet; a frame once begun is finished, or its reader gets half a command. */
static bool send_rest(struct guard *guard, int i)
{
    struct unsent *rest = &guard->unsent[i];
    struct port *port = port_of(guard, i);

    while (rest->sent < rest->frame.length) {
        int n = port_write(port, rest->frame.bytes + rest->sent, rest->frame.length - rest->sent);
        if (n < 0)
            guard->gone[i] = true;
        if (n <= 0)
            return false;
        rest->sent += (size_t)n;
    }
    return true;
}

/* A frame that follows one which is still stuck is dropped: the next period brings a newer one. OFF replaces
 * whatever waits, and starts a line of its own. */
static void send_frame(struct guard *guard, int i, const struct frame *frame, bool off)
{
    struct unsent *rest = &guard->unsent[i];

    if (!port_of(guard, i))
        return;
    if (frame->sets_lines)
        set_lines(guard, i, frame);
    if (!off && !send_rest(guard, i))
        return;
    if (frame->length == 0)
        return;
    rest->frame = *frame;
    rest->sent = 0;
    send_rest(guard, i);
}

/* Look at the ports again at t_ms, though no byte may have come. */
static void wake_at(struct guard *guard, int64_t t_ms)
{
    if (t_ms < guard->wake_ms)
        guard->wake_ms = t_ms;
}

/* A Modbus line stays silent for 3.5 characters before every request. A millisecond clock: one more on top. */
static bool must_be_quiet(struct guard *guard, int i, int64_t t_ms)
{
    const struct device_config *device = &guard->config.bench->device[i];
    int32_t quiet_ms = device_quiet_ms(device, guard->config.bench->port[device->port].baud);
    int64_t until_ms = guard->heard_ms[i] + quiet_ms + 1;

    if (quiet_ms <= 0 || guard->heard_ms[i] <= 0 || t_ms >= until_ms)
        return false;
    wake_at(guard, until_ms);
    return true;
}

/* Bytes out and in until neither side has more. */
static void exchange_bytes(struct guard *guard, int i, int64_t t_ms)
{
    uint8_t bytes[FRAME_MAX];
    struct frame frame = {0};
    int n;

    if (must_be_quiet(guard, i, t_ms))
        return;
    device_outbox(&guard->device[i], &frame);
    send_frame(guard, i, &frame, false);
    while (!guard->gone[i] && (n = port_read(port_of(guard, i), bytes, sizeof bytes)) != 0) {
        if (n < 0) {
            guard->gone[i] = true;
            return;
        }
        device_feed(&guard->device[i], bytes, (size_t)n, t_ms);
        guard->heard_ms[i] = t_ms;
        if (must_be_quiet(guard, i, t_ms))
            return; /* the next request waits for the line's silence; it stays in the outbox */
        device_outbox(&guard->device[i], &frame);
        send_frame(guard, i, &frame, false);
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

/* How many instruments in use share the port, and the how-manyth of them i is. What hangs on its control lines
 * alone takes no turn among those that talk on it. */
static int sharers(const struct guard *guard, int32_t port, int i, int *place)
{
    int n = 0;

    for (int k = 0; k < guard->config.bench->device_count; k++)
        if (guard->in_use[k] && device_talks(&guard->config.bench->device[k]) &&
            port_index(guard, k) == port) {
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
        int64_t over_ms = guard->begun_ms + slice_ms * (before_place + 1);
        if (before > i)
            return false;
        if (!device_settled(&guard->device[before]) && t_ms < over_ms) {
            wake_at(guard, over_ms);
            return false;
        }
        if (guard->quiet_ms[port] == 0)
            guard->quiet_ms[port] = t_ms + device_quiet_ms(&guard->config.bench->device[i],
                                                           guard->config.bench->port[port].baud);
        if (t_ms < guard->quiet_ms[port]) {
            wake_at(guard, guard->quiet_ms[port]);
            return false;
        }
    }
    guard->quiet_ms[port] = 0;
    guard->talker[port] = i;
    return true;
}

/* A contactor has nothing to say and reads nothing: the bytes on its port are another's. */
static void drive_lines(struct guard *guard, int i)
{
    struct frame frame = {0};

    device_outbox(&guard->device[i], &frame);
    send_frame(guard, i, &frame, false);
}

static void pump_device(struct guard *guard, int i, int64_t t_ms)
{
    if (!port_of(guard, i) || guard->gone[i])
        return;
    if (guard->config.bench->device[i].kind == DEVICE_INPUTS)
        read_lines(guard, i, t_ms);
    else if (!device_talks(&guard->config.bench->device[i]))
        drive_lines(guard, i);
    else if (has_the_port(guard, i, t_ms))
        exchange_bytes(guard, i, t_ms);
}

bool guard_pump(struct guard *guard, int64_t t_ms)
{
    bool settled = true;

    guard->wake_ms = INT64_MAX;
    for (int i = 0; i < guard->config.bench->device_count; i++) {
        if (!guard->in_use[i])
            continue;
        pump_device(guard, i, t_ms);
        settled = settled && (guard->gone[i] || device_settled(&guard->device[i]));
    }
    return settled;
}

/* Does the instrument show that it drives nothing? What cannot be seen does not. */
static bool shows_off(const struct guard *guard, int i, int64_t t_ms)
{
    const struct device *device = &guard->device[i];

    if (guard->gone[i] || device->was_reset ||
        device_silent_ms(device, t_ms) > guard->limits.silent_ms)
        return false;
    if (device->channels.has_duty && device->channels.duty_permille != 0)
        return false;
    if (i == guard->config.bench->plate_device && guard->interlock.state[HEAT_UNCOMMANDED].latched)
        return false; /* the plate's heat says otherwise */
    return i != guard->config.bench->supply_device || !device->supply.on;
}

/* Off is said again, once a second, to whatever does not show that it has heard it. */
void guard_off_again(struct guard *guard, int64_t t_ms)
{
    if (t_ms < guard->off_again_ms)
        return;
    guard->off_again_ms = t_ms + OFF_AGAIN_MS;
    for (int i = 0; i < guard->config.bench->device_count; i++) {
        struct frame frame = {0};
        if (!guard->in_use[i] || shows_off(guard, i, t_ms))
            continue;
        device_last_words(&guard->config.bench->device[i], &frame);
        send_frame(guard, i, &frame, true);
    }
}

/* The same bytes that the keeper sends when everybody else is dead. What this period would still have said comes
 * after them no more: it may be an ON whose set-points have just read back. */
void guard_last_words(struct guard *guard)
{
    for (int i = 0; i < guard->config.bench->device_count; i++) {
        struct frame frame = {0};
        if (!guard->in_use[i])
            continue;
        device_let_go(&guard->device[i]);
        device_last_words(&guard->config.bench->device[i], &frame);
        send_frame(guard, i, &frame, true);
    }
}

int64_t guard_wake_ms(const struct guard *guard)
{
    return guard->wake_ms;
}
