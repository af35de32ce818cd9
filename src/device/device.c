/* SPDX-License-Identifier: MIT */
#include "tinlatch/device.h"

#include <string.h>

#include "device_ops.h"

static void none_begin(struct device *device, int64_t t_ms)
{
    (void)t_ms;
    device->settled = true;
}

static void none_line(struct device *device, const uint8_t *line, size_t length, int64_t t_ms)
{
    (void)line, (void)length, (void)t_ms;
    device->bad_frames++;
}

static void none_last_words(const struct device_config *config, struct bytes *out)
{
    (void)config, (void)out;
}

static const struct device_ops none_ops = {"none", none_begin, none_line, none_last_words};

static const struct device_ops *const kinds[DEVICE_KINDS] = {
    [DEVICE_NONE] = &none_ops,
    [DEVICE_LINE] = &line_device_ops,
    [DEVICE_SCPI_SUPPLY] = &scpi_supply_ops,
};

static const struct device_ops *ops_of(const struct device_config *config)
{
    int kind = (int)config->kind;
    return kind < 0 || kind >= DEVICE_KINDS ? &none_ops : kinds[kind];
}

const char *device_kind_name(enum device_kind kind)
{
    return (int)kind < 0 || kind >= DEVICE_KINDS ? "?" : kinds[kind]->name;
}

enum device_kind device_kind_find(const char *name)
{
    for (int kind = DEVICE_NONE + 1; kind < DEVICE_KINDS; kind++)
        if (strcmp(kinds[kind]->name, name) == 0)
            return (enum device_kind)kind;
    return DEVICE_NONE;
}

void device_init(struct device *device, const struct device_config *config)
{
    *device = (struct device){.config = *config, .begun_ms = -1, .answered_ms = -1, .uptime_s = -1};
}

void device_begin(struct device *device, const struct drive *drive, int64_t t_ms)
{
    device->drive = *drive;
    device->settled = false;
    device->outbox.length = 0;
    if (device->begun_ms < 0)
        device->begun_ms = t_ms;
    ops_of(&device->config)->begin(device, t_ms);
}

void device_outbox(struct device *device, struct frame *frame)
{
    *frame = device->outbox;
    device->outbox.length = 0;
}

static void inbox_take_line(struct device *device, int64_t t_ms)
{
    size_t length = device->inbox_length;
    bool overrun = device->inbox_overrun;
    device->inbox_length = 0;
    device->inbox_overrun = false;
    if (overrun)
        return; /* counted when it ran over */
    ops_of(&device->config)->line(device, device->inbox, length, t_ms);
}

static void inbox_add(struct device *device, const uint8_t *piece, size_t length)
{
    if (device->inbox_overrun)
        return;
    if (length > sizeof device->inbox - device->inbox_length) {
        device->inbox_overrun = true;
        device->bad_frames++;
        return;
    }
    memcpy(device->inbox + device->inbox_length, piece, length);
    device->inbox_length += length;
}

void device_feed(struct device *device, const void *bytes, size_t length, int64_t t_ms)
{
    const uint8_t *at = bytes;
    while (length > 0) {
        const uint8_t *newline = memchr(at, '\n', length);
        size_t piece = newline ? (size_t)(newline - at) + 1 : length;
        inbox_add(device, at, piece);
        if (newline)
            inbox_take_line(device, t_ms);
        at += piece;
        length -= piece;
    }
}

bool device_settled(const struct device *device)
{
    return device->settled;
}

int32_t device_silent_ms(const struct device *device, int64_t t_ms)
{
    int64_t since = device->answered_ms >= 0 ? device->answered_ms : device->begun_ms;
    if (since < 0 || t_ms <= since)
        return 0;
    return t_ms - since > INT32_MAX ? INT32_MAX : (int32_t)(t_ms - since);
}

void device_last_words(const struct device_config *config, struct frame *frame)
{
    frame->length = 0;
    struct bytes out = frame_open(frame);
    ops_of(config)->last_words(config, &out);
    frame_close(frame, &out);
}

const char *line_end(const void *bytes, size_t length, size_t *consumed)
{
    const char *text = bytes;
    const char *end = length > 0 ? memchr(text, '\n', length) : NULL;
    if (!end)
        return NULL;
    *consumed = (size_t)(end - text) + 1;
    return end > text && end[-1] == '\r' ? end - 1 : end;
}
