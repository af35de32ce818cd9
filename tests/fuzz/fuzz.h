/* SPDX-License-Identifier: MIT */
/* fuzz - what the fuzz targets share. A target is a function of the bytes that libFuzzer draws, or of a kept seed that
 * replay.c hands over; what must hold is asserted, so it returns 0 or not at all.
 *
 * Never      keeps anything from one input to the next, so that an input alone shows what it found. */
#ifndef TINLATCH_TESTS_FUZZ_H
#define TINLATCH_TESTS_FUZZ_H

#include <assert.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* What is left of an input; behind its end everything is 0. */
struct draw {
    const uint8_t *at, *end;
};

static inline size_t draw_left(const struct draw *draw)
{
    return (size_t)(draw->end - draw->at);
}

static inline uint8_t draw_byte(struct draw *draw)
{
    return draw->at < draw->end ? *draw->at++ : 0;
}

/* At most `most` bytes as they stand. */
static inline size_t draw_bytes(struct draw *draw, void *to, size_t most)
{
    size_t length = most < draw_left(draw) ? most : draw_left(draw);
    if (length > 0)
        memcpy(to, draw->at, length);
    draw->at += length;
    return length;
}

static inline int32_t draw_int(struct draw *draw)
{
    int32_t value = 0;
    draw_bytes(draw, &value, sizeof value);
    return value;
}

/* Up to a "\n", which is passed over; NUL-terminated, cut to `size`. */
static inline size_t draw_line(struct draw *draw, char *to, size_t size)
{
    const uint8_t *end = draw_left(draw) ? memchr(draw->at, '\n', draw_left(draw)) : NULL;
    size_t length = end ? (size_t)(end - draw->at) : draw_left(draw);
    size_t kept = length < size - 1 ? length : size - 1;
    memcpy(to, draw->at, kept);
    to[kept] = '\0';
    draw->at += length + (end != NULL);
    return kept;
}

#endif
