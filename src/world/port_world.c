/* SPDX-License-Identifier: MIT */
/* Behind the port interface: bytes in become lines, answers become readable when they are due. */
#include <limits.h>
#include <string.h>

#include "inside.h"

static int64_t now_ms(const struct instrument *instrument)
{
    return instrument->world->clock.origin_ms;
}

void instrument_answer(struct instrument *instrument, const char *bytes, size_t length,
                       int latency_ms)
{
    if (length == 0 || length > REPLY_MAX || instrument->waiting >= REPLIES)
        return;
    int64_t due_ms = now_ms(instrument);
    if (instrument->waiting > 0) { /* one at a time */
        int last = (instrument->first + instrument->waiting - 1) % REPLIES;
        if (instrument->reply[last].due_ms > due_ms)
            due_ms = instrument->reply[last].due_ms;
    }
    int slot = (instrument->first + instrument->waiting++) % REPLIES;
    struct reply *reply = &instrument->reply[slot];
    reply->due_ms = due_ms + latency_ms;
    reply->length = length;
    reply->taken = 0;
    memcpy(reply->bytes, bytes, length);
}

/* One whole line, its "\n" and an "\r" before it gone. */
static void hear_line(struct instrument *instrument)
{
    size_t length = instrument->inbox_length;
    if (length > 0 && instrument->inbox[length - 1] == '\r')
        length--;
    if (instrument->setup.kind == WORLD_LINE)
        line_hear(instrument, instrument->inbox, length);
    else
        scpi_hear(instrument, instrument->inbox, length);
}

static void end_line(struct instrument *instrument)
{
    bool is_scpi = instrument->setup.kind == WORLD_SCPI;
    if (!instrument->overrun)
        hear_line(instrument);
    else if (is_scpi)
        scpi_error(&instrument->scpi, -363); /* input buffer overrun */
    else if (memcmp(instrument->inbox, "OFF", 3) == 0)
        hear_line(instrument); /* OFF counts wherever a line begins with it */
    instrument->inbox_length = 0;
    instrument->overrun = false;
}

void instrument_hear(struct instrument *instrument, const char *bytes, size_t length)
{
    size_t most = instrument->setup.kind == WORLD_LINE ? LINE_MAX_BYTES - 1 : SCPI_MAX_BYTES - 1;
    if (instrument->deaf)
        return;
    for (size_t i = 0; i < length; i++) {
        if (bytes[i] == '\n')
            end_line(instrument);
        else if (instrument->inbox_length < most)
            instrument->inbox[instrument->inbox_length++] = bytes[i];
        else
            instrument->overrun = true;
    }
}

static int world_write(struct port *port, const void *from, size_t length)
{
    size_t taken = length > INT_MAX ? INT_MAX : length;
    instrument_hear((struct instrument *)port, from, taken);
    return (int)taken;
}

static int world_read(struct port *port, void *to, size_t size)
{
    struct instrument *instrument = (struct instrument *)port;
    char *out = to;
    size_t moved = 0;
    while (moved < size && instrument->waiting > 0 && !instrument->deaf) {
        struct reply *reply = &instrument->reply[instrument->first];
        if (reply->due_ms > now_ms(instrument))
            break;
        size_t left = reply->length - reply->taken;
        size_t part = left < size - moved ? left : size - moved;
        memcpy(out + moved, reply->bytes + reply->taken, part);
        reply->taken += part;
        moved += part;
        if (reply->taken < reply->length)
            break;
        instrument->first = (instrument->first + 1) % REPLIES;
        instrument->waiting--;
    }
    return (int)moved;
}

static void world_close(struct port *port)
{
    (void)port; /* the world owns it */
}

const struct port_ops world_port_ops = {
    .read = world_read, .write = world_write, .close = world_close};

int64_t world_next_reply_ms(const struct world *world)
{
    int64_t next_ms = INT64_MAX;
    for (int i = 0; i < world->setup.instruments; i++) {
        const struct instrument *instrument = &world->instrument[i];
        for (int k = 0; k < instrument->waiting && !instrument->deaf; k++) {
            int64_t due_ms = instrument->reply[(instrument->first + k) % REPLIES].due_ms;
            if (due_ms > world->clock.origin_ms && due_ms < next_ms)
                next_ms = due_ms;
        }
    }
    return next_ms;
}
