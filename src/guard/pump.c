/* SPDX-License-Identifier: MIT */
/* Bytes and control lines between instruments and ports. Several instruments may hang on one port: they are
 * spoken to one after the other, each in its slice of the period, so that a dead one delays nobody beyond it. */
#include "guard_private.h"

enum {
    OFF_TIMES = 3, /* at most: last words on a line that takes turns, until they are answered */
    ANSWER_MOST_MS = 50, /* of a Modbus unit; and its time on the wire */
};

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

static int32_t baud_of(const struct guard *guard, int i)
{
    return guard->config.bench->port[port_index(guard, i)].baud;
}

/* How long so many characters of 11 bits are on the wire. */
static int64_t wire_ms(const struct guard *guard, int i, size_t bytes)
{
    int32_t baud = baud_of(guard, i);

    return baud > 0 ? ((int64_t)bytes * 11000 + baud - 1) / baud : 0;
}

/* One frame at a time is on its line, with silence between: a Modbus unit. */
static bool takes_turns(const struct guard *guard, int i)
{
    return port_index(guard, i) >= 0 &&
           device_quiet_ms(&guard->config.bench->device[i], baud_of(guard, i)) > 0;
}

/* A Modbus line stays silent for 3.5 characters before every frame, whoever's bytes were heard on it last. A millisecond
 * clock: one more on top. */
static bool must_be_quiet(struct guard *guard, int i, int64_t t_ms)
{
    int64_t heard_ms = guard->heard_ms[port_index(guard, i)];
    int64_t until_ms =
        heard_ms + device_quiet_ms(&guard->config.bench->device[i], baud_of(guard, i)) + 1;

    if (!takes_turns(guard, i) || heard_ms <= 0 || t_ms >= until_ms)
        return false;
    wake_at(guard, until_ms);
    return true;
}

/* Is an answer on its way to somebody? */
static bool answer_is_due(struct guard *guard, int32_t port, int64_t t_ms)
{
    if (t_ms >= guard->answer_by_ms[port])
        return false;
    wake_at(guard, guard->answer_by_ms[port]);
    return true;
}

/* What waits in the outbox stays there while the line must be silent. */
static void send_outbox(struct guard *guard, int i, int64_t t_ms)
{
    int32_t port = port_index(guard, i);
    struct frame frame = {0};

    if (guard->device[i].outbox.length > 0 && must_be_quiet(guard, i, t_ms))
        return;
    device_outbox(&guard->device[i], &frame);
    send_frame(guard, i, &frame, false);
    if (frame.length == 0 || !takes_turns(guard, i))
        return;
    guard->asked[port] = i;
    guard->answer_by_ms[port] = t_ms + ANSWER_MOST_MS + wire_ms(guard, i, 2 * frame.length);
}

/* Some bytes of the port, fed to instrument `to`. */
static bool hear_some(struct guard *guard, int to, int64_t t_ms)
{
    struct device *device = &guard->device[to];
    uint8_t bytes[FRAME_MAX];
    int n = guard->gone[to] ? 0 : port_read(port_of(guard, to), bytes, sizeof bytes);

    guard->gone[to] |= n < 0;
    if (n <= 0)
        return false;
    device_feed(device, bytes, (size_t)n, t_ms);
    guard->heard_ms[port_index(guard, to)] = t_ms;
    if (!device_waits(device) || device->outbox.length > 0) /* it has answered */
        guard->answer_by_ms[port_index(guard, to)] = 0;
    return true;
}

/* Bytes out and in until neither side has more; from until_ms on, only in. */
static void exchange_bytes(struct guard *guard, int i, int64_t until_ms, int64_t t_ms)
{
    do {
        if (t_ms < until_ms)
            send_outbox(guard, i, t_ms);
    } while (hear_some(guard, i, t_ms));
}

/* ---- last words on a line that takes turns ---- */

/* Who has last words to say on that port, before anybody else says anything; -1 = nobody. */
static int who_owes(const struct guard *guard, int32_t port)
{
    for (int i = 0; i < guard->config.bench->device_count; i++)
        if (guard->owed[i] > 0 && !guard->gone[i] && port_index(guard, i) == port)
            return i;
    return -1;
}

/* Said once the answer that is on its way is in, or does not come; and again until they are answered themselves: what
 * runs into another frame is lost, and the unit would go on. */
static void say_owed(struct guard *guard, int i, int64_t t_ms)
{
    int32_t port = port_index(guard, i);

    while (hear_some(guard, guard->answer_by_ms[port] > 0 ? guard->asked[port] : i, t_ms))
        continue;
    if (guard->owed[i] < OFF_TIMES && !device_waits(&guard->device[i])) {
        guard->owed[i] = 0; /* they are answered */
        return;
    }
    if (guard->gone[i] || answer_is_due(guard, port, t_ms) || must_be_quiet(guard, i, t_ms))
        return;
    device_say_off(&guard->device[i], t_ms);
    guard->owed[i]--;
    send_outbox(guard, i, t_ms);
    answer_is_due(guard, port, t_ms);
}

bool guard_owes(const struct guard *guard)
{
    for (int32_t port = 0; port < BENCH_PORTS; port++)
        if (who_owes(guard, port) >= 0)
            return true;
    return false;
}

static void read_lines(struct guard *guard, int i, int64_t t_ms)
{
    bool cts, dsr, dcd;

    if (port_get_lines(port_of(guard, i), &cts, &dsr, &dcd) == 0)
        device_feed_lines(&guard->device[i], cts, dsr, dcd, t_ms);
    device_judge_lines(&guard->device[i], t_ms); /* lines that cannot be read count as pressed */
}

bool guard_has_contacts(const struct guard *guard)
{
    int32_t i = guard->config.bench->inputs_device;

    return i >= 0 && guard->in_use[i] && port_of(guard, i);
}

bool guard_look(struct guard *guard, int64_t t_ms)
{
    if (!guard_has_contacts(guard))
        return false;
    read_lines(guard, guard->config.bench->inputs_device, t_ms);
    return stop_count(guard) != guard->in.stop_count;
}

void guard_begin(struct guard *guard, int64_t t_ms)
{
    guard->begun_ms = t_ms;
    for (int port = 0; port < BENCH_PORTS; port++)
        guard->talker[port] = -1;
    for (int i = 0; i < guard->config.bench->device_count; i++)
        if (guard->in_use[i] && guard->owed[i] == 0)
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

/* When the slice of instrument i is over; the last of a row has the rest of the period. */
static int64_t slice_end_ms(const struct guard *guard, int i)
{
    int place = 0, n = sharers(guard, port_index(guard, i), i, &place);
    int64_t slice_ms = guard->config.bench->period_ms * 8 / 10 / n;

    return place == n - 1 ? INT64_MAX : guard->begun_ms + slice_ms * (place + 1);
}

/* May instrument i use its port now: is it first in the row of those that are not done, in its slice? The answer that
 * the one before still waits for comes first: a frame that runs into it is lost. */
static bool has_the_port(struct guard *guard, int i, int64_t t_ms)
{
    int32_t port = port_index(guard, i);
    int before = guard->talker[port];

    if (before == i)
        return true;
    if (before > i)
        return false;
    if (before >= 0 && !device_settled(&guard->device[before]) &&
        t_ms < slice_end_ms(guard, before)) {
        wake_at(guard, slice_end_ms(guard, before));
        return false;
    }
    while (guard->answer_by_ms[port] > 0 && hear_some(guard, guard->asked[port], t_ms))
        continue;
    if (guard->asked[port] != i && answer_is_due(guard, port, t_ms))
        return false;
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
    int debtor = who_owes(guard, port_index(guard, i));

    if (!port_of(guard, i) || guard->gone[i])
        return;
    if (guard->config.bench->device[i].kind == DEVICE_INPUTS)
        read_lines(guard, i, t_ms);
    else if (!device_talks(&guard->config.bench->device[i]))
        drive_lines(guard, i);
    else if (debtor == i)
        say_owed(guard, i, t_ms);
    else if (debtor < 0 && has_the_port(guard, i, t_ms))
        exchange_bytes(guard, i, slice_end_ms(guard, i), t_ms);
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
    return settled && !guard_owes(guard);
}

/* Does the instrument show that it drives nothing? What cannot be seen does not. */
static bool shows_off(const struct guard *guard, int i, int64_t t_ms)
{
    const struct device *device = &guard->device[i];

    if (guard->gone[i] || device->was_reset || device->output_unread ||
        device_silent_ms(device, t_ms) > guard->limits.silent_ms)
        return false;
    if (device->channels.has_duty && device->channels.duty_permille != 0)
        return false;
    if (i == guard->config.bench->plate_device && guard->interlock.state[HEAT_UNCOMMANDED].latched)
        return false; /* the plate's heat says otherwise */
    return i != guard->config.bench->supply_device || !device->supply.on;
}

/* On a line of its own at once, in place of what is still stuck; else as soon as the line is free. */
static void tell_off(struct guard *guard, int i, int64_t t_ms)
{
    struct frame frame = {0};

    device_last_words(&guard->config.bench->device[i], &frame);
    if (frame.length == 0 || !takes_turns(guard, i)) {
        send_frame(guard, i, &frame, true);
        return;
    }
    guard->owed[i] = OFF_TIMES;
    if (who_owes(guard, port_index(guard, i)) == i)
        say_owed(guard, i, t_ms);
}

/* Off is said again, once a second, to whatever does not show that it has heard it. */
void guard_off_again(struct guard *guard, int64_t t_ms)
{
    if (t_ms < guard->off_again_ms)
        return;
    guard->off_again_ms = t_ms + OFF_AGAIN_MS;
    for (int i = 0; i < guard->config.bench->device_count; i++)
        if (guard->in_use[i] && !shows_off(guard, i, t_ms))
            tell_off(guard, i, t_ms);
}

/* The same bytes that the keeper sends when everybody else is dead. What this period would still have said comes
 * after them no more: it may be an ON whose set-points have just read back. */
void guard_last_words(struct guard *guard, int64_t t_ms)
{
    for (int i = 0; i < guard->config.bench->device_count; i++)
        if (guard->in_use[i])
            device_let_go(&guard->device[i]);
    for (int i = 0; i < guard->config.bench->device_count; i++)
        if (guard->in_use[i])
            tell_off(guard, i, t_ms);
}

int64_t guard_wake_ms(const struct guard *guard)
{
    return guard->wake_ms;
}
