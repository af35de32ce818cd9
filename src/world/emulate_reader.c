/* SPDX-License-Identifier: MIT */
/* A thermometer that writes lines as docs/reference/sensor-reader.md describes them: its pattern, read
 * from the side that fills it in. */
#include <math.h>
#include <string.h>

#include "inside.h"

enum { READER_LINE = 256, EVERY_MS = 250 };

/* Thousandths of what it gives, with one decimal for degrees and three for millivolts. */
static void put_number(struct instrument *instrument, int input, struct bytes *b)
{
    const struct world_instrument_setup *setup = &instrument->setup;
    int32_t value = 0;
    if (input >= setup->channels || !tip_read(instrument, input, terminals_c(instrument), &value)) {
        bytes_text(b, setup->reader.open[0] ? setup->reader.open : "99999");
        return;
    }
    if (setup->is_uv[input]) {
        bytes_fixed(b, value, 3);
        return;
    }
    double degrees = value * 1e-3;
    if (setup->reader.fahrenheit)
        degrees = degrees * 9 / 5 + 32;
    bytes_fixed(b, lround(degrees * 10), 1);
}

/* What a skipped field holds: anything but what ends it. */
static char skipped(char next)
{
    return next == '0' ? '1' : '0';
}

static void put_field(struct instrument *instrument, const char *name, size_t length, char next,
                      struct bytes *b)
{
    if (length == 1 && *name >= '1' && *name <= '4')
        put_number(instrument, *name - '1', b);
    else if (length == 2 && memcmp(name, "cj", 2) == 0)
        bytes_fixed(b, lround(cold_told_c(instrument) * 10), 1);
    else
        bytes_char(b, skipped(next));
}

static void write_line(struct instrument *instrument, int latency_ms)
{
    char storage[READER_LINE];
    struct bytes b;
    bytes_init(&b, storage, sizeof storage);
    for (const char *at = instrument->setup.reader.pattern; *at; at++) {
        const char *end = *at == '{' ? strchr(at, '}') : NULL;
        if (!end) {
            bytes_char(&b, *at);
            continue;
        }
        put_field(instrument, at + 1, (size_t)(end - at) - 1, end[1], &b);
        at = end;
    }
    bytes_char(&b, '\n');
    if (!b.full)
        instrument_answer(instrument, b.at, b.length, latency_ms);
}

static bool is_text(const char *line, size_t length, const char *text)
{
    return text[0] && strlen(text) == length && memcmp(line, text, length) == 0;
}

void reader_hear(struct instrument *instrument, const char *line, size_t length)
{
    const struct world_instrument_setup *setup = &instrument->setup;
    if (is_text(line, length, setup->reader.ask_identity)) {
        char storage[READER_LINE];
        struct bytes b;
        bytes_init(&b, storage, sizeof storage);
        bytes_text(&b, setup->identity);
        bytes_char(&b, '\n');
        instrument_answer(instrument, b.at, b.length, READER_LATENCY_MS);
    } else if (is_text(line, length, setup->reader.ask)) {
        write_line(instrument, READER_LATENCY_MS);
    }
}

void reader_tick(struct instrument *instrument, int64_t t_ms)
{
    int every_ms = instrument->setup.reader.every_ms;
    if (instrument->setup.reader.ask[0] || instrument->deaf || t_ms < instrument->stream_ms)
        return;
    instrument->stream_ms += every_ms > 0 ? every_ms : EVERY_MS;
    write_line(instrument, 0);
}
