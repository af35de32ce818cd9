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
};

extern const struct device_ops line_device_ops, scpi_supply_ops;

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

/* The line without its "\n" and an "\r" before it; NULL when there is no "\n" in [bytes, +length). */
const char *line_end(const void *bytes, size_t length, size_t *consumed);

#endif
