/* SPDX-License-Identifier: MIT */
/* device_ops - what a kind of instrument brings: how a period starts, what a whole line means, which
 * bytes switch it off. Private to src/device. */
#ifndef TINLATCH_DEVICE_OPS_H
#define TINLATCH_DEVICE_OPS_H

#include "tinlatch/bytes.h"
#include "tinlatch/device.h"

struct device_ops {
    const char *name;
    void (*begin)(struct device *device, int64_t t_ms);
    /* `length` bytes, the last of them the "\n"; never more than the inbox holds. */
    void (*line)(struct device *device, const uint8_t *line, size_t length, int64_t t_ms);
    void (*last_words)(const struct device_config *config, struct bytes *out);
    /* For those that need not have lines of text; NULL: `line` is called. */
    void (*feed)(struct device *device, const uint8_t *bytes, size_t length, int64_t t_ms);
    /* What its control lines are to be when it is off; NULL: it has none. */
    void (*drop)(const struct device_config *config, struct frame *frame);
    /* Last words become the request in flight; NULL: they are not answered. */
    void (*off)(struct device *device, int64_t t_ms);
    bool mute; /* sends and hears no bytes: it hangs on control lines, or on no port at all */
};

extern const struct device_ops line_device_ops, scpi_supply_ops, scpi_meter_ops, controller_ops,
    contactor_ops, reader_ops, by_hand_ops, inputs_ops;

/* Append to a frame through struct bytes; frame_close keeps nothing of a frame that did not fit. */
static inline struct bytes frame_open(struct frame *frame)
{
    struct bytes out;
    bytes_init(&out, (char *)frame->bytes, sizeof frame->bytes);
    out.length = frame->length;
    return out;
}

static inline size_t frame_close(struct frame *frame, const struct bytes *out)
{
    frame->length = out->full ? 0 : out->length;
    return frame->length;
}

static inline int32_t bounded(int32_t value, int32_t low, int32_t high)
{
    return value < low ? low : value > high ? high : value;
}

/* A command line, "%s" replaced by value / 1000 as "3.300"; the text is the bench file's, so it is
 * never handed to printf. */
void scpi_command(struct bytes *out, const char *text, int32_t milli);

/* Ends whatever half command an instrument was given. */
void scpi_end_line(struct device *device);

/* Four fields, or the name we look for: not every instrument keeps to the four. Numbers and errors are
 * neither, whatever the bench file looks for. */
bool scpi_is_identity(const uint8_t *line, size_t length, const char *wanted);

/* Who it says it is, for a person to read. */
void keep_said(struct device *device, const uint8_t *line, size_t length);

bool line_contains(const uint8_t *line, size_t length, const char *text);

/* For kinds that have nothing to say when they are to be off, or nothing to hear. */
void say_nothing(const struct device_config *config, struct bytes *out);
void hear_nothing(struct device *device, const uint8_t *line, size_t length, int64_t t_ms);

/* The line without its "\n" and an "\r" before it; NULL when there is no "\n" in [bytes, +length). */
const char *line_end(const void *bytes, size_t length, size_t *consumed);

#endif
