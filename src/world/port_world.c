/* SPDX-License-Identifier: MIT */
/* Behind the port interface: bytes in become lines, answers become readable when they are due. */
#include <limits.h>
#include <string.h>

#include "inside.h"

static int64_t now_ms(const struct instrument *instrument)
{
    return instrument->world->clock.origin_ms;
}

static void spoil(struct instrument *instrument, char *bytes, size_t length)
{
    for (size_t i = 0; i < length; i++)
        if (bytes[i] != '\n')
            bytes[i] = (char)(bytes[i] ^ (char)(random_next(&instrument->world->noise) & 0x7f));
}

/* Those on one port answer through one ring: one wire carries one answer at a time. */
void instrument_answer(struct instrument *instrument, const char *bytes, size_t length,
                       int latency_ms)
{
    struct instrument *host = instrument->host;
    if (length == 0 || length > REPLY_MAX || host->waiting >= REPLIES)
        return;
    int64_t due_ms = now_ms(instrument);
    if (due_ms < host->stalled_until_ms)
        due_ms = host->stalled_until_ms;
    if (host->waiting > 0) { /* one at a time */
        int last = (host->first + host->waiting - 1) % REPLIES;
        if (host->reply[last].due_ms > due_ms)
            due_ms = host->reply[last].due_ms;
    }
    int slot = (host->first + host->waiting++) % REPLIES;
    struct reply *reply = &host->reply[slot];
    reply->due_ms = due_ms + latency_ms;
    reply->from = instrument;
    reply->length = length;
    reply->taken = 0;
    memcpy(reply->bytes, bytes, length);
    if (instrument->gibberish)
        spoil(instrument, reply->bytes, length);
}

/* Takes one whole line, its "\n" and an "\r" before it gone. */
typedef void (*line_taker)(struct instrument *instrument, const char *line, size_t length);

static void hear_line(struct instrument *instrument, line_taker take)
{
    size_t length = instrument->inbox_length;
    if (length > 0 && instrument->inbox[length - 1] == '\r')
        length--;
    take(instrument, instrument->inbox, length);
}

static void end_line(struct instrument *instrument, line_taker take)
{
    enum world_instrument kind = instrument->setup.kind;
    bool is_scpi = kind == WORLD_SCPI || kind == WORLD_METER;
    if (!instrument->overrun)
        hear_line(instrument, take);
    else if (is_scpi)
        scpi_error(&instrument->scpi, -363); /* input buffer overrun */
    else if (kind == WORLD_LINE && memcmp(instrument->inbox, "OFF", 3) == 0)
        hear_line(instrument, take); /* OFF counts wherever a line begins with it */
    instrument->inbox_length = 0;
    instrument->overrun = false;
}

static void hear_text(struct instrument *instrument, const char *bytes, size_t length,
                      line_taker take)
{
    size_t most = instrument->setup.kind == WORLD_LINE ? LINE_MAX_BYTES - 1 : SCPI_MAX_BYTES - 1;
    for (size_t i = 0; i < length; i++) {
        if (bytes[i] == '\n')
            end_line(instrument, take);
        else if (instrument->inbox_length < most)
            instrument->inbox[instrument->inbox_length++] = bytes[i];
        else
            instrument->overrun = true;
    }
}

void instrument_hear(struct instrument *instrument, const char *bytes, size_t length)
{
    if (instrument->deaf)
        return;
    switch (instrument->setup.kind) {
    case WORLD_MODBUS:
        modbus_hear(instrument, bytes, length);
        return;
    case WORLD_LINE:
        hear_text(instrument, bytes, length, line_hear);
        return;
    case WORLD_SCPI:
    case WORLD_METER:
        hear_text(instrument, bytes, length, scpi_hear);
        return;
    case WORLD_READER:
        hear_text(instrument, bytes, length, reader_hear);
        return;
    case WORLD_NONE:
    case WORLD_CONTACTOR:
    case WORLD_BY_HAND:
    case WORLD_INPUTS:
    case WORLD_INSTRUMENTS:
        return;
    }
}

static int world_write(struct port *port, const void *from, size_t length)
{
    struct instrument *host = (struct instrument *)port;
    struct world *world = host->world;
    size_t taken = length > INT_MAX ? INT_MAX : length;
    if (host->unplugged)
        return TL_ENDED;
    for (int i = 0; i < world->setup.instruments; i++)
        if (world->instrument[i].host == host)
            instrument_hear(&world->instrument[i], from, taken);
    return (int)taken;
}

/* The oldest answer that is still coming; one whose instrument has died on the way never comes. */
static struct reply *oldest(struct instrument *host)
{
    while (host->waiting > 0 && host->reply[host->first].from->deaf) {
        host->first = (host->first + 1) % REPLIES;
        host->waiting--;
    }
    return host->waiting > 0 ? &host->reply[host->first] : NULL;
}

static int world_read(struct port *port, void *to, size_t size)
{
    struct instrument *host = (struct instrument *)port;
    struct reply *reply;
    char *out = to;
    size_t moved = 0;
    if (host->unplugged)
        return TL_ENDED;
    while (moved < size && (reply = oldest(host)) != NULL) {
        if (reply->due_ms > now_ms(host))
            break;
        size_t left = reply->length - reply->taken;
        size_t part = left < size - moved ? left : size - moved;
        memcpy(out + moved, reply->bytes + reply->taken, part);
        reply->taken += part;
        moved += part;
        if (reply->taken < reply->length)
            break;
        host->first = (host->first + 1) % REPLIES;
        host->waiting--;
    }
    return (int)moved;
}

static int world_set_lines(struct port *port, bool rts, bool dtr)
{
    struct instrument *host = (struct instrument *)port;
    if (host->unplugged)
        return TL_ENDED;
    host->rts = rts;
    host->dtr = dtr;
    return 0;
}

/* A contact that is fed and closed sets its line. */
static void read_contacts(const struct instrument *inputs, bool *line)
{
    const struct world *world = inputs->world;
    const struct instrument *host = inputs->host;
    bool fed = !inputs->setup.inputs.fed || host->rts || host->dtr;
    line[inputs->setup.inputs.stop] |= fed && !world->stop_contact;
    line[inputs->setup.inputs.answer] |= fed && world->answer_contact;
}

static int world_get_lines(struct port *port, bool *cts, bool *dsr, bool *dcd)
{
    struct instrument *host = (struct instrument *)port;
    bool line[WORLD_DCD + 1] = {false};
    if (host->unplugged)
        return TL_ENDED;
    for (int i = 0; i < host->world->setup.instruments; i++) {
        const struct instrument *other = &host->world->instrument[i];
        if (other->host == host && other->setup.kind == WORLD_INPUTS)
            read_contacts(other, line);
    }
    *cts = line[WORLD_CTS];
    *dsr = line[WORLD_DSR];
    *dcd = line[WORLD_DCD];
    return 0;
}

static void world_close(struct port *port)
{
    (void)port; /* the world owns it */
}

const struct port_ops world_port_ops = {
    .read = world_read,
    .write = world_write,
    .close = world_close,
    .set_lines = world_set_lines,
    .get_lines = world_get_lines,
};

int64_t world_next_reply_ms(const struct world *world)
{
    int64_t next_ms = INT64_MAX;
    for (int i = 0; i < world->setup.instruments; i++) {
        const struct instrument *instrument = &world->instrument[i];
        for (int k = 0; k < instrument->waiting && !instrument->unplugged; k++) {
            const struct reply *reply = &instrument->reply[(instrument->first + k) % REPLIES];
            if (reply->due_ms > world->clock.origin_ms && reply->due_ms < next_ms &&
                !reply->from->deaf)
                next_ms = reply->due_ms;
        }
    }
    return next_ms;
}
