/* SPDX-License-Identifier: MIT */
#include "tinlatch/device.h"

#include <string.h>

#include "device_ops.h"

static void none_begin(struct device *device, int64_t t_ms)
{
    (void)t_ms;
    device->settled = true;
}

void hear_nothing(struct device *device, const uint8_t *line, size_t length, int64_t t_ms)
{
    (void)line, (void)length, (void)t_ms;
    device->bad_frames++;
}

void say_nothing(const struct device_config *config, struct bytes *out)
{
    (void)config, (void)out;
}

static const struct device_ops none_ops = {
    .name = "none", .begin = none_begin, .line = hear_nothing, .last_words = say_nothing};

static const struct device_ops *const kinds[DEVICE_KINDS] = {
    [DEVICE_NONE] = &none_ops,
    [DEVICE_LINE] = &line_device_ops,
    [DEVICE_SCPI_SUPPLY] = &scpi_supply_ops,
    [DEVICE_SCPI_METER] = &scpi_meter_ops,
    [DEVICE_CONTROLLER] = &controller_ops,
    [DEVICE_CONTACTOR] = &contactor_ops,
    [DEVICE_READER] = &reader_ops,
    [DEVICE_BY_HAND] = &by_hand_ops,
    [DEVICE_INPUTS] = &inputs_ops,
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

bool device_talks(const struct device_config *config)
{
    return !ops_of(config)->mute;
}

void device_init(struct device *device, const struct device_config *config)
{
    *device = (struct device){.config = *config, .begun_ms = -1, .answered_ms = -1, .uptime_s = -1};
    device->stepped_ms = device->told_ms = -1;
    device->inputs.at_ms = -1;
    device->inputs.stop = config->kind == DEVICE_INPUTS && config->inputs.stop != CONTACT_NONE;
}

static void empty_outbox(struct device *device)
{
    device->unsent = device->outbox.length > 0;
    device->outbox.length = 0;
    device->outbox.sets_lines = false;
}

void device_begin(struct device *device, const struct drive *drive, int64_t t_ms)
{
    device->drive = *drive;
    device->settled = false;
    empty_outbox(device);
    if (device->begun_ms < 0)
        device->begun_ms = t_ms;
    ops_of(&device->config)->begin(device, t_ms);
}

void device_outbox(struct device *device, struct frame *frame)
{
    *frame = device->outbox;
    device->outbox.length = 0;
    device->outbox.sets_lines = false;
}

void device_let_go(struct device *device)
{
    device->drive = (struct drive){.beeps = device->drive.beeps};
    empty_outbox(device);
    if (device->unsent) /* then it is not in flight */
        device->step = 0;
}

void device_say_off(struct device *device, int64_t t_ms)
{
    device_let_go(device);
    if (ops_of(&device->config)->off)
        ops_of(&device->config)->off(device, t_ms);
    else
        device_last_words(&device->config, &device->outbox);
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
    const struct device_ops *ops = ops_of(&device->config);
    if (ops->feed) {
        ops->feed(device, at, length, t_ms);
        return;
    }
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

/* 0 is every kind's idle step; below it, a kind waits for silence and has asked nothing. */
bool device_waits(const struct device *device)
{
    return device->step > 0;
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
    const struct device_ops *ops = ops_of(config);
    *frame = (struct frame){0};
    struct bytes out = frame_open(frame);
    ops->last_words(config, &out);
    frame_close(frame, &out);
    if (ops->drop)
        ops->drop(config, frame);
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

void keep_said(struct device *device, const uint8_t *line, size_t length)
{
    size_t n = 0;
    for (size_t i = 0; i < length && n < sizeof device->said - 1; i++)
        if (line[i] != '\n' && line[i] != '\r')
            device->said[n++] = line[i] >= 0x20 && line[i] < 0x7f ? (char)line[i] : '?';
    device->said[n] = '\0';
}

bool line_contains(const uint8_t *line, size_t length, const char *text)
{
    size_t size = strlen(text);
    for (size_t i = 0; i + size <= length; i++)
        if (memcmp(line + i, text, size) == 0)
            return true;
    return false;
}
