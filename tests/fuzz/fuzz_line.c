/* SPDX-License-Identifier: MIT */
/* The line instrument on our side: what it answers, and what it is told. An input that begins with "s" is the body of an
 * answer and gets its check; with "p", periods of a device; anything else is taken as it is. */
#include <inttypes.h>

#include "periods.h"
#include "tinlatch/bytes.h"

enum { INPUT_MAX = 9999999 };

static void add_inputs(const struct device_channels *channels, char *to, size_t size)
{
    size_t at = 0;
    to[0] = '\0';
    if (channels->has_cold)
        at += (size_t)snprintf(to, size, " cj=%d", channels->cold_mc);
    for (int i = 0; i < DEVICE_CHANNELS; i++) {
        const struct channel *c = &channels->channel[i];
        if (c->quality == QUALITY_OPEN)
            at += (size_t)snprintf(to + at, size - at, " %c%d=open", c->is_uv ? 'v' : 'c', i + 1);
        else if (c->quality == QUALITY_GOOD)
            at += (size_t)snprintf(to + at, size - at, " %c%d=%d", c->is_uv ? 'v' : 'c', i + 1,
                                   c->value);
        else
            assert(c->quality == QUALITY_NONE);
        assert(c->value >= -INPUT_MAX && c->value <= INPUT_MAX);
    }
}

/* The only way in which this answer can be written. */
static size_t write_again(const struct line_answer *answer, char *to, size_t size)
{
    char body[200], inputs[100];
    add_inputs(&answer->channels, inputs, sizeof inputs);
    if (answer->refused)
        snprintf(body, sizeof body, "%" PRIu32 " no %s", answer->sequence, answer->identity);
    else if (answer->is_identity)
        snprintf(body, sizeof body, "%" PRIu32 " iam %s silence=%d up=%" PRId64, answer->sequence,
                 answer->identity, answer->silence_ms, answer->uptime_s);
    else
        snprintf(body, sizeof body, "%" PRIu32 " ok d=%d f=%d up=%" PRId64 " q=%d%s",
                 answer->sequence, answer->channels.duty_permille, answer->fan_pct,
                 answer->uptime_s, answer->silenced, inputs);
    return (size_t)snprintf(to, size, "%s *%04X\n", body, bytes_crc16(body, strlen(body)));
}

static void decode(const uint8_t *bytes, size_t length)
{
    struct line_answer answer;
    char again[300];
    int consumed = line_decode(bytes, length, &answer);
    if (consumed < 0) {
        assert(consumed == TL_BAD || (consumed == TL_MORE && !memchr(bytes, '\n', length)));
        return;
    }
    size_t size = write_again(&answer, again, sizeof again), line = (size_t)consumed;
    bool with_return = line > 1 && bytes[line - 2] == '\r';
    assert(line <= length && size == line - with_return);
    assert(memcmp(again, bytes, size - 1) == 0 && bytes[line - 1] == '\n');
}

static size_t seal(const uint8_t *body, size_t length, uint8_t to[FRAME_MAX])
{
    char tail[8];
    length = length < 200 ? length : 200;
    memcpy(to, body, length);
    snprintf(tail, sizeof tail, " *%04X\n", bytes_crc16(body, length));
    memcpy(to + length, tail, 7);
    return length + 7;
}

static size_t answer(const struct device *device, const uint8_t *drawn, size_t length,
                     uint8_t to[FRAME_MAX])
{
    uint8_t body[FRAME_MAX];
    size_t at = (size_t)snprintf((char *)body, sizeof body, "%" PRIu32 " ", device->sequence);
    length = length < 180 ? length : 180;
    memcpy(body + at, drawn, length);
    return seal(body, at + length, to);
}

/* A request: "7 who *CCCC", or "7 set d=0 f=0 b=0 *CCCC" within what is driven now. */
static void check(const struct device *device, const struct frame *frame)
{
    char text[FRAME_MAX + 1], again[FRAME_MAX];
    unsigned sequence, heat, fan, beeps;
    memcpy(text, frame->bytes, frame->length);
    text[frame->length] = '\0';
    if (sscanf(text, "%u set d=%u f=%u b=%u", &sequence, &heat, &fan, &beeps) == 4) {
        assert(device->identified);
        assert(heat <= (device->drive.heat ? (unsigned)device->drive.duty_permille : 0));
        assert(heat <= 1000 && fan == (unsigned)device->drive.fan_pct);
        snprintf(again, sizeof again, "%u set d=%u f=%u b=%u", sequence, heat, fan, beeps);
    } else {
        assert(sscanf(text, "%u", &sequence) == 1);
        snprintf(again, sizeof again, "%u who", sequence);
    }
    uint8_t sealed[FRAME_MAX];
    size_t length = seal((const uint8_t *)again, strlen(again), sealed);
    assert(length == frame->length && memcmp(sealed, text, length) == 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const struct device_config config = {
        .kind = DEVICE_LINE, .identity = "openplate", .silence_ms = 2000};
    uint8_t sealed[FRAME_MAX];
    if (size > 0 && data[0] == 'p') {
        struct draw draw = {data + 1, data + size};
        periods_run(&(struct periods){&config, answer, check}, &draw);
    } else if (size > 0 && data[0] == 's') {
        decode(sealed, seal(data + 1, size - 1, sealed));
    } else {
        decode(data, size);
    }
    return 0;
}
